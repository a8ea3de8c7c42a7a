//! Client and server of KISS without a station behind them, for the conformance tests:
//! events go out as lines, orders come in as lines.
//!
//! ```text
//! kiss_peer serial /dev/ttyUSB0 9600 0 1     a controller's line, its speed, its ports
//! kiss_peer tcp 127.0.0.1:8100 0             a controller on the network, its ports
//! kiss_peer serve 0 3                        a server; KISS port 3 is our port 3
//! ```
//!
//! Orders: `send PORT HEX`, `heard PORT HEX` (server), `hush`, `counts`; the end of the input
//! ends the program.

use std::io::BufRead;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use dunlin_rig::kiss::{
    Controller, ControllerEvent, ControllerPort, ControllerSettings, ControllerSink, FlowControl,
    KissServer, Link, ServerEvent, ServerSettings, ServerSink,
};
use dunlin_station::PortId;

/// Prints what it is told, a line for each thing.
struct Printer;

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02X}")).collect()
}

fn octets(hex: &str) -> Option<Vec<u8>> {
    let pairs = (0..hex.len()).step_by(2);
    pairs
        .map(|at| u8::from_str_radix(hex.get(at..at + 2)?, 16).ok())
        .collect()
}

impl ControllerSink for Printer {
    fn heard(&self, number: u8, octets: Vec<u8>) -> bool {
        println!("heard {number} {}", hex(&octets));
        true
    }

    fn tell(&self, event: ControllerEvent) {
        match event {
            ControllerEvent::Ready { detail } => println!("ready {detail}"),
            ControllerEvent::Handed { ticket } => println!("handed {}", ticket.0),
            ControllerEvent::NotHanded { ticket, reason } => {
                println!("nothanded {} {reason}", ticket.0);
            }
            ControllerEvent::Transmitted { ticket } => println!("transmitted {}", ticket.0),
            ControllerEvent::Lost { reason, retry_in } => {
                println!("lost {} {reason}", retry_in.as_millis());
            }
            ControllerEvent::Advice { text } => println!("advice {text}"),
        }
    }
}

impl ServerSink for Printer {
    fn client_frame(&self, client: u64, port: PortId, octets: Vec<u8>) -> bool {
        println!("client {client} {} {}", port.0, hex(&octets));
        true
    }

    fn tell(&self, event: ServerEvent) {
        match event {
            ServerEvent::ClientCame { client, .. } => println!("came {client}"),
            ServerEvent::ClientWent { client, why } => println!("went {client} {why}"),
            ServerEvent::Refused { why, .. } => println!("refused {why}"),
            ServerEvent::Note { client, text } => println!("note {client} {text}"),
        }
    }
}

/// Either side.
enum Peer {
    Controller(Controller),
    Server(KissServer),
}

impl Peer {
    fn order(&mut self, line: &str) -> Option<()> {
        let words: Vec<&str> = line.split_whitespace().collect();
        match (self, &words[..]) {
            (Peer::Controller(c), ["send", port, hex]) => {
                match c.send(port.parse().ok()?, &octets(hex)?) {
                    Ok(ticket) => println!("taken {}", ticket.0),
                    Err(error) => println!("nottaken {error}"),
                }
            }
            (Peer::Controller(c), ["hush"]) => c.hush(),
            (Peer::Controller(c), ["counts"]) => println!("counts {:?}", c.counts()),
            (Peer::Server(s), ["heard", port, hex]) => {
                s.heard(PortId(port.parse().ok()?), &octets(hex)?);
            }
            (Peer::Server(s), ["counts"]) => println!("counts {:?}", s.counts()),
            _ => return None,
        }
        Some(())
    }
}

fn controller(link: Link, ports: &[String]) -> Result<Peer, String> {
    let port = |number: &String| {
        Ok(ControllerPort {
            number: number.parse().map_err(|_| format!("no port: {number}"))?,
            key_up_delay: Duration::from_millis(300),
            persistence: 0.1,
            slot_time: Duration::from_millis(100),
            tail: None,
            full_duplex: false,
        })
    };
    let settings = ControllerSettings {
        link,
        ports: ports.iter().map(port).collect::<Result<_, String>>()?,
        acknowledged: false,
    };
    let controller = Controller::open("peer", settings, Arc::new(Printer));
    controller.map(Peer::Controller).map_err(|e| e.to_string())
}

fn serve(ports: &[String]) -> Result<Peer, String> {
    let pair = |n: &String| n.parse().map(|n| (n, PortId(n))).map_err(|_| n.clone());
    let ports = ports.iter().map(pair).collect::<Result<_, String>>()?;
    let server = KissServer::start(ServerSettings::loopback(0, ports), Arc::new(Printer));
    let server = server.map_err(|e| e.to_string())?;
    println!("listening {}", server.address());
    Ok(Peer::Server(server))
}

fn open(arguments: &[String]) -> Result<Peer, String> {
    match arguments {
        [way, device, baud, ports @ ..] if way == "serial" => {
            let link = Link::Serial {
                device: device.into(),
                baud: baud.parse().map_err(|_| format!("no speed: {baud}"))?,
                flow_control: FlowControl::Off,
            };
            controller(link, ports)
        }
        [way, address, ports @ ..] if way == "tcp" => {
            let host_port = address.clone();
            controller(Link::Tcp { host_port }, ports)
        }
        [way, ports @ ..] if way == "serve" => serve(ports),
        _ => Err("say serial DEVICE BAUD PORT..., tcp ADDRESS PORT..., or serve PORT...".into()),
    }
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let mut peer = match open(&arguments) {
        Ok(peer) => peer,
        Err(error) => {
            println!("error {error}");
            return ExitCode::FAILURE;
        }
    };
    for line in std::io::stdin().lock().lines().map_while(Result::ok) {
        if peer.order(&line).is_none() {
            println!("nottaken this is no order: {line}");
        }
    }
    ExitCode::SUCCESS
}
