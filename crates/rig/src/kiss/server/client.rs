//! One program that uses our ports.

use std::collections::{BTreeSet, VecDeque};
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::{Duration, Instant};

use dunlin_framing::kiss::{Command, Decoded, Decoder, FEND, Frame, Problem};
use rustix::event::PollFlags;

use super::{ServerEvent, ServerLimits, Shared};
use crate::kiss::allowance::Allowance;
use crate::kiss::excerpt::excerpt;

/// Octets that a client may send per second, and how many at once; beyond, it is read slower.
const OCTETS_PER_SECOND: f64 = 200_000.0;
const OCTETS_AT_ONCE: f64 = 400_000.0;
/// Frames may come at once for so many seconds of the allowed rate.
const BURST_SECONDS: f64 = 5.0;
/// A client that takes nothing for so long although something waits is cut.
pub(super) const LONGEST_HOLD: Duration = Duration::from_secs(300);
/// Time between two notes about slowness.
const NOTE_SLOWNESS: Duration = Duration::from_secs(60);

/// What is noted once for each client.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Noted {
    Parameter,
    Return,
    Acknowledged,
    Unknown,
    Port(u8),
    TooLong,
    Damaged,
    NoRoom,
}

/// One client.
pub(super) struct Client {
    pub(super) number: u64,
    pub(super) stream: TcpStream,
    decoder: Decoder,
    /// It has begun as a KISS program begins.
    greeted: bool,
    outgoing: VecDeque<Arc<[u8]>>,
    /// Octets of the first that are out.
    done: usize,
    held_since: Option<Instant>,
    lost: u64,
    noted_slow: Option<Instant>,
    noted: BTreeSet<Noted>,
    octets: Allowance,
    frames: Allowance,
    /// Nothing is read before then.
    resume: Option<Instant>,
    limits: ServerLimits,
}

impl Client {
    pub(super) fn new(number: u64, stream: TcpStream, limits: &ServerLimits, now: Instant) -> Self {
        let rate = limits.frames_per_second;
        Client {
            number,
            stream,
            decoder: Decoder::new(limits.frame_octets),
            greeted: false,
            outgoing: VecDeque::new(),
            done: 0,
            held_since: None,
            lost: 0,
            noted_slow: None,
            noted: BTreeSet::new(),
            octets: Allowance::new(OCTETS_PER_SECOND, OCTETS_AT_ONCE, now),
            frames: Allowance::new(rate, (rate * BURST_SECONDS).max(1.0), now),
            resume: None,
            limits: *limits,
        }
    }

    /// What to wait for, and how long at most.
    pub(super) fn wants(&self, now: Instant) -> (PollFlags, Option<Duration>) {
        let pause = self
            .resume
            .map(|until| until.saturating_duration_since(now));
        let pause = pause.filter(|pause| !pause.is_zero());
        let mut wanted = PollFlags::empty();
        wanted.set(PollFlags::IN, pause.is_none());
        wanted.set(PollFlags::OUT, !self.outgoing.is_empty());
        (wanted, pause)
    }

    /// Adds a frame heard. If the client is slow, it loses the oldest of which nothing is
    /// out yet.
    pub(super) fn enqueue(&mut self, line: &Arc<[u8]>, shared: &Shared, now: Instant) {
        self.outgoing.push_back(line.clone());
        if self.outgoing.len() <= self.limits.waiting {
            return;
        }
        self.outgoing.remove(usize::from(self.done > 0));
        self.lost += 1;
        shared.count(|c| c.lost_by_slow += 1);
        let soon = self.noted_slow.is_some_and(|at| now - at < NOTE_SLOWNESS);
        if !soon {
            self.noted_slow = Some(now);
            let text = format!(
                "it takes frames too slowly; the oldest are dropped for it, {} so far",
                self.lost
            );
            self.tell(shared, text);
        }
    }

    /// Writes what goes now.
    pub(super) fn write(&mut self, shared: &Shared, now: Instant) -> Result<(), String> {
        while let Some(line) = self.outgoing.front() {
            match self.stream.write(&line[self.done..]) {
                Ok(count) => {
                    self.held_since = None;
                    self.done += count;
                    if self.done == line.len() {
                        self.done = 0;
                        self.outgoing.pop_front();
                        shared.count(|c| c.to_clients += 1);
                    }
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) if error.kind() == ErrorKind::WouldBlock => {
                    let since = *self.held_since.get_or_insert(now);
                    if now - since < LONGEST_HOLD {
                        return Ok(());
                    }
                    return Err(format!(
                        "it was cut: it has taken nothing for {} s",
                        LONGEST_HOLD.as_secs()
                    ));
                }
                Err(error) => return Err(format!("the connection broke: {error}")),
            }
        }
        self.held_since = None;
        Ok(())
    }

    /// Reads what is there, a piece at a time.
    pub(super) fn read(&mut self, shared: &Shared, now: Instant) -> Result<(), String> {
        let mut octets = [0; 4096];
        let count = match self.stream.read(&mut octets) {
            Ok(0) => return Err("it has closed the connection".into()),
            Ok(count) => count,
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {
                return Ok(());
            }
            Err(error) => return Err(format!("the connection broke: {error}")),
        };
        let octets = &octets[..count];
        self.greet(octets)?;
        let pause = self.octets.owe(count as f64, now);
        self.resume = pause.map(|pause| now + pause.max(Duration::from_millis(20)));
        for &octet in octets {
            match self.decoder.step(octet) {
                Some(Decoded::Frame(frame)) => self.frame(frame, shared, now)?,
                Some(Decoded::Problem(problem)) => self.problem(problem, shared),
                None => {}
            }
        }
        Ok(())
    }

    /// KISS begins with a frame end ([K] section 2). What begins otherwise is another program:
    /// as a web browser, which a foreign page may have sent here with octets of its choice.
    fn greet(&mut self, octets: &[u8]) -> Result<(), String> {
        if !self.greeted && octets[0] != FEND {
            return Err(format!(
                "it was cut: it began with {}, which is no KISS. A KISS program begins with the \
                 octet C0",
                excerpt(octets)
            ));
        }
        self.greeted = true;
        Ok(())
    }

    fn problem(&mut self, problem: Problem, shared: &Shared) {
        if let Problem::TooLong { octets } = problem {
            let text = format!(
                "it sent a frame of {octets} octets; frames above {} are dropped",
                self.limits.frame_octets
            );
            self.ignore(Noted::TooLong, text, shared);
        }
    }

    fn frame(&mut self, frame: Frame, shared: &Shared, now: Instant) -> Result<(), String> {
        if !self.frames.take(1.0, now) {
            return Err(format!(
                "it was cut: it sends more than {} frames a second",
                self.limits.frames_per_second
            ));
        }
        match frame.command {
            Command::Data if frame.octets.is_empty() && frame.bad_escapes == 0 => {}
            Command::Data => self.data(frame, shared),
            Command::Return => {
                let text = "it sent the command to leave KISS; this service speaks nothing else";
                self.ignore(Noted::Return, text.into(), shared);
            }
            Command::AcknowledgedData => {
                let text = "it sent data with acknowledgement, which is not supported and was \
                            not sent; turn that off there";
                self.ignore(Noted::Acknowledged, text.into(), shared);
            }
            Command::Unknown(nibble) => {
                let text = format!("it sent the unknown command {nibble}, which has no effect");
                self.ignore(Noted::Unknown, text, shared);
            }
            _ => {
                let text = "it sent a parameter (as key-up delay or persistence), which has no \
                            effect: the station plan says how a port sends";
                self.ignore(Noted::Parameter, text.into(), shared);
            }
        }
        Ok(())
    }

    fn data(&mut self, frame: Frame, shared: &Shared) {
        let number = frame.port.number();
        let Some(port) = shared.settings.ports.get(&number) else {
            let offered: Vec<_> = shared.settings.ports.keys().map(u8::to_string).collect();
            let text = format!(
                "it sent a frame for port {number}, which is not offered and was not sent; \
                 offered: {}",
                offered.join(", ")
            );
            return self.ignore(Noted::Port(number), text, shared);
        };
        if frame.bad_escapes > 0 {
            let text = "it sent a frame with a wrong escape, in which octets are missing; it was \
                        not sent";
            return self.ignore(Noted::Damaged, text.into(), shared);
        }
        if shared.sink.client_frame(self.number, *port, frame.octets) {
            shared.count(|c| c.from_clients += 1);
        } else {
            shared.count(|c| c.no_room += 1);
            let text = "its frames come faster than the port can send them; some were dropped";
            self.note(Noted::NoRoom, text.into(), shared);
        }
    }

    fn ignore(&mut self, what: Noted, text: String, shared: &Shared) {
        shared.count(|c| c.ignored += 1);
        self.note(what, text, shared);
    }

    fn note(&mut self, what: Noted, text: String, shared: &Shared) {
        if self.noted.insert(what) {
            self.tell(shared, text);
        }
    }

    fn tell(&self, shared: &Shared, text: String) {
        shared.sink.tell(ServerEvent::Note {
            client: self.number,
            text,
        });
    }
}
