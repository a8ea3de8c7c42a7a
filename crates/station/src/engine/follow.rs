//! Where a port that follows sends: what was measured is noted by the transmitter that it came
//! from, and a transmission goes where the station that hears it first has its middle.

use dunlin_ax25::wire::AddressField;
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::Instant;

use super::Station;
use crate::channel::{Origin, Queued};
use crate::event::{PortId, Urgency};
use crate::following::Aim;
use crate::heard::Heard;

impl Station {
    /// Notes how far off the middle a transmitter was heard. That of a repeated frame is the
    /// digipeater that repeated it last. A mended frame is no evidence of whose it is. An offset is counted
    /// from the tones of the line that read the frame, so only one of the port's own line says
    /// where to send.
    pub(super) fn note_offset(
        &mut self,
        port: PortId,
        at: Instant,
        frame: &Frame,
        heard: Option<&Heard>,
    ) {
        let is_evidence = |h: &&Heard| h.line == h.own && h.report.repaired_bits == 0;
        let Some(offset_hz) = heard.filter(is_evidence).and_then(|h| h.report.offset_hz) else {
            return;
        };
        let Some(call) = frame.heard_from().call_sign() else {
            return;
        };
        if self.is_own(call) {
            return;
        }
        if let Some(following) = &mut self.channel(port).following {
            following.heard(at, call, offset_hz);
        }
    }

    /// Where a transmission goes: for frames of links to the station that hears them first. What
    /// is meant for all, for others, or for another program's partner goes where the port always
    /// sends. A call sign that is added to a transmission goes with it.
    pub(super) fn aim(&mut self, now: Instant, port: PortId, taken: &[Queued]) -> Option<Aim> {
        let is_link = |q: &&Queued| matches!(q.origin, Origin::Link(_));
        let hearer = taken
            .iter()
            .find(is_link)
            .and_then(|q| first_hearer(&q.octets))?;
        let channel = self.channel(port);
        let aim = channel.following.as_mut()?.aim(now, hearer)?;
        if !channel.transmitter.can_send_at(aim.offset_hz) {
            return None; // It goes where the port always sends, and nothing else is told.
        }
        if aim.is_new {
            let text = format!("the tones are moved: {}", aim.words);
            self.note(now, Some(port), Urgency::Plain, text);
        }
        Some(aim)
    }
}

/// The station that has to hear a frame next: the first digipeater that has not repeated it, else
/// its destination.
fn first_hearer(octets: &[u8]) -> Option<CallSign> {
    let (field, _) = AddressField::decode(octets).ok()?;
    let next = field.repeaters.iter().find(|r| !r.has_been_repeated);
    let address = next.map_or(field.destination, |r| r.address);
    address.call_sign()
}
