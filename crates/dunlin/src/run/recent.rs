//! What a port heard in the last minute, for a recording: the samples exactly as the modem got
//! them.

use std::collections::VecDeque;

use dunlin_clock::{Duration, Instant, SampleRate};

/// How long it reaches back. At 48 000 samples a second of 4 octets that is 11.5 MB.
pub(crate) const SPAN: Duration = Duration::from_secs(60);

/// The last minute.
#[derive(Debug)]
pub(crate) struct Recent {
    rate: SampleRate,
    samples: VecDeque<f32>,
    /// When the last sample was at the input.
    ended: Instant,
}

impl Recent {
    /// Nothing yet, at this rate.
    pub(crate) fn new(rate: SampleRate) -> Recent {
        Recent {
            rate,
            samples: VecDeque::new(),
            ended: Instant::ZERO,
        }
    }

    fn most(&self) -> usize {
        usize::try_from(self.rate.samples_in(SPAN)).unwrap_or(usize::MAX)
    }

    /// Takes in a piece, the last sample of which was at the input at `ended`.
    pub(crate) fn add(&mut self, samples: &[f32], ended: Instant) {
        let most = self.most();
        if self.samples.capacity() == 0 {
            // All of it at once: growing would take up to twice as much in the end.
            self.samples.reserve_exact(most);
        }
        let samples = &samples[samples.len().saturating_sub(most)..];
        let surplus = (self.samples.len() + samples.len()).saturating_sub(most);
        self.samples.drain(..surplus);
        self.samples.extend(samples);
        self.ended = ended;
    }

    /// A copy of what is there, and when its first sample was at the input. Where sound was lost on
    /// the way, what was before it is earlier than this says.
    pub(crate) fn copy(&self) -> (Instant, Vec<f32>) {
        let (one, other) = self.samples.as_slices();
        let began = self.ended - self.rate.duration_of(self.samples.len() as u64);
        (began, [one, other].concat())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_minute_stays_and_no_more_memory_is_taken() {
        let rate = SampleRate::new(100).expect("not zero");
        let mut recent = Recent::new(rate);
        assert_eq!(recent.copy().1, Vec::<f32>::new());
        let mut sent: Vec<f32> = Vec::new();
        for piece in 0..4000_u32 {
            let samples: Vec<f32> = (0..2).map(|n| (piece * 2 + n) as f32).collect();
            sent.extend(&samples);
            let ended = Instant::ZERO + rate.duration_of(sent.len() as u64);
            recent.add(&samples, ended);
        }
        let (began, samples) = recent.copy();
        assert_eq!(samples, sent[2000..]);
        assert_eq!(began, Instant::from_secs(20));
        assert!(
            recent.samples.capacity() <= 6100,
            "{}",
            recent.samples.capacity()
        );
        recent.add(&vec![1.0; 7000], Instant::from_secs(200));
        assert_eq!(recent.copy(), (Instant::from_secs(140), vec![1.0; 6000]));
    }
}
