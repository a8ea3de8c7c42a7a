//! The noise floor of a channel: the least power that the last minute held, learned slowly
//! upward and at once downward.
//!
//! Literature: R. Martin, "Noise power spectral density estimation based on optimal smoothing
//! and minimum statistics", IEEE Trans. Speech and Audio Processing 9 (2001) 504 (from memory):
//! power smoothed over a few tenths of a second, its minimum over a window that is longer than
//! any burst, the window cut into parts so that old minima leave step by step. There it is done
//! for each frequency with a computed correction; here for the whole band, with a measured one.

/// Parts of the window; one of them is always being filled.
const PARTS: usize = 8;
/// Time constant of the smoothing, in blocks of 10 ms.
const SMOOTHING_BLOCKS: f32 = 20.0;
/// The minimum lies below the mean; by so much in white noise of 500 Hz width, dB. Measured.
const CORRECTION: f32 = 1.15;
/// The first blocks are only averaged: a minimum over too few would be too low.
const FIRST_BLOCKS: u32 = 20;

/// Follows the floor from one power for each block of 10 ms.
#[derive(Clone, Debug)]
pub(super) struct NoiseFloor {
    blocks_per_part: u32,
    smoothed: f32,
    seen: u32,
    parts: [f32; PARTS],
    part: usize,
    filled: u32,
}

impl NoiseFloor {
    /// A floor whose window is `window_s` seconds long.
    pub(super) fn new(window_s: f32) -> Self {
        NoiseFloor {
            blocks_per_part: (window_s * 100.0 / PARTS as f32).max(1.0) as u32,
            smoothed: 0.0,
            seen: 0,
            parts: [f32::INFINITY; PARTS],
            part: 0,
            filled: 0,
        }
    }

    /// Takes the power of one block.
    pub(super) fn push(&mut self, power: f32) {
        self.seen = self.seen.saturating_add(1);
        let pace = (self.seen as f32).min(SMOOTHING_BLOCKS);
        self.smoothed += (power - self.smoothed) / pace;
        if self.seen < FIRST_BLOCKS {
            return;
        }
        if self.filled >= self.blocks_per_part {
            self.part = (self.part + 1) % PARTS;
            self.parts[self.part] = f32::INFINITY;
            self.filled = 0;
        }
        self.filled += 1;
        let least = &mut self.parts[self.part];
        *least = least.min(self.smoothed);
    }

    /// The floor's power; `None` until enough was heard.
    pub(super) fn power(&self) -> Option<f32> {
        let least = self.parts.iter().copied().fold(f32::INFINITY, f32::min);
        least.is_finite().then_some(least * CORRECTION)
    }
}

#[cfg(test)]
mod tests {
    use dunlin_clock::Chance;

    use super::*;

    /// Powers of 10 ms of white noise of 500 Hz width: the mean of ten squares.
    fn noise(chance: &mut Chance) -> f32 {
        (0..10).map(|_| chance.normal().powi(2)).sum::<f32>() / 10.0
    }

    #[test]
    fn the_floor_of_steady_noise_is_its_power() {
        let (mut floor, mut chance) = (NoiseFloor::new(60.0), Chance::stream(1, "floor"));
        assert_eq!(floor.power(), None);
        for _ in 0..12_000 {
            floor.push(noise(&mut chance));
        }
        let db = 10.0 * floor.power().expect("enough heard").log10();
        assert!(db.abs() < 2.0, "{db}");
    }

    #[test]
    fn bursts_leave_it_alone_and_what_stays_a_minute_becomes_it() {
        let mut floor = NoiseFloor::new(60.0);
        (0..500).for_each(|_| floor.push(1.0));
        let quiet = floor.power().expect("enough heard");
        (0..5000).for_each(|_| floor.push(100.0));
        assert_eq!(floor.power(), Some(quiet), "50 s of something loud");
        (0..1800).for_each(|_| floor.push(100.0));
        let loud = floor.power().expect("enough heard");
        assert!(loud > 90.0, "{loud}");
        // Down it goes at once.
        (0..150).for_each(|_| floor.push(1.0));
        assert!(floor.power().expect("enough heard") < 2.0);
    }
}
