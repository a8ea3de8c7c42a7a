//! `dunlin stop`, `dunlin start` and `dunlin why`: what a person at the machine needs when a
//! radio must be silent, may speak again, or is silent without a reason.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Result, bail};
use dunlin_station::PortId;

use crate::control::{Request, ask};
use crate::run::read_plan;
use crate::state::{
    KeptStop, Lock, Starts, StateDir, find_of_plan, find_running, read_stops, write_stops,
};
use crate::wall_clock;

/// Which station is meant.
#[derive(Debug, clap::Args)]
pub struct Which {
    /// The station of this plan [default: the one that runs on this machine]
    #[arg(long, value_name = "PLAN.toml", conflicts_with = "state")]
    plan: Option<PathBuf>,
    /// The station that keeps its state here
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
}

impl Which {
    /// The station, if it runs.
    ///
    /// # Errors
    /// It is not found, or does not run.
    pub fn running(&self) -> Result<StateDir> {
        let state = self.find()?;
        if !Lock::is_held(&state) {
            bail!("the station does not run; start it with `dunlin run`");
        }
        Ok(state)
    }

    fn find(&self) -> Result<StateDir> {
        match (&self.state, &self.plan) {
            (Some(dir), _) => StateDir::existing(dir),
            (None, Some(plan)) if !plan.is_file() => {
                bail!("there is no station plan {}", plan.display())
            }
            (None, Some(plan)) => match find_of_plan(plan) {
                Some(running) => Ok(running),
                None => StateDir::existing(&StateDir::beside(plan)),
            },
            (None, None) => find_running(),
        }
    }

    /// The name of a port as the plan has it, for a station that does not run.
    fn port(&self, name: &str) -> Result<String> {
        let Some(plan) = &self.plan else {
            bail!("the station does not run; to stop one port of it, name its plan with --plan")
        };
        let plan = read_plan(plan)?.map_err(|faults| anyhow::anyhow!("{faults}"))?;
        let names: Vec<&str> = plan.station.ports.iter().map(|p| p.name.as_str()).collect();
        let id = find_port(&names, name).map_err(anyhow::Error::msg)?;
        Ok(names[usize::from(id.0)].to_owned())
    }
}

/// The port of that name, whatever its case.
///
/// # Errors
/// There is none; the sentence names those there are.
pub fn find_port(names: &[&str], wanted: &str) -> Result<PortId, String> {
    let found = names.iter().position(|n| n.eq_ignore_ascii_case(wanted));
    match found.and_then(|n| u8::try_from(n).ok()) {
        Some(n) => Ok(PortId(n)),
        None => Err(format!(
            "there is no port {wanted}; the plan has {}",
            names.join(", ")
        )),
    }
}

/// What `dunlin stop` is told.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Every key is released at once, frames that wait are kept and held. The station stays stopped
after a restart, a crash and a power cut; only a person starts it again, with `dunlin start` or
on the page. If the station hangs, cut the power of the radio.")]
pub struct StopArgs {
    /// This port only, by its name in the plan
    #[arg(value_name = "PORT")]
    port: Option<String>,
    /// Why, for those who find it stopped
    #[arg(long, default_value = "")]
    because: String,
    #[command(flatten)]
    which: Which,
}

/// What `dunlin start` is told.
#[derive(Debug, clap::Args)]
pub struct StartArgs {
    /// This port only, by its name in the plan
    #[arg(value_name = "PORT")]
    port: Option<String>,
    #[command(flatten)]
    which: Which,
}

/// What `dunlin why` is told.
#[derive(Debug, clap::Args)]
pub struct WhyArgs {
    /// This port only, by its name in the plan
    #[arg(value_name = "PORT")]
    port: Option<String>,
    /// As JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    which: Which,
}

/// What `dunlin ways` is told.
#[derive(Debug, clap::Args)]
pub struct WaysArgs {
    /// Call sign of the station to be reached
    #[arg(value_name = "CALL")]
    to: String,
    /// As JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    which: Which,
}

/// Stops the station, or one port.
///
/// # Errors
/// The station is not found, or the stop cannot be kept.
pub fn stop(args: &StopArgs) -> Result<ExitCode> {
    let state = args.which.find()?;
    if Lock::is_held(&state) {
        let request = Request::Stop {
            port: args.port.clone(),
            by: asker(),
            why: args.because.clone(),
        };
        return tell(&state, &request);
    }
    // Nothing is keyed by a station that does not run; it will be stopped when it starts.
    let _lock = Lock::take(&state)?;
    let port = args.port.as_deref().map(|p| args.which.port(p));
    let port = port.transpose()?;
    let mut stops = read_stops(&state, wall_clock::now());
    stops.retain(|stop| stop.port != port);
    stops.push(KeptStop {
        port,
        by: asker(),
        why: args.because.clone(),
        at: wall_clock::now(),
    });
    write_stops(&state, &stops)?;
    println!("The station does not run. It will be stopped when it starts, until `dunlin start`.");
    Ok(ExitCode::SUCCESS)
}

/// Lifts a stop.
///
/// # Errors
/// The station is not found, or nothing was stopped.
pub fn start(args: &StartArgs) -> Result<ExitCode> {
    let state = args.which.find()?;
    if Lock::is_held(&state) {
        let request = Request::Start {
            port: args.port.clone(),
            by: asker(),
        };
        return tell(&state, &request);
    }
    let _lock = Lock::take(&state)?;
    let port = args.port.as_deref().map(|p| args.which.port(p));
    let port = port.transpose()?;
    let mut stops = read_stops(&state, wall_clock::now());
    let before = stops.len();
    stops.retain(|stop| stop.port != port);
    if stops.len() == before {
        bail!("that was not stopped, and the station does not run; start it with `dunlin run`");
    }
    write_stops(&state, &stops)?;
    Starts::forgive(&state)?;
    println!("No longer stopped. The station does not run; start it with `dunlin run`.");
    Ok(ExitCode::SUCCESS)
}

/// Tells what each port does and why.
///
/// # Errors
/// No station runs, or it does not answer.
pub fn why(args: &WhyArgs) -> Result<ExitCode> {
    let state = args.which.find()?;
    if !Lock::is_held(&state) {
        for stop in read_stops(&state, wall_clock::now()) {
            println!("Stopped by {}: {}", stop.by, stop.why);
        }
        bail!("the station does not run; start it with `dunlin run`");
    }
    let port = args.port.clone();
    show(&state, &Request::Why { port }, args.json)
}

/// Tells by which ways a station can be reached.
///
/// # Errors
/// No station runs, it does not answer, or that is no call sign.
pub fn ways(args: &WaysArgs) -> Result<ExitCode> {
    let state = args.which.running()?;
    let to = args.to.clone();
    show(&state, &Request::Ways { to }, args.json)
}

fn show(state: &StateDir, request: &Request, json: bool) -> Result<ExitCode> {
    let response = ask(&state.control_socket(), request)?;
    if !response.done {
        bail!("{}", response.text);
    }
    match json {
        true => println!("{}", serde_json::to_string_pretty(&response.detail)?),
        false => print!("{}", response.text),
    }
    Ok(ExitCode::SUCCESS)
}

fn tell(state: &StateDir, request: &Request) -> Result<ExitCode> {
    let response = ask(&state.control_socket(), request)?;
    if !response.done {
        bail!("{}", response.text);
    }
    println!("{}", response.text);
    Ok(ExitCode::SUCCESS)
}

/// Who asks, for the record.
fn asker() -> String {
    let name = ["SUDO_USER", "USER", "LOGNAME"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|n| !n.is_empty()));
    match name {
        Some(name) => format!("{} at the command line", name.escape_debug()),
        None => "somebody at the command line".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_found_by_its_name_in_any_case() {
        assert_eq!(find_port(&["HF", "VHF"], "vhf"), Ok(PortId(1)));
        let error = find_port(&["HF", "VHF"], "UHF").expect_err("none");
        assert!(error.contains("HF, VHF"), "{error}");
    }
}
