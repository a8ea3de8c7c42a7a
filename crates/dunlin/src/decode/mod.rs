//! `dunlin decode`: recordings to frames.

mod listener;
mod print;
mod wav;

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::str::FromStr;

use anyhow::{Context, bail};
use clap::Args;
use dunlin_clock::SampleRate;
use dunlin_modem::Mode;

use listener::Listener;
use wav::{Ending, WavFile};

/// What `dunlin decode --help` says at the end.
const AFTER_HELP: &str = "\
Modes: afsk300, afsk1200, fsk1200, fsk4800, fsk9600; auto listens for all that the recording's
sample rate allows. Recordings: WAV, 8000 to 192000 samples per second, 8, 16, 24 or 32-bit
integer or 32-bit float, of any length.
Of a damaged recording everything readable is decoded; then the program says what is wrong and
ends with exit code 1.";

/// Arguments of `dunlin decode`.
#[derive(Debug, Args)]
#[command(after_help = AFTER_HELP)]
pub struct DecodeArgs {
    /// WAV files
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// How the frames were sent: auto or the name of a mode
    #[arg(long, default_value = "auto")]
    mode: Modes,
    /// One JSON object a line
    #[arg(long)]
    json: bool,
    /// Which channel of a recording with several: left, right, or a number from 1
    #[arg(long)]
    channel: Option<Channel>,
}

/// What to listen for.
#[derive(Clone, Copy, Debug)]
enum Modes {
    Auto,
    One(Mode),
}

impl FromStr for Modes {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text == "auto" {
            return Ok(Modes::Auto);
        }
        Mode::from_name(text).map(Modes::One).ok_or_else(|| {
            let names = Mode::ALL.map(Mode::name).join(", ");
            format!("there is no mode '{text}'; choose auto, {names}")
        })
    }
}

impl Modes {
    /// The modes to listen for at a rate.
    fn at(self, rate: SampleRate) -> Vec<Mode> {
        match self {
            Modes::One(mode) => vec![mode],
            Modes::Auto => Mode::ALL
                .into_iter()
                .filter(|mode| mode.check_rate(rate).is_ok())
                .collect(),
        }
    }
}

/// A channel, counted from 0.
#[derive(Clone, Copy, Debug)]
struct Channel(usize);

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

/// Carries the command out.
///
/// # Errors
/// What went wrong with standard output. What is wrong with a file goes to standard error,
/// and the other files are still decoded.
pub fn run(args: &DecodeArgs) -> anyhow::Result<ExitCode> {
    let mut out = BufWriter::new(io::stdout().lock());
    let mut code = ExitCode::SUCCESS;
    for file in &args.files {
        if let Err(error) = decode(args, file, &mut out) {
            out.flush()?;
            if error
                .downcast_ref::<io::Error>()
                .is_some_and(is_broken_pipe)
            {
                return Err(error);
            }
            eprintln!("dunlin: {} {error:#}", file.display());
            code = ExitCode::FAILURE;
        }
    }
    out.flush()?;
    Ok(code)
}

fn is_broken_pipe(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::BrokenPipe
}

/// Decodes one file. The error is a sentence that follows the file's name.
fn decode(args: &DecodeArgs, path: &Path, out: &mut impl Write) -> anyhow::Result<()> {
    let name = path.display().to_string();
    let mut file = WavFile::open(path)?;
    let channel = choose_channel(args.channel, file.channels)?;
    let rate = SampleRate::new(file.rate).context("has no sample rate")?;
    let modes = args.mode.at(rate);
    let mut listener = Listener::new(&modes, rate)
        .context("cannot be decoded in that mode; choose another or convert the recording")?;
    if !args.json {
        print::head(out, &name, rate)?;
    }
    let (mut samples, mut heard) = (Vec::new(), Vec::new());
    let mut failed = None;
    let mut more = true;
    while more {
        samples.clear();
        more = file.read(channel, &mut samples).unwrap_or_else(|error| {
            failed = Some(error);
            false
        });
        listener.hear(&samples, &mut heard);
        if !more {
            listener.finish(&mut heard);
        }
        let any = !heard.is_empty();
        for each in heard.drain(..) {
            if args.json {
                print::json(out, &name, rate, &each)?;
            } else {
                print::row(out, rate, &each)?;
            }
        }
        if any {
            out.flush()?;
        }
    }
    if !args.json {
        print::foot(out, rate, &modes, &listener.tally)?;
    }
    complain(&file, failed, listener.tally.samples)
}

/// Says what was wrong with a file that has been decoded as far as it goes.
fn complain(file: &WavFile, failed: Option<io::Error>, samples: u64) -> anyhow::Result<()> {
    let seconds = samples as f64 / f64::from(file.rate);
    if let Some(error) = failed {
        bail!("could be read only up to {seconds:.1} s ({error}); what came before is decoded");
    }
    if let Ending::Short { missing_s } = file.ending() {
        bail!(
            "is cut off after {seconds:.1} s: its header promises {missing_s:.1} s more; what is \
             there is decoded"
        );
    }
    if samples == 0 {
        bail!("holds no sound: its header is there, but no samples follow");
    }
    if file.not_numbers > 0 {
        bail!(
            "is damaged: {} of its {samples} samples are not numbers and were taken as silence; \
             the rest is decoded",
            file.not_numbers
        );
    }
    Ok(())
}

fn choose_channel(wanted: Option<Channel>, channels: usize) -> anyhow::Result<usize> {
    match wanted {
        None if channels == 1 => Ok(0),
        None if channels == 2 => {
            bail!("is stereo; choose one channel with --channel left or --channel right")
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
