//! The thread that keeps a controller's link open: it opens it, sends the parameters, hands
//! frames over, takes in what was heard, notices when the link is gone, and tries again.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, TryRecvError};
use std::time::{Duration, Instant};

use dunlin_framing::kiss::{Command, Decoded, Decoder, Frame, KissPort, Problem, encode};
use rustix::event::{PollFd, PollFlags};

use super::allowance::Allowance;
use super::controller::{ControllerEvent, Order, Shared, Ticket};
use super::link::{self, Known, OpenLink};
use super::settings::ControllerSettings;
use super::wake::{ended, wait};
use super::watch::Watch;

/// Pauses before the tries to open a link again; the last one repeats.
const PAUSES: [Duration; 6] = [
    Duration::from_millis(300),
    Duration::from_secs(1),
    Duration::from_secs(3),
    Duration::from_secs(5),
    Duration::from_secs(10),
    Duration::from_secs(30),
];
/// A link that stood for so long starts the pauses anew when it breaks.
const STEADY: Duration = Duration::from_secs(20);
/// How often a quiet link is looked at.
const LOOK: Duration = Duration::from_millis(500);
/// Octets that a link may bring per second, and how many at once. The fastest usual serial
/// line brings 92 160.
const OCTETS_PER_SECOND: f64 = 200_000.0;
const OCTETS_AT_ONCE: f64 = 400_000.0;
/// Frames that a controller may bring per second, and how many at once. A radio at 9600 baud
/// cannot bring 70 of the shortest.
const FRAMES_PER_SECOND: f64 = 100.0;
const FRAMES_AT_ONCE: f64 = 300.0;
/// Longest time in which the link may take nothing before it is given up. A controller with
/// flow control rightly holds us up while its channel is busy.
const LONGEST_HOLD: Duration = Duration::from_secs(180);
/// Frames handed over in acknowledged mode whose answer is awaited.
const MOST_UNACKNOWLEDGED: usize = 256;

/// Why a session ended.
enum End {
    Closed,
    Broken(String),
}

/// Keeps the link open until told to close.
pub(crate) fn keep(settings: &ControllerSettings, shared: &Shared, orders: &Receiver<Order>) {
    let mut known: Option<Known> = None;
    let mut tries = 0;
    let mut told: Option<String> = None;
    loop {
        let reason = match link::open(&settings.link, &mut known) {
            Ok(link) => {
                told = None;
                let start = Instant::now();
                let mut session = Session::new(settings, shared, link, start);
                let end = session.run(orders);
                if start.elapsed() >= STEADY {
                    tries = 0;
                }
                match end {
                    End::Closed => return session.refuse_all("the port was closed"),
                    End::Broken(reason) => {
                        session.refuse_all(&reason);
                        reason
                    }
                }
            }
            Err(reason) => reason,
        };
        let pause = PAUSES[tries.min(PAUSES.len() - 1)];
        tries += 1;
        if told.as_ref() != Some(&reason) {
            shared.sink.tell(ControllerEvent::Lost {
                reason: reason.clone(),
                retry_in: pause,
            });
            told = Some(reason.clone());
        }
        if rest(pause, shared, orders, &reason) {
            return;
        }
    }
}

/// Waits for the next try; every frame given meanwhile is refused. True: close.
fn rest(pause: Duration, shared: &Shared, orders: &Receiver<Order>, reason: &str) -> bool {
    let until = Instant::now() + pause;
    loop {
        loop {
            match orders.try_recv() {
                Ok(Order::Send { ticket, .. }) => shared.answer(ticket, Err(reason.into())),
                Ok(Order::Hush) => {}
                Ok(Order::Close) | Err(TryRecvError::Disconnected) => return true,
                Err(TryRecvError::Empty) => break,
            }
        }
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return false;
        }
        wait(&mut [PollFd::new(&shared.bell, PollFlags::IN)], left);
        shared.bell.quiet();
    }
}

/// Octets on their way out.
struct Outgoing {
    line: Vec<u8>,
    /// How many of them the link has taken.
    done: usize,
    /// The frame that they carry; `None` for parameters.
    frame: Option<Sending>,
}

struct Sending {
    ticket: Ticket,
    number: u8,
    octets: Vec<u8>,
}

/// One link while it is open.
struct Session<'a> {
    settings: &'a ControllerSettings,
    shared: &'a Shared,
    link: OpenLink,
    /// What was opened, to be told when the parameters are out.
    detail: String,
    decoder: Decoder,
    watch: Watch,
    outgoing: VecDeque<Outgoing>,
    /// Since when the link takes nothing although something waits.
    held_since: Option<Instant>,
    octets: Allowance,
    frames: Allowance,
    /// Nothing is read before then.
    resume: Option<Instant>,
    unacknowledged: VecDeque<Ticket>,
}

impl<'a> Session<'a> {
    fn new(
        settings: &'a ControllerSettings,
        shared: &'a Shared,
        link: OpenLink,
        now: Instant,
    ) -> Self {
        shared.count(|c| c.links += 1);
        let ports: Vec<String> = settings.ports.iter().map(ToString::to_string).collect();
        let detail = format!("{}; {}", link.detail, ports.join("; "));
        Session {
            settings,
            shared,
            watch: Watch::new(&settings.link, &settings.ports),
            link,
            detail,
            decoder: Decoder::default(),
            outgoing: VecDeque::from([Outgoing {
                line: settings.parameters(),
                done: 0,
                frame: None,
            }]),
            held_since: None,
            octets: Allowance::new(OCTETS_PER_SECOND, OCTETS_AT_ONCE, now),
            frames: Allowance::new(FRAMES_PER_SECOND, FRAMES_AT_ONCE, now),
            resume: None,
            unacknowledged: VecDeque::new(),
        }
    }

    fn run(&mut self, orders: &Receiver<Order>) -> End {
        loop {
            match self.turn(orders) {
                Ok(true) => {}
                Ok(false) => return End::Closed,
                Err(reason) => return End::Broken(reason),
            }
        }
    }

    /// One wait and what follows from it. `false`: closed.
    fn turn(&mut self, orders: &Receiver<Order>) -> Result<bool, String> {
        if !self.take_orders(orders) {
            return Ok(false);
        }
        let now = Instant::now();
        self.resume = self.resume.filter(|until| *until > now);
        let mut wanted = PollFlags::empty();
        let mut longest = LOOK;
        match self.resume {
            None => wanted |= PollFlags::IN,
            Some(until) => longest = longest.min(until - now),
        }
        if !self.outgoing.is_empty() {
            wanted |= PollFlags::OUT;
        }
        let ready = {
            let mut fds = [
                PollFd::new(&self.link, wanted),
                PollFd::new(&self.shared.bell, PollFlags::IN),
            ];
            wait(&mut fds, longest);
            fds[0].revents()
        };
        self.shared.bell.quiet();
        let now = Instant::now();
        if ready.contains(PollFlags::IN) || ended(ready) {
            self.read(now)?;
        }
        if ready.contains(PollFlags::OUT) {
            self.write(now)?;
        }
        if self.outgoing.is_empty() {
            self.held_since = None;
        } else {
            self.held_since.get_or_insert(now);
        }
        self.look(now)?;
        Ok(true)
    }

    /// False: close.
    fn take_orders(&mut self, orders: &Receiver<Order>) -> bool {
        loop {
            match orders.try_recv() {
                Ok(Order::Send {
                    number,
                    octets,
                    ticket,
                }) => self.enqueue(Sending {
                    ticket,
                    number,
                    octets,
                }),
                Ok(Order::Hush) => self.hush(),
                Ok(Order::Close) | Err(TryRecvError::Disconnected) => return false,
                Err(TryRecvError::Empty) => return true,
            }
        }
    }

    fn enqueue(&mut self, frame: Sending) {
        let Ok(port) = KissPort::new(frame.number) else {
            return self
                .shared
                .answer(frame.ticket, Err("there is no such port".into()));
        };
        let line = if self.settings.acknowledged {
            let id = acknowledgement(frame.ticket);
            encode(
                port,
                Command::AcknowledgedData,
                &[&id[..], &frame.octets].concat(),
            )
        } else {
            encode(port, Command::Data, &frame.octets)
        };
        self.outgoing.push_back(Outgoing {
            line,
            done: 0,
            frame: Some(frame),
        });
    }

    fn hush(&mut self) {
        for one in std::mem::take(&mut self.outgoing) {
            match one.frame {
                Some(frame) if one.done == 0 => {
                    let reason = "it was dropped on request".into();
                    self.shared.answer(frame.ticket, Err(reason));
                }
                _ => self.outgoing.push_back(one),
            }
        }
    }

    fn refuse_all(&mut self, reason: &str) {
        for frame in self.outgoing.drain(..).filter_map(|one| one.frame) {
            self.shared.answer(frame.ticket, Err(reason.into()));
        }
    }

    fn write(&mut self, now: Instant) -> Result<(), String> {
        while let Some(one) = self.outgoing.front_mut() {
            let count = self.link.write(&one.line[one.done..])?;
            if count > 0 {
                self.held_since = None;
            }
            one.done += count;
            if one.done < one.line.len() {
                return Ok(());
            }
            match self.outgoing.pop_front().and_then(|one| one.frame) {
                Some(frame) => self.handed(frame, now),
                None => self.shared.sink.tell(ControllerEvent::Ready {
                    detail: std::mem::take(&mut self.detail),
                }),
            }
        }
        Ok(())
    }

    fn handed(&mut self, frame: Sending, now: Instant) {
        if self.settings.acknowledged {
            self.unacknowledged.push_back(frame.ticket);
            let excess = self
                .unacknowledged
                .len()
                .saturating_sub(MOST_UNACKNOWLEDGED);
            self.unacknowledged.drain(..excess);
        }
        self.watch.sent(frame.number, frame.octets, now);
        self.shared.answer(frame.ticket, Ok(()));
    }

    fn read(&mut self, now: Instant) -> Result<(), String> {
        let mut octets = [0; 4096];
        let count = self.link.read(&mut octets)?;
        let octets = &octets[..count];
        if let Some(pause) = self.octets.owe(count as f64, now) {
            self.resume = Some(now + pause.max(Duration::from_millis(20)));
            self.watch.flooded();
        }
        for &octet in octets {
            self.watch.octet(octet, now);
            match self.decoder.step(octet) {
                Some(Decoded::Frame(frame)) => self.frame(frame, now),
                Some(Decoded::Problem(problem)) => self.problem(problem),
                None => {}
            }
        }
        Ok(())
    }

    fn problem(&mut self, problem: Problem) {
        self.watch.problem(problem);
        self.shared.count(|counts| match problem {
            Problem::Stray { octets } => counts.stray_octets += octets,
            Problem::BadEscape { .. } => counts.bad_escapes += 1,
            Problem::TooLong { .. } => counts.too_long += 1,
        });
    }

    fn frame(&mut self, frame: Frame, now: Instant) {
        let number = frame.port.number();
        let known = self.settings.ports.iter().any(|p| p.number == number);
        self.watch.frame(&frame, known);
        match frame.command {
            Command::Data if frame.octets.is_empty() && frame.bad_escapes == 0 => {}
            Command::Data if !known => self.shared.count(|c| c.unknown_ports += 1),
            Command::Data if self.watch.is_echo(number, &frame.octets, now) => {
                self.shared.count(|c| c.echoes += 1);
            }
            // Octets are known to be missing, and nothing above would notice.
            Command::Data if frame.bad_escapes > 0 => self.shared.count(|c| c.damaged += 1),
            Command::Data => self.heard(number, frame.octets, now),
            Command::AcknowledgedData if self.settings.acknowledged => {
                self.acknowledged(&frame.octets);
            }
            _ => self.shared.count(|c| c.unknown_commands += 1),
        }
    }

    fn heard(&mut self, number: u8, octets: Vec<u8>, now: Instant) {
        if !self.frames.take(1.0, now) {
            self.shared.count(|c| c.flooded += 1);
            return self.watch.flooded();
        }
        if self.shared.sink.heard(number, octets) {
            self.shared.count(|c| c.heard += 1);
        } else {
            self.shared.count(|c| c.no_room += 1);
        }
    }

    fn acknowledged(&mut self, id: &[u8]) {
        let found = self
            .unacknowledged
            .iter()
            .position(|t| acknowledgement(*t) == id);
        match found.and_then(|at| self.unacknowledged.remove(at)) {
            Some(ticket) => self
                .shared
                .sink
                .tell(ControllerEvent::Transmitted { ticket }),
            None => self.shared.count(|c| c.unknown_commands += 1),
        }
    }

    /// Looks for what shows only with time, and tells what is odd.
    fn look(&mut self, now: Instant) -> Result<(), String> {
        let held = self.held_since.map(|since| now - since);
        while let Some(text) = self.watch.look(held, now) {
            self.shared.sink.tell(ControllerEvent::Advice { text });
        }
        match held {
            Some(held) if held >= LONGEST_HOLD => Err(format!(
                "it has taken no octet for {} s",
                LONGEST_HOLD.as_secs()
            )),
            _ => Ok(()),
        }
    }
}

/// The two octets that name a frame in acknowledged mode ([M]: any two).
fn acknowledgement(ticket: Ticket) -> [u8; 2] {
    (ticket.0 as u16).to_be_bytes()
}
