//! Cards in a made-up `/sys`, and property lists as sound servers give them.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::symlink;

use super::*;

/// A `/sys` with these files, and a card link for each `(number, place)`.
fn sys(files: &[(&str, &str)], cards: &[(u32, &str)]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a temporary directory");
    for (file, text) in files {
        let file = dir.path().join(file);
        fs::create_dir_all(file.parent().expect("it has one")).expect("a directory");
        fs::write(file, text).expect("a file");
    }
    let class = dir.path().join("class/sound");
    fs::create_dir_all(&class).expect("a directory");
    fs::write(class.join("timer"), "").expect("a file that is no card");
    for (number, place) in cards {
        symlink(dir.path().join(place), class.join(format!("card{number}"))).expect("a link");
    }
    dir
}

const HUB: &str = "devices/pci0000:00/0000:00:14.0/usb1/1-2";

fn two_codecs_and_a_board() -> tempfile::TempDir {
    let file = |rest: &str| format!("{HUB}/{rest}");
    let files = [
        (file("idVendor"), "05e3\n"),
        (file("1-2.1/idVendor"), "0d8c\n"),
        (file("1-2.1/idProduct"), "0013\n"),
        (file("1-2.1/manufacturer"), "Marrow\n"),
        (file("1-2.1/product"), "Codec\u{7}\n"),
        (file("1-2.1/1-2.1:1.0/sound/card1/id"), "Codec\n"),
        (file("1-2.4/idVendor"), "0d8c\n"),
        (file("1-2.4/idProduct"), "0013\n"),
        (file("1-2.4/serial"), "A1B2\n"),
        (file("1-2.4/1-2.4:1.0/sound/card2/id"), "Codec_1\n"),
        (
            "devices/pci0000:00/0000:00:1f.3/sound/card0/id".into(),
            "PCH\n",
        ),
        ("devices/pci0000:00/0000:00:1f.3/vendor".into(), "0x8086\n"),
        ("devices/pci0000:00/0000:00:1f.3/device".into(), "0x9D71\n"),
        ("devices/pci0000:00/0000:00:1f.3/class".into(), "0x040380\n"),
    ];
    let files: Vec<(&str, &str)> = files.iter().map(|(f, t)| (f.as_str(), *t)).collect();
    let one = format!("{HUB}/1-2.1/1-2.1:1.0/sound/card1");
    let two = format!("{HUB}/1-2.4/1-2.4:1.0/sound/card2");
    let board = "devices/pci0000:00/0000:00:1f.3/sound/card0";
    sys(&files, &[(1, &one), (2, &two), (0, board)])
}

#[test]
fn cards_of_the_kernel_say_what_they_are() {
    let dir = two_codecs_and_a_board();
    let cards = list_in(dir.path());
    let names: Vec<_> = cards.iter().map(|c| (c.number, c.id.as_str())).collect();
    assert_eq!(names, [(0, "PCH"), (1, "Codec"), (2, "Codec_1")]);
    let identity = |i: usize| cards[i].identity.clone().expect("it is known");
    assert_eq!(
        identity(0).name_by_path().as_deref(),
        Some("pci:0000:00:1f.3")
    );
    assert_eq!(identity(0).product.as_deref(), Some("9d71"));
    assert_eq!(identity(1).serial, None);
    assert_eq!(
        identity(1).name_by_path().as_deref(),
        Some("usb:0000:00:14.0/2.1")
    );
    assert_eq!(identity(1).name, "Marrow Codec", "cleaned");
    assert_eq!(
        identity(2).name_by_serial().as_deref(),
        Some("usb:0d8c:0013:A1B2")
    );
    assert_eq!(list_in(Path::new("/nonexistent")), []);
}

fn properties(list: &[(&str, &str)]) -> impl Fn(&str) -> Option<String> + use<> {
    let map: BTreeMap<String, String> = list
        .iter()
        .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
        .collect();
    move |key| map.get(key).cloned()
}

#[test]
fn a_server_on_this_machine_and_the_kernel_give_the_same_identity() {
    let dir = two_codecs_and_a_board();
    let place = format!("/{HUB}/1-2.4/1-2.4:1.0/sound/card2");
    let list = properties(&[
        ("sysfs.path", &place),
        ("device.serial", "Marrow_Codec_A1B2"),
        ("device.bus_path", "pci-0000:00:14.0-usb-0:2.4:1.0"),
    ]);
    assert_eq!(
        identity_in(dir.path(), list),
        list_in(dir.path())[2].identity
    );
    let outside = properties(&[("sysfs.path", "/../../etc")]);
    assert_eq!(identity_in(dir.path(), outside), None);
}

#[test]
fn without_the_kernels_word_the_property_list_is_taken() {
    let nowhere = Path::new("/nonexistent");
    let list = properties(&[
        ("device.bus_path", "pci-0000:00:14.0-usb-0:2.1:1.0"),
        ("device.vendor.id", "0x0D8C"),
        ("device.product.id", "0013"),
        ("device.serial", "A1B2"),
        ("device.product.name", "Codec"),
    ]);
    let found = identity_in(nowhere, list).expect("it is known");
    assert_eq!(
        found.name_by_serial().as_deref(),
        Some("usb:0d8c:0013:A1B2")
    );
    assert_eq!(found.path.as_deref(), Some("0000:00:14.0/2.1"));
    let virtual_device = properties(&[("device.description", "Null Output")]);
    assert_eq!(identity_in(nowhere, virtual_device), None);
}

#[test]
fn udevs_paths_are_read() {
    for (path, bus, place) in [
        ("pci-0000:00:14.0-usb-0:2.1:1.0", "usb", "0000:00:14.0/2.1"),
        (
            "platform-fd500000.pcie-pci-0000:01:00.0-usb-0:1.3:1.0",
            "usb",
            "0000:01:00.0/1.3",
        ),
        (
            "platform-3f980000.usb-usb-0:1.2:1.0",
            "usb",
            "3f980000.usb/1.2",
        ),
        ("pci-0000:00:1f.3", "pci", "0000:00:1f.3"),
        ("platform-soc:sound", "platform", "soc:sound"),
    ] {
        let expected = (Some(bus.to_owned()), Some(place.to_owned()));
        assert_eq!(udev_place(path), expected, "{path}");
    }
    for odd in ["", "-usb", "usb-", "x-usb-0", "pci-x-usb"] {
        let _ = udev_place(odd); // Whatever it is, it must not panic.
    }
    assert_eq!(udev_place("acpi-x"), (None, None));
}

#[test]
fn the_number_of_a_bus_is_no_part_of_the_place() {
    let one = usb_place("/devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.1/1-2.1:1.0/sound/card1");
    let other = usb_place("/devices/pci0000:00/0000:00:14.0/usb3/3-2/3-2.1/3-2.1:1.0/sound/card0");
    let path = |place: &Option<UsbPlace>| place.as_ref().map(|p| p.path.clone());
    assert_eq!(path(&one).as_deref(), Some("0000:00:14.0/2.1"));
    assert_eq!(path(&one), path(&other));
    assert_eq!(usb_place("/devices/virtual/sound/card0"), None);
    assert_eq!(usb_place("usb1/1-2"), None);
}

#[test]
fn serial_numbers_that_all_have_are_none() {
    assert!(says_something("A1"));
    assert!(!says_something("000000000000"));
    assert!(!says_something("--"));
}

#[test]
fn cards_that_the_user_may_not_open_come_with_the_group() {
    let dir = two_codecs_and_a_board();
    let cards = list_in(dir.path());
    let denied = |_| Err(std::io::ErrorKind::PermissionDenied.into());
    let text = forbidden_among(&cards, denied).expect("not allowed");
    assert!(
        text.contains("PCH, Codec, Codec_1") && text.contains("group `audio`"),
        "{text}"
    );
    assert_eq!(forbidden_among(&cards, |_| Ok(())), None);
    let busy = |_| Err(std::io::ErrorKind::ResourceBusy.into());
    assert_eq!(forbidden_among(&cards, busy), None);
}
