//! What other signals leave of a frame.

use std::ops::Range;

use dunlin_clock::Instant;

use super::curve::of_length;
use super::{Signal, Station};

/// The share of frames that a station reads in spite of what else it hears in `time`, and whether
/// there is anything else. `own` is the slot and the begin of the transmission itself.
pub(super) fn beside_others(
    me: &Station,
    own: (u32, Instant),
    level_db: f32,
    time: Range<Instant>,
    length: f64,
    signal: &Signal,
) -> (f64, bool) {
    let whole = time.end.since(time.start).as_secs_f64().max(1e-9);
    let (mut share, mut met) = (1.0, false);
    for a in me.arrivals.iter().filter(|a| (a.slot, a.start) != own) {
        let together = a.end.min(time.end).since(a.start.max(time.start));
        if together.is_zero() {
            continue;
        }
        met = true;
        let capture = signal.capture.share(f64::from(level_db - a.level_db));
        share *= of_length(capture, length * together.as_secs_f64() / whole);
    }
    (share, met)
}
