//! What is received and not taken: counted, shown, and answered with measure.

use dunlin_ax25::data_link::{DlError, Input as LinkInput, MdlError};
use dunlin_ax25::wire::{AddressField, Control, DecodeError, Role, pid};
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::event::{Event, PortId, Urgency};
use crate::links::LinkKey;
use crate::rejects::{Allowance, RejectKind};
use crate::words;

/// Callers let in at once on one port, and then one in so long: a flood of calls, each let in
/// and greeted, would fill the channel with answers and the journal with talks.
const CALLERS: Allowance = Allowance::new(32, Duration::from_secs(10));
/// Strangers who are told that nothing is connected, or that they are refused, at once on one
/// port, and then one in so long.
const ANSWERS: Allowance = Allowance::new(10, Duration::from_secs(10));

/// How those are answered with whom no link is open.
#[derive(Debug)]
pub(crate) struct Strangers {
    callers: Allowance,
    answers: Allowance,
}

impl Default for Strangers {
    fn default() -> Self {
        Strangers {
            callers: CALLERS,
            answers: ANSWERS,
        }
    }
}

impl Station {
    /// Takes note of something that was not taken. The timeline is told of the first few of a
    /// kind; `urgency` = `None` never.
    pub(super) fn reject(
        &mut self,
        now: Instant,
        port: PortId,
        kind: RejectKind,
        urgency: Option<Urgency>,
        example: String,
    ) {
        let (view, first) = self.rejects.add(now, port, kind, &example);
        self.tell(Event::Reject(view));
        if let Some(urgency) = urgency.filter(|_| first) {
            self.note(now, Some(port), urgency, example);
        }
    }

    /// A frame with good addresses whose rest is faulty. What is between others is on the strip.
    pub(super) fn faulty(
        &mut self,
        now: Instant,
        port: PortId,
        field: &AddressField,
        error: DecodeError,
    ) {
        let Some(local) = field.destination.call_sign() else {
            return;
        };
        if !self.answers_to(port, local) {
            return;
        }
        let (Some(remote), Some(fault)) = (field.source.call_sign(), error.fault()) else {
            return self.nameless(now, port, local, &field.source.to_string());
        };
        if self.is_own(remote) {
            return self.own_frame(now, port, remote);
        }
        let key = LinkKey {
            port,
            local,
            remote,
        };
        let up = self.links.get(&key).is_some_and(|e| e.is_up());
        let then = if up { "; the link begins anew" } else { "" };
        let text = format!("{remote} sent a frame for {local} that cannot be read: {error}{then}");
        let kind = RejectKind::of_fault(fault);
        self.reject(now, port, kind, Some(Urgency::Plain), text);
        if let Some(entry) = self.links.get_mut(&key) {
            entry.link.handle(now, LinkInput::Faulty(fault));
        }
        self.pump_links(now);
    }

    /// A frame for this station from an address that is no call sign.
    pub(super) fn nameless(&mut self, now: Instant, port: PortId, local: CallSign, source: &str) {
        let text =
            format!("a frame for {local} came from {source}, which is no call sign; not answered");
        let kind = RejectKind::NoCallSign;
        self.reject(now, port, kind, Some(Urgency::Plain), text);
    }

    /// A frame whose sender has one of this station's call signs.
    pub(super) fn own_frame(&mut self, now: Instant, port: PortId, own: CallSign) {
        let text = format!(
            "a frame from {own} was heard: somebody uses this call sign, or the port hears itself"
        );
        // A duplex repeater brings back every frame.
        let duplex = self.port_config(port).full_duplex;
        let urgency = (!duplex).then_some(Urgency::Attention);
        self.reject(now, port, RejectKind::OwnFrame, urgency, text);
    }

    /// Whether a frame is one of this station's, heard without any digipeater between.
    pub(super) fn is_reflected(&self, field: &AddressField) -> bool {
        let own = field.source.call_sign().is_some_and(|c| self.is_own(c));
        own && !field.repeaters.iter().any(|r| r.has_been_repeated)
    }

    /// A response for a link that is no more, or never was: there is nothing to say to it.
    pub(super) fn late_response(&mut self, now: Instant, key: LinkKey, frame: &Frame) {
        let text = format!(
            "{} answered {} ({}), and no link is open between them: passed over",
            key.remote,
            key.local,
            words::purpose(frame)
        );
        self.reject(now, key.port, RejectKind::NoLink, None, text);
    }

    /// Whether a caller may be let in now, as far as their number goes.
    pub(super) fn has_pace_for_caller(&mut self, now: Instant, port: PortId) -> bool {
        self.strangers[usize::from(port.0)].callers.take(now)
    }

    /// Takes note of a stranger's frame that opens nothing. False if it is not answered either.
    pub(super) fn answers_stranger(
        &mut self,
        now: Instant,
        key: LinkKey,
        frame: &Frame,
        refusal: Option<&str>,
    ) -> bool {
        let asks = !matches!(frame.control, Control::Ui { pf: false });
        if asks && !self.strangers[usize::from(key.port.0)].answers.take(now) {
            let text = format!(
                "{} sent {} a frame ({}); not answered, too many such came",
                key.remote,
                key.local,
                words::purpose(frame)
            );
            self.reject(now, key.port, RejectKind::TooMany, None, text);
            return false;
        }
        if let Some(why) = refusal {
            let text = format!("{} called {} and was refused: {why}", key.remote, key.local);
            let kind = RejectKind::CallRefused;
            self.reject(now, key.port, kind, Some(Urgency::Attention), text);
        } else if needs_link(frame) {
            let text = format!(
                "{} sent {} a frame ({}) without being connected{}; told so",
                key.remote,
                key.local,
                words::purpose(frame),
                self.other_ssid(key)
            );
            self.reject(now, key.port, RejectKind::NoLink, None, text);
        }
        true
    }

    /// Whether a station of the same call sign and another SSID is connected.
    fn other_ssid(&self, key: LinkKey) -> String {
        let near = self.links.keys(Some(key.port)).into_iter().find(|other| {
            other.local == key.local && other.remote.characters() == key.remote.characters()
        });
        near.map_or(String::new(), |other| {
            format!(
                " (a link with {} is open: it may have changed its SSID in the middle)",
                other.remote
            )
        })
    }

    /// A link reports an error.
    pub(super) fn link_error(&mut self, now: Instant, key: LinkKey, error: DlError) {
        let text = format!("link with {}: {error}", key.remote);
        match RejectKind::of_error(error) {
            // Counted when the frame came.
            Some(RejectKind::ControlField | RejectKind::Information | RejectKind::TooShort) => {}
            Some(kind) => self.reject(now, key.port, kind, Some(Urgency::Plain), text),
            None => self.note(now, Some(key.port), Urgency::Plain, text),
        }
    }

    /// The management of a link reports an error.
    pub(super) fn management_error(&mut self, now: Instant, key: LinkKey, error: MdlError) {
        let text = format!("link with {}: {error}", key.remote);
        match RejectKind::of_management(error) {
            Some(kind) => self.reject(now, key.port, kind, Some(Urgency::Plain), text),
            None => self.note(now, Some(key.port), Urgency::Plain, text),
        }
    }

    /// The text in what a link delivers; `None` if it is of another protocol, which is told.
    pub(super) fn text_of(
        &mut self,
        now: Instant,
        key: LinkKey,
        protocol: u8,
        info: Vec<u8>,
    ) -> Option<Vec<u8>> {
        if protocol == pid::NO_LAYER_3 {
            return Some(info);
        }
        let text = format!(
            "{} sent {} octets of protocol 0x{protocol:02X} ({}), which are no text: not shown",
            key.remote,
            info.len(),
            protocol_name(protocol)
        );
        let kind = RejectKind::OtherProtocol;
        self.reject(now, key.port, kind, Some(Urgency::Attention), text);
        None
    }
}

/// Frames that mean something on a link only.
fn needs_link(frame: &Frame) -> bool {
    use Control::{Sabm, Sabme, Test, Ui, Xid};
    let alone = matches!(
        frame.control,
        Ui { .. } | Test { .. } | Xid { .. } | Sabm { .. } | Sabme { .. }
    );
    !alone && !matches!(frame.role, Role::Response)
}

/// AX.25 2.2 Fig 3.2.
fn protocol_name(protocol: u8) -> &'static str {
    match protocol {
        pid::X25 => "X.25",
        pid::COMPRESSED_TCP | pid::UNCOMPRESSED_TCP => "TCP/IP",
        pid::SEGMENT => "a segment within segments",
        pid::LINK_QUALITY => "link quality",
        pid::IP => "IP",
        pid::ARP => "ARP",
        pid::ESCAPE => "escape",
        _ => "unknown",
    }
}
