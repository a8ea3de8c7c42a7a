//! What each mode is made of: the figures with which the blocks are joined.
//!
//! Bandwidths go with the symbol rate and the shift of the [`Line`], so that any pair of tones
//! has its recipe. The shares were found by measurement with 1600/1800 Hz at 300 Bd and with
//! 1200/2200 Hz at 1200 Bd.

use crate::Line;
use crate::mode::LineKind;
use crate::sequence::{EchoRecipe, PhaseRecipe, SequenceRecipe};
use crate::shift::Pulse;

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

impl DetectorRecipe {
    /// Whether another one differs in its timing only.
    pub fn correlates_like(&self, other: &DetectorRecipe) -> bool {
        (self.offset_hz, self.cutoff_hz) == (other.offset_hz, other.cutoff_hz)
    }
}

/// A mode of two tones.
#[derive(Clone, Debug)]
pub struct ToneRecipe {
    /// The lower tone, hertz; called mark here, whatever it is sent for.
    pub mark_hz: u32,
    /// The higher tone, hertz.
    pub space_hz: u32,
    /// What the receiver's first filter passes on either side of the centre, hertz.
    pub half_bandwidth_hz: f64,
    /// The detectors that listen side by side.
    pub detectors: Vec<DetectorRecipe>,
    /// The carrier is watched for around each of these tone offsets, hertz.
    pub carrier_offsets_hz: Vec<f64>,
    /// For every detector, one decision for each of these twists: how much stronger the
    /// mark tone is expected to be than the space tone, dB.
    pub twists_db: &'static [f32],
    /// Carrier detection.
    pub carrier: CarrierRecipe,
    /// How the tones are read as a sequence.
    pub sequence: SequenceRecipe,
    /// Whether the sound may come from an FM discriminator, whose clicks are taken out before
    /// the tones are read as a sequence.
    pub clicks: bool,
}

/// One symbol timing and the filters that are read with it.
#[derive(Clone, Copy, Debug)]
pub struct ReaderRecipe {
    /// Symbol timing. A long look is best against noise, short ones follow senders whose clock
    /// is off.
    pub timing: TimingRecipe,
    /// How many of the filters are read, from the first on.
    pub filters: usize,
    /// How many of the pulses are read, from the first on, with sequence detection.
    pub pulses: usize,
}

/// A mode that shifts the carrier directly: the sound is the data's own waveform.
#[derive(Clone, Copy, Debug)]
pub struct BasebandRecipe {
    /// Whether the scrambler is in the line.
    pub scrambled: bool,
    /// Receive filters: cutoff as a multiple of the symbol rate.
    pub cutoffs: &'static [f64],
    /// Pulses that senders may make; each has a filter of its own, read with sequence detection.
    pub pulses: &'static [Pulse],
    /// Each reads some of the filters with its own timing; each such pair is a branch.
    pub readers: &'static [ReaderRecipe],
    /// The decision threshold follows the mean of the levels this many symbols either side.
    pub threshold_reach: usize,
    /// Carrier detection.
    pub carrier: CarrierRecipe,
}

/// Either kind of mode.
#[derive(Clone, Debug)]
pub enum Recipe {
    /// Two audio tones.
    Tones(ToneRecipe),
    /// Direct frequency shift.
    Baseband(BasebandRecipe),
}

impl Recipe {
    /// The recipe of a line.
    pub fn of(line: &Line) -> Recipe {
        match (line.mode().kind(), line.low_and_high()) {
            (LineKind::SearchedTones, Some(tones)) => Recipe::Tones(searched_tones(line, tones)),
            (LineKind::FixedTones, Some(tones)) => Recipe::Tones(fixed_tones(line, tones)),
            (LineKind::Shift { scrambled: false }, _) => Recipe::Baseband(FSK_UNSCRAMBLED),
            _ => Recipe::Baseband(FSK),
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

/// The receiver looks for tones this far off to either side, hertz, at 300 Bd and faster; slower
/// ones are tuned more finely.
const SEARCH_HZ: f64 = 160.0;
/// It looks at so many places to either side of the middle.
const SEARCH_PLACES: i32 = 4;

/// Tones that may be off tune.
fn searched_tones(line: &Line, (mark_hz, space_hz): (u32, u32)) -> ToneRecipe {
    let baud = f64::from(line.baud());
    let half_shift = f64::from(space_hz - mark_hz) / 2.0;
    let search_hz = SEARCH_HZ * (baud / 300.0).min(1.0);
    let offsets: Vec<f64> = (-SEARCH_PLACES..=SEARCH_PLACES)
        .map(|k| f64::from(k) / f64::from(SEARCH_PLACES) * search_hz)
        .collect();
    let detector = |&offset_hz: &f64| DetectorRecipe {
        offset_hz,
        cutoff_hz: half_shift + 0.733 * baud,
        timing: SHORT_LOOK,
    };
    ToneRecipe {
        mark_hz,
        space_hz,
        half_bandwidth_hz: half_shift + search_hz + 0.8 * baud,
        detectors: offsets.iter().map(detector).collect(),
        carrier_offsets_hz: offsets,
        twists_db: &[0.0],
        carrier: SEARCHED_CARRIER,
        sequence: SequenceRecipe {
            search_hz: SEARCHED_SEQUENCE.search_hz * (baud / 300.0).min(1.0),
            ..SEARCHED_SEQUENCE
        },
        clicks: false,
    }
}

/// Tones at their place.
fn fixed_tones(line: &Line, (mark_hz, space_hz): (u32, u32)) -> ToneRecipe {
    let baud = f64::from(line.baud());
    let half_shift = f64::from(space_hz - mark_hz) / 2.0;
    let detector = |beyond: f64, timing| DetectorRecipe {
        offset_hz: 0.0,
        cutoff_hz: half_shift + beyond * baud,
        timing,
    };
    ToneRecipe {
        mark_hz,
        space_hz,
        half_bandwidth_hz: half_shift + 0.8333 * baud,
        detectors: vec![
            detector(0.2167, LONG_LOOK),
            detector(0.5833, SHORT_LOOK),
            detector(0.5833, odd_rate(0.027)),
            detector(0.5833, odd_rate(-0.027)),
        ],
        carrier_offsets_hz: vec![0.0],
        // Twist is the sequence readers' work.
        twists_db: &[0.0],
        carrier: FIXED_CARRIER,
        sequence: SequenceRecipe {
            search_hz: FIXED_SEQUENCE.search_hz * (baud / 1200.0).min(1.0),
            ..FIXED_SEQUENCE
        },
        clicks: true,
    }
}

const SEARCHED_CARRIER: CarrierRecipe = CarrierRecipe {
    on: &[
        window(14, 0.88),
        window(16, 0.87),
        window(24, 0.82),
        window(34, 0.74),
        window(44, 0.67),
    ],
    hold: &[window(14, 0.65)],
};

const FIXED_CARRIER: CarrierRecipe = CarrierRecipe {
    on: &[
        window(12, 0.90),
        window(16, 0.85),
        window(24, 0.81),
        window(34, 0.765),
        window(44, 0.73),
    ],
    hold: &[window(12, 0.63)],
};

const SEARCHED_SEQUENCE: SequenceRecipe = SequenceRecipe {
    search_hz: 200.0,
    threshold: 0.24,
    patience: 150,
    slots: 3,
    phase: &[PhaseRecipe {
        memory: 3,
        gain: 0.08,
        frequency_gain: 0.003,
    }],
    echo: &[
        EchoRecipe {
            gain: 0.2,
            frequency_gain: 0.003,
            damping: 0.5,
        },
        EchoRecipe {
            gain: 0.1,
            frequency_gain: 0.003,
            damping: 0.5,
        },
    ],
};

const FIXED_SEQUENCE: SequenceRecipe = SequenceRecipe {
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
        gain: 0.1,
        frequency_gain: 0.001,
        damping: 0.3,
    }],
};

/// For senders whose symbol rate is off by some per cent.
const fn odd_rate(faster: f64) -> TimingRecipe {
    TimingRecipe {
        faster,
        ..SHORT_LOOK
    }
}

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
    pulses: &[Pulse::RaisedCosine(0.5), Pulse::Gaussian(0.5)],
    readers: &[
        ReaderRecipe {
            timing: TimingRecipe {
                past: 96,
                future: 80,
                faster: 0.0,
            },
            filters: 3,
            pulses: 0,
        },
        ReaderRecipe {
            timing: TimingRecipe {
                past: 160,
                future: 80,
                faster: 0.0,
            },
            filters: 0,
            pulses: 2,
        },
        ReaderRecipe {
            timing: off_by(0.013),
            filters: 1,
            pulses: 0,
        },
        ReaderRecipe {
            timing: off_by(-0.013),
            filters: 1,
            pulses: 0,
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
