//! A rehearsal with the page of the operator's station: one thread turns the rehearsal and
//! answers the page; the page is served by threads of its own.

use std::path::Path;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::RecvTimeoutError;

use dunlin_clock::{Duration, Instant};
use dunlin_mail::post::{Answer, Ask as Keep};
use dunlin_rehearsal::{Rehearsal, Summary, Told, timeline};
use dunlin_station::{Draft, DraftError, Event, FormalDraft};
use dunlin_web::{
    Ask, FileRefusal, FileReply, FileWish, MailRefusal, MailReply, MailWish, Web, WebConfig, World,
    Written,
};

use super::output::Output;
use super::{Pace, Speed};
use crate::files::{self, RehearsedShelf};
use crate::journal::Journal;
use crate::mail;

/// Longest time without a look at Ctrl-C.
const LOOK: Duration = Duration::from_millis(50);

/// A rehearsal and all who watch it.
struct Stage {
    rehearsal: Rehearsal,
    web: Web,
    timeline: timeline::Live,
    output: Output,
    json: bool,
    journal: Option<Journal>,
}

/// What the operator wishes besides the scenario.
#[derive(Clone, Copy, Debug)]
pub struct Wishes<'a> {
    /// JSON in the place of lines for people.
    pub json: bool,
    /// TCP port of the page.
    pub port: u16,
    /// File of the journal.
    pub journal: Option<&'a Path>,
}

/// Runs until `end` or `stop`.
pub fn run(
    rehearsal: Rehearsal,
    end: Option<Instant>,
    mut pace: Pace,
    wishes: &Wishes<'_>,
    stop: &AtomicBool,
) -> anyhow::Result<ExitCode> {
    let operator = &rehearsal.scenario().stations[rehearsal.scenario().operator];
    let wall_at_zero = operator.config.wall_at_zero;
    // Also a rehearsal that nobody wants to keep can be looked back into while it lasts.
    let folder = tempfile::tempdir();
    if let Err(error) = &folder {
        eprintln!("dunlin: no journal of this rehearsal can be looked back into: {error}");
    }
    let for_now = folder
        .as_ref()
        .ok()
        .map(|folder| folder.path().join("rehearsal.journal"));
    let place = wishes.journal.or(for_now.as_deref());
    let web = dunlin_web::serve(WebConfig {
        port: wishes.port,
        world: World::Rehearsal,
        wall_at_zero,
        speed: (pace.speed == Speed::Real).then_some(1.0),
        journal: place.map(Path::to_owned),
        ..WebConfig::default()
    })?;
    let ports = operator
        .config
        .ports
        .iter()
        .map(|p| p.name.clone())
        .collect();
    let timeline = timeline::Live::new(ports);
    let journal = |place| Journal::open_here(place, &operator.config, wall_at_zero);
    let journal = place.map(journal).transpose()?;
    let mut stage = Stage {
        rehearsal,
        web,
        timeline,
        output: Output::new(wishes.json),
        json: wishes.json,
        journal,
    };
    stage.welcome()?;
    while end.is_none_or(|end| stage.rehearsal.now() < end) && !stop.load(Ordering::Relaxed) {
        let wait = pace.wait(stage.rehearsal.now());
        stage.listen(wait.min(LOOK))?;
        if wait <= LOOK {
            stage.rehearsal.step();
            stage.tell()?;
        }
    }
    stage.rehearsal.end();
    stage.tell()?;
    if let Some(journal) = stage.journal.take() {
        journal.end(stage.rehearsal.now())?;
    }
    let summary = Summary::of(&stage.rehearsal, false);
    stage.output.summary(&summary)?;
    stage.output.flush()?;
    Ok(ExitCode::SUCCESS)
}

impl Stage {
    fn welcome(&mut self) -> anyhow::Result<()> {
        let scenario = self.rehearsal.scenario();
        let operator = &scenario.stations[scenario.operator];
        let lines = [
            format!(
                "{}: {} stations on {} simulated bands, seed {}.",
                scenario.title,
                scenario.stations.len(),
                scenario.bands.len(),
                self.rehearsal.seed()
            ),
            "Nothing here can key a radio.".to_owned(),
            format!("You:   {}. {}", operator.config.call, operator.about),
            format!("Page:  {}", self.web.url()),
            "Stop:  Ctrl-C".to_owned(),
            String::new(),
        ];
        for line in lines {
            self.output.line(&line)?;
        }
        self.output.flush()?;
        Ok(())
    }

    /// Answers the page for at least `time`.
    fn listen(&mut self, time: Duration) -> anyhow::Result<()> {
        let until = std::time::Instant::now() + time;
        loop {
            let left = until.saturating_duration_since(std::time::Instant::now());
            match self.web.asks.recv_timeout(left) {
                Ok(ask) => self.answer(ask)?,
                Err(RecvTimeoutError::Timeout) => return Ok(()),
                Err(RecvTimeoutError::Disconnected) => {
                    anyhow::bail!("the page is served no longer; start the rehearsal again")
                }
            }
        }
    }

    fn answer(&mut self, ask: Ask) -> anyhow::Result<()> {
        match ask {
            Ask::Command { command, reply } => {
                let answer = self.rehearsal.command(command);
                // Whoever hears the answer will find its events there already.
                self.tell()?;
                reply.send(answer);
            }
            Ask::Metrics { reply } => {
                reply.send(crate::run::metrics::text(&self.rehearsal.snapshot(), &[]));
            }
            Ask::Ways { to, reply } => reply.send(self.rehearsal.ways_to(to)),
            Ask::Mail { wish, reply } => {
                let answer = self.wish(*wish);
                self.tell()?;
                reply.send(answer);
            }
            Ask::Write { draft, reply } => {
                let answer = self.write(*draft);
                self.tell()?;
                reply.send(answer);
            }
            Ask::Reckon { draft, reply } => {
                let reckoned = self.rehearsal.reckon(*draft);
                reply.send(reckoned.map_err(|e| MailRefusal::Refused(e.to_string())));
            }
            Ask::Originate { draft, reply } => {
                let answer = self.originate(*draft);
                self.tell()?;
                reply.send(answer);
            }
            Ask::Count { draft, reply } => {
                let counted = self.rehearsal.reckon_formal(*draft);
                reply.send(counted.map_err(|e| MailRefusal::Refused(e.to_string())));
            }
            Ask::Files { wish, reply } => reply.send(self.wish_file(*wish)),
            Ask::Recording { reply, .. } => {
                let sentence =
                    "a rehearsal keeps no recording; only a station on real devices does";
                reply.send(Err(sentence.into()));
            }
            Ask::Snapshot { reply } => {
                self.tell()?;
                reply.send((self.web.hub.last(), self.rehearsal.snapshot()));
            }
        }
        Ok(())
    }

    /// Fulfils what the page wishes of the operator's mail.
    fn wish(&mut self, wish: MailWish) -> Result<MailReply, MailRefusal> {
        let scenario = self.rehearsal.scenario();
        let operator = scenario.operator;
        let mail = scenario.stations[operator].config.mail.as_ref();
        let no_mail = || MailRefusal::Refused(mail::NO_MAIL.into());
        let routes = mail.map(|mail| mail.routes.clone()).ok_or_else(no_mail)?;
        let wall = self.rehearsal.wall();
        let rehearsal = &mut self.rehearsal;
        let mut ask = |ask| rehearsal.ask_mail(operator, ask);
        let fulfilled = mail::fulfil(wish, &routes, wall, &mut ask);
        if let Some(letter) = &fulfilled.released {
            self.rehearsal.mail_kept(letter);
        } else if fulfilled.changed {
            self.rehearsal.mail_touched();
            self.web.hub.publish(&Event::MailChanged);
        }
        if let Some(report) = fulfilled.report {
            self.write(report)?;
        }
        fulfilled.reply
    }

    /// Keeps a radiogram of the operator, which gets its number.
    fn originate(&mut self, draft: FormalDraft) -> Result<Written, MailRefusal> {
        let refused = |e: DraftError| MailRefusal::Refused(e.to_string());
        let drafted = self.rehearsal.formal_draft(1, draft.clone());
        drafted.map_err(refused)?;
        let operator = self.rehearsal.scenario().operator;
        let number = match self.rehearsal.ask_mail(operator, Keep::Number) {
            Answer::Number(number) => number,
            other => return Err(mail::not_kept(other)),
        };
        let draft = self.rehearsal.formal_draft(number, draft);
        self.write(draft.map_err(refused)?)
    }

    /// Fulfils what the page wishes of the operator's shelf.
    fn wish_file(&mut self, wish: FileWish) -> Result<FileReply, FileRefusal> {
        let rehearsal = &mut self.rehearsal;
        let scenario = rehearsal.scenario();
        let rule = &scenario.stations[scenario.operator].config.files;
        let airtime = |talk, octets| rehearsal.file_airtime(talk, octets);
        let airtime = files::look_at(&wish, rule, airtime)?;
        files::fulfil(&mut RehearsedShelf(rehearsal), wish, airtime)
    }

    /// Keeps what the operator has written.
    fn write(&mut self, draft: Draft) -> Result<Written, MailRefusal> {
        let operator = self.rehearsal.scenario().operator;
        let written = self.rehearsal.write(operator, draft);
        let id = written.map_err(MailRefusal::Refused)?;
        let kept = self.rehearsal.ask_mail(
            operator,
            Keep::Open {
                id,
                reader: None,
                glance: false,
            },
        );
        match kept {
            Answer::Opened(letter) => Ok(Written {
                id,
                words: letter.words(),
            }),
            other => Err(mail::not_kept(other)),
        }
    }

    /// Hands out all that has happened.
    fn tell(&mut self) -> anyhow::Result<()> {
        let now = self.rehearsal.now();
        self.web.hub.tick(now);
        let mut any = false;
        while let Some(told) = self.rehearsal.poll() {
            match told {
                Told::Operator(event) => {
                    self.web.hub.publish(&event);
                    if let Some(journal) = &mut self.journal {
                        journal.record(now, &event);
                    }
                    for line in self.timeline.lines(now.as_millis(), &event) {
                        self.output.line(&line)?;
                        any = true;
                    }
                }
                Told::Happened(happening) if self.json => {
                    self.output.happening(&happening)?;
                    any = true;
                }
                Told::Happened(_) => {}
            }
        }
        let trouble = self.journal.as_mut().and_then(|journal| journal.tick(now));
        if let Some(trouble) = trouble {
            eprintln!("dunlin: {trouble}");
        }
        if any {
            self.output.flush()?;
        }
        Ok(())
    }
}
