//! Ten visitors at once go on through the node of one station, all on 1200 Bd, as fast as they can. Their persistence
//! is what suits so many: below one divided by the number of stations that wait (docs/channel-access.md).

use std::fmt::Write;

use dunlin_clock::Duration;
use dunlin_rehearsal::{Fidelity, Rehearsal, Scenario, jain};
use dunlin_station::Direction;

const VISITORS: usize = 10;
const LINES: usize = 90;

fn visitor(n: usize) -> String {
    format!("QB{n}VIS")
}

fn beyond(n: usize) -> String {
    format!("QC{n}FAR")
}

/// All visitors hear the node and each other, and so do those beyond.
fn scenario() -> Scenario {
    let mut text =
        String::from("title = \"Ten visitors\"\noperator = \"QA1SKY\"\nlasts = \"3 h\"\n");
    for (band, call) in [("VHF", visitor as fn(usize) -> String), ("UHF", beyond)] {
        let _ = write!(
            text,
            "[[band]]\nname = \"{band}\"\nkind = \"fm\"\nrate = 24000\npaths = [\n"
        );
        for n in 0..VISITORS {
            let _ = writeln!(
                text,
                "{{ from = \"QA1SKY\", to = \"{}\", level = \"22 dB\" }},",
                call(n)
            );
            for other in 0..n {
                let (from, to) = (call(n), call(other));
                let _ = writeln!(
                    text,
                    "{{ from = \"{from}\", to = \"{to}\", level = \"20 dB\" }},"
                );
            }
        }
        text += "]\n";
    }
    text += "[[place]]\n[place.station]\ncall = \"QA1SKY\"\n[place.node]\ncall = \"QA1SKY-5\"\n\
             ports = [\"VHF\"]\nonward = [\"UHF\"]\nallow = \"all\"\nmost_visitors = 20\nmost_percent = 100\n";
    for band in ["VHF", "UHF"] {
        let _ = write!(
            text,
            "[[place.port]]\nname = \"{band}\"\nmode = \"afsk1200\"\npersistence = 0.25\n"
        );
    }
    for n in 0..VISITORS {
        for (call, band) in [(visitor(n), "VHF"), (beyond(n), "UHF")] {
            let _ = write!(
                text,
                "[[place]]\n[place.station]\ncall = \"{call}\"\n[[place.port]]\nname = \"{band}\"\n\
                 mode = \"afsk1200\"\npersistence = 0.05\n"
            );
        }
        let _ = write!(
            text,
            "[[person]]\nname = \"{0}\"\nat = \"{0}\"\ntries = 20\npause = \"20 s\"\nthinks = \"0 s\"\ndoes = [\n\
             {{ do = \"call\", to = \"QA1SKY-5\", patience = \"10 min\" }},\n\
             {{ do = \"await\", text = \"QA1SKY:\", patience = \"10 min\" }},\n\
             {{ do = \"say\", text = \"go {1} on uhf\" }},\n",
            visitor(n),
            beyond(n)
        );
        for line in 0..LINES {
            let _ = writeln!(
                text,
                "{{ do = \"say\", text = \"{line:03} {}\" }},",
                "x".repeat(180)
            );
        }
        text += "]\n";
    }
    Scenario::read("ten", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Octets that have come out at the station beyond of each visitor.
fn arrived(r: &Rehearsal) -> Vec<f64> {
    let stations = &r.scenario().stations;
    (0..VISITORS)
        .map(|n| {
            let number = stations
                .iter()
                .position(|m| m.config.call.to_string() == beyond(n));
            let talks = r
                .talks()
                .talks()
                .filter(|(station, _)| Some(*station) == number);
            let octets = talks.map(|(_, talk)| talk.octets(Direction::Received).len());
            octets.sum::<usize>() as f64
        })
        .collect()
}

#[test]
fn ten_visitors_at_once_get_about_the_same() {
    for seed in 1..=3 {
        share(seed);
    }
}

fn share(seed: u64) {
    let mut r = Rehearsal::begin_at(scenario(), seed, true, Fidelity::Frame).expect("it begins");
    let mut begun = None;
    loop {
        r.advance(r.now() + Duration::from_secs(30));
        while r.poll().is_some() {}
        let now = arrived(&r);
        if begun.is_none() && now.iter().all(|octets| *octets > 0.0) {
            begun = Some((r.now(), now.clone()));
        }
        let whole = (LINES * 150) as f64;
        let late = r.now().as_millis() > 3 * 3_600_000;
        assert!(!late, "{now:?}");
        if let Some((since, at_first)) = &begun
            && (r.now().since(*since) >= Duration::from_secs(1200)
                || now.iter().any(|o| *o > whole))
        {
            let gained: Vec<f64> = now.iter().zip(at_first).map(|(a, b)| a - b).collect();
            let minutes = r.now().since(*since).as_secs_f64() / 60.0;
            let fairness = jain(&gained).unwrap_or(0.0);
            println!(
                "{minutes:.1} min: {gained:?}, Jain {fairness:.3}, from the start {:.3}",
                jain(&now).unwrap_or(0.0)
            );
            assert!(fairness >= 0.9, "{gained:?}");
            return;
        }
    }
}
