//! What a crowd comes to, in figures.

use dunlin_air::frames::FrameTally;
use dunlin_clock::Duration;
use serde::Serialize;

use super::users::{Kind, Line};
use super::{Crowd, mean};

/// What a crowd has come to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CrowdFigures {
    /// Stations.
    pub stations: usize,
    /// How long it took in its own time, s.
    pub lasted_s: f64,
    /// Stations that each notices on average.
    pub neighbours: f64,
    /// Of the pairs that one station notices, the share that do not notice each other.
    pub hidden: f64,
    /// Transmissions.
    pub transmissions: u64,
    /// Frames.
    pub frames: u64,
    /// Frames times stations that a path leads to: read, lost to noise, to another transmission,
    /// to the station's own.
    pub read: u64,
    /// Lost to noise.
    pub noise: u64,
    /// Lost to another transmission.
    pub collision: u64,
    /// Lost to an own transmission.
    pub own_transmission: u64,
    /// Mean share of the time in which a station's channel was occupied by others.
    pub busy_share: f64,
    /// Mean share of the time in which a station's key was down.
    pub key_down_share: f64,
    /// Talks opened, answered, and ended with every line of the caller arrived.
    pub talks: u64,
    /// Answered.
    pub talks_answered: u64,
    /// Of those that have ended: all that was written arrived.
    pub talks_whole: u64,
    /// Talks that have ended.
    pub talks_ended: u64,
    /// Lines written and arrived.
    pub lines: u64,
    /// Arrived.
    pub lines_arrived: u64,
    /// Octets written and arrived, line ends included.
    pub octets: u64,
    /// Arrived.
    pub octets_arrived: u64,
    /// From writing to arriving, typed and steady lines, s: mean, half of them, 95 of 100.
    pub delay_mean_s: Option<f64>,
    /// Half of them are faster.
    pub delay_half_s: Option<f64>,
    /// 95 of 100 are faster.
    pub delay_95_s: Option<f64>,
    /// Mean delay of a line of a bulk transfer, from the begin of the transfer, s.
    pub bulk_delay_mean_s: Option<f64>,
    /// How evenly stations get through, by the share of its octets that came through at each
    /// station that wrote something: 1 = all alike, 1 / n = one has everything. R. Jain, D.-M. Chiu,
    /// W. Hawe, "A Quantitative Measure of Fairness", DEC-TR-301 (1984); from memory.
    pub fairness: Option<f64>,
    /// Inputs that stations were given.
    pub inputs: u64,
}

/// The index of fairness of Jain, Chiu and Hawe: (sum x)^2 / (n sum x^2). None of none, and of
/// nothing but zeros.
pub fn jain(shares: &[f64]) -> Option<f64> {
    let sum: f64 = shares.iter().sum();
    let squares: f64 = shares.iter().map(|x| x * x).sum();
    (squares > 0.0).then(|| sum * sum / (shares.len() as f64 * squares))
}

pub(super) fn of(crowd: &Crowd) -> CrowdFigures {
    let band = crowd.world.band(0);
    let n = band.stations();
    let lasted_s = crowd.now.as_secs_f64();
    let FrameTally {
        transmissions,
        sent,
        read,
        noise,
        collision,
        own_transmission,
        ..
    } = band.tally();
    let share = |time: &dyn Fn(usize) -> Duration| {
        let sum: f64 = (0..n).map(|s| time(s).as_secs_f64()).sum();
        sum / (n as f64 * lasted_s.max(1e-9))
    };
    let users = &crowd.users;
    let arrived = || users.lines.iter().filter(|l| l.arrived.is_some());
    let octets = |lines: &mut dyn Iterator<Item = &Line>| lines.map(|l| l.octets as u64).sum();
    let mut quick = delays(&users.lines, |k| k != Kind::Bulk);
    quick.sort_unstable();
    let at = |part: f64| {
        let place = (part * quick.len() as f64) as usize;
        quick.get(place).map(Duration::as_secs_f64)
    };
    let jobs = || users.jobs.iter();
    CrowdFigures {
        stations: n,
        lasted_s,
        neighbours: crowd.neighbours,
        hidden: crowd.hidden,
        transmissions,
        frames: sent,
        read,
        noise,
        collision,
        own_transmission,
        busy_share: share(&|s| band.busy_time(s)),
        key_down_share: share(&|s| band.key_down_time(s)),
        talks: users.jobs.len() as u64,
        talks_answered: jobs().filter(|j| j.opened).count() as u64,
        talks_ended: jobs().filter(|j| j.ended).count() as u64,
        talks_whole: jobs()
            .filter(|j| j.ended && j.opened && j.arrived == j.written)
            .count() as u64,
        lines: users.lines.len() as u64,
        lines_arrived: arrived().count() as u64,
        octets: octets(&mut users.lines.iter()),
        octets_arrived: octets(&mut arrived()),
        delay_mean_s: mean(&quick),
        delay_half_s: at(0.5),
        delay_95_s: at(0.95),
        bulk_delay_mean_s: mean(&delays(&users.lines, |k| k == Kind::Bulk)),
        fairness: jain(&shares(&users.lines, n)),
        inputs: crowd.inputs(),
    }
}

fn delays(lines: &[Line], wanted: impl Fn(Kind) -> bool) -> Vec<Duration> {
    let wanted = lines.iter().filter(|l| wanted(l.kind));
    wanted
        .filter_map(|l| Some(l.arrived?.since(l.said)))
        .collect()
}

/// Of each station that wrote something, the share of its octets that arrived.
fn shares(lines: &[Line], stations: usize) -> Vec<f64> {
    let mut octets = vec![(0, 0); stations];
    for line in lines {
        let of_station = &mut octets[line.by];
        of_station.0 += line.octets;
        of_station.1 += line.arrived.map_or(0, |_| line.octets);
    }
    let wrote = octets.into_iter().filter(|(written, _)| *written > 0);
    wrote.map(|(all, some)| some as f64 / all as f64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fairness_is_one_for_all_alike_and_one_over_n_for_one_who_has_all() {
        // Jain, Chiu, Hawe 1984: both ends of the index; and 1, 2, 3 give 36 / (3 * 14).
        assert_eq!(jain(&[0.5; 8]), Some(1.0));
        assert_eq!(jain(&[1.0, 0.0, 0.0, 0.0]), Some(0.25));
        assert!((jain(&[1.0, 2.0, 3.0]).expect("some") - 36.0 / 42.0).abs() < 1e-12);
        assert_eq!((jain(&[]), jain(&[0.0])), (None, None));
    }
}
