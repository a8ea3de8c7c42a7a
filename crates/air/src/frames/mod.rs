//! A simulated band that carries whole frames instead of sound.
//!
//! ```text
//! key, frames at their times ─► paths ─► noticed (carrier) ─► read or lost ─► told
//!                                          │                    noise, collision, own sending
//!                                          └ a while after keying and unkeying
//! ```
//!
//! What the sound of [`Band`](crate::Band) does by physics is done here by rule: a path loses
//! frames at a share that was measured, the same for every bit; a second signal costs what the
//! level above it and the time that both last together say; a station that sends, or has just
//! sent, hears nothing. Nothing happens between events, and an event costs what its sender's
//! neighbours cost, whatever the size of the band.
//!
//! The same configuration, seed and calls give the same events.

mod beside;
mod config;
mod curve;
mod queue;
mod view;

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;

use dunlin_clock::{Chance, Duration, Hours, Instant, SampleCount};

use crate::band::Transmission;
use crate::config::AirError;
use crate::judge::History;
use beside::beside_others;
use queue::{Due, Queue};

pub use config::{FrameBandConfig, FramePath, MOST_PLACES, Place, Signal};
use curve::of_length;
pub use curve::{CURVE_OCTETS, Curve};

/// The longest transmission, as on a band with sound.
const LONGEST: Duration = Duration::from_secs(600);
/// Never.
const NEVER: Instant = Instant::from_nanos(u64::MAX);

/// A frame of a transmission.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AirFrame {
    /// What it holds; the band does not look into it.
    pub octets: Arc<[u8]>,
    /// Its begin, from keying.
    pub start: Duration,
    /// Its end, from keying.
    pub end: Duration,
}

/// Something that a station notices.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FrameEvent {
    /// A carrier detector says occupied, or clear.
    Carrier {
        /// Number of the station.
        station: usize,
        /// Occupied.
        on: bool,
    },
    /// A frame was read.
    Frame {
        /// Number of the station that read it.
        station: usize,
        /// Number of the station that sent it.
        from: usize,
        /// What it holds.
        octets: Arc<[u8]>,
    },
    /// A transmission has ended.
    Ended {
        /// Number of the station that sent.
        station: usize,
    },
}

/// What became of frames at the stations that a path leads to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FrameTally {
    /// Transmissions begun.
    pub transmissions: u64,
    /// Frames sent to their end.
    pub sent: u64,
    /// Frames read, all stations together.
    pub read: u64,
    /// Lost with nothing else on the air.
    pub noise: u64,
    /// Lost to another signal.
    pub collision: u64,
    /// Lost because the station sent itself or just had.
    pub own_transmission: u64,
}

/// A path out of a station.
#[derive(Clone, Copy, Debug)]
struct Out {
    to: u32,
    level_db: f32,
    share: f32,
    /// Number of its [`Hours`] in the band's list.
    hours: u16,
    same_kind: bool,
    noticed: bool,
}

/// A transmission as one receiver hears it.
#[derive(Clone, Copy, Debug)]
struct Arrival {
    slot: u32,
    level_db: f32,
    start: Instant,
    /// [`NEVER`] while it goes on.
    end: Instant,
    noticed: bool,
    can_be_noticed: bool,
}

/// The state of a station.
#[derive(Clone, Debug)]
struct Station {
    signal: u32,
    recovery: Duration,
    paths: Range<u32>,
    /// Slot of its transmission.
    sends: Option<u32>,
    /// Its last transmission: the begin, and until when it was deaf.
    deaf_from: Instant,
    deaf_until: Instant,
    arrivals: Vec<Arrival>,
    /// Signals that its detector notices now, since when, and how long it did before, ns.
    noticed: u32,
    busy_since: Instant,
    busy_ns: u64,
    /// Time in which its key was down, ns.
    key_down_ns: u64,
}

impl Station {
    /// The arrival here of the transmission in this slot that began then. A path that was closed has none,
    /// and an older one of the same slot may be there.
    fn arrival(&mut self, of: (u32, Instant)) -> Option<&mut Arrival> {
        let mut arrivals = self.arrivals.iter_mut().rev();
        arrivals.find(|a| (a.slot, a.start) == of)
    }
}

/// A transmission under way, or one whose end is still being noticed.
#[derive(Clone, Debug)]
struct Sent {
    station: u32,
    /// Counts the uses of the slot, so that what was planned for an earlier one is dropped.
    life: u32,
    start: Instant,
    end: Instant,
    /// It has ended; nothing more is sent, but what was read is still told.
    over: bool,
    frames: Vec<AirFrame>,
    /// By frame: the stations that have read it.
    readers: VecDeque<Vec<u32>>,
}

/// One band of frames. See the module's description.
#[derive(Clone, Debug)]
pub struct FrameBand {
    signals: Vec<Signal>,
    stations: Vec<Station>,
    paths: Vec<Out>,
    /// All that paths have, each once.
    hours: Vec<Hours>,
    sent: Vec<Sent>,
    free: Vec<u32>,
    queue: Queue,
    events: VecDeque<(Instant, FrameEvent)>,
    chance: Chance,
    now: Instant,
    tally: FrameTally,
    history: Option<History>,
    /// Empty lists, kept for their memory.
    spare: Vec<Vec<u32>>,
}

impl FrameBand {
    /// Checks a configuration and builds the band.
    ///
    /// # Errors
    ///
    /// No station or too many, a path or a signal that is not there, a figure out of range.
    pub fn new(config: &FrameBandConfig) -> Result<FrameBand, AirError> {
        config.check()?;
        let mut sorted: Vec<FramePath> = config.paths.clone();
        // The order in which paths are listed must change nothing.
        sorted.sort_by_key(|p| (p.from, p.to));
        let mut paths = Vec::with_capacity(sorted.len());
        let mut stations = Vec::with_capacity(config.places.len());
        let mut hours = vec![Hours::ALWAYS];
        let mut rest = sorted.iter().peekable();
        for (number, place) in config.places.iter().enumerate() {
            let begin = paths.len() as u32;
            while let Some(path) = rest.next_if(|p| p.from == number) {
                let known = hours.iter().position(|h| *h == path.hours);
                let number_of_hours = known.unwrap_or(hours.len());
                if known.is_none() {
                    hours.push(path.hours);
                }
                let same_kind = config.places[path.to].signal == place.signal;
                paths.push(Out {
                    to: path.to as u32,
                    level_db: path.level_db as f32,
                    share: path.share as f32,
                    hours: number_of_hours as u16,
                    same_kind,
                    noticed: same_kind && path.level_db >= config.signals[place.signal].noticed_db,
                });
            }
            stations.push(Station {
                signal: place.signal as u32,
                recovery: place.recovery,
                paths: begin..paths.len() as u32,
                sends: None,
                deaf_from: Instant::ZERO,
                deaf_until: Instant::ZERO,
                arrivals: Vec::new(),
                noticed: 0,
                busy_since: Instant::ZERO,
                busy_ns: 0,
                key_down_ns: 0,
            });
        }
        Ok(FrameBand {
            signals: config.signals.clone(),
            stations,
            paths,
            hours,
            sent: Vec::new(),
            free: Vec::new(),
            queue: Queue::default(),
            events: VecDeque::new(),
            chance: Chance::stream(config.seed, &format!("air/{}/frames", config.name)),
            now: Instant::ZERO,
            tally: FrameTally::default(),
            history: None,
            spare: Vec::new(),
        })
    }

    /// Presses a station's key at `now` for `airtime`, with these frames. `now` must not go back.
    ///
    /// # Errors
    ///
    /// No such station, it sends already, or more than ten minutes in one transmission.
    pub fn key(
        &mut self,
        now: Instant,
        station: usize,
        airtime: Duration,
        frames: Vec<AirFrame>,
    ) -> Result<(), AirError> {
        let sends = self.stations.get(station).map(|s| s.sends.is_some());
        if sends != Some(false) {
            return Err(AirError::NoSuchStation(station));
        }
        if airtime > LONGEST {
            return Err(AirError::TooLong {
                seconds: airtime.as_secs(),
                limit: LONGEST.as_secs(),
            });
        }
        self.now = self.now.max(now);
        let now = self.now;
        let slot = self.slot(station, now, now + airtime, frames);
        let sent = &self.sent[slot as usize];
        let life = sent.life;
        for (n, frame) in sent.frames.iter().enumerate() {
            let due = Due::FrameEnd(n as u32);
            self.queue.put(now + frame.end, slot, life, due);
        }
        self.queue.put(now + airtime, slot, life, Due::End);
        let detect = self.signals[self.stations[station].signal as usize].detect;
        self.queue.put(now + detect, slot, life, Due::Noticed);
        self.tally.transmissions += 1;
        let me = &mut self.stations[station];
        me.sends = Some(slot);
        (me.deaf_from, me.deaf_until) = (now, NEVER);
        self.forget_noticed(station);
        for path in self.paths_of(station) {
            let path = self.paths[path];
            if !self.hours[usize::from(path.hours)].open_at(now) {
                continue;
            }
            let arrivals = &mut self.stations[path.to as usize].arrivals;
            arrivals.push(Arrival {
                slot,
                level_db: path.level_db,
                start: now,
                end: NEVER,
                noticed: false,
                can_be_noticed: path.noticed,
            });
        }
        Ok(())
    }

    /// Releases a station's key at `now`, whatever it still had to send.
    pub fn unkey(&mut self, now: Instant, station: usize) {
        self.now = self.now.max(now);
        let slot = self.stations.get(station).and_then(|s| s.sends);
        if let Some(slot) = slot {
            self.end(slot, true);
        }
    }

    /// When something happens next by itself.
    pub fn next_event(&self) -> Option<Instant> {
        self.queue.next()
    }

    /// Lets time pass to `until`; what stations notice on the way is told by
    /// [`FrameBand::poll`]. Calls of [`FrameBand::key`] between two must not be late, so pass no
    /// further than [`FrameBand::next_event`] if stations act on what they notice.
    pub fn advance(&mut self, until: Instant) {
        while let Some((at, slot, life, due)) = self.queue.take(until) {
            self.now = self.now.max(at);
            if let Due::Recovered = due {
                self.recovered(slot as usize);
                continue;
            }
            let sent = &self.sent[slot as usize];
            if sent.life != life {
                continue; // The slot is another's now.
            }
            match due {
                // Cut off before; or too short for any detector.
                Due::FrameEnd(_) | Due::End | Due::Noticed if sent.over => {}
                Due::Noticed => self.notice(slot),
                Due::FrameEnd(n) => self.frame_ends(slot, n),
                Due::Told(n) => self.tell(slot, n),
                Due::End => self.end(slot, false),
                Due::Clear => self.clear(slot),
                Due::Forgotten => self.forget(slot),
                Due::Recovered => {}
            }
        }
        self.now = self.now.max(until);
    }

    /// The next thing that a station noticed, and when.
    pub fn poll(&mut self) -> Option<(Instant, FrameEvent)> {
        self.events.pop_front()
    }

    fn paths_of(&self, station: usize) -> Range<usize> {
        let paths = &self.stations[station].paths;
        paths.start as usize..paths.end as usize
    }

    /// A slot for a transmission.
    fn slot(&mut self, station: usize, start: Instant, end: Instant, frames: Vec<AirFrame>) -> u32 {
        let slot = self.free.pop().unwrap_or_else(|| {
            self.sent.push(Sent {
                station: 0,
                life: 0,
                start,
                end,
                over: false,
                frames: Vec::new(),
                readers: VecDeque::new(),
            });
            (self.sent.len() - 1) as u32
        });
        let sent = &mut self.sent[slot as usize];
        sent.station = station as u32;
        (sent.start, sent.end, sent.over) = (start, end, false);
        sent.frames = frames;
        slot
    }

    /// A station keys: its detector hears nothing any more.
    fn forget_noticed(&mut self, station: usize) {
        let me = &mut self.stations[station];
        me.arrivals.iter_mut().for_each(|a| a.noticed = false);
        if std::mem::take(&mut me.noticed) > 0 {
            me.busy_ns += nanos(self.now.since(me.busy_since));
            let event = FrameEvent::Carrier { station, on: false };
            self.events.push_back((self.now, event));
        }
    }

    fn one_more_noticed(&mut self, station: usize) {
        let me = &mut self.stations[station];
        me.noticed += 1;
        if me.noticed == 1 {
            me.busy_since = self.now;
            let event = FrameEvent::Carrier { station, on: true };
            self.events.push_back((self.now, event));
        }
    }

    fn one_less_noticed(&mut self, station: usize) {
        let me = &mut self.stations[station];
        me.noticed -= 1;
        if me.noticed == 0 {
            me.busy_ns += nanos(self.now.since(me.busy_since));
            let event = FrameEvent::Carrier { station, on: false };
            self.events.push_back((self.now, event));
        }
    }

    /// The detectors of all who hear a transmission notice it, but for those who were deaf.
    fn notice(&mut self, slot: u32) {
        let (station, start) = {
            let sent = &self.sent[slot as usize];
            (sent.station as usize, sent.start)
        };
        for path in self.paths_of(station) {
            let path = self.paths[path];
            let me = &mut self.stations[path.to as usize];
            if !path.noticed || me.deaf_until > start {
                continue; // What is noticed after recovery is noticed then.
            }
            if let Some(a) = me.arrival((slot, start)) {
                a.noticed = true;
                self.one_more_noticed(path.to as usize);
            }
        }
    }

    /// A station has heard again for as long as it takes to notice a signal.
    fn recovered(&mut self, station: usize) {
        let me = &mut self.stations[station];
        let detect = self.signals[me.signal as usize].detect;
        if me.sends.is_some() || me.deaf_until + detect > self.now {
            return; // It has sent again meanwhile.
        }
        let since = me.deaf_until;
        let mut count = 0;
        for a in &mut me.arrivals {
            if a.can_be_noticed && !a.noticed && a.end == NEVER && a.start < since {
                a.noticed = true;
                count += 1;
            }
        }
        (0..count).for_each(|_| self.one_more_noticed(station));
    }

    /// A frame has been sent: decides who has read it.
    fn frame_ends(&mut self, slot: u32, n: u32) {
        let sent = &self.sent[slot as usize];
        let from = sent.station as usize;
        let frame = &sent.frames[n as usize];
        let (start, end) = (sent.start + frame.start, sent.start + frame.end);
        let length = frame.octets.len() as f64 / CURVE_OCTETS as f64;
        let mut readers = self.spare.pop().unwrap_or_default();
        let signal = &self.signals[self.stations[from].signal as usize];
        self.tally.sent += 1;
        for path in &self.paths
            [self.stations[from].paths.start as usize..self.stations[from].paths.end as usize]
        {
            if !path.same_kind || (path.share <= 0.0 && !path.noticed) {
                continue; // It can only disturb.
            }
            let hours = &self.hours[usize::from(path.hours)];
            if !hours.open_at(sent.start) {
                continue;
            }
            let me = &self.stations[path.to as usize];
            if me.deaf_from < end && me.deaf_until > start {
                self.tally.own_transmission += 1;
                continue;
            }
            let through = of_length(f64::from(path.share), length);
            let own = (slot, sent.start);
            let (beside, met) = beside_others(me, own, path.level_db, start..end, length, signal);
            // One number decides both, so that what is lost to a rival is what it took away.
            let both = through * beside;
            let drawn = match both {
                b if b >= 1.0 => 0.0,
                b if b <= 0.0 && !met => 1.0,
                _ => self.chance.unit(),
            };
            if drawn < both {
                self.tally.read += 1;
                readers.push(path.to);
            } else if met && drawn < through {
                self.tally.collision += 1;
            } else {
                self.tally.noise += 1;
            }
        }
        let told = signal.told;
        let sent = &mut self.sent[slot as usize];
        sent.readers.push_back(readers);
        if told.is_zero() {
            return self.tell(slot, n);
        }
        let life = sent.life;
        self.queue.put(self.now + told, slot, life, Due::Told(n));
    }

    /// Those who have read a frame have it.
    fn tell(&mut self, slot: u32, n: u32) {
        let sent = &mut self.sent[slot as usize];
        let Some(mut readers) = sent.readers.pop_front() else {
            return;
        };
        let (from, octets) = (sent.station as usize, &sent.frames[n as usize].octets);
        for station in readers.drain(..) {
            let event = FrameEvent::Frame {
                station: station as usize,
                from,
                octets: octets.clone(),
            };
            self.events.push_back((self.now, event));
        }
        self.spare.push(readers);
    }

    /// A transmission ends now, by itself or because it is cut off.
    fn end(&mut self, slot: u32, cut: bool) {
        let now = self.now;
        let sent = &mut self.sent[slot as usize];
        let (station, start) = (sent.station as usize, sent.start);
        (sent.end, sent.over) = (now, true);
        let life = sent.life;
        let lasted = nanos(now.since(start));
        if let Some(history) = &mut self.history {
            history.remember(Transmission {
                station,
                start: SampleCount(start.as_nanos()),
                end: SampleCount(now.as_nanos()),
                cut,
            });
        }
        let me = &mut self.stations[station];
        me.sends = None;
        me.key_down_ns += lasted;
        me.deaf_until = now + me.recovery;
        let signal = &self.signals[me.signal as usize];
        let hears = me.deaf_until + signal.detect;
        if me.arrivals.iter().any(|a| a.end == NEVER) || !me.recovery.is_zero() {
            self.queue.put(hears, station as u32, 0, Due::Recovered);
        }
        self.queue.put(now + signal.release, slot, life, Due::Clear);
        // What is still to be told must be told before the slot is free.
        let forgotten = now + signal.release.max(signal.told);
        self.queue.put(forgotten, slot, life, Due::Forgotten);
        for path in self.paths_of(station) {
            let to = self.paths[path].to as usize;
            if let Some(a) = self.stations[to].arrival((slot, start)) {
                a.end = now;
            }
        }
        let event = FrameEvent::Ended { station };
        self.events.push_back((now, event));
    }

    /// The detectors of all who heard a transmission say clear.
    fn clear(&mut self, slot: u32) {
        let sent = &self.sent[slot as usize];
        let (station, start) = (sent.station as usize, sent.start);
        for path in self.paths_of(station) {
            let to = self.paths[path].to as usize;
            let me = &mut self.stations[to];
            let found = me.arrival((slot, start));
            let was_noticed = found.is_some_and(|a| std::mem::take(&mut a.noticed));
            // Kept as long as a frame may end that it has disturbed.
            let goes_on = me.arrivals.iter().filter(|a| a.end == NEVER);
            let oldest = goes_on.map(|a| a.start).min().unwrap_or(NEVER);
            me.arrivals
                .retain(|a| a.end > oldest || a.end == NEVER || a.noticed);
            if was_noticed {
                self.one_less_noticed(to);
            }
        }
    }

    /// Nothing more will come of a transmission.
    fn forget(&mut self, slot: u32) {
        let sent = &mut self.sent[slot as usize];
        sent.life = sent.life.wrapping_add(1);
        sent.frames.clear();
        while let Some(mut readers) = sent.readers.pop_front() {
            readers.clear();
            self.spare.push(readers);
        }
        self.free.push(slot);
    }
}

fn nanos(d: Duration) -> u64 {
    u64::try_from(d.as_nanos()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests;
