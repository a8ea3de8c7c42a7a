//! `dunlin run`: the station of a plan on real devices, in real time.

mod beginning;
mod clock;
mod clock_watch;
mod devices;
pub(crate) mod driver;
mod hook;
pub(crate) mod keeper;
mod links;
pub(crate) mod metrics;
mod printer;
mod recent;
mod saver;
pub(crate) mod shelf;
mod signals;
pub(crate) mod sink;
mod watchdog;
mod why;

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::mpsc::{self, Receiver, Sender};

use anyhow::{Context, Result, bail};
use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_plan::{FaultList, MOST_OCTETS, Plan, PlanRules};
use dunlin_rig::SoundDevice;
use dunlin_station::Station;
use dunlin_station::gate::AlarmKind;
use dunlin_store::{Limits, Store};
use dunlin_web::{Access, Tls, Web, WebConfig, World};

use crate::control;
use crate::journal::Journal;
use crate::state::{KeptStop, Lock, PROVED_AFTER, Registered, Starts, StateDir, read_identities};
use crate::wall_clock;
use clock::Clock;
use clock_watch::{ClockNews, ClockWatch};
use driver::{Driver, Message, Outside};
use keeper::Keeper;
use links::Counted;
use printer::say;
use saver::{Keep, Saver};
use shelf::ShelfKeeper;
use watchdog::Watchdog;

/// What `dunlin run --help` says at the end.
const AFTER_HELP: &str = "\
Sound devices are named in the plan as --list-devices prints them: 'usb:...' for a device by its
serial number or its socket, 'pulse:NAME' for one of the sound server (PulseAudio; PipeWire when
pipewire-pulse runs), 'alsa:NAME' for one of the kernel, which no other program may use at the
same time. Names by number, such as hw:1, are refused. 'default' is the sound server's default at
the start and stays that device while the station runs. A device that goes away is waited for and
never replaced; another device under its name is refused. After you have changed a device on
purpose, start once with --new-devices.
A killed program leaves silence: the sound server and the kernel stop what it played.
What must survive a restart (who stopped the station, how it ended, its devices, the mail) is kept
in a directory beside the plan. `dunlin stop`, `dunlin start` and `dunlin why` find it by themselves.";

/// What `dunlin run` is told on the command line.
#[derive(Debug, clap::Args)]
#[command(after_help = AFTER_HELP)]
pub struct RunArgs {
    /// The station plan: the TOML file that describes the station
    #[arg(value_name = "PLAN.toml", required_unless_present = "list_devices")]
    plan: Option<PathBuf>,
    /// TCP port of the page; 0 = any free one [default: that of the plan]
    #[arg(long, value_name = "N")]
    port: Option<u16>,
    /// Where the journal is kept [default: beside the plan, named like it with .journal]
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Where the station keeps its state [default: beside the plan, named like it with .state]
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
    /// Serve no page and no API; the timeline in the terminal is all there is
    #[arg(long)]
    no_page: bool,
    /// Take the sound devices that are there now for the right ones, and remember them
    #[arg(long)]
    new_devices: bool,
    /// Print the sound devices that exist now, and end
    #[arg(long)]
    list_devices: bool,
}

/// Runs the station until it is told to stop.
///
/// # Errors
/// What keeps the station from starting: the plan, a device, the page's port, the journal, the mail.
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
    let state = StateDir::open(&args.state.clone().unwrap_or_else(|| StateDir::beside(file)))?;
    // Before anything is touched: a second station on this plan ends here.
    let _locks = (Lock::take(&state)?, Lock::take_plan(file)?);
    let (sender, inbox) = mpsc::channel();
    // From here on a stop is heard; it is carried out as soon as there is a station.
    signals::listen(sender.clone())?;
    let asked = sender.clone();
    control::listen(&state.control_socket(), move |question| {
        let _ = asked.send(Message::Asked(question));
    })?;
    let _registered = Registered::enter(&state, file);
    let clock = Clock::start();
    plan.station.seed = clock::dice();
    if let Some(mail) = &mut plan.station.mail {
        mail.salt = clock::dice();
    }
    plan.station.wall_at_zero = clock.wall_at_zero();
    let mut starts = beginning::begin(&state, &mut plan.station, clock.wall_at_zero())?;
    let ready = prepare(args, file, &state, plan, &starts, &clock, &sender);
    let (mut driver, saver, (keeper, shelf), frames) = match ready {
        Ok(ready) => ready,
        Err(error) => {
            // What keeps it from starting is told; that is no bad end.
            starts.end(&state)?;
            return Err(error);
        }
    };
    printer::start();
    turn(&mut driver, &clock, &inbox, &frames, &saver);
    driver.stop(clock.now());
    drop(driver); // The keyers release and end.
    if let Some(keeper) = keeper {
        keeper.end();
    }
    shelf.end();
    saver.end();
    Ok(ExitCode::SUCCESS)
}

/// Everything opened and joined.
type Ready = (
    Driver<SoundDevice>,
    Saver,
    (Option<Keeper>, ShelfKeeper),
    Counted,
);

/// Opens what the plan names and joins it to the driver.
fn prepare(
    args: &RunArgs,
    file: &Path,
    state: &StateDir,
    mut plan: Plan,
    starts: &Starts,
    clock: &Clock,
    sender: &Sender<Message>,
) -> Result<Ready> {
    let known = match args.new_devices {
        true => Default::default(),
        false => read_identities(state)?,
    };
    let openings = devices::prepare(&mut plan, &known)?;
    let beside = || file.with_extension("journal");
    let place = args.journal.clone().unwrap_or_else(beside);
    let web = (!args.no_page)
        .then(|| page(args, &plan, clock.wall_at_zero(), &place))
        .transpose()?;
    let limits = limits(&plan);
    let text = std::fs::read_to_string(file).unwrap_or_default(); // It was read before.
    let zero = clock.wall_at_zero();
    if let Some((from, to)) = Store::upgrade_due(&place) {
        say(&format!(
            "The journal is copied and brought from schema {from} to {to}. With a million frames that takes from \
             some seconds to some minutes; the station starts after it."
        ));
    }
    let (mut journal, words) = Journal::open(&place, limits, &plan.station, &text, zero)?;
    let frames = Counted::default();
    let opened = devices::open(openings, sender, &frames, clock)?;
    let saver = Saver::start(state.clone(), starts.clone(), sender.clone())?;
    for (port, found) in opened.identities {
        let _ = saver.orders().send(Keep::Identities(port, Box::new(found)));
    }
    let keeper = keeper(state, &plan, sender)?;
    greet(web.as_ref(), &place);
    let mut outside = outside(&plan, web, &saver, sender, &frames)?;
    outside.mail = keeper.as_ref().map(Keeper::orders);
    let shelf = ShelfKeeper::start(&state.files(), plan.station.files.room, sender.clone())?;
    outside.files = Some(shelf.orders());
    let mut station = Station::new(plan.station).context("the station cannot start")?;
    station.remember_ways(journal.take_ways());
    let mut driver = Driver::new(station, opened.ports, opened.controllers, outside, journal);
    driver.begin(clock.now());
    for text in words {
        driver.turn(clock.now(), Some(Message::Note(text)));
    }
    if let Some(text) = beginning::restarts(starts) {
        let kind = AlarmKind::Restarts;
        let trouble = Message::Trouble {
            kind,
            text: Some(text),
        };
        driver.turn(clock.now(), Some(trouble));
    }
    Ok((driver, saver, (keeper, shelf), frames))
}

/// Opens the mail, if the plan keeps some.
fn keeper(state: &StateDir, plan: &Plan, sender: &Sender<Message>) -> Result<Option<Keeper>> {
    let Some(mail) = &plan.station.mail else {
        return Ok(None);
    };
    let file = state.mail();
    say(&format!("The mail: {}", file.display()));
    let keeper = Keeper::start(&file, mail.routes.clone(), mail.room.all, sender.clone())?;
    Ok(Some(keeper))
}

fn greet(web: Option<&Web>, journal: &Path) {
    if let Some(web) = web {
        say(&format!("The page: {}", web.url()));
    }
    say(&format!("The journal: {}", journal.display()));
    say("`dunlin why` tells what each port does; `dunlin stop` silences the station.");
    say("End with Ctrl-C: talks are closed first. Ctrl-C again ends at once.");
}

/// Everybody outside who wants to know.
fn outside(
    plan: &Plan,
    web: Option<Web>,
    saver: &Saver,
    sender: &Sender<Message>,
    frames: &Counted,
) -> Result<Outside> {
    let orders = saver.orders();
    let names = beginning::names(&plan.station);
    let mut outside = Outside {
        web,
        keep_stops: Some(Box::new(move |stops| {
            let kept = stops.iter().map(|stop| KeptStop::of(stop, &names));
            let _ = orders.send(Keep::Stops(kept.collect()));
        })),
        ..Outside::default()
    };
    let command = &plan.whole.alarm_command;
    if !command.is_empty() {
        let names = beginning::names(&plan.station);
        let hook = hook::Hook::start(command.clone(), names)?;
        outside.on_alarm = Some(Box::new(move |alarm| hook.tell(alarm)));
    }
    if plan.whole.kiss_server.enabled {
        let settings = links::server_settings(plan)?;
        let address = settings.address;
        let server = links::server(settings, sender, frames)?;
        say(&format!(
            "Other programs may use the ports by KISS at {address}."
        ));
        outside.on_frame = Some(Box::new(move |port, octets| server.heard(port, octets)));
    }
    Ok(outside)
}

/// The real-time loop: wait, one input, drain, act, note the next wake-up.
fn turn(
    driver: &mut Driver<SoundDevice>,
    clock: &Clock,
    inbox: &Receiver<Message>,
    frames: &Counted,
    saver: &Saver,
) {
    let mut watchdog = Watchdog::new();
    let mut civil = ClockWatch::new(clock.wall_at_zero());
    let mut far_off = false;
    let mut proved = Some(Instant::ZERO + PROVED_AFTER);
    watchdog.ready();
    while !driver.is_over() {
        let wait = driver.longest_wait(clock.now());
        let message = inbox.recv_timeout(wait).ok();
        if let Some(Message::Frame { .. } | Message::FromClient { .. }) = message {
            frames.taken();
        }
        let now = clock.now();
        driver.turn(now, message);
        watchdog.turned(now);
        if civil.is_due(now)
            && let Some(news) = civil.look(now, wall_clock::now())
        {
            let text = match news {
                ClockNews::Wrong(text) => Some(text),
                ClockNews::Well => None,
            };
            let kind = AlarmKind::Clock;
            driver.turn(now, Some(Message::Trouble { kind, text }));
        }
        if civil.is_far_off() && !std::mem::replace(&mut far_off, true) {
            driver.turn(now, Some(Message::ClockWrong));
        }
        if proved.is_some_and(|at| now >= at) {
            proved = None;
            let kind = AlarmKind::Restarts;
            driver.turn(now, Some(Message::Trouble { kind, text: None }));
            let _ = saver.orders().send(Keep::Proved);
        }
    }
    watchdog.stopping();
}

fn limits(plan: &Plan) -> Limits {
    let days = |days: f64| Duration::from_secs_f64(days * 86_400.0);
    let journal = &plan.whole.journal;
    Limits {
        octets: (journal.most_mb * 1e6) as u64,
        keep: Some(days(journal.keep_days)),
        keep_texts: journal.text_days.map(days),
        ..Limits::default()
    }
}

fn page(args: &RunArgs, plan: &Plan, wall_at_zero: WallTime, journal: &Path) -> Result<Web> {
    let page = &plan.whole.page;
    let no_address = || format!("the page's address {} is no IP address", page.address);
    let access = page.password_hash.clone().map(|password_hash| Access {
        password_hash,
        guest: page.guest,
    });
    let config = WebConfig {
        address: page.address.parse().with_context(no_address)?,
        port: args.port.unwrap_or(page.port),
        access,
        tls: page.tls.as_ref().map(|(certificate, key)| Tls {
            certificate: certificate.into(),
            key: key.into(),
        }),
        hosts: Vec::new(),
        world: World::OnTheAir,
        wall_at_zero,
        journal: Some(journal.to_owned()),
        speed: Some(1.0),
    };
    Ok(dunlin_web::serve(config)?)
}

/// Reads the plan in a file: what is wrong with the file, or else with the plan in it.
///
/// # Errors
/// The file cannot be read.
pub(crate) fn read_plan(file: &Path) -> Result<Result<Plan, FaultList>> {
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

/// A station of one port, for tests of what surrounds it.
#[cfg(test)]
pub(crate) fn test_station(call: &str) -> dunlin_station::StationConfig {
    let text = format!(
        "[station]\ncall = \"{call}\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n\
         [port.sound]\ninput = \"pulse:in\"\noutput = \"pulse:out\"\nloop = true\n"
    );
    Plan::read("plan.toml", text.as_bytes(), &PlanRules::real())
        .unwrap_or_else(|faults| panic!("{faults}"))
        .station
}
