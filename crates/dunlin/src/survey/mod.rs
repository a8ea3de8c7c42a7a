//! `dunlin survey`: what settings do on a channel, found out by trying them in a rehearsal.

mod access;
mod plot;

use std::process::ExitCode;

use clap::{Args, Subcommand};

/// Arguments of `dunlin survey`.
#[derive(Debug, Args)]
pub struct SurveyArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Try persistence, slot time, window and frame length on a channel like yours, and advise.
    Access(access::AccessArgs),
}

/// Carries the command out.
///
/// # Errors
/// What went wrong, in sentences for people.
pub fn run(args: &SurveyArgs) -> anyhow::Result<ExitCode> {
    match &args.what {
        What::Access(args) => access::run(args),
    }
}
