//! The conditions of an invented gate, in order, and the sentence that sums them up.

use dunlin_station::gate::{Condition, ConditionView, Stop};

/// What a gate is judged by.
pub struct Facts<'a> {
    pub name: &'a str,
    pub call: String,
    pub stop: Option<&'a Stop>,
    pub stop_ms: u64,
    pub busy: bool,
    pub channel_ms: u64,
    pub waits_ms: Option<u64>,
    pub testing: bool,
    pub transmitting: bool,
    pub now: u64,
}

fn open(condition: Condition, since_ms: u64, evidence: String) -> ConditionView {
    ConditionView {
        condition,
        open: true,
        since_ms,
        evidence,
        remedy: String::new(),
    }
}

fn shut(condition: Condition, since_ms: u64, evidence: String, remedy: &str) -> ConditionView {
    ConditionView {
        condition,
        open: false,
        since_ms,
        evidence,
        remedy: remedy.into(),
    }
}

/// The sentence and the whole list.
pub fn conditions(facts: &Facts<'_>) -> (String, Vec<ConditionView>) {
    let name = facts.name;
    let always = |condition, evidence: String| open(condition, 0, evidence);
    let stop = match facts.stop {
        Some(stop) => shut(
            Condition::Stop,
            facts.stop_ms,
            match &*stop.why {
                "" => format!("Stopped by {}.", stop.by),
                why => format!("Stopped by {}: {why}.", stop.by),
            },
            "Only a person starts it again, here or with dunlin start.",
        ),
        None => open(Condition::Stop, 0, "Nobody has stopped it.".into()),
    };
    let channel = match facts.busy {
        true => shut(
            Condition::Channel,
            facts.channel_ms,
            "Data tones of this port's mode, 17 dB above the noise.".into(),
            "It opens by itself when the other station ends.",
        ),
        false => {
            let evidence = "No data tones; noise at −46 dBFS.".into();
            open(Condition::Channel, facts.channel_ms, evidence)
        }
    };
    let slot = match (facts.stop.is_some() || facts.busy, facts.waits_ms) {
        (false, Some(since)) => shut(
            Condition::Slot,
            since,
            "The last draw was 0.61, above the persistence of 0.25.".into(),
            "The next draw is in 100 ms.",
        ),
        _ => always(Condition::Slot, "Drawn when the channel is clear.".into()),
    };
    let listened = format!("{name} has listened for 30 s since the start.");
    let identification = format!(
        "{} fits into each frame and is due every 10 min.",
        facts.call
    );
    let all = vec![
        always(Condition::Plan, format!("The plan lets {name} transmit.")),
        always(Condition::CallSign, call_sign(&facts.call)),
        stop,
        open(Condition::Listened, 30_000, listened),
        always(
            Condition::Device,
            "A simulated band, which cannot fail.".into(),
        ),
        always(Condition::KeyLine, "There is no key line.".into()),
        always(Condition::Identification, identification),
        always(Condition::KeyDown, "All limits leave room.".into()),
        always(
            Condition::Interlock,
            "The other port does not forbid it.".into(),
        ),
        channel,
        slot,
    ];
    (sentence(facts), all)
}

fn call_sign(call: &str) -> String {
    format!("{call} is invented; no radio is behind this port, so it may be used.")
}

fn sentence(facts: &Facts<'_>) -> String {
    let name = facts.name;
    let waited = |since: u64| facts.now.saturating_sub(since) / 1000;
    match (facts.stop, facts.waits_ms) {
        (Some(stop), Some(since)) => {
            let why = match &*stop.why {
                "" => String::new(),
                why => format!(" ({why})"),
            };
            let minutes = waited(since) / 60;
            let by = &stop.by;
            format!(
                "{name} is stopped by {by}{why}, and its first frame has waited {minutes} min. \
                 Start it again when it is safe."
            )
        }
        (Some(stop), None) => {
            format!(
                "{name} is stopped by {}. Start it again when it is safe.",
                stop.by
            )
        }
        _ if facts.testing => format!("{name} sends a test signal, which stops by itself."),
        _ if facts.transmitting => format!("{name} transmits."),
        (None, Some(since)) if facts.busy => format!(
            "{name} has waited {} s: another station sends data. It goes on by itself.",
            waited(since)
        ),
        (None, Some(_)) => format!("{name} waits for its slot on a clear channel."),
        (None, None) if facts.busy => format!("{name} has nothing to send; data is heard."),
        (None, None) => format!("{name} may transmit and has nothing to send."),
    }
}
