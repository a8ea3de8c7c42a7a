//! The evidence for a way, in words.

use dunlin_ax25::CallSign;
use dunlin_clock::Duration;

use super::leg::Leg;
use super::{LegView, Node, Proof, When};
use crate::words::span;

/// Tries below which a share of them is not worth saying.
const WORTH_SAYING: f64 = 1.5;

/// What is known between two stations.
pub(super) struct Evidence<'a> {
    pub(super) now: When,
    pub(super) from: Node,
    pub(super) to: Node,
    pub(super) there: Option<&'a Leg>,
    pub(super) back: Option<&'a Leg>,
}

impl Evidence<'_> {
    /// Half a sentence.
    pub(super) fn words(&self) -> String {
        let proven = |leg: Option<&Leg>| leg.and_then(|leg| leg.proven(self.now));
        let (heard, answered) = (proven(self.there), proven(self.back));
        match (self.from, self.to) {
            (None, Some(to)) => self.straight(to, heard, answered),
            (Some(from), Some(to)) => self.between(from, to, heard, answered),
            (_, None) => String::new(), // No way leads here.
        }
    }

    fn straight(&self, to: CallSign, heard: Option<When>, answered: Option<When>) -> String {
        let (tries, arrived) = self.there.map_or((0.0, 0.0), |leg| leg.counted(self.now));
        let share = (tries >= WORTH_SAYING).then(|| of(arrived, tries));
        match (heard, answered, share) {
            (Some(at), _, Some(share)) => {
                let last = self.ago(answered.max(Some(at)).unwrap_or(at));
                format!("{share} frames to {to} arrived, heard last {last}")
            }
            (Some(at), _, None) => format!("{to} answered {}", self.ago(at)),
            (None, Some(at), None) => format!(
                "{to} was heard here {}, and never seen to hear this station",
                self.ago(at)
            ),
            (None, Some(at), Some(_)) => {
                let tries = tries.round();
                let ago = self.ago(at);
                format!("{to} was heard here {ago}, and none of {tries} frames to it was answered")
            }
            (None, None, _) => String::new(),
        }
    }

    fn between(
        &self,
        from: CallSign,
        to: CallSign,
        heard: Option<When>,
        answered: Option<When>,
    ) -> String {
        let counted = |leg: Option<&Leg>| {
            let (tries, arrived) = leg.map_or((0.0, 0.0), |leg| leg.counted(self.now));
            let worth = tries >= WORTH_SAYING && arrived < tries - 0.5;
            worth.then(|| format!(" ({} frames)", of(arrived, tries)))
        };
        let there = |at| {
            let share = counted(self.there).unwrap_or_default();
            format!("{from} was heard by {to} {}{share}", self.ago(at))
        };
        let back = |at| {
            let share = counted(self.back).unwrap_or_default();
            format!("{to} was heard by {from} {}{share}", self.ago(at))
        };
        match (heard, answered) {
            (Some(there_at), Some(back_at)) => {
                format!("{}, and {}", back(back_at), there(there_at))
            }
            (Some(at), None) => there(at),
            (None, Some(at)) => back(at),
            (None, None) => String::new(),
        }
    }

    fn ago(&self, at: When) -> String {
        ago(u64::try_from(self.now.saturating_sub(at)).unwrap_or(0))
    }
}

/// A way, in a sentence without full stop.
pub(super) fn way(
    port: Option<&str>,
    via: &[CallSign],
    legs: Option<&[LegView]>,
    sendings: Option<f32>,
    worked_ms_ago: Option<u64>,
) -> String {
    let mut text = match via {
        [] => "direct".to_owned(),
        via => format!("by {}", names(via)),
    };
    if let Some(port) = port {
        text += &format!(" on {port}");
    }
    let mut evidence: Vec<String> = Vec::new();
    for leg in legs.unwrap_or_default() {
        evidence.push(leg.words.clone());
    }
    if let Some(ms) = worked_ms_ago {
        evidence.push(match legs {
            Some(_) => format!("this way worked last {}", ago(ms)),
            None => format!(
                "this way worked last {}; nothing newer is known of it",
                ago(ms)
            ),
        });
    }
    text += ": ";
    text += &evidence.join("; ");
    if let Some(sendings) = sendings.filter(|s| *s >= 1.5) {
        text += &format!("; each frame may have to be sent {sendings:.0} times or so");
    }
    text
}

/// What is known of the ways to a station, in short.
pub(super) fn all(to: CallSign, ways: usize, best: Option<Proof>) -> String {
    match (ways, best) {
        (0, _) => format!(
            "nothing is known of a way to {to}: neither it nor anybody who hears it was heard. \
             Calling it direct is a guess"
        ),
        (_, None) => format!("{to} was not heard of lately; it was reached before"),
        (_, Some(Proof::TwoWay)) => format!("{to} can be reached"),
        (_, Some(Proof::OneWay)) => {
            format!("{to} may be reached; one direction of the way is not proved")
        }
        (_, Some(Proof::Hearsay)) => {
            format!("{to} may be reached; part of the way is known from others' frames only")
        }
    }
}

/// "QM3BAR", "QM3BAR and QD2HIL-1".
pub(crate) fn names(calls: &[CallSign]) -> String {
    let all: Vec<String> = calls.iter().map(ToString::to_string).collect();
    match all.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} and {last}", others.join(", ")),
        None => String::new(),
    }
}

/// "12 min ago"; "just now".
fn ago(ms: u64) -> String {
    const DAY_MS: u64 = 86_400_000;
    match ms {
        0..1000 => "just now".into(),
        _ if ms >= 2 * DAY_MS => format!("{} days ago", ms / DAY_MS),
        _ => format!("{} ago", span(Duration::from_millis(ms))),
    }
}

fn of(arrived: f64, tries: f64) -> String {
    format!("{} of {}", arrived.round(), tries.round())
}
