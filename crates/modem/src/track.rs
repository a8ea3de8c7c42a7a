//! How frequency and symbol clock of a signal run along, so that their course over a frame can
//! be fitted afterwards: offset and drift, and how far the sender's symbol rate is off.
//!
//! Literature: S. Kay, "A fast and accurate single frequency estimator", IEEE Trans. ASSP 37
//! (1989): momentary frequencies weighted with a parabola give what a straight line through the
//! phase gives (from memory).

use dunlin_clock::SampleCount;
use num_complex::{Complex32, Complex64};

/// One entry is kept for this many symbols.
const SYMBOLS_PER_ENTRY: usize = 8;
/// This many entries are kept, as long as the running sums reach.
const ENTRIES: usize = 2048;
/// So many entries at least make a course,
const FEWEST: usize = 12;
/// and they must cover this share of the span.
const COVERED: f64 = 0.75;

#[derive(Clone, Copy, Debug)]
struct Entry {
    at: SampleCount,
    /// Which run it belongs to; a run ends when its reader begins anew.
    run: u32,
    /// Momentary frequency, radians.
    radians: f64,
    /// How much later the symbols come than at the start of the run by the nominal clock,
    /// symbols.
    late: f64,
}

/// The course of one signal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// Frequency in the middle, radians in the unit that was pushed.
    pub radians: f64,
    /// By how much it changes with each symbol.
    pub radians_per_symbol: f64,
    /// By what share the symbols come faster than they should.
    pub faster: f64,
}

/// Keeps the course of the latest symbols.
#[derive(Clone, Debug)]
pub struct Track {
    /// The nominal length of a symbol in the unit of its places.
    symbol: f64,
    /// By how much the tones' phases come apart when symbols come one symbol late, radians.
    apart: f64,
    /// How many symbols the reader is behind with those phases.
    lag: f64,
    phase: Option<f64>,
    ring: Vec<Entry>,
    next: usize,
    run: u32,
    before: Option<f64>,
    late: f64,
    turns: Complex64,
    lates: f64,
    symbols: usize,
}

impl Track {
    /// For symbols that are `symbol` long and tones that come apart by `apart` radians in one.
    /// The reader follows the tones' phases with a delay of `lag` symbols.
    pub fn new(symbol: f64, apart: f64, lag: f64) -> Self {
        Track {
            symbol,
            apart,
            lag,
            phase: None,
            ring: Vec::with_capacity(ENTRIES),
            next: 0,
            run: 0,
            before: None,
            late: 0.0,
            turns: Complex64::default(),
            lates: 0.0,
            symbols: 0,
        }
    }

    /// What comes now is another signal.
    pub fn restart(&mut self) {
        self.run = self.run.wrapping_add(1);
        self.before = None;
        self.late = 0.0;
        self.phase = None;
        (self.turns, self.lates, self.symbols) = (Complex64::default(), 0.0, 0);
    }

    /// Takes a symbol: its place in the input, its place by the reader's own clock, a number
    /// whose angle is the momentary frequency and whose size says how much it counts, and one
    /// whose angle is by how much the lower tone runs before the higher by the reader's clock.
    pub fn push(&mut self, at: SampleCount, place: f64, turn: Complex64, skew: Complex32) {
        if let Some(before) = self.before.replace(place) {
            let step = (place - before) / self.symbol;
            // A reader whose clock is off may leave a symbol out or read one twice.
            self.late += step - step.round();
        }
        self.turns += turn;
        self.lates += self.late;
        self.symbols += 1;
        if self.symbols < SYMBOLS_PER_ENTRY {
            return;
        }
        let lateness = self.lates / SYMBOLS_PER_ENTRY as f64 + self.by_phase(skew);
        let entry = Entry {
            at,
            run: self.run,
            radians: self.turns.arg(),
            late: lateness,
        };
        (self.turns, self.lates, self.symbols) = (Complex64::default(), 0.0, 0);
        match self.ring.get_mut(self.next) {
            Some(old) => *old = entry,
            None => self.ring.push(entry),
        }
        self.next = (self.next + 1) % ENTRIES;
    }

    /// How late the symbols come by the tones' phases, symbols.
    fn by_phase(&mut self, skew: Complex32) -> f64 {
        let whole = std::f64::consts::TAU / self.apart;
        let here = f64::from(skew.arg()) / self.apart;
        let before = self.phase.unwrap_or(here);
        // Of all that the angle can mean, what lies next to the one before.
        let here = here + ((before - here) / whole).round() * whole;
        self.phase = Some(here);
        here + (here - before) * self.lag / SYMBOLS_PER_ENTRY as f64
    }

    /// The course between two places; `None` if too little of that span is known.
    pub fn over(&self, from: SampleCount, to: SampleCount) -> Option<Course> {
        let (newer, older) = self.ring.split_at(self.next.min(self.ring.len()));
        let within = |entries: &[Entry]| {
            let first = entries.partition_point(|e| e.at < from);
            first..entries.partition_point(|e| e.at <= to).max(first)
        };
        let (older, newer) = (&older[within(older)], &newer[within(newer)]);
        let all = || older.iter().chain(newer);
        let last = all().last()?;
        let entries = || all().filter(|e| e.run == last.run);
        let count = entries().count();
        let covered = last.at.0 - entries().next()?.at.0;
        if count < FEWEST || (covered as f64) < COVERED * to.0.saturating_sub(from.0) as f64 {
            return None;
        }
        let middle = (count as f64 - 1.0) / 2.0;
        let parabola = |i: f64| (i + 1.0) * (count as f64 - i);
        let radians = line(entries().enumerate().map(|(i, e)| {
            let i = i as f64;
            (i - middle, e.radians, parabola(i))
        }));
        let late = line(
            entries()
                .enumerate()
                .map(|(i, e)| (i as f64 - middle, e.late, 1.0)),
        );
        let per_symbol = 1.0 / SYMBOLS_PER_ENTRY as f64;
        let course = Course {
            radians: radians.0,
            radians_per_symbol: radians.1 * per_symbol,
            faster: 1.0 / (1.0 + late.1 * per_symbol) - 1.0,
        };
        let finite = course.radians.is_finite() && course.faster.is_finite();
        (finite && course.radians_per_symbol.is_finite()).then_some(course)
    }
}

/// The straight line through points of different weight: its height at 0 and its slope.
fn line(points: impl Iterator<Item = (f64, f64, f64)>) -> (f64, f64) {
    let (mut n, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (px, py, w) in points {
        n += w;
        x += w * px;
        y += w * py;
        xx += w * px * px;
        xy += w * px * py;
    }
    let slope = (n * xy - x * y) / (n * xx - x * x);
    ((y - slope * x) / n, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Symbols of 8.001 samples whose frequency rises by 0.000 1 each, through a wrapped ring.
    fn track(symbols: u64) -> Track {
        let mut track = Track::new(8.0, 2.0, 0.0);
        for n in 0..symbols {
            let turn = Complex64::cis(0.000_01 * (n as f64 - 20_000.0));
            track.push(
                SampleCount(n * 10),
                n as f64 * 8.001,
                turn,
                Complex32::new(1.0, 0.0),
            );
        }
        track
    }

    #[test]
    fn a_steady_course_is_found() {
        let course = track(20_000)
            .over(SampleCount(180_000), SampleCount(200_000))
            .expect("known");
        assert!(
            (course.radians_per_symbol - 0.000_01).abs() < 1e-9,
            "{course:?}"
        );
        assert!((course.radians + 0.01).abs() < 2e-4, "{course:?}");
        assert!((course.faster + 125e-6).abs() < 1e-7, "{course:?}");
    }

    #[test]
    fn what_is_too_short_or_forgotten_or_of_another_run_tells_nothing() {
        let mut track = track(20_000);
        let known = |t: &Track, from, to| t.over(SampleCount(from), SampleCount(to)).is_some();
        assert!(!known(&track, 0, 30_000));
        assert!(!known(&track, 199_500, 200_000));
        assert!(known(&track, 198_000, 200_000));
        track.restart();
        for n in 0..40_u64 {
            track.push(
                SampleCount(200_000 + n * 10),
                n as f64 * 8.0,
                Complex64::cis(0.1),
                Complex32::new(1.0, 0.0),
            );
        }
        assert!(
            !known(&track, 198_000, 201_000),
            "five entries of the new run"
        );
    }
}
