//! What a frame costs in the link: `cargo bench -p dunlin-ax25`. A link sends text to another in
//! the steady state of a good channel: a window of frames, one answer, again and again. Time is
//! that of both links together, divided by the frames with text; allocations are counted beside
//! those of the text itself, which is handed in and handed out.

// A bench measures time; the room itself reads no clock.
#![allow(clippy::disallowed_methods, clippy::disallowed_types)]

use std::hint::black_box;
use std::time::Instant as Clock;

use dunlin_ax25::data_link::{Indication, Input, Link, LinkConfig, Output, Request, Version};
use dunlin_clock::{Duration, Instant};

/// Octets of text in a frame.
const TEXT: usize = 128;
/// Frames in one run.
const FRAMES: usize = 200_000;

struct Pair {
    ends: [Link; 2],
    now: Instant,
    /// Frames under way, and octets of text delivered.
    delivered: usize,
    seizes: [bool; 2],
}

impl Pair {
    fn new(version: Version, window: u8) -> Self {
        let calls = ["QA1SKY", "QM3BAR"].map(|c| c.parse().expect("call sign"));
        let link = |own: usize| {
            let mut config = LinkConfig::new(calls[own], calls[1 - own]);
            (config.version, config.call_version) = (version, version);
            (config.k, config.k_extended) = (window.min(7), window);
            Link::new(config).expect("good")
        };
        let mut pair = Pair {
            ends: [link(0), link(1)],
            now: Instant::ZERO,
            delivered: 0,
            seizes: [false; 2],
        };
        pair.give(0, Input::Request(Request::Connect));
        pair.settle();
        pair
    }

    /// Gives an input to an end, and what it sends to the other.
    fn give(&mut self, to: usize, input: Input) {
        self.ends[to].handle(self.now, input);
        self.pass(to);
    }

    fn pass(&mut self, from: usize) {
        while let Some(output) = self.ends[from].poll() {
            match output {
                Output::Send { frame, .. } => {
                    self.ends[1 - from].handle(self.now, Input::Frame(frame));
                }
                Output::SeizeRequest => self.seizes[from] = true,
                Output::Indicate(Indication::Data { info, .. }) => {
                    self.delivered += black_box(info).len();
                }
                _ => {}
            }
        }
    }

    /// Lets both have their turns until nobody wants anything.
    fn settle(&mut self) {
        loop {
            self.pass(0);
            self.pass(1);
            let Some(end) = (0..2).find(|end| self.seizes[*end]) else {
                return;
            };
            self.seizes[end] = false;
            self.now += Duration::from_millis(10);
            self.give(end, Input::SeizeConfirm);
        }
    }

    /// A window of frames and its answer.
    fn burst(&mut self, texts: &mut Vec<Vec<u8>>) {
        for info in texts.drain(..) {
            let pid = 0xF0;
            self.give(0, Input::Request(Request::Data { pid, info }));
        }
        self.settle();
    }
}

fn texts(n: usize) -> Vec<Vec<u8>> {
    (0..n).map(|n| vec![n as u8; TEXT]).collect()
}

fn measure(version: Version, window: u8) {
    let mut pair = Pair::new(version, window);
    let burst = usize::from(window);
    // Whatever grows has grown after this.
    for _ in 0..50 {
        pair.burst(&mut texts(burst));
    }
    let bursts = FRAMES / burst;
    let mut best = f64::INFINITY;
    for _ in 0..3 {
        let mut waiting: Vec<_> = (0..bursts).map(|_| texts(burst)).collect();
        let start = Clock::now();
        waiting.iter_mut().for_each(|texts| pair.burst(texts));
        let took = start.elapsed().as_nanos() as f64 / (bursts * burst) as f64;
        best = best.min(took);
    }
    let mut waiting: Vec<_> = (0..100).map(|_| texts(burst)).collect();
    let before = pair.delivered;
    let counted = allocation_counter::measure(|| {
        waiting.iter_mut().for_each(|texts| pair.burst(texts));
    });
    let frames = (pair.delivered - before) / TEXT;
    assert_eq!(frames, 100 * burst, "all arrived");
    println!(
        "{version:?} window {window:2}: {best:6.0} ns a frame, {:.2} allocations a frame",
        counted.count_total as f64 / frames as f64
    );
}

fn main() {
    for (version, window) in [
        (Version::V20, 1),
        (Version::V20, 4),
        (Version::V20, 7),
        (Version::V22, 7),
        (Version::V22, 32),
    ] {
        measure(version, window);
    }
}
