//! A keyer in virtual time: the real [`Machine`] without process, pipe and line, with the
//! faults that processes and lines have. For tests of a driver and for random fault runs.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use dunlin_clock::{Duration, Instant};

use super::handle::{Mate, Nursery};
use super::machine::{Input, Machine, Output};
use super::settings::KeyerSettings;
use super::words::Report;

/// Changes of the line that are remembered; the oldest go first.
const MOST_CHANGES: usize = 10_000;
/// Orders and reports that a pipe holds; 64 KiB in lines of some 40 octets (pipe(7)).
const PIPE: usize = 1600;

/// What the outer world sees of the line, and what can be done to its keyer.
#[derive(Clone, Debug)]
pub struct World(Arc<Mutex<Inner>>);

#[derive(Debug)]
struct Inner {
    settings: KeyerSettings,
    now: Instant,
    down: bool,
    /// When the line changed, and to what; `true` is keyed.
    changes: VecDeque<(Instant, bool)>,
    keyer: Option<SimulatedKeyer>,
    born: u64,
    /// How long a start takes.
    start_takes: Duration,
    /// The line obeys nobody.
    broken: bool,
    /// No keyer can be started.
    barren: bool,
    /// The line drops by itself when its keyer dies, as RTS and DTR do.
    drops: bool,
}

#[derive(Debug)]
struct SimulatedKeyer {
    id: u64,
    machine: Machine,
    /// It does nothing before.
    from: Instant,
    frozen: bool,
    orders: VecDeque<(Instant, u64, Option<Duration>)>,
    reports: VecDeque<(Instant, Report)>,
    closed: bool,
    ended: bool,
}

impl World {
    /// A line, as `settings` have it, that nobody holds yet. It is `down` as it may be after
    /// a crash.
    pub fn new(settings: KeyerSettings, down: bool) -> Self {
        World(Arc::new(Mutex::new(Inner {
            settings,
            now: Instant::ZERO,
            down,
            changes: VecDeque::from([(Instant::ZERO, down)]),
            keyer: None,
            born: 0,
            start_takes: Duration::from_millis(20),
            broken: false,
            barren: false,
            drops: false,
        })))
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where its keyers come from.
    pub fn nursery(&self) -> SimulatedNursery {
        SimulatedNursery(self.clone())
    }

    /// Lets time pass until `now`: deadlines of the keyer are met on the way.
    pub fn advance(&self, now: Instant) {
        self.inner().advance(now);
    }

    /// The line is keyed.
    pub fn is_down(&self) -> bool {
        self.inner().down
    }

    /// All changes of the line that are remembered.
    pub fn changes(&self) -> Vec<(Instant, bool)> {
        self.inner().changes.iter().copied().collect()
    }

    /// Stops the keyer as SIGSTOP does, or lets it go on.
    pub fn freeze(&self, frozen: bool) {
        let mut inner = self.inner();
        if let Some(keyer) = &mut inner.keyer {
            keyer.frozen = frozen;
        }
        let now = inner.now;
        inner.advance(now);
    }

    /// Kills the keyer as SIGKILL does.
    pub fn kill(&self) {
        let mut inner = self.inner();
        let id = inner.keyer.as_ref().map(|k| k.id);
        inner.die(id);
    }

    /// The keyer gets SIGTERM.
    pub fn terminate(&self) {
        let why = String::from("a signal asked to end");
        self.inner().give(Input::Close { why });
    }

    /// The line obeys nobody, as after the device was unplugged; or obeys again.
    pub fn break_line(&self, broken: bool) {
        self.inner().broken = broken;
    }

    /// No keyer can be started any more; or again.
    pub fn make_barren(&self, barren: bool) {
        self.inner().barren = barren;
    }

    /// The line drops by itself when its keyer dies, as RTS and DTR do.
    pub fn drops_with_its_keyer(&self, drops: bool) {
        self.inner().drops = drops;
    }

    /// The radio's busy line changes.
    pub fn sense(&self, busy: bool) {
        self.inner().give(Input::Busy(busy));
    }

    /// Keyers started so far.
    pub fn born(&self) -> u64 {
        self.inner().born
    }
}

impl Inner {
    fn advance(&mut self, now: Instant) {
        let now = now.max(self.now);
        while let Some((at, input)) = self.next(now) {
            self.now = self.now.max(at);
            self.hand(input);
        }
        self.now = now;
    }

    /// What the keyer does next until `now`, and when.
    fn next(&mut self, now: Instant) -> Option<(Instant, Option<Input>)> {
        let from = self.now;
        let keyer = self.keyer.as_mut().filter(|k| !k.frozen && !k.ended)?;
        if now < keyer.from {
            return None;
        }
        if from < keyer.from {
            return Some((keyer.from, None));
        }
        if let Some((at, _)) = keyer.machine.next_wakeup()
            && at <= now
        {
            return Some((at, Some(Input::Wakeup)));
        }
        if let Some((sent, seq, down)) = keyer.orders.pop_front() {
            let age = from.since(sent);
            return Some((from, Some(Input::Beat { seq, down, age })));
        }
        keyer.closed.then(|| {
            let why = "the station is gone".into();
            (from, Some(Input::Close { why }))
        })
    }

    fn give(&mut self, input: Input) {
        if self
            .keyer
            .as_ref()
            .is_some_and(|k| !k.frozen && self.now >= k.from)
        {
            self.hand(Some(input));
        }
    }

    fn hand(&mut self, input: Option<Input>) {
        let now = self.now;
        let Some(keyer) = &mut self.keyer else { return };
        if let Some(input) = input {
            keyer.machine.handle(now, input);
        }
        while let Some(output) = keyer.machine.poll() {
            match output {
                Output::Line { down } => {
                    let outcome = match self.broken {
                        true => Err("the simulated line does not obey".to_owned()),
                        false => Ok("the simulated line obeys".to_owned()),
                    };
                    if outcome.is_ok() && self.down != down {
                        self.down = down;
                        if self.changes.len() == MOST_CHANGES {
                            self.changes.pop_front();
                        }
                        self.changes.push_back((now, down));
                    }
                    keyer.machine.handle(now, Input::LineSet { down, outcome });
                }
                Output::Tell(report) if keyer.reports.len() < PIPE => {
                    keyer.reports.push_back((now, report));
                }
                Output::Tell(_) => {}
                Output::End => keyer.ended = true,
            }
        }
    }

    fn die(&mut self, id: Option<u64>) {
        if let Some(keyer) = self.keyer.as_mut().filter(|k| Some(k.id) == id) {
            keyer.ended = true;
            if self.drops && self.down {
                self.down = false;
                self.changes.push_back((self.now, false));
            }
        }
    }
}

/// Starts simulated keyers.
#[derive(Clone, Debug)]
pub struct SimulatedNursery(World);

impl Nursery for SimulatedNursery {
    type Mate = SimulatedMate;

    fn start(&mut self, now: Instant) -> Result<SimulatedMate, String> {
        let mut inner = self.0.inner();
        inner.advance(now);
        if inner.barren {
            return Err("no keyer can be started".into());
        }
        inner.born += 1;
        let id = inner.born;
        inner.keyer = Some(SimulatedKeyer {
            id,
            machine: Machine::new(&inner.settings),
            from: now + inner.start_takes,
            frozen: false,
            orders: VecDeque::new(),
            reports: VecDeque::new(),
            closed: false,
            ended: false,
        });
        let world = self.0.clone();
        Ok(SimulatedMate { id, world })
    }
}

/// The station's end of a simulated keyer. Dropping it closes the orders, as the station's
/// death does.
#[derive(Debug)]
pub struct SimulatedMate {
    id: u64,
    world: World,
}

impl SimulatedMate {
    fn with<T>(&self, act: impl FnOnce(&mut SimulatedKeyer) -> T) -> Option<T> {
        let mut inner = self.world.inner();
        let keyer = inner.keyer.as_mut().filter(|k| k.id == self.id)?;
        Some(act(keyer))
    }
}

impl Mate for SimulatedMate {
    fn beat(&mut self, now: Instant, seq: u64, down: Option<Duration>) {
        self.with(|keyer| {
            if keyer.orders.len() < PIPE {
                keyer.orders.push_back((now, seq, down));
            }
        });
        self.world.advance(now);
    }

    fn report(&mut self, now: Instant) -> Option<(Report, Duration)> {
        self.world.advance(now);
        let (at, report) = self.with(|keyer| keyer.reports.pop_front())??;
        Some((report, now.since(at)))
    }

    fn ended(&mut self) -> Option<String> {
        let ended = self.with(|keyer| keyer.ended).unwrap_or(true);
        ended.then(|| "the keyer has ended".into())
    }

    fn kill(&mut self) {
        self.world.inner().die(Some(self.id));
    }
}

impl Drop for SimulatedMate {
    fn drop(&mut self) {
        self.with(|keyer| keyer.closed = true);
        let now = self.world.inner().now;
        self.world.advance(now);
    }
}
