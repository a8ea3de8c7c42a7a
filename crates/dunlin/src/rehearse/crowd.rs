//! `dunlin rehearse --stations`: a region of made-up stations, with whole frames.

use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_plan::{Plan, PlanRules};
use dunlin_rehearsal::{Crowd, CrowdFigures, CrowdPlan, Layout, Traffic};
use dunlin_station::PortConfig;

/// How long a region is rehearsed if nothing else is asked for.
const A_DAY: Duration = Duration::from_secs(86_400);
/// A look at Ctrl-C and a word of progress after so much of its time.
const PIECE: Duration = Duration::from_secs(600);
/// Beacons, talks and bulk transfers of each station.
const BEACON_EVERY: Duration = Duration::from_secs(1800);
const TALKS_A_DAY: f64 = 4.0;
const BULK_A_DAY: f64 = 1.0;

/// What is asked for.
#[derive(Clone, Copy, Debug)]
pub struct Wishes {
    pub stations: usize,
    pub neighbours: f64,
    pub seed: u64,
    pub lasts: Option<Duration>,
    pub json: bool,
}

/// A port with every setting as it is without being written, at 1200 baud on FM.
pub fn usual_port() -> anyhow::Result<PortConfig> {
    const PLAN: &str =
        "[station]\ncall = \"QA1SKY\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n";
    let rules = PlanRules::rehearsal(SampleRate::new(24_000).expect("not zero"));
    let plan = Plan::read("the usual port", PLAN.as_bytes(), &rules);
    let plan = plan.map_err(|faults| anyhow::anyhow!("{faults}"))?;
    let port = plan.station.ports.into_iter().next();
    port.ok_or_else(|| anyhow::anyhow!("a plan with one port has none"))
}

/// Carries it out.
pub fn run(wishes: Wishes, stop: &AtomicBool) -> anyhow::Result<ExitCode> {
    let plan = CrowdPlan {
        stations: wishes.stations,
        seed: wishes.seed,
        port: usual_port()?,
        layout: Layout::Scattered {
            neighbours: wishes.neighbours,
        },
        traffic: Traffic {
            beacon_every: Some(BEACON_EVERY),
            talks_a_day: TALKS_A_DAY,
            bulk_a_day: BULK_A_DAY,
            steady: None,
        },
    };
    let began = std::time::Instant::now();
    let mut crowd = Crowd::begin(&plan)?;
    let end = Instant::ZERO + wishes.lasts.unwrap_or(A_DAY);
    let mut told = std::time::Instant::now();
    while crowd.now() < end && !stop.load(Ordering::Relaxed) {
        crowd.run(end.min(crowd.now() + PIECE));
        if told.elapsed() > Duration::from_secs(10) {
            told = std::time::Instant::now();
            eprintln!("{} of {end}", crowd.now());
        }
    }
    let figures = crowd.figures();
    if wishes.json {
        println!("{}", serde_json::to_string(&figures)?);
    } else {
        print!("{}", text(&figures, wishes.seed));
    }
    // Speed differs from run to run and is no part of the output.
    let seconds = began.elapsed().as_secs_f64().max(1e-9);
    eprintln!(
        "{seconds:.1} s, {:.0} times real time, {:.0} events per second",
        figures.lasted_s / seconds,
        figures.inputs as f64 / seconds
    );
    Ok(ExitCode::SUCCESS)
}

fn per_cent(part: u64, whole: u64) -> f64 {
    100.0 * part as f64 / whole.max(1) as f64
}

/// The figures for people.
fn text(f: &CrowdFigures, seed: u64) -> String {
    let seconds = |time: Option<f64>| time.map_or("none".into(), |t| format!("{t:.1} s"));
    let receptions = f.read + f.noise + f.collision + f.own_transmission;
    let rate = f.octets_arrived as f64 / f.lasted_s.max(1e-9);
    let lines = [
        format!(
            "A made-up region: {} stations for {:.1} h with seed {seed}",
            f.stations,
            f.lasted_s / 3600.0
        ),
        format!(
            "  each notices {:.1} others; of two that one notices, {:.0} % do not notice each other",
            f.neighbours,
            100.0 * f.hidden
        ),
        String::new(),
        format!(
            "Channel      occupied {:.1} % of the time at a station, its own key down {:.2} %",
            100.0 * f.busy_share,
            100.0 * f.key_down_share
        ),
        format!(
            "Frames       {} in {} transmissions; {} receptions:",
            f.frames, f.transmissions, receptions
        ),
        format!(
            "             {:.1} % read, {:.1} % lost to noise, {:.1} % to collisions, {:.1} % to own sending",
            per_cent(f.read, receptions),
            per_cent(f.noise, receptions),
            per_cent(f.collision, receptions),
            per_cent(f.own_transmission, receptions)
        ),
        format!(
            "Talks        {} opened, {} answered; {} have ended, {} of them with all that was written",
            f.talks, f.talks_answered, f.talks_ended, f.talks_whole
        ),
        format!(
            "Throughput   {} of {} lines, {} of {} octets: {rate:.2} octets a second",
            f.lines_arrived, f.lines, f.octets_arrived, f.octets
        ),
        format!(
            "Delay        typed lines {} in the mean, half within {}, 95 % within {}",
            seconds(f.delay_mean_s),
            seconds(f.delay_half_s),
            seconds(f.delay_95_s)
        ),
        format!(
            "             lines of bulk transfers {} after the begin of the transfer",
            seconds(f.bulk_delay_mean_s)
        ),
        format!(
            "Fairness     {} (share of its octets that came through, station by station; 1 = all alike)",
            f.fairness.map_or("none".into(), |j| format!("{j:.3}"))
        ),
    ];
    lines.map(|line| line + "\n").concat()
}
