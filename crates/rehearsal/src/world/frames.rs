//! Stations on bands that carry whole frames. Time jumps from one event to the next: the bands
//! tell what a station notices, an agenda holds when each station wants to be woken. Of what is
//! due at one moment the bands come first, in their order, then the stations in theirs.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::sync::Arc;

use dunlin_air::Reception;
use dunlin_air::frames::{AirFrame, FrameBand, FrameEvent};
use dunlin_clock::{Duration, Instant};
use dunlin_station::port::TimedFrame;
use dunlin_station::{Input, Output, PortId, Station};

use super::{Homes, MOST_WAKEUPS, OnBands, port_id};
use crate::ledger::Question;
use crate::scenario::Seat;

/// A station that wants to be woken for ever at one moment is woken again after so long.
const PAUSE: Duration = Duration::from_millis(20);

/// See the module's description.
#[derive(Debug)]
pub(crate) struct FrameWorld {
    bands: Vec<FrameBand>,
    homes: Homes,
    /// By station and port.
    seats: Vec<Vec<Seat>>,
    /// By band and place.
    places: Vec<Vec<(usize, PortId)>>,
    agenda: BinaryHeap<Reverse<(Instant, usize)>>,
    /// By station: the entry of the agenda that holds; others are of the past.
    due: Vec<Option<Instant>>,
    /// By station: how often it was woken at the moment of its last wake-up, and that moment.
    woken: Vec<(Instant, usize)>,
    /// Inputs given to stations.
    inputs: u64,
}

impl FrameWorld {
    pub(crate) fn new(
        bands: Vec<FrameBand>,
        stations: Vec<Station>,
        seats: Vec<Vec<Seat>>,
    ) -> Self {
        let mut places: Vec<Vec<(usize, PortId)>> = bands
            .iter()
            .map(|b| vec![(usize::MAX, PortId(0)); b.stations()])
            .collect();
        for (station, of_station) in seats.iter().enumerate() {
            for (port, seat) in of_station.iter().enumerate() {
                places[seat.band][seat.place] = (station, port_id(port));
            }
        }
        let mut world = FrameWorld {
            bands,
            seats,
            places,
            agenda: BinaryHeap::new(),
            due: vec![None; stations.len()],
            woken: vec![(Instant::ZERO, 0); stations.len()],
            homes: Homes::new(stations),
            inputs: 0,
        };
        for station in 0..world.homes.count() {
            world.drain(station, Instant::ZERO);
        }
        world
    }

    pub(crate) fn band(&self, band: usize) -> &FrameBand {
        &self.bands[band]
    }

    /// Inputs given to stations so far.
    pub(crate) fn inputs(&self) -> u64 {
        self.inputs
    }

    /// When something happens next; `None` = never.
    pub(crate) fn next(&mut self) -> Option<Instant> {
        let band = self.bands.iter().filter_map(FrameBand::next_event).min();
        let keeper = self.homes.keeper().map(|(at, _)| at);
        let wake = self.next_wakeup().map(|(at, _)| at);
        band.into_iter().chain(keeper).chain(wake).min()
    }

    /// Lets the next thing happen.
    pub(crate) fn step(&mut self) {
        let bands = self.bands.iter().enumerate();
        let band = bands.filter_map(|(n, b)| Some((b.next_event()?, n))).min();
        let wake = self.next_wakeup();
        if let Some((at, station)) = self.homes.keeper()
            && band.is_none_or(|b| at < b.0)
            && wake.is_none_or(|w| at <= w.0)
        {
            self.keeper_done(station, at);
            return;
        }
        match (band, wake) {
            (Some((at, band)), wake) if wake.is_none_or(|w| at <= w.0) => {
                self.bands[band].advance(at);
                while let Some((at, event)) = self.bands[band].poll() {
                    self.notice(band, at, event);
                }
            }
            (_, Some((at, station))) => self.wake(station, at),
            _ => {}
        }
    }

    /// The first entry of the agenda that still holds.
    fn next_wakeup(&mut self) -> Option<(Instant, usize)> {
        while let Some(&Reverse((at, station))) = self.agenda.peek() {
            if self.due[station] == Some(at) {
                return Some((at, station));
            }
            self.agenda.pop();
        }
        None
    }

    fn wake(&mut self, station: usize, at: Instant) {
        self.agenda.pop();
        self.due[station] = None;
        let (last, times) = &mut self.woken[station];
        *times = if *last == at { *times + 1 } else { 0 };
        *last = at;
        if *times > MOST_WAKEUPS {
            self.plan(station, at + PAUSE);
            return;
        }
        self.give(station, at, Input::Wakeup);
    }

    fn keeper_done(&mut self, station: usize, at: Instant) {
        self.inputs += 1;
        self.homes.keeper_done(station, at);
        self.drain(station, at);
    }

    fn notice(&mut self, band: usize, at: Instant, event: FrameEvent) {
        let places = &self.places[band];
        match event {
            FrameEvent::Carrier { station, on } => {
                let (station, port) = places[station];
                self.give(station, at, Input::Carrier { port, on });
            }
            FrameEvent::Frame {
                station, octets, ..
            } => {
                let (station, port) = places[station];
                let octets = &octets;
                self.give(station, at, Input::Frame { port, octets });
            }
            FrameEvent::Ended { station } => {
                let (station, port) = places[station];
                self.give(station, at, Input::Transmitted { port });
            }
        }
    }

    fn give(&mut self, station: usize, at: Instant, input: Input<'_>) {
        self.inputs += 1;
        self.homes.give(station, at, input);
        self.drain(station, at);
    }

    fn plan(&mut self, station: usize, at: Instant) {
        if self.due[station] != Some(at) {
            self.due[station] = Some(at);
            self.agenda.push(Reverse((at, station)));
        }
    }

    fn key(
        &mut self,
        station: usize,
        port: PortId,
        at: Instant,
        airtime: Duration,
        frames: Vec<TimedFrame>,
    ) {
        let Seat { band, place } = self.seats[station][usize::from(port.0)];
        let frames = frames.into_iter().map(|f| AirFrame {
            octets: Arc::from(f.octets),
            start: f.start,
            end: f.end,
        });
        // The place exists, and the engine's transmissions are far shorter than the air's limit.
        let keyed = self.bands[band].key(at, place, airtime, frames.collect());
        debug_assert!(keyed.is_ok(), "{keyed:?}");
    }
}

impl OnBands for FrameWorld {
    fn homes(&self) -> &Homes {
        &self.homes
    }

    fn homes_mut(&mut self) -> &mut Homes {
        &mut self.homes
    }

    /// Notes also when to wake it.
    fn drain(&mut self, station: usize, at: Instant) {
        while let Some(output) = self.homes.poll(station, at) {
            match output {
                Output::OnBand {
                    port,
                    frames,
                    airtime,
                } => self.key(station, port, at, airtime, frames),
                Output::Release { port, .. } => {
                    let Seat { band, place } = self.seats[station][usize::from(port.0)];
                    self.bands[band].unkey(at, place);
                }
                // These ports have neither sound nor a controller.
                _ => {}
            }
        }
        let wanted = self.homes.station(station).next_wakeup();
        match wanted {
            Some((wanted, _)) => self.plan(station, wanted.max(at)),
            None => self.due[station] = None,
        }
    }

    fn reception(&self, q: Question) -> Reception {
        let place = |station: usize| {
            let seat = self.seats[station].iter().find(|s| s.band == q.band);
            seat.map_or(usize::MAX, |s| s.place)
        };
        let ns = |ms: u64| ms.saturating_mul(1_000_000);
        let time = ns(q.start_ms)..ns(q.end_ms);
        self.bands[q.band].reception(place(q.from), place(q.to), time)
    }
}
