//! The journal while the station runs: every event goes in, and trouble with the file is told
//! once when it begins and once when it is over.
//!
//! A station on the air writes on a thread of its own: a slow disk must never make the driver
//! miss a heartbeat of the keyer.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, SyncSender};
use std::thread::JoinHandle;

use anyhow::{Context, Result};
use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_station::{Event, PortId, StationConfig, WayThatWorked};
use dunlin_store::{Limits, Store};

/// Events that may wait for the thread; a busy hour of two ports has a few thousand.
const MOST_WAITING: usize = 20_000;
/// How often the thread looks whether something is due.
const LOOK: Duration = Duration::from_millis(200);

/// The journal of a running station.
pub struct Journal {
    keeper: Keeper,
    wall_at_zero: WallTime,
    /// By which ways stations were reached before this start.
    ways: Vec<WayThatWorked>,
}

/// Who writes.
enum Keeper {
    /// Whoever turns the driver.
    Here(Box<Writer>),
    /// A thread.
    Thread(Thread),
}

/// The file, and whether it fails.
struct Writer {
    store: Store,
    failing: bool,
}

struct Thread {
    orders: SyncSender<Order>,
    troubles: Receiver<Trouble>,
    dropped: Arc<AtomicU64>,
    thread: JoinHandle<Result<()>>,
    /// That it takes nothing was told.
    told: bool,
}

enum Order {
    Record(Instant, WallTime, Box<Event>),
    End(WallTime),
}

/// How the journal does, when that changes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// Writing fails; why.
    Begins(String),
    /// It works again; what was not kept.
    Over(String),
}

impl std::fmt::Display for Trouble {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Trouble::Begins(text) | Trouble::Over(text) => f.write_str(text),
        }
    }
}

impl Writer {
    fn tick(&mut self, now: Instant) -> Option<Trouble> {
        match self.store.tick(now) {
            Err(error) if !self.failing => {
                self.failing = true;
                Some(Trouble::Begins(format!(
                    "{error}. The station goes on; what it hears and says is kept in memory as \
                     far as there is room. Make room, or look after the disk"
                )))
            }
            Ok(true) if self.failing => {
                self.failing = false;
                let lost = self.store.lost();
                Some(Trouble::Over(format!(
                    "the journal is written again; {lost} things were given up"
                )))
            }
            Ok(_) | Err(_) => None,
        }
    }
}

impl Journal {
    /// Opens or makes the file and begins a run in it, written on a thread of its own.
    ///
    /// The text of the plan is kept with it. What people should hear about the file (that its
    /// schema was brought up, that the plan is another one) comes back as sentences.
    pub fn open(
        file: &Path,
        limits: Limits,
        station: &StationConfig,
        plan: &str,
        wall_at_zero: WallTime,
    ) -> Result<(Journal, Vec<String>)> {
        let mut store = Store::open(file, limits)?;
        let mut words: Vec<String> = store
            .upgrade()
            .map(ToString::to_string)
            .into_iter()
            .collect();
        // A full disk must not keep the station from starting; the first tick tells of it.
        match store.begin_run(wall_at_zero, &station.call.to_string()) {
            Ok(_) => words.extend(note_plan(&mut store, plan, wall_at_zero)),
            Err(error) => words.push(format!("the journal cannot be written: {error}")),
        }
        let ways = ways_that_worked(&store, station, wall_at_zero);
        let (orders, inbox) = mpsc::sync_channel(MOST_WAITING);
        let (tell, troubles) = mpsc::channel();
        let dropped = Arc::new(AtomicU64::new(0));
        let writer = Writer {
            store,
            failing: false,
        };
        let thread = std::thread::Builder::new()
            .name("dunlin-journal".into())
            .spawn(move || write(writer, &inbox, &tell))
            .context("no thread for the journal")?;
        let journal = Journal {
            keeper: Keeper::Thread(Thread {
                orders,
                troubles,
                dropped,
                thread,
                told: false,
            }),
            wall_at_zero,
            ways,
        };
        Ok((journal, words))
    }

    /// Opens or makes the file and begins a run in it, written by whoever calls.
    pub fn open_here(
        file: &Path,
        station: &StationConfig,
        wall_at_zero: WallTime,
    ) -> Result<Journal> {
        Journal::here(Store::open(file, Limits::default())?, station, wall_at_zero)
    }

    /// A journal that is gone with the program.
    pub fn in_memory(station: &StationConfig) -> Result<Journal> {
        let store = Store::in_memory(Limits::default())?;
        Journal::here(store, station, WallTime::default())
    }

    fn here(store: Store, station: &StationConfig, wall_at_zero: WallTime) -> Result<Journal> {
        let store = begin(store, station, wall_at_zero)?;
        let ways = ways_that_worked(&store, station, wall_at_zero);
        let writer = Writer {
            store,
            failing: false,
        };
        Ok(Journal {
            keeper: Keeper::Here(Box::new(writer)),
            wall_at_zero,
            ways,
        })
    }

    fn wall(&self, now: Instant) -> WallTime {
        self.wall_at_zero.after(now.since(Instant::ZERO))
    }

    /// By which ways stations were reached before this start; given out once.
    pub fn take_ways(&mut self) -> Vec<WayThatWorked> {
        std::mem::take(&mut self.ways)
    }

    /// Takes in an event.
    pub fn record(&mut self, now: Instant, event: &Event) {
        let wall = self.wall(now);
        match &mut self.keeper {
            Keeper::Here(writer) => writer.store.record(wall, event),
            Keeper::Thread(thread) => {
                let order = Order::Record(now, wall, Box::new(event.clone()));
                if thread.orders.try_send(order).is_err() {
                    thread.dropped.fetch_add(1, Ordering::Relaxed);
                }
            }
        }
    }

    /// Writes what is due. The answer says when writing begins to fail or works again.
    pub fn tick(&mut self, now: Instant) -> Option<Trouble> {
        match &mut self.keeper {
            Keeper::Here(writer) => writer.tick(now),
            Keeper::Thread(thread) => {
                let dropped = thread.dropped.load(Ordering::Relaxed);
                let gone = thread.thread.is_finished();
                if !thread.told && (gone || dropped > 0) {
                    thread.told = true;
                    return Some(Trouble::Begins(format!(
                        "the journal does not take what the station hears and says{}. Look after \
                         the disk, then start the station anew",
                        if gone {
                            ": its writer has died"
                        } else {
                            ", the disk is too slow"
                        }
                    )));
                }
                let trouble = thread.troubles.try_recv().ok()?;
                let dropped = thread.dropped.load(Ordering::Relaxed);
                Some(match trouble {
                    Trouble::Over(text) if dropped > 0 => Trouble::Over(format!(
                        "{text}, and {dropped} never reached it since the start"
                    )),
                    other => other,
                })
            }
        }
    }

    /// Writes the rest and notes that the station stopped by itself.
    pub fn end(self, now: Instant) -> Result<()> {
        let wall = self.wall(now);
        match self.keeper {
            Keeper::Here(mut writer) => Ok(writer.store.end_run(wall)?),
            Keeper::Thread(thread) => {
                let _ = thread.orders.send(Order::End(wall)); // Told by the join if it is gone.
                match thread.thread.join() {
                    Ok(ended) => ended,
                    Err(_) => anyhow::bail!("the thread that writes it has died"),
                }
            }
        }
    }

    /// What is kept.
    #[cfg(test)]
    pub fn store(&self) -> &Store {
        match &self.keeper {
            Keeper::Here(writer) => &writer.store,
            Keeper::Thread(_) => panic!("the store is with the thread"),
        }
    }
}

/// By which ways stations were reached before this start. Without them the station knows less
/// and works as well, so a file that cannot be read is no trouble here: whatever is wrong with it
/// is told when it is written.
fn ways_that_worked(store: &Store, station: &StationConfig, now: WallTime) -> Vec<WayThatWorked> {
    let kept = store.ways(dunlin_store::MOST_ANSWERED).unwrap_or_default();
    let ports = || station.ports.iter().zip(0..);
    let ways = kept.into_iter().filter_map(|way| {
        let (_, id) = ports().find(|(port, _)| port.name == way.port_name)?;
        Some(WayThatWorked {
            port: PortId(id),
            to: way.to,
            via: way.via,
            before_start_ms: u64::try_from(now.0.saturating_sub(way.last.0)).unwrap_or(0),
        })
    });
    ways.collect()
}

/// Keeps the plan; says so if it is another one than at the last start.
fn note_plan(store: &mut Store, plan: &str, now: WallTime) -> Option<String> {
    match store.note_plan(now, plan) {
        Ok(Some(before)) => {
            let lines = dunlin_store::lines_that_differ(&before, plan);
            let lines = match lines {
                1 => "1 line differs".into(),
                n => format!("{n} lines differ"),
            };
            Some(format!(
                "the plan has changed since the last start: {lines}"
            ))
        }
        Ok(None) => None,
        Err(error) => Some(format!(
            "the plan could not be kept in the journal: {error}"
        )),
    }
}

fn begin(mut store: Store, station: &StationConfig, began: WallTime) -> Result<Store> {
    store.begin_run(began, &station.call.to_string())?;
    Ok(store)
}

/// The thread: takes what comes, writes when it is due.
fn write(mut writer: Writer, inbox: &Receiver<Order>, tell: &mpsc::Sender<Trouble>) -> Result<()> {
    let mut latest = Instant::ZERO;
    loop {
        match inbox.recv_timeout(LOOK) {
            Ok(Order::Record(now, wall, event)) => {
                latest = latest.max(now);
                writer.store.record(wall, &event);
            }
            Ok(Order::End(wall)) => return Ok(writer.store.end_run(wall)?),
            // Time goes on also when nothing happens.
            Err(RecvTimeoutError::Timeout) => latest += LOOK,
            Err(RecvTimeoutError::Disconnected) => return Ok(writer.store.flush()?),
        }
        if let Some(trouble) = writer.tick(latest) {
            let _ = tell.send(trouble); // The driver has gone only when the program ends.
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_station::{Note, TalkId, TalkState, TalkView, Urgency};

    #[test]
    fn the_way_that_worked_last_outlives_a_restart() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("a.journal");
        let station = crate::run::test_station("QA1SKY");
        let mut journal = Journal::open_here(&file, &station, WallTime(1_000_000)).expect("opens");
        assert_eq!(journal.take_ways(), []);
        let call = |text: &str| text.parse().expect("a call sign");
        let port = dunlin_station::Station::new(station.clone()).expect("good");
        let port = port.snapshot(Instant::ZERO).ports[0].clone();
        journal.record(Instant::ZERO, &Event::Port(port));
        for (id, via, heard) in [(1, "QD2HIL-1", Some(5000)), (2, "QC2CAP", None)] {
            let view = TalkView {
                id: TalkId(id),
                port: PortId(0),
                local: call("QA1SKY"),
                remote: call("QM3BAR"),
                via: vec![call(via)],
                incoming: false,
                state: TalkState::Ended,
                words: String::new(),
                since_ms: 0,
                opened_ms: 0,
                waiting_octets: 0,
                retries: 0,
                last_heard_ms: heard,
                pace: None,
            };
            journal.record(Instant::ZERO, &Event::Talk(view));
        }
        journal.end(Instant::from_secs(9)).expect("ends");
        let mut again = Journal::open_here(&file, &station, WallTime(1_600_000)).expect("opens");
        let expected = WayThatWorked {
            port: PortId(0),
            to: call("QM3BAR"),
            via: vec![call("QD2HIL-1")],
            before_start_ms: 595_000,
        };
        assert_eq!(
            again.take_ways(),
            [expected],
            "who never answered was not reached"
        );
    }

    fn note(text: &str) -> Event {
        Event::Note(Note {
            at_ms: 1,
            port: None,
            urgency: Urgency::Plain,
            text: text.into(),
        })
    }

    #[test]
    fn the_thread_writes_everything_before_it_ends() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("a.journal");
        let station = crate::run::test_station("QA1SKY");
        let open = || Journal::open(&file, Limits::default(), &station, "one\n", WallTime(5));
        let (mut journal, words) = open().expect("a journal opens");
        assert_eq!(words, Vec::<String>::new());
        for n in 0..500 {
            journal.record(Instant::from_secs(n), &note(&n.to_string()));
        }
        journal.end(Instant::from_secs(500)).expect("it ends");
        let store = Store::open(&file, Limits::default()).expect("opens again");
        assert_eq!(store.notes(None, 1000).expect("read").len(), 500);
        drop(store);
        let again = Journal::open(&file, Limits::default(), &station, "two\n", WallTime(6));
        let (_, words) = again.expect("opens again");
        assert_eq!(
            words,
            ["the plan has changed since the last start: 1 line differs"]
        );
    }
}
