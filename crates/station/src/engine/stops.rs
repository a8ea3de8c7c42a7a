//! Stop and start: only people do either.

use dunlin_clock::Instant;

use super::Station;
use crate::command::{Refusal, Reply};
use crate::event::{Event, PortId, Urgency};
use crate::gate::Stop;
use crate::gate::stops::somebody;
use crate::gate::words::stopped;

impl Station {
    /// Stops the station or a port: every key is released at once, what is queued is held.
    pub(super) fn stop(
        &mut self,
        now: Instant,
        port: Option<PortId>,
        by: &str,
        why: &str,
    ) -> Result<Reply, Refusal> {
        self.existing(port)?;
        let stop = Stop {
            port,
            by: by.to_owned(),
            why: why.to_owned(),
            at: self.wall(now),
        };
        let new = self.stops.add(stop);
        self.guard(now); // The keys first; words after.
        let text = match self.stops.all().iter().find(|s| s.port == port) {
            Some(stop) if new => stopped(stop),
            Some(stop) => format!("{} asked for a stop again; {}", somebody(by), stopped(stop)),
            None => String::new(),
        };
        self.note(now, port, Urgency::Attention, text);
        self.tell(Event::Stops(self.stops.all().to_vec()));
        Ok(Reply::Done)
    }

    /// Lifts the stop of the station or of a port; others stay.
    pub(super) fn start(
        &mut self,
        now: Instant,
        port: Option<PortId>,
        by: &str,
    ) -> Result<Reply, Refusal> {
        self.existing(port)?;
        let Some(lifted) = self.stops.lift(port) else {
            return Err(self.not_stopped(port));
        };
        let what = match port {
            None => "the station was started again",
            Some(_) => "this port was started again",
        };
        let rest = self.still_stopped(port);
        let text = format!("{what} by {} ({}){rest}", somebody(by), stopped(&lifted));
        self.note(now, port, Urgency::Attention, text);
        self.tell(Event::Stops(self.stops.all().to_vec()));
        Ok(match rest.is_empty() {
            true => Reply::Done,
            false => Reply::StillStopped,
        })
    }

    /// What holds besides the stop of `port` that was just lifted.
    fn still_stopped(&self, port: Option<PortId>) -> String {
        let station = self.stops.all().iter().find(|s| s.port.is_none());
        match (port, station) {
            (Some(_), Some(stop)) => format!("; it still sends nothing: {}", stopped(stop)),
            _ => match self.stopped_ports() {
                names if port.is_some() || names.is_empty() => String::new(),
                names => format!("; still stopped: {}", names.join(", ")),
            },
        }
    }

    fn stopped_ports(&self) -> Vec<String> {
        let ports = self.stops.all().iter().filter_map(|s| s.port);
        ports.map(|p| self.port_config(p).name.clone()).collect()
    }

    fn not_stopped(&self, port: Option<PortId>) -> Refusal {
        let station = self.stops.all().iter().any(|s| s.port.is_none());
        match port {
            Some(port) => {
                let name = self.port_config(port).name.clone();
                match station {
                    true => Refusal::OnlyStationStopped(name),
                    false => Refusal::PortNotStopped(name),
                }
            }
            None => match self.stopped_ports() {
                names if names.is_empty() => Refusal::NothingStopped,
                names => Refusal::OnlyPortsStopped(names.join(", ")),
            },
        }
    }

    fn existing(&self, port: Option<PortId>) -> Result<(), Refusal> {
        match port {
            Some(p) if usize::from(p.0) >= self.config.ports.len() => {
                Err(Refusal::NoSuchPort(p.0, self.config.ports.len()))
            }
            _ => Ok(()),
        }
    }
}
