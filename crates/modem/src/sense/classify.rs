//! What kind of sound a port hears, from what the last second and a half looked like.
//!
//! The questions are asked in order, the surest first: nothing at all, data of the own mode,
//! a steady tone, hum, other data, voice, hiss. What answers none of them is unclear.
//!
//! Common practice, no source; the thresholds were found by measurement on made sounds and on
//! recordings.

use serde::Serialize;

use super::spectrum::{Line, Shape};
use super::two_tone::TwoTone;

/// What a port hears.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SoundKind {
    /// Not enough was heard to tell.
    #[default]
    Unknown,
    /// Every sample is zero: nothing comes from the sound device.
    DigitalSilence,
    /// Next to nothing.
    Silence,
    /// Noise over a wide band.
    Hiss,
    /// Multiples of the mains frequency.
    Hum,
    /// Somebody speaks.
    Voice,
    /// One steady tone: a carrier beside the dial's frequency, a whistle, a tone of a test.
    SteadyTone,
    /// Data of the port's mode.
    OwnData,
    /// Two tones with the shift of the port's mode, but off its place.
    OffTuneData,
    /// Data of some other mode.
    OtherData,
    /// Sound that is none of these.
    Unclear,
}

impl SoundKind {
    /// Every kind.
    pub const ALL: [SoundKind; 11] = [
        SoundKind::Unknown,
        SoundKind::DigitalSilence,
        SoundKind::Silence,
        SoundKind::Hiss,
        SoundKind::Hum,
        SoundKind::Voice,
        SoundKind::SteadyTone,
        SoundKind::OwnData,
        SoundKind::OffTuneData,
        SoundKind::OtherData,
        SoundKind::Unclear,
    ];
}

/// A kind of sound with the figures that speak for it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sound {
    /// What it is.
    pub kind: SoundKind,
    /// Its level over the last second and a half, dBFS.
    pub level_dbfs: f32,
    /// How wide it is, hertz; at most about 3600.
    pub width_hz: f32,
    /// How much its level varies within the last second and a half, dB.
    pub flutter_db: f32,
    /// How much of the time it has the pitch of a voice, 0 to 1.
    pub voiced: f32,
    /// For hum, the mains frequency, hertz.
    pub mains_hz: Option<f32>,
    /// For a steady tone, its frequency, hertz.
    pub tone_hz: Option<f32>,
    /// For data of two tones, how far its middle lies above that of the port's mode, hertz.
    pub offset_hz: Option<f32>,
    /// For data of two tones, the lower and the higher one, hertz.
    pub tones_hz: Option<(f32, f32)>,
    /// For data, its symbol rate.
    pub baud: Option<u32>,
}

/// Looks that are remembered, one every 128 ms.
const LOOKS: usize = 12;
/// Levels within one look.
pub(super) const LEVELS: usize = 4;
/// Below this is silence, dBFS.
const SILENT_DBFS: f32 = -70.0;
/// Data must be heard for this share of the last looks.
const DATA_SHARE: f32 = 0.4;
/// Two tones must explain this much of the frequency's scatter.
const CLEAR_TONES: f32 = 0.86;
/// Data of the own shift is off tune when it lies further off than this share of the shift.
const OFF_TUNE_SHARE: f32 = 0.3;

/// What one look at the sound found.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Look {
    /// Levels of four parts, dBFS.
    pub(super) levels_dbfs: [f32; LEVELS],
    /// The greatest sample.
    pub(super) loudest: f32,
    /// How much of it the port's mode took for data, 0 to 1.
    pub(super) data: f32,
    pub(super) line: Line,
    pub(super) pitch: f32,
    pub(super) tones: Option<TwoTone>,
    pub(super) wide_baud: Option<u32>,
}

/// The port's own mode, as far as it matters here.
#[derive(Clone, Copy, Debug)]
struct Own {
    baud: u32,
    /// Middle and shift of its tones, hertz.
    tones: Option<(f32, f32)>,
}

/// Tells what kind of sound is heard.
#[derive(Clone, Debug)]
pub(super) struct Classifier {
    own: Own,
    looks: [Look; LOOKS],
    seen: usize,
    /// What is told, and what would be told next if it is seen again.
    told: Sound,
    next: SoundKind,
}

impl Classifier {
    pub(super) fn new(line: &crate::Line) -> Self {
        let tones = line.centre_hz().zip(line.shift_hz());
        Classifier {
            own: Own {
                baud: line.baud(),
                tones: tones.map(|(centre, shift)| (centre as f32, shift as f32)),
            },
            looks: [Look::default(); LOOKS],
            seen: 0,
            told: Sound::default(),
            next: SoundKind::Unknown,
        }
    }

    /// What is heard.
    pub(super) fn sound(&self) -> Sound {
        self.told
    }

    /// Takes the next look; true if the kind has changed.
    pub(super) fn push(&mut self, look: Look, shape: Shape) -> bool {
        self.looks.rotate_left(1);
        self.looks[LOOKS - 1] = look;
        self.seen = (self.seen + 1).min(LOOKS);
        if self.seen < 4 {
            return false;
        }
        let now = self.judge(shape);
        // Twice the same before it is told, so that it does not chatter.
        let settled = now.kind == self.next || self.told.kind == SoundKind::Unknown;
        self.next = now.kind;
        if now.kind == self.told.kind {
            self.told = now;
            return false;
        }
        if settled {
            self.told = now;
        }
        settled
    }

    /// The latest `n` looks.
    fn latest(&self, n: usize) -> &[Look] {
        &self.looks[LOOKS - n.min(self.seen)..]
    }

    fn judge(&self, shape: Shape) -> Sound {
        let (level_dbfs, flutter_db) = self.levels();
        let sound = Sound {
            kind: SoundKind::Unclear,
            level_dbfs,
            width_hz: shape.width_hz,
            flutter_db,
            voiced: self.voiced(),
            ..Sound::default()
        };
        if self.latest(6).iter().all(|l| l.loudest == 0.0) {
            return of_kind(sound, SoundKind::DigitalSilence);
        }
        if self.latest(6).iter().all(|l| mean_dbfs(l) < SILENT_DBFS) {
            return of_kind(sound, SoundKind::Silence);
        }
        // The levels of direct shift can be found in tones too; those know each other better.
        let tonal = self.own.tones.is_none() && self.own.baud >= 4800;
        let own = || {
            self.own_data(sound)
                .filter(|_| !(tonal && self.is_tonal(sound)))
        };
        own()
            .or_else(|| self.steady_tone(sound))
            .or_else(|| hum(sound, shape))
            .or_else(|| self.other_data(sound))
            .or_else(|| voice_or_hiss(sound, shape))
            .unwrap_or(sound)
    }

    /// Mean level and standard deviation of the levels, dB.
    fn levels(&self) -> (f32, f32) {
        let looks = self.latest(LOOKS);
        let n = (looks.len() * LEVELS) as f32;
        let all = || looks.iter().flat_map(|l| l.levels_dbfs);
        let power: f32 = all().map(|db| 10_f32.powf(db / 10.0)).sum::<f32>() / n;
        let mean = all().sum::<f32>() / n;
        let scatter = all().map(|db| (db - mean).powi(2)).sum::<f32>() / n;
        (10.0 * power.max(1e-12).log10(), scatter.sqrt())
    }

    /// How many of the louder looks have a pitch.
    fn voiced(&self) -> f32 {
        let looks = self.latest(LOOKS);
        let most = looks.iter().map(mean_dbfs).fold(-120.0, f32::max);
        let loud = looks.iter().filter(|l| mean_dbfs(l) > most - 15.0);
        let (mut voiced, mut count) = (0.0, 0.0);
        for look in loud {
            count += 1.0;
            voiced += if look.pitch > 0.5 { 1.0 } else { 0.0 };
        }
        voiced / f32::max(count, 1.0)
    }

    fn own_data(&self, sound: Sound) -> Option<Sound> {
        let looks = self.latest(2);
        let share = looks.iter().map(|l| l.data).sum::<f32>() / looks.len() as f32;
        if share < DATA_SHARE {
            return None;
        }
        let sound = Sound {
            baud: Some(self.own.baud),
            ..sound
        };
        let Some((tones, (_, shift))) = self.tones().zip(self.own.tones) else {
            return Some(of_kind(sound, SoundKind::OwnData));
        };
        let sound = self.with_tones(sound, tones);
        let off = sound
            .offset_hz
            .is_some_and(|o| o.abs() > OFF_TUNE_SHARE * shift);
        let kind = match off && like(tones.shift_hz(), shift) {
            true => SoundKind::OffTuneData,
            false => SoundKind::OwnData,
        };
        Some(of_kind(sound, kind))
    }

    fn is_tonal(&self, sound: Sound) -> bool {
        self.steady_tone(sound).is_some() || self.tones().is_some()
    }

    /// Two tones that at least two of the last three looks agree on.
    fn tones(&self) -> Option<TwoTone> {
        let mut best: Option<TwoTone> = None;
        let looks = self.latest(3);
        let clear = || {
            looks
                .iter()
                .filter_map(|l| l.tones)
                .filter(|t| t.clarity > CLEAR_TONES)
        };
        for tones in clear() {
            let same = |t: &TwoTone| {
                (t.centre_hz() - tones.centre_hz()).abs() < 0.3 * tones.shift_hz()
                    && like(t.shift_hz(), tones.shift_hz())
            };
            if clear().filter(same).count() >= 2 && best.is_none_or(|b| b.clarity < tones.clarity) {
                best = Some(tones);
            }
        }
        best
    }

    fn with_tones(&self, sound: Sound, tones: TwoTone) -> Sound {
        Sound {
            tones_hz: Some((tones.low_hz, tones.high_hz)),
            offset_hz: self.own.tones.map(|(centre, _)| tones.centre_hz() - centre),
            ..sound
        }
    }

    fn steady_tone(&self, sound: Sound) -> Option<Sound> {
        let looks = self.latest(6);
        let strong = |l: &&Look| l.line.share > 0.3 && l.line.above_db > 18.0;
        let hz = looks.last()?.line.hz;
        let steady = |l: &&Look| (l.line.hz - hz).abs() < 5.0;
        let count = looks.iter().filter(strong).filter(steady).count();
        // Low tones belong to hum.
        if count < 5 || hz < 130.0 {
            return None;
        }
        Some(Sound {
            kind: SoundKind::SteadyTone,
            tone_hz: Some(hz),
            ..sound
        })
    }

    fn other_data(&self, sound: Sound) -> Option<Sound> {
        let looks = self.latest(3);
        if let Some(tones) = self.tones() {
            let sound = Sound {
                baud: tones.baud.map(usual_baud),
                ..self.with_tones(sound, tones)
            };
            let own_shift = self
                .own
                .tones
                .is_some_and(|(_, s)| like(tones.shift_hz(), s));
            let own_rate = sound.baud.is_none_or(|b| b == self.own.baud);
            let kind = match own_shift && own_rate {
                true => SoundKind::OffTuneData,
                false => SoundKind::OtherData,
            };
            return Some(of_kind(sound, kind));
        }
        let found = |l: &&Look| l.wide_baud.is_some();
        if looks.iter().filter(found).count() >= 2 {
            return Some(Sound {
                kind: SoundKind::OtherData,
                baud: looks.iter().rev().find_map(|l| l.wide_baud),
                ..sound
            });
        }
        None
    }
}

fn of_kind(sound: Sound, kind: SoundKind) -> Sound {
    Sound { kind, ..sound }
}

fn mean_dbfs(look: &Look) -> f32 {
    look.levels_dbfs.iter().sum::<f32>() / LEVELS as f32
}

/// Within a quarter of each other.
fn like(a: f32, b: f32) -> bool {
    (a - b).abs() < 0.25 * b
}

/// The usual symbol rate nearest to a measured one, or the measured one if none is near.
fn usual_baud(measured: f32) -> u32 {
    const USUAL: [f32; 11] = [
        45.45, 50.0, 75.0, 100.0, 110.0, 150.0, 200.0, 300.0, 600.0, 1200.0, 2400.0,
    ];
    let distance = |b: f32| (measured / b).ln().abs();
    let nearest = USUAL
        .into_iter()
        .min_by(|a, b| distance(*a).total_cmp(&distance(*b)))
        .filter(|b| distance(*b) < 0.2);
    nearest.unwrap_or(measured).round() as u32
}

fn hum(sound: Sound, shape: Shape) -> Option<Sound> {
    (shape.teeth > 0.75 && shape.low > 0.5 && sound.flutter_db < 3.0).then_some(Sound {
        kind: SoundKind::Hum,
        mains_hz: Some(shape.mains_hz),
        ..sound
    })
}

fn voice_or_hiss(sound: Sound, shape: Shape) -> Option<Sound> {
    let hiss = sound.flutter_db < 2.5 && shape.peak_db < 9.0 && shape.width_hz > 250.0;
    let voice = sound.flutter_db > 3.0 && sound.voiced > 0.25;
    match (hiss, voice) {
        (true, _) => Some(of_kind(sound, SoundKind::Hiss)),
        (_, true) => Some(of_kind(sound, SoundKind::Voice)),
        _ => None,
    }
}
