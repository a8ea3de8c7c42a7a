//! The trial: starts stations, tells them what to do, carries their octets, kills them, and writes down what
//! they confirm.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader, Lines, Write as _};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use dunlin_clock::Chance;
use tempfile::TempDir;

use super::station::{CALL, LINE, LONG, PLACE, SEED, TOO_EARLY};

/// Octets handed over at once, at most; so a kill falls inside a turn as well.
const CHUNK: usize = 300;
/// Microseconds after which a kill comes, at most. A command takes some hundred.
const LATEST_US: u64 = 1_000;
/// The same for a station that starts.
const LATEST_START_US: u64 = 20_000;
/// Milliseconds by which time goes on with each command.
const STEP_MS: i64 = 20_000;

#[derive(Clone, Copy, Debug)]
pub struct Plan {
    pub seed: u64,
    pub kills: u32,
    /// Blocks of 512 octets (POSIX, `ulimit -f`) by which a file may outgrow the largest one once the first
    /// messages are written.
    pub more_blocks: Option<u64>,
    /// What the stations confirm before they have committed it: `no`, `written` or `received`.
    pub too_early: &'static str,
}

impl Default for Plan {
    fn default() -> Self {
        Plan {
            seed: 1,
            kills: 0,
            more_blocks: None,
            too_early: "no",
        }
    }
}

struct Process {
    child: Child,
    input: ChildStdin,
    lines: Lines<BufReader<ChildStdout>>,
}

/// What the trial has heard confirmed.
#[derive(Default)]
pub struct Record {
    /// Messages whose writing was confirmed: number of the trial, identifier.
    pub kept: BTreeMap<u64, String>,
    /// Where each message was to be written, and for whom; also those that were never confirmed.
    pub asked: BTreeMap<u64, (usize, usize)>,
    /// Deletions that were confirmed: station, identifier.
    pub deleted: BTreeSet<(usize, String)>,
    /// Deletions that were asked for.
    pub to_delete: BTreeSet<(usize, String)>,
    /// Arrivals that were confirmed: station, identifier.
    pub received: BTreeSet<(usize, String)>,
    /// Confirmations that cannot both be right.
    pub faults: Vec<String>,
}

pub struct Trial {
    plan: Plan,
    folder: TempDir,
    chance: Chance,
    processes: Vec<Option<Process>>,
    pub record: Record,
    now: i64,
    next: u64,
    kills: u32,
    /// Kills that came before the station was through.
    midway: u32,
    /// Kills by what was under way.
    phases: BTreeMap<&'static str, u32>,
    not_kept: u32,
    drawn_again: u32,
    links: u32,
    began: std::time::SystemTime,
    /// The most blocks that a file may have now.
    most_blocks: Option<u64>,
}

/// When a kill comes.
#[derive(Clone, Copy)]
enum Kill {
    No,
    /// So many microseconds after the command.
    After(u64),
    /// After so many lines of its answer.
    Lines(u64),
}

impl Trial {
    pub fn new(plan: Plan) -> Trial {
        let mut trial = Trial {
            plan,
            folder: tempfile::tempdir().expect("a folder"),
            chance: Chance::stream(plan.seed, "kills"),
            processes: vec![None, None, None],
            record: Record::default(),
            now: 1_796_000_000_000,
            next: 0,
            kills: 0,
            midway: 0,
            phases: BTreeMap::new(),
            not_kept: 0,
            drawn_again: 0,
            links: 0,
            began: clock(),
            most_blocks: None,
        };
        // The first start makes the files, and must succeed.
        for station in 0..LINE.len() {
            trial.start(station);
        }
        trial.stop();
        trial
    }

    pub fn confirmed(&self) -> usize {
        self.record.kept.len()
    }

    pub fn not_kept(&self) -> u32 {
        self.not_kept
    }

    pub fn figures(&self) -> String {
        let seconds = clock()
            .duration_since(self.began)
            .map_or(0, |d| d.as_secs());
        format!(
            "seed {}: {} kills in {seconds} s, {} of them in the midst of something ({:?}); {} messages confirmed, {} not kept, {} arrivals, {} deleted, \
             {} identifiers drawn again, {} links",
            self.plan.seed,
            self.kills,
            self.midway,
            self.phases,
            self.record.kept.len(),
            self.not_kept,
            self.record.received.len(),
            self.record.deleted.len(),
            self.drawn_again,
            self.links
        )
    }

    /// Messages that are written before the disk is made to take no more.
    const FIRST: usize = 5;

    /// From now on no file may grow beyond the largest one there is, and so many blocks.
    fn fill(&mut self, more: u64) {
        while self.record.kept.len() < Self::FIRST {
            self.write();
        }
        self.stop();
        let files = self.folder.path().read_dir().expect("the folder");
        let octets = files.map(|file| file.and_then(|file| file.metadata()).expect("a file").len());
        self.most_blocks = Some(octets.max().expect("files").div_ceil(512) + more);
    }

    /// Kills as often as planned, then lets everything come to rest.
    pub fn run(&mut self) {
        if let Some(more) = self.plan.more_blocks {
            self.fill(more);
        }
        while self.kills < self.plan.kills {
            match self.chance.below(12) {
                0..5 => self.write(),
                5 => self.delete(),
                _ => {
                    let near = self.chance.below(2) as usize;
                    let drops = self.chance.below(40);
                    self.link(near, near + 1, Some(drops));
                }
            }
        }
        self.most_blocks = None;
        self.stop();
        // Longer than anything is put back.
        for _ in 0..6 {
            for (near, far) in [(0, 1), (1, 2), (1, 0), (2, 1)] {
                self.now += 25 * 3600 * 1000;
                self.link(near, far, None);
            }
        }
    }

    fn file(&self, station: usize) -> PathBuf {
        self.folder.path().join(format!("{}.db", LINE[station]))
    }

    /// Starts a station, which may be killed while it opens its file.
    fn start(&mut self, station: usize) {
        while self.processes[station].is_none() {
            let program = std::env::current_exe().expect("these tests");
            let mut command = match self.most_blocks {
                None => Command::new(program),
                Some(blocks) => {
                    let mut shell = Command::new("sh");
                    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
                    shell.args(["-c", &script]).arg(program);
                    shell
                }
            };
            let mut child = command
                .args(["--ignored", "--exact", "station::station", "--nocapture"])
                .env(CALL, LINE[station])
                .env(PLACE, self.file(station))
                .env(SEED, (self.plan.seed + u64::from(self.kills)).to_string())
                .env(TOO_EARLY, self.plan.too_early)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .spawn()
                .expect("a station starts");
            let input = child.stdin.take().expect("its input");
            let lines = BufReader::new(child.stdout.take().expect("its words")).lines();
            self.processes[station] = Some(Process {
                child,
                input,
                lines,
            });
            let kill = match self.wants_kill(8) {
                true => Kill::After(self.chance.below(LATEST_START_US)),
                false => Kill::No,
            };
            let said = self.listen(station, kill, "opening");
            drop(said);
        }
    }

    fn stop(&mut self) {
        for process in &mut self.processes {
            if let Some(mut process) = process.take() {
                process.child.kill().expect("SIGKILL");
                process.child.wait().expect("gone");
            }
        }
    }

    fn wants_kill(&mut self, one_in: u64) -> bool {
        self.kills < self.plan.kills && self.chance.below(one_in) == 0
    }

    /// Takes in what a station says until it is through or killed. Gives what was not for the record.
    fn listen(&mut self, station: usize, kill: Kill, phase: &'static str) -> Said {
        let mut process = self.processes[station].take().expect("it was started");
        let mut said = Vec::new();
        let mut left = match kill {
            Kill::Lines(lines) => lines,
            _ => u64::MAX,
        };
        let (mut killed, mut through) = (false, false);
        if let Kill::After(us) = kill {
            pause(us);
            killed = self.kill(&mut process, phase);
        }
        loop {
            if left == 0 && !killed {
                killed = self.kill(&mut process, phase);
            }
            let Some(Ok(line)) = process.lines.next() else {
                process.child.wait().expect("gone");
                assert!(killed, "{} ended by itself: {said:?}", LINE[station]);
                self.midway += u32::from(!through);
                return Said {
                    words: said,
                    gone: true,
                };
            };
            let Some(words) = line.strip_prefix(':') else {
                continue;
            };
            if words == "." {
                if killed {
                    through = true; // It was faster; what it said counts.
                    continue;
                }
                self.processes[station] = Some(process);
                return Said {
                    words: said,
                    gone: false,
                };
            }
            left = left.saturating_sub(1);
            if !self.confirmed_by(station, words) {
                said.push(words.to_owned());
            }
        }
    }

    fn kill(&mut self, process: &mut Process, phase: &'static str) -> bool {
        process.child.kill().expect("SIGKILL");
        self.kills += 1;
        *self.phases.entry(phase).or_default() += 1;
        true
    }

    /// Writes down what a station confirms; false = it is something else.
    fn confirmed_by(&mut self, station: usize, words: &str) -> bool {
        let parts: Vec<&str> = words.split(' ').collect();
        match parts[..] {
            ["kept", n, id] => {
                let n: u64 = n.parse().expect("a number");
                if self.record.kept.values().any(|other| other == id) && self.plan.too_early == "no"
                {
                    self.record
                        .faults
                        .push(format!("{id} was given a second time"));
                }
                self.record.kept.insert(n, id.to_owned());
            }
            ["received", id] => {
                if !self.record.received.insert((station, id.to_owned())) {
                    let words = format!("{id} arrived twice at {}", LINE[station]);
                    self.record.faults.push(words);
                }
            }
            ["deleted", id] => {
                self.record.deleted.insert((station, id.to_owned()));
            }
            ["again", _] => self.drawn_again += 1,
            ["not", "kept", ..] => self.not_kept += 1,
            _ => return false,
        }
        true
    }

    /// Gives a command, and maybe kills the station meanwhile.
    pub fn command(
        &mut self,
        station: usize,
        words: &str,
        kill_one_in: u64,
        phase: &'static str,
    ) -> Said {
        self.start(station);
        self.now += STEP_MS;
        let line = format!("{} {words}\n", self.now);
        let process = self.processes[station].as_mut().expect("it was started");
        process
            .input
            .write_all(line.as_bytes())
            .expect("it listens");
        process.input.flush().expect("it listens");
        let kill = match self.wants_kill(kill_one_in) {
            false => Kill::No,
            true if self.chance.below(2) == 0 => Kill::Lines(1 + self.chance.below(2)),
            true => Kill::After(self.chance.below(LATEST_US)),
        };
        self.listen(station, kill, phase)
    }

    /// QA1SKY sends QM2REE a long message over one link after the other; on each QM2REE is killed after so many
    /// pieces. From which octet on it is wanted each time.
    pub fn wanted_after_kills(&mut self, pieces: &[usize]) -> Vec<u64> {
        self.record.asked.insert(LONG, (0, 1));
        self.command(0, &format!("write {LONG} 1"), u64::MAX, "writing");
        let mut wanted = Vec::new();
        for &pieces in pieces {
            let mut lines: [Vec<u8>; 2] = Default::default();
            for (side, words) in [(0, "link 1 calls"), (1, "link 0 called")] {
                let said = self.command(side, words, u64::MAX, "linking");
                said.sorted(&mut lines[side]);
            }
            let mut said_first = Vec::new();
            for _ in 0..pieces {
                let side = usize::from(lines[0].is_empty());
                let words = piece(&mut lines[side]);
                let said = self.command(1 - side, &words, u64::MAX, "exchanging");
                said.sorted(&mut lines[1 - side]);
                if said_first.is_empty() {
                    said_first.clone_from(&lines[1]);
                }
            }
            wanted.push(first_wanted(&said_first));
            let mut process = self.processes[1].take().expect("it was started");
            self.kill(&mut process, "exchanging");
            process.child.wait().expect("gone");
            self.command(0, "dropped", u64::MAX, "dropping");
            self.now += 25 * 3600 * 1000;
        }
        wanted
    }

    fn write(&mut self) {
        let from = self.chance.below(3) as usize;
        let to = loop {
            let to = self.chance.below(4) as usize;
            if to != from {
                break to;
            }
        };
        let n = self.next;
        self.next += 1;
        self.record.asked.insert(n, (from, to));
        self.command(from, &format!("write {n} {to}"), 4, "writing");
    }

    /// Deletes one that has arrived at its reader, or a bulletin anywhere.
    fn delete(&mut self) {
        let arrived = |(station, id): &&(usize, String)| {
            let n = self.record.kept.iter().find(|(_, other)| *other == id);
            let to = n.and_then(|(n, _)| self.record.asked.get(n));
            to.is_some_and(|(_, to)| to == station)
        };
        let all: Vec<_> = self
            .record
            .received
            .iter()
            .filter(arrived)
            .cloned()
            .collect();
        let Some((station, id)) = all.get(self.chance.below(all.len().max(1) as u64) as usize)
        else {
            return;
        };
        let (station, id) = (*station, id.clone());
        self.record.to_delete.insert((station, id.clone()));
        self.command(station, &format!("delete {id}"), 3, "deleting");
    }

    /// Links two stations until both are through, one is killed, or after so many pieces the link drops. What a
    /// station has sent before it was killed arrives all the same.
    fn link(&mut self, near: usize, far: usize, drops: Option<u64>) {
        self.links += 1;
        let ends = [near, far];
        let mut lines: [Vec<u8>; 2] = Default::default();
        let (mut ended, mut gone) = ([false; 2], false);
        let mut left = drops.unwrap_or(u64::MAX);
        let roles = [("calls", far), ("called", near)];
        for side in 0..2 {
            let (role, to) = roles[side];
            let said = self.command(ends[side], &format!("link {to} {role}"), 30, "linking");
            gone |= said.gone;
            ended[side] |= said.sorted(&mut lines[side]);
        }
        while ended != [true; 2] && left > 0 && !gone {
            let Some(side) = (0..2).find(|&side| !lines[side].is_empty()) else {
                break;
            };
            left -= 1;
            let other = 1 - side;
            let words = piece(&mut lines[side]);
            let said = self.command(ends[other], &words, 10, "exchanging");
            gone = said.gone;
            ended[other] |= said.sorted(&mut lines[other]);
        }
        for (side, line) in lines.iter_mut().enumerate() {
            let other = ends[1 - side];
            while gone && !line.is_empty() && self.processes[other].is_some() {
                let words = piece(line);
                self.command(other, &words, u64::MAX, "exchanging");
            }
        }
        for station in ends {
            if self.processes[station].is_some() {
                self.command(station, "dropped", 20, "dropping");
            }
        }
    }
}

/// What a station has said besides what is for the record.
pub struct Said {
    pub words: Vec<String>,
    /// It was killed.
    pub gone: bool,
}

impl Said {
    /// Puts the octets that were sent on a line; true = the exchange has ended there.
    fn sorted(self, line: &mut Vec<u8>) -> bool {
        let mut ended = false;
        for words in self.words {
            if let Some(octets) = words.strip_prefix("send ") {
                let octet = |n: usize| u8::from_str_radix(&octets[n..n + 2], 16);
                line.extend(
                    (0..octets.len())
                        .step_by(2)
                        .map(|n| octet(n).expect("an octet")),
                );
            }
            ended |= words.starts_with("ended");
        }
        ended
    }
}

/// From which octet on the first item is wanted, by the first turn of the called side: a hello, and answers that begin
/// with it (docs/mail-exchange.md).
fn first_wanted(turn: &[u8]) -> u64 {
    let answers = &turn[2 + usize::from(turn[1])..];
    let [0x03, _, 0, 0, from @ ..] = answers else {
        panic!("no such answers: {answers:02x?}");
    };
    let (mut number, mut shift) = (0, 0);
    for octet in from {
        number |= u64::from(octet & 0x7f) << shift;
        shift += 7;
        if octet & 0x80 == 0 {
            break;
        }
    }
    number
}

/// The next octets of a line, as a command.
fn piece(line: &mut Vec<u8>) -> String {
    let count = line.len().min(CHUNK);
    let octets = line.drain(..count).map(|octet| format!("{octet:02x}"));
    format!("octets {}", octets.collect::<String>())
}

impl Drop for Trial {
    fn drop(&mut self) {
        for process in self.processes.iter_mut().flatten() {
            let _ = process.child.kill();
            let _ = process.child.wait();
        }
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "kills come at a time of the outer world"
)]
fn pause(us: u64) {
    std::thread::sleep(std::time::Duration::from_micros(us));
}

#[expect(
    clippy::disallowed_methods,
    reason = "the figures say how long it took"
)]
fn clock() -> std::time::SystemTime {
    std::time::SystemTime::now()
}
