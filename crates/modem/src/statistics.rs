//! Running sums over symbols, so that any recent span can be measured afterwards.

use dunlin_clock::SampleCount;

/// One entry is kept for this many symbols.
const SYMBOLS_PER_ENTRY: usize = 8;
/// This many entries are kept: over 16000 symbols, enough for a frame of 1800 octets.
const ENTRIES: usize = 2048;

/// Sums of `N` quantities from the start of time, kept every few symbols as a ring.
#[derive(Debug)]
pub struct RunningSums<const N: usize> {
    ring: Vec<(SampleCount, [f64; N])>,
    sums: [f64; N],
    symbols: usize,
}

impl<const N: usize> Default for RunningSums<N> {
    fn default() -> Self {
        RunningSums {
            ring: Vec::with_capacity(ENTRIES),
            sums: [0.0; N],
            symbols: 0,
        }
    }
}

impl<const N: usize> Clone for RunningSums<N> {
    /// A copy that has as much room, so that it will not allocate either.
    fn clone(&self) -> Self {
        let mut ring = Vec::with_capacity(ENTRIES);
        ring.extend_from_slice(&self.ring);
        RunningSums {
            ring,
            sums: self.sums,
            symbols: self.symbols,
        }
    }
}

impl<const N: usize> RunningSums<N> {
    /// Adds one symbol that has its middle at `at`.
    pub fn push(&mut self, at: SampleCount, values: [f64; N]) {
        self.sums
            .iter_mut()
            .zip(values)
            .for_each(|(sum, value)| *sum += value);
        self.symbols += 1;
        if self.symbols.is_multiple_of(SYMBOLS_PER_ENTRY) {
            let entry = (at, self.sums);
            let place = (self.symbols / SYMBOLS_PER_ENTRY - 1) % ENTRIES;
            match self.ring.get_mut(place) {
                Some(old) => *old = entry,
                None => self.ring.push(entry),
            }
        }
    }

    /// The sums over the symbols between two places, to within a few symbols at either end.
    /// All zero if nothing of that span is known.
    pub fn over(&self, from: SampleCount, to: SampleCount) -> [f64; N] {
        let inside = self.ring.iter().filter(|(at, _)| *at >= from && *at <= to);
        let first = inside.clone().min_by_key(|(at, _)| *at);
        let last = inside.max_by_key(|(at, _)| *at);
        match (first, last) {
            (Some((_, a)), Some((_, b))) => std::array::from_fn(|i| b[i] - a[i]),
            _ => [0.0; N],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_summed_and_forgotten_spans_give_nothing() {
        let mut sums = RunningSums::<2>::default();
        for i in 0..40_000_u64 {
            sums.push(SampleCount(i * 10), [1.0, i as f64]);
        }
        let [count, sum] = sums.over(SampleCount(300_000), SampleCount(320_000));
        assert!((count - 2000.0).abs() <= 16.0);
        assert!((sum / count - 31_000.0).abs() < 16.0);
        assert_eq!(sums.over(SampleCount(0), SampleCount(10_000)), [0.0, 0.0]);
    }
}
