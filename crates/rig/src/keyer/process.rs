//! The keyer itself: one thread that waits for orders, signals and deadlines, and sets the
//! line. It decides nothing; [`Machine`] does.
//!
//! Nothing here waits for anybody but in poll(2): a station that does not read loses reports,
//! a terminal that does not scroll loses lines of the log.

use std::io::{self, Read};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::net::UnixStream;

use dunlin_clock::{Duration, Instant};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::Errno;
use rustix::stdio::{stderr, stdin, stdout};
use rustix::termios::isatty;
use signal_hook::consts::{SIGHUP, SIGINT, SIGQUIT, SIGTERM, SIGUSR1, SIGUSR2};

use super::boot_clock;
use super::lines::{self, Held, OpenError};
use super::machine::{Input, Machine, Output};
use super::settings::KeyerSettings;
use super::words::{LONGEST_LINE, LineCutter, Order, Report};

/// The most octets that the line of settings may have.
pub const LONGEST_SETTINGS: usize = 4000;
/// How long the station may take to send it.
const LONGEST_HELLO: Duration = Duration::from_secs(5);
/// How long a device may stay with another program, for one that was just killed.
const LONGEST_TAKEN: Duration = Duration::from_millis(500);
/// How often the busy line is looked at.
const LOOK_SENSE: Duration = Duration::from_millis(20);
/// Wrong lines before the stream counts as broken.
const MOST_WRONG: u32 = 10;
/// Wish for the processor's time, as nice(2) has it; given only to those who may ask.
const NICENESS: i32 = -15;

/// What is said when no station is at the other end.
const NOT_FOR_PEOPLE: &str = "a station starts its keyers itself, and tells them first what they \
                              hold; there is nothing to do by hand. Use `dunlin run PLAN.toml`";

/// Signals that end the keyer: its line is released before it ends.
const ENDS: [i32; 4] = [SIGTERM, SIGHUP, SIGINT, SIGQUIT];
/// Signals that release the line and leave the keyer at work. A person who sends one to all
/// processes of the station wants it to stop sending.
const RELEASES: [i32; 2] = [SIGUSR1, SIGUSR2];

/// How a keyer ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// Told to, the line released.
    Told,
    /// It could not do its work; the reason was reported.
    Fault,
}

/// Runs the keyer on this process's standard input and output until it ends. `stamp` is the
/// date in front of its lines on standard error.
///
/// # Errors
/// A person has started it; or the operating system refuses what every process may have.
pub fn run(stamp: fn() -> String) -> io::Result<Ending> {
    if isatty(stdin()) || isatty(stdout()) {
        return Err(io::Error::other(NOT_FOR_PEOPLE));
    }
    // Out of the station's process group and away from its terminal: Ctrl-C, Ctrl-Z and the
    // terminal's own ideas are for the station.
    let _ = rustix::process::setsid();
    let _ = rustix::process::setpriority_process(None, NICENESS);
    let signals = Signals::listen()?;
    never_wait(stdin())?;
    never_wait(stdout())?;
    let mut mouth = Mouth {
        port: String::new(),
        stamp,
        gone: false,
    };
    let mut orders = Orders::default();
    let opened = match hello(&mut orders) {
        Ok(settings) => {
            mouth.port = settings.port.clone();
            held(&settings).map(|held| (settings, held))
        }
        Err(what) => Err(what),
    };
    match opened {
        Ok((settings, held)) => Ok(Keyer::new(&settings, held, orders, mouth).work(&signals)),
        Err(what) => {
            mouth.say(&Report::Fault { what });
            Ok(Ending::Fault)
        }
    }
}

fn never_wait(fd: BorrowedFd<'_>) -> rustix::io::Result<()> {
    fcntl_setfl(fd, fcntl_getfl(fd)? | OFlags::NONBLOCK)
}

/// Waits for the line of settings.
fn hello(orders: &mut Orders) -> Result<KeyerSettings, String> {
    let limit = boot_clock::now() + LONGEST_HELLO;
    loop {
        if let Some(line) = orders.cutter.line(LONGEST_SETTINGS) {
            let settings: KeyerSettings = serde_json::from_str(&line)
                .map_err(|e| format!("the first line is not a keyer's settings: {e}"))?;
            settings.check()?;
            return Ok(settings);
        }
        let left = limit.since(boot_clock::now());
        if left.is_zero() || orders.ended {
            return Err(NOT_FOR_PEOPLE.into());
        }
        wait(&[stdin()], Some(left));
        orders.read();
    }
}

/// Opens the lines; one that another program has is tried again for a moment.
fn held(settings: &KeyerSettings) -> Result<Held, String> {
    let limit = boot_clock::now() + LONGEST_TAKEN;
    loop {
        match lines::open(settings) {
            Ok(held) => return Ok(held),
            Err(OpenError::Taken(_)) if boot_clock::now() < limit => {
                std::thread::sleep(Duration::from_millis(5));
            }
            Err(error) => return Err(error.sentence()),
        }
    }
}

/// Waits until one of `fds` has something or the time is over.
fn wait(fds: &[BorrowedFd<'_>], time: Option<Duration>) {
    let mut fds: Vec<PollFd<'_>> = fds
        .iter()
        .map(|fd| PollFd::from_borrowed_fd(*fd, PollFlags::IN))
        .collect();
    let time = time.and_then(|t| Timespec::try_from(t).ok());
    // Interrupted by a signal, it comes back early; every caller looks again.
    let _ = poll(&mut fds, time.as_ref());
}

/// Signals, as octets in two sockets that can be waited for.
struct Signals {
    ends: UnixStream,
    releases: UnixStream,
}

impl Signals {
    fn listen() -> io::Result<Self> {
        let listen = |signals: &[i32]| -> io::Result<UnixStream> {
            let (ours, theirs) = UnixStream::pair()?;
            ours.set_nonblocking(true)?;
            for signal in signals {
                signal_hook::low_level::pipe::register(*signal, theirs.try_clone()?)?;
            }
            Ok(ours)
        };
        Ok(Signals {
            ends: listen(&ENDS)?,
            releases: listen(&RELEASES)?,
        })
    }

    fn came(mut stream: &UnixStream) -> bool {
        matches!(stream.read(&mut [0; 16]), Ok(n) if n > 0)
    }
}

/// Orders from standard input.
#[derive(Default)]
struct Orders {
    cutter: LineCutter,
    ended: bool,
}

impl Orders {
    /// Reads what is there.
    fn read(&mut self) {
        let mut octets = [0; 4096];
        match rustix::io::read(stdin(), &mut octets) {
            Ok(0) => self.ended = true,
            Ok(n) => self.cutter.take(&octets[..n]),
            Err(Errno::AGAIN | Errno::INTR) => {}
            Err(_) => self.ended = true,
        }
    }
}

/// Reports to standard output, and the log on standard error.
struct Mouth {
    port: String,
    stamp: fn() -> String,
    /// Nobody reads the reports any more.
    gone: bool,
}

impl Mouth {
    fn say(&mut self, report: &Report) {
        let line = report.line(boot_clock::now());
        // A full pipe loses the report: its reader is behind, and reports are not what keeps
        // a transmitter safe.
        match rustix::io::write(stdout(), line.as_bytes()) {
            Ok(_) | Err(Errno::AGAIN | Errno::INTR) => {}
            Err(_) => self.gone = true,
        }
    }

    /// A line of the log, if standard error takes it at once.
    fn log(&self, text: &str) {
        let mut ready = [PollFd::from_borrowed_fd(stderr(), PollFlags::OUT)];
        let now = Timespec::default();
        let _ = poll(&mut ready, Some(&now));
        if ready[0].revents().contains(PollFlags::OUT) {
            let line = format!("{} keyer of {}: {text}\n", (self.stamp)(), self.port);
            let _ = rustix::io::write(stderr(), line.as_bytes());
        }
    }
}

/// The machine, its line and its pipes.
struct Keyer {
    machine: Machine,
    held: Held,
    orders: Orders,
    mouth: Mouth,
    wrong: u32,
    busy: Option<bool>,
    next_look: Instant,
    /// The station lives as far as we know: what it asks needs no line in our own log.
    asked: bool,
    ending: Option<Ending>,
}

impl Keyer {
    fn new(settings: &KeyerSettings, held: Held, orders: Orders, mouth: Mouth) -> Self {
        Keyer {
            machine: Machine::new(settings),
            held,
            orders,
            mouth,
            wrong: 0,
            busy: None,
            next_look: Instant::ZERO,
            asked: false,
            ending: None,
        }
    }

    fn work(mut self, signals: &Signals) -> Ending {
        loop {
            self.carry_out();
            if let Some(ending) = self.ending {
                return ending;
            }
            let fds = [stdin(), signals.ends.as_fd(), signals.releases.as_fd()];
            wait(&fds, self.longest_wait());
            // Deadlines first, before anything that lay in the pipe.
            self.give(Input::Wakeup);
            self.signals(signals);
            self.orders.read();
            self.obey();
            self.look();
        }
    }

    fn longest_wait(&self) -> Option<Duration> {
        let now = boot_clock::now();
        let wakeup = self.machine.next_wakeup().map(|(at, _)| at.since(now));
        let look = self.held.sense.as_ref().map(|_| self.next_look.since(now));
        match (wakeup, look) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    fn signals(&mut self, signals: &Signals) {
        if Signals::came(&signals.releases) {
            let why = "a signal asked to release".into();
            self.give(Input::Release { why });
        }
        if Signals::came(&signals.ends) {
            let why = "a signal asked to end".into();
            self.give(Input::Close { why });
        }
    }

    fn obey(&mut self) {
        while let Some(line) = self.orders.cutter.line(LONGEST_LINE) {
            let Some(order) = Order::read(&line) else {
                self.wrong += 1;
                continue;
            };
            let age = boot_clock::now().since(order.stamp);
            self.asked = true;
            self.give(Input::Beat {
                seq: order.seq,
                down: order.down,
                age,
            });
            self.asked = false;
        }
        if self.wrong > MOST_WRONG {
            let what = "the orders cannot be read: is the station of another version?".into();
            self.give(Input::Broken { what });
        }
        if self.orders.ended || self.mouth.gone {
            let why = "the station is gone".into();
            self.give(Input::Close { why });
        }
    }

    /// Looks at the busy line.
    fn look(&mut self) {
        let now = boot_clock::now();
        let Some(sense) = self.held.sense.as_mut().filter(|_| now >= self.next_look) else {
            return;
        };
        self.next_look = now + LOOK_SENSE;
        match sense.busy() {
            Ok(busy) if busy == self.busy => {}
            Ok(busy) => {
                self.busy = busy;
                if let Some(busy) = busy {
                    self.give(Input::Busy(busy));
                }
            }
            Err(what) => self.give(Input::Broken { what }),
        }
    }

    fn give(&mut self, input: Input) {
        self.machine.handle(boot_clock::now(), input);
        self.carry_out();
    }

    fn carry_out(&mut self) {
        while let Some(output) = self.machine.poll() {
            match output {
                Output::Line { down } => {
                    let outcome = self.held.line.set(down);
                    let set = Input::LineSet { down, outcome };
                    self.machine.handle(boot_clock::now(), set);
                }
                Output::Tell(report) => self.tell(&report),
                Output::End => self.ending = self.ending.or(Some(Ending::Told)),
            }
        }
    }

    fn tell(&mut self, report: &Report) {
        self.mouth.say(report);
        match report {
            // The station asked and has its own log; or nothing happened to the line.
            Report::Up { .. } if self.asked => {}
            Report::Heard { .. } | Report::Down | Report::Busy(_) | Report::Proved { .. } => {}
            Report::Up { why } => self.mouth.log(&format!("released the line: {why}")),
            Report::Refused { why } => self.mouth.log(&format!("does not key: {why}")),
            Report::Ended { .. } => {}
            Report::Fault { what } => {
                self.mouth.log(&format!("ends: {what}"));
                self.ending = Some(Ending::Fault);
            }
        }
    }
}
