//! Controllers and other programs of the shack, joined to the driver's queue.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::Sender;

use anyhow::{Context, Result};
use dunlin_plan::Plan;
use dunlin_rig::kiss::{
    Controller, ControllerEvent, ControllerSettings, ControllerSink, KissServer, ServerEvent,
    ServerLimits, ServerSettings, ServerSink,
};
use dunlin_station::PortId;

use super::driver::{Frames, Message};
use crate::switch::find_port;

/// Frames of one sender that may wait for the driver.
const MOST_WAITING: usize = 256;

/// Frames that wait for the driver, counted where they come in.
#[derive(Clone, Debug, Default)]
pub(super) struct Counted(Arc<AtomicUsize>);

impl Counted {
    /// Room for one more.
    fn enter(&self) -> bool {
        if self.0.fetch_add(1, Ordering::Relaxed) < MOST_WAITING {
            return true;
        }
        self.0.fetch_sub(1, Ordering::Relaxed);
        false
    }

    /// The driver has taken one.
    pub(super) fn taken(&self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

struct FromController {
    controller: usize,
    sender: Sender<Message>,
    waiting: Counted,
}

impl ControllerSink for FromController {
    fn heard(&self, number: u8, octets: Vec<u8>) -> bool {
        let message = Message::Frame {
            controller: self.controller,
            number,
            octets,
        };
        self.waiting.enter() && self.sender.send(message).is_ok()
    }

    fn tell(&self, event: ControllerEvent) {
        let controller = self.controller;
        // Nobody listens any more only when the program ends.
        let _ = self.sender.send(Message::Controller { controller, event });
    }
}

/// A controller as the driver sees it.
struct Link(Controller);

impl Frames for Link {
    fn send(&mut self, number: u8, octets: &[u8]) -> Result<(), String> {
        let sent = self.0.send(number, octets);
        sent.map(|_| ()).map_err(|error| error.to_string())
    }

    fn hush(&mut self) {
        self.0.hush();
    }
}

/// Opens a controller, which stays open until the driver ends.
pub(super) fn controller(
    number: usize,
    settings: ControllerSettings,
    sender: &Sender<Message>,
    waiting: &Counted,
) -> Result<Box<dyn Frames>> {
    let sink = FromController {
        controller: number,
        sender: sender.clone(),
        waiting: waiting.clone(),
    };
    let name = settings.link.to_string();
    Ok(Box::new(Link(Controller::open(
        &name,
        settings,
        Arc::new(sink),
    )?)))
}

struct FromClients {
    sender: Sender<Message>,
    waiting: Counted,
}

impl ServerSink for FromClients {
    fn client_frame(&self, client: u64, port: PortId, octets: Vec<u8>) -> bool {
        let message = Message::FromClient {
            client,
            port,
            octets,
        };
        self.waiting.enter() && self.sender.send(message).is_ok()
    }

    fn tell(&self, event: ServerEvent) {
        let text = match event {
            ServerEvent::ClientCame { client, address } => {
                format!("program {client} uses our ports by KISS, from {address}")
            }
            ServerEvent::ClientWent { client, why } => {
                format!("program {client} uses our ports no longer: {why}")
            }
            ServerEvent::Refused { address, why } => {
                format!("a program at {address} may not use our ports: {why}")
            }
            ServerEvent::Note { client, text } => format!("program {client}: {text}"),
        };
        let _ = self.sender.send(Message::Note(text));
    }
}

/// Starts the server for other programs.
pub(super) fn server(
    settings: ServerSettings,
    sender: &Sender<Message>,
    waiting: &Counted,
) -> Result<KissServer> {
    let sink = FromClients {
        sender: sender.clone(),
        waiting: waiting.clone(),
    };
    Ok(KissServer::start(settings, Arc::new(sink))?)
}

/// What the plan says of the server.
pub(super) fn server_settings(plan: &Plan) -> Result<ServerSettings> {
    let planned = &plan.whole.kiss_server;
    let names: Vec<&str> = plan.station.ports.iter().map(|p| p.name.as_str()).collect();
    let ids: Vec<PortId> = match planned.ports.is_empty() {
        true => (0..names.len()).map(|n| PortId(n as u8)).collect(), // 16 ports at most.
        false => {
            let found = planned.ports.iter().map(|name| find_port(&names, name));
            found
                .collect::<Result<_, _>>()
                .map_err(anyhow::Error::msg)?
        }
    };
    let ip: IpAddr = planned
        .address
        .parse()
        .with_context(|| format!("[kiss_server] address {} is no IP address", planned.address))?;
    Ok(ServerSettings {
        address: SocketAddr::new(ip, planned.port),
        beyond_loopback: !ip.is_loopback(),
        ports: (0..).zip(ids).collect(),
        limits: ServerLimits::default(),
    })
}
