//! `dunlin plan`: write, check and explain station plans. Nothing is opened but files.

mod schema;

use std::io::{BufRead, Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand};
use dunlin_ax25::CallSign;
use dunlin_plan::{FaultList, Finding, Fresh, MOST_OCTETS, Plan, PlanRules, Region, Severity};

/// What `dunlin plan check --help` says at the end.
const EXIT_CODES: &str = "\
Exit codes:
  0  nothing worse than hints
  1  something needs attention, or the file cannot be read
  2  a fault in the plan, or something that must not go on the air";

/// What a person must read before the first transmission.
const CAUTIONS: &str = "\
Before the first transmission:
  Put in your own call sign and the names of your devices, then run `dunlin plan check`.
  First into a dummy load at low power; watch the radio, and know how to cut its power.
  Set the radio's own time-out timer. Keep people away from the antenna while it sends.
  Disconnect the antenna in a storm; let only a qualified person work on mains.
  Whether a station may run unattended, and where, is decided by your licence and local rules.";

/// What `dunlin plan` is told on the command line.
#[derive(Debug, Args)]
pub struct PlanArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Write a new plan with remarks; asks what is not given
    New(NewArgs),
    /// Read the whole plan and print what is found, before anything opens
    #[command(after_help = EXIT_CODES)]
    Check(CheckArgs),
    /// Explain a setting, or all of them as a plan with remarks
    Explain {
        /// A key such as slot_time_ms; without it everything is explained
        key: Option<String>,
    },
    /// Print the JSON schema of plans, for editors that read one
    Schema,
}

#[derive(Debug, Args)]
struct NewArgs {
    /// two-radios, kiss-controller or receive-only
    #[arg(long)]
    kind: Option<String>,
    /// Your call sign
    #[arg(long)]
    call: Option<String>,
    /// The region's rules: neutral or us-part97
    #[arg(long, default_value = "neutral")]
    region: String,
    /// The file to write; one that exists is never replaced
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

#[derive(Debug, Args)]
struct CheckArgs {
    /// The station plan
    #[arg(value_name = "PLAN.toml")]
    plan: PathBuf,
    /// Print the findings as JSON
    #[arg(long)]
    json: bool,
}

/// Does what was asked.
///
/// # Errors
/// A file that cannot be read or written, or an answer that does not fit.
pub fn run(args: &PlanArgs) -> Result<ExitCode> {
    match &args.what {
        What::New(args) => new(args),
        What::Check(args) => check(args),
        What::Explain { key } => explain(key.as_deref()),
        What::Schema => {
            println!("{}", serde_json::to_string_pretty(&schema::schema())?);
            Ok(ExitCode::SUCCESS)
        }
    }
}

fn read(file: &Path, most: usize) -> Result<Vec<u8>> {
    let unreadable = || format!("{} cannot be read", file.display());
    if file.is_dir() {
        bail!("{} is a directory, wanted is a TOML file", file.display());
    }
    let mut octets = Vec::new();
    let open = std::fs::File::open(file).with_context(unreadable)?;
    open.take(most as u64 + 1)
        .read_to_end(&mut octets)
        .with_context(unreadable)?;
    Ok(octets)
}

fn check(args: &CheckArgs) -> Result<ExitCode> {
    let name = args.plan.display().to_string();
    let octets = read(&args.plan, MOST_OCTETS)?;
    let mut plan = match Plan::read(&name, &octets, &PlanRules::real()) {
        Ok(plan) => plan,
        Err(faults) if args.json => {
            println!("{}", faults_as_json(&faults));
            return Ok(ExitCode::from(2));
        }
        Err(faults) => {
            eprintln!("{faults}");
            return Ok(ExitCode::from(2));
        }
    };
    let region = match plan.built_in_region() {
        Some(region) => region,
        None => {
            let region = region_file(&args.plan, &plan.whole.region)?;
            plan.check(&region);
            region
        }
    };
    let worst = plan.findings.iter().map(|finding| finding.severity).max();
    let code = match worst {
        None | Some(Severity::Hint) => 0,
        Some(Severity::Attention) => 1,
        Some(Severity::Stop) => 2,
    };
    let text = match args.json {
        true => format!(
            "{}\n",
            serde_json::json!({
                "plan": name,
                "region": { "title": region.title, "as_of": region.as_of, "caution": region.caution },
                "faults": [],
                "findings": plan.findings,
            })
        ),
        false => listing(&name, &plan.findings, &region),
    };
    std::io::stdout().write_all(text.as_bytes())?;
    Ok(ExitCode::from(code))
}

fn faults_as_json(faults: &FaultList) -> serde_json::Value {
    let one = |fault: &dunlin_plan::Fault| {
        serde_json::json!({
            "line": fault.place.line,
            "column": fault.place.column,
            "what": fault.what,
            "allowed": fault.allowed,
        })
    };
    let list: Vec<_> = faults.faults.iter().map(one).collect();
    serde_json::json!({ "faults": list, "more_faults": faults.more, "findings": [] })
}

/// A region file; its path counts from the plan's folder.
fn region_file(plan: &Path, name: &str) -> Result<Region> {
    if !name.ends_with(".toml") {
        bail!("no region is called '{name}'; there are neutral, us-part97, and files in .toml");
    }
    let file = plan.parent().unwrap_or(Path::new(".")).join(name);
    let octets = read(&file, MOST_OCTETS)?;
    let text = String::from_utf8(octets).context("the region file is no text")?;
    Region::read(&text)
        .map_err(|error| anyhow::anyhow!("the region file {}: {error}", file.display()))
}

fn listing(name: &str, findings: &[Finding], region: &Region) -> String {
    let mut text = String::new();
    for finding in findings {
        text.push_str(&format!(
            "{name}:{}: {} [{}]: {}\n    shown by: {}\n    {}\n    {}\n\n",
            finding.line,
            finding.severity.word(),
            finding.id,
            finding.what,
            finding.evidence,
            finding.consequence,
            finding.remedy
        ));
    }
    let count = |severity| findings.iter().filter(|f| f.severity == severity).count();
    text.push_str(&format!(
        "{} stop, {} attention, {} hints. Rules: {} ({}). {}\n",
        count(Severity::Stop),
        count(Severity::Attention),
        count(Severity::Hint),
        region.title,
        region.as_of,
        region.caution
    ));
    text
}

fn explain(key: Option<&str>) -> Result<ExitCode> {
    let text = match key {
        None => Plan::explain(),
        Some(key) => match Plan::explain_key(key) {
            Ok(text) => text,
            Err(sentence) => bail!("{sentence}"),
        },
    };
    std::io::stdout().write_all(text.as_bytes())?;
    Ok(ExitCode::SUCCESS)
}

fn new(args: &NewArgs) -> Result<ExitCode> {
    let words: Vec<&str> = Fresh::ALL.iter().map(|(word, _)| *word).collect();
    let kind = given_or_asked(
        &args.kind,
        &format!("For which station ({})?", words.join(", ")),
    )?;
    let Some((_, fresh)) = Fresh::ALL.into_iter().find(|(word, _)| *word == kind) else {
        bail!("'{kind}' is none of {}", words.join(", "));
    };
    let call = given_or_asked(&args.call, "Your call sign?")?.to_uppercase();
    let call: CallSign = call
        .parse()
        .with_context(|| format!("the call sign '{call}'"))?;
    let Some(region) = Region::built_in(&args.region) else {
        bail!(
            "no region is called '{}'; there are neutral and us-part97",
            args.region
        );
    };
    let asked = args.out.as_ref().map(|out| out.display().to_string());
    let out = PathBuf::from(given_or_asked(&asked, "Which file shall be written?")?);
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(&out)
        .with_context(|| {
            format!(
                "{} cannot be written; an existing file is kept",
                out.display()
            )
        })?;
    file.write_all(fresh.text(&call.to_string(), &args.region).as_bytes())?;
    println!(
        "Written: {}\n\n{CAUTIONS}\n{}",
        out.display(),
        region.caution
    );
    Ok(ExitCode::SUCCESS)
}

fn given_or_asked(given: &Option<String>, question: &str) -> Result<String> {
    if let Some(given) = given {
        return Ok(given.clone());
    }
    eprint!("{question} ");
    let mut line = String::new();
    std::io::stdin().lock().take(400).read_line(&mut line)?;
    match line.trim() {
        "" => bail!("no answer to: {question}"),
        answer => Ok(answer.to_owned()),
    }
}
