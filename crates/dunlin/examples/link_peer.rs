//! One data link at a controller on the network, without a station around it, for the
//! conformance tests: a file goes out, and what comes in is written to another.
//!
//! ```text
//! link_peer 127.0.0.1:8100 QA1SKY QM3BAR 2.2 OUT IN COUNT   calls, sends, and when COUNT octets
//!                                                           came in and all is acknowledged, ends it
//! link_peer 127.0.0.1:8100 QA1SKY QM3BAR 2.2 OUT IN         waits to be called, and for the end
//! ```
//!
//! The channel is taken to be free at all times, and T1 to be short. At the end it prints what the
//! link has counted.

use std::fs::File;
use std::io::Write;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant as Clock};

use dunlin_ax25::Frame;
use dunlin_ax25::data_link::{
    Indication, Input, Link as DataLink, LinkConfig, Output, Request, State, Version,
};
use dunlin_ax25::wire::AddressField;
use dunlin_clock::Instant;
use dunlin_rig::kiss::{
    Controller, ControllerEvent, ControllerPort, ControllerSettings, ControllerSink, Link,
};

/// Longest information field sent, octets.
const N1: usize = 256;
/// Pieces handed to the link at a time.
const AHEAD: usize = 64;
/// An acknowledgement waits so long for more to acknowledge.
const GATHER: Duration = Duration::from_millis(2);

struct Heard(Sender<Vec<u8>>);

impl ControllerSink for Heard {
    fn heard(&self, _: u8, octets: Vec<u8>) -> bool {
        self.0.send(octets).is_ok()
    }

    fn tell(&self, event: ControllerEvent) {
        if let ControllerEvent::Lost { reason, .. } = event {
            eprintln!("the controller is lost: {reason}");
        }
    }
}

struct Peer {
    link: DataLink,
    controller: Controller,
    began: Clock,
    out: std::vec::IntoIter<Vec<u8>>,
    received: File,
    came: usize,
    wanted: Option<usize>,
    seize_at: Option<Clock>,
    over: bool,
}

impl Peer {
    fn now(&self) -> Instant {
        Instant::ZERO + self.began.elapsed()
    }

    fn handle(&mut self, input: Input) -> Result<(), String> {
        let now = self.now();
        self.link.handle(now, input);
        while let Some(output) = self.link.poll() {
            match output {
                Output::Send { frame, modulo, .. } => {
                    let octets = frame.encode_modulo(modulo);
                    self.controller
                        .send(0, &octets)
                        .map_err(|e| e.to_string())?;
                }
                Output::SeizeRequest => self.seize_at = Some(Clock::now() + GATHER),
                Output::Indicate(indication) => self.indicated(indication)?,
                Output::ReleaseRequest | Output::StateChanged { .. } => {}
            }
        }
        Ok(())
    }

    fn indicated(&mut self, indication: Indication) -> Result<(), String> {
        match indication {
            Indication::Data { info, .. } => {
                self.came += info.len();
                self.received.write_all(&info).map_err(|e| e.to_string())?;
            }
            Indication::DisconnectIndication { reason } => {
                println!("down: {reason}");
                self.over = true;
            }
            Indication::DisconnectConfirm => {
                println!("down: as asked");
                self.over = true;
            }
            Indication::ConnectIndication { after_reset: true } => {
                return Err("the link was reset with data in doubt".into());
            }
            Indication::DataRefused { reason, .. } => return Err(reason.to_string()),
            Indication::Error(error) => println!("error {}: {error}", error.letter()),
            Indication::Agreed(agreed) => println!("agreed: {agreed}"),
            _ => {}
        }
        Ok(())
    }

    /// Hands over more to send, or ends the link when all has passed.
    fn go_on(&mut self) -> Result<(), String> {
        if self.link.state() != State::Connected {
            return Ok(());
        }
        while self.link.queued() + self.link.unacknowledged() < AHEAD {
            let Some(info) = self.out.next() else { break };
            self.handle(Input::Request(Request::Data { pid: 0xF0, info }))?;
        }
        let pending = self.link.queued() + self.link.unacknowledged();
        if self.wanted == Some(self.came) && pending == 0 && self.out.len() == 0 {
            self.handle(Input::Request(Request::Disconnect))?;
        }
        Ok(())
    }

    fn run(&mut self, heard: &Receiver<Vec<u8>>) -> Result<(), String> {
        while !self.over {
            self.go_on()?;
            let timer = self.link.next_wakeup().map(|(at, _)| at.since(self.now()));
            let seize = self
                .seize_at
                .map(|at| at.saturating_duration_since(Clock::now()));
            let wait = timer.into_iter().chain(seize).min();
            match heard.recv_timeout(wait.unwrap_or(Duration::from_secs(1))) {
                Ok(octets) => self.heard(&octets)?,
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Err("no controller".into()),
            }
            if self.seize_at.is_some_and(|at| at <= Clock::now()) {
                self.seize_at = None;
                self.handle(Input::SeizeConfirm)?;
            }
            self.handle(Input::Wakeup)?;
        }
        Ok(())
    }

    fn heard(&mut self, octets: &[u8]) -> Result<(), String> {
        match Frame::decode_modulo(octets, self.link.modulo()) {
            Ok(frame) => self.handle(Input::Frame(frame)),
            Err(error) => match (AddressField::decode(octets), error.fault()) {
                (Ok(_), Some(fault)) => self.handle(Input::Faulty(fault)),
                _ => Ok(()),
            },
        }
    }
}

fn peer() -> Result<(), String> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [address, local, remote, version, out, received, rest @ ..] = &arguments[..] else {
        return Err("arguments: ADDRESS LOCAL REMOTE VERSION OUT IN [COUNT]".into());
    };
    let call = |text: &String| text.parse().map_err(|e| format!("{text}: {e}"));
    let mut config = LinkConfig::new(call(local)?, call(remote)?);
    config.version = if version == "2.2" {
        Version::V22
    } else {
        Version::V20
    };
    config.initial_srt = Duration::from_millis(50);
    let file = |path: &String, e: std::io::Error| format!("{path}: {e}");
    let content = std::fs::read(out).map_err(|e| file(out, e))?;
    let pieces: Vec<Vec<u8>> = content.chunks(N1).map(<[u8]>::to_vec).collect();
    let (sender, heard) = channel();
    let settings = ControllerSettings {
        link: Link::Tcp {
            host_port: address.clone(),
        },
        ports: vec![ControllerPort {
            number: 0,
            key_up_delay: Duration::from_millis(0),
            persistence: 1.0,
            slot_time: Duration::from_millis(10),
            tail: None,
            full_duplex: true,
        }],
        acknowledged: false,
    };
    let controller = Controller::open("peer", settings, Arc::new(Heard(sender)));
    let mut peer = Peer {
        link: DataLink::new(config).map_err(|e| e.to_string())?,
        controller: controller.map_err(|e| e.to_string())?,
        began: Clock::now(),
        out: pieces.into_iter(),
        received: File::create(received).map_err(|e| file(received, e))?,
        came: 0,
        wanted: rest
            .first()
            .map(|n| n.parse().map_err(|_| n.clone()))
            .transpose()?,
        seize_at: None,
        over: false,
    };
    if peer.wanted.is_some() {
        std::thread::sleep(Duration::from_millis(300)); // Until the controller is there.
        peer.handle(Input::Request(Request::Connect))?;
    }
    peer.run(&heard)?;
    println!("counted: {:?}", peer.link.counters());
    std::thread::sleep(Duration::from_millis(300)); // The last answer is on its way.
    Ok(())
}

fn main() -> ExitCode {
    match peer() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}
