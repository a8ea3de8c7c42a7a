//! From the plan's words on devices to open ports, with the cautions that belong there.

mod cautions;
mod controllers;
mod keys;
mod listing;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::mpsc::Sender;

use anyhow::{Context, Result, bail};
use dunlin_clock::{Duration, SampleRate};
use dunlin_plan::{Channel, Device, Plan, PortDevices, SoundPlan};
use dunlin_rig::keyer::KeyPort;
use dunlin_rig::{
    DeviceName, EventSink, Identities, OpenPort, SoundDevice, SoundEvent, SoundSettings,
    Way as Direction, WaySettings, default_device,
};
use dunlin_station::{PortConfig, PortId};

use super::clock::Clock;
use super::driver::{Frames, Message, Port, Way};
use super::links::{self, Counted};
use super::say;
use super::sink::{PortSink, Waiting};
use controllers::Controllers;

pub(super) use listing::listing;

/// One port, decided and not yet opened.
#[derive(Debug)]
pub(super) struct Opening {
    name: String,
    rate: SampleRate,
    way: OpeningWay,
    keyer: dunlin_rig::keyer::KeyerSettings,
}

#[derive(Debug)]
enum OpeningWay {
    Sound {
        first: Box<SoundSettings>,
        /// The second input of the same channel.
        second: Option<Box<SoundSettings>>,
    },
    Controller {
        controller: usize,
        number: u8,
    },
}

/// All that was opened.
pub(super) struct Opened {
    /// The ports of the plan.
    pub(super) ports: Vec<Port<SoundDevice>>,
    /// The controllers that some of them are at.
    pub(super) controllers: Vec<Box<dyn Frames>>,
    /// What the sound devices are, by the name of the port.
    pub(super) identities: Vec<(String, Identities)>,
}

/// All that is to be opened.
#[derive(Debug)]
pub(super) struct Openings {
    ports: Vec<Opening>,
    controllers: Controllers,
}

/// Decides what to open for each port of the plan, tells people what they must know, and
/// takes `may_transmit` from every port that gets nothing to transmit with. `known` is what
/// the sound devices of each port were before.
pub(super) fn prepare(plan: &mut Plan, known: &BTreeMap<String, Identities>) -> Result<Openings> {
    let mut openings = Openings {
        ports: Vec::new(),
        controllers: Controllers::default(),
    };
    for index in 0..plan.station.ports.len() {
        let Some(devices) = plan.devices.get(index).cloned() else {
            bail!(
                "the plan has no device for {}",
                plan.station.ports[index].name
            );
        };
        let may_send = may_send(plan, index, &devices);
        let port = &mut plan.station.ports[index];
        port.may_transmit = may_send;
        if may_send {
            cautions::cautions(&port.name, &devices)
                .iter()
                .for_each(|line| say(line));
        }
        let way = match (devices.sound(), devices.controller()) {
            (Some(sound), _) => {
                port.rate = sound.rate;
                let mut settings = sound_settings(port, sound, may_send)?;
                if let Some(known) = known.get(&port.name) {
                    expect(&mut settings, known);
                }
                let second = second_settings(port, &devices, known)?;
                OpeningWay::Sound {
                    first: Box::new(settings),
                    second: second.map(Box::new),
                }
            }
            (None, Some(controller)) => OpeningWay::Controller {
                controller: openings.controllers.add(port, controller)?,
                number: controller.number,
            },
            (None, None) => bail!("port {} has no device", port.name),
        };
        openings.ports.push(Opening {
            name: port.name.clone(),
            rate: port.rate,
            way,
            keyer: keys::settings(&port.name, &devices, may_send),
        });
    }
    Ok(openings)
}

fn expect(settings: &mut SoundSettings, known: &Identities) {
    settings.input.expected = known.input.clone();
    if let Some(output) = &mut settings.output {
        output.expected = known.output.clone();
    }
}

/// Whether the port may send, after every reason against it.
fn may_send(plan: &Plan, index: usize, devices: &PortDevices) -> bool {
    let port = &plan.station.ports[index];
    let silent = match (devices.can_send(), port.may_transmit) {
        (false, _) => "the plan names no sound output for it",
        (_, false) => "its plan says transmit = false",
        (true, true) => "",
    };
    if !silent.is_empty() {
        say(&format!("Port {} only hears: {silent}.", port.name));
        return false;
    }
    let id = PortId(u8::try_from(index).unwrap_or(u8::MAX));
    if let Err(sentence) = plan.may_open_output(id) {
        say(&format!("Not opened: {sentence}."));
        return false;
    }
    true
}

fn sound_settings(port: &PortConfig, sound: &SoundPlan, may_send: bool) -> Result<SoundSettings> {
    let Some(input) = named(&sound.input, Direction::Hear)? else {
        bail!(
            "port {} has no sound input: a station that does not hear cannot know when the channel \
             is free. Name one in its [port.sound]",
            port.name
        );
    };
    let output = match may_send {
        true => named(&sound.output, Direction::Play)?,
        false => None,
    };
    let way = |device| WaySettings {
        device,
        channel: channel(sound.channel),
        expected: None,
    };
    Ok(SoundSettings {
        input: way(input),
        output: output.map(way),
        rate: sound.rate,
    })
}

/// The second input, if the port has one; it only hears.
fn second_settings(
    port: &PortConfig,
    devices: &PortDevices,
    known: &BTreeMap<String, Identities>,
) -> Result<Option<SoundSettings>> {
    let Some(second) = &devices.second else {
        return Ok(None);
    };
    let Some(device) = named(&second.input, Direction::Hear)? else {
        bail!("port {} has a second sound input that is none", port.name);
    };
    let known = known.get(&second_name(&port.name));
    Ok(Some(SoundSettings {
        input: WaySettings {
            device,
            channel: channel(second.channel),
            expected: known.and_then(|known| known.input.clone()),
        },
        output: None,
        rate: port.rate,
    }))
}

/// Under which name the identity of a port's second input is kept; too long for the name of a
/// port.
fn second_name(port: &str) -> String {
    format!("{port}, its second sound input")
}

fn named(device: &Device, way: Direction) -> Result<Option<DeviceName>> {
    Ok(match device {
        Device::None => None,
        Device::Default => Some(default_device(way)?),
        Device::Named(name) => Some(name.parse()?),
    })
}

fn channel(channel: Channel) -> dunlin_rig::Channel {
    match channel {
        Channel::Mono => dunlin_rig::Channel::Mono,
        Channel::Only(0) => dunlin_rig::Channel::Left,
        Channel::Only(1) => dunlin_rig::Channel::Right,
        Channel::Only(n) => dunlin_rig::Channel::Number(u16::from(n) + 1),
    }
}

/// Opens what was prepared. If one port cannot be opened, none stays open. Keyers come first:
/// their first act is to release whatever line was left keyed.
pub(super) fn open(
    openings: Openings,
    sender: &Sender<Message>,
    frames: &Counted,
    clock: &Clock,
) -> Result<Opened> {
    let program = std::env::current_exe().context("where this program is cannot be known")?;
    let mut keyers: Vec<Box<dyn KeyPort>> = Vec::new();
    for opening in &openings.ports {
        let keyer = dunlin_rig::keyer::open(opening.keyer.clone(), &program, clock.now())
            .map_err(anyhow::Error::msg)
            .with_context(|| format!("the key of port {}", opening.name))?;
        keyers.push(keyer);
    }
    release_first(&mut keyers, clock);
    let mut controllers = Vec::new();
    for (number, settings) in openings.controllers.into_settings().into_iter().enumerate() {
        controllers.push(links::controller(number, settings, sender, frames)?);
    }
    let (mut ports, mut identities) = (Vec::new(), Vec::new());
    for ((index, opening), keyer) in openings.ports.into_iter().enumerate().zip(keyers) {
        let Opening {
            name, rate, way, ..
        } = opening;
        let waiting = Waiting::default();
        match way {
            OpeningWay::Controller { controller, number } => {
                let way = Way::Controller { controller, number };
                ports.push(Port::new(name, rate, way, keyer, waiting));
            }
            OpeningWay::Sound { first, second } => {
                let sink = |second, waiting: &Waiting| PortSink {
                    port: PortId(u8::try_from(index).unwrap_or(u8::MAX)),
                    second,
                    sender: sender.clone(),
                    waiting: waiting.clone(),
                };
                let OpenPort {
                    port: sound,
                    detail,
                    identities: found,
                } = SoundDevice::open(&name, *first, Arc::new(sink(false, &waiting)))
                    .with_context(|| format!("port {name} cannot start"))?;
                say(&format!("Port {name}: {detail}."));
                identities.push((name.clone(), found));
                let mut port = Port::new(name.clone(), rate, Way::Sound(sound), keyer, waiting);
                if let Some(settings) = second {
                    let waiting = Waiting::default();
                    let opened = open_second(&name, *settings, sink(true, &waiting));
                    if let Some(opened) = opened {
                        if opened.identities != Identities::default() {
                            identities.push((second_name(&name), opened.identities));
                        }
                        port = port.with_second(opened.port, waiting);
                    }
                }
                ports.push(port.opened(detail));
            }
        }
    }
    Ok(Opened {
        ports,
        controllers,
        identities,
    })
}

/// Opens the second input of a port. One that does not even answer is told as lost, and the port
/// does without it.
fn open_second(name: &str, settings: SoundSettings, sink: PortSink) -> Option<OpenPort> {
    let sink = Arc::new(sink);
    match SoundDevice::open_patiently(name, settings, sink.clone()) {
        Ok(opened) => {
            say(&format!("Port {name}, second input: {}.", opened.detail));
            Some(opened)
        }
        Err(error) => {
            let reason = error.to_string();
            say(&format!(
                "Port {name} does without its second input: {reason}."
            ));
            let retry_in = Duration::ZERO;
            sink.tell(SoundEvent::Lost { reason, retry_in });
            None
        }
    }
}

/// Turns the keyers until each has proved its line released, or for two seconds: opening sound
/// devices takes long, and a radio that was left keyed must not wait for it.
fn release_first(keyers: &mut [Box<dyn KeyPort>], clock: &Clock) {
    let end = clock.now() + Duration::from_secs(2);
    while clock.now() < end && !keyers.iter().all(|keyer| keyer.is_proved()) {
        for keyer in keyers.iter_mut() {
            keyer.turn(clock.now());
        }
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[cfg(test)]
mod tests;
