//! What of a mode can be chosen differently on the command line.

use clap::Args;
use dunlin_modem::{Line, LineSettings, Mode, ModemError, NAMED_PAIRS, NamedPair, TonePair};

/// Flags for tones, symbol rate and polarity.
#[derive(Clone, Copy, Debug, Args)]
pub struct LineArgs {
    /// A pair of tones by its name, such as "V.23 mode 2", with its symbol rate
    #[arg(long, value_name = "NAME", value_parser = named, conflicts_with_all = ["mark", "space"])]
    tones: Option<NamedPair>,
    /// The tone for a one, Hz
    #[arg(long, value_name = "HZ", requires = "space")]
    mark: Option<u32>,
    /// The tone for a zero, Hz
    #[arg(long, value_name = "HZ", requires = "mark")]
    space: Option<u32>,
    /// Symbols per second: 45 to 2400 for tones, 1200 to 19200 for direct frequency shift
    #[arg(long, value_name = "BAUD")]
    baud: Option<u32>,
    /// Exchange ones and zeros on the line; no receiver of packet radio notices
    #[arg(long)]
    inverted: bool,
}

impl LineArgs {
    /// Whether nothing is chosen differently.
    pub fn is_plain(&self) -> bool {
        let tones = self.tones.is_none() && self.mark.is_none();
        tones && self.baud.is_none() && !self.inverted
    }

    /// A mode with what was chosen.
    ///
    /// # Errors
    /// If it cannot work; the error is a sentence.
    pub fn line(&self, mode: Mode) -> Result<Line, ModemError> {
        let own = self.mark.zip(self.space);
        let own = own.map(|(mark_hz, space_hz)| TonePair { mark_hz, space_hz });
        let settings = LineSettings {
            baud: self.baud.or(self.tones.map(|pair| pair.baud)),
            tones: own.or(self.tones.map(|pair| pair.tones)),
            inverted: self.inverted,
        };
        Line::new(mode, settings)
    }
}

fn named(text: &str) -> Result<NamedPair, String> {
    NamedPair::find(text).ok_or_else(|| {
        let names = NAMED_PAIRS.map(|pair| pair.name).join(", ");
        format!("there is no pair of tones '{text}'; choose {names}, or --mark and --space")
    })
}
