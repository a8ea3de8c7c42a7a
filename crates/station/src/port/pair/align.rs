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

/// The best place of one window so far.
#[derive(Clone, Copy, Debug)]
struct Best {
    /// Where it may lie: from this shift on, and before that one.
    from: i32,
    before: i32,
    unlike: u32,
    shift: i32,
    /// The next best.
    second: u32,
}

/// Compares all windows at one shift after the other: then the bits lie alike in their words for
/// all of them, and four neighbours that share bits share the count.
fn votes(a: &[Told], b: &[Told], later: i64, reach: u64) -> Vec<Vote> {
    let (packed_a, packed_b) = (pack(a), pack(b));
    let starts = b.len() - WINDOW;
    let mut best: Vec<Best> = (0..=a.len() - WINDOW)
        .step_by(HOP)
        .map(|at| {
            let middle = a[at].at.0 as i64 + later;
            let bound = |place: i64| b.partition_point(|bit| (bit.at.0 as i64) < place);
            let first = bound(middle - reach as i64);
            let end = bound(middle + reach as i64 + 1).min(starts + 1);
            Best {
                from: first as i32 - at as i32,
                before: end as i32 - at as i32,
                unlike: u32::MAX,
                shift: 0,
                second: u32::MAX,
            }
        })
        .collect();
    let open = |b: &&Best| b.from < b.before;
    let from = best.iter().filter(open).map(|b| b.from).min();
    let before = best.iter().filter(open).map(|b| b.before).max();
    let mut unlike = vec![0; best.len() + WINDOW / HOP];
    for shift in from.unwrap_or(0)..before.unwrap_or(0) {
        compare(&packed_a, &packed_b, shift, starts, &mut unlike, &mut best);
    }
    let clear = |b: &Best| b.unlike <= MOST_UNLIKE && b.second >= b.unlike + CLEARLY;
    let each = best.iter().enumerate().filter(|(_, b)| clear(b));
    each.map(|(n, b)| Vote {
        at: n * HOP,
        shift: b.shift as isize,
    })
    .collect()
}

/// Compares every window for which this shift comes into question.
fn compare(a: &[u32], b: &[u32], shift: i32, starts: usize, unlike: &mut [u32], best: &mut [Best]) {
    const HOP_BITS: i32 = HOP as i32;
    // The second stretch has places 0 to `starts` for a window.
    let first = shift.min(0).unsigned_abs().div_ceil(HOP as u32) as usize;
    let end = (starts as i32 - shift).div_euclid(HOP_BITS) + 1;
    let end = best.len().min(usize::try_from(end).unwrap_or(0));
    if first >= end {
        return;
    }
    let (word, bit) = (shift.div_euclid(HOP_BITS), shift.rem_euclid(HOP_BITS));
    let place = usize::try_from(first as i32 + word).unwrap_or(0);
    let chunks = end - first + WINDOW / HOP - 1;
    let unlike = &mut unlike[..chunks];
    let low = &b[place..place + chunks];
    let high = &b[place + 1..place + 1 + chunks];
    for (i, count) in unlike.iter_mut().enumerate() {
        let there = (u64::from(high[i]) << 32 | u64::from(low[i])) >> bit;
        *count = (a[first + i] ^ there as u32).count_ones();
    }
    for (best, counts) in best[first..end]
        .iter_mut()
        .zip(unlike.windows(WINDOW / HOP))
    {
        if shift < best.from || shift >= best.before {
            continue;
        }
        let unlike: u32 = counts.iter().sum();
        if unlike < best.unlike {
            best.second = best.unlike;
            best.unlike = unlike;
            best.shift = shift;
        } else {
            best.second = best.second.min(unlike);
        }
    }
}

/// Bits to words of [`HOP`] bits, with some more at the end so that a window may begin anywhere.
fn pack(bits: &[Told]) -> Vec<u32> {
    let mut words = vec![0; bits.len() / HOP + WINDOW / HOP + 2];
    for (i, bit) in bits.iter().enumerate() {
        words[i / HOP] |= u32::from(bit.one) << (i % HOP);
    }
    words
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

    /// The same, bit by bit.
    fn plainly(a: &[Told], b: &[Told], later: i64, reach: i64) -> Vec<(usize, isize)> {
        let mut votes = Vec::new();
        for at in (0..=a.len() - WINDOW).step_by(HOP) {
            let (mut best, mut second) = ((u32::MAX, 0), u32::MAX);
            for place in 0..=b.len() - WINDOW {
                let apart = b[place].at.0 as i64 - a[at].at.0 as i64 - later;
                if apart.abs() > reach {
                    continue;
                }
                let unlike = (0..WINDOW).filter(|i| a[at + i].one != b[place + i].one);
                let unlike = unlike.count() as u32;
                if unlike < best.0 {
                    second = best.0;
                    best = (unlike, place);
                } else {
                    second = second.min(unlike);
                }
            }
            if best.0 <= MOST_UNLIKE && second >= best.0 + CLEARLY {
                votes.push((at, best.1 as isize - at as isize));
            }
        }
        votes
    }

    #[test]
    fn comparing_by_words_is_comparing_bit_by_bit() {
        let mut chance = Chance::stream(4, "align");
        let mut some = 0;
        for turn in 0..20 {
            let bits = burst(&mut chance);
            let cut = chance.octet() as usize;
            let a = told(&worn(&bits[cut / 2..], &mut chance), 3000 + 5 * cut as u64);
            let b = told(&worn(&bits[cut..], &mut chance), 3000 + 37 * turn);
            for (later, reach) in [(0, 6000), (-500, 900), (400, 60)] {
                let votes = votes(&a, &b, later, reach);
                let votes: Vec<_> = votes.iter().map(|v| (v.at, v.shift)).collect();
                assert_eq!(votes, plainly(&a, &b, later, reach as i64));
                some += votes.len();
            }
        }
        assert!(some > 50, "{some}");
    }

    #[test]
    fn flags_alone_and_unrelated_bits_fit_nowhere() {
        let mut chance = Chance::stream(3, "align");
        let (a, b) = (burst(&mut chance), burst(&mut chance));
        assert_eq!(align(&told(&a, 0), &told(&b, 0), 0, 4000), []);
        assert_eq!(align(&told(&a[..160], 0), &told(&a[..160], 0), 0, 4000), []);
    }
}
