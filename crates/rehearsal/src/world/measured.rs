//! Bands of frames in the place of those with sound: which paths lose how much, and when what is
//! noticed. All figures were measured on the bands with sound, with the modem of the ports, by
//! `cargo bench -p dunlin-rehearsal --bench modem` (200 frames of 64 octets a point).

use dunlin_air::frames::{Curve, FrameBand, FrameBandConfig, FramePath, Place, Signal};
use dunlin_air::{AirError, BandConfig, Fading, Kind};
use dunlin_clock::Duration;
use dunlin_modem::Line;
use dunlin_station::StationConfig;
use dunlin_station::gate::Medium;

use crate::scenario::Scenario;

/// How a rehearsal carries what its stations send.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fidelity {
    /// As sound, through the modem of each port and the radios.
    #[default]
    Sound,
    /// As whole frames, by what was measured of modem and radios. The engine of each station is
    /// the same but for the modem.
    Frame,
}

/// Points of a curve: level in dB, share read.
type Points = &'static [(f64, f64)];

// BEGIN MEASURED
/// FM, 1200 Bd, with pre- and de-emphasis; by C/N in the receiver's 15 kHz.
const FM_1200: Points = &[(3.0, 0.0), (4.0, 0.5), (5.0, 0.9), (6.0, 1.0)];
/// The same without emphasis.
const FM_FLAT: Points = &[(3.0, 0.5), (4.0, 0.8), (5.0, 0.98), (6.0, 1.0)];
/// FM, 300 Bd.
const FM_300: Points = &[(1.0, 0.0), (4.0, 1.0)];
/// FM, 9600 Bd, without emphasis.
const FM_9600: Points = &[(9.0, 0.0), (12.0, 1.0)];
/// SSB, 300 Bd, without fading; by S/N in 3 kHz.
const SSB_300: Points = &[
    (-7.0, 0.0),
    (-6.0, 0.24),
    (-5.0, 0.8),
    (-4.0, 0.99),
    (-3.0, 1.0),
];
/// The same over paths of Rec. ITU-R F.1487: quiet, moderate, disturbed, near vertical.
const QUIET: Points = &[(0.0, 0.8), (6.0, 0.97), (12.0, 1.0)];
const MODERATE: Points = &[(0.0, 0.5), (6.0, 0.83), (12.0, 0.91), (18.0, 0.985)];
const DISTURBED: Points = &[(0.0, 0.4), (6.0, 0.88), (12.0, 0.94), (18.0, 0.985)];
const NEAR_VERTICAL: Points = &[(0.0, 0.4), (6.0, 0.88), (12.0, 0.94), (18.0, 0.985)];
/// SSB, 1200 Bd, without fading.
const SSB_1200: Points = &[(-1.0, 0.0), (1.0, 0.5), (3.0, 1.0)];

/// Read while another signal lasts all the time, by the level above it.
const CAPTURE_FM_1200: Points = &[(3.0, 0.0), (10.0, 1.0)];
const CAPTURE_FM_9600: Points = &[(6.0, 0.0), (12.0, 1.0)];
const CAPTURE_SSB_300: Points = &[(3.0, 0.0), (10.0, 1.0)];
const CAPTURE_SSB_1200: Points = &[(3.0, 0.0), (10.0, 1.0)];

/// Noticed, clear, told after (ms); noticed from (dB).
const DELAYS_FM_1200: [f64; 4] = [80.0, 40.0, 20.0, 3.0];
const DELAYS_FM_9600: [f64; 4] = [60.0, 30.0, 20.0, 8.0];
const DELAYS_SSB_300: [f64; 4] = [150.0, 100.0, 50.0, -5.0];
const DELAYS_SSB_1200: [f64; 4] = [80.0, 40.0, 20.0, 1.0];
// END MEASURED

/// What was measured of one kind of band and mode.
#[derive(Clone, Copy)]
struct Modem {
    capture: Points,
    delays: [f64; 4],
}

impl Modem {
    fn of(fm: bool, line: Line) -> Modem {
        let (capture, delays) = match (fm, line.baud()) {
            (true, 2401..) => (CAPTURE_FM_9600, DELAYS_FM_9600),
            (true, 601..) => (CAPTURE_FM_1200, DELAYS_FM_1200),
            // At 300 Bd the bits take as long on FM as on SSB.
            (true, _) => (CAPTURE_FM_1200, DELAYS_SSB_300),
            (false, 601..) => (CAPTURE_SSB_1200, DELAYS_SSB_1200),
            (false, _) => (CAPTURE_SSB_300, DELAYS_SSB_300),
        };
        Modem { capture, delays }
    }

    fn signal(self) -> Signal {
        let [detect, release, told] = [0, 1, 2].map(|n| {
            let ms: f64 = self.delays[n];
            Duration::from_secs_f64(ms / 1000.0)
        });
        Signal {
            detect,
            release,
            told,
            noticed_db: self.delays[3],
            capture: Curve::new(self.capture),
        }
    }
}

/// A port of a crowd on FM as its neighbours hear it.
pub(crate) fn fm_signal(line: Line) -> Signal {
    Modem::of(true, line).signal()
}

/// Share of frames that come through on FM at this level.
pub(crate) fn fm_share(line: Line, level_db: f64) -> f64 {
    through_fm(line, true).share(level_db)
}

/// By C/N. A mode that was not measured counts as the next faster one that was.
fn through_fm(line: Line, emphasis: bool) -> Curve {
    let points = match (line.baud(), line.has_tones(), emphasis) {
        (..=300, true, _) => FM_300,
        (_, true, true) => FM_1200,
        (..=1200, _, _) => FM_FLAT,
        _ => FM_9600,
    };
    Curve::new(points)
}

/// By S/N in 3 kHz. What was measured at one symbol rate holds at another for the same energy of a
/// bit.
fn through_ssb(line: Line, fading: Fading) -> Curve {
    let baud = f64::from(line.baud());
    let more_than = |measured: f64| 10.0 * (baud / measured).log10();
    let faded = match fading {
        Fading::None if line.baud() > 600 => {
            return Curve::new(SSB_1200).moved(more_than(1200.0));
        }
        Fading::None => SSB_300,
        Fading::Watterson { spread_hz, .. } if spread_hz < 0.22 => QUIET,
        Fading::Watterson { spread_hz, .. } if spread_hz < 0.7 => MODERATE,
        Fading::Watterson { delay, .. } if delay < Duration::from_millis(4) => DISTURBED,
        Fading::Watterson { .. } => NEAR_VERTICAL,
    };
    Curve::new(faded).moved(more_than(300.0))
}

/// The ports of a station that leaves the modem out.
pub(crate) fn without_modem(config: &mut StationConfig) {
    for port in &mut config.ports {
        port.medium = Medium::Frames;
        // These need a sound to listen to.
        port.also_hears = Vec::new();
        port.second_input = false;
        port.follow_most_hz = 0.0;
    }
}

/// Band `number` of a scenario, carrying frames.
pub(crate) fn frame_band(scenario: &Scenario, number: usize) -> Result<FrameBand, AirError> {
    let band = &scenario.bands[number];
    let lines = lines_on(scenario, number);
    let mut kinds: Vec<Line> = Vec::new();
    for line in lines.iter().flatten() {
        if !kinds.contains(line) {
            kinds.push(*line);
        }
    }
    let fm = matches!(band.kind, Kind::Fm(_));
    let places = band.stations.iter().zip(&lines);
    let places = places.map(|(station, line)| Place {
        signal: kinds.iter().position(|k| Some(*k) == *line).unwrap_or(0),
        recovery: station.recovery,
    });
    let config = FrameBandConfig {
        name: band.name.clone(),
        seed: band.seed,
        signals: kinds.iter().map(|l| Modem::of(fm, *l).signal()).collect(),
        places: places.collect(),
        paths: paths(band, &lines)?,
    };
    let mut made = FrameBand::new(&config)?;
    made.remember();
    Ok(made)
}

/// By place on a band: the line of the port there.
fn lines_on(scenario: &Scenario, number: usize) -> Vec<Option<Line>> {
    let mut lines = vec![None; scenario.bands[number].stations.len()];
    for member in &scenario.stations {
        for (seat, port) in member.seats.iter().zip(&member.config.ports) {
            if seat.band == number {
                lines[seat.place] = Some(port.line);
            }
        }
    }
    lines
}

fn paths(band: &BandConfig, lines: &[Option<Line>]) -> Result<Vec<FramePath>, AirError> {
    let place = |name: &str| {
        let found = band.stations.iter().position(|s| s.name == name);
        found.ok_or_else(|| AirError::UnknownStation(name.to_owned()))
    };
    let path = |p: &dunlin_air::PathConfig| {
        let (from, to) = (place(&p.from)?, place(&p.to)?);
        let share = lines[from].map_or(0.0, |line| match &band.kind {
            Kind::Fm(_) => through_fm(line, band.stations[to].de_emphasis).share(p.level_db),
            Kind::Ssb(_) => through_ssb(line, p.fading).share(p.level_db),
        });
        Ok(FramePath {
            from,
            to,
            level_db: p.level_db,
            share,
        })
    };
    band.paths.iter().map(path).collect()
}
