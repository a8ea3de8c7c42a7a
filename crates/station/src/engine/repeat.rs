//! Digipeating: repeating single frames of others on the port on which they were heard, and muting those who
//! ask for too much.

use dunlin_ax25::CallSign;
use dunlin_ax25::wire::AddressField;
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::channel::Origin;
use crate::command::{Refusal, Reply};
use crate::digipeat::{MUTED_FOR, MuteView, Refused, Wanted};
use crate::event::{PortId, Urgency, ms};
use crate::gate::stops::{LONGEST_REASON, clean, somebody};
use crate::rejects::RejectKind;
use crate::words::span;

/// Octets of an address.
const ADDRESS: usize = 7;
/// The H bit in the last octet of a digipeater's address (AX.25 2.2 §3.12.5).
const HAS_BEEN_REPEATED: u8 = 0x80;
/// The control field of an unnumbered frame to all, with and without its P bit (AX.25 2.2 §4.3.3).
const UI: u8 = 0x03;
const P: u8 = 0x10;
/// People that are muted at a time, at most.
const MOST_MUTED: usize = 100;

impl Station {
    /// Repeats a frame that asks this station to (AX.25 2.2 §3.12.4, Fig C3.4): the first
    /// digipeater that has not repeated it must be one of ours, exactly. Its bit is set,
    /// nothing else is changed, whatever the frame holds, and it goes before other frames.
    pub(super) fn repeat(
        &mut self,
        now: Instant,
        port: PortId,
        octets: &[u8],
        field: &AddressField,
    ) {
        let next = field.repeaters.iter().position(|r| !r.has_been_repeated);
        let Some(next) = next else {
            return;
        };
        let call = field.repeaters[next].address.call_sign();
        let config = self.port_config(port);
        if !call.is_some_and(|call| config.digipeat.contains(&call)) {
            return;
        }
        let sender = field.source.call_sign();
        if sender.is_some_and(|call| self.is_own(call)) {
            return; // Our own frame, reflected.
        }
        if self.out_of_service(now, port).is_some() {
            return;
        }
        let Some(sender) = sender.and_then(|call| call.with_ssid(0)) else {
            let words = format!(
                "{} is no call sign: its frame is not repeated",
                field.source
            );
            return self.reject(now, port, RejectKind::NoCallSign, None, words);
        };
        if let Some(mute) = self.mute_of(now, sender, false) {
            let words = format!("{sender} is muted for {mute} more: its frame is not repeated");
            return self.reject(now, port, RejectKind::Muted, None, words);
        }
        let mut copy = octets.to_vec();
        if let Some(ssid_octet) = copy.get_mut(ADDRESS * (next + 3) - 1) {
            *ssid_octet |= HAS_BEEN_REPEATED;
        }
        let plain = unmarked(octets, field.repeaters.len());
        let control = octets.get(ADDRESS * (field.repeaters.len() + 2)).copied();
        let channel = self.channel(port);
        let mut queue = channel.queue.iter();
        let wanted = Wanted {
            octets: &plain,
            sender,
            hops: field.repeaters.len(),
            to_all: control.is_some_and(|c| c & !P == UI),
            waits: queue.any(|q| {
                q.origin == Origin::Repeated && unmarked(&q.octets, field.repeaters.len()) == plain
            }),
        };
        match channel.digipeater.take(now, &wanted) {
            Ok(()) => {
                self.enqueue_octets(now, port, Origin::Repeated, None, copy, true);
            }
            Err(Refused::For(kind, words)) => {
                let urgency = match kind {
                    // A double is everyday; it is only counted.
                    RejectKind::RepeatedAlready => None,
                    _ => Some(Urgency::Plain),
                };
                self.reject(now, port, kind, urgency, words);
            }
            Err(Refused::Mute(words)) => {
                self.reject(now, port, RejectKind::TooManyRepeats, None, words.clone());
                self.silence(now, sender, MUTED_FOR, None, &words);
            }
        }
    }

    /// Mutes somebody, or ends that.
    pub(super) fn mute(
        &mut self,
        now: Instant,
        call: CallSign,
        minutes: u16,
        by: &str,
        why: &str,
    ) -> Result<Reply, Refusal> {
        let call = call.with_ssid(0).unwrap_or(call);
        if self.is_own(call) {
            return Err(Refusal::OwnCall(call));
        }
        self.mutes.retain(|m| m.until_ms > ms(now));
        if minutes == 0 {
            let known = self.mutes.iter().position(|m| m.call == call);
            let Some(known) = known else {
                return Err(Refusal::NotMuted(call));
            };
            self.mutes.remove(known);
            let text = format!("{call} is no longer muted, by {}", somebody(by));
            self.note(now, None, Urgency::Attention, text);
            return Ok(Reply::Done);
        }
        let time = Duration::from_secs(60 * u64::from(minutes.min(24 * 60)));
        self.silence(now, call, time, Some(by), why);
        self.end_exchange_of_muted(now, call);
        Ok(Reply::Done)
    }

    /// Mutes somebody; `by` a person, or the station of itself, which a forged call sign may bring about: then
    /// only digipeating is off.
    fn silence(
        &mut self,
        now: Instant,
        call: CallSign,
        time: Duration,
        by: Option<&str>,
        why: &str,
    ) {
        let by_itself = by.is_none();
        if by_itself && self.mutes.iter().any(|m| m.call == call && !m.by_itself) {
            return; // A person has, and for longer or more.
        }
        self.mutes
            .retain(|m| m.call != call && m.until_ms > ms(now));
        if self.mutes.len() == MOST_MUTED {
            let first = self.mutes.iter().position(|m| m.by_itself);
            self.mutes.remove(first.unwrap_or(0));
        }
        let by = by.map_or_else(|| "the station".to_owned(), somebody);
        let why = clean(why, LONGEST_REASON);
        let because = match why.is_empty() {
            true => String::new(),
            false => format!(": {why}"),
        };
        let what = match by_itself {
            true => "nothing is repeated for it",
            false => "nothing is repeated or carried across for it",
        };
        let text = format!(
            "{call} is muted for {} by {by}{because}; {what}",
            span(time)
        );
        self.mutes.push(MuteView {
            call,
            until_ms: ms(now + time),
            by,
            why,
            by_itself,
        });
        self.note(now, None, Urgency::Attention, text);
    }

    /// For how much longer somebody is muted, in words; if asked so, only by a person.
    pub(super) fn mute_of(
        &self,
        now: Instant,
        call: CallSign,
        by_a_person: bool,
    ) -> Option<String> {
        let call = call.with_ssid(0)?;
        let asked = |m: &&MuteView| m.call == call && !(by_a_person && m.by_itself);
        let mute = self.holding(now).find(asked)?;
        Some(span(Duration::from_millis(mute.until_ms - ms(now))))
    }

    /// All that holds now.
    pub(super) fn mutes(&self, now: Instant) -> Vec<MuteView> {
        self.holding(now).cloned().collect()
    }

    fn holding(&self, now: Instant) -> impl Iterator<Item = &MuteView> {
        self.mutes.iter().filter(move |m| m.until_ms > ms(now))
    }
}

/// A frame without the marks of the digipeaters that have repeated it.
fn unmarked(octets: &[u8], digipeaters: usize) -> Vec<u8> {
    let mut plain = octets.to_vec();
    for n in 0..digipeaters {
        if let Some(ssid_octet) = plain.get_mut(ADDRESS * (n + 3) - 1) {
            *ssid_octet &= !HAS_BEEN_REPEATED;
        }
    }
    plain
}
