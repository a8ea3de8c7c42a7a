//! The command line of Dunlin, a packet-radio station.

mod control;
mod decode;
mod encode;
mod faults;
mod file_desk;
mod files;
mod find;
mod journal;
mod journal_file;
mod keyer;
mod line_args;
mod logs;
mod mail;
mod password;
mod pcap;
mod plan;
mod radiogram;
mod rehearse;
mod run;
mod span;
mod state;
mod survey;
mod switch;
mod wall_clock;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// What `--help` says of the exit codes.
const EXIT_CODES: &str = "\
Exit codes:
  0  all is well
  1  it did not work, or a rehearsal did not keep its promises
  2  the command line, a plan or a scenario is wrong; the message says where

--verbose and the environment variable DUNLIN_LOG (error, warn, info, debug) set how much the
program says of itself on standard error.";

/// A packet-radio station in software, for licensed amateurs.
#[derive(Debug, Parser)]
#[command(name = "dunlin", version, after_help = EXIT_CODES, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// Say more of what the program itself does.
    #[arg(long, short, global = true)]
    verbose: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Run a station among simulated neighbours. Nothing in it can key a radio.
    Rehearse(rehearse::RehearseArgs),
    /// Read frames from WAV recordings.
    Decode(decode::DecodeArgs),
    /// Make a WAV file with frames.
    Encode(encode::EncodeArgs),
    /// Write, check and explain station plans. Opens no device.
    Plan(plan::PlanArgs),
    /// Run the station of a plan on real devices.
    Run(run::RunArgs),
    /// The process that holds a keying line; a station starts it by itself
    #[command(hide = true)]
    Keyer,
    /// Make the line with the hash of the page's password for the station plan.
    Password,
    /// Tell what a journal holds, or bring it to another schema.
    Journal(journal_file::JournalArgs),
    /// Find in a journal what was said, heard or noted: by words, station and time.
    Find(find::FindArgs),
    /// Write contacts, the journal or frames out for other programs; delete names.
    Logs(logs::LogsArgs),
    /// Tell what each port of the running station does, and why it does not transmit.
    Why(switch::WhyArgs),
    /// Tell by which ways a station can be reached, with the evidence.
    Ways(switch::WaysArgs),
    /// Try settings on a channel like yours in a rehearsal, and advise.
    Survey(survey::SurveyArgs),
    /// Read a radiogram, count it, and show it on paper, aloud, or as it goes on.
    Radiogram(radiogram::RadiogramArgs),
    /// Offer, take, refuse, fetch and delete files of the running station's talks.
    Files(file_desk::FilesArgs),
    /// Silence the running station, or one port, until a person starts it again.
    Stop(switch::StopArgs),
    /// Allow again what was stopped.
    Start(switch::StartArgs),
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    log_to_stderr(arguments.verbose);
    let done = match &arguments.command {
        Command::Rehearse(args) => rehearse::run(args),
        Command::Decode(args) => decode::run(args),
        Command::Encode(args) => encode::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Run(args) => run::run(args),
        Command::Keyer => keyer::run(),
        Command::Password => password::run(),
        Command::Journal(args) => journal_file::run(args),
        Command::Find(args) => find::run(args),
        Command::Logs(args) => logs::run(args),
        Command::Why(args) => switch::why(args),
        Command::Ways(args) => switch::ways(args),
        Command::Survey(args) => survey::run(args),
        Command::Radiogram(args) => radiogram::run(args),
        Command::Files(args) => file_desk::run(args),
        Command::Stop(args) => switch::stop(args),
        Command::Start(args) => switch::start(args),
    };
    match done {
        Ok(code) => code,
        Err(error) if is_broken_pipe(&error) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("dunlin: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn log_to_stderr(verbose: bool) {
    // The sound server's client calls every connection that it closes an error.
    let default = match verbose {
        true => "info,pulseaudio=off",
        false => "warn,pulseaudio=off",
    };
    let filter = std::env::var("DUNLIN_LOG").unwrap_or_default();
    let filter = if filter.is_empty() { default } else { &filter };
    let filter = tracing_subscriber::EnvFilter::try_new(filter)
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(default));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .init();
}

/// Whoever read our output has gone, as in `dunlin … | head`. There is nobody to tell.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    let of_io = |e: &std::io::Error| e.kind() == std::io::ErrorKind::BrokenPipe;
    error.downcast_ref::<std::io::Error>().is_some_and(of_io)
}
