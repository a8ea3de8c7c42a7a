//! One recording, heard in one mode or in all of them at once.

use std::collections::VecDeque;

use dunlin_clock::{SampleCount, SampleRate};
use dunlin_modem::{Mode, ModemError};
use dunlin_station::port::{Receiver, ReceiverEvent, ReceptionReport};

/// A frame and how it was heard.
#[derive(Clone, Debug, PartialEq)]
pub struct Heard {
    pub mode: Mode,
    pub octets: Vec<u8>,
    pub report: ReceptionReport,
}

/// What else is worth telling of a recording.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Samples taken in.
    pub samples: u64,
    /// Highest magnitude of any sample.
    pub peak: f32,
    /// Frames, for each mode that had any.
    pub frames: Vec<(Mode, usize)>,
    /// Stretches of data that nobody could read, for each mode that had any.
    pub unreadable: Vec<(Mode, usize)>,
}

/// Receivers side by side, and one answer from all of them.
pub struct Listener {
    receivers: Vec<Receiver>,
    /// So long after a frame's end every receiver has told of it, samples.
    delay: u64,
    waiting: Vec<Heard>,
    /// Frames given out lately, against copies.
    given: VecDeque<Heard>,
    events: Vec<ReceiverEvent>,
    pub tally: Tally,
}

/// Frames that are remembered against copies.
const REMEMBERED: usize = 64;

impl Listener {
    /// Receivers for these modes. Fails if one of them cannot work at `rate`.
    pub fn new(modes: &[Mode], rate: SampleRate) -> Result<Self, ModemError> {
        let receivers: Vec<Receiver> = modes
            .iter()
            .map(|&mode| Receiver::new(mode, rate))
            .collect::<Result<_, _>>()?;
        let delay = receivers.iter().map(Receiver::delay).max().unwrap_or(0) as u64;
        Ok(Listener {
            receivers,
            delay,
            waiting: Vec::new(),
            given: VecDeque::with_capacity(REMEMBERED),
            events: Vec::new(),
            tally: Tally::default(),
        })
    }

    /// Takes the next samples; appends the frames that are certain now, earliest first.
    pub fn hear(&mut self, samples: &[f32], out: &mut Vec<Heard>) {
        let peak = samples
            .iter()
            .filter(|s| s.is_finite())
            .fold(0.0, |p, s| s.abs().max(p));
        self.tally.peak = self.tally.peak.max(peak);
        self.tally.samples += samples.len() as u64;
        self.process(samples);
        self.release(SampleCount(self.tally.samples), out);
    }

    /// The recording is over: appends what was still on its way.
    pub fn finish(&mut self, out: &mut Vec<Heard>) {
        let silence = vec![0.0; self.delay as usize + 1];
        self.process(&silence);
        self.release(SampleCount(u64::MAX), out);
    }

    fn process(&mut self, samples: &[f32]) {
        for receiver in &mut self.receivers {
            let mode = receiver.mode();
            receiver.process(samples, &mut self.events);
            for event in self.events.drain(..) {
                match event {
                    ReceiverEvent::Frame { octets, report } => {
                        self.waiting.push(Heard {
                            mode,
                            octets,
                            report,
                        });
                    }
                    ReceiverEvent::Unreadable { .. } => count(&mut self.tally.unreadable, mode),
                    ReceiverEvent::Carrier { .. }
                    | ReceiverEvent::Energy { .. }
                    | ReceiverEvent::Sound(_) => {}
                }
            }
        }
    }

    fn release(&mut self, reached: SampleCount, out: &mut Vec<Heard>) {
        let delay = self.delay;
        let ripe = |h: &Heard| h.report.end + delay <= reached || reached.0 == u64::MAX;
        let (mut ready, waiting): (Vec<_>, Vec<_>) = self.waiting.drain(..).partition(ripe);
        self.waiting = waiting;
        // The better copy first, so that it is the one that stays.
        ready.sort_by(|a, b| {
            b.report
                .snr_db
                .unwrap_or(0.0)
                .total_cmp(&a.report.snr_db.unwrap_or(0.0))
        });
        let mut kept: Vec<Heard> = Vec::new();
        for heard in ready {
            if !kept
                .iter()
                .chain(&self.given)
                .any(|known| is_copy(known, &heard))
            {
                kept.push(heard);
            }
        }
        kept.sort_by_key(|heard| heard.report.start);
        for heard in kept {
            if self.given.len() == REMEMBERED {
                self.given.pop_front();
            }
            self.given.push_back(heard.clone());
            count(&mut self.tally.frames, heard.mode);
            out.push(heard);
        }
    }
}

fn count(tally: &mut Vec<(Mode, usize)>, mode: Mode) {
    match tally.iter_mut().find(|(m, _)| *m == mode) {
        Some((_, n)) => *n += 1,
        None => tally.push((mode, 1)),
    }
}

/// The same octets at the same time, heard in two modes.
fn is_copy(a: &Heard, b: &Heard) -> bool {
    a.octets == b.octets && a.report.start < b.report.end && b.report.start < a.report.end
}
