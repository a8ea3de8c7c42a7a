//! `dunlin encode`: frames to a recording.

mod frames;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use dunlin_clock::{Duration, SampleRate};
use dunlin_modem::{Line, Mode, Occupied};
use dunlin_station::port::{FecStrength, Transmitter, TransmitterSettings};
use hound::{SampleFormat, WavSpec, WavWriter};

use crate::line_args::LineArgs;
use crate::span;

/// Silence before and after everything, so that a receiver's filters can settle.
const SILENCE: Duration = Duration::from_millis(100);

/// What `dunlin encode --help` says at the end.
const AFTER_HELP: &str = "\
Frames come as hex octets without FCS (--hex, --hex-file) or are made from --from, --to, --via and
--text (a UI frame with no layer 3). They are sent one after the other in one transmission, or
each in its own if --gap is given. 100 ms of silence stand at either end of the file. A short
frame among many flags is narrower than random bits; --bandwidth tells both.
Example: dunlin encode --from QA1SKY --to QM3BAR-7 --text 'Ferry at ten' -o ferry.wav";

/// Arguments of `dunlin encode`.
#[derive(Debug, Args)]
#[command(after_help = AFTER_HELP)]
pub struct EncodeArgs {
    #[command(flatten)]
    frames: frames::FrameArgs,
    /// How to send: afsk300, afsk600, afsk1200, fsk1200, fsk2400, fsk4800 or fsk9600
    #[arg(long, default_value = "afsk1200", value_parser = mode_named)]
    mode: Mode,
    #[command(flatten)]
    line: LineArgs,
    /// The WAV file to write; one that exists is replaced
    #[arg(long, short)]
    output: PathBuf,
    /// Highest peak of the sound, dB below full scale: -60 to 0
    #[arg(long, default_value_t = -6.0, allow_negative_numbers = true, value_name = "DBFS")]
    level: f32,
    /// Samples per second, 8000 to 192000
    #[arg(long, default_value_t = 48_000, value_name = "HZ",
          value_parser = clap::value_parser!(u32).range(8_000..=192_000))]
    rate: u32,
    /// How samples are stored
    #[arg(long, value_enum, default_value_t = Storage::I16)]
    storage: Storage,
    /// Flags before the first frame of a transmission, such as 300ms
    #[arg(long, default_value = "300ms", value_name = "TIME", value_parser = span::parse)]
    key_up_delay: Duration,
    /// Flags after the last frame of a transmission, such as 20ms
    #[arg(long, default_value = "20ms", value_name = "TIME", value_parser = span::parse)]
    tail: Duration,
    /// Send a tone so much higher than one an octave below, dB per octave: 0 to 6; for a radio
    /// whose sound input is flat. The higher tone keeps the level
    #[arg(long, default_value_t = 0.0, value_name = "DB")]
    pre_emphasis: f32,
    /// How far both tones are moved up, Hz: -500 to 500
    #[arg(
        long,
        default_value_t = 0.0,
        allow_negative_numbers = true,
        value_name = "HZ"
    )]
    offset: f32,
    /// Forward error correction (FX.25) with so many check octets: 0 (none), 16, 32 or 64
    #[arg(long, default_value = "0", value_name = "CHECK_OCTETS", value_parser = strength)]
    fec: Strength,
    /// Send every frame in a transmission of its own, with this much silence between
    #[arg(long, value_name = "TIME", value_parser = span::parse)]
    gap: Option<Duration>,
    /// Measure the occupied bandwidth (99 % of the power) of what was written, and tell it beside
    /// that of theory
    #[arg(long)]
    bandwidth: bool,
}

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Storage {
    /// 8-bit unsigned integer
    U8,
    /// 16-bit integer
    I16,
    /// 24-bit integer
    I24,
    /// 32-bit integer
    I32,
    /// 32-bit float
    F32,
}

fn mode_named(text: &str) -> Result<Mode, String> {
    Mode::from_name(text).ok_or_else(|| {
        format!(
            "there is no mode '{text}'; choose {}",
            Mode::ALL.map(Mode::name).join(", ")
        )
    })
}

/// How frames are protected; a type of its own, because an `Option` would mean to the command
/// line that the flag may be missing.
#[derive(Clone, Copy, Debug)]
struct Strength(Option<FecStrength>);

fn strength(text: &str) -> Result<Strength, String> {
    let octets = text.parse().ok();
    match octets.map(|n| (n, FecStrength::with_check_octets(n))) {
        Some((0, _)) => Ok(Strength(None)),
        Some((_, Some(strength))) => Ok(Strength(Some(strength))),
        _ => Err("choose 0, 16, 32 or 64 check octets".into()),
    }
}

/// Carries the command out.
///
/// # Errors
/// What is wrong with the frames or settings, or why the file cannot be written.
pub fn run(args: &EncodeArgs) -> anyhow::Result<ExitCode> {
    let frames = args.frames.read()?;
    let rate = SampleRate::new(args.rate).context("the sample rate must not be zero")?;
    let settings = TransmitterSettings {
        key_up_delay: args.key_up_delay,
        tail: args.tail,
        level_dbfs: args.level,
        offset_hz: args.offset,
        pre_emphasis_db_per_octave: args.pre_emphasis,
        fec: args.fec.0,
    };
    let line = args.line.line(args.mode)?;
    let transmitter = Transmitter::new(line, rate, settings)?;
    let silence = vec![0.0; rate.samples_in(SILENCE) as usize];
    let mut sound = silence.clone();
    match args.gap {
        None => sound.extend(transmitter.transmission(&frames)),
        Some(gap) => {
            for (i, frame) in frames.iter().enumerate() {
                if i > 0 {
                    sound.resize(sound.len() + rate.samples_in(gap) as usize, 0.0);
                }
                sound.extend(transmitter.transmission(std::slice::from_ref(frame)));
            }
        }
    }
    sound.extend(silence);
    write(&args.output, rate, args.storage, &sound)
        .with_context(|| format!("{} cannot be written", args.output.display()))?;
    let noun = if frames.len() == 1 { "frame" } else { "frames" };
    let seconds = sound.len() as f64 / rate.hz_f64();
    eprintln!(
        "{}: {} {noun}, {seconds:.1} s",
        args.output.display(),
        frames.len()
    );
    if args.bandwidth {
        print!("{}", bandwidth(&line, &sound, rate));
    }
    Ok(ExitCode::SUCCESS)
}

/// What is told of the width of a sound.
fn bandwidth(line: &Line, sound: &[f32], rate: SampleRate) -> String {
    let rule = match line.has_tones() {
        true => "half a per cent of the power on either side of it",
        false => "one per cent of the power above it",
    };
    let measured = Occupied::measure(line, sound, rate).map(|o| o.to_string());
    format!(
        "occupied bandwidth of the sound, {rule}:\n  measured on this file  {}\n  theory, {line}, \
         random bits, no pre-emphasis  {}\n",
        measured.unwrap_or("nothing, it is silent".into()),
        Occupied::theory(line)
    )
}

fn write(path: &Path, rate: SampleRate, storage: Storage, sound: &[f32]) -> anyhow::Result<()> {
    let (bits, sample_format) = match storage {
        Storage::U8 => (8, SampleFormat::Int),
        Storage::I16 => (16, SampleFormat::Int),
        Storage::I24 => (24, SampleFormat::Int),
        Storage::I32 => (32, SampleFormat::Int),
        Storage::F32 => (32, SampleFormat::Float),
    };
    let spec = WavSpec {
        channels: 1,
        sample_rate: rate.hz(),
        bits_per_sample: bits,
        sample_format,
    };
    if path.is_dir() {
        bail!("it is a directory; name a file in it");
    }
    let mut file = WavWriter::create(path, spec)?;
    // The highest value that the width can hold.
    let most = ((1_i64 << (bits - 1)) - 1) as f64;
    for &sample in sound {
        match sample_format {
            SampleFormat::Float => file.write_sample(sample)?,
            SampleFormat::Int => {
                file.write_sample((f64::from(sample) * most).round().clamp(-most, most) as i32)?;
            }
        }
    }
    Ok(file.finalize()?)
}
