//! What a session says when its turn has come.

use super::{
    ANSWERS_RECORD, FAIR_OCTETS, MOST_IDLE, MOST_WORDS, More, Output, Session, Turn, VERSION,
};
use crate::exchange::octets::put_number;
use crate::exchange::stream::{ANSWERS, END, HELLO, OVER, put_record};

impl Session {
    /// Whether the session waits for what the station was asked.
    fn is_kept_waiting(&mut self) -> bool {
        if self.more == More::Maybe && self.outgoing.wants_more() {
            self.more = More::Asked;
            self.outputs.push_back(Output::More);
        }
        let waits = !self.incoming.undecided().is_empty() || self.incoming.is_storing();
        (waits || self.more == More::Asked) && !self.hasten
    }

    /// Speaks, if it is this side's turn and nothing is waited for.
    pub(super) fn speak(&mut self) {
        if self.turn != Turn::Ours || self.is_kept_waiting() {
            return;
        }
        let mut octets = Vec::new();
        self.say_hello(&mut octets);
        let before = octets.len();
        self.say_answers(&mut octets);
        let highest = self.outgoing.offers(&mut octets);
        if let Some(partner) = self.partner {
            let allowed = partner.turn.min(self.settings.limits.turn);
            let bodies = self.outgoing.pieces(allowed, highest);
            self.idle.1 += bodies.len() as u64;
            octets.extend(bodies);
        }
        if std::mem::take(&mut self.settled) || self.idle.1 >= FAIR_OCTETS {
            self.idle = (0, 0);
        }
        self.empty.1 = match octets.len() > before {
            true => 0,
            false => self.empty.1 + 1,
        };
        let may_come = self.more != More::No && self.outgoing.wants_more();
        let has_more = self.outgoing.has_more() || may_come;
        let settled = self.outgoing.is_answered() && !self.incoming.is_open();
        let through = settled && !has_more && !self.partner_has_more;
        let stuck = self.empty.0.min(self.empty.1) >= 2;
        match (through, stuck, self.idle.0 >= MOST_IDLE) {
            (true, ..) => self.end_after(octets, true, "", "all is done"),
            (false, true, _) => {
                let words = "neither side had anything to say, but both had something open";
                self.end_after(octets, false, words, words);
            }
            (false, false, true) => {
                let words =
                    format!("{MOST_IDLE} turns have settled nothing and brought next to nothing");
                self.end_after(octets, false, &words, &words);
            }
            (false, false, false) => {
                put_record(&mut octets, OVER, &[has_more.into()]);
                self.said_more = has_more;
                self.turn = Turn::Theirs;
                self.outputs.push_back(Output::Send(octets));
            }
        }
    }

    fn say_hello(&mut self, octets: &mut Vec<u8>) {
        if !self.hello_sent {
            let mut payload = vec![VERSION];
            put_number(&mut payload, self.settings.limits.packed as u64);
            put_number(&mut payload, self.settings.limits.turn as u64);
            put_record(octets, HELLO, &payload);
            self.hello_sent = true;
        }
    }

    fn say_answers(&mut self, octets: &mut Vec<u8>) {
        while !self.answers.is_empty() {
            let mut payload = Vec::new();
            while payload.len() < ANSWERS_RECORD
                && let Some(entry) = self.answers.pop_front()
            {
                payload.extend(entry);
            }
            put_record(octets, ANSWERS, &payload);
        }
    }

    /// Ends from this side, at any time, although something may be open.
    pub(super) fn end_with(&mut self, say: &str, words: &str) {
        let mut octets = Vec::new();
        self.say_hello(&mut octets);
        let say = if say.is_empty() { "it ends" } else { say };
        self.end_after(octets, false, say, words);
    }

    /// Sends what there is and the end, with words for the partner and words for the operator.
    fn end_after(&mut self, mut octets: Vec<u8>, well: bool, say: &str, words: &str) {
        let mut length = say.len().min(MOST_WORDS);
        while !say.is_char_boundary(length) {
            length -= 1;
        }
        put_record(&mut octets, END, &say.as_bytes()[..length]);
        self.outputs.push_back(Output::Send(octets));
        self.finish(well, words.to_owned());
    }

    pub(super) fn finish(&mut self, well: bool, words: String) {
        for partial in self.incoming.partials() {
            self.outputs.push_back(Output::KeepPartial(partial));
        }
        self.turn = Turn::Nobodys;
        self.outputs.push_back(Output::Ended { well, words });
    }
}
