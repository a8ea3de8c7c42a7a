//! What the modem does on the simulated bands with sound: the figures that the bands of frames
//! go by (`crates/rehearsal/src/world/measured.rs`).
//!
//! `cargo bench -p dunlin --bench modem` prints all; `-- noise`, `-- capture`,
//! `-- delays` one. Each point has 100 frames of 64 octets, one a transmission.

use dunlin_air::{Band, BandConfig, Fading, FmConfig, Kind, PathConfig, SsbConfig, StationConfig};
use dunlin_clock::{Chance, Duration, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{Receiver, ReceiverEvent, Transmitter, TransmitterSettings};

/// Frames at each point.
const FRAMES: usize = 100;
/// The sound is handed over in pieces of this length, as the rehearsal does it, ms.
const PIECE_MS: u64 = 20;
/// Key-up delay and tail of a port that says nothing else in its plan.
const LEAD: Duration = Duration::from_millis(300);

fn main() {
    let wanted: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| !a.starts_with('-'))
        .collect();
    let wants = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
    if wants("noise") {
        noise();
    }
    if wants("capture") {
        capture();
    }
    if wants("delays") {
        delays();
    }
}

/// A kind of band, its mode, the fading of its paths, and whether FM audio is emphasised.
#[derive(Clone, Copy)]
struct Setting {
    name: &'static str,
    mode: Mode,
    fm: bool,
    fading: Fading,
    emphasis: bool,
}

const FM_1200: Setting = Setting {
    name: "FM 1200 Bd, pre- and de-emphasis",
    mode: Mode::Afsk1200,
    fm: true,
    fading: Fading::None,
    emphasis: true,
};
const FM_FLAT: Setting = Setting {
    name: "FM 1200 Bd, flat",
    emphasis: false,
    ..FM_1200
};
const FM_9600: Setting = Setting {
    name: "FM 9600 Bd, flat",
    mode: Mode::Fsk9600,
    emphasis: false,
    ..FM_1200
};
const FM_300: Setting = Setting {
    name: "FM 300 Bd, pre- and de-emphasis",
    mode: Mode::Afsk300,
    ..FM_1200
};
const SSB_300: Setting = Setting {
    name: "SSB 300 Bd, no fading",
    mode: Mode::Afsk300,
    fm: false,
    fading: Fading::None,
    emphasis: false,
};
const SSB_1200: Setting = Setting {
    name: "SSB 1200 Bd, no fading",
    mode: Mode::Afsk1200,
    ..SSB_300
};

impl Setting {
    fn faded(self, name: &'static str, fading: Fading) -> Setting {
        Setting {
            name,
            fading,
            ..self
        }
    }

    fn rate(self) -> SampleRate {
        let hz = match (self.fm, self.mode) {
            (_, Mode::Fsk9600) => 48_000,
            (true, _) => 24_000,
            (false, _) => 12_000,
        };
        SampleRate::new(hz).expect("not zero")
    }

    /// Station 0 and further senders that all reach the last station, each at its level.
    fn band(self, levels: &[f64], seed: u64) -> Band {
        let mut stations: Vec<StationConfig> = (0..=levels.len())
            .map(|n| StationConfig::new(format!("QA{n}SKY")))
            .collect();
        for s in &mut stations {
            (s.pre_emphasis, s.de_emphasis) = (self.emphasis, self.emphasis);
        }
        let to = format!("QA{}SKY", levels.len());
        let paths = levels.iter().enumerate().map(|(n, level)| {
            let mut path = PathConfig::new(format!("QA{n}SKY"), &to, *level);
            path.fading = self.fading;
            path
        });
        let kind = match self.fm {
            true => Kind::Fm(FmConfig::default()),
            false => Kind::Ssb(SsbConfig::default()),
        };
        let config = BandConfig {
            name: "bench".into(),
            rate: self.rate(),
            kind,
            stations,
            paths: paths.collect(),
            seed,
        };
        Band::new(&config).expect("fits")
    }

    fn transmitter(self) -> Transmitter {
        let settings = TransmitterSettings {
            key_up_delay: LEAD,
            ..TransmitterSettings::default()
        };
        Transmitter::new(self.mode, self.rate(), settings).expect("fits")
    }
}

/// A frame of so many octets between two stations.
fn frame(chance: &mut Chance, octets: usize) -> Vec<u8> {
    let mut frame: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    frame[13] |= 1;
    frame.extend([0x03, 0xF0]);
    frame.extend((frame.len()..octets).map(|_| chance.octet()));
    frame
}

/// What was measured at one point.
#[derive(Default)]
struct Point {
    read: usize,
    sent: usize,
    /// Seconds from keying to the carrier, from unkeying to clear, from a frame's end to its
    /// receiver having it.
    on: Vec<f64>,
    off: Vec<f64>,
    told: Vec<f64>,
}

impl Point {
    fn share(&self) -> f64 {
        self.read as f64 / self.sent as f64
    }
}

/// Sends frames from the first station at the first level, while the second, if there is one, sends too for
/// all of that time.
fn measure(setting: Setting, levels: &[f64]) -> Point {
    let rate = setting.rate();
    let mut band = setting.band(levels, 7);
    let mut chance = Chance::stream(7, &format!("{} {levels:?}", setting.name));
    let transmitter = setting.transmitter();
    let mut receiver = Receiver::new(setting.mode, rate).expect("fits");
    let listener = levels.len();
    let piece = rate.samples_in(Duration::from_millis(PIECE_MS)) as usize;
    let mut point = Point::default();
    for _ in 0..FRAMES {
        let octets = frame(&mut chance, 64);
        let timed = transmitter.timed(vec![octets.clone()]);
        let sound = transmitter.transmission(std::slice::from_ref(&octets));
        let before = rate.samples_in(Duration::from_secs_f64(chance.between(0.6, 0.9)));
        let start = band.now().0 + before;
        band.key_after(0, before as u32, sound).expect("fits");
        if levels.len() > 1 {
            let other = vec![frame(&mut chance, 64), frame(&mut chance, 64)];
            let early = rate.samples_in(Duration::from_secs_f64(chance.between(0.0, 0.5)));
            let sound = transmitter.transmission(&other);
            band.key_after(1, (before - early) as u32, sound)
                .expect("fits");
        }
        let end = start + rate.samples_in(timed[0].end);
        let seconds = |from: u64, to: u64| (to as f64 - from as f64) / rate.hz_f64();
        let (mut unkeyed, mut read, mut went_off) = (None, false, None);
        let mut came_on = None;
        let lasts = match levels.len() {
            1 => transmitter.airtime(std::slice::from_ref(&octets)),
            _ => transmitter.airtime(&[octets.clone(), octets.clone()]),
        };
        let until = start + rate.samples_in(lasts + Duration::from_secs(1));
        while band.now().0 < until {
            band.step(piece);
            let now = band.now().0;
            let ended = band.finished().iter().find(|t| t.station == 0);
            unkeyed = ended.map(|t| t.end.0).or(unkeyed);
            let mut events = Vec::new();
            receiver.process(band.heard(listener), &mut events);
            for event in events {
                match event {
                    ReceiverEvent::Frame { octets: o, .. } if o == octets => {
                        read = true;
                        point.told.push(seconds(end, now));
                    }
                    ReceiverEvent::Carrier { on: true, .. } if now > start && came_on.is_none() => {
                        came_on = Some(seconds(start, now));
                    }
                    ReceiverEvent::Carrier { on: false, .. } => went_off = Some(now),
                    _ => {}
                }
            }
        }
        point.sent += 1;
        point.read += usize::from(read);
        point.on.extend(came_on);
        let off = unkeyed.zip(went_off);
        point.off.extend(off.map(|(end, off)| seconds(end, off)));
    }
    point
}

fn noise() {
    println!("share of frames of 64 octets read, by level (dB as paths are given)");
    let fm: Vec<f64> = (2..=8).map(f64::from).collect();
    let fm_9600: Vec<f64> = (6..=13).map(f64::from).collect();
    let ssb: Vec<f64> = (-7..=-2).map(f64::from).collect();
    let faded: Vec<f64> = [-6, -3, 0, 3, 6, 12, 18, 24].map(f64::from).to_vec();
    let ssb_1200: Vec<f64> = (0..=4).map(f64::from).collect();
    let of = |name, fading| (SSB_300.faded(name, fading), &faded[..]);
    let rows: [(Setting, &[f64]); 10] = [
        of("SSB 300 Bd, quiet", Fading::MID_QUIET),
        of("SSB 300 Bd, moderate", Fading::MID_MODERATE),
        of("SSB 300 Bd, disturbed", Fading::MID_DISTURBED),
        of("SSB 300 Bd, near vertical", Fading::MID_NEAR_VERTICAL),
        (SSB_300, &ssb),
        (FM_1200, &fm),
        (FM_FLAT, &fm),
        (FM_300, &fm),
        (SSB_1200, &ssb_1200),
        (FM_9600, &fm_9600),
    ];
    for (setting, levels) in rows {
        println!("{}", setting.name);
        for level in levels {
            let point = measure(setting, &[*level]);
            println!("  ({level:.1}, {:.3}),", point.share());
        }
    }
}

fn capture() {
    println!("share read while another sends all the time, by the level above it; own level 25 dB");
    let rows: [(Setting, &[f64]); 3] = [
        (FM_1200, &[0.0, 0.5, 1.0, 1.5, 2.0]),
        (SSB_300, &[0.0, 2.0, 4.0, 6.0, 8.0, 10.0]),
        (SSB_1200, &[0.0, 3.0, 6.0, 9.0]),
    ];
    for (setting, levels) in rows {
        println!("{}", setting.name);
        for &above in levels {
            let point = measure(setting, &[25.0, 25.0 - above]);
            println!("  ({above:.1}, {:.3}),", point.share());
        }
    }
}

fn delays() {
    println!("delays in ms, mean and 5th and 95th percentile, and how many of {FRAMES}");
    let rows: [(Setting, &[f64]); 5] = [
        (FM_1200, &[3.0, 5.0, 8.0, 20.0]),
        (FM_9600, &[8.0, 20.0]),
        (SSB_300, &[-7.0, -5.0, 0.0, 15.0]),
        (
            SSB_300.faded("SSB 300 Bd, moderate", Fading::MID_MODERATE),
            &[0.0, 12.0],
        ),
        (SSB_1200, &[3.0, 15.0]),
    ];
    for (setting, levels) in rows {
        println!("{}", setting.name);
        for level in levels {
            let mut point = measure(setting, &[*level]);
            let figures =
                [&mut point.on, &mut point.off, &mut point.told].map(|seconds| spread(seconds));
            println!(
                "  {level:4.1} dB: noticed {}  clear {}  frame told {}",
                figures[0], figures[1], figures[2]
            );
        }
    }
}

fn spread(seconds: &mut [f64]) -> String {
    if seconds.is_empty() {
        return "never".into();
    }
    seconds.sort_by(f64::total_cmp);
    let n = seconds.len();
    let mean = 1000.0 * seconds.iter().sum::<f64>() / n as f64;
    let at = |share: f64| 1000.0 * seconds[(share * (n - 1) as f64) as usize];
    format!("{mean:.0} ({:.0} to {:.0}, {n})", at(0.05), at(0.95))
}
