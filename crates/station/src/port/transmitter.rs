//! Frames to samples.

use std::time::Duration;

use dunlin_clock::SampleRate;
use dunlin_framing::{FecStrength, Protection, encode, encode_with};
use dunlin_modem::{Line, ModemError, Modulator, Steady, TransmitSettings};

/// Fewest flags before the first frame. Four let the receiver's descrambler run in (17
/// symbols) and its filters settle; common practice, no source.
const FEWEST_LEAD_FLAGS: usize = 4;

/// How a port transmits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TransmitterSettings {
    /// From keying to the first frame; filled with flags.
    pub key_up_delay: Duration,
    /// From the last frame to unkeying; filled with flags.
    pub tail: Duration,
    /// Highest peak of the sound, dB below full scale: -60 to 0.
    pub level_dbfs: f32,
    /// How far both tones are moved up, hertz: -500 to 500, 0 for modes without tones.
    pub offset_hz: f32,
    /// How much higher a tone is sent than one an octave below, dB per octave: 0 to 6, 0 for
    /// modes without tones. The higher tone keeps the level.
    pub pre_emphasis_db_per_octave: f32,
    /// How frames are protected by forward error correction; `None` sends them plainly.
    pub fec: Option<FecStrength>,
}

impl Default for TransmitterSettings {
    /// 300 ms key-up delay, 20 ms tail, 6 dB below full scale.
    fn default() -> Self {
        TransmitterSettings {
            key_up_delay: Duration::from_millis(300),
            tail: Duration::from_millis(20),
            level_dbfs: -6.0,
            offset_hz: 0.0,
            pre_emphasis_db_per_octave: 0.0,
            fec: None,
        }
    }
}

/// A frame of a transmission, and when it is on the air.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimedFrame {
    /// AX.25 octets without FCS.
    pub octets: Vec<u8>,
    /// Begin of the flag before it, from keying.
    pub start: Duration,
    /// End of the flag after it, from keying.
    pub end: Duration,
}

/// Frames to samples.
#[derive(Clone, Debug)]
pub struct Transmitter {
    modulator: Modulator,
    lead_flags: usize,
    tail_flags: usize,
    fec: Option<FecStrength>,
}

impl Transmitter {
    /// A transmitter that makes samples at `rate`; the line is a [`Line`] or just a mode. Fails
    /// if the line cannot work at that rate or a setting is out of its range.
    pub fn new(
        line: impl Into<Line>,
        rate: SampleRate,
        settings: TransmitterSettings,
    ) -> Result<Self, ModemError> {
        let TransmitterSettings {
            key_up_delay,
            tail,
            level_dbfs,
            offset_hz,
            pre_emphasis_db_per_octave,
            fec,
        } = settings;
        let line = line.into();
        let modulator = Modulator::new(
            line,
            rate,
            TransmitSettings {
                level_dbfs,
                offset_hz,
                pre_emphasis_db_per_octave,
            },
        )?;
        let flags = |d: Duration| (d.as_secs_f64().min(60.0) * f64::from(line.baud()) / 8.0).ceil();
        Ok(Transmitter {
            modulator,
            lead_flags: (flags(key_up_delay) as usize).max(FEWEST_LEAD_FLAGS),
            tail_flags: (flags(tail) as usize).max(1),
            fec,
        })
    }

    fn bits<F: AsRef<[u8]>>(&self, frames: &[F]) -> Vec<bool> {
        self.encode(frames, self.lead_flags, self.tail_flags)
    }

    fn encode<F: AsRef<[u8]>>(&self, frames: &[F], lead: usize, tail: usize) -> Vec<bool> {
        match self.fec {
            Some(strength) => encode_with(frames, lead, tail, Protection::new(strength)),
            None => encode(frames, lead, tail),
        }
    }

    /// The sound of one transmission with these frames (octets without FCS), from keying to
    /// unkeying. Nothing for no frames.
    pub fn transmission(&self, frames: &[Vec<u8>]) -> Vec<f32> {
        let mut out = Vec::new();
        if !frames.is_empty() {
            self.modulator.modulate(&self.bits(frames), &mut out);
        }
        out
    }

    /// Whether tones `offset_hz` above where the mode has them can be sent.
    pub fn can_send_at(&self, offset_hz: f32) -> bool {
        self.modulator.with_offset(offset_hz).is_ok()
    }

    /// The same transmission with the tones `offset_hz` above where the mode has them, in place
    /// of the usual offset. It takes as long.
    ///
    /// # Errors
    /// An offset outside -500 to 500 Hz or with a tone below [`dunlin_modem::LEAST_SENT_HZ`], or
    /// a mode without tones.
    pub fn transmission_at(
        &self,
        frames: &[Vec<u8>],
        offset_hz: f32,
    ) -> Result<Vec<f32>, ModemError> {
        let modulator = self.modulator.with_offset(offset_hz)?;
        let mut out = Vec::new();
        if !frames.is_empty() {
            modulator.modulate(&self.bits(frames), &mut out);
        }
        Ok(out)
    }

    /// How long [`transmission`](Transmitter::transmission) of these frames sounds.
    pub fn airtime<F: AsRef<[u8]>>(&self, frames: &[F]) -> Duration {
        if frames.is_empty() {
            return Duration::ZERO;
        }
        self.modulator.duration(self.bits(frames).len())
    }

    /// When each frame of one transmission is on the air.
    pub fn timed(&self, frames: Vec<Vec<u8>>) -> Vec<TimedFrame> {
        let ends: Vec<Duration> = (1..=frames.len())
            .map(|n| self.encode(&frames[..n], self.lead_flags, 1).len())
            .map(|bits| self.modulator.duration(bits))
            .collect();
        // The last of the flags before is the first frame's own.
        let first = self.modulator.duration(8 * (self.lead_flags - 1));
        let starts = std::iter::once(first).chain(ends.clone());
        let timed = frames.into_iter().zip(starts).zip(ends);
        timed
            .map(|((octets, start), end)| TimedFrame { octets, start, end })
            .collect()
    }

    /// The sound of one transmission that begins with steady levels, each for so many symbols,
    /// goes on with `flags` besides the usual ones, and ends with these frames.
    ///
    /// # Errors
    /// [`ModemError::NoTones`] if the mode cannot hold such a level.
    pub fn test(
        &self,
        steady: &[(Steady, usize)],
        flags: usize,
        frames: &[Vec<u8>],
    ) -> Result<Vec<f32>, ModemError> {
        let mut out = Vec::new();
        let bits = self.encode(frames, self.lead_flags + flags, self.tail_flags);
        self.modulator.modulate_test(steady, &bits, &mut out)?;
        Ok(out)
    }

    /// How long [`test`](Transmitter::test) of these sounds.
    pub fn test_airtime(
        &self,
        steady: &[(Steady, usize)],
        flags: usize,
        frames: &[Vec<u8>],
    ) -> Duration {
        let held: usize = steady.iter().map(|(_, symbols)| symbols).sum();
        let bits = self.encode(frames, self.lead_flags + flags, self.tail_flags);
        self.modulator.duration(held + bits.len())
    }

    /// How long one frame is on the air with a flag before and after, without key-up delay and
    /// tail.
    pub fn airtime_of_frame(&self, octets: &[u8]) -> Duration {
        self.modulator.duration(self.encode(&[octets], 1, 1).len())
    }
}

#[cfg(test)]
mod tests {
    use dunlin_modem::Mode;

    use super::*;

    #[test]
    fn airtime_is_the_length_of_the_sound() {
        let rate = SampleRate::new(48_000).expect("not zero");
        for mode in Mode::ALL {
            let transmitter =
                Transmitter::new(mode, rate, TransmitterSettings::default()).expect("fits");
            let frames = vec![vec![0xFF; 40], vec![0x12; 100]];
            let sound = transmitter.transmission(&frames);
            assert_eq!(
                transmitter.airtime(&frames),
                rate.duration_of(sound.len() as u64)
            );
            // 300 ms and 20 ms of flags, then 140 octets, two FCS, one shared flag, stuffing.
            let least = 0.32 + f64::from(145 * 8 + 64) / f64::from(mode.baud());
            assert!(transmitter.airtime(&frames).as_secs_f64() >= least);
            assert!(transmitter.airtime(&frames).as_secs_f64() < least + 0.07);
            assert_eq!(transmitter.airtime::<Vec<u8>>(&[]), Duration::ZERO);
            let whole = transmitter.airtime(&frames).as_secs_f64();
            let timed = transmitter.timed(frames);
            // 300 ms of flags, less the one that belongs to the frame; 20 ms of them after.
            assert!((timed[0].start.as_secs_f64() - 0.3).abs() < 0.03);
            assert_eq!(timed[0].end, timed[1].start);
            assert!((whole - timed[1].end.as_secs_f64() - 0.02).abs() < 0.03);
        }
    }
}
