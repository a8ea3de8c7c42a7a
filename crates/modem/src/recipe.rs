//! What each mode is made of: the figures with which the blocks are joined.
//!
//! Tones and rates: common practice for packet radio, as collected from public modem tables
//! (Bell 202 for 1200 Bd; 1600/1800 Hz for 300 Bd on HF); the AX.25 standard names no modem.

use crate::Mode;
use crate::sequence::{EchoRecipe, PhaseRecipe, SequenceRecipe};

/// Receivers work at this many samples per symbol.
pub const SAMPLES_PER_SYMBOL: usize = 8;

/// How the symbol timing looks around itself, in symbols.
#[derive(Clone, Copy, Debug)]
pub struct TimingRecipe {
    /// Symbols before the one in question.
    pub past: usize,
    /// Symbols after it; this is delay.
    pub future: usize,
    /// By how much faster than nominal the symbols are expected to come, as a share.
    pub faster: f64,
}

/// A stretch of symbols and how much they must look like data, 0 to 1.
#[derive(Clone, Copy, Debug)]
pub struct CarrierWindow {
    /// How many of the latest symbols.
    pub symbols: usize,
    /// What their quality must reach.
    pub quality: f32,
}

/// When the carrier detector goes on and off.
#[derive(Clone, Copy, Debug)]
pub struct CarrierRecipe {
    /// It goes on when any of these is reached.
    pub on: &'static [CarrierWindow],
    /// It goes off when none of these is reached any more.
    pub hold: &'static [CarrierWindow],
}

/// One detector of a mode of two tones.
#[derive(Clone, Copy, Debug)]
pub struct DetectorRecipe {
    /// How far above their nominal frequencies it expects the tones, hertz.
    pub offset_hz: f64,
    /// What it passes on either side of its own centre, hertz. A filter narrower than one
    /// symbol asks for does best against noise: the phase runs on from symbol to symbol, so
    /// that a filter that spreads a symbol over its neighbours collects more of it than it
    /// loses. With echoes that are a good part of a symbol late, a wide one does better.
    /// Found by measurement.
    pub cutoff_hz: f64,
    /// How it finds its symbol timing. A long look is best against noise, a short one follows a
    /// sender whose clock is off.
    pub timing: TimingRecipe,
}

/// A mode of two tones.
#[derive(Clone, Copy, Debug)]
pub struct ToneRecipe {
    /// The lower tone, sent for a one (mark), hertz.
    pub mark_hz: u32,
    /// The higher tone, hertz.
    pub space_hz: u32,
    /// What the receiver's first filter passes on either side of the centre, hertz.
    pub half_bandwidth_hz: f64,
    /// The detectors that listen side by side.
    pub detectors: &'static [DetectorRecipe],
    /// The carrier is watched for around each of these tone offsets, hertz.
    pub carrier_offsets_hz: &'static [f64],
    /// For every detector, one decision for each of these twists: how much stronger the
    /// mark tone is expected to be than the space tone, dB.
    pub twists_db: &'static [f32],
    /// Carrier detection.
    pub carrier: CarrierRecipe,
    /// How the tones are read as a sequence.
    pub sequence: SequenceRecipe,
}

/// One symbol timing and the filters that are read with it.
#[derive(Clone, Copy, Debug)]
pub struct ReaderRecipe {
    /// Symbol timing. A long look is best against noise, short ones follow senders whose clock
    /// is off.
    pub timing: TimingRecipe,
    /// How many of the filters are read, from the first on.
    pub filters: usize,
}

/// A mode that shifts the carrier directly: the sound is the data's own waveform.
#[derive(Clone, Copy, Debug)]
pub struct BasebandRecipe {
    /// Whether the scrambler is in the line.
    pub scrambled: bool,
    /// Receive filters: cutoff as a multiple of the symbol rate.
    pub cutoffs: &'static [f64],
    /// Each reads some of the filters with its own timing; each such pair is a branch.
    pub readers: &'static [ReaderRecipe],
    /// The decision threshold follows the mean of the levels this many symbols either side.
    pub threshold_reach: usize,
    /// Carrier detection.
    pub carrier: CarrierRecipe,
}

/// Either kind of mode.
#[derive(Clone, Copy, Debug)]
pub enum Recipe {
    /// Two audio tones.
    Tones(ToneRecipe),
    /// Direct frequency shift.
    Baseband(BasebandRecipe),
}

impl Recipe {
    /// The recipe of a mode.
    pub const fn of(mode: Mode) -> Recipe {
        match mode {
            Mode::Afsk300 => Recipe::Tones(AFSK_300),
            Mode::Afsk1200 => Recipe::Tones(AFSK_1200),
            Mode::Fsk1200 => Recipe::Baseband(FSK_UNSCRAMBLED),
            Mode::Fsk4800 | Mode::Fsk9600 => Recipe::Baseband(FSK),
        }
    }
}

const LONG_LOOK: TimingRecipe = TimingRecipe {
    past: 64,
    future: 32,
    faster: 0.0,
};
const SHORT_LOOK: TimingRecipe = TimingRecipe {
    past: 24,
    future: 20,
    faster: 0.0,
};

const fn wide_300(offset_hz: f64) -> DetectorRecipe {
    DetectorRecipe {
        offset_hz,
        cutoff_hz: 320.0,
        timing: SHORT_LOOK,
    }
}

const AFSK_300: ToneRecipe = ToneRecipe {
    mark_hz: 1600,
    space_hz: 1800,
    half_bandwidth_hz: 500.0,
    detectors: &[
        wide_300(-160.0),
        wide_300(-120.0),
        wide_300(-80.0),
        wide_300(-40.0),
        wide_300(0.0),
        wide_300(40.0),
        wide_300(80.0),
        wide_300(120.0),
        wide_300(160.0),
    ],
    carrier_offsets_hz: &[-160.0, -120.0, -80.0, -40.0, 0.0, 40.0, 80.0, 120.0, 160.0],
    twists_db: &[0.0],
    carrier: CarrierRecipe {
        on: &[
            window(14, 0.88),
            window(16, 0.87),
            window(24, 0.82),
            window(34, 0.74),
            window(44, 0.67),
        ],
        hold: &[window(14, 0.65)],
    },
    sequence: SequenceRecipe {
        search_hz: 200.0,
        threshold: 0.24,
        patience: 150,
        slots: 3,
        phase: &[PhaseRecipe {
            memory: 3,
            gain: 0.08,
            frequency_gain: 0.003,
        }],
        echo: &[EchoRecipe {
            memory: 4,
            gain: 0.2,
            frequency_gain: 0.003,
            damping: 0.5,
        }],
    },
};

const AFSK_1200: ToneRecipe = ToneRecipe {
    mark_hz: 1200,
    space_hz: 2200,
    half_bandwidth_hz: 1500.0,
    detectors: &[
        DetectorRecipe {
            offset_hz: 0.0,
            cutoff_hz: 760.0,
            timing: LONG_LOOK,
        },
        DetectorRecipe {
            offset_hz: 0.0,
            cutoff_hz: 1200.0,
            timing: SHORT_LOOK,
        },
    ],
    carrier_offsets_hz: &[0.0],
    twists_db: &[0.0, 6.0, -6.0],
    carrier: CarrierRecipe {
        on: &[
            window(12, 0.90),
            window(16, 0.85),
            window(24, 0.81),
            window(34, 0.765),
            window(44, 0.73),
        ],
        hold: &[window(12, 0.63)],
    },
    sequence: SequenceRecipe {
        search_hz: 30.0,
        threshold: 0.28,
        patience: 64,
        slots: 2,
        phase: &[PhaseRecipe {
            memory: 5,
            gain: 0.06,
            frequency_gain: 0.0005,
        }],
        echo: &[EchoRecipe {
            memory: 4,
            gain: 0.1,
            frequency_gain: 0.001,
            damping: 0.3,
        }],
    },
};

const fn off_by(faster: f64) -> TimingRecipe {
    TimingRecipe {
        past: 28,
        future: 24,
        faster,
    }
}

const FSK: BasebandRecipe = BasebandRecipe {
    scrambled: true,
    cutoffs: &[0.55, 0.45, 0.7],
    readers: &[
        ReaderRecipe {
            timing: TimingRecipe {
                past: 96,
                future: 80,
                faster: 0.0,
            },
            filters: 3,
        },
        ReaderRecipe {
            timing: off_by(0.013),
            filters: 1,
        },
        ReaderRecipe {
            timing: off_by(-0.013),
            filters: 1,
        },
    ],
    threshold_reach: 32,
    carrier: CarrierRecipe {
        on: &[
            window(16, 0.985),
            window(24, 0.965),
            window(32, 0.945),
            window(48, 0.895),
            window(64, 0.86),
            window(96, 0.82),
        ],
        hold: &[window(9, 0.90), window(24, 0.78)],
    },
};

/// Slower, so that chance has fewer opportunities; and flags without a scrambler are less clear.
const FSK_UNSCRAMBLED: BasebandRecipe = BasebandRecipe {
    scrambled: false,
    carrier: CarrierRecipe {
        on: &[
            window(16, 0.975),
            window(24, 0.935),
            window(32, 0.91),
            window(48, 0.855),
            window(96, 0.80),
        ],
        ..FSK.carrier
    },
    ..FSK
};

const fn window(symbols: usize, quality: f32) -> CarrierWindow {
    CarrierWindow { symbols, quality }
}
