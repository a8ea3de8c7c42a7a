//! Bands of frames in the place of those with sound: which paths lose how much, and when what is
//! noticed. Figures were measured unless something else is said, frames of 64 octets, mostly 100 a
//! point: what has no other source beside it on the bands with sound with the modem of the ports,
//! by `cargo bench -p dunlin --bench modem`. The lower end of a curve, at which nothing is read, was
//! set where it was not reached.

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

/// FM, 1200 Bd, with pre- and de-emphasis; by C/N in the receiver's 15 kHz.
const FM_1200: Points = &[
    (3.0, 0.0),
    (4.0, 0.245),
    (5.0, 0.72),
    (6.0, 0.935),
    (8.0, 0.995),
    (12.0, 1.0),
];
/// The same without emphasis (docs/receiving.md: 3.5 to 6 dB).
const FM_FLAT: Points = &[
    (3.0, 0.0),
    (3.5, 0.70),
    (4.0, 0.81),
    (5.0, 0.985),
    (6.0, 1.0),
];
/// FM above 1200 Bd: the radios of these bands carry voice, 4 kHz of audio, and hardly a frame.
const FM_FAST: Points = &[(8.0, 0.0), (20.0, 0.02)];
/// SSB, 300 Bd, without fading; by S/N in 3 kHz (docs/receiving.md, Eb/N0 3 to 8 dB less 10 dB).
const SSB_300: Points = &[
    (-7.0, 0.0),
    (-6.0, 0.24),
    (-5.0, 0.80),
    (-4.0, 0.99),
    (-2.0, 1.0),
];
/// The same over paths of Rec. ITU-R F.1487: quiet, moderate, disturbed, near vertical.
const QUIET: Points = &[
    (-9.0, 0.0),
    (-6.0, 0.20),
    (-3.0, 0.43),
    (0.0, 0.65),
    (3.0, 0.80),
    (6.0, 0.86),
    (12.0, 0.97),
    (18.0, 0.99),
    (24.0, 1.0),
];
const MODERATE: Points = &[
    (-9.0, 0.0),
    (-6.0, 0.03),
    (-3.0, 0.25),
    (0.0, 0.36),
    (3.0, 0.64),
    (6.0, 0.77),
    (12.0, 0.97),
    (18.0, 1.0),
];
const DISTURBED: Points = &[
    (-6.0, 0.0),
    (-3.0, 0.07),
    (0.0, 0.38),
    (3.0, 0.63),
    (6.0, 0.84),
    (12.0, 0.97),
    (18.0, 0.99),
    (24.0, 1.0),
];
/// SSB, 1200 Bd, without fading (docs/receiving.md, Eb/N0 3 to 8 dB less 4 dB).
const SSB_1200: Points = &[
    (-1.0, 0.0),
    (0.0, 0.04),
    (1.0, 0.31),
    (2.0, 0.90),
    (3.0, 1.0),
];

/// Read while another signal lasts all the time, by the level above it.
const CAPTURE_FM: Points = &[(0.0, 0.0), (2.0, 1.0)];
const CAPTURE_SSB: Points = &[(3.0, 0.0), (10.0, 1.0)];

/// Noticed, clear and told after (ms, on paths that lose hardly anything); noticed from (dB).
const DELAYS_FM_1200: [f64; 4] = [46.0, 22.0, 55.0, 3.0];
const DELAYS_FM_FAST: [f64; 4] = [64.0, 6.0, 46.0, 8.0];
const DELAYS_SSB_300: [f64; 4] = [100.0, 60.0, 140.0, -3.0];
const DELAYS_SSB_1200: [f64; 4] = [48.0, 26.0, 58.0, 2.0];

/// What was measured of one kind of band and mode.
#[derive(Clone, Copy)]
struct Modem {
    capture: Points,
    delays: [f64; 4],
}

impl Modem {
    fn of(fm: bool, line: Line) -> Modem {
        let (capture, delays) = match (fm, line.baud()) {
            (true, 1201..) => (CAPTURE_FM, DELAYS_FM_FAST),
            (true, 601..) => (CAPTURE_FM, DELAYS_FM_1200),
            // Not measured: at 300 Bd the bits take as long on FM as on SSB.
            (true, _) => (CAPTURE_FM, DELAYS_SSB_300),
            (false, 601..) => (CAPTURE_SSB, DELAYS_SSB_1200),
            (false, _) => (CAPTURE_SSB, DELAYS_SSB_300),
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

/// By C/N. A mode with tones counts as 1200 Bd, which reads less than a slower one.
fn through_fm(line: Line, emphasis: bool) -> Curve {
    let points = match (line.baud(), emphasis) {
        (..=1200, true) => FM_1200,
        (..=1200, false) => FM_FLAT,
        _ => FM_FAST,
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
        // Near vertical paths, with their longer delay, were not measured.
        Fading::Watterson { .. } => DISTURBED,
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
            hours: p.hours,
            from,
            to,
            level_db: p.level_db,
            share,
        })
    };
    band.paths.iter().map(path).collect()
}
