//! Names against listings of all kinds.

use super::*;

fn device(host: DeviceHost, name: &str, hears: bool, plays: bool) -> DeviceInfo {
    DeviceInfo {
        host,
        name: name.into(),
        description: String::new(),
        identity: None,
        monitor: name.ends_with(".monitor"),
        hears,
        plays,
    }
}

fn listing(devices: impl Into<Vec<DeviceInfo>>) -> Listing {
    Listing {
        devices: devices.into(),
        ..Listing::default()
    }
}

fn name(text: &str) -> DeviceName {
    text.parse().expect("a name")
}

fn codec(sockets: &str, serial: Option<&str>) -> Identity {
    Identity {
        bus: Some("usb".into()),
        path: Some(format!("0000:00:14.0/{sockets}")),
        vendor: Some("0d8c".into()),
        product: Some("0013".into()),
        serial: serial.map(Into::into),
        name: "Codec".into(),
    }
}

/// One card as both hosts show it: the server's input and output with the monitor, and ALSA's
/// many names.
fn shown(word: &str, identity: &Identity) -> Vec<DeviceInfo> {
    let (server, kernel) = (DeviceHost::Server, DeviceHost::Alsa);
    let mut all = vec![
        device(server, &format!("in.{word}"), true, false),
        device(server, &format!("out.{word}"), false, true),
        device(server, &format!("out.{word}.monitor"), true, false),
        device(kernel, &format!("sysdefault:CARD={word}"), true, true),
        device(kernel, &format!("plughw:CARD={word},DEV=1"), false, true),
        device(kernel, &format!("plughw:CARD={word},DEV=0"), true, true),
    ];
    for device in &mut all {
        device.identity = Some(identity.clone());
    }
    all
}

fn found<'a>(all: &'a Listing, text: &str, way: Way) -> &'a str {
    match find(all, &name(text), way) {
        Ok(device) => &device.name,
        Err(error) => panic!("{text}: {error}"),
    }
}

#[test]
fn a_missing_device_says_which_exist_for_that_way() {
    let all = listing([
        device(DeviceHost::Server, "radio", false, true),
        device(DeviceHost::Server, "radio.monitor", true, false),
    ]);
    let wanted = name("pulse:codec");
    let error = find(&all, &wanted, Way::Hear)
        .expect_err("not there")
        .to_string();
    assert!(error.contains("no sound input `pulse:codec`"), "{error}");
    assert!(error.contains("pulse:radio.monitor"), "{error}");
    assert!(!error.contains("pulse:radio\n"), "{error}");
    let none = Listing {
        forbidden: Some("you may not".into()),
        no_server: Some("none runs".into()),
        ..Listing::default()
    };
    let error = find(&none, &wanted, Way::Play)
        .expect_err("none")
        .to_string();
    for part in ["none exists", "(you may not)", "(none runs)"] {
        assert!(error.contains(part), "{error}");
    }
}

#[test]
fn a_bare_name_must_fit_one_device_only() {
    let all = listing([
        device(DeviceHost::Server, "codec", true, true),
        device(DeviceHost::Alsa, "codec", true, false),
    ]);
    let bare = name("codec");
    assert!(matches!(
        find(&all, &bare, Way::Hear),
        Err(DeviceError::Ambiguous { .. })
    ));
    assert_eq!(find(&all, &bare, Way::Play), Ok(&all.devices[0]));
    assert_eq!(
        find(&all, &name("alsa:codec"), Way::Hear),
        Ok(&all.devices[1])
    );
}

#[test]
fn a_lasting_name_means_the_device_wherever_it_is_shown() {
    let mut devices = shown("A", &codec("1", Some("A1")));
    devices.extend(shown("B", &codec("2.4", None)));
    let all = listing(devices);
    let by_serial = "usb:0d8c:0013:A1";
    assert_eq!(found(&all, by_serial, Way::Hear), "in.A");
    assert_eq!(found(&all, by_serial, Way::Play), "out.A");
    assert_eq!(found(&all, "usb:0000:00:14.0/1", Way::Play), "out.A");
    assert_eq!(found(&all, "usb:0000:00:14.0/2.4", Way::Hear), "in.B");
    let kernel = format!("alsa:{by_serial}");
    assert_eq!(found(&all, &kernel, Way::Play), "plughw:CARD=A,DEV=0");
    assert_eq!(found(&all, &kernel, Way::Hear), "plughw:CARD=A,DEV=0");
    let gone = find(&all, &name("usb:0d8c:0013:A2"), Way::Hear);
    assert!(matches!(gone, Err(DeviceError::Missing { .. })));
    // Without the server's devices the kernel's are meant.
    let mut kernel_only = all.clone();
    kernel_only.devices.retain(|d| d.host == DeviceHost::Alsa);
    assert_eq!(
        found(&kernel_only, by_serial, Way::Hear),
        "plughw:CARD=A,DEV=0"
    );
}

#[test]
fn devices_with_one_serial_number_are_named_by_place() {
    let mut devices = shown("A", &codec("1", Some("X")));
    devices.extend(shown("B", &codec("2", Some("X"))));
    let all = listing(devices);
    let error = find(&all, &name("usb:0d8c:0013:X"), Way::Hear).expect_err("two");
    let text = error.to_string();
    assert!(matches!(error, DeviceError::Ambiguous { .. }), "{text}");
    assert!(text.contains("usb:0000:00:14.0/2"), "{text}");
    assert_eq!(
        lasting_name(&all, &all.devices[0], Way::Hear).as_deref(),
        Some("usb:0000:00:14.0/1")
    );
}

#[test]
fn lasting_names_lead_back_to_the_device_that_they_are_printed_for() {
    let all = listing(shown("A", &codec("1", Some("A1"))));
    let names = |way: Way| -> Vec<(String, Option<String>)> {
        let serving = all.devices.iter().filter(|d| d.serves(way));
        serving
            .map(|d| (d.name.clone(), lasting_name(&all, d, way)))
            .collect()
    };
    let hears = names(Way::Hear);
    let usb = "usb:0d8c:0013:A1";
    assert_eq!(hears[0], ("in.A".into(), Some(usb.into())));
    assert_eq!(hears[1], ("out.A.monitor".into(), None), "no device");
    let kernel = ("plughw:CARD=A,DEV=0".into(), Some(format!("alsa:{usb}")));
    assert!(hears.contains(&kernel), "{hears:?}");
    for (device, lasting) in hears {
        if let Some(lasting) = lasting {
            assert_eq!(found(&all, &lasting, Way::Hear), device);
        }
    }
}

#[test]
fn a_name_by_number_is_refused_with_the_lasting_one() {
    let mut all = listing(shown("A", &codec("1", Some("A1"))));
    all.cards = vec![Card {
        number: 1,
        id: "A".into(),
        identity: None,
    }];
    for text in ["hw:1", "alsa:plughw:1,0", "alsa:hw:CARD=1,DEV=0"] {
        let error = find(&all, &name(text), Way::Hear)
            .expect_err("a number")
            .to_string();
        assert!(
            error.contains("goes by a number") && error.contains("`alsa:usb:0d8c:0013:A1`"),
            "{error}"
        );
    }
    for text in ["hw:7", "pulse:1"] {
        let error = find(&all, &name(text), Way::Hear)
            .expect_err("a number")
            .to_string();
        assert!(error.contains("--list-devices"), "{error}");
    }
}

#[test]
fn a_name_of_another_host_or_way_comes_with_a_hint() {
    let all = listing([
        device(DeviceHost::Server, "radio", false, true),
        device(DeviceHost::Alsa, "cable", true, true),
    ]);
    for (wanted, way, part) in [
        (
            "pulse:cable",
            Way::Play,
            "the kernel has a device of that name, `alsa:cable`",
        ),
        (
            "alsa:radio",
            Way::Play,
            "the sound server has a device of that name, `pulse:radio`",
        ),
        ("pulse:radio", Way::Hear, "`pulse:radio` is an output"),
    ] {
        let error = find(&all, &name(wanted), way)
            .expect_err("not there")
            .to_string();
        assert!(error.contains(part), "{error}");
    }
}
