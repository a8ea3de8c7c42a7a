//! Which frames to encode.

use std::io::Read;
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow, bail};
use clap::Args;
use dunlin_ax25::wire::pid::NO_LAYER_3;
use dunlin_ax25::{CallSign, Frame};

/// Fewest octets of a frame without FCS: AX.25 v2.2 section 3.9 says 17 with it.
const SHORTEST: usize = 15;
/// Most octets of a frame without FCS: what the receiver takes.
const LONGEST: usize = 2048;
/// The longest list of frames that is read, octets.
const MOST_INPUT: u64 = 16 << 20;

/// The frames, in any of three ways.
#[derive(Debug, Args)]
pub struct FrameArgs {
    /// A frame as hex octets without FCS; may be given several times
    #[arg(long, value_name = "HEX")]
    hex: Vec<String>,
    /// A file with one frame in hex on each line; - is standard input
    #[arg(long, value_name = "FILE")]
    hex_file: Option<PathBuf>,
    /// Call sign of the sender, for a frame made here
    #[arg(long, value_name = "CALL", requires = "to")]
    from: Option<String>,
    /// Call sign of the receiver
    #[arg(long, value_name = "CALL", requires = "from")]
    to: Option<String>,
    /// Call signs of digipeaters, in the order of travel; with commas or given several times
    #[arg(long, value_name = "CALL", value_delimiter = ',', requires = "from")]
    via: Vec<String>,
    /// What it says
    #[arg(long, default_value = "", requires = "from", hide_default_value = true)]
    text: String,
}

impl FrameArgs {
    /// All frames: those of `--hex`, then the file's, then the one made here.
    ///
    /// # Errors
    /// Which frame is wrong, how, and what is allowed.
    pub fn read(&self) -> anyhow::Result<Vec<Vec<u8>>> {
        let mut frames = Vec::new();
        for (i, text) in self.hex.iter().enumerate() {
            frames.push(octets(text).with_context(|| format!("frame {} of --hex", i + 1))?);
        }
        if let Some(path) = &self.hex_file {
            let text = input(path).with_context(|| format!("{} cannot be read", path.display()))?;
            for (i, line) in text
                .lines()
                .enumerate()
                .filter(|(_, l)| !l.trim().is_empty())
            {
                let place = || format!("{}, line {}", path.display(), i + 1);
                frames.push(octets(line).with_context(place)?);
            }
        }
        if let (Some(from), Some(to)) = (&self.from, &self.to) {
            frames.push(self.made(from, to)?);
        }
        if frames.is_empty() {
            bail!("there is no frame to encode; give --hex, --hex-file, or --from and --to");
        }
        Ok(frames)
    }

    fn made(&self, from: &str, to: &str) -> anyhow::Result<Vec<u8>> {
        if self.via.len() > dunlin_ax25::wire::MAX_REPEATERS {
            bail!(
                "--via names {} digipeaters; eight is the most",
                self.via.len()
            );
        }
        let path: Vec<CallSign> = self
            .via
            .iter()
            .map(|via| call("--via", via))
            .collect::<Result<_, _>>()?;
        let info = self.text.as_bytes().to_vec();
        let octets = Frame::ui(
            call("--from", from)?,
            call("--to", to)?,
            &path,
            NO_LAYER_3,
            info,
        )
        .encode();
        check_length(&octets)?;
        Ok(octets)
    }
}

fn call(option: &str, text: &str) -> anyhow::Result<CallSign> {
    text.to_uppercase()
        .parse()
        .map_err(|e| anyhow!("{option} {text}: {e}"))
}

fn input(path: &Path) -> anyhow::Result<String> {
    let mut text = String::new();
    let read = if path.as_os_str() == "-" {
        std::io::stdin()
            .lock()
            .take(MOST_INPUT + 1)
            .read_to_string(&mut text)?
    } else {
        std::fs::File::open(path)?
            .take(MOST_INPUT + 1)
            .read_to_string(&mut text)?
    };
    if read as u64 > MOST_INPUT {
        bail!("it is longer than {MOST_INPUT} octets");
    }
    Ok(text)
}

/// Hex digits, with or without blanks between, to the octets of a frame.
fn octets(text: &str) -> anyhow::Result<Vec<u8>> {
    let digits: Vec<u8> = text
        .chars()
        .filter(|c| !c.is_whitespace())
        .map(|c| {
            let digit = c
                .to_digit(16)
                .ok_or_else(|| anyhow!("'{c}' is not a hex digit"))?;
            Ok(digit as u8)
        })
        .collect::<anyhow::Result<_>>()?;
    if digits.len() % 2 == 1 {
        bail!(
            "an odd number of hex digits ({}); each octet has two",
            digits.len()
        );
    }
    let octets: Vec<u8> = digits
        .chunks_exact(2)
        .map(|pair| pair[0] << 4 | pair[1])
        .collect();
    check_length(&octets)?;
    Ok(octets)
}

fn check_length(octets: &[u8]) -> anyhow::Result<()> {
    match octets.len() {
        SHORTEST..=LONGEST => Ok(()),
        n => bail!("{n} octets; a frame has {SHORTEST} to {LONGEST} without its FCS"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hex_is_read_with_and_without_blanks() {
        let right: Vec<u8> = (0..16).map(|i| i * 16 + 1).collect();
        let text: String = right.iter().map(|o| format!("{o:02x} ")).collect();
        assert_eq!(octets(&text).expect("right"), right);
        assert_eq!(
            octets(&text.replace(' ', "").to_uppercase()).expect("right"),
            right
        );
        for wrong in ["", "0", "0g", "00", &"00".repeat(2049), &"0".repeat(31)] {
            assert!(octets(wrong).is_err(), "{wrong}");
        }
    }
}
