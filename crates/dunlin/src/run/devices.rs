//! From the plan's words on sound devices to open ports, with the cautions that belong there.

use std::sync::Arc;
use std::sync::mpsc::Sender;

use anyhow::{Context, Result, bail};
use dunlin_plan::{Channel, Device, KeyLine, Plan, PortDevices, SoundPlan};
use dunlin_rig::{
    DeviceInfo, DeviceName, Listing, OpenPort, SoundDevice, SoundSettings, Way, WaySettings,
    default_device, lasting_name, list_devices,
};
use dunlin_station::{PortConfig, PortId};

use super::driver::{Message, Port};
use super::say;
use super::sink::{PortSink, Waiting};

/// The sound of one port, decided and not yet opened.
#[derive(Debug)]
pub(super) struct Opening {
    name: String,
    settings: SoundSettings,
}

/// Decides what to open for each port of the plan, tells people what they must know, and
/// takes `may_transmit` from every port that gets no output.
pub(super) fn prepare(plan: &mut Plan) -> Result<Vec<Opening>> {
    let mut openings = Vec::new();
    for index in 0..plan.station.ports.len() {
        let Some(devices) = plan.devices.get(index).cloned() else {
            bail!(
                "the plan has no [port.sound] for {}",
                plan.station.ports[index].name
            );
        };
        let Some(sound) = devices.sound().cloned() else {
            bail!(
                "port {} has a [port.controller], which this program cannot use yet",
                plan.station.ports[index].name
            );
        };
        let output = output(plan, index, &devices, &sound)?;
        let port = &mut plan.station.ports[index];
        port.may_transmit = output.is_some();
        port.rate = sound.rate;
        if output.is_some() {
            cautions(&port.name, &devices)
                .iter()
                .for_each(|line| say(line));
        }
        let input = input(port, &sound)?;
        let settings = SoundSettings {
            input,
            output,
            rate: sound.rate,
        };
        openings.push(Opening {
            name: port.name.clone(),
            settings,
        });
    }
    Ok(openings)
}

fn input(port: &PortConfig, sound: &SoundPlan) -> Result<WaySettings> {
    let Some(device) = named(&sound.input, Way::Hear)? else {
        bail!(
            "port {} has no sound input: a station that does not hear cannot know when the channel \
             is free. Name one in its [port.sound]",
            port.name
        );
    };
    Ok(WaySettings {
        device,
        channel: channel(sound.channel),
        expected: None,
    })
}

/// Where the port may play, after every reason against it.
fn output(
    plan: &Plan,
    index: usize,
    devices: &PortDevices,
    sound: &SoundPlan,
) -> Result<Option<WaySettings>> {
    let port = &plan.station.ports[index];
    let keyed_by_line = !matches!(devices.key.line, KeyLine::None | KeyLine::Vox);
    let silent = match (&sound.output, port.may_transmit) {
        (Device::None, _) => "the plan names no sound output for it",
        (_, false) => "its plan says transmit = false",
        _ if keyed_by_line => "this program cannot use the key line of its plan yet",
        (_, true) => "",
    };
    if !silent.is_empty() {
        say(&format!("Port {} only hears: {silent}.", port.name));
        return Ok(None);
    }
    let id = PortId(u8::try_from(index).unwrap_or(u8::MAX));
    if let Err(sentence) = plan.may_open_output(id) {
        say(&format!("Not opened: {sentence}."));
        return Ok(None);
    }
    let device = named(&sound.output, Way::Play)?;
    Ok(device.map(|device| WaySettings {
        device,
        channel: channel(sound.channel),
        expected: None,
    }))
}

fn named(device: &Device, way: Way) -> Result<Option<DeviceName>> {
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

/// What people must read before a port that can transmit starts.
fn cautions(port: &str, devices: &PortDevices) -> Vec<String> {
    if devices.is_loop() {
        return vec![format!(
            "Port {port} is a loop by the plan's word: make sure that no radio is on its output."
        )];
    }
    let first = match devices.key.line {
        KeyLine::Vox => format!("CAUTION: port {port} keys its radio by sound (vox)."),
        _ => format!(
            "CAUTION: port {port} plays sound to an output and keys nothing; a radio set to vox \
             would transmit."
        ),
    };
    vec![
        first,
        "  Any sound on that device goes on the air: give Dunlin a device of its own, and keep \
         other programs and system sounds off it."
            .into(),
        "  A radio that stays keyed overheats and blocks the channel. Set the radio's own time-out \
         timer, and know how to cut its power."
            .into(),
        "  First try on a dummy load at low power, and watch the radio while it sends.".into(),
    ]
}

/// Opens what was prepared. If one port cannot be opened, none stays open.
pub(super) fn open(
    openings: Vec<Opening>,
    sender: &Sender<Message>,
) -> Result<Vec<Port<SoundDevice>>> {
    let mut ports = Vec::new();
    for (index, Opening { name, settings }) in openings.into_iter().enumerate() {
        let waiting = Waiting::default();
        let port = PortId(u8::try_from(index).unwrap_or(u8::MAX));
        let sink = PortSink {
            port,
            sender: sender.clone(),
            waiting: waiting.clone(),
        };
        let rate = settings.rate;
        let OpenPort {
            port: sound,
            detail,
            ..
        } = SoundDevice::open(&name, settings, Arc::new(sink))
            .with_context(|| format!("port {name} cannot start"))?;
        say(&format!("Port {name}: {detail}."));
        ports.push(Port::new(name, rate, sound, waiting));
    }
    Ok(ports)
}

/// The sound devices that exist now, for people.
pub(super) fn listing() -> String {
    let listing = list_devices();
    let mut text = String::new();
    if let Some(reason) = &listing.no_server {
        text.push_str(&format!("No devices of a sound server: {reason}.\n"));
    }
    if let Some(reason) = &listing.forbidden {
        text.push_str(&format!("Devices are missing here: {reason}.\n"));
    }
    for (title, wanted) in [("Inputs", Way::Hear), ("Outputs", Way::Play)] {
        text.push_str(&format!("{title}, as they are named in [port.sound]:\n"));
        let mut any = false;
        for device in &listing.devices {
            if (wanted == Way::Hear && device.hears) || (wanted == Way::Play && device.plays) {
                any = true;
                text.push_str(&line(&listing, device, wanted));
            }
        }
        if !any {
            text.push_str("  none\n");
        }
    }
    text.truncate(text.trim_end().len());
    text
}

/// One device: its lasting name if it has one, else its name at its host.
fn line(listing: &Listing, device: &DeviceInfo, way: Way) -> String {
    let name = device.plan_name();
    let Some(lasting) = lasting_name(listing, device, way) else {
        return format!("  {name:<40} {}\n", device.description);
    };
    let mut text = format!("  {lasting:<40} {}\n", device.description);
    text.push_str(&format!(
        "  {:<40} is another name of it\n",
        format!("  {name}")
    ));
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_plan::PlanRules;

    fn plan(call: &str, sound: &str) -> Plan {
        let text = format!(
            "[station]\ncall = \"{call}\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n\
             [port.sound]\ninput = \"pulse:in\"\n{sound}\n"
        );
        Plan::read("plan.toml", text.as_bytes(), &PlanRules::real())
            .unwrap_or_else(|faults| panic!("{faults}"))
    }

    fn prepared(call: &str, sound: &str) -> (bool, bool) {
        let mut plan = plan(call, sound);
        let openings = prepare(&mut plan).expect("every device is named");
        (
            openings[0].settings.output.is_some(),
            plan.station.ports[0].may_transmit,
        )
    }

    #[test]
    fn an_invented_call_gets_no_output_unless_it_is_a_loop() {
        assert_eq!(
            prepared(
                "QA1SKY",
                "output = \"pulse:out\"\n[port.key]\nmethod = \"vox\""
            ),
            (false, false)
        );
        assert_eq!(prepared("QA1SKY", "output = \"pulse:out\""), (false, false));
        assert_eq!(
            prepared("QA1SKY", "output = \"pulse:out\"\nloop = true"),
            (true, true)
        );
    }

    #[test]
    fn a_call_that_somebody_could_hold_gets_its_output() {
        // The ITU allocates no series that begins with 1 either; nobody holds this one.
        assert_eq!(
            prepared(
                "1X1ABC",
                "output = \"pulse:out\"\n[port.key]\nmethod = \"vox\""
            ),
            (true, true)
        );
        assert_eq!(prepared("1X1ABC", ""), (false, false));
    }

    #[test]
    fn a_port_without_an_input_is_refused() {
        let mut plan = plan("QA1SKY", "");
        let dunlin_plan::Carrier::Sound(sound) = &mut plan.devices[0].carrier else {
            panic!("the plan has a sound device")
        };
        sound.input = Device::None;
        let error = prepare(&mut plan).expect_err("no input").to_string();
        assert!(error.contains("no sound input"), "{error}");
    }

    #[test]
    fn vox_comes_with_the_cautions_and_a_loop_with_its_own() {
        let devices = plan(
            "1X1ABC",
            "output = \"pulse:out\"\n[port.key]\nmethod = \"vox\"",
        )
        .devices;
        let text = cautions("VHF", &devices[0]).join("\n");
        for word in ["vox", "dummy load", "time-out", "stays keyed"] {
            assert!(text.contains(word), "{word} is missing in {text}");
        }
        let devices = plan("QA1SKY", "output = \"pulse:out\"\nloop = true").devices;
        assert!(cautions("VHF", &devices[0])[0].contains("no radio"));
    }
}
