//! `dunlin rehearse`: the operator's station among simulated neighbours.

pub mod crowd;
mod headless;
mod live;
mod output;

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use dunlin_clock::{Duration, Instant};
use dunlin_rehearsal::{EMBEDDED, Embedded, Fidelity, MOST_CROWD, Rehearsal, Scenario};

/// The page's port if no other is asked for.
const DEFAULT_PORT: u16 = 7317;
/// Longest scenario file that is read, octets.
const MOST_OCTETS: u64 = 1 << 20;

/// What `dunlin rehearse --help` says at the end.
const AFTER_HELP: &str = "\
Without --headless the page of the operator's station is served on this machine only, and the
terminal shows what that station hears and does, until Ctrl-C or the end of --for.
With --headless there is no page: people of the scenario sit at the operator's station too, the
terminal shows everything on all bands and at the end a summary, and the exit code is 0 only if
the scenario's promises were kept. The same scenario and seed give the same output.
With --fidelity frame the same stations exchange whole frames, lost by measured figures and not by
their sound: hundreds of times faster. --stations makes up a whole region of them.";

/// Arguments of `dunlin rehearse`.
#[derive(Debug, Args)]
#[command(after_help = AFTER_HELP)]
pub struct RehearseArgs {
    /// A scenario file, or the name of a scenario that comes with the program
    #[arg(default_value = EMBEDDED[0].name)]
    scenario: String,
    /// Where all chance comes from [default: the scenario's]
    #[arg(long)]
    seed: Option<u64>,
    /// How fast its time passes [default: real; with --headless max]
    #[arg(long, value_enum)]
    speed: Option<Speed>,
    /// How long it runs in its own time, such as 90s, 20m or 1h [default: the scenario's with
    /// --headless, else without end]
    #[arg(long = "for", value_name = "TIME", value_parser = crate::span::parse)]
    lasts: Option<Duration>,
    /// No page; the whole timeline, a summary, and the promises judged
    #[arg(long)]
    headless: bool,
    /// One JSON object a line: every happening, at the end the summary
    #[arg(long)]
    json: bool,
    /// Whether stations exchange sound or whole frames
    #[arg(long, value_enum, default_value_t = FidelityArg::Sound)]
    fidelity: FidelityArg,
    /// Instead of a scenario: a made-up region of so many stations, 2 to 20000, for a day or
    /// --for; wants --fidelity frame
    #[arg(long, value_name = "N", conflicts_with_all = ["scenario", "headless", "journal", "speed", "faults", "soak"])]
    stations: Option<usize>,
    /// With --stations: how many others are in range of a station on average, 1 to 1000
    #[arg(long, value_name = "N", default_value_t = 12.0, requires = "stations")]
    neighbours: f64,
    /// TCP port of the page on this machine; 0 = any free one
    #[arg(long, default_value_t = DEFAULT_PORT)]
    port: u16,
    /// Keep a journal of the operator's station in this file [default: none]
    #[arg(long, value_name = "FILE", conflicts_with = "headless")]
    journal: Option<PathBuf>,
    /// Instead of a scenario: this many random fault runs of gate, driver and keyer, from
    /// --seed on; exit code 0 only if no fault ever held a key
    #[arg(long, value_name = "RUNS", conflicts_with_all = ["headless", "json", "journal", "lasts", "speed"])]
    faults: Option<u64>,
    /// Instead of a scenario: two stations with two ports each talk for so long, such as 12h,
    /// while their devices are lost and found; exit code 0 only if nothing was lost
    #[arg(long, value_name = "TIME", value_parser = crate::span::parse, conflicts_with_all = ["headless", "json", "journal", "lasts", "speed", "faults"])]
    soak: Option<Duration>,
    /// List the scenarios that come with the program
    #[arg(long, exclusive = true)]
    list: bool,
    /// Say what can stand in a scenario file
    #[arg(long, exclusive = true)]
    explain: bool,
    /// Print a scenario that comes with the program, to copy and change it
    #[arg(long, value_name = "NAME", exclusive = true)]
    show: Option<String>,
}

/// Random fault runs, told on the terminal.
fn faults(first: u64, runs: u64) -> ExitCode {
    let tell = |done: u64| {
        if done > 0 && done.is_multiple_of(500) {
            eprintln!("{done} of {runs} runs");
        }
        true
    };
    let (tally, broken) = crate::faults::run_many(first, runs, &tell);
    println!("{tally}");
    for (seed, rules) in &broken {
        for rule in rules {
            println!("seed {seed}: {rule}");
        }
    }
    println!("{} of {runs} runs broke a rule", broken.len());
    match broken.is_empty() {
        true => ExitCode::SUCCESS,
        false => ExitCode::FAILURE,
    }
}

/// A long run, told on the terminal.
fn soak(seed: u64, length: Duration) -> anyhow::Result<ExitCode> {
    let folder = std::env::temp_dir().join(format!("dunlin-soak-{}", std::process::id()));
    std::fs::create_dir_all(&folder).context("no place for the journals of the soak")?;
    let tell = |tenth, kb| eprintln!("{tenth}0 %: {kb} kB of memory");
    let soaked = crate::faults::soak::soak(seed, length, &folder, &tell);
    let _ = std::fs::remove_dir_all(&folder);
    let soaked = soaked?;
    println!(
        "{} lines said, {} acknowledged and arrived once and in order; devices lost and found {} \
         times; memory at each tenth, kB: {:?}",
        soaked.said, soaked.acknowledged, soaked.losses, soaked.memory_kb
    );
    Ok(ExitCode::SUCCESS)
}

/// How stations hear each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum FidelityArg {
    /// As sound, through modem and radios
    Sound,
    /// As whole frames, by measured figures
    Frame,
}

/// A region, if its figures are possible.
fn crowd(args: &RehearseArgs, stations: usize) -> anyhow::Result<ExitCode> {
    if args.fidelity != FidelityArg::Frame {
        bail!("so many stations cannot exchange sound; add --fidelity frame");
    }
    if !(2..=MOST_CROWD).contains(&stations) {
        bail!("--stations is {stations}, allowed is 2 to {MOST_CROWD}");
    }
    if !(1.0..=1000.0).contains(&args.neighbours) {
        bail!("--neighbours is {}, allowed is 1 to 1000", args.neighbours);
    }
    let wishes = crowd::Wishes {
        stations,
        neighbours: args.neighbours,
        seed: args.seed.unwrap_or(1),
        lasts: args.lasts,
        json: args.json,
    };
    crowd::run(wishes, &*stop_on_ctrl_c()?)
}

/// How fast the time of a rehearsal passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Speed {
    /// As outside
    Real,
    /// As fast as the machine can
    Max,
}

/// Carries the command out.
///
/// # Errors
/// What went wrong, in sentences for people.
pub fn run(args: &RehearseArgs) -> anyhow::Result<ExitCode> {
    if args.list {
        return list();
    }
    if args.explain {
        return print(&Scenario::explain());
    }
    if let Some(name) = &args.show {
        return show(name);
    }
    if let Some(runs) = args.faults {
        return Ok(faults(args.seed.unwrap_or(1), runs));
    }
    if let Some(length) = args.soak {
        return soak(args.seed.unwrap_or(1), length);
    }
    if let Some(stations) = args.stations {
        return crowd(args, stations);
    }
    let mut scenario = match read_scenario(&args.scenario)? {
        Ok(scenario) => scenario,
        Err(faults) => {
            eprintln!("{faults}");
            return Ok(ExitCode::from(2));
        }
    };
    let seed = args.seed.unwrap_or(scenario.seed);
    let lasts = match (args.lasts, args.headless) {
        (Some(lasts), _) => Some(lasts),
        (None, true) => Some(scenario.lasts),
        (None, false) => None,
    };
    let fidelity = match args.fidelity {
        FidelityArg::Sound => Fidelity::Sound,
        FidelityArg::Frame => Fidelity::Frame,
    };
    if !args.headless {
        // Whoever looks at the page reads the dates of messages, and may have planned hours.
        let wall = crate::wall_clock::now();
        let stations = scenario.stations.iter_mut();
        stations.for_each(|station| station.config.wall_at_zero = wall);
    }
    let rehearsal = Rehearsal::begin_at(scenario, seed, args.headless, fidelity)?;
    let end = lasts.map(|lasts| Instant::ZERO + lasts);
    let stop = stop_on_ctrl_c()?;
    if args.headless {
        let pace = Pace::new(args.speed.unwrap_or(Speed::Max));
        return headless::run(rehearsal, end, pace, args.json, &stop);
    }
    let pace = Pace::new(args.speed.unwrap_or(Speed::Real));
    let wishes = live::Wishes {
        json: args.json,
        port: args.port,
        journal: args.journal.as_deref(),
    };
    live::run(rehearsal, end, pace, &wishes, &stop)
}

fn list() -> anyhow::Result<ExitCode> {
    let mut out = output::Output::new(false);
    for embedded in EMBEDDED {
        let title = match Scenario::read(embedded.name, embedded.text.as_bytes()) {
            Ok(scenario) => scenario.title,
            Err(faults) => bail!("a scenario of the program itself is faulty:\n{faults}"),
        };
        out.line(&format!("{:<14} {title}", embedded.name))?;
    }
    out.flush()?;
    Ok(ExitCode::SUCCESS)
}

fn show(name: &str) -> anyhow::Result<ExitCode> {
    let Some(embedded) = Embedded::called(name) else {
        let names: Vec<&str> = EMBEDDED.iter().map(|e| e.name).collect();
        bail!(
            "no scenario called '{name}' comes with the program, only {}",
            names.join(", ")
        );
    };
    print(embedded.text)
}

fn print(text: &str) -> anyhow::Result<ExitCode> {
    let mut out = output::Output::new(false);
    out.text(text)?;
    out.flush()?;
    Ok(ExitCode::SUCCESS)
}

/// The scenario with this name, or in the file of this name.
fn read_scenario(name: &str) -> anyhow::Result<Result<Scenario, dunlin_plan::FaultList>> {
    if let Some(embedded) = Embedded::called(name) {
        return Ok(Scenario::read(embedded.name, embedded.text.as_bytes()));
    }
    let path = PathBuf::from(name);
    let facts = match std::fs::metadata(&path) {
        Ok(facts) => facts,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => bail!(
            "there is no file '{name}', and no scenario of that name comes with the program; \
             'dunlin rehearse --list' shows those that do"
        ),
        Err(error) => return Err(error).context(format!("cannot read the scenario '{name}'")),
    };
    if facts.is_dir() {
        bail!(
            "'{name}' is a directory; a scenario is a file, as 'dunlin rehearse --show' prints one"
        );
    }
    if facts.len() > MOST_OCTETS {
        bail!(
            "'{name}' has {} octets, too many for a scenario; allowed are {MOST_OCTETS}",
            facts.len()
        );
    }
    let octets = std::fs::read(&path).context(format!("cannot read the scenario '{name}'"))?;
    Ok(Scenario::read(name, &octets))
}

/// Becomes true when Ctrl-C is pressed or the program is asked to end. The second time it ends
/// the program at once.
fn stop_on_ctrl_c() -> anyhow::Result<Arc<AtomicBool>> {
    let stop = Arc::new(AtomicBool::new(false));
    let flag = stop.clone();
    ctrlc::set_handler(move || {
        if flag.swap(true, Ordering::Relaxed) {
            std::process::exit(130);
        }
    })
    .context("cannot notice Ctrl-C")?;
    Ok(stop)
}

/// Ties the time of a rehearsal to that outside.
#[derive(Debug)]
struct Pace {
    speed: Speed,
    /// Moment outside at which the rehearsal was at `anchored`.
    anchor: std::time::Instant,
    anchored: Instant,
}

/// Farther behind than this, a rehearsal in real time does not race to catch up.
const MOST_BEHIND: Duration = Duration::from_secs(1);

impl Pace {
    fn new(speed: Speed) -> Pace {
        Pace {
            speed,
            anchor: std::time::Instant::now(),
            anchored: Instant::ZERO,
        }
    }

    /// How long to wait outside before the time of the rehearsal may go beyond `now`.
    fn wait(&mut self, now: Instant) -> Duration {
        if self.speed == Speed::Max {
            return Duration::ZERO;
        }
        let passed = self.anchor.elapsed();
        let rehearsed = now.since(self.anchored);
        if passed > rehearsed + MOST_BEHIND {
            // The machine slept or was too slow: go on from here.
            self.anchor = std::time::Instant::now();
            self.anchored = now;
            return Duration::ZERO;
        }
        rehearsed.saturating_sub(passed)
    }
}
