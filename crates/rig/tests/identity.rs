//! Devices that swap their names, come back elsewhere, or are others than before, on a real
//! PulseAudio server whose devices carry the properties of USB sound interfaces.

mod bench;
mod private_server;

use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use bench::{Bench, Log, loud, open, run_inside, settings};
use dunlin_rig::{
    Channel, DeviceError, OpenPort, SoundDevice, SoundEvent, SoundPort, SoundSettings, Way,
    lasting_name, list_devices,
};
use private_server::{PrivateServer, control, load_interface, unload_interfaces};

const A: &str = "usb:0d8c:0013:A1";
const B_PLACE: &str = "usb:0000:00:14.0/2.4";

fn server() -> String {
    std::env::var("PULSE_SERVER").expect("set by the outer half")
}

#[test]
fn ports_stay_with_their_devices_when_these_swap_names() {
    run_inside(&PrivateServer::start(&[]), "inside_swaps");
}

#[test]
fn another_device_under_the_name_of_the_plan_is_refused_with_both_shown() {
    run_inside(&PrivateServer::start(&[]), "inside_refuses");
}

#[test]
fn a_device_is_listed_under_a_name_that_lasts() {
    run_inside(&PrivateServer::start(&[]), "inside_lists");
}

fn port(name: &str) -> SoundSettings {
    settings(name, name, Channel::Mono, Channel::Mono)
}

/// Waits until the port is open again; the last reason that it gave for not being so.
fn back(bench: &Bench) -> (String, String) {
    let mut last = String::new();
    loop {
        match bench.next().1 {
            SoundEvent::Ready { detail, .. } => return (detail, last),
            SoundEvent::Lost { reason, .. } => last = reason,
            other => panic!("{other:?}"),
        }
    }
}

fn forget(bench: &Bench) {
    bench.log.sound.lock().expect("not poisoned").clear();
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_swaps() {
    let server = server();
    load_interface(&server, "one", Some("A1"), "1");
    load_interface(&server, "two", None, "2.4");
    let mut hf = open(port(A));
    let mut vhf = open(port(B_PLACE));
    hf.play_tone(0.3, 0);
    std::thread::sleep(Duration::from_millis(300));
    assert!(loud(&hf.heard()).is_some(), "its own device");
    assert_eq!(loud(&vhf.heard()), None, "the other port's device");
    unload_interfaces(&server);
    // Both come back in the other order, under each other's names and numbers, and the one
    // with a serial number in another socket.
    load_interface(&server, "one", None, "2.4");
    load_interface(&server, "two", Some("A1"), "3");
    let (detail, _) = back(&hf);
    assert!(detail.contains("pulse:two"), "{detail}");
    let (detail, _) = back(&vhf);
    assert!(detail.contains("pulse:one"), "{detail}");
    for _ in 0..2 {
        forget(&hf);
        forget(&vhf);
        hf.play_tone(0.3, 0);
        std::thread::sleep(Duration::from_millis(300));
        assert!(loud(&hf.heard()).is_some(), "its own device");
        assert_eq!(loud(&vhf.heard()), None, "the other port's device");
        std::mem::swap(&mut hf, &mut vhf);
    }
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_refuses() {
    let server = server();
    load_interface(&server, "one", Some("A1"), "1");
    let mut bench = open(settings(
        "pulse:one_in",
        "pulse:one",
        Channel::Mono,
        Channel::Mono,
    ));
    bench.play_tone(0.2, 0);
    unload_interfaces(&server);
    load_interface(&server, "one", Some("B7"), "1");
    let (_, event) = bench.next();
    assert!(matches!(event, SoundEvent::Lost { .. }), "{event:?}");
    let (_, event) = bench.next();
    let SoundEvent::Lost { reason, .. } = event else {
        panic!("{event:?}");
    };
    println!("{reason}");
    for part in ["is another device than before", "number A1", "number B7"] {
        assert!(reason.contains(part), "{part}: {reason}");
    }
    bench.port.play(vec![0.5; 4800]);
    let (_, event) = bench.next();
    let SoundEvent::NotPlayed { reason } = event else {
        panic!("{event:?}");
    };
    assert!(reason.contains("another device"), "{reason}");
    let inputs = control(&server, &["list", "short", "sink-inputs"]).expect("pactl works");
    let ours = inputs.lines().filter(|l| !l.contains("remap")).count();
    assert_eq!(ours, 0, "nothing of ours is on the other device: {inputs}");
    unload_interfaces(&server);
    load_interface(&server, "one", Some("A1"), "1");
    let (detail, _) = back(&bench);
    println!("{detail}");
    bench.play_tone(0.2, 0);
    drop(bench);
    refused_at_start(&server);
}

/// What was remembered holds at the start too, for each way.
fn refused_at_start(server: &str) {
    let sink = || {
        Arc::new(Log {
            sound: Mutex::default(),
            loud: Mutex::default(),
            events: Mutex::new(mpsc::channel().0),
        })
    };
    let OpenPort { identities, .. } =
        SoundDevice::open("test", port(A), sink()).expect("it is there");
    let known = identities.output.expect("it is known");
    assert_eq!(Some(&known), identities.input.as_ref());
    unload_interfaces(server);
    load_interface(server, "one", Some("A1"), "3");
    let mut by_name = settings("pulse:one_in", "pulse:one", Channel::Mono, Channel::Mono);
    by_name.output.as_mut().expect("it has one").expected = Some(known.clone());
    match SoundDevice::open("test", by_name, sink()) {
        Err(DeviceError::Changed {
            way: Way::Play,
            changed,
            ..
        }) => {
            assert_eq!(*changed.expected, known);
            let place = changed.found.and_then(|found| found.path);
            assert_eq!(place.as_deref(), Some("0000:00:14.0/3"));
        }
        Err(error) => panic!("{error}"),
        Ok(_) => panic!("another socket was taken"),
    }
    // A name by serial number means the device wherever it is plugged in.
    let mut by_serial = port(A);
    by_serial.input.expected = Some(known);
    SoundDevice::open("test", by_serial, sink()).expect("the same device, elsewhere");
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_lists() {
    let server = server();
    load_interface(&server, "one", Some("A1"), "1");
    load_interface(&server, "two", None, "2.4");
    load_interface(&server, "twin", None, "2.3");
    let listing = list_devices();
    let lasting = |name: &str, way| {
        let device = listing.devices.iter().find(|d| d.name == name);
        lasting_name(&listing, device.expect("it is there"), way)
    };
    assert_eq!(lasting("one", Way::Play).as_deref(), Some(A));
    assert_eq!(lasting("one_in", Way::Hear).as_deref(), Some(A));
    assert_eq!(lasting("two", Way::Play).as_deref(), Some(B_PLACE));
    assert_eq!(
        lasting("twin_in", Way::Hear).as_deref(),
        Some("usb:0000:00:14.0/2.3")
    );
    assert_eq!(lasting("one.monitor", Way::Hear), None);
    assert_eq!(listing.no_server, None);
}
