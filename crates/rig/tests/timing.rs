//! When a transmission is said to begin and to end, against when it really does at the device;
//! and what a port costs while it only hears.
//!
//! The recorder here makes the server's silent device work in pieces of 5 ms. The device takes
//! a piece at the moment when it begins to play it, and gives it to its monitor at once. So the
//! first sample of each piece that the recorder gets came when it was played, and all the
//! others follow by the sample rate.

mod bench;
mod private_server;

use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bench::{Bench, RATE, open, run_inside, settings};
use dunlin_rig::{Channel, SoundEvent, SoundPort};
use private_server::PrivateServer;

/// Transmissions measured, unless the environment asks for another number.
const TIMES: usize = 12;
/// Pause in what the recorder gets after which a new piece of the device begins.
const PAUSE: Duration = Duration::from_millis(3);
/// What the measurement itself may be wrong by.
const UNSURE: f64 = 3.0;

#[test]
fn the_end_is_never_told_before_the_last_sample_is_out() {
    run_inside(&PrivateServer::start(&["air"]), "inside_times_server");
}

#[test]
fn the_end_is_never_told_too_early_through_alsa_either() {
    run_inside(&PrivateServer::start(&["air"]), "inside_times_alsa");
}

/// What came, and when.
type Pieces = Arc<Mutex<Vec<(Instant, Vec<f32>)>>>;

/// An independent recorder of what the device plays.
struct Recorder {
    child: Child,
    pieces: Pieces,
}

impl Recorder {
    fn start() -> Self {
        let mut child = Command::new("parec")
            .args(["--device=air.monitor", "--raw", "--format=float32le"])
            .args(["--channels=1", "--latency-msec=5"])
            .arg(format!("--rate={RATE}"))
            .stdout(Stdio::piped())
            .spawn()
            .expect("this test needs the program parec (Debian package pulseaudio-utils)");
        let mut out = child.stdout.take().expect("it is piped");
        let pieces = Pieces::default();
        let taken = pieces.clone();
        std::thread::spawn(move || {
            let mut rest = Vec::new();
            let mut buffer = [0; 65_536];
            while let Ok(n) = out.read(&mut buffer) {
                if n == 0 {
                    return;
                }
                let now = Instant::now();
                rest.extend_from_slice(&buffer[..n]);
                let whole = rest.len() / 4 * 4;
                let samples = rest.drain(..whole).collect::<Vec<u8>>();
                let sample = |four: &[u8]| f32::from_le_bytes([four[0], four[1], four[2], four[3]]);
                let samples = samples.chunks_exact(4).map(sample).collect();
                taken.lock().expect("not poisoned").push((now, samples));
            }
        });
        Recorder { child, pieces }
    }

    /// Begin and end of each tone, as moments at the device.
    fn tones(&self) -> Vec<(Instant, Instant)> {
        let pieces = self.pieces.lock().expect("not poisoned").clone();
        let lasts = |n: usize| Duration::from_secs_f64(n as f64 / f64::from(RATE));
        let mut before = 0;
        let mut last: Option<Instant> = None;
        let mut zero: Option<Instant> = None;
        let mut sound = Vec::new();
        for (at, samples) in &pieces {
            if last.is_some_and(|last| *at - last > PAUSE) {
                // The least delayed piece is the truest.
                let from = *at - lasts(before);
                zero = Some(zero.map_or(from, |zero| zero.min(from)));
            }
            last = Some(*at);
            before += samples.len();
            sound.extend_from_slice(samples);
        }
        let zero = zero.expect("the device gives its sound in pieces");
        let spans = spans(&sound);
        spans
            .iter()
            .map(|(from, to)| (zero + lasts(*from), zero + lasts(*to)))
            .collect()
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// First and one past the last sample of each tone; 100 ms of silence divide tones.
fn spans(sound: &[f32]) -> Vec<(usize, usize)> {
    let mut spans: Vec<(usize, usize)> = Vec::new();
    let loud = sound.iter().enumerate().filter(|(_, x)| x.abs() > 0.05);
    for (i, _) in loud {
        match spans.last_mut() {
            Some((_, to)) if i - *to < RATE as usize / 10 => *to = i + 1,
            _ => spans.push((i, i + 1)),
        }
    }
    spans
}

/// What the port said of one transmission.
struct Said {
    ordered: Instant,
    began: Instant,
    began_told: Instant,
    played: Instant,
}

fn transmit(bench: &mut Bench, seconds: f32) -> Option<Said> {
    let n = (seconds * RATE as f32) as usize;
    let ordered = Instant::now();
    bench.port.play(vec![0.5; n]);
    let mut began = None;
    loop {
        match bench.next_of_all() {
            (at, SoundEvent::Began { ago }) => began = Some((at - ago, at)),
            (played, SoundEvent::Played { underruns: 0 }) => {
                let (began, began_told) = began.expect("told before the end");
                return Some(Said {
                    ordered,
                    began,
                    began_told,
                    played,
                });
            }
            (_, SoundEvent::Heard { .. }) => {}
            (_, event) => {
                println!("not counted: {event:?}");
                bench.settle();
                return None;
            }
        }
    }
}

/// Milliseconds from `a` to `b`, negative if `b` was first.
fn from_to(a: Instant, b: Instant) -> f64 {
    match b.checked_duration_since(a) {
        Some(after) => after.as_secs_f64() * 1000.0,
        None => -(a - b).as_secs_f64() * 1000.0,
    }
}

fn report(what: &str, mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
    println!(
        "{what}: least {:.1} ms, median {:.1} ms, 95th {:.1} ms, most {:.1} ms ({} times)",
        at(0.0),
        at(0.5),
        at(0.95),
        at(1.0),
        values.len()
    );
    at(0.0)
}

fn times(input: &str, output: &str) {
    let recorder = Recorder::start();
    let mut bench = open(settings(input, output, Channel::Mono, Channel::Mono));
    bench.settle();
    let asked = std::env::var("DUNLIN_TIMES")
        .ok()
        .and_then(|n| n.parse().ok());
    let times: usize = asked.unwrap_or(TIMES);
    let mut said = Vec::new();
    for i in 0..times {
        // Lengths that fall differently into the pieces of the device.
        said.extend(transmit(&mut bench, 0.3 + 0.007 * (i % 13) as f32));
        std::thread::sleep(Duration::from_millis(250));
    }
    std::thread::sleep(Duration::from_millis(500));
    let tones = recorder.tones();
    let (mut start, mut begin, mut told, mut end) = (vec![], vec![], vec![], vec![]);
    for said in &said {
        let fits = |(from, to): &&(Instant, Instant)| *from >= said.ordered && *to > said.ordered;
        let (from, to) = tones.iter().find(fits).expect("it was recorded");
        start.push(from_to(said.ordered, *from));
        begin.push(from_to(*from, said.began));
        told.push(from_to(*from, said.began_told));
        end.push(from_to(*to, said.played));
    }
    assert!(said.len() * 2 > times, "most transmissions went well");
    println!("{output}:");
    report("from the order to the first sample", start);
    report("from the first sample to the moment told for it", begin);
    report("from the first sample to the telling", told);
    let least = report("from the last sample to the telling", end);
    assert!(least > -UNSURE, "told {least} ms after the end");
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_times_server() {
    times("air.monitor", "air");
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_times_alsa() {
    times("alsa:pulse", "alsa:pulse");
}

/// Run it by hand: `cargo test --release -p dunlin-rig --test timing -- --ignored --nocapture
/// measures_the_cost_of_hearing`.
#[test]
#[ignore = "a measurement of 10 s"]
fn measures_the_cost_of_hearing() {
    run_inside(&PrivateServer::start(&["air"]), "inside_hears_only");
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_hears_only() {
    let mut only = settings("air.monitor", "air", Channel::Mono, Channel::Mono);
    only.output = None;
    let bench = open(only);
    let ticks = || {
        let stat = std::fs::read_to_string("/proc/self/stat").expect("Linux");
        // utime and stime, fields 14 and 15, counted after the name in brackets: proc(5).
        let fields = stat.rsplit_once(')').expect("a name").1;
        let fields: Vec<&str> = fields.split_whitespace().collect();
        let number = |i: usize| fields[i].parse::<u64>().expect("a number");
        number(11) + number(12)
    };
    let seconds = 10;
    let before = ticks();
    std::thread::sleep(Duration::from_secs(seconds));
    let used = ticks() - before;
    // A tick is 1/100 s on Linux.
    println!(
        "{used} ticks in {seconds} s: {:.1} % of a core",
        used as f64 / seconds as f64
    );
    assert!(!bench.heard().is_empty());
}
