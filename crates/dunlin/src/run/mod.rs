//! `dunlin run`: the station of a plan on real sound devices, in real time.

mod clock;
mod devices;
mod driver;
mod sink;

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::mpsc::{self, Receiver, Sender};

use anyhow::{Context, Result, bail};
use dunlin_clock::WallTime;
use dunlin_plan::{FaultList, MOST_OCTETS, Plan, PlanRules};
use dunlin_station::Station;
use dunlin_web::{Web, WebConfig, World};

use crate::journal::Journal;
use clock::Clock;
use driver::{Driver, Message};

/// What `dunlin run --help` says at the end.
const AFTER_HELP: &str = "\
Sound devices are named in the plan as --list-devices prints them: 'pulse:NAME' for one of the
sound server (PulseAudio; PipeWire when pipewire-pulse runs), 'alsa:NAME' for one of the kernel,
which nothing else may use at the same time, another port neither. 'default' is the sound
server's default at the start and stays that device while the station runs. A device that goes
away is waited for and never replaced.
A killed program leaves silence: the sound server and the kernel stop what it played.";

/// What `dunlin run` is told on the command line.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct RunArgs {
    /// The station plan: the TOML file that describes the station
    #[arg(value_name = "PLAN.toml", required_unless_present = "list_devices")]
    plan: Option<PathBuf>,
    /// TCP port of the page on this machine; 0 = any free one
    #[arg(long, value_name = "N", default_value_t = 7317)]
    port: u16,
    /// Where the journal is kept [default: beside the plan, named like it with .journal]
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Serve no page and no API; the timeline in the terminal is all there is
    #[arg(long)]
    no_page: bool,
    /// Print the sound devices that exist now, and end
    #[arg(long)]
    list_devices: bool,
}

/// Runs the station until it is told to stop.
///
/// # Errors
/// What keeps the station from starting: the plan, a device, the page's port, the journal.
pub fn run(args: &RunArgs) -> Result<ExitCode> {
    if args.list_devices {
        say(&devices::listing());
        return Ok(ExitCode::SUCCESS);
    }
    let Some(file) = &args.plan else {
        bail!("which station plan?")
    };
    let mut plan = match read_plan(file)? {
        Ok(plan) => plan,
        Err(faults) => {
            eprintln!("{faults}");
            return Ok(ExitCode::from(2));
        }
    };
    for finding in &plan.findings {
        say(&format!("{}: {finding}", file.display()));
    }
    let clock = Clock::start();
    plan.station.seed = clock::dice();
    let opening = devices::prepare(&mut plan)?;
    // The page comes before the devices: a second program on the same plan ends here, before
    // it has touched a radio.
    let web = (!args.no_page)
        .then(|| page(args.port, clock.wall_at_zero()))
        .transpose()?;
    let beside = || file.with_extension("journal");
    let place = args.journal.clone().unwrap_or_else(beside);
    let journal = Journal::open(&place, &plan.station, clock.wall_at_zero())?;
    let station = Station::new(plan.station).context("the station cannot start")?;
    let (sender, inbox) = mpsc::channel();
    let ports = devices::open(opening, &sender)?;
    listen_for_the_end(sender)?;
    if let Some(web) = &web {
        say(&format!("The page: {}", web.url()));
    }
    say(&format!("The journal: {}", place.display()));
    say("Stop with Ctrl-C: talks are closed first. Ctrl-C again stops at once.");
    let mut driver = Driver::new(station, ports, web, journal);
    turn(&mut driver, &clock, &inbox);
    driver.stop(clock.now());
    Ok(ExitCode::SUCCESS)
}

/// The real-time loop: wait, one input, drain, act, note the next wake-up.
fn turn(driver: &mut Driver<dunlin_rig::SoundDevice>, clock: &Clock, inbox: &Receiver<Message>) {
    while !driver.is_over() {
        let wait = driver.longest_wait(clock.now());
        let message = inbox.recv_timeout(wait).ok();
        driver.turn(clock.now(), message);
    }
}

fn page(port: u16, wall_at_zero: WallTime) -> Result<Web> {
    let config = WebConfig {
        port,
        world: World::OnTheAir,
        wall_at_zero,
        speed: Some(1.0),
    };
    Ok(dunlin_web::serve(config)?)
}

fn read_plan(file: &Path) -> Result<Result<Plan, FaultList>> {
    let name = file.display().to_string();
    if file.is_dir() {
        bail!("{name} is a directory; `dunlin run` needs the station plan itself, a TOML file");
    }
    let unreadable = || format!("the station plan {name} cannot be read");
    let mut octets = Vec::new();
    let open = std::fs::File::open(file).with_context(unreadable)?;
    // One octet more than a plan may have is enough to see that it has too many.
    open.take(MOST_OCTETS as u64 + 1)
        .read_to_end(&mut octets)
        .with_context(unreadable)?;
    Ok(Plan::read(&name, &octets, &PlanRules::real()))
}

/// Ctrl-C, a terminal that closes, and `kill` all end the station in good order.
fn listen_for_the_end(sender: Sender<Message>) -> Result<()> {
    ctrlc::set_handler(move || {
        let _ = sender.send(Message::Stop);
    })
    .context("cannot listen for Ctrl-C")
}

/// Prints a line for people. A terminal that is gone must not stop the station.
fn say(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}
