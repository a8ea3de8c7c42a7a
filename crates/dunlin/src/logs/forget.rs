//! `dunlin logs forget`: every text that holds a name goes.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Result, bail};
use dunlin_store::{Eraser, Forgotten, MailForgotten, MailStore, Name};

use crate::state::StateDir;
use crate::wall_clock;

/// What is to be forgotten.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Looks for the name as whole words, in large or small letters, in what frames and talks say, in what
stations heard said last, in the sentences of the timeline and in kept plans. A running station keeps
what it has in memory until it ends; its page shows that still. Exports and backups made earlier are
not looked at.
In the mail: messages that name it, and if it is a call sign, those that it wrote or that are addressed
to it. Identifiers and call signs stay, so that no deleted message comes back. What waits for partners,
is held or is a draft keeps the whole command from deleting anything, unless you say --waiting.
If no mail is where it is looked for, nothing is counted and nothing deleted: say where it is with --mail,
or --no-mail.")]
pub struct ForgetArgs {
    /// The journal; a station may be writing to it
    #[arg(value_name = "JOURNAL")]
    file: PathBuf,
    /// The name, such as \"Marta Voss\"; 2 to 100 characters
    #[arg(value_name = "NAME")]
    name: String,
    /// Delete; without this the texts are only counted
    #[arg(long)]
    yes: bool,
    /// The mail of the station [default: mail.db in the directory beside the journal that is named like it with .state]
    #[arg(long, value_name = "FILE", conflicts_with = "no_mail")]
    mail: Option<PathBuf>,
    /// Leave the mail alone: the station keeps none, or it is not meant
    #[arg(long)]
    no_mail: bool,
    /// Delete also messages that wait for partners, are held or are drafts
    #[arg(long, requires = "yes")]
    waiting: bool,
    /// Then write journal and mail anew, against traces of what was deleted by earlier versions; stop the station first
    #[arg(long, requires = "yes")]
    compact: bool,
}

/// Carries the command out. Without --yes it ends with the exit code of what was not done.
///
/// # Errors
/// The journal or the mail cannot be read or written, no mail is where it is looked for, or the name is none.
pub fn run(args: &ForgetArgs) -> Result<ExitCode> {
    let Some(name) = Name::new(&args.name) else {
        bail!(
            "'{}' cannot be looked for; give a name of 2 to 100 characters that begins and ends with \
             a letter or a digit",
            args.name
        );
    };
    let mut mail = mail_of(args)?;
    let mut journal = Eraser::open(&args.file)?;
    let letters = mail
        .as_ref()
        .map(|mail| mail.count_about(&name))
        .transpose()?
        .unwrap_or_default();
    if !args.yes {
        let found = journal.count(&name)?;
        println!("{} with the name: {}.", texts(found.total()), parts(&found));
        if let Some(mail) = &mail {
            println!(
                "{} in {}: {}.",
                messages(&letters),
                mail.path().display(),
                kinds(&letters)
            );
        }
        println!("Nothing was deleted. To delete them, which cannot be undone, add --yes.");
        return Ok(ExitCode::FAILURE);
    }
    if letters.unfinished() > 0 && !args.waiting {
        println!(
            "{} of the mail is not done with ({}), so nothing was deleted, neither there nor in the journal. Let it go, \
             recall it or delete it on the page first, or add --waiting to delete it too.",
            count(letters.unfinished(), "message"),
            unfinished(&letters)
        );
        return Ok(ExitCode::FAILURE);
    }
    if let Some(mail) = mail.as_ref().filter(|_| args.compact)
        && !mail.is_alone()?
    {
        bail!(
            "a station has {} open, which --compact would keep from it; nothing was deleted. Stop the station first, \
             or leave out --compact",
            mail.path().display()
        );
    }
    if let Some(mail) = &mut mail {
        let breathe = || std::thread::sleep(MailStore::BREATH);
        let gone = mail.forget(&name, wall_clock::now(), breathe)?;
        println!(
            "{} deleted from {}: {}.",
            messages(&gone),
            mail.path().display(),
            kinds(&gone)
        );
        if args.compact {
            mail.compact()?;
        }
    }
    let gone = journal.forget(&name, wall_clock::now())?;
    println!("{} deleted: {}.", texts(gone.total()), parts(&gone));
    if args.compact {
        journal.compact()?;
    }
    tell_remnants(args, &name, &journal, mail.as_ref())?;
    Ok(ExitCode::SUCCESS)
}

/// Says where the letters of the name still stand.
fn tell_remnants(
    args: &ForgetArgs,
    name: &Name,
    journal: &Eraser,
    mail: Option<&MailStore>,
) -> Result<()> {
    for file in journal.remnants(name)? {
        println!(
            "The letters of the name still stand in {}: in other words, in a call sign, or in what an \
             earlier version deleted.{}",
            file.display(),
            match (file == args.file, args.compact) {
                (true, false) => " --compact takes away the last of these.",
                (true, true) => "",
                (false, _) => " It is not the journal itself; delete it if you do not need it.",
            }
        );
    }
    for file in mail.map_or_else(|| Ok(Vec::new()), |mail| mail.remnants(name))? {
        println!(
            "The letters of the name still stand in {}: as a call sign, or in other words.",
            file.display()
        );
    }
    Ok(())
}

/// The mail that was named, or that stands where the station of this journal keeps it if nobody says otherwise. Where none
/// is found nothing may happen: the mail of this journal may well be elsewhere.
fn mail_of(args: &ForgetArgs) -> Result<Option<MailStore>> {
    let file = match &args.mail {
        _ if args.no_mail => return Ok(None),
        Some(file) => file.clone(),
        None => StateDir::mail_in(&StateDir::beside(&args.file)),
    };
    if args.mail.is_none() && !file.is_file() {
        bail!(
            "there is no mail at {}, where it was looked for, so nothing was done. Give --mail FILE (mail.db in the \
             directory that `dunlin run` has as --state, or beside the plan; of the service \
             /var/lib/dunlin/state/mail.db), or --no-mail if the station keeps none",
            file.display()
        );
    }
    Ok(Some(MailStore::open_existing(&file)?))
}

fn texts(n: u64) -> String {
    count(n, "text")
}

fn count(n: u64, what: &str) -> String {
    match n {
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    }
}

fn messages(found: &MailForgotten) -> String {
    count(found.total(), "message")
}

fn kinds(found: &MailForgotten) -> String {
    format!(
        "written {}, addressed {}, naming it {}; of these {}",
        found.written,
        found.addressed,
        found.naming,
        unfinished(found)
    )
}

fn unfinished(found: &MailForgotten) -> String {
    format!(
        "wait for partners {}, are held {}, are drafts {}",
        found.waiting, found.held, found.drafts
    )
}

fn parts(found: &Forgotten) -> String {
    format!(
        "frames {}, lines of talks {}, latest words of stations {}, sentences {}, plans {}",
        found.frames, found.lines, found.said, found.sentences, found.plans
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_store::{Limits, Store};

    fn args(file: PathBuf) -> ForgetArgs {
        ForgetArgs {
            file,
            name: "Marta Voss".into(),
            yes: true,
            mail: None,
            no_mail: false,
            waiting: false,
            compact: false,
        }
    }

    #[test]
    fn where_no_mail_is_found_nothing_is_done() {
        // The layout of packaging/dunlin.service: station.journal beside state/mail.db.
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("station.journal");
        drop(Store::open(&file, Limits::default()).expect("a journal"));
        let state = folder.path().join("state");
        std::fs::create_dir(&state).expect("made");
        let mail = StateDir::mail_in(&state);
        drop(MailStore::open(&mail).expect("mail"));
        let before = std::fs::read(&file).expect("read");
        let told = run(&args(file.clone())).expect_err("it is not there");
        let looked = folder.path().join("station.state/mail.db");
        let told = told.to_string();
        assert!(told.contains(&looked.display().to_string()), "{told}");
        assert!(told.contains("--mail FILE"), "{told}");
        assert_eq!(std::fs::read(&file).expect("read"), before);
        assert!(!looked.exists(), "nothing is made");
        run(&ForgetArgs {
            mail: Some(mail),
            ..args(file.clone())
        })
        .expect("it is there");
        run(&ForgetArgs {
            no_mail: true,
            ..args(file)
        })
        .expect("none is meant");
    }
}
