//! One direction between two stations: how many of the frames sent arrive.

use super::When;

/// The paper counts over the last 10 s of probes sent once a second; on slow radio both are
/// about a hundred times that. Counts weigh e^(-age/1000 s). (Our reading; the paper's window is
/// sharp.)
const FADE_MS: f64 = 1_000_000.0;
/// Counts are kept in buckets of so long …
const BUCKET_MS: i64 = 600_000;
/// … and so many: for an hour.
const BUCKETS: usize = 6;
/// Tries that what is assumed weighs against what is counted.
const ASSUMED_WEIGHT: f64 = 1.0;
/// Share assumed to arrive where a frame has just been seen to, and nothing is counted. (Own
/// choice.)
const PROVEN: f64 = 0.5;
/// The same where none was ever seen to. (Own choice.)
const UNPROVEN: f64 = 0.25;
/// After this long without proof what is assumed has come half the way from the one to the
/// other. (Own choice.)
const HALF_LIFE_MS: f64 = 3_600_000.0;
/// A proof that is older counts no more.
pub(super) const FORGET_MS: When = 86_400_000;
/// Frames of other lengths than those counted are lost more or less often by at most this power:
/// not all that is lost is lost to single bits. (Own choice.)
const MOST_POWER: f64 = 4.0;
/// Octets of a frame on the air beside those given: the FCS.
const FCS: f64 = 2.0;

#[derive(Clone, Copy, Debug)]
struct Bucket {
    /// Which stretch of time.
    number: i64,
    tries: f64,
    arrived: f64,
    /// Octets of all tries.
    octets: f64,
}

impl Default for Bucket {
    /// Of no time.
    fn default() -> Self {
        Bucket {
            number: i64::MIN,
            tries: 0.0,
            arrived: 0.0,
            octets: 0.0,
        }
    }
}

/// What is known of one direction.
#[derive(Clone, Debug, Default)]
pub(super) struct Leg {
    buckets: [Bucket; BUCKETS],
    /// When a frame was last seen to arrive.
    proven: Option<When>,
    /// When it last changed.
    pub(super) touched: When,
    /// Frames heard that ask the receiver to repeat them, of which nothing was heard since.
    pub(super) asked: u8,
    /// When the last of them was heard.
    pub(super) asked_at: When,
}

impl Leg {
    /// Counts frames: how many were sent (or, by reckoning, their share) and how many arrived.
    pub(super) fn count(&mut self, at: When, tries: f64, arrived: f64, octets: usize) {
        let number = at.div_euclid(BUCKET_MS);
        let place = self.buckets.iter().position(|b| b.number == number);
        let oldest = || (0..BUCKETS).min_by_key(|n| self.buckets[*n].number);
        let Some(place) = place.or_else(oldest) else {
            return; // There are buckets.
        };
        let bucket = &mut self.buckets[place];
        if bucket.number != number {
            *bucket = Bucket {
                number,
                ..Bucket::default()
            };
        }
        bucket.tries += tries;
        bucket.arrived += arrived;
        bucket.octets += tries * octets as f64;
        self.touched = self.touched.max(at);
    }

    /// A frame was seen to have arrived.
    pub(super) fn prove(&mut self, at: When) {
        self.proven = self.proven.max(Some(at));
        self.touched = self.touched.max(at);
    }

    /// When a frame was last seen to arrive, if not too long ago.
    pub(super) fn proven(&self, now: When) -> Option<When> {
        self.proven.filter(|at| now - at <= FORGET_MS)
    }

    /// Frames counted within the last hour, and how many of them arrived.
    pub(super) fn counted(&self, now: When) -> (f64, f64) {
        let lately = self.lately(now);
        lately.fold((0.0, 0.0), |(t, a), b| (t + b.tries, a + b.arrived))
    }

    /// Share of frames of this length that arrive, above 0, at most 1. With independent bit
    /// errors a frame of n bits has the ratio d^(n/n0) if one of n0 bits has d.
    pub(super) fn ratio(&self, now: When, octets: usize) -> f64 {
        let assumed = self.assumed(now);
        let (mut tries, mut arrived, mut total) = (0.0, 0.0, 0.0);
        for bucket in self.lately(now) {
            let middle = bucket.number * BUCKET_MS + BUCKET_MS / 2;
            let weight = (-((now - middle).max(0) as f64) / FADE_MS).exp();
            tries += weight * bucket.tries;
            arrived += weight * bucket.arrived;
            total += weight * bucket.octets;
        }
        if tries < 1e-6 {
            return assumed;
        }
        let power = (octets as f64 + FCS) / (total / tries + FCS);
        let power = power.clamp(1.0 / MOST_POWER, MOST_POWER);
        let measured = (arrived / tries).clamp(0.0, 1.0).powf(power);
        (tries * measured + ASSUMED_WEIGHT * assumed) / (tries + ASSUMED_WEIGHT)
    }

    fn assumed(&self, now: When) -> f64 {
        let Some(at) = self.proven(now) else {
            return UNPROVEN;
        };
        let age = (now - at).max(0) as f64;
        UNPROVEN + (PROVEN - UNPROVEN) * (-age / HALF_LIFE_MS).exp2()
    }

    fn lately(&self, now: When) -> impl Iterator<Item = &Bucket> {
        let number = now.div_euclid(BUCKET_MS);
        let lately = number - BUCKETS as i64 + 1..=number;
        let buckets = self.buckets.iter();
        buckets.filter(move |b| b.tries > 0.0 && lately.contains(&b.number))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_frames_of_one_length_give_their_share() {
        let mut leg = Leg::default();
        leg.prove(0);
        leg.count(0, 1000.0, 900.0, 100);
        assert!((leg.ratio(0, 100) - 0.9).abs() < 0.001);
        assert_eq!(leg.counted(0), (1000.0, 900.0));
    }

    #[test]
    fn longer_frames_arrive_less_often_and_shorter_ones_more_often() {
        let mut leg = Leg::default();
        leg.prove(0);
        leg.count(0, 1e6, 0.9e6, 98); // 100 octets with the FCS
        // Computed: 0.9^2 and 0.9^(1/2).
        assert!((leg.ratio(0, 198) - 0.81).abs() < 1e-3);
        assert!((leg.ratio(0, 48) - 0.948_68).abs() < 1e-3);
        assert!(
            (leg.ratio(0, 10_000) - 0.9_f64.powi(4)).abs() < 1e-3,
            "no further"
        );
    }

    #[test]
    fn what_was_counted_fades_and_what_was_proved_is_forgotten() {
        let mut leg = Leg::default();
        leg.prove(0);
        leg.count(0, 10.0, 10.0, 50);
        let minute = 60_000;
        let ages = [0, 20, 40, 59, 120, 1440, 1500];
        let ratios = ages.map(|m| leg.ratio(m * minute, 50));
        assert!(ratios.windows(2).all(|w| w[0] >= w[1]), "{ratios:?}");
        assert!(ratios[0] > 0.9, "{ratios:?}");
        assert!(
            (ratios[4] - 0.3125).abs() < 1e-9,
            "two half-lives: {ratios:?}"
        );
        assert!((ratios[6] - UNPROVEN).abs() < 1e-9);
        assert_eq!(leg.proven(1500 * minute), None);
        assert_eq!(leg.counted(120 * minute), (0.0, 0.0));
    }

    #[test]
    fn a_leg_on_which_nothing_arrives_is_dear_and_not_impossible() {
        let mut leg = Leg::default();
        leg.count(0, 20.0, 0.0, 50);
        let ratio = leg.ratio(0, 50);
        assert!(ratio > 0.0 && ratio < 0.02, "{ratio}");
    }
}
