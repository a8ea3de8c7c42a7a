//! A long run: two stations with two ports each, joined by simulated cables, talk on both
//! ports while their devices are lost and found, for hours of virtual time. Real modulation,
//! real demodulation, the real driver and journal. At the end every line that its sender
//! counts as acknowledged must stand in the journal of the other, once and in order, and the
//! memory must not have grown.

use std::cell::RefCell;
use std::collections::{BTreeMap, VecDeque};
use std::path::Path;
use std::rc::Rc;

use anyhow::{Result, bail};
use dunlin_clock::{Chance, Duration, Instant, SampleRate, WallTime};
use dunlin_rig::keyer::{KeyLine, NoLine};
use dunlin_rig::{Counts, SoundEvent, SoundPort};
use dunlin_station::{Command, Direction, PortId, Station, TalkState};
use dunlin_store::{Limits, Store};

use crate::journal::Journal;
use crate::run::driver::{Driver, Message, Outside, Port, Way};
use crate::run::sink::Waiting;

/// Sound in one step.
const PIECE: Duration = Duration::from_millis(100);
const RATE: u32 = 12_000;
/// How often people look what they could say.
const SAY_EVERY: Duration = Duration::from_secs(8);
/// A device is lost about this often.
const LOSS_EVERY: f64 = 900.0;
/// Lines that may wait in a talk before its people wait too.
const MOST_WAITING: usize = 400;

/// One end of a cable: it plays into it and hears the other end.
#[derive(Debug, Default)]
struct End {
    playing: Option<(Vec<f32>, usize)>,
    events: VecDeque<SoundEvent>,
    absent_until: Option<Instant>,
}

impl End {
    /// The next sound out of it.
    fn piece(&mut self, n: usize) -> Vec<f32> {
        let mut piece = vec![0.0; n];
        if let Some((samples, at)) = &mut self.playing {
            let end = (*at + n).min(samples.len());
            piece[..end - *at].copy_from_slice(&samples[*at..end]);
            *at = end;
            if end == samples.len() {
                self.playing = None;
                self.events.push_back(SoundEvent::Played { underruns: 0 });
            }
        }
        piece
    }

    fn is_lost(&mut self, until: Instant) {
        self.absent_until = Some(until);
        if self.playing.take().is_some() {
            let reason = "unplugged".into();
            self.events.push_back(SoundEvent::NotPlayed { reason });
        }
        self.events.push_back(SoundEvent::Lost {
            reason: "unplugged".into(),
            retry_in: Duration::from_secs(1),
        });
    }

    fn is_found(&mut self) {
        self.absent_until = None;
        self.events.push_back(SoundEvent::Ready {
            detail: "the simulated cable".into(),
            identities: Box::default(),
        });
    }
}

struct EndPort(Rc<RefCell<End>>);

impl SoundPort for EndPort {
    fn play(&mut self, samples: Vec<f32>) {
        let mut end = self.0.borrow_mut();
        if end.absent_until.is_some() || end.playing.is_some() {
            let reason = "the device is gone or busy".into();
            return end.events.push_back(SoundEvent::NotPlayed { reason });
        }
        end.playing = Some((samples, 0));
    }

    fn hush(&mut self) {
        let mut end = self.0.borrow_mut();
        if end.playing.take().is_some() {
            let reason = "cut short on request".into();
            end.events.push_back(SoundEvent::NotPlayed { reason });
        }
    }

    fn counts(&self) -> Counts {
        Counts::default()
    }
}

struct Side {
    driver: Driver<EndPort>,
    ends: [Rc<RefCell<End>>; 2],
    waiting: [Waiting; 2],
    said: u64,
}

/// What a soak showed.
#[derive(Clone, Debug)]
pub struct Soaked {
    /// Lines said.
    pub said: u64,
    /// Lines that their sender counts as acknowledged.
    pub acknowledged: u64,
    /// Devices lost and found.
    pub losses: u64,
    /// Resident memory at each tenth of the run, kilobytes.
    pub memory_kb: Vec<u64>,
}

/// Runs for `length` of virtual time, with journals in `folder`; `tell` hears each tenth.
///
/// # Errors
/// A line that was acknowledged and did not arrive once and in order.
pub fn soak(seed: u64, length: Duration, folder: &Path, tell: &dyn Fn(u32, u64)) -> Result<Soaked> {
    let files = [folder.join("a.journal"), folder.join("b.journal")];
    let mut sides = [
        side("QA1SKY", seed, &files[0])?,
        side("QM3BAR", seed + 1, &files[1])?,
    ];
    let mut chance = Chance::stream(seed, "soak");
    // Of their own, so that devices go at the same moments whatever is said meanwhile.
    let mut fate = Chance::stream(seed, "devices");
    let rate = SampleRate::new(RATE).map_or(0, |rate| rate.samples_in(PIECE));
    let n = usize::try_from(rate).unwrap_or(0);
    let (mut now, mut next_say, mut losses) = (Instant::ZERO, Instant::ZERO, 0);
    let mut memory_kb = Vec::new();
    let end = Instant::ZERO + length;
    while now < end {
        now += PIECE;
        step(&mut sides, now, n, &mut chance);
        losses += lose(&mut sides, now, &mut fate);
        if now >= next_say {
            next_say = now + SAY_EVERY;
            for (who, side) in sides.iter_mut().enumerate() {
                say(side, who, now, &mut chance);
            }
        }
        let tenth = now.since(Instant::ZERO).as_secs_f64() / length.as_secs_f64() * 10.0;
        if tenth >= (memory_kb.len() + 1) as f64 {
            memory_kb.push(resident_kb());
            tell(memory_kb.len() as u32, resident_kb());
        }
    }
    let said = sides.iter().map(|side| side.said).sum();
    for side in &mut sides {
        side.driver.stop(now);
    }
    let acknowledged = compare(&files)?;
    Ok(Soaked {
        said,
        acknowledged,
        losses,
        memory_kb,
    })
}

fn step(sides: &mut [Side; 2], now: Instant, n: usize, chance: &mut Chance) {
    let pieces: Vec<Vec<f32>> = sides
        .iter()
        .flat_map(|side| side.ends.iter().map(|end| end.borrow_mut().piece(n)))
        .collect();
    for who in 0..2 {
        for port in 0..2 {
            let side = &mut sides[who];
            let id = PortId(port as u8); // Two ports.
            if side.ends[port].borrow().absent_until.is_none() {
                let mut samples = pieces[(1 - who) * 2 + port].clone();
                for sample in &mut samples {
                    *sample += chance.between(-0.01, 0.01) as f32;
                }
                let age = Duration::ZERO;
                side.waiting[port].put();
                let event = SoundEvent::Heard { samples, age };
                side.driver
                    .turn(now, Some(Message::Sound { port: id, event }));
            }
            while let Some(event) = next_event(&side.ends[port]) {
                side.driver
                    .turn(now, Some(Message::Sound { port: id, event }));
            }
        }
        // The driver turns five times in a piece of sound.
        for _ in 0..5 {
            sides[who].driver.turn(now, None);
        }
    }
}

fn next_event(end: &Rc<RefCell<End>>) -> Option<SoundEvent> {
    end.borrow_mut().events.pop_front()
}

/// Loses and finds devices; says how many were lost.
fn lose(sides: &mut [Side; 2], now: Instant, chance: &mut Chance) -> u64 {
    let mut lost = 0;
    for end in sides.iter().flat_map(|side| &side.ends) {
        let mut end = end.borrow_mut();
        match end.absent_until {
            Some(until) if now >= until => end.is_found(),
            Some(_) => {}
            None if chance.unit() < PIECE.as_secs_f64() / LOSS_EVERY => {
                lost += 1;
                let away = 0.2 * 300_f64.powf(chance.unit());
                end.is_lost(now + Duration::from_secs_f64(away));
            }
            None => {}
        }
    }
    lost
}

/// Says a line in every open talk; the first side opens one where there is none.
fn say(side: &mut Side, who: usize, now: Instant, chance: &mut Chance) {
    let snapshot = side.driver.snapshot(now);
    for port in 0..2_u8 {
        let port = PortId(port);
        let live = |t: &&dunlin_station::TalkView| t.port == port && t.state != TalkState::Ended;
        let talk = snapshot.talks.iter().find(live);
        let command = match talk {
            None if who == 0 => Command::OpenTalk {
                port,
                to: crate::faults::life::call("QM3BAR"),
                via: Vec::new(),
            },
            Some(talk) if talk.state == TalkState::Open && talk.waiting_octets < MOST_WAITING => {
                side.said += 1;
                let length = (chance.unit() * 60.0) as usize;
                let text = format!("{who}-{}-{:08} {}", port.0, side.said, "k".repeat(length));
                let talk = talk.id;
                Command::Say { talk, text }
            }
            _ => continue,
        };
        let _ = side.driver.command(now, command); // Refused is as good as not said.
    }
}

fn side(call: &str, seed: u64, file: &Path) -> Result<Side> {
    let Some(rate) = SampleRate::new(RATE) else {
        bail!("no rate")
    };
    let mut config = crate::faults::life::plain_config(rate);
    config.seed = seed;
    config.call = crate::faults::life::call(call);
    for port in &mut config.ports {
        port.call = config.call;
    }
    let ends: [Rc<RefCell<End>>; 2] = std::array::from_fn(|_| Rc::default());
    let waiting: [Waiting; 2] = std::array::from_fn(|_| Waiting::default());
    let port = |n: usize| {
        let (name, keyer) = (
            ["HF", "VHF"][n].into(),
            Box::new(NoLine::new(&KeyLine::None)),
        );
        let way = Way::Sound(EndPort(ends[n].clone()));
        Port::new(name, rate, way, keyer, waiting[n].clone()).opened("a cable".into())
    };
    let ports = vec![port(0), port(1)];
    let journal = Journal::open_here(file, &config, WallTime(0))?;
    let outside = Outside {
        print: Some(Box::new(|_| ())),
        ..Outside::default()
    };
    let mut driver = Driver::new(Station::new(config)?, ports, Vec::new(), outside, journal);
    driver.begin(Instant::ZERO);
    Ok(Side {
        driver,
        ends,
        waiting,
        said: 0,
    })
}

/// Reads both journals; returns how many lines were acknowledged.
fn compare(files: &[std::path::PathBuf; 2]) -> Result<u64> {
    let lines = [lines(&files[0])?, lines(&files[1])?];
    let mut acknowledged = 0;
    for who in 0..2 {
        let (mine, theirs) = (&lines[who], &lines[1 - who]);
        for (series, sent) in &mine.sent {
            let Some(arrived) = theirs.arrived.get(series) else {
                bail!(
                    "nothing of series {series} arrived, {} lines are acknowledged",
                    sent.len()
                );
            };
            if arrived.windows(2).any(|pair| pair[0] >= pair[1]) {
                bail!("series {series} arrived out of order or twice");
            }
            if let Some(lost) = sent.iter().find(|n| arrived.binary_search(n).is_err()) {
                bail!("line {lost} of series {series} is acknowledged and did not arrive");
            }
            acknowledged += sent.len() as u64;
        }
    }
    Ok(acknowledged)
}

/// The numbers of lines by side and port.
#[derive(Debug, Default)]
struct Lines {
    sent: BTreeMap<String, Vec<u64>>,
    arrived: BTreeMap<String, Vec<u64>>,
}

fn lines(file: &Path) -> Result<Lines> {
    let store = Store::open(file, Limits::default())?;
    let run = store.runs(1)?.first().map(|run| run.run);
    let (mut found, mut before, mut talks) = (Lines::default(), None, Vec::new());
    loop {
        let page = store.talks(before, 1000)?;
        let Some(last) = page.last() else { break };
        before = Some(last.row);
        talks.extend(page.into_iter().map(|talk| talk.value.view.id));
    }
    talks.reverse(); // Oldest first.
    for (run, talk) in talks.iter().filter_map(|talk| Some((run?, *talk))) {
        let mut from = 0;
        loop {
            let page = store.talk_lines(run, talk, from, 1000)?;
            let Some(last) = page.last() else { break };
            from = last.value.line + 1;
            for line in page {
                let line = line.value;
                let Some((series, number)) = number(&line.text) else {
                    continue;
                };
                match (line.direction, line.complete) {
                    (Direction::Sent, true) => found.sent.entry(series).or_default().push(number),
                    (Direction::Received, true) => {
                        found.arrived.entry(series).or_default().push(number);
                    }
                    _ => {}
                }
            }
        }
    }
    Ok(found)
}

/// Series and number of a line of ours.
fn number(text: &str) -> Option<(String, u64)> {
    let (head, _) = text.split_once(' ')?;
    let (series, number) = head.rsplit_once('-')?;
    Some((series.to_owned(), number.parse().ok()?))
}

/// Resident memory of this process, kilobytes (proc(5), statm; pages of 4 KiB).
fn resident_kb() -> u64 {
    let statm = std::fs::read_to_string("/proc/self/statm").unwrap_or_default();
    let pages = statm.split_whitespace().nth(1);
    pages.and_then(|n| n.parse::<u64>().ok()).unwrap_or(0) * 4
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_minutes_lose_nothing() {
        let dir = tempfile::tempdir().expect("a directory");
        let length = Duration::from_secs(600);
        let soaked = soak(3, length, dir.path(), &|_, _| ()).expect("nothing is lost");
        assert!(soaked.acknowledged > 100, "{soaked:?}");
        assert!(soaked.losses > 0, "{soaked:?}");
        assert_eq!(soaked.memory_kb.len(), 10);
    }
}
