//! Test signals: made here, sent like everything else. Each passes the gate, has an end from
//! the beginning, and says the call sign at its end, in the same transmission.

use dunlin_clock::{Duration, Instant};
use dunlin_modem::Steady;

use super::{Output, Station, WakeupReason};
use crate::channel::{Channel, Origin, Queued};
use crate::command::{Refusal, Reply};
use crate::event::{PortId, Urgency};
use crate::gate::key_down::SPARE;
use crate::gate::{Medium, TestSignal};
use crate::identity::Said;
use crate::words;

/// Longest test signal, seconds.
const LONGEST_S: u8 = 30;
/// A test signal that could not begin within this is dropped: nobody waits for it any more.
const BEGINS_WITHIN: Duration = Duration::from_secs(60);
/// How long each tone lasts when both are sent in turn.
const TURN: Duration = Duration::from_millis(500);
/// Frames of one test at most.
const MOST_FRAMES: usize = 500;

/// A test signal that waits or is being sent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TestRun {
    signal: TestSignal,
    /// Of the signal, without the frame that ends it.
    length: Duration,
    asked: Instant,
    on_air: bool,
}

/// What a test signal is made of.
struct Parts {
    steady: Vec<(Steady, usize)>,
    /// Flags before the usual ones.
    flags: usize,
    frames: Vec<Vec<u8>>,
}

pub(crate) fn name(signal: TestSignal) -> &'static str {
    match signal {
        TestSignal::LowTone => "low tone",
        TestSignal::HighTone => "high tone",
        TestSignal::Alternating => "alternating",
        TestSignal::RepeatedFrame => "repeated frame",
        TestSignal::LongPreamble => "long preamble",
    }
}

impl Channel {
    fn parts(&self, signal: TestSignal, length: Duration) -> Parts {
        let frame = self.call_sign_frame().encode();
        let line = self.config.line;
        let baud = f64::from(line.baud());
        let symbols = |d: Duration| (d.as_secs_f64() * baud).round() as usize;
        let mut parts = Parts {
            steady: Vec::new(),
            flags: 0,
            frames: vec![frame],
        };
        match signal {
            TestSignal::LowTone => parts.steady.push((Steady::LowTone, symbols(length))),
            TestSignal::HighTone => parts.steady.push((Steady::HighTone, symbols(length))),
            TestSignal::Alternating if line.has_tones() => {
                let tones = [Steady::LowTone, Steady::HighTone].into_iter().cycle();
                let mut left = length;
                for tone in tones {
                    if left.is_zero() {
                        break;
                    }
                    let turn = TURN.min(left);
                    parts.steady.push((tone, symbols(turn)));
                    left -= turn;
                }
            }
            TestSignal::Alternating => parts.steady.push((Steady::EachSymbol, symbols(length))),
            TestSignal::LongPreamble => parts.flags = symbols(length) / 8,
            TestSignal::RepeatedFrame => {
                let one = self.transmitter.airtime_of_frame(&parts.frames[0]);
                let n = (length.as_secs_f64() / one.as_secs_f64()) as usize;
                let frame = parts.frames.remove(0);
                parts.frames = vec![frame; n.clamp(1, MOST_FRAMES)];
            }
        }
        parts
    }

    fn test_airtime(&self, signal: TestSignal, length: Duration) -> Duration {
        let Parts {
            steady,
            flags,
            frames,
        } = self.parts(signal, length);
        self.transmitter.test_airtime(&steady, flags, &frames)
    }

    /// The length of a test signal that fits into one transmission of the port, and how long
    /// the whole takes then.
    fn fitting(&self, signal: TestSignal, seconds: u8) -> (Duration, Duration) {
        let asked = Duration::from_secs(u64::from(seconds));
        let most = Duration::from_secs(u64::from(LONGEST_S));
        let most = most.min(self.config.gate.limits.single.saturating_sub(SPARE));
        let whole = self.test_airtime(signal, asked);
        let length = asked.saturating_sub(whole.saturating_sub(most));
        (length, self.test_airtime(signal, length))
    }

    /// What of a test signal says the call sign. `begins` and `end` are of its last frame.
    pub(super) fn said_in_test(&self, begins: Instant, end: Instant) -> Vec<Said> {
        let said = |end, identifies| Said { end, identifies };
        match self.test.map(|t| t.signal) {
            Some(TestSignal::RepeatedFrame) => vec![said(end, true)],
            _ => vec![said(begins, false), said(end, true)],
        }
    }

    /// The test signal that waits or is sent, in words.
    pub(super) fn test_words(&self) -> Option<String> {
        let run = self.test?;
        let what = format!("{}, {}", name(run.signal), words::span(run.length));
        Some(match run.on_air {
            true => format!("{what}: on the air"),
            false => format!("{what}: waits for the gate"),
        })
    }
}

impl Station {
    pub(super) fn start_test(
        &mut self,
        now: Instant,
        port: PortId,
        signal: TestSignal,
        seconds: u8,
    ) -> Result<Reply, Refusal> {
        self.sending_port(port)?;
        self.check_test(port, signal, seconds)?;
        if let Some(why) = self.out_of_service(now, port) {
            return Err(Refusal::OutOfService(why));
        }
        let channel = self.channel(port);
        let (length, whole) = channel.fitting(signal, seconds);
        if length.is_zero() || channel.never_fits(whole) {
            return Err(Refusal::NoRoomForTest(channel.config.name.clone()));
        }
        let frame = channel.call_sign_frame();
        channel.queue.push_front(Queued {
            control: Some(frame.control),
            octets: frame.encode(),
            origin: Origin::Test,
            generation: 0,
            urgent: false,
            since: now,
            alone: whole,
            broken_off: 0,
        });
        channel.test = Some(TestRun {
            signal,
            length,
            asked: now,
            on_air: false,
        });
        let text = format!(
            "test signal asked for: {}, {}. It goes out when the gate is open, at the latest \
             in {}. Use a dummy load where you can, keep away from the antenna, and stay at the \
             radio while it sends",
            name(signal),
            words::span(length),
            words::span(BEGINS_WITHIN)
        );
        self.note(now, Some(port), Urgency::Attention, text);
        Ok(Reply::Done)
    }

    fn check_test(&self, port: PortId, signal: TestSignal, seconds: u8) -> Result<(), Refusal> {
        let channel = &self.channels[usize::from(port.0)];
        let config = &channel.config;
        if !(1..=LONGEST_S).contains(&seconds) {
            return Err(Refusal::TestLength(seconds, LONGEST_S));
        }
        if channel.test.is_some() {
            return Err(Refusal::TestGoesOn(config.name.clone()));
        }
        if config.medium != Medium::Sound && signal != TestSignal::RepeatedFrame {
            return Err(Refusal::ControllerMakesSound(config.name.clone()));
        }
        let tone = matches!(signal, TestSignal::LowTone | TestSignal::HighTone);
        if tone && !config.line.has_tones() {
            return Err(Refusal::NoTones(config.line.mode().name()));
        }
        Ok(())
    }

    pub(super) fn end_test(&mut self, now: Instant, port: PortId) -> Result<Reply, Refusal> {
        self.sending_port(port)?;
        let channel = self.channel(port);
        let name = channel.config.name.clone();
        let Some(run) = channel.test else {
            return Err(Refusal::NoTest(name));
        };
        if !run.on_air {
            self.forget_test(port);
        } else if channel.config.medium == Medium::Controller {
            return Err(Refusal::TestHandedOver(name));
        } else if channel.gate.released.is_none() {
            let why = "the test signal was ended by the operator".to_owned();
            self.release(now, port, why, true);
        }
        Ok(Reply::Done)
    }

    fn forget_test(&mut self, port: PortId) {
        let channel = self.channel(port);
        channel.test = None;
        channel.queue.retain(|q| q.origin != Origin::Test);
    }

    /// Drops test signals that could not begin in time.
    pub(super) fn overdue_tests(&mut self, now: Instant) {
        for port in self.ports() {
            let Some(run) = self.channel(port).test else {
                continue;
            };
            if run.on_air || run.asked + BEGINS_WITHIN > now {
                continue;
            }
            self.forget_test(port);
            let text = format!(
                "the test signal ({}) could not begin within {} and was dropped; see why the \
                 port waits, then ask again",
                name(run.signal),
                words::span(BEGINS_WITHIN)
            );
            self.note(now, Some(port), Urgency::Attention, text);
        }
    }

    pub(super) fn test_wakeups(&self) -> impl Iterator<Item = (Instant, WakeupReason)> + '_ {
        let due = |c: &Channel| {
            let run = c.test.filter(|t| !t.on_air)?;
            Some((run.asked + BEGINS_WITHIN, WakeupReason::Test(c.id)))
        };
        self.channels.iter().filter_map(due)
    }

    /// The transmission of the port's test signal, and what it is called on the strip.
    pub(super) fn test_output(&mut self, port: PortId) -> Option<(Output, String)> {
        let channel = self.channel(port);
        let run = channel.test.as_mut()?;
        run.on_air = true;
        let run = *run;
        let Parts {
            steady,
            flags,
            frames,
        } = channel.parts(run.signal, run.length);
        let what = format!("test signal: {}", name(run.signal));
        if channel.config.medium != Medium::Sound {
            return Some((self.carried(port, frames, None), what));
        }
        let sound = channel.transmitter.test(&steady, flags, &frames).ok()?;
        let samples = sound;
        Some((Output::Transmit { port, samples }, what))
    }
}
