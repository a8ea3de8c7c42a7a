//! For tests of the keyer: a radio at a pseudo-terminal, stations that can be killed, stopped
//! and starved, and a machine that is too busy.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use dunlin_rig::keyer::{KeyLine, KeyerSettings};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, openpt, ptsname, unlockpt};
use rustix::time::{ClockId, clock_gettime};

/// What a radio of these tests takes as commands.
pub const KEY: u8 = b'K';
pub const RELEASE: u8 = b'R';

/// The environment variable that makes a test binary a station.
pub const STATION: &str = "DUNLIN_TEST_STATION";

/// The program under test.
pub fn program() -> PathBuf {
    env!("CARGO_BIN_EXE_dunlin").into()
}

/// A radio at the far end of a pseudo-terminal, which writes down when it got which command.
pub struct Radio {
    pub device: String,
    pub canary: Canary,
    heard: Arc<Mutex<Vec<(Instant, u8)>>>,
}

impl Radio {
    pub fn new() -> Self {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let far_end = openpt(flags).expect("a pseudo-terminal");
        unlockpt(&far_end).expect("it can be unlocked");
        let name = ptsname(&far_end, Vec::new()).expect("it has a name");
        let device = name.into_string().expect("a plain name");
        let heard = Arc::new(Mutex::new(Vec::new()));
        let book = heard.clone();
        std::thread::spawn(move || {
            // The book's own delay would count as the keyer's. Only some may ask for this.
            let _ = rustix::process::setpriority_process(None, -19);
            let mut far_end = std::fs::File::from(far_end);
            let mut octets = [0; 64];
            // Ends with the test, as the last to know the book.
            while Arc::strong_count(&book) > 1 {
                match far_end.read(&mut octets) {
                    Ok(n) => {
                        let now = Instant::now();
                        let lines = octets[..n].iter().map(|o| (now, *o));
                        book.lock().expect("a whole book").extend(lines);
                    }
                    // Nobody has the near end open.
                    Err(_) => std::thread::sleep(Duration::from_millis(1)),
                }
            }
        });
        Radio {
            device,
            canary: Canary::new(),
            heard,
        }
    }

    pub fn settings(&self) -> KeyerSettings {
        KeyerSettings::of(
            "VHF",
            KeyLine::Cat {
                device: self.device.clone(),
                baud: 9600,
                key: vec![KEY],
                release: vec![RELEASE],
            },
        )
    }

    /// All commands so far.
    pub fn heard(&self) -> Vec<u8> {
        let heard = self.heard.lock().expect("a whole book");
        heard.iter().map(|(_, o)| *o).collect()
    }

    /// The radio transmits.
    pub fn is_keyed(&self) -> bool {
        self.heard().last() == Some(&KEY)
    }

    /// Waits for a command after the first `skip`; when it came.
    pub fn wait_for(&self, skip: usize, command: u8) -> Instant {
        let heard = |radio: &Radio| {
            let heard = radio.heard.lock().expect("a whole book");
            let new = heard.iter().skip(skip);
            new.filter(|(_, o)| *o == command).map(|(at, _)| *at).next()
        };
        patient("a command", || heard(self))
    }
}

/// Waits until `look` finds something.
pub fn patient<T>(what: &str, look: impl Fn() -> Option<T>) -> T {
    let limit = Instant::now() + Duration::from_secs(20);
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(Instant::now() < limit, "{what} did not come");
        std::thread::sleep(Duration::from_millis(1));
    }
}

pub fn signal(id: u32, signal: Signal) {
    let id = i32::try_from(id).ok().and_then(Pid::from_raw);
    kill_process(id.expect("a process"), signal).expect("it is there");
}

/// Lets others go first.
pub fn make_nice(id: u32) {
    let id = i32::try_from(id).ok().and_then(Pid::from_raw);
    rustix::process::setpriority_process(id, 19).expect("everybody may be nicer");
}

/// Watches how late this machine is: a thread that wants to wake up every few milliseconds.
pub struct Canary(Arc<AtomicU64>);

impl Canary {
    pub fn new() -> Self {
        let worst = Arc::new(AtomicU64::new(0));
        let book = worst.clone();
        std::thread::spawn(move || {
            while Arc::strong_count(&book) > 1 {
                let nap = Duration::from_millis(2);
                let from = Instant::now();
                std::thread::sleep(nap);
                let late = from.elapsed().saturating_sub(nap);
                book.fetch_max(late.as_millis() as u64, Ordering::Relaxed);
            }
        });
        Canary(worst)
    }

    /// How long a release may take here and now. The promise is 300 ms on a machine that has
    /// time to spare; what was measured is printed. What fails here is a release that does not
    /// come, or comes far too late: other work on a test machine must not fail a test.
    pub fn bound(&self) -> Duration {
        match self.0.load(Ordering::Relaxed) {
            0..8 => Duration::from_secs(1),
            _ => Duration::from_secs(10),
        }
    }

    /// The bound where the test itself takes all time away.
    pub const STARVED: Duration = Duration::from_secs(10);
}

/// Checks how long a release took and prints what was measured.
pub fn judge(what: &str, from: Instant, released: Instant, bound: Duration) {
    let took = released.saturating_duration_since(from);
    println!(
        "{what}: released after {} ms (bound {} ms)",
        took.as_millis(),
        bound.as_millis()
    );
    assert!(took < bound, "{what}: {took:?}");
}

/// A process that is a station: this test binary again.
pub struct Station {
    child: Child,
    said: Arc<Mutex<Vec<String>>>,
}

impl Station {
    /// One that holds the key down as soon as it may, with the keyer of `settings`.
    pub fn start(settings: &KeyerSettings) -> Self {
        let json = serde_json::to_string(settings).expect("settings can be written");
        let mut child = Command::new(std::env::current_exe().expect("a test binary"))
            .args(["--exact", "a_station_for_these_tests", "--nocapture"])
            .env(STATION, json)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a station starts");
        let said = Arc::new(Mutex::new(Vec::new()));
        let (book, out) = (said.clone(), child.stdout.take().expect("a pipe"));
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                book.lock().expect("a whole book").push(line);
            }
        });
        Station { child, said }
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Its present keyer.
    pub fn keyer(&self) -> u32 {
        patient("a keyer", || child_of(self.child.id()))
    }

    pub fn said(&self) -> Vec<String> {
        self.said.lock().expect("a whole book").clone()
    }

    /// Closes the port in good order.
    pub fn close(&mut self) {
        let mut stdin = self.child.stdin.take().expect("not closed yet");
        stdin.write_all(b"close\n").expect("it listens");
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A living child of a process that runs the program under test.
fn child_of(parent: u32) -> Option<u32> {
    let processes = std::fs::read_dir("/proc").expect("/proc").flatten();
    processes.map(|p| p.path()).find_map(|p| {
        let status = std::fs::read_to_string(p.join("status")).ok()?;
        let is = |key: &str, value: &str| {
            let line = status.lines().find_map(|l| l.strip_prefix(key));
            line.is_some_and(|l| l.trim().starts_with(value))
        };
        let ours = is("PPid:", &format!("{parent}")) && is("Name:", "dunlin");
        let living = !is("State:", "Z");
        let id = p.file_name()?.to_str()?.parse().ok()?;
        (ours && living).then_some(id)
    })
}

/// A keyer without a station: the test says every word itself.
pub struct Keyer {
    pub child: Child,
    pub orders: Option<ChildStdin>,
    said: Arc<Mutex<Vec<String>>>,
    seq: u64,
}

impl Keyer {
    /// Started with `first_line` as its settings.
    pub fn start(first_line: &str) -> Self {
        let mut child = Command::new(program())
            .arg("keyer")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("a keyer starts");
        let mut orders = child.stdin.take().expect("a pipe");
        writeln!(orders, "{first_line}").expect("it listens");
        let said = Arc::new(Mutex::new(Vec::new()));
        let (book, out) = (said.clone(), child.stdout.take().expect("a pipe"));
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let (_, line) = line.split_once(' ').unwrap_or(("", &line));
                book.lock().expect("a whole book").push(line.to_owned());
            }
        });
        Keyer {
            child,
            orders: Some(orders),
            said,
            seq: 0,
        }
    }

    pub fn of(settings: &KeyerSettings) -> Self {
        let keyer = Keyer::start(&serde_json::to_string(settings).expect("settings"));
        keyer.wait_for("proved");
        keyer
    }

    pub fn say(&mut self, text: &str) {
        let orders = self.orders.as_mut().expect("not closed");
        let _ = writeln!(orders, "{text}");
    }

    pub fn beat(&mut self, what: &str) {
        self.seq += 1;
        let now = clock_gettime(ClockId::Boottime);
        let stamp = now.tv_sec * 1_000_000_000 + now.tv_nsec;
        self.say(&format!("beat {} {stamp} {what}", self.seq));
    }

    pub fn press(&mut self) {
        self.beat("up");
        self.beat("down 60000");
    }

    /// Says "down" every 50 ms for so long.
    pub fn hold(&mut self, ms: u64) {
        let end = Instant::now() + Duration::from_millis(ms);
        while Instant::now() < end {
            self.beat("down 60000");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Waits for a report that begins so.
    pub fn wait_for(&self, begin: &str) -> String {
        patient(begin, || {
            let said = self.said.lock().expect("a whole book");
            said.iter().find(|l| l.starts_with(begin)).cloned()
        })
    }

    /// Waits for its end.
    pub fn code(&mut self) -> Option<i32> {
        self.child.wait().expect("it ends").code()
    }
}

impl Drop for Keyer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// More work than the machine has cores for.
pub struct Hogs(Vec<Child>);

impl Hogs {
    pub fn start() -> Self {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let hog = |_| {
            Command::new("sh")
                .args(["-c", "while :; do :; done"])
                .stdin(Stdio::null())
                .spawn()
                .expect("a shell")
        };
        Hogs((0..cores * 4).map(hog).collect())
    }
}

impl Drop for Hogs {
    fn drop(&mut self) {
        for hog in &mut self.0 {
            let _ = hog.kill();
            let _ = hog.wait();
        }
    }
}

/// What the station of these tests does until it is told to close or is ended.
pub fn be_a_station(settings: KeyerSettings, program: &Path) {
    let start = Instant::now();
    let now = || dunlin_clock::Instant::from_nanos(start.elapsed().as_nanos() as u64);
    let mut key = dunlin_rig::keyer::open(settings, program, now()).expect("good settings");
    let closed = Arc::new(Mutex::new(false));
    let told = closed.clone();
    std::thread::spawn(move || {
        let mut line = String::new();
        let _ = std::io::stdin().read_line(&mut line);
        *told.lock().expect("a whole word") = true;
    });
    while !*closed.lock().expect("a whole word") {
        key.turn(now());
        while let Some(event) = key.poll() {
            println!("{event:?}");
            if matches!(event, dunlin_rig::keyer::KeyerEvent::Proved { .. }) {
                key.press(now(), Duration::from_secs(100));
            }
        }
        std::thread::sleep(Duration::from_millis(10));
    }
}
