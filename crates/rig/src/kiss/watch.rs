//! Notices a controller that is not in KISS mode, has another speed, or is another thing than
//! the plan says: what was seen, what it probably means, what to do.
//!
//! The thresholds are our own; common practice, no source. An advice never changes what is
//! done with frames.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use dunlin_framing::kiss::{Command, FEND, Frame, Problem};

use super::excerpt::{excerpt, printable};
use super::settings::{ControllerPort, Link};

/// Octets without a frame end that are kept to be judged.
const MOST_LOOSE: usize = 256;
/// A stream that pauses for so long outside a frame is judged.
const QUIET: Duration = Duration::from_millis(1500);
/// Fewest octets that can be judged as text, and as noise.
const FEWEST_TEXT: usize = 4;
const FEWEST_LETTERS: usize = 3;
const FEWEST_NOISE: usize = 24;
/// Share of printable octets from which they count as text.
const TEXT: f64 = 0.9;
/// Octets at the beginning that decide.
const HEAD: usize = 24;
/// Shortest content of an AX.25 frame: two addresses and a control octet (AX.25 v2.2
/// section 3.9, without FCS).
const SHORTEST: usize = 15;
/// Frames of late among which the odd ones are counted, and how many odd ones are too many.
const OF_LATE: usize = 8;
const TOO_ODD: usize = 5;
/// Frames handed over, and time since the first of them, after which complete silence is odd.
const SILENT_AFTER_FRAMES: u32 = 5;
const SILENT_AFTER: Duration = Duration::from_secs(120);
/// A frame that comes back unchanged so soon is our own.
const ECHO_WITHIN: Duration = Duration::from_secs(2);
/// Time without a taken octet that is worth a word.
const LONG_HOLD: Duration = Duration::from_secs(15);
/// Frames with missing octets until it is worth a word.
const TOO_DAMAGED: u32 = 3;
/// An advice is not repeated sooner.
const REPEAT: Duration = Duration::from_secs(600);
/// Most kinds of advice remembered; there is one for each of 16 ports, and the others.
const MOST_WAITING: usize = 32;

/// What can be odd. Each kind is told at most once in ten minutes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Oddity {
    Text,
    Noise,
    Silence,
    Port(u8),
    Echo,
    Held,
    Damaged,
    Flood,
}

/// Watches one link.
pub(crate) struct Watch {
    place: String,
    serial: bool,
    ports: String,
    /// Octets since the last frame end.
    loose: Vec<u8>,
    last_octet: Option<Instant>,
    /// Octets of the same frame were judged and forgotten already: the rest may be the middle
    /// of a frame.
    cut: bool,
    /// Of the latest frames: was it odd?
    odd: VecDeque<bool>,
    sent: VecDeque<(u8, Vec<u8>, Instant)>,
    sent_count: u32,
    first_sent: Option<Instant>,
    damaged: u32,
    told: BTreeMap<Oddity, Instant>,
    to_tell: VecDeque<(Oddity, String)>,
}

impl Watch {
    pub(crate) fn new(link: &Link, ports: &[ControllerPort]) -> Self {
        let numbers: Vec<String> = ports.iter().map(|p| p.number.to_string()).collect();
        Watch {
            place: link.to_string(),
            serial: matches!(link, Link::Serial { .. }),
            ports: numbers.join(", "),
            loose: Vec::new(),
            last_octet: None,
            cut: false,
            odd: VecDeque::new(),
            sent: VecDeque::new(),
            sent_count: 0,
            first_sent: None,
            damaged: 0,
            told: BTreeMap::new(),
            to_tell: VecDeque::new(),
        }
    }

    /// Each octet as it comes.
    pub(crate) fn octet(&mut self, octet: u8, now: Instant) {
        self.last_octet = Some(now);
        if octet == FEND {
            if !std::mem::take(&mut self.cut) {
                self.judge_text();
            }
            self.loose.clear();
        } else if self.loose.len() < MOST_LOOSE {
            self.loose.push(octet);
        }
    }

    /// Each frame as it is found.
    pub(crate) fn frame(&mut self, frame: &Frame, known: bool) {
        let data = frame.command == Command::Data;
        let whole = frame.octets.len() >= SHORTEST && frame.bad_escapes == 0;
        let acknowledgement = frame.command == Command::AcknowledgedData;
        self.damaged += u32::from(frame.bad_escapes > 0);
        let odd = !(acknowledgement || (data && whole));
        self.odd.push_back(odd);
        if self.odd.len() > OF_LATE {
            self.odd.pop_front();
        }
        if self.odd.iter().filter(|odd| **odd).count() >= TOO_ODD {
            let mut seen = vec![frame.command.type_octet(frame.port)];
            seen.extend(&frame.octets);
            self.noise(&seen);
            self.odd.clear();
        }
        if data && whole && !known {
            let number = frame.port.number();
            let text = format!(
                "The controller at {} sends frames of its port {number}, but the plan names only \
                 {}. They are dropped. If a radio hangs there, name it in the plan; else its \
                 cable or its numbering may be another one than you think.",
                self.place, self.ports
            );
            self.note(Oddity::Port(number), text);
        }
        if self.damaged >= TOO_DAMAGED {
            self.damaged = 0;
            self.damage();
        }
    }

    /// Whatever the decoder could not use.
    pub(crate) fn problem(&mut self, problem: Problem) {
        if let Problem::TooLong { .. } = problem {
            self.damaged += 1;
        }
    }

    /// A frame was handed over.
    pub(crate) fn sent(&mut self, number: u8, octets: Vec<u8>, now: Instant) {
        self.sent_count = self.sent_count.saturating_add(1);
        self.first_sent.get_or_insert(now);
        self.sent.push_back((number, octets, now));
        if self.sent.len() > OF_LATE {
            self.sent.pop_front();
        }
    }

    /// Whether a frame heard is one that was just handed over.
    pub(crate) fn is_echo(&mut self, number: u8, octets: &[u8], now: Instant) -> bool {
        let same = |(port, frame, at): &(u8, Vec<u8>, Instant)| {
            *port == number && frame == octets && now.saturating_duration_since(*at) < ECHO_WITHIN
        };
        let echo = self.sent.iter().any(same);
        if echo {
            let text = format!(
                "The controller at {} returns our own frames to us: \"{}\" came back unchanged. \
                 It may be in its command mode and repeat what is typed, or its line may be \
                 looped. They are not taken for frames heard. Put the controller into KISS mode \
                 as its handbook tells, and check the cable.",
                self.place,
                hex(octets)
            );
            self.note(Oddity::Echo, text);
        }
        echo
    }

    /// More came than any radio can bring.
    pub(crate) fn flooded(&mut self) {
        let text = format!(
            "The controller at {} sends more than any radio can hear; what is too much is \
             dropped. It is probably no controller, or defective. Look what is connected there.",
            self.place
        );
        self.note(Oddity::Flood, text);
    }

    /// The next advice. `held` is for how long the link has taken nothing.
    pub(crate) fn look(&mut self, held: Option<Duration>, now: Instant) -> Option<String> {
        self.look_at_loose(now);
        self.look_at_silence(now);
        if held.is_some_and(|held| held >= LONG_HOLD) {
            self.hold();
        }
        while let Some((oddity, text)) = self.to_tell.pop_front() {
            let told = self.told.get(&oddity);
            if told.is_some_and(|at| now.saturating_duration_since(*at) < REPEAT) {
                continue;
            }
            self.told.insert(oddity, now);
            return Some(text);
        }
        None
    }

    fn note(&mut self, oddity: Oddity, text: String) {
        let waits = self.to_tell.iter().any(|(other, _)| *other == oddity);
        if !waits && self.to_tell.len() < MOST_WAITING {
            self.to_tell.push_back((oddity, text));
        }
    }

    fn look_at_loose(&mut self, now: Instant) {
        let quiet = self
            .last_octet
            .is_some_and(|at| now.saturating_duration_since(at) >= QUIET);
        if self.loose.is_empty() || !(quiet || self.loose.len() >= MOST_LOOSE) {
            return;
        }
        let noise = self.loose.len() >= FEWEST_NOISE && !self.cut && !begins_frame(&self.loose);
        if !self.judge_text() && noise {
            let seen = std::mem::take(&mut self.loose);
            self.noise(&seen);
        }
        self.cut = true;
        self.loose.clear();
    }

    /// True: the loose octets are text.
    fn judge_text(&mut self) -> bool {
        // A frame may carry much text, but it begins with addresses, which are none.
        let head = &self.loose[..self.loose.len().min(HEAD)];
        let letters = head.iter().filter(|o| o.is_ascii_alphabetic()).count();
        if head.len() < FEWEST_TEXT || letters < FEWEST_LETTERS || printable(head) < TEXT {
            return false;
        }
        let do_this = if self.serial {
            "Put the controller into KISS mode as its handbook tells"
        } else {
            "Put the controller into KISS mode as its handbook tells, and check that address \
             and port are those of its KISS service and no other"
        };
        let text = format!(
            "The controller at {} sends plain text, {}, which is no KISS. It is probably in its \
             command mode, perhaps after it was switched on anew. {do_this}.",
            self.place,
            excerpt(&self.loose)
        );
        self.note(Oddity::Text, text);
        true
    }

    fn noise(&mut self, seen: &[u8]) {
        let probably = if self.serial {
            "Probably the speed of the line differs from the controller's, or parity is on \
             there. Set both to the same speed with 8 data bits, no parity, 1 stop bit; if they \
             are, put the controller into KISS mode as its handbook tells"
        } else {
            "Probably this is no KISS service, or it uses additions to KISS (a checksum, polls). \
             Check address and port, and turn such additions off as its handbook tells"
        };
        let text = format!(
            "The controller at {} sends octets that make no frames, {}. {probably}.",
            self.place,
            excerpt(seen)
        );
        self.note(Oddity::Noise, text);
    }

    fn damage(&mut self) {
        let do_this = if self.serial {
            "Turn on flow control at both ends, take a shorter cable, or a lower speed"
        } else {
            "Look at the serial line behind that address"
        };
        let text = format!(
            "Frames from the controller at {} have missing or wrong octets. Octets are probably \
             lost on the way. {do_this}.",
            self.place
        );
        self.note(Oddity::Damaged, text);
    }

    fn look_at_silence(&mut self, now: Instant) {
        let long = self
            .first_sent
            .is_some_and(|at| now.saturating_duration_since(at) >= SILENT_AFTER);
        if self.last_octet.is_some() || !long || self.sent_count < SILENT_AFTER_FRAMES {
            return;
        }
        let text = format!(
            "{} frames were handed to the controller at {}, and it has never sent a single \
             octet. The channel may be quiet. If its radio should hear something: check that \
             the controller is on, in KISS mode as its handbook tells, at the speed of the plan, \
             and that the cable carries both directions.",
            self.sent_count, self.place
        );
        self.note(Oddity::Silence, text);
    }

    fn hold(&mut self) {
        let text = format!(
            "The controller at {} has taken nothing for {} s. It may wait for a busy channel. If \
             the channel is free: check that it is on; if flow control is on in the plan, check \
             that it is on at the controller and that the cable carries RTS and CTS.",
            self.place,
            LONG_HOLD.as_secs()
        );
        self.note(Oddity::Held, text);
    }
}

/// Whether octets begin as a data frame does: command 0, then a call sign, whose octets have
/// their lowest bit clear (AX.25 v2.2 section 3.12).
fn begins_frame(octets: &[u8]) -> bool {
    octets[0] & 0x0F == 0 && octets.iter().skip(1).take(6).all(|octet| octet & 1 == 0)
}

/// The first octets in hexadecimal.
fn hex(octets: &[u8]) -> String {
    let first: Vec<String> = octets.iter().take(16).map(|o| format!("{o:02X}")).collect();
    let more = if octets.len() > 16 { " ..." } else { "" };
    first.join(" ") + more
}

#[cfg(test)]
mod tests;
