//! How much of what is sent at a level comes out, as measured.

/// The frames of which the shares of a [`Curve`] are told have so many octets, FCS not counted.
pub const CURVE_OCTETS: usize = 64;

/// Shares of frames of [`CURVE_OCTETS`] octets that were read, by level. Between two points the
/// share is on the line between them; outside them it is that of the nearest.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    points: Vec<(f64, f64)>,
}

impl Curve {
    /// A curve through points (dB, share 0 to 1), in any order; what is no number is left out.
    pub fn new(points: &[(f64, f64)]) -> Curve {
        let good = points
            .iter()
            .copied()
            .filter(|(db, s)| (db + s).is_finite());
        let mut points: Vec<_> = good.map(|(db, s)| (db, s.clamp(0.0, 1.0))).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        Curve { points }
    }

    /// The share at a level; 1 for a curve without points.
    pub fn share(&self, db: f64) -> f64 {
        let above = self.points.partition_point(|p| p.0 <= db);
        let Some(&low) = above.checked_sub(1).and_then(|i| self.points.get(i)) else {
            return self.points.first().map_or(1.0, |p| p.1);
        };
        match self.points.get(above) {
            Some(&high) => low.1 + (high.1 - low.1) * (db - low.0) / (high.0 - low.0),
            None => low.1,
        }
    }

    /// The same curve, moved so many dB up.
    pub fn moved(&self, db: f64) -> Curve {
        let points = self.points.iter().map(|p| (p.0 + db, p.1));
        Curve {
            points: points.collect(),
        }
    }
}

/// The share of pieces `times` as long, if the error rate of each bit is the same.
pub(super) fn of_length(share: f64, times: f64) -> f64 {
    match share {
        s if s >= 1.0 => 1.0,
        s if s <= 0.0 => 0.0,
        s => s.powf(times),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_points_the_share_is_on_the_line() {
        let c = Curve::new(&[(6.0, 0.9), (4.0, 0.1), (f64::NAN, 0.5)]);
        for (db, share) in [(3.0, 0.1), (4.0, 0.1), (5.0, 0.5), (6.0, 0.9), (60.0, 0.9)] {
            assert!((c.share(db) - share).abs() < 1e-9, "{db} dB");
        }
        assert!((c.moved(10.0).share(15.0) - 0.5).abs() < 1e-9);
        assert_eq!(Curve::default().share(3.0), 1.0);
    }

    #[test]
    fn a_frame_twice_as_long_gets_through_as_often_as_two() {
        assert!((of_length(0.9, 2.0) - 0.81).abs() < 1e-12);
        assert_eq!(of_length(1.0, 9.0), 1.0);
        assert_eq!(of_length(0.0, 0.01), 0.0);
    }
}
