//! The client to hardware controllers against pseudo-terminals and sockets that play the
//! controller.

use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use dunlin_rig::kiss::{
    Controller, ControllerError, ControllerEvent, ControllerPort, ControllerSettings,
    ControllerSink, FlowControl, Link, SendError, Ticket,
};
use rustix::fs::OFlags;
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

/// Keeps everything that a controller tells.
#[derive(Default)]
struct Ears {
    frames: Mutex<Vec<(u8, Vec<u8>)>>,
    events: Mutex<Vec<ControllerEvent>>,
}

impl ControllerSink for Ears {
    fn heard(&self, number: u8, octets: Vec<u8>) -> bool {
        self.frames.lock().expect("frames").push((number, octets));
        true
    }

    fn tell(&self, event: ControllerEvent) {
        self.events.lock().expect("events").push(event);
    }
}

/// Waits until something is so; a minute is far more than it ever takes.
fn until(what: &str, so: impl Fn() -> bool) {
    let start = Instant::now();
    while !so() {
        assert!(start.elapsed() < Duration::from_secs(60), "never: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

impl Ears {
    fn frames(&self) -> Vec<(u8, Vec<u8>)> {
        self.frames.lock().expect("frames").clone()
    }

    fn events(&self) -> Vec<ControllerEvent> {
        self.events.lock().expect("events").clone()
    }

    fn until_told(&self, what: &str, so: impl Fn(&ControllerEvent) -> bool) {
        until(what, || self.events().iter().any(&so));
    }

    fn count(&self, so: impl Fn(&ControllerEvent) -> bool) -> usize {
        self.events().iter().filter(|event| so(event)).count()
    }
}

fn is_ready(event: &ControllerEvent) -> bool {
    matches!(event, ControllerEvent::Ready { .. })
}

fn is_lost(event: &ControllerEvent) -> bool {
    matches!(event, ControllerEvent::Lost { .. })
}

/// A pseudo-terminal; its far side is the serial line that is opened.
struct Terminal {
    master: OwnedFd,
    path: PathBuf,
}

fn terminal() -> Terminal {
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY;
    let master = openpt(flags).expect("a terminal");
    grantpt(&master).expect("granted");
    unlockpt(&master).expect("unlocked");
    let name = ptsname(&master, Vec::new()).expect("its name");
    rustix::fs::fcntl_setfl(&master, OFlags::NONBLOCK).expect("set");
    let path = PathBuf::from(name.into_string().expect("a plain name"));
    Terminal { master, path }
}

impl Terminal {
    fn write(&self, octets: &[u8]) {
        let mut left = octets;
        while !left.is_empty() {
            match rustix::io::write(&self.master, left) {
                Ok(count) => left = &left[count..],
                Err(Errno::AGAIN) => std::thread::sleep(Duration::from_millis(1)),
                Err(error) => panic!("{error}"),
            }
        }
    }

    /// The next octets that the program sent.
    fn expect(&self, octets: &[u8]) {
        let mut seen: Vec<u8> = Vec::new();
        let start = Instant::now();
        while seen.len() < octets.len() {
            assert!(
                start.elapsed() < Duration::from_secs(60),
                "only {seen:02X?} came"
            );
            let mut piece = [0; 512];
            let most = piece.len().min(octets.len() - seen.len());
            match rustix::io::read(&self.master, &mut piece[..most]) {
                Ok(count) => seen.extend(&piece[..count]),
                // Nothing yet, or nobody has opened the far side yet.
                Err(Errno::AGAIN | Errno::IO) => std::thread::sleep(Duration::from_millis(5)),
                Err(error) => panic!("{error}"),
            }
        }
        assert_eq!(seen, octets);
    }
}

fn port(number: u8) -> ControllerPort {
    ControllerPort {
        number,
        key_up_delay: Duration::from_millis(300),
        persistence: 0.1,
        slot_time: Duration::from_millis(100),
        tail: None,
        full_duplex: false,
    }
}

fn serial(device: &Path) -> ControllerSettings {
    ControllerSettings {
        link: Link::Serial {
            device: device.into(),
            baud: 9600,
            flow_control: FlowControl::Off,
        },
        ports: vec![port(0)],
        acknowledged: false,
    }
}

/// [K] section 4: what a controller with one port gets when its line is opened.
const PARAMETERS: [u8; 16] = [
    0xC0, 0x01, 30, 0xC0, 0xC0, 0x02, 25, 0xC0, 0xC0, 0x03, 10, 0xC0, 0xC0, 0x05, 0, 0xC0,
];

fn open(settings: ControllerSettings) -> (Controller, Arc<Ears>) {
    let ears = Arc::new(Ears::default());
    let controller = Controller::open("test", settings, ears.clone()).expect("opened");
    (controller, ears)
}

#[test]
fn a_serial_controller_gets_parameters_and_frames_and_is_heard() {
    let line = terminal();
    let (mut controller, ears) = open(serial(&line.path));
    line.expect(&PARAMETERS);
    let ticket = controller
        .send(0, &[0x01, 0xC0, 0x02, 0xDB, 0x03])
        .expect("taken");
    line.expect(&[0xC0, 0x00, 0x01, 0xDB, 0xDC, 0x02, 0xDB, 0xDD, 0x03, 0xC0]);
    ears.until_told("handed", |e| *e == ControllerEvent::Handed { ticket });
    line.write(&[0xC0, 0x00, 0x05, 0xDB]);
    std::thread::sleep(Duration::from_millis(20));
    line.write(&[
        0xDC, 0xC0, 0xC0, 0x10, 0x06, 0xC0, 0x01, 0x07, 0xC0, 0x00, 0x08, 0xC0,
    ]);
    until("both frames", || ears.frames().len() == 2);
    assert_eq!(ears.frames(), [(0, vec![0x05, 0xC0]), (0, vec![0x08])]);
    let counts = controller.counts();
    assert_eq!((counts.unknown_ports, counts.unknown_commands), (1, 1));
    let ready = ears.events().into_iter().find(is_ready).expect("ready");
    let ControllerEvent::Ready { detail } = ready else {
        unreachable!()
    };
    assert!(
        detail.contains("at 9600 Bd; port 0: key-up delay 300 ms"),
        "{detail}"
    );
}

#[test]
fn a_line_that_vanishes_and_comes_back_is_opened_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = folder.path().join("controller");
    let first = terminal();
    std::os::unix::fs::symlink(&first.path, &name).expect("a link");
    let (mut controller, ears) = open(serial(&name));
    first.expect(&PARAMETERS);
    ears.until_told("ready", is_ready);
    std::fs::remove_file(&name).expect("unplugged");
    drop(first);
    ears.until_told("lost", is_lost);
    let ticket = controller.send(0, &[1]).expect("taken");
    ears.until_told(
        "refused",
        |e| matches!(e, ControllerEvent::NotHanded { ticket: t, .. } if *t == ticket),
    );
    ears.until_told(
        "not there",
        |e| matches!(e, ControllerEvent::Lost { reason, .. } if reason.contains("plugged in?")),
    );
    let second = terminal();
    std::os::unix::fs::symlink(&second.path, &name).expect("a link");
    second.expect(&PARAMETERS);
    controller.send(0, &[2]).expect("taken");
    second.expect(&[0xC0, 0x00, 0x02, 0xC0]);
    assert_eq!(controller.counts().links, 2);
    assert_eq!(ears.count(is_ready), 2);
}

#[test]
fn a_device_that_comes_late_is_waited_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = folder.path().join("controller");
    let (_controller, ears) = open(serial(&name));
    ears.until_told("not there", is_lost);
    let line = terminal();
    std::os::unix::fs::symlink(&line.path, &name).expect("a link");
    line.expect(&PARAMETERS);
}

#[test]
fn a_network_controller_with_two_ports_is_connected_again() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("an address");
    let mut settings = serial(Path::new("/"));
    settings.link = Link::Tcp {
        host_port: listener.local_addr().expect("its name").to_string(),
    };
    settings.ports.push(port(2));
    let (mut controller, ears) = open(settings);
    use std::io::{Read, Write};
    let both = [
        PARAMETERS,
        PARAMETERS.map(|o| if o < 6 && o > 0 { o + 0x20 } else { o }),
    ]
    .concat();
    for round in 1..=2u8 {
        let (mut peer, _) = listener.accept().expect("a connection");
        let mut seen = [0; 32];
        peer.read_exact(&mut seen).expect("parameters");
        assert_eq!(seen[..17], both[..17]);
        assert_eq!(seen[17], 0x21, "key-up delay of port 2");
        controller.send(2, &[round]).expect("taken");
        let mut frame = [0; 4];
        peer.read_exact(&mut frame).expect("a frame");
        assert_eq!(frame, [0xC0, 0x20, round, 0xC0]);
        peer.write_all(&[0xC0, 0x20, 0x70 + round, 0xC0])
            .expect("written");
        until("heard", || ears.frames().len() == usize::from(round));
        drop(peer);
        until("lost", || ears.count(is_lost) == usize::from(round));
    }
    assert_eq!(ears.frames(), [(2, vec![0x71]), (2, vec![0x72])]);
}

#[test]
fn a_controller_that_acknowledges_is_believed_when_asked_to() {
    let line = terminal();
    let mut settings = serial(&line.path);
    settings.acknowledged = true;
    let (mut controller, ears) = open(settings);
    line.expect(&PARAMETERS);
    let (one, two) = (
        controller.send(0, &[0xAA]).expect("taken"),
        controller.send(0, &[0xBB]).expect("taken"),
    );
    // [M]: two octets of our choice, then the data; the answer has only the two.
    line.expect(&[0xC0, 0x0C, 0, 0, 0xAA, 0xC0, 0xC0, 0x0C, 0, 1, 0xBB, 0xC0]);
    line.write(&[0xC0, 0x0C, 0, 1, 0xC0, 0xC0, 0x0C, 9, 9, 0xC0]);
    ears.until_told("sent", |e| {
        *e == ControllerEvent::Transmitted { ticket: two }
    });
    assert!(
        !ears
            .events()
            .contains(&ControllerEvent::Transmitted { ticket: one })
    );
}

#[test]
fn a_flood_is_cut_down_and_told_once() {
    let line = terminal();
    let (controller, ears) = open(serial(&line.path));
    line.expect(&PARAMETERS);
    line.write(&[0xC0, 0x00, 0x42, 0xC0].repeat(3000));
    until("all of it", || {
        let counts = controller.counts();
        counts.heard + counts.flooded == 3000
    });
    assert!(
        controller.counts().heard < 1000,
        "{:?}",
        controller.counts()
    );
    let flood = |e: &ControllerEvent| matches!(e, ControllerEvent::Advice { text } if text.contains("more than any radio"));
    ears.until_told("the flood", flood);
    assert_eq!(ears.count(flood), 1);
}

#[test]
fn a_prompt_brings_advice_and_no_frame() {
    let line = terminal();
    let (_controller, ears) = open(serial(&line.path));
    line.expect(&PARAMETERS);
    line.write(b"\r\nwhat?\r\n> ");
    ears.until_told(
        "advice",
        |e| matches!(e, ControllerEvent::Advice { text } if text.contains("KISS mode as its handbook tells")),
    );
    assert_eq!(ears.frames(), []);
}

#[test]
fn a_controller_that_takes_nothing_fills_a_bounded_queue() {
    let line = terminal(); // Nobody reads: the line fills up.
    let (mut controller, ears) = open(serial(&line.path));
    let mut taken = 0;
    let full = loop {
        match controller.send(0, &[0x55; 2000]) {
            Ok(_) => taken += 1,
            Err(error) => break error,
        }
        assert!(taken < 1000, "no limit");
    };
    assert!(matches!(full, SendError::Full(_)), "{full}");
    let answers = |e: &ControllerEvent| {
        matches!(
            e,
            ControllerEvent::Handed { .. } | ControllerEvent::NotHanded { .. }
        )
    };
    controller.hush();
    until("most of it dropped", || ears.count(answers) >= taken - 1);
    drop(controller);
    assert_eq!(ears.count(answers), taken, "each frame is answered once");
}

#[test]
fn what_only_a_person_can_mend_is_an_error_at_once() {
    let ears = Arc::new(Ears::default());
    let file = tempfile::NamedTempFile::new().expect("a file");
    let error = Controller::open("test", serial(file.path()), ears.clone())
        .err()
        .expect("no line");
    assert!(matches!(error, ControllerError::Unusable { .. }));
    assert!(
        error.to_string().contains("a file and no serial line"),
        "{error}"
    );
    let error = Controller::open("test", serial(Path::new("ttyS0")), ears).err();
    assert!(matches!(error, Some(ControllerError::Settings(_))));
}

#[test]
fn frames_that_cannot_go_are_refused() {
    let line = terminal();
    let (mut controller, _ears) = open(serial(&line.path));
    let refusal = |result: Result<Ticket, SendError>| result.expect_err("refused").to_string();
    assert!(refusal(controller.send(1, &[1])).contains("no port 1 in the plan"));
    assert!(refusal(controller.send(0, &[])).contains("0 octets"));
    assert!(refusal(controller.send(0, &[0; 2049])).contains("2049 octets"));
}

#[test]
fn a_line_is_used_by_one_program_only() {
    let line = terminal();
    let (_first, ears) = open(serial(&line.path));
    ears.until_told("ready", is_ready);
    let (_second, ears) = open(serial(&line.path));
    ears.until_told(
        "the other program",
        |e| matches!(e, ControllerEvent::Lost { reason, .. } if reason.contains("another program")),
    );
}
