//! Whether the sound that comes in is fit to be heard: clipped, no numbers, not at its rate.

use dunlin_clock::{Duration, Instant, SampleRate};

use crate::words::span;

/// The sound is judged over so long at a time.
const WINDOW: Duration = Duration::from_secs(10);
/// What is wrong in so many of these in a row is told.
const WINDOWS: u32 = 6;
/// Full scale as far as a device of 8 bits goes.
const FULL_SCALE: f32 = 0.992;
/// Two samples in a row at full scale are clipped: of a sine that just reaches it, only one is.
const CLIPPED_RUN: u32 = 2;
/// From this share of clipped samples on the sound is always clipped, as `dunlin decode` has it too. The hiss
/// of an open squelch is louder than any signal and may lose its tops: in the rehearsal's model of FM up
/// to 13 % of it stand at full scale, and no frame suffers.
const TOO_LOUD: f64 = 0.2;
/// A device whose rate is further off than this share runs at another rate, or loses samples. The
/// standard rates lie 8 % apart and more; clocks of sound cards are within 0.01 %.
const RATE_OFF: f64 = 0.03;
/// What the last window told is past when it ended longer ago: the input has stopped, which is
/// told of otherwise.
const STALE: Duration = Duration::from_secs(20);
/// Fewer than this share of the samples is no sound at all, which is told of otherwise.
const NO_SOUND: f64 = 0.5;

/// Looks at all sound of one port.
#[derive(Debug, Default)]
pub(crate) struct SoundWatch {
    begun: Option<Instant>,
    /// Samples of this window, those clipped and those that are no numbers.
    samples: u64,
    clipped: u64,
    not_numbers: u64,
    /// The port transmitted meanwhile, which may stop the input.
    spoiled: bool,
    last: f32,
    run: u32,
    /// Windows in a row with each fault, and the latest figure.
    loud: Fault,
    broken: Fault,
    off_rate: Fault,
}

/// A fault, for how many windows it has lasted, and how bad it was in the last one.
#[derive(Clone, Copy, Debug, Default)]
struct Fault {
    windows: u32,
    figure: f64,
    since: Option<Instant>,
}

impl Fault {
    fn window(&mut self, begun: Instant, is_there: bool, figure: f64) {
        *self = match is_there {
            true => Fault {
                windows: self.windows.saturating_add(1),
                figure,
                since: self.since.or(Some(begun)),
            },
            false => Fault::default(),
        };
    }

    /// The last figure and for how long, if it has lasted long enough to be told.
    fn lasting(&self, now: Instant) -> Option<(f64, String)> {
        let since = self.since.filter(|_| self.windows >= WINDOWS)?;
        Some((self.figure, span(now.since(since))))
    }
}

impl SoundWatch {
    /// Takes what came in; the last of it at `now`. `own` says that the port transmits.
    pub(crate) fn take(&mut self, now: Instant, samples: &[f32], rate: SampleRate, own: bool) {
        let Some(begun) = self.begun else {
            // What came before the first look took an unknown time.
            self.begun = Some(now);
            return;
        };
        self.spoiled |= own;
        if !own {
            samples.iter().for_each(|&x| self.sample(x));
        }
        self.samples += samples.len() as u64;
        let lasted = now.since(begun);
        if lasted < WINDOW {
            return;
        }
        let (taken, spoiled) = (self.samples as f64, self.spoiled);
        let rate_share = taken / (rate.hz_f64() * lasted.as_secs_f64());
        let share = |n: u64| n as f64 / taken.max(1.0);
        if !spoiled && taken > 0.0 {
            self.loud
                .window(begun, share(self.clipped) >= TOO_LOUD, share(self.clipped));
            self.broken
                .window(begun, self.not_numbers > 0, share(self.not_numbers));
            let off = (rate_share - 1.0).abs() > RATE_OFF && rate_share > NO_SOUND;
            self.off_rate.window(begun, off, rate_share);
        }
        self.begun = Some(now);
        (self.samples, self.clipped, self.not_numbers) = (0, 0, 0);
        self.spoiled = false;
    }

    fn sample(&mut self, x: f32) {
        self.not_numbers += u64::from(!x.is_finite());
        let full = x.abs() >= FULL_SCALE;
        let goes_on = x.is_sign_positive() == self.last.is_sign_positive();
        self.run = match (full, goes_on) {
            (true, true) => self.run.saturating_add(1),
            (true, false) => 1,
            (false, _) => 0,
        };
        self.clipped += match self.run {
            n if n < CLIPPED_RUN => 0,
            CLIPPED_RUN => u64::from(CLIPPED_RUN),
            _ => 1,
        };
        self.last = x;
    }

    /// What is wrong, on what evidence, and what to do.
    pub(crate) fn trouble(&self, now: Instant, rate: SampleRate) -> Option<String> {
        if self.begun.is_none_or(|ended| now.since(ended) > STALE) {
            return None;
        }
        if let Some((share, long)) = self.broken.lasting(now) {
            return Some(format!(
                "{:.1} % of the samples from the sound device are not numbers, for {long}; they are \
                 taken as silence. The device or its driver is broken: open it anew, or use another",
                100.0 * share
            ));
        }
        if let Some((share, long)) = self.off_rate.lasting(now) {
            let hz = rate.hz_f64();
            return Some(format!(
                "the sound device gives {:.0} samples per second and not {hz:.0}, for {long}, so \
                 hardly a frame can be read. It runs at another rate or loses samples: look whether \
                 another program has changed it, and whether the machine is overloaded",
                hz * share
            ));
        }
        let (share, long) = self.loud.lasting(now)?;
        Some(format!(
            "the sound is clipped: {:.0} % of its samples stand at full scale, for {long}, and weak \
             stations are lost first. Turn the input down until the peaks of noise stay below \
             -6 dBFS",
            100.0 * share
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: u32 = 8000;

    /// Feeds so many seconds, `per_second` samples in each, and returns what is wrong then.
    fn after(
        watch: &mut SoundWatch,
        from_s: u64,
        seconds: u64,
        per_second: usize,
        sample: impl Fn(usize) -> f32,
    ) -> Option<String> {
        let rate = SampleRate::new(HZ).expect("not zero");
        let sound: Vec<f32> = (0..per_second).map(sample).collect();
        for s in from_s..from_s + seconds {
            watch.take(Instant::ZERO + Duration::from_secs(s), &sound, rate, false);
        }
        let end = Instant::ZERO + Duration::from_secs(from_s + seconds);
        watch.trouble(end, rate)
    }

    fn sine(n: usize, peak: f32) -> f32 {
        peak * (std::f32::consts::TAU * (n as f32 * 1234.5 / 8000.0).fract()).sin()
    }

    #[test]
    fn an_input_that_is_always_clipped_is_told_after_a_minute_and_is_over_when_it_is() {
        let mut watch = SoundWatch::default();
        let loud = |n| sine(n, 2.0).clamp(-1.0, 1.0);
        assert_eq!(after(&mut watch, 0, 55, HZ as usize, loud), None, "not yet");
        let told = after(&mut watch, 55, 30, HZ as usize, loud).expect("told");
        assert!(
            told.contains("% of its samples stand at full scale"),
            "{told}"
        );
        let good = |n| sine(n, 1.0);
        assert_eq!(after(&mut watch, 85, 25, HZ as usize, good), None);
    }

    #[test]
    fn what_was_wrong_is_past_when_the_input_stops() {
        let mut watch = SoundWatch::default();
        let square = |n: usize| if n % 8 < 4 { 1.0 } else { -1.0 };
        assert!(after(&mut watch, 0, 80, HZ as usize, square).is_some());
        let rate = SampleRate::new(HZ).expect("not zero");
        let at = |s| watch.trouble(Instant::ZERO + Duration::from_secs(s), rate);
        assert!(at(85).is_some(), "windows of ten seconds");
        assert_eq!(at(105), None);
        assert!(after(&mut watch, 200, 80, HZ as usize, square).is_some());
    }

    #[test]
    fn a_square_wave_at_full_scale_is_clipped() {
        let mut watch = SoundWatch::default();
        let square = |n: usize| if n % 8 < 4 { 1.0 } else { -1.0 };
        let told = after(&mut watch, 0, 80, HZ as usize, square).expect("told");
        assert!(told.contains("100 %"), "{told}");
    }

    #[test]
    fn a_device_at_another_rate_is_told() {
        for (per_second, hz) in [(HZ as usize * 48 / 44, "8727"), (7350, "7350")] {
            let mut watch = SoundWatch::default();
            let told = after(&mut watch, 0, 80, per_second, |n| sine(n, 0.5)).expect("told");
            assert!(told.contains(hz), "{told}");
        }
        let mut watch = SoundWatch::default();
        assert_eq!(
            after(&mut watch, 0, 200, 8010, |n| sine(n, 0.5)),
            None,
            "a clock"
        );
    }

    #[test]
    fn samples_that_are_no_numbers_are_told() {
        let mut watch = SoundWatch::default();
        let bad = |n: usize| if n.is_multiple_of(100) { f32::NAN } else { 0.1 };
        let told = after(&mut watch, 0, 80, HZ as usize, bad).expect("told");
        assert!(told.contains("1.0 % of the samples"), "{told}");
    }

    #[test]
    fn what_comes_while_the_port_transmits_is_not_judged() {
        let mut watch = SoundWatch::default();
        let rate = SampleRate::new(HZ).expect("not zero");
        for s in 0..200 {
            let now = Instant::ZERO + Duration::from_secs(s);
            watch.take(now, &[1.0; 100], rate, s % 5 == 0);
            assert_eq!(watch.trouble(now, rate), None);
        }
    }
}
