//! Frames from all stretches and modes in one order, each once.
//!
//! What comes out depends on the frames alone, not on when they came in: the earliest frame
//! is taken when nothing can come any more that begins before its end; it and its copies are then
//! replaced by the best of them, which takes its place in the order.

use std::cmp::Ordering;

use super::found::Found;

/// Collects frames and gives them out in order.
#[derive(Debug, Default)]
pub struct Merger {
    waiting: Vec<Waiting>,
}

#[derive(Debug)]
struct Waiting {
    found: Found,
    /// The best of its copies, which are gone.
    best: bool,
}

/// By start; then by whatever tells two apart, so that there is only one order.
fn order(a: &Waiting, b: &Waiting) -> Ordering {
    let key = |w: &Waiting| {
        let line = w.found.line;
        (w.found.start, w.found.end, line.mode(), line.low_and_high())
    };
    key(a)
        .cmp(&key(b))
        .then_with(|| a.found.octets.cmp(&b.found.octets))
        .then(b.best.cmp(&a.best))
}

impl Merger {
    /// Takes frames in any order.
    pub fn add(&mut self, found: Vec<Found>) {
        let new = found
            .into_iter()
            .map(|found| Waiting { found, best: false });
        self.waiting.extend(new);
        self.waiting.sort_by(order);
    }

    /// Appends the frames that are certain, when all frames that start before sample `known`
    /// have been added.
    pub fn release(&mut self, known: u64, out: &mut Vec<Found>) {
        while self.waiting.first().is_some_and(|w| w.found.end <= known) {
            let first = self.waiting.remove(0);
            if first.best {
                out.push(first.found);
                continue;
            }
            let is_copy = |w: &mut Waiting| w.found.is_copy_of(&first.found);
            let copies: Vec<Waiting> = self.waiting.extract_if(.., is_copy).collect();
            let best = copies.into_iter().fold(first.found.clone(), |best, w| {
                if w.found.is_better_than(&best) {
                    w.found
                } else {
                    best
                }
            });
            let best = Waiting {
                found: best,
                best: true,
            };
            let place = self.waiting.partition_point(|w| order(w, &best).is_lt());
            self.waiting.insert(place, best);
        }
    }
}

#[cfg(test)]
mod tests {
    use dunlin_modem::Mode;
    use serde_json::json;

    use super::*;

    fn frame(mode: Mode, start: u64, octet: u8, snr_db: f64) -> Found {
        let measured = json!({ "snr_db": snr_db });
        Found {
            line: mode.into(),
            start,
            end: start + 1000,
            octets: vec![octet; 16],
            measured: measured.as_object().cloned().unwrap_or_default(),
        }
    }

    fn all() -> Vec<Found> {
        use Mode::{Afsk300, Afsk1200};
        vec![
            frame(Afsk1200, 1000, 1, 9.0),
            frame(Afsk300, 1003, 1, 12.0), // a copy
            frame(Afsk1200, 996, 1, 8.0),  // and another
            frame(Afsk1200, 1001, 2, 9.0), // other octets at the same time
            frame(Afsk1200, 2000, 1, 9.0), // a repeat right behind
            frame(Afsk1200, 1998, 1, 3.0),
            frame(Afsk1200, 9000, 1, 9.0),
        ]
    }

    fn shape(found: &[Found]) -> Vec<(u64, u8)> {
        found.iter().map(|f| (f.start, f.octets[0])).collect()
    }

    const WANTED: [(u64, u8); 4] = [(1001, 2), (1003, 1), (2000, 1), (9000, 1)];

    #[test]
    fn copies_become_one_and_repeats_stay() {
        let (mut merger, mut out) = (Merger::default(), Vec::new());
        merger.add(all());
        merger.release(u64::MAX, &mut out);
        assert_eq!(shape(&out), WANTED);
        assert_eq!(out[1].figure("snr_db"), Some(12.0), "the best copy");
    }

    #[test]
    fn the_order_in_which_they_come_makes_no_difference() {
        let frames = all();
        for turn in 0..frames.len() {
            let (mut merger, mut out) = (Merger::default(), Vec::new());
            for n in 0..frames.len() {
                merger.add(vec![frames[(n * 3 + turn) % frames.len()].clone()]);
            }
            for known in (0..10_000).step_by(500) {
                merger.release(known, &mut out);
            }
            merger.release(u64::MAX, &mut out);
            assert_eq!(shape(&out), WANTED, "turn {turn}");
        }
    }

    #[test]
    fn a_frame_with_fewer_repaired_bits_is_the_better_copy() {
        let (clean, mut repaired) = (
            frame(Mode::Afsk1200, 1000, 1, 5.0),
            frame(Mode::Afsk1200, 1000, 1, 9.0),
        );
        repaired.measured.insert("repaired_bits".into(), json!(2));
        assert!(clean.is_better_than(&repaired) && !repaired.is_better_than(&clean));
    }

    #[test]
    fn nothing_comes_out_while_something_earlier_may_come() {
        let (mut merger, mut out) = (Merger::default(), Vec::new());
        merger.add(all());
        merger.release(1900, &mut out);
        assert_eq!(out, []);
        merger.release(2500, &mut out);
        assert_eq!(shape(&out), WANTED[..2]);
    }
}
