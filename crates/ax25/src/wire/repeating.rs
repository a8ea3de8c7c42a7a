//! What a repeater (digipeater) and its neighbours need to know of a frame (§3.12.4, §3.12.5).

use super::address::{Address, Repeater};
use super::call_sign::CallSign;
use super::frame::Frame;

impl Frame {
    /// The repeater whose turn it is: the first whose H bit is still clear. `None` once all
    /// have repeated the frame, or if it names none.
    pub fn next_repeater(&self) -> Option<&Repeater> {
        self.repeaters.iter().find(|r| !r.has_been_repeated)
    }

    /// Whether no repeater is left, so that its destination may take the frame.
    pub fn is_fully_repeated(&self) -> bool {
        self.next_repeater().is_none()
    }

    /// Whether `call` is to take this frame: it is the destination and no repeater is left.
    pub fn is_addressed_to(&self, call: CallSign) -> bool {
        self.destination.is(call) && self.is_fully_repeated()
    }

    /// Marks the frame as repeated by `call`, and changes nothing else. False, and nothing
    /// changed, unless it is `call`'s turn. (The list of conditions in §3.12.4 is empty in
    /// this revision, E7; this is the rule of §3.12.5, as version 2.0 worded it, from memory.)
    pub fn mark_repeated(&mut self, call: CallSign) -> bool {
        match self.repeaters.iter_mut().find(|r| !r.has_been_repeated) {
            Some(next) if next.address.is(call) => {
                next.has_been_repeated = true;
                true
            }
            _ => false,
        }
    }

    /// The path for an answer: all repeaters in reverse order. `None` if one of them has no
    /// proper call sign, so that no answer can take this way.
    pub fn reply_path(&self) -> Option<Vec<CallSign>> {
        self.repeaters
            .iter()
            .rev()
            .map(|r| r.address.call_sign())
            .collect()
    }

    /// From whom the frame was heard: the last repeater that has sent it on, else its source.
    pub fn heard_from(&self) -> &Address {
        let last = self.repeaters.iter().rev().find(|r| r.has_been_repeated);
        last.map_or(&self.source, |r| &r.address)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn call(text: &str) -> CallSign {
        text.parse().expect("call sign")
    }

    #[test]
    fn repeaters_take_their_turns_in_order() {
        let (first, second) = (call("QD2HIL-1"), call("QD2HIL-2"));
        let to = call("QA1SKY");
        let mut frame = Frame::ui(call("QM3BAR"), to, &[first, second], 0xF0, vec![]);
        assert!(!frame.mark_repeated(second), "not its turn");
        assert!(!frame.mark_repeated(call("QD2HIL")), "another SSID");
        assert!(!frame.is_addressed_to(to));
        assert!(frame.heard_from().is(call("QM3BAR")));

        assert!(frame.mark_repeated(first));
        assert!(!frame.mark_repeated(first), "once only");
        assert_eq!(
            frame.next_repeater().map(|r| r.address.is(second)),
            Some(true)
        );
        assert!(frame.heard_from().is(first));

        assert!(frame.mark_repeated(second));
        assert!(frame.is_addressed_to(to));
        assert!(!frame.is_addressed_to(second));
        assert_eq!(frame.reply_path(), Some(vec![second, first]));
        assert!(frame.heard_from().is(second));
    }
}
