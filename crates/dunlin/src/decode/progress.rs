//! How far the work has come, on a terminal.

use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};

use dunlin_clock::SampleRate;

use super::job::Job;

/// At most this often.
const EVERY: Duration = Duration::from_millis(500);

/// A line on standard error that is written anew again and again; nothing if that is no terminal.
pub struct Progress<'a> {
    terminal: bool,
    began: Instant,
    shown: Option<Instant>,
    /// Samples to hear, of all stretches together.
    all: u64,
    /// Seconds of recording in these.
    seconds: f64,
    heard: &'a AtomicU64,
}

impl<'a> Progress<'a> {
    /// The progress of these jobs in a recording of `total` samples.
    pub fn new(jobs: &[Job], total: u64, rate: SampleRate, heard: &'a AtomicU64) -> Self {
        Progress {
            terminal: std::io::stderr().is_terminal(),
            began: Instant::now(),
            shown: None,
            all: jobs.iter().map(|j| j.feed.end - j.feed.start).sum(),
            seconds: total as f64 / rate.hz_f64(),
            heard,
        }
    }

    /// Shows it, if it is time.
    pub fn show(&mut self, frames: u64) {
        let now = Instant::now();
        let since = now - self.shown.unwrap_or(self.began);
        if !self.terminal || since < EVERY {
            return;
        }
        self.shown = Some(now);
        let share = self.heard.load(Relaxed) as f64 / self.all.max(1) as f64;
        let share = share.min(1.0);
        let times = share * self.seconds / (now - self.began).as_secs_f64();
        let mut terminal = std::io::stderr().lock();
        // Without a terminal there is nothing lost.
        let _ = write!(
            terminal,
            "\r\x1b[K{:3.0} %, {times:.0} times real time, {frames} frames",
            100.0 * share
        );
        let _ = terminal.flush();
    }

    /// Takes the line away.
    pub fn end(&self) {
        if self.shown.is_some() {
            eprint!("\r\x1b[K");
        }
    }
}
