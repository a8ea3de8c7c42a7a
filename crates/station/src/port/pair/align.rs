//! Which bits of two stretches are the same bits of the same transmission.
//!
//! Both inputs follow the sender's own clock, so once the bits are laid side by side they stay
//! so, whatever the sample clocks of the two inputs do. The first guess is the time; then the
//! pattern of the bits decides.

use super::lane::Told;

/// Bits that are compared at a time.
const WINDOW: usize = 128;
/// From one comparison to the next.
const HOP: usize = 32;
/// Of unrelated bits half differ, 64 with a deviation of 5.7; so few do by chance once in 10^6
/// tries.
const MOST_UNLIKE: u32 = 37;
/// The best place must be better than any other by this many bits; flags and other repeating
/// patterns fit in many places.
const CLEARLY: u32 = 10;

/// Bits that belong together: `len` from `a` on in the one stretch, from `b` on in the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Run {
    pub a: usize,
    pub b: usize,
    pub len: usize,
}

/// One clear comparison: where in the first stretch, and how many bits later in the second.
#[derive(Clone, Copy, Debug)]
struct Vote {
    at: usize,
    shift: isize,
}

/// Finds the runs that two stretches share. `later` is how much later, in samples, the second
/// input is expected to hear, `reach` how far off that may be.
pub(super) fn align(a: &[Told], b: &[Told], later: i64, reach: u64) -> Vec<Run> {
    if a.len() < WINDOW || b.len() < WINDOW {
        return Vec::new();
    }
    let votes = votes(a, b, later, reach);
    let mut groups: Vec<(isize, usize, usize, usize)> = Vec::new();
    for vote in votes {
        match groups.last_mut() {
            Some((shift, _, to, count)) if *shift == vote.shift => {
                *to = vote.at + WINDOW;
                *count += 1;
            }
            _ => groups.push((vote.shift, vote.at, vote.at + WINDOW, 1)),
        }
    }
    // A single window may err, unless there is nothing else.
    if groups.iter().any(|g| g.3 > 1) {
        groups.retain(|g| g.3 > 1);
    }
    let mut merged: Vec<(isize, usize, usize)> = Vec::new();
    for (shift, from, to, _) in groups {
        match merged.last_mut() {
            Some((known, _, end)) if *known == shift => *end = to,
            _ => merged.push((shift, from, to)),
        }
    }
    runs(&merged, a.len(), b.len())
}

/// Stretches the groups until they meet each other or an end of the bits.
fn runs(groups: &[(isize, usize, usize)], a_len: usize, b_len: usize) -> Vec<Run> {
    let mut runs = Vec::new();
    for (i, &(shift, from, to)) in groups.iter().enumerate() {
        let before = i.checked_sub(1).map_or(0, |i| groups[i].2.midpoint(from));
        let after = groups.get(i + 1).map_or(a_len, |next| to.midpoint(next.1));
        let first = before.max(usize::try_from(-shift).unwrap_or(0));
        let end = (b_len as isize - shift).clamp(0, after as isize) as usize;
        if first < end {
            runs.push(Run {
                a: first,
                b: (first as isize + shift) as usize,
                len: end - first,
            });
        }
    }
    runs
}

fn votes(a: &[Told], b: &[Told], later: i64, reach: u64) -> Vec<Vote> {
    let (packed_a, packed_b) = (pack(a), pack(b));
    let starts = b.len() - WINDOW;
    let mut votes = Vec::new();
    for at in (0..=a.len() - WINDOW).step_by(HOP) {
        let middle = a[at].at.0 as i64 + later;
        let bound = |place: i64| b.partition_point(|bit| (bit.at.0 as i64) < place);
        let first = bound(middle - reach as i64);
        let end = bound(middle + reach as i64 + 1).min(starts + 1);
        let wanted = window(&packed_a, at);
        let mut best = (u32::MAX, 0);
        let mut second = u32::MAX;
        for place in first..end {
            let unlike = (wanted ^ window(&packed_b, place)).count_ones();
            if unlike < best.0 {
                second = best.0;
                best = (unlike, place);
            } else {
                second = second.min(unlike);
            }
        }
        if best.0 <= MOST_UNLIKE && second >= best.0 + CLEARLY {
            let shift = best.1 as isize - at as isize;
            votes.push(Vote { at, shift });
        }
    }
    votes
}

/// Bits to words, with one more at the end so that a window may begin anywhere.
fn pack(bits: &[Told]) -> Vec<u64> {
    let mut words = vec![0; bits.len() / 64 + 3];
    for (i, bit) in bits.iter().enumerate() {
        words[i / 64] |= u64::from(bit.one) << (i % 64);
    }
    words
}

fn window(words: &[u64], at: usize) -> u128 {
    let (word, bit) = (at / 64, at % 64);
    let low = u128::from(words[word]) | u128::from(words[word + 1]) << 64;
    match bit {
        0 => low,
        _ => low >> bit | u128::from(words[word + 2]) << (128 - bit),
    }
}

#[cfg(test)]
mod tests {
    use dunlin_clock::{Chance, SampleCount};

    use super::*;

    fn told(bits: &[bool], first: u64) -> Vec<Told> {
        let each = |(i, &one): (u64, &bool)| Told {
            one,
            at: SampleCount(first + 10 * i),
            sure: 1.0,
            rival: None,
        };
        (0..).zip(bits).map(each).collect()
    }

    /// Twenty flags and then chance.
    fn burst(chance: &mut Chance) -> Vec<bool> {
        let flag = [false, true, true, true, true, true, true, false];
        let mut bits: Vec<bool> = flag.iter().copied().cycle().take(160).collect();
        bits.extend((0..400).map(|_| chance.octet() > 127));
        bits
    }

    /// Turns each bit with a chance of one in ten.
    fn worn(bits: &[bool], chance: &mut Chance) -> Vec<bool> {
        bits.iter().map(|&b| b != (chance.octet() < 26)).collect()
    }

    #[test]
    fn the_pattern_decides_within_reach_of_the_time() {
        let mut chance = Chance::stream(1, "align");
        let bits = burst(&mut chance);
        let a = told(&worn(&bits, &mut chance), 5000);
        let b = told(&worn(&bits[37..], &mut chance), 5000 + 370 + 1900);
        let whole = Run {
            a: 37,
            b: 0,
            len: bits.len() - 37,
        };
        assert_eq!(align(&a, &b, 0, 2000), [whole]);
        assert_eq!(align(&a, &b, 1900, 100), [whole]);
        assert_eq!(align(&a, &b, 0, 1000), [], "too far away");
    }

    #[test]
    fn a_lost_bit_begins_a_new_run() {
        let mut chance = Chance::stream(2, "align");
        let bits = burst(&mut chance);
        let mut less = bits.clone();
        less.remove(350);
        let runs = align(&told(&bits, 0), &told(&less, 0), 0, 300);
        let shifts: Vec<isize> = runs.iter().map(|r| r.b as isize - r.a as isize).collect();
        assert_eq!(shifts, [0, -1]);
        assert!(runs[1].a.abs_diff(350) < 64, "{runs:?}");
    }

    #[test]
    fn flags_alone_and_unrelated_bits_fit_nowhere() {
        let mut chance = Chance::stream(3, "align");
        let (a, b) = (burst(&mut chance), burst(&mut chance));
        assert_eq!(align(&told(&a, 0), &told(&b, 0), 0, 4000), []);
        assert_eq!(align(&told(&a[..160], 0), &told(&a[..160], 0), 0, 4000), []);
    }
}
