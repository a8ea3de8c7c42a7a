//! Stations on bands that carry sound. Time advances in blocks. In each, in this order: every
//! station is woken at the exact times that it asked for; the bands carry sound; each station
//! gets the end of its transmission and what it heard.

use dunlin_air::{Band, Reception};
use dunlin_clock::{Duration, Instant, SampleCount};
use dunlin_station::{Input, Output, PortId, Station};

use super::{Homes, MOST_WAKEUPS, OnBands, port_id};
use crate::ledger::Question;
use crate::scenario::Seat;

/// See the module's description.
#[derive(Debug)]
pub(crate) struct SoundWorld {
    bands: Vec<Band>,
    homes: Homes,
    /// By station and port.
    seats: Vec<Vec<Seat>>,
    /// By station: the latest moment it was told of; its time must not go back.
    reached: Vec<Instant>,
}

impl SoundWorld {
    pub(crate) fn new(bands: Vec<Band>, stations: Vec<Station>, seats: Vec<Vec<Seat>>) -> Self {
        let mut world = SoundWorld {
            bands,
            reached: vec![Instant::ZERO; stations.len()],
            homes: Homes::new(stations),
            seats,
        };
        for station in 0..world.homes.count() {
            world.drain(station, Instant::ZERO);
        }
        world
    }

    /// Lets time pass up to `until`.
    pub(crate) fn block(&mut self, until: Instant) {
        for station in 0..self.homes.count() {
            self.wake(station, until);
        }
        for band in &mut self.bands {
            let target = band.rate().samples_in(until.since(Instant::ZERO));
            let n = target.saturating_sub(band.now().0);
            band.step(usize::try_from(n).unwrap_or(0));
        }
        for station in 0..self.homes.count() {
            self.hear(station, until);
        }
    }

    /// Wakes a station at each time that it asks for, up to `until`, and gives it what its keeper has done.
    fn wake(&mut self, station: usize, until: Instant) {
        for _ in 0..MOST_WAKEUPS {
            let wake = self.homes.station(station).next_wakeup().map(|(at, _)| at);
            let done = self.homes.keeper_of(station);
            match (wake, done) {
                (wake, Some(at)) if at < until && wake.is_none_or(|wake| at <= wake) => {
                    let at = self.reach(station, at);
                    self.homes.keeper_done(station, at);
                    self.drain(station, at);
                }
                (Some(at), _) if at < until => self.give(station, at, Input::Wakeup),
                _ => return,
            }
        }
    }

    /// Gives a station the ends of its transmissions and what it heard.
    fn hear(&mut self, station: usize, until: Instant) {
        for port in 0..self.seats[station].len() {
            let Seat { band, place } = self.seats[station][port];
            let ended = self.bands[band]
                .finished()
                .iter()
                .find(|t| t.station == place);
            if let Some(end) = ended.map(|t| t.end) {
                let at = moment(&self.bands[band], end);
                self.give(
                    station,
                    at,
                    Input::Transmitted {
                        port: port_id(port),
                    },
                );
            }
        }
        for port in 0..self.seats[station].len() {
            let Seat { band, place } = self.seats[station][port];
            let samples = self.bands[band].heard(place);
            let input = Input::Samples {
                port: port_id(port),
                samples,
            };
            self.reached[station] = until;
            self.homes.give(station, until, input);
            self.drain(station, until);
        }
    }

    /// Gives a station one input, and carries out what it puts out.
    fn give(&mut self, station: usize, at: Instant, input: Input<'_>) {
        let at = self.reach(station, at);
        self.homes.give(station, at, input);
        self.drain(station, at);
    }

    /// The moment at which a station is told of something that was due at `at`.
    fn reach(&mut self, station: usize, at: Instant) -> Instant {
        let reached = &mut self.reached[station];
        *reached = at.max(*reached);
        *reached
    }

    fn transmit(&mut self, station: usize, port: PortId, samples: Vec<f32>, at: Instant) {
        let Seat { band, place } = self.seats[station][usize::from(port.0)];
        let air = &mut self.bands[band];
        let start = air.rate().samples_in(at.since(Instant::ZERO));
        let delay = u32::try_from(start.saturating_sub(air.now().0)).unwrap_or(0);
        // The place exists, and the engine's transmissions are far shorter than the air's limit.
        let keyed = air.key_after(place, delay, samples);
        debug_assert!(keyed.is_ok(), "{keyed:?}");
    }
}

impl OnBands for SoundWorld {
    fn homes(&self) -> &Homes {
        &self.homes
    }

    fn homes_mut(&mut self) -> &mut Homes {
        &mut self.homes
    }

    fn drain(&mut self, station: usize, at: Instant) {
        while let Some(output) = self.homes.poll(station, at) {
            // No port of a rehearsal has a controller, these have sound, and nothing is cut short
            // on simulated bands.
            if let Output::Transmit { port, samples } = output {
                self.transmit(station, port, samples, at);
            }
        }
    }

    fn reception(&self, q: Question) -> Reception {
        let band = &self.bands[q.band];
        let place = |station: usize| {
            let seat = self.seats[station].iter().find(|s| s.band == q.band);
            seat.map_or(usize::MAX, |s| s.place)
        };
        let sample = |ms| SampleCount(band.rate().samples_in(Duration::from_millis(ms)));
        band.reception(
            place(q.from),
            place(q.to),
            sample(q.start_ms)..sample(q.end_ms),
        )
    }
}

/// When sample number `count` of a band begins.
fn moment(band: &Band, count: SampleCount) -> Instant {
    Instant::ZERO + band.rate().duration_of(count.0)
}
