//! What a port hears, as its station and people are told.

use dunlin_clock::SampleCount;
use dunlin_modem::sense::{EnergyReport, Sound, SoundKind};
use serde::Serialize;

/// What a port hears now: its kind, how loud, and what speaks for it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChannelSound {
    /// What kind of sound it is.
    pub kind: SoundKind,
    /// The level of the last 30 ms, dB below a full-scale sine; -120 is nothing.
    pub level_dbfs: f32,
    /// The learned noise floor, dBFS; `None` in the first moments.
    pub floor_dbfs: Option<f32>,
    /// The energy detector goes on above this level, dBFS.
    pub on_dbfs: f32,
    /// The energy detector goes off below this level, dBFS.
    pub off_dbfs: f32,
    /// The energy detector says busy.
    pub energy: bool,
    /// Since when it says so, in the port's samples.
    pub energy_since: Option<SampleCount>,
    /// Since when it has been held by something of steady loudness without data in it.
    pub steady_since: Option<SampleCount>,
    /// For a steady tone, its frequency, hertz.
    pub tone_hz: Option<f32>,
    /// For data of two tones, how far they lie above the place of the port's mode, hertz.
    pub offset_hz: Option<f32>,
    /// For data of two tones, how far they are apart, hertz.
    pub shift_hz: Option<f32>,
    /// For data, its symbol rate.
    pub baud: Option<u32>,
    /// What it is and on what evidence, a sentence for people.
    pub evidence: String,
}

impl ChannelSound {
    pub(super) fn new(sound: &Sound, energy: &EnergyReport) -> Self {
        ChannelSound {
            kind: sound.kind,
            level_dbfs: energy.level_dbfs,
            floor_dbfs: energy.floor_dbfs,
            on_dbfs: energy.on_dbfs,
            off_dbfs: energy.off_dbfs,
            energy: energy.on,
            energy_since: energy.on.then_some(energy.since),
            steady_since: energy.steady_since,
            tone_hz: sound.tone_hz,
            offset_hz: sound.offset_hz,
            shift_hz: sound.tones_hz.map(|(low, high)| high - low),
            baud: sound.baud,
            evidence: evidence(sound),
        }
    }
}

/// One sentence: what it is, the figures, and what follows where something does.
fn evidence(sound: &Sound) -> String {
    let level = format!("{:.0} dBFS", sound.level_dbfs);
    match sound.kind {
        SoundKind::Unknown => "too little was heard yet to tell".into(),
        SoundKind::DigitalSilence => {
            "every sample is zero: nothing comes from the sound device; look for a muted input, \
             the wrong channel or a missing permission"
                .into()
        }
        SoundKind::Silence => {
            format!("next to nothing at {level}: the squelch is closed, or the radio is off")
        }
        SoundKind::Hiss => format!(
            "steady noise at {level}, {:.0} Hz wide, without tones: an empty channel heard \
             through an open squelch, or the volume stands high",
            sound.width_hz
        ),
        SoundKind::Hum => format!(
            "hum at {level}: most of the sound lies on multiples of {:.0} Hz; look for a ground \
             loop or a bad cable",
            sound.mains_hz.unwrap_or_default()
        ),
        SoundKind::Voice => format!(
            "somebody speaks: the level swings by {:.0} dB around {level}, and {:.0} % of it has \
             the pitch of a voice",
            sound.flutter_db,
            100.0 * sound.voiced
        ),
        SoundKind::SteadyTone => format!(
            "one steady tone of {:.0} Hz at {level}: a carrier, a whistle or a test tone",
            sound.tone_hz.unwrap_or_default()
        ),
        SoundKind::OwnData => format!("data of this port's mode at {level}{}", tones(sound)),
        SoundKind::OffTuneData => off_tune(sound, &level),
        SoundKind::OtherData => format!("data of another mode at {level}{}", tones(sound)),
        SoundKind::Unclear => format!(
            "sound at {level}, {:.0} Hz wide, that is neither data, voice, hum nor steady noise",
            sound.width_hz
        ),
    }
}

fn off_tune(sound: &Sound, level: &str) -> String {
    let offset = sound.offset_hz.unwrap_or_default();
    let (way, back) = if offset > 0.0 {
        ("high", "lower")
    } else {
        ("low", "higher")
    };
    format!(
        "data at {level}{}: {:.0} Hz too {way}; tune so that the tones come out {back}",
        tones(sound),
        offset.abs()
    )
}

/// The tones and the rate, as far as they are known.
fn tones(sound: &Sound) -> String {
    let tones = sound
        .tones_hz
        .map(|(low, high)| format!(", tones of {low:.0} and {high:.0} Hz"));
    let baud = sound.baud.map(|baud| format!(", about {baud} Bd"));
    [tones, baud].into_iter().flatten().collect()
}
