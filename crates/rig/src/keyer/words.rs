//! The little language between station and keyer: one line of text each way, at most
//! [`LONGEST_LINE`] octets with its end.
//!
//! The station's first line is its [`KeyerSettings`](super::KeyerSettings) as JSON. Then:
//!
//! ```text
//! beat SEQ STAMP up            I live; the line shall be released
//! beat SEQ STAMP down MOST     I live; the line shall be keyed, in all at most MOST ms
//! ```
//!
//! `SEQ` counts up; `STAMP` is the moment of sending, in nanoseconds of the machine's clock
//! that counts through sleep (`CLOCK_BOOTTIME`), so that a beat that lay in the pipe is seen
//! to be old. The keyer says:
//!
//! ```text
//! STAMP heard SEQ              that beat was taken in
//! STAMP proved EVIDENCE        the line is released since my start, and how I know
//! STAMP down                   the line is keyed
//! STAMP up WHY                 the line is released
//! STAMP refused WHY            I do not key
//! STAMP busy | STAMP clear     the radio's busy line has changed
//! STAMP fault WHAT             I cannot do my work and end
//! STAMP ended WHY              I end, the line released as far as I can
//! ```

use dunlin_clock::{Duration, Instant};

/// The most octets that a line may have. Shorter than what a pipe takes in one piece
/// (`PIPE_BUF`, 4096 octets on Linux: pipe(7)), so that no line is ever cut.
pub const LONGEST_LINE: usize = 2000;

/// What the station says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Order {
    /// Counts up with every beat.
    pub seq: u64,
    /// When it was sent.
    pub stamp: Instant,
    /// `Some(most)` = key, in all at most that long; `None` = released.
    pub down: Option<Duration>,
}

/// What the keyer says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Report {
    /// A beat was taken in.
    Heard {
        /// Its number.
        seq: u64,
    },
    /// The line is released since the start.
    Proved {
        /// How that is known.
        evidence: String,
    },
    /// The line is keyed.
    Down,
    /// The line is released.
    Up {
        /// Why.
        why: String,
    },
    /// The keyer does not key.
    Refused {
        /// Why.
        why: String,
    },
    /// The radio's busy line.
    Busy(bool),
    /// The keyer cannot do its work and ends.
    Fault {
        /// What.
        what: String,
    },
    /// The keyer ends.
    Ended {
        /// Why.
        why: String,
    },
}

impl Order {
    /// The line, with its end.
    pub fn line(&self) -> String {
        let (seq, stamp) = (self.seq, self.stamp.as_nanos());
        match self.down {
            Some(most) => format!("beat {seq} {stamp} down {}\n", most.as_millis()),
            None => format!("beat {seq} {stamp} up\n"),
        }
    }

    /// Reads a line without its end; `None` if it is no order.
    pub fn read(line: &str) -> Option<Order> {
        let words: Vec<&str> = line.split(' ').collect();
        let (seq, stamp, down) = match words[..] {
            ["beat", seq, stamp, "up"] => (seq, stamp, None),
            ["beat", seq, stamp, "down", most] => (seq, stamp, Some(most.parse().ok()?)),
            _ => return None,
        };
        Some(Order {
            seq: seq.parse().ok()?,
            stamp: Instant::from_nanos(stamp.parse().ok()?),
            down: down.map(Duration::from_millis),
        })
    }
}

impl Report {
    /// The line, said at `stamp`, with its end.
    pub fn line(&self, stamp: Instant) -> String {
        let said = match self {
            Report::Heard { seq } => format!("heard {seq}"),
            Report::Proved { evidence } => format!("proved {evidence}"),
            Report::Down => "down".into(),
            Report::Up { why } => format!("up {why}"),
            Report::Refused { why } => format!("refused {why}"),
            Report::Busy(true) => "busy".into(),
            Report::Busy(false) => "clear".into(),
            Report::Fault { what } => format!("fault {what}"),
            Report::Ended { why } => format!("ended {why}"),
        };
        let mut line = format!("{} {said}", stamp.as_nanos()).replace(char::is_control, " ");
        let mut end = LONGEST_LINE - 1;
        if line.len() > end {
            while !line.is_char_boundary(end) {
                end -= 1;
            }
            line.truncate(end);
        }
        line.push('\n');
        line
    }

    /// Reads a line without its end; `None` if it is no report. Also when it was said.
    pub fn read(line: &str) -> Option<(Instant, Report)> {
        let (stamp, said) = line.split_once(' ')?;
        let (word, rest) = said.split_once(' ').unwrap_or((said, ""));
        let text = rest.to_owned();
        let report = match word {
            "heard" => Report::Heard {
                seq: rest.parse().ok()?,
            },
            "proved" => Report::Proved { evidence: text },
            "down" => Report::Down,
            "up" => Report::Up { why: text },
            "refused" => Report::Refused { why: text },
            "busy" => Report::Busy(true),
            "clear" => Report::Busy(false),
            "fault" => Report::Fault { what: text },
            "ended" => Report::Ended { why: text },
            _ => return None,
        };
        Some((Instant::from_nanos(stamp.parse().ok()?), report))
    }
}

/// Cuts a stream of octets into lines.
#[derive(Debug, Default)]
pub(super) struct LineCutter {
    buffer: Vec<u8>,
    too_long: bool,
}

impl LineCutter {
    /// Takes in what was read.
    pub(super) fn take(&mut self, octets: &[u8]) {
        self.buffer.extend_from_slice(octets);
    }

    /// The next whole line, without its end. A line that is too long or is not UTF-8 comes out
    /// as an empty one, which is neither order nor report.
    pub(super) fn line(&mut self, longest: usize) -> Option<String> {
        let Some(end) = self.buffer.iter().position(|b| *b == b'\n') else {
            if self.buffer.len() > longest {
                self.buffer.clear();
                self.too_long = true;
            }
            return None;
        };
        let rest = self.buffer.split_off(end + 1);
        let mut line = std::mem::replace(&mut self.buffer, rest);
        line.pop();
        let bad = std::mem::take(&mut self.too_long) || line.len() > longest;
        let text = String::from_utf8(line).ok().filter(|_| !bad);
        Some(text.unwrap_or_default())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orders_and_reports_survive_their_line() {
        for down in [None, Some(Duration::from_millis(4321))] {
            let order = Order {
                seq: 17,
                stamp: Instant::from_nanos(123_456_789_012),
                down,
            };
            assert_eq!(Order::read(order.line().trim_end()), Some(order));
        }
        let text = || "the station asked".to_owned();
        for report in [
            Report::Heard { seq: 3 },
            Report::Proved { evidence: text() },
            Report::Down,
            Report::Up { why: text() },
            Report::Refused { why: text() },
            Report::Busy(true),
            Report::Busy(false),
            Report::Fault { what: text() },
            Report::Ended { why: text() },
        ] {
            let at = Instant::from_millis(5);
            let line = report.line(at);
            assert_eq!(Report::read(line.trim_end()), Some((at, report)));
        }
    }

    #[test]
    fn what_is_no_order_is_none() {
        for line in [
            "",
            "beat",
            "beat 1 2",
            "beat 1 2 down",
            "beat 1 2 down -3",
            "beat 1 2 up 3",
            "beat x 2 up",
            "beat 1 2  up",
            "heard 1",
        ] {
            assert_eq!(Order::read(line), None, "{line}");
        }
    }

    #[test]
    fn a_long_text_is_cut_and_stays_one_line() {
        let report = Report::Fault {
            what: "ä\n".repeat(5000),
        };
        let line = report.line(Instant::ZERO);
        assert!(line.len() <= LONGEST_LINE);
        assert_eq!(line.matches('\n').count(), 1);
        assert!(Report::read(line.trim_end()).is_some());
    }

    #[test]
    fn a_flood_without_an_end_is_dropped_and_the_next_line_but_one_is_read() {
        let mut cutter = LineCutter::default();
        for _ in 0..100 {
            cutter.take(&[b'x'; 100]);
            assert_eq!(cutter.line(480), None);
        }
        cutter.take(b"yyy\nbeat 1 2 up\nbea");
        assert_eq!(cutter.line(480).as_deref(), Some(""));
        assert_eq!(cutter.line(480).as_deref(), Some("beat 1 2 up"));
        assert_eq!(cutter.line(480), None);
        cutter.take(b"t 2 3 up\n");
        assert_eq!(cutter.line(480).as_deref(), Some("beat 2 3 up"));
    }
}
