//! One port at work: its modem both ways, its queue, its turn on the channel.

use std::collections::VecDeque;

use dunlin_ax25::CallSign;
use dunlin_ax25::wire::Control;
use dunlin_clock::{Duration, Instant};

use crate::access::Access;
use crate::config::{ConfigError, PortConfig};
use crate::controller;
use crate::digipeat::Digipeater;
use crate::engine::{TestRun, Told, Watch};
use crate::event::{PortId, PortView};
use crate::following::Following;
use crate::gate::Medium;
use crate::gate::judge::{Gate, Sensed};
use crate::gate::key_down::KeyDown;
use crate::identity::Identity;
use crate::links::{LinkKey, Links};
use crate::occupancy::Occupancy;
use crate::pace::Costs;
use crate::port::{ChannelSound, PortReceiver, Transmitter};

/// Frames that may wait on one port.
pub(crate) const MOST_QUEUED: usize = 256;
/// A repeated frame that could not leave by then is of no use to anybody: its sender has
/// sent it again.
const STALE_REPEAT: Duration = Duration::from_secs(30);
/// Octets of an acknowledgement without digipeaters (AX.25 2.2 §3.12, §4.2: two addresses and
/// a control octet).
const ACKNOWLEDGEMENT: usize = 15;
/// Octets of a frame with text besides that, without digipeaters: two addresses, a control field
/// of two octets at most, PID (AX.25 2.2 §3.1). The transmitter adds flags and FCS.
const HEADER: usize = 17;
/// A flag is shared by two frames, bits.
const FLAG: f64 = 8.0;
/// Bits after stuffing: one in 62 random bits is added (one after five ones; on average after
/// 62 bits: 2^(5+1) - 2).
const STUFFED: f64 = 63.0 / 62.0;
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
    Identification,
    /// The frame that ends, or is, a test signal.
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
    /// How long a transmission of this frame alone takes.
    pub(crate) alone: Duration,
    /// How often it was broken off while it was being sent, but by a person.
    pub(crate) broken_off: u8,
}

/// A frame of the transmission under way.
#[derive(Clone, Debug)]
pub(crate) struct OnAir {
    pub(crate) queued: Queued,
    /// When its last bit has been sent.
    pub(crate) end: Instant,
    /// Its block on the strip.
    pub(crate) block: u64,
}

/// The state of one port.
#[derive(Debug)]
pub(crate) struct Channel {
    pub(crate) id: PortId,
    pub(crate) config: PortConfig,
    /// `None` where a controller hears, or a band that carries frames.
    pub(crate) receiver: Option<PortReceiver>,
    pub(crate) transmitter: Transmitter,
    /// Where to send to each station, if the port follows.
    pub(crate) following: Option<Following>,
    pub(crate) access: Access,
    /// What it repeats for others.
    pub(crate) digipeater: Digipeater,
    pub(crate) queue: VecDeque<Queued>,
    /// Links that want the channel only to acknowledge.
    pub(crate) seizing: VecDeque<LinkKey>,
    /// The link that was spoken to in the transmission heard last, and is to answer.
    pub(crate) spoken_to: Option<LinkKey>,
    /// The account of the link that sent last, when it began to; see the engine's turns.
    pub(crate) account: Duration,
    /// Turns in a row in which keyboards went before much text that waited.
    pub(crate) passed_over: u8,
    /// When the transmission under way should have been played.
    pub(crate) sound_ends: Option<Instant>,
    /// Its frames.
    pub(crate) on_air: Vec<OnAir>,
    /// When the last frame heard by a controller ended.
    pub(crate) heard_until: Instant,
    /// The conditions under which the port may key.
    pub(crate) gate: Gate,
    /// What the port has said of itself.
    pub(crate) identity: Identity,
    /// How long a transmission with nothing but the call sign takes.
    pub(crate) call_sign_alone: Duration,
    /// The test signal that waits or is being sent.
    pub(crate) test: Option<TestRun>,
    /// An own call sign of the port that is nobody's.
    pub(crate) invented: Option<CallSign>,
    /// Since when energy is above the noise.
    pub(crate) energy: Option<Instant>,
    /// Since when the radio's own line says occupied.
    pub(crate) external: Option<Instant>,
    /// That line has been read since the start.
    pub(crate) external_read: bool,
    /// What kind of sound it hears.
    pub(crate) sound: Option<ChannelSound>,
    /// What its alarms go by.
    pub(crate) watch: Watch,
    /// The gate as it was last told, when, and when it is to be told next.
    pub(crate) gate_told: Option<Told>,
    pub(crate) gate_told_at: Option<Instant>,
    pub(crate) gate_tell_at: Option<Instant>,
    /// How long a transmission with one acknowledgement takes.
    acknowledgement: Duration,
    /// Samples received since the start.
    pub(crate) samples: u64,
    /// When the last of them was heard.
    pub(crate) samples_at: Instant,
    pub(crate) occupied: Occupancy,
    pub(crate) own: Occupancy,
    pub(crate) busy_block: Option<u64>,
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
            Medium::Sound => {
                let second = config.second_input;
                Some(PortReceiver::new(config.lines(), config.rate, second).map_err(modem)?)
            }
            Medium::Controller | Medium::Frames => None,
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
            following: Following::new(config.follow_most_hz, config.offset_hz),
            access,
            digipeater: Digipeater::new(config.digipeat_limits),
            queue: VecDeque::new(),
            seizing: VecDeque::new(),
            spoken_to: None,
            account: Duration::ZERO,
            passed_over: 0,
            sound_ends: None,
            heard_until: Instant::ZERO,
            on_air: Vec::new(),
            gate: Gate::new(),
            identity: Identity::new(config.gate.identify_every),
            call_sign_alone: Duration::ZERO,
            test: None,
            invented: None,
            gate_told: None,
            gate_told_at: None,
            gate_tell_at: None,
            energy: None,
            sound: None,
            watch: Watch::default(),
            external: None,
            external_read: false,
            acknowledgement: transmitter.airtime(&[vec![0; ACKNOWLEDGEMENT]]),
            samples: 0,
            samples_at: Instant::ZERO,
            occupied: Occupancy::default(),
            own: Occupancy::default(),
            busy_block: None,
            beacons_due,
            next_meter: Instant::ZERO,
            level_dbfs: None,
            told: None,
            transmitter,
            config,
        })
    }

    /// Data tones are heard.
    pub(crate) fn is_busy(&self) -> bool {
        self.occupied.since().is_some()
    }

    /// By which lines and inputs data is heard, as " at afsk1200"; empty where there is one
    /// only.
    pub(crate) fn data_by(&self) -> String {
        let Some(receiver) = &self.receiver else {
            return String::new();
        };
        if self.config.also_hears.is_empty() && !self.config.second_input {
            return String::new();
        }
        let each = receiver.carriers().map(|(line, [first, _])| match first {
            true => line.to_string(),
            false => format!("{line} on the second input only"),
        });
        let all: Vec<String> = each.collect();
        match all.is_empty() {
            true => String::new(),
            false => format!(" at {}", all.join(" and at ")),
        }
    }

    /// This station transmits.
    pub(crate) fn is_transmitting(&self) -> bool {
        self.own.since().is_some()
    }

    /// Puts a frame into the queue, unless the same frame waits there already (a timer that
    /// runs out while the channel is busy must not send its question twice). False = full.
    pub(crate) fn enqueue(&mut self, queued: Queued) -> bool {
        // The same octets of an earlier life of the link mean something else and are dropped.
        let twin = |q: &Queued| {
            let same = (q.origin, q.generation) == (queued.origin, queued.generation);
            same && q.octets == queued.octets
        };
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
        self.holds_frames_of(key) || self.seizing.contains(&key)
    }

    /// Whether frames of a link wait here.
    pub(crate) fn holds_frames_of(&self, key: LinkKey) -> bool {
        self.queue.iter().any(|q| q.origin == Origin::Link(key))
    }

    /// Drops what no longer means what it meant: repeated frames that have waited too long,
    /// numbers of a link that has started over or is no more.
    pub(crate) fn drop_stale(&mut self, now: Instant, links: &Links) {
        let identity = &self.identity;
        self.queue.retain(|q| match q.origin {
            Origin::ToAll | Origin::Client(_) | Origin::Test => true,
            Origin::Identification => identity.is_wanted(),
            Origin::Repeated => now.since(q.since) <= STALE_REPEAT,
            Origin::Link(key) => q.control.is_some_and(|control| match links.get(&key) {
                Some(entry) => entry.link.has_use_for(control, q.generation),
                None => outlives_link(control),
            }),
        });
    }

    /// Whether the key-down limits never leave room for a transmission of this length.
    pub(crate) fn never_fits(&self, length: Duration) -> bool {
        let nothing_used = KeyDown::default();
        let room = nothing_used.no_room(Instant::ZERO, length, &self.config.gate.limits);
        room.is_some()
    }

    /// By what the channel is occupied, of what this port goes by. What a full-duplex port hears
    /// is on another channel.
    pub(crate) fn sensed(&self) -> Sensed {
        if self.config.full_duplex {
            return Sensed::default();
        }
        let sense = self.config.gate.sense;
        Sensed {
            data: sense.data && self.is_busy(),
            energy: sense.energy && self.energy.is_some(),
            external: sense.external && (self.external.is_some() || self.external_unread()),
        }
    }

    /// The transmission under way is broken off now, and not because a person wanted it.
    pub(crate) fn count_break(&mut self, now: Instant) {
        let frames = self.on_air.iter_mut().filter(|f| f.end > now);
        frames.for_each(|f| f.queued.broken_off += 1);
    }

    /// The radio's line, which this port goes by and has to be proved, has not been read yet.
    pub(crate) fn external_unread(&self) -> bool {
        let gate = &self.config.gate;
        gate.sense.external && gate.needs_proof && !self.external_read
    }

    /// The channel is judged by the sound of a device, so it has to come.
    pub(crate) fn needs_sound(&self) -> bool {
        let senses = self.config.medium == Medium::Sound && !self.config.full_duplex;
        self.config.gate.needs_proof && senses
    }

    /// Nothing is heard now, because the port transmits (half duplex).
    pub(crate) fn is_deaf(&self) -> bool {
        self.is_transmitting() && !self.config.full_duplex
    }

    /// How long the shortest transmission takes that wants to be sent; `None` = nothing
    /// waits.
    pub(crate) fn waiting_length(&self) -> Option<Duration> {
        let first = self.queue.iter().find(|q| q.urgent);
        match first.or(self.queue.front()) {
            Some(first) => Some(first.alone),
            None => (!self.seizing.is_empty()).then_some(self.acknowledgement),
        }
    }

    /// Whether a frame with text of a link waits.
    pub(crate) fn holds_text_of(&self, key: LinkKey) -> bool {
        let is_text = |q: &&Queued| matches!(q.control, Some(Control::I { .. }));
        let mut text = self.queue.iter().filter(is_text);
        text.any(|q| q.origin == Origin::Link(key))
    }

    /// The link that only has to answer what was just heard. Text with it has to wait for its slot
    /// like any: two talking to each other would keep everybody else from the channel.
    pub(crate) fn answering(&self) -> Option<LinkKey> {
        let key = self.spoken_to.filter(|_| self.is_known())?;
        (self.holds_word_of(key) && !self.holds_text_of(key)).then_some(key)
    }

    /// Whether it is known here when the channel is occupied. A controller alone does not tell.
    pub(crate) fn is_known(&self) -> bool {
        self.config.medium != Medium::Controller || self.config.gate.sense.external
    }

    /// Key-up delay and tail.
    fn key(&self) -> Duration {
        let frame = [0; ACKNOWLEDGEMENT];
        let alone = self.transmitter.airtime_of_frame(&frame);
        self.acknowledgement.saturating_sub(alone)
    }

    /// How long a frame takes within a transmission.
    pub(crate) fn on_air_alone(&self, queued: &Queued) -> Duration {
        queued.alone.saturating_sub(self.key())
    }

    /// What sending on this port costs on a path with so many digipeaters, where an answer is
    /// expected within twice `srt`.
    pub(crate) fn costs(&self, srt: Duration, digipeaters: u32) -> Costs {
        let baud = f64::from(self.config.line.baud());
        let bits = |octets: usize| {
            let time = self.transmitter.airtime_of_frame(&vec![0; octets]);
            time.as_secs_f64() * baud * STUFFED
        };
        let octet = (bits(HEADER + 256) - bits(HEADER)) / 256.0;
        let key = self.key().as_secs_f64();
        let timing = &self.config.timing;
        let slots = self.mean_wait().as_secs_f64();
        // The answer is not drawn for.
        let exchange = 2.0 * key + slots;
        let answer = bits(ACKNOWLEDGEMENT + 1) - FLAG;
        Costs {
            baud,
            exchange,
            frame: bits(HEADER) - FLAG,
            octet,
            answer,
            room: (timing.longest_transmission.as_secs_f64() - key).max(0.0),
            silence: 2.0 * srt.as_secs_f64() + exchange + 2.0 * answer / baud,
            hops: f64::from(1 + digipeaters),
        }
    }

    /// Takes the frames of the next transmission: repeated ones first; else those of whose
    /// `turn` it is, or of the first (AX.25 2.2 §C3.2: a transmission carries frames for one
    /// station), in order, as many as fit into the longest transmission, and at least one; but
    /// none beyond what the key-down limits leave.
    pub(crate) fn take_transmission(&mut self, now: Instant, turn: Option<Origin>) -> Vec<Queued> {
        let limits = &self.config.gate.limits;
        let room = self.gate.key_down.longest(now, limits);
        let longest = self.config.timing.longest_transmission;
        let urgent = self.queue.iter().position(|q| q.urgent);
        let turn = || self.queue.iter().position(|q| Some(q.origin) == turn);
        let first = urgent.or_else(turn).unwrap_or(0);
        let Some(lead) = self.queue.get(first).map(|q| (q.origin, q.urgent)) else {
            return Vec::new();
        };
        let mut taken: Vec<Queued> = Vec::new();
        let mut octets: Vec<Vec<u8>> = Vec::new();
        let (none, key) = (Duration::ZERO, self.key());
        let mut at_most = none;
        let mut left = VecDeque::with_capacity(self.queue.len());
        let mut open = true;
        for queued in self.queue.drain(..) {
            let fits = open && (queued.origin, queued.urgent) == lead;
            if !fits {
                left.push_back(queued);
                continue;
            }
            octets.push(queued.octets.clone());
            // Each frame alone has a flag that it shares with the next within a transmission.
            at_most += queued
                .alone
                .saturating_sub(if taken.is_empty() { none } else { key });
            let surely = self.config.fec.is_none() && at_most <= room.min(longest);
            let airtime = match surely {
                true => at_most,
                false => self.transmitter.airtime(&octets),
            };
            if airtime <= room && (taken.is_empty() || airtime <= longest) {
                taken.push(queued);
            } else {
                open = false; // Order within a link must hold: nothing later overtakes.
                left.push_back(queued);
            }
        }
        self.queue = left;
        taken
    }

    /// Tells channel access how things stand: slots are drawn only while every condition
    /// before them is open.
    pub(crate) fn update_access(&mut self, now: Instant) {
        let waiting = !self.queue.is_empty() || !self.seizing.is_empty();
        let clear = self.gate.may_draw(self.is_transmitting());
        let urgent = self.queue.iter().any(|q| q.urgent);
        self.access.update(now, waiting, clear, urgent);
        let answers = self.answering().is_some() && !urgent;
        self.access.answer(now, answers);
    }

    /// Whether the view should be told again: something has changed, or it is time for the
    /// meter.
    pub(crate) fn is_view_due(&mut self, now: Instant) -> bool {
        let meter = now >= self.next_meter;
        if meter {
            self.next_meter = now + METER_EVERY;
            self.level_dbfs = self.receiver.as_ref().map(PortReceiver::level_dbfs);
        }
        let same = self.told.as_ref().is_some_and(|t| {
            t.busy == self.is_busy()
                && t.transmitting == self.is_transmitting()
                && t.queued == self.queue.len()
        });
        meter || !same
    }

    /// Takes note of a view that is being told. False if it is the one told last.
    pub(crate) fn is_news(&mut self, view: &PortView) -> bool {
        let news = self.told.as_ref() != Some(view);
        if news {
            self.told = Some(view.clone());
        }
        news
    }

    /// The view now, given why the first frame waits.
    pub(crate) fn view(&self, now: Instant, waits: Option<(u64, String)>) -> PortView {
        let tenth = |level: f32| (level * 10.0).round() / 10.0;
        PortView {
            port: self.id,
            name: self.config.name.clone(),
            mode: self.config.line.to_string(),
            call: self.config.call,
            busy: self.is_busy(),
            transmitting: self.is_transmitting(),
            queued: self.queue.len(),
            waits,
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
