//! A stand-in for a driver with its engine: answers asks, publishes numbered events.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use dunlin_clock::{Instant, WallTime};
use dunlin_station::{Command, Event, Refusal, Reply, Snapshot, TalkId, WaysView};
use dunlin_web::{Ask, Hub, Recording, Web, WebConfig, serve};

use crate::{files, mail};

/// A web side with a thread that answers its asks.
pub struct StandIn {
    pub port: u16,
    pub hub: Arc<Hub>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl StandIn {
    pub fn start() -> StandIn {
        StandIn::with(config())
    }

    pub fn with(config: WebConfig) -> StandIn {
        let web = serve(config).expect("a free port");
        let (port, hub) = (web.address.port(), web.hub.clone());
        let stop = Arc::new(AtomicBool::new(false));
        let stopping = stop.clone();
        let thread = std::thread::spawn(move || answer(&web, &stopping));
        StandIn {
            port,
            hub,
            stop,
            thread: Some(thread),
        }
    }

    /// Publishes one event whose content is the number that the hub will give it.
    pub fn publish(&self) {
        let next = self.hub.last() + 1;
        self.hub.publish(&Event::TalkGone(TalkId(next)));
    }
}

impl Drop for StandIn {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// What the stand-in answers to those who ask for figures.
pub const METRICS: &str = "# TYPE dunlin_up_seconds counter\ndunlin_up_seconds 42\n";

/// Any free port, a rehearsal at real speed.
pub fn config() -> WebConfig {
    WebConfig {
        wall_at_zero: WallTime(1_700_000_000_000),
        ..WebConfig::default()
    }
}

fn answer(web: &Web, stop: &AtomicBool) {
    while !stop.load(Ordering::Relaxed) {
        web.hub.tick(Instant::from_millis(42));
        match web.asks.recv_timeout(Duration::from_millis(10)) {
            Ok(Ask::Command { command, reply }) => reply.send(carry_out(&command)),
            Ok(Ask::Metrics { reply }) => reply.send(METRICS.into()),
            Ok(Ask::Ways { to, reply }) => reply.send(WaysView {
                to,
                words: format!("nothing is known of a way to {to}"),
                ways: Vec::new(),
            }),
            Ok(Ask::Mail { wish, reply }) => reply.send(mail::fulfil(&wish)),
            Ok(Ask::Write { draft, reply }) => reply.send(mail::write(&draft)),
            Ok(Ask::Reckon { draft, reply }) => reply.send(mail::reckon(&draft)),
            Ok(Ask::Originate { draft, reply }) => reply.send(mail::originate(&draft)),
            Ok(Ask::Count { draft, reply }) => reply.send(mail::count(*draft)),
            Ok(Ask::Files { wish, reply }) => reply.send(files::fulfil(*wish)),
            Ok(Ask::Recording { port, reply }) => reply.send(match port.0 {
                0 => Ok(minute()),
                _ => Err("there is no such port".into()),
            }),
            Ok(Ask::Snapshot { reply }) => reply.send((web.hub.last(), empty())),
            Err(_) => {}
        }
    }
}

/// What a port has heard.
pub fn minute() -> Recording {
    Recording {
        port_name: "VHF".into(),
        rate_hz: 9600,
        began: WallTime(1_800_000_000_000),
        samples: (0..9600).map(|n| (n as f32 / 30.0).sin()).collect(),
    }
}

fn carry_out(command: &Command) -> Result<Reply, Refusal> {
    match command {
        Command::OpenTalk { .. } => Ok(Reply::Talk(TalkId(7))),
        // The name of the one who asks comes back as the refusal's, so that tests can see it.
        Command::Stop { by, .. } | Command::Start { by, .. } => {
            Err(Refusal::ReceiveOnly(format!("by {by}")))
        }
        Command::CloseTalk { talk } => Err(Refusal::NoSuchTalk(talk.0)),
        _ => Ok(Reply::Done),
    }
}

fn empty() -> Snapshot {
    Snapshot {
        now_ms: 42,
        call: "QA1SKY".parse().expect("a call sign"),
        ports: Vec::new(),
        blocks: Vec::new(),
        heard: Vec::new(),
        talks: Vec::new(),
        lines: Vec::new(),
        crossings: Vec::new(),
        notes: Vec::new(),
        gates: Vec::new(),
        stops: Vec::new(),
        alarms: Vec::new(),
        rejects: Vec::new(),
        mutes: Vec::new(),
        partners: Vec::new(),
        files: Vec::new(),
    }
}
