//! Ports on the devices of a private server, and what they tell.
//!
//! A process finds its sound server through its environment, so each test starts a private
//! server and runs its inner half, marked `ignored`, as a process of its own.

#![allow(dead_code)] // Each test file uses a part.

use std::process::Command;
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use dunlin_clock::SampleRate;
use dunlin_rig::{
    Channel, EventSink, OpenPort, SoundDevice, SoundEvent, SoundPort, SoundSettings, WaySettings,
};

use crate::private_server::PrivateServer;

/// The engine's rate in these tests.
pub const RATE: u32 = 48_000;

/// Runs the ignored test `inner` as a process that sees only `server`.
pub fn run_inside(server: &PrivateServer, inner: &str) {
    let output = Command::new(std::env::current_exe().expect("this test's own file"))
        .args([
            inner,
            "--exact",
            "--ignored",
            "--nocapture",
            "--test-threads=1",
        ])
        .env("PULSE_SERVER", server.address())
        .env("HOME", "/nonexistent")
        .env("PULSE_SINK", "air")
        .env("PULSE_SOURCE", "air.monitor")
        .output()
        .expect("the test runs itself");
    let text = String::from_utf8_lossy(&output.stdout);
    println!("{text}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{inner} failed");
    assert!(text.contains("1 passed"), "{inner} did not run");
}

/// Collects what a port tells, with the moment.
pub struct Log {
    pub sound: Mutex<Vec<f32>>,
    /// When the first and the latest loud sound came.
    pub loud: Mutex<Option<(Instant, Instant)>>,
    pub events: Mutex<mpsc::Sender<(Instant, SoundEvent)>>,
}

impl EventSink for Log {
    fn heard(&self, samples: Vec<f32>, _: Duration) -> bool {
        if loud(&samples).is_some() {
            let now = Instant::now();
            let mut span = self.loud.lock().expect("not poisoned");
            *span = Some((span.map_or(now, |(first, _)| first), now));
        }
        self.sound.lock().expect("not poisoned").extend(samples);
        true
    }
    fn tell(&self, event: SoundEvent) {
        let _ = self
            .events
            .lock()
            .expect("not poisoned")
            .send((Instant::now(), event));
    }
}

pub struct Bench {
    pub port: SoundDevice,
    pub log: Arc<Log>,
    pub events: mpsc::Receiver<(Instant, SoundEvent)>,
}

pub fn settings(input: &str, output: &str, hear: Channel, play: Channel) -> SoundSettings {
    let way = |name: &str, channel| WaySettings {
        device: name.parse().expect("a name"),
        channel,
        expected: None,
    };
    SoundSettings {
        input: way(input, hear),
        output: Some(way(output, play)),
        rate: SampleRate::new(RATE).expect("not zero"),
    }
}

pub fn open(settings: SoundSettings) -> Bench {
    let (sender, events) = mpsc::channel();
    let log = Arc::new(Log {
        sound: Mutex::default(),
        loud: Mutex::default(),
        events: Mutex::new(sender),
    });
    let OpenPort { port, detail, .. } =
        SoundDevice::open("test", settings, log.clone()).expect("the devices exist");
    println!("{detail}");
    Bench { port, log, events }
}

impl Bench {
    /// The next event but for the begin of a transmission.
    pub fn next(&self) -> (Instant, SoundEvent) {
        loop {
            let next = self.next_of_all();
            if !matches!(next.1, SoundEvent::Began { .. }) {
                return next;
            }
        }
    }

    pub fn next_of_all(&self) -> (Instant, SoundEvent) {
        self.events
            .recv_timeout(Duration::from_secs(20))
            .expect("the port tells something")
    }

    pub fn heard(&self) -> Vec<f32> {
        self.log.sound.lock().expect("not poisoned").clone()
    }

    /// Lets the devices run for a while. ALSA's plugin to the sound server fails now and then
    /// when it was starved at its start; then the port opens it again, as it says it will.
    pub fn settle(&self) {
        let calm = Duration::from_millis(700);
        while let Ok((_, event)) = self.events.recv_timeout(calm) {
            println!("{event:?}");
            if let SoundEvent::Lost { .. } = event {
                let (_, event) = self.next();
                assert!(matches!(event, SoundEvent::Ready { .. }), "{event:?}");
            }
        }
    }

    /// Plays a tone of `seconds` and waits for its end; how long it took. A tone cut short by
    /// a device that failed is played again, `tries` times at most.
    pub fn play_tone(&mut self, seconds: f32, tries: u32) -> Duration {
        let n = (seconds * RATE as f32) as usize;
        let step = std::f32::consts::TAU * 1200.0 / RATE as f32;
        let began = Instant::now();
        self.port
            .play((0..n).map(|i| 0.5 * (step * i as f32).sin()).collect());
        let (at, event) = self.next();
        println!("{event:?} after {:?}", at - began);
        match event {
            SoundEvent::Played { .. } => at - began,
            other if tries > 0 => {
                println!("again after {other:?}");
                self.settle();
                *self.log.loud.lock().expect("not poisoned") = None;
                self.log.sound.lock().expect("not poisoned").clear();
                self.play_tone(seconds, tries - 1)
            }
            other => panic!("{other:?}"),
        }
    }
}

/// First and one past the last sample louder than a tenth.
pub fn loud(samples: &[f32]) -> Option<(usize, usize)> {
    let first = samples.iter().position(|x| x.abs() > 0.1)?;
    let last = samples.iter().rposition(|x| x.abs() > 0.1)?;
    Some((first, last + 1))
}
