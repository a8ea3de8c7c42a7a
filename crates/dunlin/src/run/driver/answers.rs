//! Answers to the page and to the command line.

use dunlin_clock::Instant;
use dunlin_rig::SoundPort;
use dunlin_station::gate::GateView;
use dunlin_station::{CallSign, Command, PortId};
use dunlin_web::{Ask, MailRefusal, Recording};

use super::{Driver, Port, Way};
use crate::control::{Asked, Request, Response};
use crate::run::metrics::{self, PortFigures};
use crate::run::shelf::ToWhom;
use crate::run::why;
use crate::switch::find_port;

impl<S: SoundPort> Driver<S> {
    /// Answers the page.
    pub(super) fn answer(&mut self, now: Instant) {
        while let Some(ask) = self
            .outside
            .web
            .as_ref()
            .and_then(|web| web.asks.try_recv().ok())
        {
            match ask {
                Ask::Command { command, reply } => reply.send(self.command(now, command)),
                Ask::Metrics { reply } => reply.send(self.metrics(now)),
                Ask::Ways { to, reply } => reply.send(self.station.ways_to(now, to)),
                Ask::Mail { wish, reply } => self.wish(now, wish, reply),
                Ask::Write { draft, reply } => self.write(now, *draft, reply),
                Ask::Reckon { draft, reply } => {
                    let reckoned = self.station.reckon(now, *draft);
                    reply.send(reckoned.map_err(|e| MailRefusal::Refused(e.to_string())));
                }
                Ask::Originate { draft, reply } => self.originate(now, draft, reply),
                Ask::Count { draft, reply } => {
                    let counted = self.station.reckon_formal(now, *draft);
                    reply.send(counted.map_err(|e| MailRefusal::Refused(e.to_string())));
                }
                Ask::Files { wish, reply } => self.wish_file(wish, ToWhom::Page(reply)),
                Ask::Recording { port, reply } => reply.send(self.recording(port)),
                Ask::Snapshot { reply } => {
                    let last = self.outside.web.as_ref().map_or(0, |web| web.hub.last());
                    reply.send((last, self.snapshot(now)));
                }
            }
        }
    }

    /// What a port heard in the last minute.
    pub(super) fn recording(&self, id: PortId) -> Result<Recording, String> {
        let Some(port) = self.ports.get(usize::from(id.0)) else {
            return Err(format!(
                "there is no port {}; the snapshot lists them",
                id.0
            ));
        };
        let (began, samples) = port.recent.copy();
        if samples.is_empty() {
            return Err(match port.way {
                Way::Sound(_) => format!("port {} has heard nothing yet", port.name),
                Way::Controller { .. } => {
                    format!(
                        "port {} is at a controller, which keeps its sound to itself",
                        port.name
                    )
                }
            });
        }
        Ok(Recording {
            port_name: port.name.clone(),
            rate_hz: port.rate.hz(),
            began: self.station.civil(began),
            samples,
        })
    }

    /// Figures for programs that watch the station.
    pub(super) fn metrics(&mut self, now: Instant) -> String {
        let figures: Vec<PortFigures> = self.ports.iter_mut().map(Port::figures).collect();
        metrics::text(&self.snapshot(now), &figures)
    }

    /// Answers the command line.
    pub(super) fn asked(&mut self, now: Instant, asked: Asked) {
        let response = match asked.request {
            Request::Files
            | Request::PutFile { .. }
            | Request::FetchFile { .. }
            | Request::DeleteFile { .. }
            | Request::File { .. } => return self.asked_of_files(now, asked),
            Request::Why { port } => self.why(now, port.as_deref()),
            Request::Ways { to } => self.ways(now, &to),
            Request::Stop { port, by, why } => match self.named(port.as_deref()) {
                Ok(port) => self.obey(now, Command::Stop { port, by, why }, "Stopped."),
                Err(text) => Response::refused(text),
            },
            Request::Start { port, by } => match self.named(port.as_deref()) {
                Ok(port) => self.obey(now, Command::Start { port, by }, "Started again."),
                Err(text) => Response::refused(text),
            },
        };
        let _ = asked.reply.send(response); // Who has gone needs no answer.
    }

    fn obey(&mut self, now: Instant, command: Command, done: &str) -> Response {
        match self.command(now, command) {
            Ok(_) => Response::done(done),
            Err(refusal) => Response::refused(refusal.to_string()),
        }
    }

    fn named(&self, port: Option<&str>) -> Result<Option<PortId>, String> {
        let names: Vec<&str> = self.ports.iter().map(|p| p.name.as_str()).collect();
        port.map(|port| find_port(&names, port)).transpose()
    }

    fn why(&self, now: Instant, port: Option<&str>) -> Response {
        let port = match self.named(port) {
            Ok(port) => port,
            Err(text) => return Response::refused(text),
        };
        let snapshot = self.snapshot(now);
        let wanted = |gate: &&GateView| port.is_none_or(|port| gate.port == port);
        let gates: Vec<&GateView> = snapshot.gates.iter().filter(wanted).collect();
        let name = |id: PortId| self.ports[usize::from(id.0)].name.as_str();
        let mut text = String::new();
        for alarm in &snapshot.alarms {
            text.push_str(&why::alarm(now, alarm));
        }
        for gate in &gates {
            text.push_str(&why::gate(now, name(gate.port), gate));
            let port = &self.ports[usize::from(gate.port.0)];
            text.push_str(&why::delays(&port.delays));
        }
        let detail = serde_json::json!({ "gates": gates, "alarms": snapshot.alarms });
        Response::with(text, detail)
    }

    fn ways(&self, now: Instant, to: &str) -> Response {
        let to: CallSign = match to.trim().to_uppercase().parse() {
            Ok(to) => to,
            Err(error) => return Response::refused(format!("{to} is no call sign: {error}")),
        };
        let ways = self.station.ways_to(now, to);
        Response::with(why::ways(&ways), serde_json::json!(ways))
    }
}
