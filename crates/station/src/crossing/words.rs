//! What visitors and the operator read of a crossing.

use super::{Crossing, Hold, Stage};
use crate::event::{CrossingHalf, CrossingView, PortId, ms};

impl Crossing {
    /// Who waits, and why.
    fn waiting(&self) -> String {
        let visitor = self.near.remote;
        let who = match &self.stage {
            Stage::Through { to } => format!("{visitor} and {to} wait"),
            _ => format!("{visitor} waits"),
        };
        let why = match self.hold {
            Some(Hold::Key) => "the rest of a port's key-down time is kept for what is short",
            _ => "others have a claim to the channel",
        };
        format!("{who}: {why}")
    }

    pub(super) fn help(&self) -> String {
        let names: Vec<&str> = self.terms.onward.iter().map(|(_, n)| n.as_str()).collect();
        match (self.terms.is_node(), &names[..]) {
            (_, []) => format!(
                "{}: HEARD: who is heard. WAY and a call sign: how to reach it.{} END: that was all.",
                self.station,
                self.help_with_mail()
            ),
            (false, names) => format!(
                "{}: a call sign is called on {}. HEARD: who is heard. WAY and a call sign: how to reach it. \
                 END: that was all.",
                self.station,
                names.join(", ")
            ),
            (true, names) => format!(
                "{}: a call sign is called by the best way, GO QX0RLF ON {} by that port. HEARD: who is heard. \
                 WAY QX0RLF: how to reach it.{} END: that was all.",
                self.station,
                names.join(" or ON "),
                self.help_with_mail()
            ),
        }
    }

    fn help_with_mail(&self) -> &'static str {
        match self.terms.mail {
            true => {
                " MAIL, MAIL MINE, BULLETINS, READ 1, DELETE 1. WRITE or RADIOGRAM QX0RLF, or WORD QX0RLF and a line: leaves it a \
                 message. DELIVERED 1, or NOT DELIVERED 1 and why: of a radiogram."
            }
            false => "",
        }
    }

    /// How it ended, for the timeline.
    pub(crate) fn epilogue(&self) -> String {
        let to = self.to().map_or("nobody".into(), |c| c.to_string());
        let lost = match self.lost {
            0 => String::new(),
            n => format!("; {n} octets did not reach the end they were for"),
        };
        format!(
            "crossing of {} to {to} is over: visitor {}; far side {}; {} octets went out, {} came back{lost}",
            self.near.remote, self.near_words, self.far_words, self.from_near, self.from_far
        )
    }

    /// The view now; what waits for each end is told by its link.
    pub(crate) fn view(&self, near_waiting: usize, far_waiting: usize) -> CrossingView {
        let words = match &self.stage {
            _ if self.has_ended() => "ended".into(),
            Stage::Asking { .. } | Stage::Through { .. } if self.hold.is_some() => self.waiting(),
            Stage::Asking { .. } if self.terms.is_node() => "the visitor is at the node".into(),
            Stage::Asking { .. } => "the visitor is asked which station to reach".into(),
            Stage::Calling { to, .. } => format!("calling {to}{}", self.by),
            Stage::Through { to } => {
                format!("{} and {to} are talking{}", self.near.remote, self.by)
            }
            Stage::Ending { .. } => "ending".into(),
        };
        let half = |port: PortId, local, remote, words: &str, received, waiting| CrossingHalf {
            port,
            local,
            remote,
            words: words.to_owned(),
            received_octets: received,
            waiting_octets: waiting,
        };
        CrossingView {
            id: self.id,
            rule: self.terms.name.clone(),
            notes: self.terms.notes.clone(),
            near: half(
                self.near.port,
                self.near.local,
                Some(self.near.remote),
                &self.near_words,
                self.from_near,
                near_waiting,
            ),
            far: half(
                self.far.map_or(self.terms.first_port(), |far| far.port),
                self.far.map_or(self.far_call(), |far| far.local),
                self.to(),
                &self.far_words,
                self.from_far,
                far_waiting,
            ),
            words,
            opened_ms: ms(self.opened),
            ended: self.has_ended(),
        }
    }
}
