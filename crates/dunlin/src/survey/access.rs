//! `dunlin survey access`: the table and the advice.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, bail};
use clap::Args;
use dunlin_clock::{Duration, SampleRate};
use dunlin_plan::{Plan, PlanRules};
use dunlin_rehearsal::{AccessSurvey, Settings, Trial, best};
use dunlin_station::PortConfig;

use super::plot;
use crate::rehearse::crowd::usual_port;

/// What `dunlin survey access --help` says at the end.
const AFTER_HELP: &str = "\
The channel of the trial is a hub that hears all, and stations around it that write lines to it at
random times. Each setting is tried with the engine of the station and whole frames, first
persistence by slot time, then window by frame length. Loss by noise is left out: what is compared
is how stations share the channel. Nothing is changed in the plan.";

/// Arguments of `dunlin survey access`.
#[derive(Debug, Args)]
#[command(after_help = AFTER_HELP)]
pub struct AccessArgs {
    /// Take the present settings from a port of this station plan [default: every setting at its default,
    /// 1200 baud]
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// Name of that port [default: the first]
    #[arg(long, value_name = "NAME", requires = "plan")]
    port: Option<String>,
    /// Stations on the channel, the hub included, 3 to 60
    #[arg(long, default_value_t = 8)]
    stations: usize,
    /// Per cent of the pairs of stations that do not hear each other, 0 to 100
    #[arg(long, default_value_t = 20.0)]
    hidden: f64,
    /// Octets that all write together, per cent of what the symbol rate carries, 1 to 200
    #[arg(long, default_value_t = 30.0)]
    load: f64,
    /// Octets of a line, 10 to 1000
    #[arg(long, default_value_t = 80)]
    line: usize,
    /// Key-up delay, ms, 20 to 2000 [default: that of the port]
    #[arg(long, value_name = "MS")]
    key_up: Option<u64>,
    /// How long each setting is tried, in its own time
    #[arg(long = "for", value_name = "TIME", value_parser = crate::span::parse, default_value = "30m")]
    lasts: Duration,
    /// Seeds with which each is tried, 2 to 20
    #[arg(long, default_value_t = 3)]
    seeds: u64,
    /// Write a picture of the trials here
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// One JSON object a line for each trial
    #[arg(long)]
    json: bool,
}

/// Carries it out.
pub fn run(args: &AccessArgs) -> anyhow::Result<ExitCode> {
    let survey = survey(args)?;
    let present = Settings::of(&survey.port);
    if !args.json {
        println!("{}", channel(&survey));
        println!(
            "Persistence and slot time, with window {} and {} octets a frame:\n",
            present.window, present.info_length
        );
        println!("{HEAD}");
    }
    let try_all = |all: &[Settings]| -> anyhow::Result<Vec<Trial>> {
        all.iter()
            .map(|settings| {
                let trial = survey.try_out(*settings)?;
                tell(&trial, present, args.json)?;
                Ok(trial)
            })
            .collect()
    };
    let slots = try_all(&survey.of_slots())?;
    let good = best(&slots).context("nothing was tried")?;
    if !args.json {
        println!("\nWindow and frame length, with the best of these:\n\n{HEAD}");
    }
    let frames = try_all(&survey.of_frames(good.settings))?;
    let all: Vec<Trial> = slots.iter().chain(&frames).copied().collect();
    let overall = best(&all).context("nothing was tried")?;
    if !args.json {
        println!("\n{}", advice(&slots[0], &good, &overall));
    }
    if let Some(path) = &args.svg {
        let picture = plot::picture(&channel(&survey), &slots, &frames);
        std::fs::write(path, picture)
            .with_context(|| format!("cannot write the picture to {}", path.display()))?;
        eprintln!("The picture is in {}", path.display());
    }
    Ok(ExitCode::SUCCESS)
}

fn survey(args: &AccessArgs) -> anyhow::Result<AccessSurvey> {
    let within = |what: &str, value: f64, low: f64, high: f64| match (low..=high).contains(&value) {
        true => Ok(()),
        false => bail!("{what} is {value}, allowed is {low} to {high}"),
    };
    within("--stations", args.stations as f64, 3.0, 60.0)?;
    within("--hidden", args.hidden, 0.0, 100.0)?;
    within("--load", args.load, 1.0, 200.0)?;
    within("--line", args.line as f64, 10.0, 1000.0)?;
    within("--seeds", args.seeds as f64, 2.0, 20.0)?;
    within(
        "--for, in seconds,",
        args.lasts.as_secs_f64(),
        300.0,
        86_400.0,
    )?;
    let mut port = match &args.plan {
        Some(path) => port_of(path, args.port.as_deref())?,
        None => usual_port()?,
    };
    if let Some(ms) = args.key_up {
        within("--key-up", ms as f64, 20.0, 2000.0)?;
        port.timing.key_up_delay = Duration::from_millis(ms);
    }
    if !port.may_transmit {
        bail!(
            "port {} may not transmit, so it has no channel access",
            port.name
        );
    }
    if port.full_duplex {
        bail!("port {} is full duplex: it draws no slots", port.name);
    }
    Ok(AccessSurvey {
        port,
        stations: args.stations,
        hidden: args.hidden / 100.0,
        load: args.load / 100.0,
        line: args.line,
        lasts: args.lasts,
        seeds: (1..=args.seeds).collect(),
    })
}

/// A port of a station plan, as it would be on a simulated band.
fn port_of(path: &Path, name: Option<&str>) -> anyhow::Result<PortConfig> {
    let octets = std::fs::read(path)
        .with_context(|| format!("cannot read the station plan {}", path.display()))?;
    let file = path.display().to_string();
    let plan = Plan::read(&file, &octets, &PlanRules::real());
    let plan = plan.map_err(|faults| anyhow::anyhow!("{faults}"))?;
    let mut ports = plan.station.ports.into_iter();
    let port = match name {
        Some(name) => ports.find(|p| p.name == name),
        None => ports.next(),
    };
    let mut port = port.with_context(|| format!("{file} has no port of that name"))?;
    port.gate = dunlin_station::gate::GateConfig {
        limits: port.gate.limits,
        ..Default::default()
    };
    port.rate = SampleRate::new(48_000).expect("not zero");
    Ok(port)
}

fn channel(survey: &AccessSurvey) -> String {
    format!(
        "{} stations at {}, key-up delay {} ms, {:.0} % of pairs hidden; together they write {:.0} % of \
         what the symbol rate carries, in lines of {} octets",
        survey.stations,
        survey.port.line,
        survey.port.timing.key_up_delay.as_millis(),
        100.0 * survey.hidden,
        100.0 * survey.load,
        survey.line
    )
}

const HEAD: &str = "persistence  slot, ms  window  octets  through, octets/s  arrived, %  delay, s  collisions, %  fairness";

fn tell(trial: &Trial, present: Settings, json: bool) -> anyhow::Result<()> {
    if json {
        println!("{}", serde_json::to_string(trial)?);
        return Ok(());
    }
    let s = trial.settings;
    let mark = if s == present { "  <- now" } else { "" };
    println!(
        "{:>11.2}  {:>8}  {:>6}  {:>6}  {:>10.1} ± {:<5.1}  {:>9.1}  {:>8.1}  {:>13.1}  {:>8.3}{mark}",
        s.persistence,
        s.slot_ms,
        s.window,
        s.info_length,
        trial.octets_a_second,
        trial.uncertain,
        100.0 * trial.arrived,
        trial.delay_s,
        100.0 * trial.collisions,
        trial.fairness
    );
    Ok(())
}

/// What to do, with the gain.
fn advice(now: &Trial, slots: &Trial, overall: &Trial) -> String {
    let against = |t: &Trial| {
        let gain = 100.0 * (t.octets_a_second / now.octets_a_second.max(1e-9) - 1.0);
        format!(
            "{gain:+.0} % through ({:.1} instead of {:.1} octets/s), delay {:.1} s instead of {:.1} s",
            t.octets_a_second, now.octets_a_second, t.delay_s, now.delay_s
        )
    };
    if !overall.is_better_than(now) {
        return "Advice: leave the settings as they are; nothing that was tried is better by more \
                than chance and 2 %."
            .into();
    }
    let mut lines = Vec::new();
    if slots.is_better_than(now) {
        lines.push(format!(
            "Advice: persistence = {}, slot_time_ms = {}: {}.",
            slots.settings.persistence,
            slots.settings.slot_ms,
            against(slots)
        ));
    }
    if lines.is_empty() || overall.is_better_than(slots) {
        lines.push(format!(
            "{} window_frames = {}, info_length_octets = {}: {}.",
            if lines.is_empty() {
                "Advice:"
            } else {
                "With these also"
            },
            overall.settings.window,
            overall.settings.info_length,
            against(overall)
        ));
    }
    lines.push(
        "All stations of the channel have to do the same: one that draws more often than the \
         others takes their share."
            .into(),
    );
    lines.join("\n")
}
