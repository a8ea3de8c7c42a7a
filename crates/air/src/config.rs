//! What a simulated band consists of, and the check of it.

use dunlin_clock::{Duration, Hours, SampleRate};
use thiserror::Error;

/// The most stations on one band.
pub const MAX_STATIONS: usize = 64;
/// The longest delay between the two components of a fading path.
pub(crate) const MAX_DELAY: Duration = Duration::from_millis(10);

/// A simulated band: its kind, who is on it and who hears whom.
#[derive(Clone, Debug, PartialEq)]
pub struct BandConfig {
    /// Name of the band; with the seed it fixes every random stream, so two bands under one
    /// seed need two names.
    pub name: String,
    /// Samples per second of all audio, 8000 to 96000 Hz. Usual: 24000 for FM, 12000 for SSB.
    pub rate: SampleRate,
    /// Modulation and receiver of all stations on this band.
    pub kind: Kind,
    /// The stations, 1 to [`MAX_STATIONS`]. Their place in this list is their number.
    pub stations: Vec<StationConfig>,
    /// Who hears whom; a pair that is missing does not hear each other.
    pub paths: Vec<PathConfig>,
    /// Seed of every random stream of this band.
    pub seed: u64,
}

/// How a band carries audio.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    /// Frequency modulation through a voice-type radio.
    Fm(FmConfig),
    /// Single sideband through a voice-type radio.
    Ssb(SsbConfig),
}

/// Radios of an FM band.
#[derive(Clone, Debug, PartialEq)]
pub struct FmConfig {
    /// Width of the receivers' IF filter between its -6 dB points, Hz, 4000 up to 0.75 of the
    /// sample rate. Default 15000 (common practice for 25 kHz channels, no source).
    pub if_bandwidth_hz: f64,
    /// Peak amplitude of the sender's audio (full scale = 1) that gives `nominal_deviation_hz`,
    /// 0.01 to 1. Default 0.5.
    pub nominal_audio: f64,
    /// Peak deviation at nominal audio, Hz, 100 to 10000. Default 3000.
    pub nominal_deviation_hz: f64,
    /// The transmitter's limiter clips at this deviation, Hz, 100 to 12000. Default 5000.
    pub max_deviation_hz: f64,
    /// Low-pass after the transmitter's limiter, Hz (-6 dB), 1000 up to 0.45 of the sample rate.
    /// Default 4000.
    pub sender_low_pass_hz: f64,
    /// Low-pass after the receiver's discriminator, Hz (-6 dB), 1000 up to 0.45 of the sample
    /// rate. Default 4000.
    pub audio_low_pass_hz: f64,
    /// First-order high-pass of the receiver's audio, Hz (-3 dB), 0 (none: a carrier off
    /// frequency then gives a steady offset) to 300. Default 50.
    pub audio_high_pass_hz: f64,
    /// Peak amplitude of the audio heard from a carrier with nominal deviation (full
    /// scale = 1), 0.01 to 1. Default 0.25, which is -12 dBFS.
    pub audio_out: f64,
}

impl Default for FmConfig {
    fn default() -> Self {
        FmConfig {
            if_bandwidth_hz: 15_000.0,
            nominal_audio: 0.5,
            nominal_deviation_hz: 3000.0,
            max_deviation_hz: 5000.0,
            sender_low_pass_hz: 4000.0,
            audio_low_pass_hz: 4000.0,
            audio_high_pass_hz: 50.0,
            audio_out: 0.25,
        }
    }
}

/// The sideband in use. It only decides which way a dial error moves the audio.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sideband {
    /// Radio frequency = dial + audio: a sender dialled high is heard high.
    #[default]
    Upper,
    /// Radio frequency = dial - audio: a sender dialled high is heard low.
    Lower,
}

/// Radios of an SSB band.
#[derive(Clone, Debug, PartialEq)]
pub struct SsbConfig {
    /// Sideband of all stations. Default upper.
    pub sideband: Sideband,
    /// Lower edge (-6 dB) of the sender's and the receiver's filter, Hz, 100 to 1500. Default 300.
    pub low_edge_hz: f64,
    /// Upper edge (-6 dB), Hz, at least 500 above the lower, at most 0.45 of the sample rate.
    /// Default 2700.
    pub high_edge_hz: f64,
    /// Peak amplitude of a sine in the sender's audio (full scale = 1) that is heard with the
    /// SNR of the path, 0.01 to 1. Default 0.5. Louder audio is sent stronger: there is no ALC.
    pub nominal_audio: f64,
    /// Noise power heard, reckoned in 3 kHz, dB relative to an RMS of full scale, -80 to -10.
    /// Default -40. What goes beyond full scale is clipped.
    pub noise_dbfs: f64,
}

impl Default for SsbConfig {
    fn default() -> Self {
        SsbConfig {
            sideband: Sideband::Upper,
            low_edge_hz: 300.0,
            high_edge_hz: 2700.0,
            nominal_audio: 0.5,
            noise_dbfs: -40.0,
        }
    }
}

/// One station's radio and sound device on one band.
#[derive(Clone, Debug, PartialEq)]
pub struct StationConfig {
    /// Name, unique on the band; usually its call sign.
    pub name: String,
    /// Error of the sound device's clock when it plays, parts per million, -1000 to 1000.
    /// Positive: plays too fast, so tones are high. Receivers' clocks are exact.
    pub clock_ppm: f64,
    /// Error of the dial, Hz, -3000 to 3000, in sending and in receiving. A receiver hears a
    /// sender shifted by the sender's error minus its own.
    pub mistune_hz: f64,
    /// Error of the audio level into the transmitter, dB, -40 to 20.
    pub drive_db: f64,
    /// FM only: the sender's audio passes the microphone path, 750 us pre-emphasis with 0 dB at
    /// 1700 Hz.
    pub pre_emphasis: bool,
    /// FM only: the receiver's audio passes 750 us de-emphasis with 0 dB at 1700 Hz.
    pub de_emphasis: bool,
    /// From keying to the carrier being on the air, up to 2 s; audio in it is lost.
    pub key_up: Duration,
    /// From unkeying to the receiver giving audio again, up to 2 s.
    pub recovery: Duration,
}

impl StationConfig {
    /// A station without errors: key-up 20 ms, recovery 20 ms (common practice, no source).
    pub fn new(name: impl Into<String>) -> Self {
        StationConfig {
            name: name.into(),
            clock_ppm: 0.0,
            mistune_hz: 0.0,
            drive_db: 0.0,
            pre_emphasis: false,
            de_emphasis: false,
            key_up: Duration::from_millis(20),
            recovery: Duration::from_millis(20),
        }
    }
}

/// One direction of a path between two stations.
#[derive(Clone, Debug, PartialEq)]
pub struct PathConfig {
    /// Name of the sending station.
    pub from: String,
    /// Name of the receiving station.
    pub to: String,
    /// FM: carrier to noise in the IF bandwidth; SSB: SNR in 3 kHz, mean over fading. dB, -40
    /// to 80.
    pub level_db: f64,
    /// How the path fades.
    pub fading: Fading,
    /// When the path is open; a day begins with the band's time zero. A transmission is heard only if
    /// its path was open when it began.
    pub hours: Hours,
}

impl PathConfig {
    /// A path from `from` to `to` without fading.
    pub fn new(from: impl Into<String>, to: impl Into<String>, level_db: f64) -> Self {
        let (from, to) = (from.into(), to.into());
        PathConfig {
            from,
            to,
            level_db,
            fading: Fading::None,
            hours: Hours::ALWAYS,
        }
    }

    /// The same path in the other direction, with its own level.
    pub fn back(&self, level_db: f64) -> Self {
        let (from, to) = (self.to.clone(), self.from.clone());
        PathConfig {
            from,
            to,
            level_db,
            fading: self.fading,
            hours: self.hours,
        }
    }
}

/// How a path fades.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Fading {
    /// Not at all.
    #[default]
    None,
    /// Two independent Rayleigh components of equal mean power (Rec. ITU-R F.1487). Both
    /// directions between two stations fade together if their parameters are equal.
    Watterson {
        /// Delay of the second component behind the first, up to 10 ms, taken to the nearest
        /// sample.
        delay: Duration,
        /// Frequency spread, twice the standard deviation of the Doppler spectrum, Hz, 0.01 to
        /// 50.
        spread_hz: f64,
    },
}

impl Fading {
    /// Mid-latitude quiet: 0.5 ms, 0.1 Hz (Rec. ITU-R F.1487, table of Annex 3).
    pub const MID_QUIET: Fading = Fading::watterson_us(500, 0.1);
    /// Mid-latitude moderate: 1 ms, 0.5 Hz (Rec. ITU-R F.1487, table of Annex 3).
    pub const MID_MODERATE: Fading = Fading::watterson_us(1000, 0.5);
    /// Mid-latitude disturbed: 2 ms, 1 Hz (Rec. ITU-R F.1487, table of Annex 3).
    pub const MID_DISTURBED: Fading = Fading::watterson_us(2000, 1.0);
    /// Mid-latitude disturbed near vertical incidence: 7 ms, 1 Hz (Rec. ITU-R F.1487, table of
    /// Annex 3).
    pub const MID_NEAR_VERTICAL: Fading = Fading::watterson_us(7000, 1.0);

    const fn watterson_us(us: u64, spread_hz: f64) -> Fading {
        Fading::Watterson {
            delay: Duration::from_micros(us),
            spread_hz,
        }
    }
}

/// What is wrong with a configuration or a call. All of these are the caller's fault.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum AirError {
    /// A figure lies outside its range.
    #[error("{what} is {value}, allowed is {low} to {high}")]
    OutOfRange {
        /// The figure.
        what: &'static str,
        /// Its value.
        value: f64,
        /// Lowest allowed value.
        low: f64,
        /// Highest allowed value.
        high: f64,
    },
    /// Two stations have the same name, or a name is empty.
    #[error("station name {0:?} is empty or used twice")]
    Name(String),
    /// A path names a station that is not on the band.
    #[error("a path names the station {0:?}, which is not on this band")]
    UnknownStation(String),
    /// A path leads from a station to itself, or the same direction is given twice.
    #[error("the path from {from:?} to {to:?} is given twice or leads to itself")]
    Path {
        /// Sending station.
        from: String,
        /// Receiving station.
        to: String,
    },
    /// A call used a station number beyond the list.
    #[error("there is no station number {0} on this band")]
    NoSuchStation(usize),
    /// A transmission would last too long.
    #[error("the transmission would last {seconds} s, allowed are {limit} s")]
    TooLong {
        /// Its length in whole seconds.
        seconds: u64,
        /// The limit in seconds.
        limit: u64,
    },
}

/// Refuses values outside `low..=high`, and NaN.
fn within(what: &'static str, value: f64, low: f64, high: f64) -> Result<(), AirError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(AirError::OutOfRange {
        what,
        value,
        low,
        high,
    })
}

impl BandConfig {
    /// The number of the station called `name`.
    pub(crate) fn number(&self, name: &str) -> Result<usize, AirError> {
        let found = self.stations.iter().position(|s| s.name == name);
        found.ok_or_else(|| AirError::UnknownStation(name.to_owned()))
    }

    /// Checks every figure and name.
    pub(crate) fn check(&self) -> Result<(), AirError> {
        within("sample rate in Hz", self.rate.hz_f64(), 8000.0, 96_000.0)?;
        within(
            "number of stations",
            self.stations.len() as f64,
            1.0,
            MAX_STATIONS as f64,
        )?;
        match &self.kind {
            Kind::Fm(c) => c.check(self.rate.hz_f64())?,
            Kind::Ssb(c) => c.check(self.rate.hz_f64())?,
        }
        for (i, s) in self.stations.iter().enumerate() {
            s.check()?;
            if s.name.is_empty() || self.stations[..i].iter().any(|o| o.name == s.name) {
                return Err(AirError::Name(s.name.clone()));
            }
        }
        for (i, p) in self.paths.iter().enumerate() {
            p.check()?;
            let twice = self.paths[..i]
                .iter()
                .any(|o| o.from == p.from && o.to == p.to);
            if self.number(&p.from)? == self.number(&p.to)? || twice {
                return Err(AirError::Path {
                    from: p.from.clone(),
                    to: p.to.clone(),
                });
            }
        }
        Ok(())
    }
}

impl FmConfig {
    fn check(&self, rate: f64) -> Result<(), AirError> {
        within(
            "IF bandwidth in Hz",
            self.if_bandwidth_hz,
            4000.0,
            0.75 * rate,
        )?;
        within("nominal audio amplitude", self.nominal_audio, 0.01, 1.0)?;
        within(
            "nominal deviation in Hz",
            self.nominal_deviation_hz,
            100.0,
            10_000.0,
        )?;
        within(
            "greatest deviation in Hz",
            self.max_deviation_hz,
            100.0,
            12_000.0,
        )?;
        within(
            "sender low-pass in Hz",
            self.sender_low_pass_hz,
            1000.0,
            0.45 * rate,
        )?;
        within(
            "audio low-pass in Hz",
            self.audio_low_pass_hz,
            1000.0,
            0.45 * rate,
        )?;
        within("audio high-pass in Hz", self.audio_high_pass_hz, 0.0, 300.0)?;
        within("audio output amplitude", self.audio_out, 0.01, 1.0)
    }
}

impl SsbConfig {
    fn check(&self, rate: f64) -> Result<(), AirError> {
        within("lower filter edge in Hz", self.low_edge_hz, 100.0, 1500.0)?;
        within(
            "upper filter edge in Hz",
            self.high_edge_hz,
            self.low_edge_hz + 500.0,
            0.45 * rate,
        )?;
        within("nominal audio amplitude", self.nominal_audio, 0.01, 1.0)?;
        within("noise level in dBFS", self.noise_dbfs, -80.0, -10.0)
    }
}

impl StationConfig {
    fn check(&self) -> Result<(), AirError> {
        within("sound clock error in ppm", self.clock_ppm, -1000.0, 1000.0)?;
        within("dial error in Hz", self.mistune_hz, -3000.0, 3000.0)?;
        within("drive error in dB", self.drive_db, -40.0, 20.0)?;
        within("key-up time in s", self.key_up.as_secs_f64(), 0.0, 2.0)?;
        within("recovery time in s", self.recovery.as_secs_f64(), 0.0, 2.0)
    }
}

impl PathConfig {
    fn check(&self) -> Result<(), AirError> {
        within("path level in dB", self.level_db, -40.0, 80.0)?;
        if let Fading::Watterson { delay, spread_hz } = self.fading {
            within(
                "path delay in s",
                delay.as_secs_f64(),
                0.0,
                MAX_DELAY.as_secs_f64(),
            )?;
            within("frequency spread in Hz", spread_hz, 0.01, 50.0)?;
        }
        Ok(())
    }
}
