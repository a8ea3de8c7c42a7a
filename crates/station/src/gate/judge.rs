//! How each condition of the gate is judged. Nothing here knows words for people; `words.rs`
//! beside it has them.

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};

use super::key_down::{KeyDown, Window};
use super::{Condition, GateConfig, Interlock};
use crate::event::PortId;

/// All conditions, in order.
pub(crate) const CONDITIONS: [Condition; 11] = [
    Condition::Plan,
    Condition::CallSign,
    Condition::Stop,
    Condition::Listened,
    Condition::Device,
    Condition::KeyLine,
    Condition::Identification,
    Condition::KeyDown,
    Condition::Interlock,
    Condition::Channel,
    Condition::Slot,
];
/// A key that is down without a transmission for so long is released and told of. The driver
/// may tell the two in any order.
pub(crate) const UNASKED_AFTER: Duration = Duration::from_secs(1);
/// Without sound for so long a channel cannot be judged. Drivers hand sound over at least ten
/// times as often.
const SOUND_LASTS: Duration = Duration::from_millis(500);
/// A port whose sound begins, or begins again, listens for so long at least.
const LISTENS_ANEW: Duration = Duration::from_secs(1);

/// What is known of a thing that the driver reports on, and since when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Report {
    /// Nothing yet.
    Unknown,
    /// Good, and on what evidence.
    Good(String),
    /// The key line alone: the keyer holds it down.
    Down,
    /// Bad, and why.
    Bad(String),
}

/// By what the channel is occupied, of what the port goes by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Sensed {
    pub(crate) data: bool,
    pub(crate) energy: bool,
    pub(crate) external: bool,
}

impl Sensed {
    pub(crate) fn any(self) -> bool {
        self.data || self.energy || self.external
    }
}

/// Why a condition stands as it does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Why {
    Allowed,
    ReceiveOnly,
    CallSignSet,
    Invented(CallSign),
    NotStopped,
    Stopped,
    HasListened,
    ListensUntil(Instant),
    ListensFromDevice,
    ListensAnew(Instant),
    /// No sound comes, since when.
    NoSound(Instant),
    HearsFirst,
    DeviceNotNeeded,
    DeviceHealthy,
    DeviceUnknown,
    DeviceLost,
    LineNotNeeded,
    LineReleased,
    LineInUse,
    LineUnknown,
    LineDown,
    LineFailed,
    LineStuck,
    CarriesCall,
    OwesCall(Instant),
    CannotIdentify(Duration),
    Room,
    NoRoom(Window, Option<Instant>),
    OwnTransmission,
    Alone,
    OtherKeyed(PortId),
    OtherHears(PortId),
    Clear,
    FullDuplex,
    Occupied(Sensed),
    NothingWaits,
    NotDrawn,
    Drawing(u32),
}

impl Why {
    /// The condition is open.
    pub(crate) fn is_open(self) -> bool {
        matches!(
            self,
            Why::Allowed
                | Why::CallSignSet
                | Why::NotStopped
                | Why::HasListened
                | Why::DeviceNotNeeded
                | Why::DeviceHealthy
                | Why::LineNotNeeded
                | Why::LineReleased
                | Why::LineInUse
                | Why::CarriesCall
                | Why::OwesCall(_)
                | Why::Room
                | Why::OwnTransmission
                | Why::Alone
                | Why::Clear
                | Why::FullDuplex
                | Why::NothingWaits
        )
    }
}

/// One condition as it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Standing {
    pub(crate) why: Why,
    pub(crate) since: Instant,
}

/// Another port, as far as the interlock asks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Other {
    pub(crate) port: PortId,
    pub(crate) keyed: bool,
    pub(crate) hears: bool,
    pub(crate) interlock: Interlock,
}

/// What the judgement of a port looks at.
#[derive(Debug)]
pub(crate) struct Evidence<'a> {
    pub(crate) now: Instant,
    pub(crate) config: &'a GateConfig,
    pub(crate) may_transmit: bool,
    /// An own call sign of the port that is nobody's.
    pub(crate) invented: Option<CallSign>,
    /// The station or the port is stopped.
    pub(crate) stopped: bool,
    /// The channel is judged by the sound of a device.
    pub(crate) needs_sound: bool,
    pub(crate) keyed: bool,
    pub(crate) sensed: Sensed,
    /// What the port hears is not on the channel that it sends on.
    pub(crate) full_duplex: bool,
    pub(crate) others: &'a [Other],
    /// The first transmission that waits, how long it takes.
    pub(crate) length: Option<Duration>,
    /// Whether what is sent can be identified.
    pub(crate) identification: Why,
    pub(crate) lost_draws: u32,
}

/// What a port's gate remembers.
#[derive(Debug)]
pub(crate) struct Gate {
    pub(crate) standings: [Standing; 11],
    pub(crate) device: Report,
    pub(crate) line: Report,
    /// When device and key line were last told of.
    pub(crate) device_since: Instant,
    pub(crate) line_since: Instant,
    /// When the device was first healthy.
    first_healthy: Option<Instant>,
    has_listened: bool,
    /// When sound last came, and since when it has come without a gap.
    last_sound: Option<Instant>,
    sound_since: Option<Instant>,
    /// When the release of the transmission under way was asked for.
    pub(crate) released: Option<Instant>,
    /// The end of a transmission has not been told in time.
    pub(crate) stuck: bool,
    pub(crate) key_down: KeyDown,
}

impl Gate {
    pub(crate) fn new() -> Self {
        let standing = Standing {
            why: Why::NotDrawn,
            since: Instant::ZERO,
        };
        Gate {
            standings: [standing; 11],
            device: Report::Unknown,
            line: Report::Unknown,
            device_since: Instant::ZERO,
            line_since: Instant::ZERO,
            first_healthy: None,
            has_listened: false,
            last_sound: None,
            sound_since: None,
            released: None,
            stuck: false,
            key_down: KeyDown::default(),
        }
    }

    pub(crate) fn set_device(&mut self, now: Instant, report: Report) {
        if matches!(report, Report::Good(_)) {
            self.first_healthy.get_or_insert(now);
        }
        let good = |r: &Report| matches!(r, Report::Good(_));
        if !good(&report) || !good(&self.device) {
            self.sound_since = None; // Whatever comes from now on is heard anew.
        }
        if self.device != report {
            self.device_since = now;
            self.device = report;
        }
    }

    /// Sound has come; `keyed` = while the port transmits.
    pub(crate) fn heard_sound(&mut self, now: Instant, keyed: bool) {
        let gap = !keyed && now >= self.expects_sound_from() + SOUND_LASTS;
        if gap || self.sound_since.is_none() {
            self.sound_since = matches!(self.device, Report::Good(_)).then_some(now);
        }
        self.last_sound = Some(now);
    }

    /// The last sound, or the end of the port's own transmission: some devices hand over
    /// nothing while they play.
    fn expects_sound_from(&self) -> Instant {
        let own = self.key_down.last_end();
        self.last_sound.max(own).unwrap_or(Instant::ZERO)
    }

    /// Since when no sound comes, though the channel is judged by it.
    fn without_sound(&self, e: &Evidence<'_>) -> Option<Instant> {
        let since = self.expects_sound_from();
        let none = self.sound_since.is_none() || e.now >= since + SOUND_LASTS;
        (e.needs_sound && !e.keyed && none).then_some(since)
    }

    pub(crate) fn set_line(&mut self, now: Instant, report: Report) {
        let proved = matches!(report, Report::Good(_));
        if proved && self.key_down.down_since().is_none() {
            self.released = None;
        }
        if self.line != report {
            self.line_since = now;
            self.line = report;
        }
    }

    /// Judges every condition anew.
    pub(crate) fn judge(&mut self, e: &Evidence<'_>) {
        self.listen(e);
        let mut whys = [
            self.plan(e),
            self.call_sign(e),
            if e.stopped {
                Why::Stopped
            } else {
                Why::NotStopped
            },
            self.listened(e),
            self.device(e),
            self.key_line(e),
            e.identification,
            self.room(e),
            interlock(e),
            self.channel(e),
            Why::NothingWaits,
        ];
        if e.length.is_some() {
            let earlier = whys[..10].iter().all(|w| w.is_open()) && !e.keyed;
            whys[10] = if earlier {
                Why::Drawing(e.lost_draws)
            } else {
                Why::NotDrawn
            };
        }
        for (standing, why) in self.standings.iter_mut().zip(whys) {
            if standing.why.is_open() != why.is_open() {
                standing.since = e.now;
            }
            standing.why = why;
        }
    }

    fn plan(&self, e: &Evidence<'_>) -> Why {
        if e.may_transmit {
            Why::Allowed
        } else {
            Why::ReceiveOnly
        }
    }

    fn call_sign(&self, e: &Evidence<'_>) -> Why {
        match e.invented.filter(|_| e.config.real_radio) {
            Some(call) => Why::Invented(call),
            None => Why::CallSignSet,
        }
    }

    /// Notices that the port has listened long enough: from then on it has.
    fn listen(&mut self, e: &Evidence<'_>) {
        if self.has_listened {
            return;
        }
        let long_enough = self.listens_until(e).is_some_and(|until| until <= e.now);
        self.has_listened = long_enough && !e.sensed.any() && self.without_sound(e).is_none();
    }

    /// When the port will have listened long enough. Without a device nothing is listened to.
    fn listens_until(&self, e: &Evidence<'_>) -> Option<Instant> {
        let settle = e.config.settle;
        if e.needs_sound {
            return Some(self.sound_since? + settle.max(LISTENS_ANEW));
        }
        let from = if e.config.needs_proof {
            self.first_healthy?
        } else {
            Instant::ZERO
        };
        Some(from + settle)
    }

    fn listened(&self, e: &Evidence<'_>) -> Why {
        // Without a device its own condition says what is missing.
        let healthy = matches!(self.device, Report::Good(_));
        if let Some(since) = self.without_sound(e).filter(|_| healthy) {
            return Why::NoSound(since);
        }
        if self.has_listened {
            let anew = self.sound_since.map(|since| since + LISTENS_ANEW);
            let anew = anew.filter(|until| e.needs_sound && !e.keyed && *until > e.now);
            return anew.map_or(Why::HasListened, Why::ListensAnew);
        }
        match self.listens_until(e) {
            None => Why::ListensFromDevice,
            Some(until) if until > e.now => Why::ListensUntil(until),
            Some(_) => Why::HearsFirst,
        }
    }

    fn device(&self, e: &Evidence<'_>) -> Why {
        match &self.device {
            Report::Unknown | Report::Down if e.config.needs_proof => Why::DeviceUnknown,
            Report::Unknown | Report::Down => Why::DeviceNotNeeded,
            Report::Good(_) => Why::DeviceHealthy,
            Report::Bad(_) => Why::DeviceLost,
        }
    }

    fn key_line(&self, e: &Evidence<'_>) -> Why {
        match &self.line {
            _ if self.stuck => Why::LineStuck,
            Report::Bad(_) => Why::LineFailed,
            _ if e.keyed => Why::LineInUse,
            Report::Down => Why::LineDown,
            Report::Good(_) => Why::LineReleased,
            Report::Unknown if e.config.needs_proof => Why::LineUnknown,
            Report::Unknown => Why::LineNotNeeded,
        }
    }

    fn channel(&self, e: &Evidence<'_>) -> Why {
        if e.full_duplex {
            Why::FullDuplex
        } else if e.keyed {
            Why::OwnTransmission
        } else if let Some(since) = self.without_sound(e) {
            Why::NoSound(since)
        } else if e.sensed.any() {
            Why::Occupied(e.sensed)
        } else {
            Why::Clear
        }
    }

    fn room(&self, e: &Evidence<'_>) -> Why {
        let limits = &e.config.limits;
        if e.keyed {
            return match self.key_down.must_release_at(limits) {
                Some(at) if at <= e.now => Why::NoRoom(Window::Single, None),
                _ => Why::Room,
            };
        }
        let length = e.length.unwrap_or_default();
        match self.key_down.no_room(e.now, length, limits) {
            Some((window, until)) => Why::NoRoom(window, until),
            None => Why::Room,
        }
    }

    /// All conditions before the slot are open, and nothing is being transmitted.
    pub(crate) fn may_draw(&self, keyed: bool) -> bool {
        !keyed && self.earlier().all(|s| s.why.is_open())
    }

    fn earlier(&self) -> impl Iterator<Item = &Standing> {
        self.standings.iter().take(10)
    }

    /// The first condition that is shut.
    pub(crate) fn first_shut(&self) -> Option<(Condition, Standing)> {
        let all = CONDITIONS.into_iter().zip(self.standings);
        all.into_iter().find(|(_, s)| !s.why.is_open())
    }

    /// The first shut condition that is not of the channel's making: the port cannot transmit
    /// however clear the channel is.
    pub(crate) fn held(&self) -> Option<(Condition, Standing)> {
        self.first_shut().filter(|(c, _)| *c < Condition::Channel)
    }

    /// The first shut condition for which a transmission under way is broken off.
    pub(crate) fn breaks_off(&self) -> Option<(Condition, Standing)> {
        let breaks = |c| {
            matches!(
                c,
                Condition::Plan
                    | Condition::CallSign
                    | Condition::Stop
                    | Condition::Device
                    | Condition::KeyLine
                    | Condition::KeyDown
            )
        };
        let all = CONDITIONS.into_iter().zip(self.standings);
        all.into_iter()
            .find(|(c, s)| breaks(*c) && !s.why.is_open())
    }

    /// When a condition may open, or a limit is reached, of itself.
    pub(crate) fn next_change(
        &self,
        config: &GateConfig,
        needs_sound: bool,
        waiting: bool,
    ) -> Option<Instant> {
        let mut at = None;
        let mut earliest = |moment: Option<Instant>| {
            at = [at, moment].into_iter().flatten().min();
        };
        let channel = CONDITIONS.iter().zip(self.standings);
        let channel = channel.into_iter().find(|(c, _)| **c == Condition::Channel);
        let judged = channel.map(|(_, s)| s.why);
        if needs_sound && matches!(judged, Some(Why::Clear | Why::Occupied(_))) {
            earliest(Some(self.expects_sound_from() + SOUND_LASTS));
        }
        if self.released.is_none() {
            earliest(self.key_down.must_release_at(&config.limits));
        }
        for standing in self.standings {
            match standing.why {
                Why::ListensUntil(until) | Why::ListensAnew(until) => earliest(Some(until)),
                Why::NoRoom(_, until) if waiting => earliest(until),
                _ => {}
            }
        }
        at
    }
}

/// A transmission by two ports at once takes two, so the stricter of the two decides.
fn interlock(e: &Evidence<'_>) -> Why {
    let own = e.config.interlock;
    let free = |a: Interlock| a == Interlock::None;
    let keyed = e
        .others
        .iter()
        .find(|o| o.keyed && !(free(own) && free(o.interlock)));
    if let Some(other) = keyed {
        return Why::OtherKeyed(other.port);
    }
    let hears = e.others.iter().find(|o| o.hears);
    match hears.filter(|_| own == Interlock::YieldToHearing) {
        Some(other) => Why::OtherHears(other.port),
        None => Why::Alone,
    }
}
