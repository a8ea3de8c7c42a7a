//! Carrier sense from loudness: more sound than the channel's own noise floor.
//!
//! It hears whatever is loud, be it data, voice or an opened squelch, and nothing that hides
//! below the floor. That is why it says how long it has been held by something steady.
//!
//! Common practice, no source; the figures were found by measurement on noise.

use dunlin_clock::SampleCount;

use super::floor::NoiseFloor;
use crate::level::power_dbfs;

/// Blocks of 10 ms that are averaged for the present level.
const RECENT: usize = 3;
/// Sound that changes by less than this from one second to the next is steady, dB.
const STEADY_DB: f32 = 2.5;
/// Blocks in one look at steadiness.
const LOOK_BLOCKS: u32 = 100;

/// When the energy detector goes on and off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnergySettings {
    /// It goes on this far above the floor, dB.
    pub on_above_floor_db: f32,
    /// It goes off again below this far above the floor, dB; less than the former.
    pub off_above_floor_db: f32,
    /// What is quieter than this never counts, dBFS: behind a closed squelch the floor is
    /// nothing, and everything would be above it.
    pub least_dbfs: f32,
    /// What stays for so long without a pause becomes the floor, seconds.
    pub floor_window_s: f32,
}

impl Default for EnergySettings {
    fn default() -> Self {
        EnergySettings {
            on_above_floor_db: 6.0,
            off_above_floor_db: 3.0,
            least_dbfs: -60.0,
            floor_window_s: 60.0,
        }
    }
}

/// What the energy detector knows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EnergyReport {
    /// Whether there is more sound than noise.
    pub on: bool,
    /// The level of the last 30 ms, dBFS.
    pub level_dbfs: f32,
    /// The learned noise floor, dBFS; `None` until 0.2 s were heard.
    pub floor_dbfs: Option<f32>,
    /// It goes on above this, dBFS.
    pub on_dbfs: f32,
    /// It goes off below this, dBFS.
    pub off_dbfs: f32,
    /// Since when it has been on or off.
    pub since: SampleCount,
    /// Since when it has been held on by something of steady loudness in which no data was
    /// heard.
    pub steady_since: Option<SampleCount>,
}

/// Says whether there is more sound than noise, from one mean square for each block of 10 ms.
#[derive(Clone, Debug)]
pub struct EnergyDetector {
    settings: EnergySettings,
    floor: NoiseFloor,
    recent: [f32; RECENT],
    /// Blocks in `recent` since the start or the last pause.
    known: usize,
    on: bool,
    since: SampleCount,
    steady: Steadiness,
}

impl EnergyDetector {
    /// A detector that starts off.
    pub fn new(settings: EnergySettings) -> Self {
        EnergyDetector {
            settings,
            floor: NoiseFloor::new(settings.floor_window_s),
            recent: [0.0; RECENT],
            known: 0,
            on: false,
            since: SampleCount(0),
            steady: Steadiness::default(),
        }
    }

    /// Takes the mean square of 10 ms of sound that end at `at`; `data`: data was heard in them.
    /// Tells of a change.
    pub fn push(&mut self, mean_square: f32, data: bool, at: SampleCount) -> Option<bool> {
        self.floor.push(mean_square);
        self.recent.rotate_left(1);
        self.recent[RECENT - 1] = mean_square;
        self.known = (self.known + 1).min(RECENT);
        let level = self.level_dbfs();
        let (on_dbfs, off_dbfs) = self.thresholds();
        let now = self.known == RECENT
            && self.floor.power().is_some()
            && level > if self.on { off_dbfs } else { on_dbfs };
        self.steady.push(now && !data, mean_square, at);
        if std::mem::replace(&mut self.on, now) == now {
            return None;
        }
        self.since = at;
        Some(now)
    }

    /// The sound stops for a while and goes on elsewhere: what was heard just before says
    /// nothing about what comes. The floor stays.
    pub fn pause(&mut self) {
        self.known = 0;
        self.steady = Steadiness::default();
    }

    /// Everything it knows.
    pub fn report(&self) -> EnergyReport {
        let (on_dbfs, off_dbfs) = self.thresholds();
        EnergyReport {
            on: self.on,
            level_dbfs: self.level_dbfs(),
            floor_dbfs: self.floor_dbfs(),
            on_dbfs,
            off_dbfs,
            since: self.since,
            steady_since: self.steady.since.filter(|_| self.on),
        }
    }

    fn floor_dbfs(&self) -> Option<f32> {
        self.floor.power().map(|p| power_dbfs(2.0 * f64::from(p)))
    }

    fn level_dbfs(&self) -> f32 {
        let known = &self.recent[RECENT - self.known..];
        let mean = known.iter().sum::<f32>() / known.len().max(1) as f32;
        power_dbfs(2.0 * f64::from(mean))
    }

    fn thresholds(&self) -> (f32, f32) {
        let EnergySettings {
            on_above_floor_db: on,
            off_above_floor_db: off,
            least_dbfs,
            ..
        } = self.settings;
        let floor = self.floor_dbfs().unwrap_or(0.0);
        let on_dbfs = (floor + on).max(least_dbfs);
        (on_dbfs, on_dbfs - (on - off).max(0.0))
    }
}

/// Since when the sound has been equally loud from second to second.
#[derive(Clone, Copy, Debug, Default)]
struct Steadiness {
    since: Option<SampleCount>,
    sum: f32,
    blocks: u32,
    before_dbfs: Option<f32>,
}

impl Steadiness {
    fn push(&mut self, held: bool, mean_square: f32, at: SampleCount) {
        if !held {
            *self = Steadiness::default();
            return;
        }
        self.since = self.since.or(Some(at));
        self.sum += mean_square;
        self.blocks += 1;
        if self.blocks < LOOK_BLOCKS {
            return;
        }
        let dbfs = power_dbfs(2.0 * f64::from(self.sum / LOOK_BLOCKS as f32));
        let unlike = self
            .before_dbfs
            .is_some_and(|before| (before - dbfs).abs() > STEADY_DB);
        *self = Steadiness {
            since: self.since.filter(|_| !unlike).or(Some(at)),
            before_dbfs: Some(dbfs),
            ..Steadiness::default()
        };
    }
}

#[cfg(test)]
mod tests {
    use dunlin_clock::Chance;

    use super::*;

    const BLOCK: u64 = 80;

    struct Bench {
        detector: EnergyDetector,
        chance: Chance,
        at: u64,
        edges: Vec<(bool, u64)>,
    }

    impl Bench {
        fn new() -> Self {
            Bench {
                detector: EnergyDetector::new(EnergySettings::default()),
                chance: Chance::stream(1, "energy"),
                at: 0,
                edges: Vec::new(),
            }
        }

        /// White noise of 500 Hz width.
        fn noise(&mut self, dbfs: f32, blocks: usize, data: bool) {
            let power = 10_f32.powf(dbfs / 10.0) / 2.0;
            for _ in 0..blocks {
                let mean = (0..10).map(|_| self.chance.normal().powi(2)).sum::<f32>() / 10.0;
                self.at += BLOCK;
                let edge = self.detector.push(power * mean, data, SampleCount(self.at));
                self.edges.extend(edge.map(|on| (on, self.at / BLOCK)));
            }
        }
    }

    #[test]
    fn noise_alone_is_no_energy_and_a_signal_is_within_30_ms() {
        let mut bench = Bench::new();
        bench.noise(-40.0, 60_000, false);
        // Ten minutes of noise as narrow as a filter for telegraphy.
        assert!(bench.edges.len() <= 6, "{:?}", bench.edges);
        bench.edges.clear();
        bench.noise(-25.0, 100, true);
        bench.noise(-40.0, 100, false);
        let [(true, on), (false, off)] = bench.edges[..] else {
            panic!("{:?}", bench.edges);
        };
        assert!(on - 60_000 <= 3 && off - 60_100 <= 5, "{on} {off}");
    }

    #[test]
    fn what_is_steady_says_since_when_and_data_is_not_held_against_it() {
        let mut bench = Bench::new();
        bench.noise(-50.0, 1000, false);
        bench.noise(-18.0, 1400, false);
        let report = bench.detector.report();
        assert!(report.on);
        let since = report.steady_since.expect("steady").0 / BLOCK;
        assert!((1000..1010).contains(&since), "{since}");
        assert!((report.floor_dbfs.expect("known") + 50.0).abs() < 2.0);
        bench.noise(-18.0, 100, true);
        assert_eq!(bench.detector.report().steady_since, None);
    }

    #[test]
    fn nothing_is_learned_from_a_pause_and_silence_is_no_floor_to_jump_from() {
        let mut bench = Bench::new();
        bench.noise(-120.0, 500, false);
        bench.noise(-70.0, 500, false);
        assert_eq!(bench.edges, [], "too quiet to count");
        let floor = bench.detector.report().floor_dbfs;
        bench.detector.pause();
        bench.noise(-10.0, 2, false);
        assert!(!bench.detector.report().on);
        assert_eq!(bench.detector.report().floor_dbfs, floor);
    }
}
