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
    pub(crate) keyed: bool,
    pub(crate) sensed: Sensed,
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
            released: None,
            stuck: false,
            key_down: KeyDown::default(),
        }
    }

    pub(crate) fn set_device(&mut self, now: Instant, report: Report) {
        if matches!(report, Report::Good(_)) {
            self.first_healthy.get_or_insert(now);
        }
        if self.device != report {
            self.device_since = now;
            self.device = report;
        }
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
            channel(e),
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
        let long_enough = self
            .listens_until(e.config)
            .is_some_and(|until| until <= e.now);
        self.has_listened = long_enough && !e.sensed.any();
    }

    /// When the port will have listened long enough. Without a device nothing is listened to.
    fn listens_until(&self, config: &GateConfig) -> Option<Instant> {
        let from = if config.needs_proof {
            self.first_healthy?
        } else {
            Instant::ZERO
        };
        Some(from + config.settle)
    }

    fn listened(&self, e: &Evidence<'_>) -> Why {
        if self.has_listened {
            return Why::HasListened;
        }
        match self.listens_until(e.config) {
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
    pub(crate) fn next_change(&self, config: &GateConfig, waiting: bool) -> Option<Instant> {
        let mut at = None;
        let mut earliest = |moment: Option<Instant>| {
            at = [at, moment].into_iter().flatten().min();
        };
        if self.released.is_none() {
            earliest(self.key_down.must_release_at(&config.limits));
        }
        for standing in self.standings {
            match standing.why {
                Why::ListensUntil(until) => earliest(Some(until)),
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

fn channel(e: &Evidence<'_>) -> Why {
    if e.keyed {
        Why::OwnTransmission
    } else if e.sensed.any() {
        Why::Occupied(e.sensed)
    } else {
        Why::Clear
    }
}
