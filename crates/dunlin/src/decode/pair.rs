//! `dunlin decode --pair`: the two channels of a recording as two receivers that hear the same
//! transmissions.

use std::io::Write;
use std::path::Path;
use std::sync::atomic::Ordering::Relaxed;

use anyhow::{Context, bail};
use dunlin_clock::SampleRate;
use dunlin_modem::Line;
use dunlin_station::port::{HeardOn, PairEvent, PairReceiver};
use serde_json::{Value, to_value};

use super::args::DecodeArgs;
use super::found::Found;
use super::merge::Merger;
use super::survey::Survey;
use super::wav::WavFile;
use super::{STOP, complain, print};

/// Frames, by the ways in which they were read.
#[derive(Clone, Copy, Debug, Default)]
struct Count {
    left: u64,
    right: u64,
    either: u64,
    all: u64,
}

impl Count {
    fn add(&mut self, on: HeardOn) {
        self.all += 1;
        self.left += u64::from(on.first);
        self.right += u64::from(on.second);
        self.either += u64::from(on.first || on.second);
    }
}

/// Decodes one file. The error is a sentence that follows the file's name.
pub fn decode(args: &DecodeArgs, path: &Path, out: &mut impl Write) -> anyhow::Result<()> {
    let name = path.display().to_string();
    let mut files = [WavFile::open(path)?, WavFile::open(path)?];
    let rate = check(&files[0])?;
    let lines = args.lines(rate)?;
    let pair = |&line: &Line| PairReceiver::new(line, rate).map(|pair| (line, pair));
    let pairs = lines.iter().map(pair);
    let mut pairs: Vec<(Line, PairReceiver)> = pairs
        .collect::<Result<_, _>>()
        .context("cannot be decoded in that mode; choose another or convert the recording")?;
    if !args.json {
        print::head(out, &name, rate)?;
    }
    let mut hearing = Hearing::new(files[0].full_scale(), rate);
    let mut samples = [Vec::new(), Vec::new()];
    let mut more = true;
    let mut failed = None;
    while more && !STOP.load(Relaxed) {
        for (channel, file) in files.iter_mut().enumerate() {
            samples[channel].clear();
            more &= file
                .read(channel, &mut samples[channel])
                .unwrap_or_else(|error| {
                    let at_s = hearing.survey.samples as f64 / rate.hz_f64();
                    failed = Some((at_s, error));
                    false
                });
        }
        hearing.hear(&mut pairs, &samples);
    }
    for frame in hearing.end(&mut pairs).iter().enumerate() {
        let (number, found) = (frame.0 as u64 + 1, frame.1);
        match args.json {
            true => print::json(out, &name, number, rate, found)?,
            false => print::row(out, number, rate, found)?,
        }
    }
    if !args.json {
        hearing.foot(out, &pairs, rate)?;
    }
    if STOP.load(Relaxed) {
        bail!("was not decoded to its end, because it was stopped; what was found stays");
    }
    let seconds = hearing.survey.samples as f64 / rate.hz_f64();
    complain(
        seconds,
        &hearing.survey,
        failed.as_ref(),
        files[0].missing_s(),
    )
}

fn check(file: &WavFile) -> anyhow::Result<SampleRate> {
    if file.channels != 2 {
        let channels = match file.channels {
            1 => "one channel".to_owned(),
            n => format!("{n} channels"),
        };
        bail!("has {channels}; --pair needs a stereo recording, one receiver on each channel");
    }
    if file.samples().is_none() {
        bail!("is a pipe; --pair needs a file");
    }
    SampleRate::new(file.rate).context("has no sample rate")
}

/// What has been heard so far.
struct Hearing {
    rate: SampleRate,
    merger: Merger,
    survey: Survey,
    count: Count,
    events: Vec<PairEvent>,
}

impl Hearing {
    fn new(full_scale: f32, rate: SampleRate) -> Self {
        Hearing {
            rate,
            merger: Merger::default(),
            survey: Survey::new(rate, full_scale, 0),
            count: Count::default(),
            events: Vec::new(),
        }
    }

    fn hear(&mut self, pairs: &mut [(Line, PairReceiver)], samples: &[Vec<f32>; 2]) {
        self.survey.look(&samples[0]);
        for (line, pair) in pairs {
            pair.process([&samples[0], &samples[1]], &mut self.events);
            self.take(*line);
        }
    }

    /// Takes what the pair that listens for `line` told.
    fn take(&mut self, line: Line) {
        for event in self.events.drain(..) {
            let PairEvent::Frame {
                octets,
                report,
                heard_on,
            } = event
            else {
                continue;
            };
            let mut found = Found::new(line, octets, &report, 0);
            let heard_on_value = to_value(heard_on).unwrap_or(Value::Null);
            found.measured.insert("heard_on".into(), heard_on_value);
            self.count.add(heard_on);
            self.merger.add(vec![found]);
        }
    }

    /// All frames, in order.
    fn end(&mut self, pairs: &mut [(Line, PairReceiver)]) -> Vec<Found> {
        for (line, pair) in pairs {
            pair.finish(&mut self.events);
            self.take(*line);
        }
        let mut all = Vec::new();
        self.merger.release(u64::MAX, &mut all);
        all
    }

    fn foot(
        &self,
        out: &mut impl Write,
        pairs: &[(Line, PairReceiver)],
        rate: SampleRate,
    ) -> std::io::Result<()> {
        let Count {
            left,
            right,
            either,
            all,
        } = self.count;
        let seconds = self.survey.samples as f64 / self.rate.hz_f64();
        let names: Vec<&str> = pairs.iter().map(|(_, pair)| pair.mode().name()).collect();
        write!(
            out,
            "{all} frames in {seconds:.1} s, listening for {}: {left} by the left channel alone, \
             {right} by the right, {} only by both together.",
            names.join(", "),
            all - either
        )?;
        if let Some(later) = pairs.iter().find_map(|(_, pair)| pair.second_is_later()) {
            let ms = 1000.0 * later as f64 / rate.hz_f64();
            write!(out, " The right channel is {ms:.1} ms behind the left.")?;
        }
        writeln!(out, "\n")
    }
}
