//! What a port is made of whose frames a controller of its own (KISS) carries: it modulates,
//! senses the channel, draws the slots and keys. It measures nothing and never tells when a
//! frame has left, so that times here are reckoned.

use dunlin_clock::{Chance, Duration, Instant, SampleRate};
use dunlin_modem::{Line, ModemError};

use crate::access::Access;
use crate::channel::Channel;
use crate::config::PortConfig;
use crate::event::PortId;
use crate::gate::Medium;
use crate::port::{Transmitter, TransmitterSettings};

/// Frames for a controller, and for a full-duplex port, are collected for so long before they are handed over together.
const COLLECT: Duration = Duration::from_millis(10);

/// The rate at which a controller's sound is reckoned: one that fits every mode.
fn reckoning_rate() -> SampleRate {
    SampleRate::new(48_000).expect("not zero")
}

/// The transmitter of a port. That of a port without a modem never makes sound; it tells how
/// long frames take at the mode's symbol rate.
pub(crate) fn transmitter(config: &PortConfig) -> Result<Transmitter, ModemError> {
    let timing = TransmitterSettings {
        key_up_delay: config.timing.key_up_delay,
        tail: config.timing.tail,
        ..TransmitterSettings::default()
    };
    match config.medium {
        Medium::Controller => Transmitter::new(config.line, reckoning_rate(), timing),
        Medium::Frames => {
            let fec = config.fec;
            let settings = TransmitterSettings { fec, ..timing };
            Transmitter::new(config.line, reckoning_rate(), settings)
        }
        Medium::Sound => {
            let settings = TransmitterSettings {
                level_dbfs: config.level_dbfs,
                offset_hz: config.offset_hz,
                pre_emphasis_db_per_octave: config.pre_emphasis_db_per_octave,
                fec: config.fec,
                ..timing
            };
            Transmitter::new(config.line, config.rate, settings)
        }
    }
}

/// Channel access of a port. A controller draws the slots itself, unless a line of the radio tells
/// the station of the channel: then the station draws, and chooses what goes at that moment.
pub(crate) fn access(config: &PortConfig, seed: u64, id: PortId) -> Access {
    let slots = Chance::stream(seed, &format!("slots {}", id.0));
    let collects = config.medium == Medium::Controller && !config.gate.sense.external;
    // The duplex machine draws nothing (AX.25 2.2 Fig C2b).
    match collects || config.full_duplex {
        true => Access::new(1.0, COLLECT, slots),
        false => Access::new(config.timing.persistence, config.timing.slot_time, slots)
            .reading_for(reading(config.line)),
    }
}

/// How much later than the end of the tones the last frame may be told. The receivers here take up to 15 symbols, and
/// those for 9600 Bd 10 ms, longer than their detectors (measured, docs/frame-level.md); and sound comes in blocks.
fn reading(line: Line) -> Duration {
    const SYMBOLS: f64 = 20.0;
    const BLOCK: Duration = Duration::from_millis(20);
    Duration::from_secs_f64(SYMBOLS / f64::from(line.baud())).max(BLOCK)
}

impl Channel {
    /// How long a draw is waited for on a channel that stays clear, in the mean.
    pub(crate) fn mean_wait(&self) -> Duration {
        let timing = &self.config.timing;
        match self.config.full_duplex {
            true => Duration::ZERO,
            false => timing.slot_time.div_f64(timing.persistence),
        }
    }

    /// How long a frame may wait inside a controller without anybody here knowing: until
    /// another station has sent a whole window of full frames. T1 of the links allows for it,
    /// because nothing tells them that the channel is busy, unless a line of the radio does.
    pub(crate) fn unknown_wait(&self) -> Duration {
        if self.is_known() {
            return Duration::ZERO;
        }
        let frame = vec![0; 18 + self.config.info_length];
        let window = vec![frame; usize::from(self.config.window.min(7))];
        let others = self.transmitter.airtime(&window);
        others.min(self.config.timing.longest_transmission)
    }

    /// From when to when a frame was on the air that the controller hands over at `now`, and
    /// counts it as occupation of the channel. Frames handed over in one go were sent one
    /// after the other, not at once.
    pub(crate) fn reckon_heard(&mut self, now: Instant, octets: &[u8]) -> (Instant, Instant) {
        let lasted = self.transmitter.airtime_of_frame(octets);
        let start = (now - lasted).max(self.heard_until).min(now);
        self.occupied.set(start, true);
        self.occupied.set(now, false);
        self.heard_until = now;
        (start, now)
    }
}
