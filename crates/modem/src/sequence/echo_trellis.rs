//! The trellis of the reader that learns echoes: sixteen survivors, eight of them side by side in
//! vectors, because nearly all of the reader's time goes into them.
//!
//! A state is the latest four levels, the newest in bit 0. State `s` can come from `s >> 1` and
//! from `s >> 1 | 8`: from the same lane of the first and of the second eight.

use num_complex::Complex32;
use wide::f32x8;

use super::traceback::Loser;

/// Levels that tell survivors apart.
pub(super) const MEMORY: u32 = 4;
pub(super) const STATES: usize = 1 << MEMORY;
/// Taps, half a symbol apart; the one in the middle is the path that the flags came by.
pub(super) const TAPS: usize = 5;
/// Samples of a symbol that are compared.
pub(super) const LOOKS: usize = 4;
const NOISE_GAIN: f32 = 0.02;
const LARGEST_ERROR: f32 = 1.0;
const WIDEST: f32 = 0.6;
const LANES: usize = 8;

/// What a look expects of each tap.
pub(super) type Template = [[Complex32; TAPS]; LOOKS];

/// One reading of the levels so far.
#[derive(Clone, Copy, Debug)]
pub(super) struct Survivor {
    pub metric: f32,
    /// The latest 64 levels, the newest in bit 0.
    pub levels: u64,
    /// The path, with the phase at the beginning of the symbol that is compared next.
    pub taps: [Complex32; TAPS],
    /// What its frequency is off from that of the flags, radians per symbol.
    pub turn: f32,
    pub noise: f32,
}

/// Eight complex numbers.
#[derive(Clone, Copy, Debug)]
struct C8 {
    re: f32x8,
    im: f32x8,
}

impl C8 {
    const ZERO: C8 = C8 {
        re: f32x8::ZERO,
        im: f32x8::ZERO,
    };

    fn splat(x: Complex32) -> C8 {
        C8 {
            re: f32x8::splat(x.re),
            im: f32x8::splat(x.im),
        }
    }

    fn of(x: [Complex32; LANES]) -> C8 {
        C8 {
            re: f32x8::new(x.map(|x| x.re)),
            im: f32x8::new(x.map(|x| x.im)),
        }
    }

    fn times(self, other: C8) -> C8 {
        C8 {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }

    fn scaled(self, by: f32x8) -> C8 {
        C8 {
            re: self.re * by,
            im: self.im * by,
        }
    }

    fn plus(self, other: C8) -> C8 {
        C8 {
            re: self.re + other.re,
            im: self.im + other.im,
        }
    }

    fn minus(self, other: C8) -> C8 {
        C8 {
            re: self.re - other.re,
            im: self.im - other.im,
        }
    }

    fn conj(self) -> C8 {
        C8 {
            re: self.re,
            im: -self.im,
        }
    }

    fn power(self) -> f32x8 {
        self.re * self.re + self.im * self.im
    }

    fn choose(first: f32x8, a: C8, b: C8) -> C8 {
        C8 {
            re: first.select(a.re, b.re),
            im: first.select(a.im, b.im),
        }
    }
}

/// Where lanes of two come by turns, the first or the last eight.
fn interleaved(even: f32x8, odd: f32x8, half: usize) -> f32x8 {
    let (even, odd) = (even.to_array(), odd.to_array());
    let at = |k: usize| half * LANES / 2 + k / 2;
    f32x8::new(std::array::from_fn(|k| {
        if k % 2 == 0 { even[at(k)] } else { odd[at(k)] }
    }))
}

/// Eight survivors.
#[derive(Clone, Copy, Debug)]
struct Eight {
    metric: f32x8,
    taps: [C8; TAPS],
    turn: f32x8,
    noise: f32x8,
    levels: [u64; LANES],
}

impl Eight {
    fn all(s: &Survivor) -> Eight {
        Eight {
            metric: f32x8::splat(s.metric),
            taps: s.taps.map(C8::splat),
            turn: f32x8::splat(s.turn),
            noise: f32x8::splat(s.noise),
            levels: [s.levels; LANES],
        }
    }

    fn survivor(&self, lane: usize) -> Survivor {
        let one = |x: f32x8| x.to_array()[lane];
        Survivor {
            metric: one(self.metric),
            levels: self.levels[lane],
            taps: self
                .taps
                .map(|tap| Complex32::new(one(tap.re), one(tap.im))),
            turn: one(self.turn),
            noise: one(self.noise),
        }
    }

    /// Becomes one half of the survivors after a step, of those whose newest level is 0 and 1.
    fn interleave(&mut self, zero: &Eight, one: &Eight, half: usize) {
        self.metric = interleaved(zero.metric, one.metric, half);
        let taps = self.taps.iter_mut().zip(zero.taps.iter().zip(&one.taps));
        for (tap, (zero, one)) in taps {
            tap.re = interleaved(zero.re, one.re, half);
            tap.im = interleaved(zero.im, one.im, half);
        }
        self.turn = interleaved(zero.turn, one.turn, half);
        self.noise = interleaved(zero.noise, one.noise, half);
        for (k, levels) in self.levels.iter_mut().enumerate() {
            *levels = [zero, one][k % 2].levels[half * LANES / 2 + k / 2];
        }
    }
}

/// Eight survivors, each extended by the same level, before they learn.
struct Step {
    metric: f32x8,
    error: [C8; LOOKS],
}

/// How fast survivors learn.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gains {
    /// The share of what is new that the taps take over with each symbol.
    pub taps: f32,
    /// The same for the frequency.
    pub frequency: f32,
}

/// The trellis.
#[derive(Clone, Debug)]
pub(super) struct EchoTrellis {
    gains: Gains,
    survivors: [Eight; 2],
    /// By the newest level: what the looks expect of the survivors of each lane.
    templates: [[[C8; TAPS]; LOOKS]; 2],
    /// The inverse of the signal's correlation over the taps.
    weights: [[f32x8; TAPS]; TAPS],
    /// What the symbol that is compared turns the phase by, by lane.
    advance: C8,
}

impl EchoTrellis {
    /// `templates` for the symbol before, the one compared and the one after it, as three bits;
    /// `advance` is the turn of a symbol of level 0 and 1.
    pub fn new(
        gains: Gains,
        templates: &[Template; 8],
        weights: [[f32; TAPS]; TAPS],
        advance: [Complex32; 2],
    ) -> EchoTrellis {
        let idle = Survivor {
            metric: 0.0,
            levels: 0,
            taps: [Complex32::default(); TAPS],
            turn: 0.0,
            noise: 1.0,
        };
        let of_level = |level: usize| {
            let by_lane = |look: usize, tap: usize| {
                C8::of(std::array::from_fn(|lane| {
                    templates[(lane << 1 | level) & 7][look][tap]
                }))
            };
            std::array::from_fn(|look| std::array::from_fn(|tap| by_lane(look, tap)))
        };
        EchoTrellis {
            gains,
            survivors: [Eight::all(&idle); 2],
            templates: [0, 1].map(of_level),
            weights: weights.map(|row| row.map(f32x8::splat)),
            advance: C8::of(std::array::from_fn(|lane| advance[lane & 1])),
        }
    }

    /// Makes all survivors alike.
    pub fn start(&mut self, survivor: &Survivor) {
        self.survivors = [Eight::all(survivor); 2];
    }

    /// Extends every survivor by one symbol and notes what lost by the state in which it lost;
    /// gives the best.
    pub fn step(&mut self, heard: &[Complex32; LOOKS], losers: &mut [Loser]) -> Survivor {
        let heard = heard.map(C8::splat);
        let zero = self.merge(0, &heard, losers);
        let one = self.merge(1, &heard, losers);
        for (half, survivors) in self.survivors.iter_mut().enumerate() {
            survivors.interleave(&zero, &one, half);
        }
        let metrics = self.survivors.map(|s| s.metric.to_array());
        let best = (1..STATES).fold(0, |best, s| {
            let metric = |s: usize| metrics[s / LANES][s % LANES];
            if metric(s) > metric(best) { s } else { best }
        });
        let top = f32x8::splat(metrics[best / LANES][best % LANES]);
        self.survivors.iter_mut().for_each(|s| s.metric -= top);
        self.survivors[best / LANES].survivor(best % LANES)
    }

    /// The survivors whose newest level is `level`: of two that merge the likelier.
    fn merge(&self, level: usize, heard: &[C8; LOOKS], losers: &mut [Loser]) -> Eight {
        let [a, b] = &self.survivors;
        let template = &self.templates[level];
        let (from_a, from_b) = (extend(a, template, heard), extend(b, template, heard));
        let first = from_a.metric.simd_ge(from_b.metric);
        let choose = |x: f32x8, y: f32x8| first.select(x, y);
        let metric = choose(from_a.metric, from_b.metric);
        let behind = (metric - choose(from_b.metric, from_a.metric)).to_array();
        let firsts = first.to_bitmask();
        let mut levels = [0; LANES];
        for lane in 0..LANES {
            let loser = &mut losers[lane << 1 | level];
            loser.behind = behind[lane];
            loser.differs = (a.levels[lane] ^ b.levels[lane]) << 1;
            let won = if firsts >> lane & 1 == 1 { a } else { b };
            levels[lane] = won.levels[lane] << 1 | level as u64;
        }
        let mut won = Eight {
            metric,
            taps: std::array::from_fn(|t| C8::choose(first, a.taps[t], b.taps[t])),
            turn: choose(a.turn, b.turn),
            noise: choose(a.noise, b.noise),
            levels,
        };
        let error = std::array::from_fn(|k| C8::choose(first, from_a.error[k], from_b.error[k]));
        self.learn(&mut won, template, heard, &error);
        won
    }

    /// Teaches survivors what the symbol tells.
    fn learn(
        &self,
        s: &mut Eight,
        template: &[[C8; TAPS]; LOOKS],
        heard: &[C8; LOOKS],
        errors: &[C8; LOOKS],
    ) {
        let mut slope = [C8::ZERO; TAPS];
        let (mut off, mut wrong) = (f32x8::ZERO, f32x8::ZERO);
        let mut power = f32x8::splat(f32::MIN_POSITIVE);
        for ((&error, &heard), row) in errors.iter().zip(heard).zip(template) {
            for (sum, x) in slope.iter_mut().zip(row) {
                *sum = sum.plus(x.conj().times(error));
            }
            let expected = heard.minus(error);
            off += heard.im * expected.re - heard.re * expected.im;
            power += expected.power();
            wrong += error.power();
        }
        let largest = f32x8::splat(LARGEST_ERROR);
        let change = (off / power).clamp(-largest, largest);
        let widest = f32x8::splat(WIDEST);
        let turn = s.turn + change * f32x8::splat(self.gains.frequency);
        s.turn = turn.clamp(-widest, widest);
        let advance = self.advance.times(small_turn(s.turn));
        let gain = f32x8::splat(self.gains.taps);
        for (tap, weights) in s.taps.iter_mut().zip(&self.weights) {
            let mut change = C8::ZERO;
            for (slope, &weight) in slope.iter().zip(weights) {
                change = change.plus(slope.scaled(weight));
            }
            *tap = tap.plus(change.scaled(gain)).times(advance);
        }
        let wrong = wrong * f32x8::splat(1.0 / LOOKS as f32);
        s.noise += (wrong - s.noise) * f32x8::splat(NOISE_GAIN);
    }
}

fn extend(s: &Eight, template: &[[C8; TAPS]; LOOKS], heard: &[C8; LOOKS]) -> Step {
    let mut metric = s.metric;
    let error = std::array::from_fn(|look| {
        let mut expected = C8::ZERO;
        for (&tap, &x) in s.taps.iter().zip(&template[look]) {
            expected = expected.plus(tap.times(x));
        }
        let error = heard[look].minus(expected);
        metric -= error.power();
        error
    });
    Step { metric, error }
}

/// exp(j x) for small x.
fn small_turn(x: f32x8) -> C8 {
    let one = f32x8::splat(1.0);
    let square = x * x;
    C8 {
        re: one - square * (f32x8::splat(0.5) - square * f32x8::splat(1.0 / 24.0)),
        im: x * (one - square * f32x8::splat(1.0 / 6.0)),
    }
}
