//! A rehearsal with the page of the operator's station: one thread turns the rehearsal and
//! answers the page; the page is served by threads of its own.

use std::path::Path;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::RecvTimeoutError;

use dunlin_clock::{Duration, Instant};
use dunlin_rehearsal::{Rehearsal, Summary, Told, timeline};
use dunlin_web::{Ask, Web, WebConfig, World};

use super::output::Output;
use super::{Pace, Speed};
use crate::journal::Journal;
use crate::wall_clock;

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
    let wall_at_zero = wall_clock::now();
    let web = dunlin_web::serve(WebConfig {
        port: wishes.port,
        world: World::Rehearsal,
        wall_at_zero,
        speed: (pace.speed == Speed::Real).then_some(1.0),
        ..WebConfig::default()
    })?;
    let operator = &rehearsal.scenario().stations[rehearsal.scenario().operator];
    let ports = operator
        .config
        .ports
        .iter()
        .map(|p| p.name.clone())
        .collect();
    let timeline = timeline::Live::new(ports);
    let journal = |file| Journal::open_here(file, &operator.config, wall_at_zero);
    let journal = wishes.journal.map(journal).transpose()?;
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
            Ask::Snapshot { reply } => {
                self.tell()?;
                reply.send((self.web.hub.last(), self.rehearsal.snapshot()));
            }
        }
        Ok(())
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
