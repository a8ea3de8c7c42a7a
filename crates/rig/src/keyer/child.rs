//! Keyers as real processes: the program started again with the argument `keyer`, its orders
//! through one pipe, its reports through another.

use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use dunlin_clock::{Duration, Instant};
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};

use super::boot_clock;
use super::handle::{Mate, Nursery};
use super::settings::KeyerSettings;
use super::words::{LONGEST_LINE, LineCutter, Order, Report};

/// How long a keyer may take to end by itself when the port is closed.
const LONGEST_END: Duration = Duration::from_millis(500);
/// Octets taken from a keyer at once.
const MOUTHFUL: usize = 4096;

/// Starts keyers.
#[derive(Debug)]
pub struct Processes {
    program: PathBuf,
    /// The settings as a line of JSON.
    first_line: String,
}

impl Processes {
    /// Keyers for `settings`, made from `program`.
    ///
    /// # Errors
    /// The settings cannot be written as one line that a keyer takes.
    pub fn new(settings: &KeyerSettings, program: &Path) -> Result<Self, String> {
        let json = serde_json::to_string(settings).map_err(|e| e.to_string())?;
        if json.len() >= super::process::LONGEST_SETTINGS {
            return Err("the names of the devices are too long".into());
        }
        Ok(Processes {
            program: program.into(),
            first_line: json + "\n",
        })
    }
}

impl Nursery for Processes {
    type Mate = Process;

    fn start(&mut self, _now: Instant) -> Result<Process, String> {
        let failed = |e: std::io::Error| {
            let program = self.program.display();
            format!("the keyer ({program} keyer) cannot be started: {e}")
        };
        let mut child = Command::new(&self.program)
            .arg("keyer")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(failed)?;
        let pipes = child.stdin.take().zip(child.stdout.take());
        // From here on a keyer that cannot be talked to is ended by its own drop.
        let mut process = Process {
            id: child.id(),
            child,
            orders: None,
            reports: None,
            cutter: LineCutter::default(),
        };
        let (orders, reports) = pipes.ok_or("the keyer has no pipes")?;
        for set in [never_wait(&orders), never_wait(&reports)] {
            set.map_err(|e| failed(e.into()))?;
        }
        // An empty pipe takes the whole line: it holds at least 4096 octets on Linux, and
        // settings are shorter.
        (&orders)
            .write_all(self.first_line.as_bytes())
            .map_err(failed)?;
        (process.orders, process.reports) = (Some(orders), Some(reports));
        Ok(process)
    }
}

fn never_wait(pipe: impl std::os::fd::AsFd) -> rustix::io::Result<()> {
    let flags = fcntl_getfl(&pipe)?;
    fcntl_setfl(&pipe, flags | OFlags::NONBLOCK)
}

/// One keyer process. Dropping it closes its orders, upon which it releases and ends.
#[derive(Debug)]
pub struct Process {
    id: u32,
    child: Child,
    orders: Option<ChildStdin>,
    reports: Option<ChildStdout>,
    cutter: LineCutter,
}

impl Process {
    /// The process's number.
    pub fn id(&self) -> u32 {
        self.id
    }
}

impl Mate for Process {
    fn beat(&mut self, _now: Instant, seq: u64, down: Option<Duration>) {
        let order = Order {
            seq,
            stamp: boot_clock::now(),
            down,
        };
        if let Some(pipe) = &mut self.orders {
            // A pipe takes a line whole or not at all. A lost beat shows as a missing answer.
            let _ = pipe.write(order.line().as_bytes());
        }
    }

    fn report(&mut self, _now: Instant) -> Option<(Report, Duration)> {
        loop {
            while let Some(line) = self.cutter.line(LONGEST_LINE) {
                if let Some((stamp, report)) = Report::read(&line) {
                    return Some((report, boot_clock::now().since(stamp)));
                }
            }
            let mut octets = [0; MOUTHFUL];
            match self.reports.as_mut()?.read(&mut octets) {
                Ok(n) if n > 0 => self.cutter.take(&octets[..n]),
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                _ => return None,
            }
        }
    }

    fn ended(&mut self) -> Option<String> {
        match self.child.try_wait() {
            Ok(None) => None,
            Ok(Some(status)) => Some(format!("the keyer process has ended ({status})")),
            Err(e) => Some(format!("the keyer process cannot be watched: {e}")),
        }
    }

    fn kill(&mut self) {
        let _ = self.child.kill();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.orders.take());
        let end = boot_clock::now() + LONGEST_END;
        while self.ended().is_none() {
            if boot_clock::now() >= end {
                self.kill();
                let _ = self.child.try_wait();
                return;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}
