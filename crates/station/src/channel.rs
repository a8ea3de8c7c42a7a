//! One port at work: its modem both ways, its queue, its turn on the channel.

use std::collections::VecDeque;

use dunlin_ax25::wire::Control;
use dunlin_clock::{Duration, Instant};

use crate::access::Access;
use crate::config::{ConfigError, PortConfig};
use crate::controller;
use crate::event::{PortId, PortView, ms};
use crate::gate::Medium;
use crate::links::{LinkKey, Links};
use crate::occupancy::Occupancy;
use crate::port::{Receiver, Transmitter};
use crate::words;

/// Frames that may wait on one port.
pub(crate) const MOST_QUEUED: usize = 256;
/// A repeated frame that could not leave by then is of no use to anybody: its sender has
/// sent it again.
const STALE_REPEAT: Duration = Duration::from_secs(30);
/// A transmission that has not been reported as played so long after its end is stuck.
const STUCK_AFTER: Duration = Duration::from_secs(10);
/// How often the level meter is told.
const METER_EVERY: Duration = Duration::from_secs(1);

/// Why a frame was queued.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Origin {
    Link(LinkKey),
    /// Repeated for somebody else.
    Repeated,
    /// Sent to all.
    ToAll,
    /// Handed in by another program of the shack.
    Client(u64),
    /// The call sign, for those who have heard something else of this port.
    #[allow(dead_code)] // Until identification by time is in.
    Identification,
    /// The frame that ends, or is, a test signal.
    #[allow(dead_code)] // Until test signals are in.
    Test,
}

/// A frame that waits to be sent.
#[derive(Clone, Debug)]
pub(crate) struct Queued {
    /// The kind of frame, if it is a known one.
    pub(crate) control: Option<Control>,
    pub(crate) octets: Vec<u8>,
    pub(crate) origin: Origin,
    /// The life of its link that it belongs to.
    pub(crate) generation: u64,
    /// Goes before others and without leaving them a slot.
    pub(crate) urgent: bool,
    pub(crate) since: Instant,
}

/// The state of one port.
#[derive(Debug)]
pub(crate) struct Channel {
    pub(crate) id: PortId,
    pub(crate) config: PortConfig,
    /// `None` where a controller hears.
    pub(crate) receiver: Option<Receiver>,
    pub(crate) transmitter: Transmitter,
    pub(crate) access: Access,
    pub(crate) queue: VecDeque<Queued>,
    /// Links that want the channel only to acknowledge.
    pub(crate) seizing: VecDeque<LinkKey>,
    /// When the transmission under way should have been played.
    pub(crate) sound_ends: Option<Instant>,
    /// When the last frame heard by a controller ended.
    pub(crate) heard_until: Instant,
    /// Samples received since the start.
    pub(crate) samples: u64,
    pub(crate) occupied: Occupancy,
    pub(crate) own: Occupancy,
    pub(crate) busy_block: Option<u64>,
    /// What the links of this port were last told of the channel.
    pub(crate) links_told_busy: bool,
    /// Next due time of each beacon.
    pub(crate) beacons_due: Vec<Instant>,
    next_meter: Instant,
    level_dbfs: Option<f32>,
    told: Option<PortView>,
}

impl Channel {
    pub(crate) fn new(id: PortId, config: PortConfig, seed: u64) -> Result<Self, ConfigError> {
        let modem = |e: dunlin_modem::ModemError| ConfigError::Modem {
            port: config.name.clone(),
            reason: e.to_string(),
        };
        let receiver = match config.medium {
            Medium::Sound => Some(Receiver::new(config.mode, config.rate).map_err(modem)?),
            Medium::Controller => None,
        };
        let transmitter = controller::transmitter(&config).map_err(modem)?;
        let access = controller::access(&config, seed, id);
        let beacons_due = config
            .beacons
            .iter()
            .map(|b| Instant::ZERO + b.first_delay)
            .collect();
        Ok(Channel {
            id,
            receiver,
            transmitter,
            access,
            queue: VecDeque::new(),
            seizing: VecDeque::new(),
            sound_ends: None,
            heard_until: Instant::ZERO,
            samples: 0,
            occupied: Occupancy::default(),
            own: Occupancy::default(),
            busy_block: None,
            links_told_busy: false,
            beacons_due,
            next_meter: Instant::ZERO,
            level_dbfs: None,
            told: None,
            config,
        })
    }

    /// Data tones are heard.
    pub(crate) fn is_busy(&self) -> bool {
        self.occupied.since().is_some()
    }

    /// This station transmits.
    pub(crate) fn is_transmitting(&self) -> bool {
        self.own.since().is_some()
    }

    /// Puts a frame into the queue, unless the same frame waits there already (a timer that
    /// runs out while the channel is busy must not send its question twice). False = full.
    pub(crate) fn enqueue(&mut self, queued: Queued) -> bool {
        let twin = |q: &Queued| q.origin == queued.origin && q.octets == queued.octets;
        if self.queue.iter().any(twin) {
            return true;
        }
        if self.queue.len() >= MOST_QUEUED {
            return false;
        }
        self.queue.push_back(queued);
        true
    }

    /// Whether a link still has something to say on this port.
    pub(crate) fn holds_word_of(&self, key: LinkKey) -> bool {
        let queued = self.queue.iter().any(|q| q.origin == Origin::Link(key));
        queued || self.seizing.contains(&key)
    }

    /// Drops what no longer means what it meant: repeated frames that have waited too long,
    /// numbers of a link that has started over or is no more.
    pub(crate) fn drop_stale(&mut self, now: Instant, links: &Links) {
        self.queue.retain(|q| match q.origin {
            Origin::ToAll | Origin::Client(_) | Origin::Identification | Origin::Test => true,
            Origin::Repeated => now.since(q.since) <= STALE_REPEAT,
            Origin::Link(key) => q.control.is_some_and(|control| match links.get(&key) {
                Some(entry) => entry.link.has_use_for(control, q.generation),
                None => outlives_link(control),
            }),
        });
    }

    /// Whether the driver has not reported the end of a transmission long after it was due.
    /// Says so once.
    pub(crate) fn is_newly_stuck(&mut self, now: Instant) -> bool {
        let stuck = self
            .sound_ends
            .is_some_and(|end| now.since(end) > STUCK_AFTER);
        if stuck {
            self.sound_ends = None;
        }
        stuck
    }

    /// Takes the frames of the next transmission: repeated ones first; else those of one
    /// link (AX.25 2.2 §C3.2: a transmission carries frames for one station), in order, as
    /// many as fit into the longest transmission, and at least one.
    pub(crate) fn take_transmission(&mut self) -> Vec<Queued> {
        let first = self.queue.iter().position(|q| q.urgent).unwrap_or(0);
        let Some(lead) = self.queue.get(first).map(|q| (q.origin, q.urgent)) else {
            return Vec::new();
        };
        let mut taken: Vec<Queued> = Vec::new();
        let mut octets: Vec<Vec<u8>> = Vec::new();
        let mut left = VecDeque::with_capacity(self.queue.len());
        let mut open = true;
        for queued in self.queue.drain(..) {
            let fits = open && (queued.origin, queued.urgent) == lead;
            if !fits {
                left.push_back(queued);
                continue;
            }
            octets.push(queued.octets.clone());
            let longest = self.config.timing.longest_transmission;
            if taken.is_empty() || self.transmitter.airtime(&octets) <= longest {
                taken.push(queued);
            } else {
                open = false; // Order within a link must hold: nothing later overtakes.
                left.push_back(queued);
            }
        }
        self.queue = left;
        taken
    }

    /// Tells channel access how things stand.
    pub(crate) fn update_access(&mut self, now: Instant) {
        let waiting = !self.queue.is_empty() || !self.seizing.is_empty();
        let clear = !self.is_busy() && !self.is_transmitting();
        let urgent = self.queue.iter().any(|q| q.urgent);
        self.access.update(now, waiting, clear, urgent);
    }

    /// Why the first frame waits, and since when.
    fn waits(&self, now: Instant) -> Option<(u64, String)> {
        let since = match self.queue.front() {
            Some(q) => q.since,
            None => return None,
        };
        let reason = if self.is_transmitting() {
            "this port is transmitting".into()
        } else if let Some(busy) = self.occupied.since() {
            format!(
                "the channel is busy: data tones for {}",
                words::span(now.since(busy))
            )
        } else {
            match self.access.lost_draws() {
                0 => "the channel is clear; waiting for a slot".into(),
                n => format!("the channel is clear; lost the draw {}", words::times(n)),
            }
        };
        Some((ms(since), reason))
    }

    /// The view, if it differs from the one last told.
    pub(crate) fn changed_view(&mut self, now: Instant) -> Option<PortView> {
        let meter = now >= self.next_meter;
        if meter {
            self.next_meter = now + METER_EVERY;
            self.level_dbfs = self.receiver.as_ref().map(Receiver::level_dbfs);
        }
        let told = self.told.as_ref();
        let same = told.is_some_and(|t| {
            t.busy == self.is_busy()
                && t.transmitting == self.is_transmitting()
                && t.queued == self.queue.len()
        });
        if same && !meter {
            return None;
        }
        let view = self.view(now);
        if self.told.as_ref() == Some(&view) {
            return None;
        }
        self.told = Some(view.clone());
        Some(view)
    }

    /// The view now.
    pub(crate) fn view(&self, now: Instant) -> PortView {
        let tenth = |level: f32| (level * 10.0).round() / 10.0;
        PortView {
            port: self.id,
            name: self.config.name.clone(),
            mode: self.config.mode.name().to_owned(),
            call: self.config.call,
            busy: self.is_busy(),
            transmitting: self.is_transmitting(),
            queued: self.queue.len(),
            waits: self.waits(now),
            level_dbfs: self.level_dbfs.map(tenth),
            occupied: self.occupied.share(now),
            own_share: self.own.share(now),
            may_transmit: self.config.may_transmit,
        }
    }
}

/// A last word: it is sent although the link that said it is no more.
fn outlives_link(control: Control) -> bool {
    use Control::{Dm, Frmr, Test, Ua, Ui, Xid};
    matches!(
        control,
        Ua { .. } | Dm { .. } | Frmr { .. } | Ui { .. } | Test { .. } | Xid { .. }
    )
}
