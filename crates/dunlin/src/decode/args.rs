//! What `dunlin decode` can be asked for.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use anyhow::{Context, anyhow, bail};
use clap::Args;
use dunlin_clock::SampleRate;
use dunlin_modem::{Line, LineSettings, Mode, TonePair};

use crate::line_args::LineArgs;

use super::picture::Kind;

/// What `dunlin decode --help` says at the end.
const AFTER_HELP: &str = "\
Modes: afsk300, afsk600, afsk1200, fsk1200, fsk2400, fsk4800, fsk9600; auto listens for all but
afsk600 and fsk2400, as far as the recording's sample rate allows. Recordings: WAV, 8000 to 192000 samples per second, 8, 16, 24 or 32-bit
integer or 32-bit float, of any length.
Of a damaged recording everything readable is decoded; then the program says what is wrong and
ends with exit code 1.
Long recordings are cut into stretches that are heard side by side, one on each processor; what
comes out does not depend on their number. Ctrl-C ends it; what was found until then stays.";

/// Most workers.
const MOST_WORKERS: u16 = 256;

/// Arguments of `dunlin decode`.
#[derive(Debug, Args)]
#[command(after_help = AFTER_HELP)]
pub struct DecodeArgs {
    /// WAV files
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// How the frames were sent: auto, a mode, or several with commas between them; with tones of its
    /// own a mode is written afsk300:MARK/SPACE, in hertz
    #[arg(long, default_value = "auto", value_delimiter = ',')]
    pub mode: Vec<Modes>,
    #[command(flatten)]
    line: LineArgs,
    /// One JSON object a line; what is wrong with the sound comes on standard error
    #[arg(long)]
    pub json: bool,
    /// With --json also guesses at frames whose check is wrong, as lines with the key guess
    #[arg(long, conflicts_with = "pair")]
    pub guesses: bool,
    /// Which channel of a recording with several: left, right, or a number from 1
    #[arg(long)]
    pub channel: Option<Channel>,
    /// Left and right are two receivers that hear the same transmissions: combine them
    #[arg(long, conflicts_with_all = ["channel", "workers", "resume", "pcap", "report", "picture"])]
    pub pair: bool,
    /// How many stretches are heard at a time; without this, as many as there are processors
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=i64::from(MOST_WORKERS)))]
    pub workers: Option<u16>,
    /// Keep in FILE which stretches are done, so that the same command goes on after a stop
    #[arg(long, value_name = "FILE")]
    pub resume: Option<PathBuf>,
    /// Also write the frames as a capture for network analysers
    #[arg(long, value_name = "FILE")]
    pub pcap: Option<PathBuf>,
    /// Report stations, modes and sound: on the screen, or with =FILE into a file (.json for JSON)
    #[arg(long, value_name = "FILE", num_args = 0..=1, require_equals = true)]
    pub report: Option<Option<PathBuf>>,
    /// Draw the frame of --frame into FILE, which ends in .svg or .png
    #[arg(long, value_name = "FILE", requires = "frame")]
    pub picture: Option<PathBuf>,
    /// Number of the frame to draw, as in the table
    #[arg(long, value_name = "N", requires = "picture", value_parser = clap::value_parser!(u64).range(1..))]
    pub frame: Option<u64>,
}

impl DecodeArgs {
    /// Whether the arguments go together.
    ///
    /// # Errors
    /// What does not, and what to do.
    pub fn check(&self) -> anyhow::Result<()> {
        if self.files.len() > 1 && (self.resume.is_some() || self.picture.is_some()) {
            bail!("--resume and --picture are about one recording; name only one");
        }
        if self.json && matches!(self.report, Some(None)) {
            bail!("with --json the report needs a file of its own: --report=FILE");
        }
        if let Some(path) = &self.picture {
            Kind::of(path).map_err(|error| anyhow!("the picture {error}"))?;
        }
        let report = self.report.as_ref().and_then(Option::as_ref);
        let written = [&self.resume, &self.pcap, &self.picture];
        let written: Vec<&PathBuf> = written.into_iter().flatten().chain(report).collect();
        for (n, path) in written.iter().enumerate() {
            let mut others = self.files.iter().chain(written[..n].iter().copied());
            if others.any(|other| same_file(other, path)) {
                bail!(
                    "{} is named twice; choose another name to write to",
                    path.display()
                );
            }
        }
        Ok(())
    }

    /// How many stretches are heard at a time.
    pub fn workers(&self) -> usize {
        let all = || std::thread::available_parallelism().map_or(1, usize::from);
        self.workers.map_or_else(all, usize::from)
    }

    /// What to listen for at a rate. The error is a sentence that follows the file's name.
    pub fn lines(&self, rate: SampleRate) -> anyhow::Result<Vec<Line>> {
        if let [Modes::One(mode)] = self.mode[..] {
            return Ok(vec![self.line.line(mode).context("cannot be decoded so")?]);
        }
        if !self.line.is_plain() {
            bail!("needs one mode beside tones, symbol rate or polarity: --mode afsk1200");
        }
        let mut lines: Vec<Line> = Vec::new();
        for modes in &self.mode {
            let usual = || Mode::USUAL.into_iter().map(Line::from);
            let named: Vec<Line> = match modes {
                Modes::One(mode) => vec![Line::from(*mode)],
                Modes::Tuned(line) => vec![*line],
                Modes::Auto => usual().filter(|l| l.check_rate(rate).is_ok()).collect(),
            };
            for line in named {
                if !lines.contains(&line) {
                    lines.push(line);
                }
            }
        }
        Ok(lines)
    }
}

/// True for two names of one file.
fn same_file(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// What to listen for.
#[derive(Clone, Copy, Debug)]
pub enum Modes {
    /// Every usual mode that the sample rate allows.
    Auto,
    /// This one.
    One(Mode),
    /// This one with tones of its own.
    Tuned(Line),
}

/// A mode with tones of its own: `afsk300:1600/1800`.
fn tuned(name: &str, tones: &str) -> Result<Modes, String> {
    let mode = Mode::from_name(name).ok_or_else(|| no_mode(name))?;
    let hertz = |text: &str| text.parse::<u32>().ok();
    let pair = tones.split_once('/');
    let pair = pair.and_then(|(mark, space)| Some((hertz(mark)?, hertz(space)?)));
    let (mark_hz, space_hz) =
        pair.ok_or_else(|| format!("'{tones}' are no two tones; write {name}:1600/1800"))?;
    let settings = LineSettings {
        tones: Some(TonePair { mark_hz, space_hz }),
        ..LineSettings::default()
    };
    let line = Line::new(mode, settings).map_err(|error| error.to_string())?;
    Ok(Modes::Tuned(line))
}

fn no_mode(text: &str) -> String {
    let names = Mode::ALL.map(Mode::name).join(", ");
    format!("there is no mode '{text}'; choose auto, {names}")
}

impl FromStr for Modes {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text == "auto" {
            return Ok(Modes::Auto);
        }
        if let Some((name, tones)) = text.split_once(':') {
            return tuned(name, tones);
        }
        let mode = Mode::from_name(text).map(Modes::One);
        mode.ok_or_else(|| no_mode(text))
    }
}

/// A channel, counted from 0.
#[derive(Clone, Copy, Debug)]
pub struct Channel(usize);

impl FromStr for Channel {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match (text, text.parse()) {
            ("left", _) => Ok(Channel(0)),
            ("right", _) => Ok(Channel(1)),
            (_, Ok(n @ 1..)) => Ok(Channel(n - 1)),
            _ => Err("say left, right, or a number from 1".into()),
        }
    }
}

/// The channel to decode, counted from 0, of a recording with so many. The error is a sentence
/// that follows the file's name.
pub fn choose_channel(wanted: Option<Channel>, channels: usize) -> anyhow::Result<usize> {
    match wanted {
        None if channels == 1 => Ok(0),
        None if channels == 2 => {
            bail!(
                "is stereo; choose one channel with --channel left or --channel right, or let \
                 both be heard together with --pair"
            )
        }
        None => bail!("has {channels} channels; choose one with --channel 1 to {channels}"),
        Some(Channel(n)) if n < channels => Ok(n),
        Some(Channel(n)) if channels == 1 => {
            bail!(
                "has one channel, so there is no channel {}; leave --channel out",
                n + 1
            )
        }
        Some(Channel(n)) => {
            bail!("has {channels} channels, so there is no channel {}", n + 1)
        }
    }
}
