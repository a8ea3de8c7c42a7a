//! The call sign goes out where nothing else has said it: see [`crate::identity`] for the rule.

use dunlin_ax25::wire::pid;
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::Instant;

use super::{Station, WakeupReason};
use crate::channel::{Channel, MOST_QUEUED, Origin, Queued};
use crate::command::{Refusal, Reply};
use crate::event::PortId;
use crate::gate::Condition;
use crate::gate::judge::Why;
use crate::identity::{Place, Said, identifies};

/// To whom the call sign is said. An address of our own choice: any would do, and this one is
/// plain to whoever reads it.
fn to_all() -> CallSign {
    CallSign::new("ID", 0).expect("two letters")
}

impl Channel {
    /// A frame that says the port's call sign and nothing else.
    pub(super) fn call_sign_frame(&self) -> Frame {
        let call = self.config.call;
        let text = call.to_string().into_bytes();
        Frame::ui(call, to_all(), &[], pid::NO_LAYER_3, text)
    }

    /// How long a transmission of that frame alone takes.
    pub(crate) fn reckon_call_sign(&mut self) {
        let octets = self.call_sign_frame().encode();
        self.call_sign_alone = self.transmitter.airtime(&[octets]);
    }

    fn call_sign_queued(&self, now: Instant) -> Queued {
        let frame = self.call_sign_frame();
        Queued {
            control: Some(frame.control),
            alone: self.call_sign_alone,
            octets: frame.encode(),
            origin: Origin::Identification,
            generation: 0,
            urgent: false,
            since: now,
            broken_off: 0,
        }
    }

    fn has_call_sign_queued(&self) -> bool {
        let says = |q: &Queued| q.origin == Origin::Identification;
        self.queue.iter().any(says)
    }

    /// When frames of a transmission that begins at `now` end, and whether they identify.
    pub(super) fn said(&self, now: Instant, frames: &[Queued]) -> Vec<Said> {
        let Some(last) = frames.last() else {
            return Vec::new();
        };
        let tail = self.config.timing.tail;
        if last.origin == Origin::Test {
            let end = now + last.alone.saturating_sub(tail);
            let frame = self.transmitter.airtime_of_frame(&last.octets);
            return self.said_in_test(end - frame, end);
        }
        let octets: Vec<&[u8]> = frames.iter().map(|q| q.octets.as_slice()).collect();
        let ends = (1..=octets.len()).map(|n| self.transmitter.airtime(&octets[..n]));
        let ends = ends.map(|airtime| now + airtime.saturating_sub(tail));
        let call = self.config.call;
        frames
            .iter()
            .zip(ends)
            .map(|(queued, end)| Said {
                end,
                identifies: identifies(&queued.octets, call),
            })
            .collect()
    }

    /// When the port has to be looked at because of its identification.
    fn identification_due(&self) -> Option<Instant> {
        let held = self.gate.held();
        let out_of_service = held.is_some_and(|(c, _)| c < Condition::KeyDown);
        let wait = out_of_service || self.has_call_sign_queued() || !self.config.may_transmit;
        self.identity.due().filter(|_| !wait)
    }

    /// Whether a transmission could be identified.
    pub(super) fn judge_identification(&self, now: Instant) -> Why {
        if self.never_fits(self.call_sign_alone) {
            Why::CannotIdentify(self.call_sign_alone)
        } else if self.identity.is_owed() {
            Why::OwesCall(self.identity.deadline(now))
        } else {
            Why::CarriesCall
        }
    }
}

impl Station {
    /// Queues the call sign where it is due.
    pub(super) fn identifications(&mut self, now: Instant) {
        for port in self.ports() {
            let channel = self.channel(port);
            if channel.identification_due().is_some_and(|at| at <= now) {
                let queued = channel.call_sign_queued(now);
                // An own frame that goes next makes it needless; then it is dropped.
                let call = channel.config.call;
                let next = channel.queue.front();
                let says = next.is_some_and(|q| identifies(&q.octets, call));
                if channel.identity.is_pressing(now) && !says {
                    channel.queue.push_front(queued);
                } else {
                    channel.queue.push_back(queued);
                }
            }
        }
    }

    pub(super) fn identification_wakeups(
        &self,
    ) -> impl Iterator<Item = (Instant, WakeupReason)> + '_ {
        let due = |c: &Channel| Some((c.identification_due()?, WakeupReason::Identify(c.id)));
        self.channels.iter().filter_map(due)
    }

    /// Adds the call sign to a transmission that wants it. If both do not fit, the last frames
    /// wait for the next one; if not even the first fits, all of them.
    pub(super) fn with_call_sign(
        &mut self,
        now: Instant,
        port: PortId,
        mut taken: Vec<Queued>,
    ) -> Vec<Queued> {
        let channel = self.channel(port);
        let own = channel.call_sign_queued(now);
        let room = channel
            .gate
            .key_down
            .longest(now, &channel.config.gate.limits);
        let room = room.min(channel.config.timing.longest_transmission);
        loop {
            let said = channel.said(now, &taken);
            let both = taken.iter().chain([&own]).map(|q| q.octets.as_slice());
            let airtime = channel.transmitter.airtime(&both.collect::<Vec<_>>());
            let place = channel.identity.place(now, &said, now + airtime);
            let alone = taken.iter().any(|q| q.origin == Origin::Test);
            match place {
                Place::Nowhere => return taken,
                Place::First if airtime <= room && !alone => {
                    taken.insert(0, own);
                    return taken;
                }
                Place::Last if airtime <= room && !alone => {
                    taken.push(own);
                    return taken;
                }
                Place::First | Place::Last => {
                    channel.queue.extend(taken.pop());
                    channel.queue.rotate_right(1);
                    if taken.is_empty() {
                        return vec![own];
                    }
                }
            }
        }
    }

    /// A person wants the call sign said.
    pub(super) fn identify(&mut self, now: Instant, port: PortId) -> Result<Reply, Refusal> {
        self.sending_port(port)?;
        let channel = self.channel(port);
        if !channel.has_call_sign_queued() {
            if channel.queue.len() >= MOST_QUEUED {
                return Err(Refusal::QueueFull(MOST_QUEUED));
            }
            let queued = channel.call_sign_queued(now);
            channel.queue.push_back(queued);
        }
        channel.identity.asked = true;
        Ok(Reply::Done)
    }
}
