//! Clients that behave, and clients that do not.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use super::*;

/// Keeps everything that a server tells.
#[derive(Default)]
struct Ears {
    frames: Mutex<Vec<(u64, PortId, Vec<u8>)>>,
    events: Mutex<Vec<ServerEvent>>,
    full: AtomicBool,
}

impl ServerSink for Ears {
    fn client_frame(&self, client: u64, port: PortId, octets: Vec<u8>) -> bool {
        if self.full.load(Ordering::Relaxed) {
            return false;
        }
        self.frames
            .lock()
            .expect("frames")
            .push((client, port, octets));
        true
    }

    fn tell(&self, event: ServerEvent) {
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
    fn frames(&self) -> Vec<(u64, PortId, Vec<u8>)> {
        self.frames.lock().expect("frames").clone()
    }

    fn notes(&self) -> Vec<String> {
        let events = self.events.lock().expect("events");
        let text = |event: &ServerEvent| match event {
            ServerEvent::Note { text, .. } => Some(text.clone()),
            ServerEvent::ClientWent { why, .. } | ServerEvent::Refused { why, .. } => {
                Some(why.clone())
            }
            ServerEvent::ClientCame { .. } => None,
        };
        events.iter().filter_map(text).collect()
    }

    fn until_told(&self, part: &str) {
        until(part, || self.notes().iter().any(|note| note.contains(part)));
    }
}

fn settings() -> ServerSettings {
    ServerSettings::loopback(0, BTreeMap::from([(0, PortId(0)), (3, PortId(1))]))
}

fn start(settings: ServerSettings) -> (KissServer, Arc<Ears>) {
    let ears = Arc::new(Ears::default());
    let server = KissServer::start(settings, ears.clone()).expect("a server");
    (server, ears)
}

fn client(server: &KissServer) -> TcpStream {
    let stream = TcpStream::connect(server.address()).expect("a connection");
    let limit = Some(Duration::from_secs(60));
    stream.set_read_timeout(limit).expect("a limit");
    stream
}

fn receive(stream: &mut TcpStream, octets: usize) -> Vec<u8> {
    let mut into = vec![0; octets];
    stream.read_exact(&mut into).expect("octets");
    into
}

#[test]
fn frames_go_both_ways_and_to_all_clients() {
    let (server, ears) = start(settings());
    let (mut one, mut two) = (client(&server), client(&server));
    until("two clients", || server.counts().clients == 2);
    one.write_all(&[0xC0, 0x00, 0x01, 0xDB, 0xDC, 0xC0])
        .expect("written");
    until("the first frame", || ears.frames().len() == 1);
    // An escape that is cut between two reads.
    two.write_all(&[0xC0, 0x30, 0x02, 0xDB]).expect("written");
    std::thread::sleep(Duration::from_millis(20));
    two.write_all(&[0xDD, 0xC0]).expect("written");
    until("the second frame", || ears.frames().len() == 2);
    let expected = [
        (1, PortId(0), vec![0x01, 0xC0]),
        (2, PortId(1), vec![0x02, 0xDB]),
    ];
    assert_eq!(ears.frames(), expected);
    server.heard(PortId(1), &[0xC0, 0x07]);
    server.heard(PortId(9), &[0x08]);
    server.heard(PortId(0), &[0x09]);
    let line = [0xC0, 0x30, 0xDB, 0xDC, 0x07, 0xC0, 0xC0, 0x00, 0x09, 0xC0];
    assert_eq!(receive(&mut one, line.len()), line);
    assert_eq!(receive(&mut two, line.len()), line);
}

#[test]
fn what_has_no_effect_is_noted_once() {
    let (server, ears) = start(settings());
    let mut one = client(&server);
    let odd: [(&[u8], &str); 8] = [
        (&[0xC0, 0x01, 0x1E, 0xC0], "a parameter"),
        (&[0xC0, 0xFF, 0xC0], "leave KISS"),
        (&[0xC0, 0x0C, 1, 2, 3, 0xC0], "with acknowledgement"),
        (&[0xC0, 0x07, 1, 0xC0], "unknown command 7"),
        (&[0xC0, 0x10, 1, 0xC0], "port 1, which is not offered"),
        (&[0xC0, 0xF0, 1, 0xC0], "port 15, which is not offered"),
        (&[0xC0, 0x00, 0xDB, 0x41, 0xC0], "wrong escape"),
        (&[0xC0, 0xC0, 0x00, 0xC0], ""),
    ];
    for (octets, _) in odd.iter().cycle().take(odd.len() * 2) {
        one.write_all(octets).expect("written");
    }
    let mut long = vec![0xC0, 0x00];
    long.extend([0x55; 3000]);
    long.push(0xC0);
    one.write_all(&long).expect("written");
    one.write_all(&[0xC0, 0x00, 0x42, 0xC0]).expect("written");
    until("the good frame", || !ears.frames().is_empty());
    assert_eq!(ears.frames(), [(1, PortId(0), vec![0x42])]);
    ears.until_told("a frame of 3000 octets");
    for (_, part) in odd {
        let notes = ears.notes();
        let told = notes
            .iter()
            .filter(|n| !part.is_empty() && n.contains(part));
        assert_eq!(
            told.count(),
            usize::from(!part.is_empty()),
            "{part}: {notes:?}"
        );
    }
    assert_eq!(server.counts().ignored, 15);
}

#[test]
fn a_flood_of_frames_ends_with_a_cut() {
    let (server, ears) = start(settings());
    let (mut one, mut two) = (client(&server), client(&server));
    let flood = [0xC0, 0x00, 0x42, 0xC0].repeat(2000);
    let _ = one.write_all(&flood);
    ears.until_told("more than 20 frames a second");
    assert!(ears.frames().len() < 200, "{}", ears.frames().len());
    // The other one goes on.
    two.write_all(&[0xC0, 0x00, 0x43, 0xC0]).expect("written");
    until("the other's frame", || {
        ears.frames().iter().any(|f| f.2 == [0x43])
    });
    assert_eq!(server.counts().clients, 1);
}

#[test]
fn whoever_does_not_speak_kiss_is_cut() {
    let (server, ears) = start(settings());
    let mut one = client(&server);
    let mut request = b"POST / HTTP/1.1\r\n\r\n".to_vec();
    request.extend([0xC0, 0x00, 0x42, 0xC0]);
    one.write_all(&request).expect("written");
    ears.until_told("began with \"POST / HTTP/1.1\\r\\n");
    assert_eq!(one.read(&mut [0; 10]).unwrap_or(0), 0, "closed");
    assert_eq!(ears.frames(), []);
}

#[test]
fn one_client_too_many_is_sent_away() {
    let mut settings = settings();
    settings.limits.clients = 1;
    let (server, ears) = start(settings);
    let first = client(&server);
    until("a client", || server.counts().clients == 1);
    let mut second = client(&server);
    assert_eq!(second.read(&mut [0; 10]).unwrap_or(0), 0, "closed");
    ears.until_told("1 clients are connected");
    drop(first);
    ears.until_told("it has closed the connection");
    let mut third = client(&server);
    third.write_all(&[0xC0, 0x00, 0x44, 0xC0]).expect("written");
    until("its frame", || !ears.frames().is_empty());
}

#[test]
fn a_slow_client_loses_the_oldest_and_holds_nobody_up() {
    let mut settings = settings();
    settings.limits.waiting = 4;
    let (server, ears) = start(settings);
    let mut slow = client(&server);
    until("a client", || server.counts().clients == 1);
    // What the sockets hold in between is a matter of the system: send until it is full.
    let start = Instant::now();
    let mut sent: u32 = 0;
    while server.counts().lost_by_slow < 50 {
        assert!(start.elapsed() < Duration::from_secs(60), "never slow");
        server.heard(
            PortId(0),
            &[&sent.to_be_bytes()[..], &[0x55; 20_000]].concat(),
        );
        sent += 1;
        std::thread::sleep(Duration::from_micros(200));
    }
    ears.until_told("takes frames too slowly");
    // The newest frame is among those kept, and the stream is still in step.
    let mut decoder = dunlin_framing::kiss::Decoder::new(30_000);
    let mut latest = 0;
    let mut piece = vec![0; 100_000];
    while latest + 1 < sent {
        let count = slow.read(&mut piece).expect("octets");
        for found in decoder.decode(&piece[..count]) {
            let dunlin_framing::kiss::Decoded::Frame(frame) = found else {
                panic!("out of step: {found:?}")
            };
            assert_eq!(frame.octets.len(), 20_004);
            let number = frame.octets[..4].try_into().expect("four octets");
            assert!(latest == 0 || u32::from_be_bytes(number) > latest);
            latest = u32::from_be_bytes(number);
        }
    }
}

#[test]
fn a_full_driver_is_told_to_the_log() {
    let (server, ears) = start(settings());
    ears.full.store(true, Ordering::Relaxed);
    let mut one = client(&server);
    one.write_all(&[0xC0, 0x00, 0x42, 0xC0]).expect("written");
    ears.until_told("faster than the port can send");
    assert_eq!(server.counts().no_room, 1);
}

#[test]
fn wrong_settings_have_their_sentences() {
    let fault = |change: &dyn Fn(&mut ServerSettings)| {
        let mut settings = settings();
        change(&mut settings);
        settings.check().expect_err("a fault").to_string()
    };
    let any = SocketAddr::from(([0, 0, 0, 0], 0));
    assert!(fault(&|s| s.address = any).contains("could then transmit"));
    assert!(fault(&|s| s.ports.clear()).contains("offers no port"));
    let sixteen = BTreeMap::from([(16, PortId(0))]);
    assert!(fault(&|s| s.ports = sixteen.clone()).contains("0 to 15"));
    assert!(fault(&|s| s.limits.clients = 0).contains("most clients"));
    assert!(fault(&|s| s.limits.frames_per_second = f64::NAN).contains("per second"));
    let (server, _ears) = start(settings());
    let mut taken = settings();
    taken.address = server.address();
    let error = KissServer::start(taken, Arc::new(Ears::default()))
        .err()
        .expect("taken");
    assert!(error.to_string().contains("another program listens there"));
}

#[test]
fn closing_says_good_bye() {
    let (server, ears) = start(settings());
    let mut one = client(&server);
    until("a client", || server.counts().clients == 1);
    drop(server);
    assert_eq!(one.read(&mut [0; 10]).unwrap_or(0), 0, "closed");
    assert!(ears.notes().contains(&"the server was closed".to_owned()));
}
