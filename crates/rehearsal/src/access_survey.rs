//! What the settings of channel access do on a channel: a hub and stations around it that write
//! to it, with whole frames, for one setting after another.

use dunlin_clock::{Duration, Instant};
use dunlin_station::PortConfig;
use serde::Serialize;

use crate::crowd::{Crowd, CrowdFigures, CrowdPlan, Layout, Steady, Traffic};
use crate::driver::BeginError;

/// A channel and how it is used.
#[derive(Clone, Debug, PartialEq)]
pub struct AccessSurvey {
    /// The port that every station has, with the present settings.
    pub port: PortConfig,
    /// Stations, the hub included, 3 to 60.
    pub stations: usize,
    /// Of the pairs of stations beside the hub, the share that do not hear each other, 0 to 1.
    pub hidden: f64,
    /// Octets written by all together, as a share of what the symbol rate carries without any
    /// overhead, 0.01 to 2.
    pub load: f64,
    /// Octets of a line, 10 to 1000.
    pub line: usize,
    /// How long each setting is tried, in its own time.
    pub lasts: Duration,
    /// The seeds with which each is tried.
    pub seeds: Vec<u64>,
}

/// The settings that are tried.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Settings {
    /// Chance to transmit in a free slot.
    pub persistence: f64,
    /// Length of a slot, ms.
    pub slot_ms: u64,
    /// I frames outstanding.
    pub window: u8,
    /// Octets of information in a frame.
    pub info_length: usize,
}

/// What one setting came to, the mean of all seeds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Trial {
    /// The settings.
    pub settings: Settings,
    /// Octets that arrived, per second.
    pub octets_a_second: f64,
    /// Their share of what was written.
    pub arrived: f64,
    /// Mean time from writing to arriving, s; of what arrived.
    pub delay_s: f64,
    /// Share of receptions lost to a collision.
    pub collisions: f64,
    /// Evenness between stations, as [`crate::jain`].
    pub fairness: f64,
    /// How much the octets per second differ between seeds: standard error of the mean.
    pub uncertain: f64,
    /// The same of the delay, s.
    pub delay_uncertain_s: f64,
}

/// Chances that are tried.
const PERSISTENCES: [f64; 6] = [0.05, 0.1, 0.15, 0.25, 0.4, 0.63];
/// Slots that are tried, as multiples of the present one.
const SLOTS: [f64; 3] = [0.5, 1.0, 2.0];
/// Windows that are tried.
const WINDOWS: [u8; 3] = [1, 3, 7];
/// Lengths of information that are tried.
const LENGTHS: [usize; 4] = [32, 64, 128, 256];

impl Settings {
    /// Those of a port.
    pub fn of(port: &PortConfig) -> Settings {
        Settings {
            persistence: port.timing.persistence,
            slot_ms: port.timing.slot_time.as_millis() as u64,
            window: port.window,
            info_length: port.info_length,
        }
    }

    fn put_in(self, port: &mut PortConfig) {
        port.timing.persistence = self.persistence;
        port.timing.slot_time = Duration::from_millis(self.slot_ms);
        port.window = self.window;
        port.adapt = false;
        port.info_length = self.info_length;
    }
}

impl AccessSurvey {
    /// The grid of the first step: persistence by slot time, the rest as it is; the present
    /// settings first.
    pub fn of_slots(&self) -> Vec<Settings> {
        let present = Settings::of(&self.port);
        let mut all = vec![present];
        for factor in SLOTS {
            let slot_ms = (present.slot_ms as f64 * factor)
                .round()
                .clamp(10.0, 10_000.0) as u64;
            for persistence in PERSISTENCES {
                let tried = Settings {
                    persistence,
                    slot_ms,
                    ..present
                };
                if !all.contains(&tried) {
                    all.push(tried);
                }
            }
        }
        all
    }

    /// The grid of the second step, with the best persistence and slot time of the first: window by
    /// frame length, as far as a frame fits into the longest transmission.
    pub fn of_frames(&self, best: Settings) -> Vec<Settings> {
        let mut all = Vec::new();
        for window in WINDOWS {
            for info_length in LENGTHS {
                all.push(Settings {
                    window,
                    info_length,
                    ..best
                });
            }
        }
        let seconds = self.port.timing.longest_transmission.as_secs_f64();
        let fits = |s: &Settings| {
            let bits = 8.0 * 1.2 * (s.info_length + 20) as f64;
            bits / f64::from(self.port.line.baud()) < seconds
        };
        all.retain(fits);
        all
    }

    /// Tries one setting with every seed.
    ///
    /// # Errors
    /// A port that cannot be.
    pub fn try_out(&self, settings: Settings) -> Result<Trial, BeginError> {
        let mut port = self.port.clone();
        settings.put_in(&mut port);
        let others = self.stations.clamp(3, 60) - 1;
        let written = self.load * f64::from(port.line.baud()) / 8.0;
        let every = self.line as f64 * others as f64 / written.max(1e-6);
        let mut figures: Vec<CrowdFigures> = Vec::new();
        for &seed in &self.seeds {
            let plan = CrowdPlan {
                stations: others + 1,
                seed,
                port: port.clone(),
                layout: Layout::Hub {
                    hidden: self.hidden,
                },
                traffic: Traffic {
                    steady: Some(Steady {
                        every: Duration::from_secs_f64(every.min(1e6)),
                        octets: self.line,
                    }),
                    ..Traffic::default()
                },
            };
            let mut crowd = Crowd::begin(&plan)?;
            crowd.run(Instant::ZERO + self.lasts);
            figures.push(crowd.figures());
        }
        Ok(trial(settings, &figures))
    }
}

/// More is said of a difference than that it may be chance, or less than 2 %.
fn differ(a: (f64, f64), b: (f64, f64)) -> bool {
    let chance = 2.0 * a.1.hypot(b.1);
    (a.0 - b.0).abs() > chance.max(0.02 * a.0.max(b.0))
}

impl Trial {
    fn through(&self) -> (f64, f64) {
        (self.octets_a_second, self.uncertain)
    }

    fn delay(&self) -> (f64, f64) {
        (self.delay_s, self.delay_uncertain_s)
    }

    /// Whether it is better than another by more than two standard errors and 2 %: more arrives,
    /// or as much, and earlier.
    pub fn is_better_than(&self, other: &Trial) -> bool {
        if differ(self.through(), other.through()) {
            return self.octets_a_second > other.octets_a_second;
        }
        differ(self.delay(), other.delay()) && self.delay_s < other.delay_s
    }
}

/// The best: of those that cannot be told from the one with which most arrives, the one with
/// which it arrives earliest. `None` of none.
pub fn best(trials: &[Trial]) -> Option<Trial> {
    let most = |a: &&Trial, b: &&Trial| a.octets_a_second.total_cmp(&b.octets_a_second);
    let top = trials.iter().max_by(most)?;
    let as_much = trials
        .iter()
        .filter(|t| !differ(t.through(), top.through()));
    as_much
        .min_by(|a, b| a.delay_s.total_cmp(&b.delay_s))
        .copied()
}

fn trial(settings: Settings, figures: &[CrowdFigures]) -> Trial {
    let n = figures.len().max(1) as f64;
    let mean = |figure: &dyn Fn(&CrowdFigures) -> f64| figures.iter().map(figure).sum::<f64>() / n;
    let rate = |f: &CrowdFigures| f.octets_arrived as f64 / f.lasted_s.max(1e-9);
    let octets_a_second = mean(&rate);
    let delay = |f: &CrowdFigures| f.delay_mean_s.unwrap_or(f.lasted_s);
    let delay_s = mean(&delay);
    let error = |figure: &dyn Fn(&CrowdFigures) -> f64, middle: f64| {
        (mean(&|f| (figure(f) - middle).powi(2)) / (n - 1.0).max(1.0)).sqrt()
    };
    let lost = |f: &CrowdFigures| {
        let all = f.read + f.noise + f.collision + f.own_transmission;
        f.collision as f64 / all.max(1) as f64
    };
    Trial {
        settings,
        octets_a_second,
        arrived: mean(&|f| f.octets_arrived as f64 / f.octets.max(1) as f64),
        delay_s,
        collisions: mean(&lost),
        fairness: mean(&|f| f.fairness.unwrap_or(0.0)),
        uncertain: error(&rate, octets_a_second),
        delay_uncertain_s: error(&delay, delay_s),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trial(octets_a_second: f64, delay_s: f64) -> Trial {
        Trial {
            settings: Settings {
                persistence: 0.25,
                slot_ms: 100,
                window: 4,
                info_length: 128,
            },
            octets_a_second,
            arrived: 1.0,
            delay_s,
            collisions: 0.0,
            fairness: 1.0,
            uncertain: 0.5,
            delay_uncertain_s: 0.1,
        }
    }

    #[test]
    fn better_is_more_than_chance_and_more_than_two_per_cent() {
        let now = trial(20.0, 5.0);
        assert!(!trial(21.0, 5.0).is_better_than(&now), "chance");
        assert!(trial(25.0, 9.0).is_better_than(&now), "more arrives");
        assert!(!trial(15.0, 1.0).is_better_than(&now), "less arrives");
        assert!(!trial(20.0, 4.9).is_better_than(&now), "chance");
        assert!(trial(20.0, 4.0).is_better_than(&now), "earlier");
    }

    #[test]
    fn the_best_is_as_good_as_the_one_with_most_and_earliest_among_those() {
        // Each is as good as its neighbour, but not all are as good as the first.
        let row = [20.0, 19.0, 18.0, 17.0].map(|rate| trial(rate, rate - 15.0));
        let best = best(&row).expect("there are some");
        assert_eq!(best.octets_a_second, 19.0);
    }
}
