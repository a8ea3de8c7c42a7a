//! Frames that other programs of the shack want to send by our ports. They are checked, and
//! then wait, pass the gate and are shown like our own; the programs keep their own links.

use std::collections::BTreeMap;

use dunlin_ax25::wire::AddressField;
use dunlin_ax25::{CallSign, Frame, wire::Control};
use dunlin_clock::{Duration, Instant};
use thiserror::Error;

use super::Station;
use crate::channel::Origin;
use crate::event::{PortId, Urgency};
use crate::links::LinkKey;
use crate::port::address;

/// Programs that are remembered; the one silent for longest makes room.
const MOST_CLIENTS: usize = 64;
/// Frames of one program that may wait on one port: so many, that a window of frames fits,
/// and so few, that the others have their turn soon.
const MOST_WAITING: usize = 16;
/// Frames of all programs together that may wait on one port; the rest of the queue is our
/// own.
const MOST_WAITING_TOGETHER: usize = 64;
/// Octets in the longest frame that is taken; as much as the KISS paper asks for (Chepponis
/// and Karn, 1987, section 5).
const LONGEST: usize = 1024;
/// What is refused is said at most this often for one program.
const COMPLAIN_EVERY: Duration = Duration::from_secs(30);

/// What passed between the station and one other program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClientView {
    /// Which program; the number that the driver gave it.
    pub client: u64,
    /// The source of its last frame that was taken.
    pub source: Option<CallSign>,
    /// Frames taken.
    pub taken: u64,
    /// Frames sent on the air.
    pub sent: u64,
    /// Frames refused.
    pub refused: u64,
}

#[derive(Debug)]
struct Client {
    view: ClientView,
    last_active: Instant,
    last_complaint: Option<Instant>,
    /// Refused since the last complaint.
    unsaid: u64,
}

/// The other programs.
#[derive(Debug, Default)]
pub(super) struct Clients {
    known: BTreeMap<u64, Client>,
}

impl Clients {
    fn entry(&mut self, now: Instant, client: u64) -> &mut Client {
        if !self.known.contains_key(&client) && self.known.len() >= MOST_CLIENTS {
            let silent = self.known.iter().min_by_key(|(_, c)| c.last_active);
            if let Some(gone) = silent.map(|(id, _)| *id) {
                self.known.remove(&gone);
            }
        }
        let entry = self.known.entry(client).or_insert_with(|| Client {
            view: ClientView {
                client,
                source: None,
                taken: 0,
                sent: 0,
                refused: 0,
            },
            last_active: now,
            last_complaint: None,
            unsaid: 0,
        });
        entry.last_active = now;
        entry
    }
}

/// Why a frame of another program is not sent. Each says what to do.
#[derive(Debug, PartialEq, Eq, Error)]
enum ClientFault {
    #[error("there is no such port; the program has to use another port number")]
    NoSuchPort,
    #[error("this port is receive-only")]
    ReceiveOnly,
    #[error(
        "{0} octets are no AX.25 frame; the program has to send frames from address to \
         information field, without flags and check"
    )]
    NotAFrame(usize),
    #[error("{0} octets are too long for a frame; at most {LONGEST} are taken")]
    TooLong(usize),
    #[error("its source {0} is no call sign; set a call sign in the program")]
    NoCallSign(String),
    #[error("{0} begins with Q and belongs to nobody; set your own call sign in the program")]
    Invented(CallSign),
    #[error(
        "this station itself uses {0} on this port; give the program another SSID, so that the \
         two do not answer for each other"
    )]
    OurCall(CallSign),
    #[error("its path is odd: {0} counts as repeated before a digipeater that is not")]
    Path(String),
    #[error("{0} of its frames wait already, as many as one program may have waiting")]
    QueueFull(usize),
    #[error("{0} frames of other programs wait already, as many as this port holds for them")]
    AllQueuesFull(usize),
}

impl Station {
    /// Another program wants a frame sent.
    pub(super) fn client_frame(&mut self, now: Instant, port: PortId, client: u64, octets: &[u8]) {
        match self.judge_client_frame(port, client, octets) {
            Ok(source) => {
                let control = Frame::decode(octets).ok().map(|f| f.control);
                let origin = Origin::Client(client);
                let taken = self.enqueue_octets(now, port, origin, control, octets.to_vec(), false);
                let view = &mut self.clients.entry(now, client).view;
                view.source = Some(source);
                if taken {
                    view.taken += 1;
                } else {
                    view.refused += 1; // The queue is full, and says so itself.
                }
            }
            Err(fault) => {
                self.clients.entry(now, client).view.refused += 1;
                self.complain(now, port, client, &fault);
            }
        }
    }

    fn complain(&mut self, now: Instant, port: PortId, client: u64, fault: &ClientFault) {
        let entry = self.clients.entry(now, client);
        let lately = |at: Instant| now.since(at) < COMPLAIN_EVERY;
        if entry.last_complaint.is_some_and(lately) {
            entry.unsaid += 1;
            return;
        }
        let before = match std::mem::take(&mut entry.unsaid) {
            0 => String::new(),
            1 => " (one more was refused before)".into(),
            n => format!(" ({n} more were refused before)"),
        };
        entry.last_complaint = Some(now);
        let text = format!("a frame of program {client} was not sent: {fault}{before}");
        let port = (usize::from(port.0) < self.channels.len()).then_some(port);
        self.note(now, port, Urgency::Attention, text);
    }

    /// The source of a frame that may be sent.
    fn judge_client_frame(
        &self,
        port: PortId,
        client: u64,
        octets: &[u8],
    ) -> Result<CallSign, ClientFault> {
        let channel = self.channels.get(usize::from(port.0));
        let channel = channel.ok_or(ClientFault::NoSuchPort)?;
        if !channel.config.may_transmit {
            return Err(ClientFault::ReceiveOnly);
        }
        if octets.len() > LONGEST {
            return Err(ClientFault::TooLong(octets.len()));
        }
        let not_a_frame = ClientFault::NotAFrame(octets.len());
        let field = match AddressField::decode(octets) {
            Ok((field, _)) if address::is_structurally_valid(octets) => field,
            _ => return Err(not_a_frame),
        };
        let source = field.source.call_sign();
        let source = source.ok_or_else(|| ClientFault::NoCallSign(field.source.to_string()))?;
        if channel.config.gate.real_radio && belongs_to_nobody(source) {
            return Err(ClientFault::Invented(source));
        }
        // A program may be a digipeater, so bits may be set; but in the order of travel.
        let mut pairs = field.repeaters.iter().zip(field.repeaters.iter().skip(1));
        if let Some((_, odd)) =
            pairs.find(|(before, after)| !before.has_been_repeated && after.has_been_repeated)
        {
            return Err(ClientFault::Path(odd.address.to_string()));
        }
        self.judge_source(port, source, &field, octets)?;
        let of = |origin: &dyn Fn(u64) -> bool| {
            let waits = |o: &Origin| matches!(o, Origin::Client(c) if origin(*c));
            channel.queue.iter().filter(|q| waits(&q.origin)).count()
        };
        let (own, all) = (of(&|c| c == client), of(&|_| true));
        if own >= MOST_WAITING {
            return Err(ClientFault::QueueFull(own));
        }
        if all >= MOST_WAITING_TOGETHER {
            return Err(ClientFault::AllQueuesFull(all));
        }
        Ok(source)
    }

    /// A program may not speak in the middle of a link of ours, nor open links under a call
    /// sign that we answer for: the answers would come to us.
    fn judge_source(
        &self,
        port: PortId,
        source: CallSign,
        field: &AddressField,
        octets: &[u8],
    ) -> Result<(), ClientFault> {
        let link = field.destination.call_sign().map(|remote| LinkKey {
            port,
            local: source,
            remote,
        });
        let in_link = link.is_some_and(|key| self.links.get(&key).is_some());
        let to_all =
            Frame::decode_overheard(octets).is_ok_and(|f| matches!(f.control, Control::Ui { .. }));
        if in_link || (!to_all && self.answers_to(port, source)) {
            return Err(ClientFault::OurCall(source));
        }
        Ok(())
    }

    /// Takes note of frames that go on the air now.
    pub(super) fn count_client_frames(&mut self, now: Instant, origin: Origin, frames: u64) {
        if let Origin::Client(client) = origin {
            self.clients.entry(now, client).view.sent += frames;
        }
    }

    /// What passed between the station and other programs, the latest 64 of them.
    pub fn clients(&self) -> Vec<ClientView> {
        self.clients
            .known
            .values()
            .map(|c| c.view.clone())
            .collect()
    }
}

/// Whether nobody can hold this call sign: no series that begins with Q is allocated (ITU Radio
/// Regulations, Appendix 42, as several summaries state).
fn belongs_to_nobody(call: CallSign) -> bool {
    call.characters().starts_with('Q')
}
