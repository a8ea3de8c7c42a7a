//! Where the stations of a crowd are, and who hears whom.

use std::collections::BTreeMap;

use dunlin_air::frames::{FrameBandConfig, FramePath, Place};
use dunlin_clock::{Chance, Duration, Hours};

use super::CrowdPlan;
use crate::world::measured;

/// How the level falls with distance, dB each time it is ten times as far: between open space (20)
/// and ground wave over flat land (40). From memory, no source.
const FALL_DB: f64 = 35.0;
/// How far the level of a pair lies off that, standard deviation. Common practice, no source.
const SHADOW_DB: f64 = 6.0;
/// The level at the distance that is called the range: there nearly everything is read.
const RANGE_DB: f64 = 9.0;
/// Weaker ones are left out: they do not even disturb.
const LEAST_DB: f64 = -3.0;
/// People write to stations from which they hear at least this.
const PARTNER_DB: f64 = 9.0;
/// From unkeying to hearing again. Common practice, no source.
const RECOVERY: Duration = Duration::from_millis(20);
/// Stations whose pairs of neighbours are looked at for hidden ones.
const LOOKED_AT: usize = 200;

/// Where the stations are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Layout {
    /// Scattered evenly at random, with so many within range of each on average.
    Scattered {
        /// Mean number of stations within range, 1 to 1000.
        neighbours: f64,
    },
    /// All around the first, which all hear well and all write to; of the others, this share of
    /// the pairs do not hear each other.
    Hub {
        /// 0 to 1.
        hidden: f64,
    },
}

/// Stations at their places.
pub(super) struct Placed {
    pub(super) band: FrameBandConfig,
    /// By station: to whom its people write.
    pub(super) partners: Vec<Vec<usize>>,
    pub(super) hidden: f64,
    pub(super) neighbours: f64,
}

/// Levels by pair, the lower number first.
type Levels = BTreeMap<(usize, usize), f64>;

pub(super) fn place(plan: &CrowdPlan, n: usize) -> Placed {
    let signal = measured::fm_signal(plan.port.line);
    let levels = match plan.layout {
        Layout::Scattered { neighbours } => scattered(plan.seed, n, neighbours.clamp(1.0, 1000.0)),
        Layout::Hub { hidden } => around_hub(plan.seed, n, hidden),
    };
    let mut partners = vec![Vec::new(); n];
    let mut noticed = vec![Vec::new(); n];
    let mut paths = Vec::with_capacity(2 * levels.len());
    for (&(a, b), &level_db) in &levels {
        // What is compared at a hub is how stations share the channel: nothing is lost to noise.
        let share = match plan.layout {
            Layout::Hub { .. } => 1.0,
            _ => measured::fm_share(plan.port.line, level_db),
        };
        for (from, to) in [(a, b), (b, a)] {
            paths.push(FramePath {
                hours: Hours::ALWAYS,
                from,
                to,
                level_db,
                share,
            });
            if level_db >= PARTNER_DB {
                partners[from].push(to);
            }
            if level_db >= signal.noticed_db {
                noticed[from].push(to);
            }
        }
    }
    if matches!(plan.layout, Layout::Hub { .. }) {
        partners = (0..n)
            .map(|s| if s == 0 { Vec::new() } else { vec![0] })
            .collect();
    }
    noticed.iter_mut().for_each(|list| list.sort_unstable());
    let place = Place {
        signal: 0,
        recovery: RECOVERY,
    };
    Placed {
        hidden: hidden_share(&noticed),
        neighbours: noticed.iter().map(Vec::len).sum::<usize>() as f64 / n as f64,
        band: FrameBandConfig {
            name: "crowd".into(),
            seed: plan.seed,
            signals: vec![signal],
            places: vec![place; n],
            paths,
        },
        partners,
    }
}

/// Stations in a square; the range is the unit of length.
fn scattered(seed: u64, n: usize, neighbours: f64) -> Levels {
    let mut chance = Chance::stream(seed, "crowd/places");
    // The shadow lifts more of those beyond the range above its level than it takes from within:
    // the area in range is that of the circle times exp(2 s^2), s = shadow in nepers of distance.
    let s = SHADOW_DB * std::f64::consts::LN_10 / FALL_DB;
    let area = std::f64::consts::PI * (2.0 * s * s).exp();
    let side = (n as f64 * area / neighbours).sqrt();
    let places: Vec<(f64, f64)> = (0..n)
        .map(|_| (chance.between(0.0, side), chance.between(0.0, side)))
        .collect();
    // Farther than this even three standard deviations of shadow give nothing.
    let farthest = 10_f64.powf((RANGE_DB + 3.0 * SHADOW_DB - LEAST_DB) / FALL_DB);
    let cell = |x: f64| (x / farthest) as i64;
    let mut cells: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    for (s, (x, y)) in places.iter().enumerate() {
        cells.entry((cell(*x), cell(*y))).or_default().push(s);
    }
    let mut levels = Levels::new();
    for (a, &(x, y)) in places.iter().enumerate() {
        let around = (-1..=1).flat_map(|i| (-1..=1).map(move |j| (i, j)));
        for (i, j) in around {
            let there = cells.get(&(cell(x) + i, cell(y) + j));
            for &b in there.into_iter().flatten().filter(|b| **b > a) {
                let (dx, dy) = (places[b].0 - x, places[b].1 - y);
                let distance = dx.hypot(dy).max(0.01);
                if distance > farthest {
                    continue;
                }
                let shadow = SHADOW_DB * f64::from(chance.normal()).clamp(-3.0, 3.0);
                let level = RANGE_DB - FALL_DB * distance.log10() + shadow;
                if level >= LEAST_DB {
                    levels.insert((a, b), level.min(60.0));
                }
            }
        }
    }
    levels
}

/// A hub that all hear equally well, and pairs that hear each other or do not.
fn around_hub(seed: u64, n: usize, hidden: f64) -> Levels {
    const AT_HUB_DB: f64 = 25.0;
    let mut chance = Chance::stream(seed, "crowd/hidden");
    let mut levels = Levels::new();
    for a in 0..n {
        for b in a + 1..n {
            if a == 0 || chance.unit() >= hidden {
                levels.insert((a, b), AT_HUB_DB);
            }
        }
    }
    levels
}

/// Of the pairs that a station notices, the share that do not notice each other.
fn hidden_share(noticed: &[Vec<usize>]) -> f64 {
    let (mut pairs, mut hidden) = (0_u64, 0_u64);
    let every = noticed.len().div_ceil(LOOKED_AT).max(1);
    for around in noticed.iter().step_by(every) {
        for (n, &a) in around.iter().enumerate() {
            for b in &around[n + 1..] {
                pairs += 1;
                hidden += u64::from(noticed[a].binary_search(b).is_err());
            }
        }
    }
    hidden as f64 / pairs.max(1) as f64
}
