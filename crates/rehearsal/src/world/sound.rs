//! Stations on bands that carry sound. Time advances in blocks. In each, in this order: every
//! station is woken at the exact times that it asked for; the bands carry sound; each station
//! gets the end of its transmission and what it heard.

use dunlin_air::{Band, Reception};
use dunlin_clock::{Duration, Instant, SampleCount};
use dunlin_station::{Command, Input, Output, PortId, Refusal, Reply, Station};

use super::{MOST_WAKEUPS, Telling, Told, port_id};
use crate::ledger::Question;
use crate::scenario::Seat;

/// See the module's description.
#[derive(Debug)]
pub(crate) struct SoundWorld {
    bands: Vec<Band>,
    stations: Vec<Station>,
    /// By station and port.
    seats: Vec<Vec<Seat>>,
    /// By station: the latest moment it was told of; its time must not go back.
    reached: Vec<Instant>,
    told: Telling,
}

impl SoundWorld {
    pub(crate) fn new(bands: Vec<Band>, stations: Vec<Station>, seats: Vec<Vec<Seat>>) -> Self {
        SoundWorld {
            bands,
            reached: vec![Instant::ZERO; stations.len()],
            stations,
            seats,
            told: Telling::new(),
        }
    }

    /// Lets time pass up to `until`.
    pub(crate) fn block(&mut self, until: Instant) {
        for station in 0..self.stations.len() {
            self.wake(station, until);
        }
        for band in &mut self.bands {
            let target = band.rate().samples_in(until.since(Instant::ZERO));
            let n = target.saturating_sub(band.now().0);
            band.step(usize::try_from(n).unwrap_or(0));
        }
        for station in 0..self.stations.len() {
            self.hear(station, until);
        }
    }

    /// The next thing that a station told.
    pub(crate) fn poll(&mut self) -> Option<Told> {
        self.told.pop_front()
    }

    pub(crate) fn command(
        &mut self,
        station: usize,
        now: Instant,
        command: Command,
    ) -> Result<Reply, Refusal> {
        let answer = self.stations[station].command(now, command);
        self.drain(station, now);
        answer
    }

    pub(crate) fn station(&self, station: usize) -> &Station {
        &self.stations[station]
    }

    pub(crate) fn reception(&self, q: Question) -> Reception {
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

    /// Wakes a station at each time that it asks for, up to `until`.
    fn wake(&mut self, station: usize, until: Instant) {
        for _ in 0..MOST_WAKEUPS {
            let Some((at, _)) = self.stations[station].next_wakeup() else {
                return;
            };
            if at >= until {
                return;
            }
            self.give(station, at, Input::Wakeup);
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
            self.stations[station].handle(until, input);
            self.drain(station, until);
        }
    }

    /// Gives a station one input, and carries out what it puts out.
    fn give(&mut self, station: usize, at: Instant, input: Input<'_>) {
        let at = at.max(self.reached[station]);
        self.reached[station] = at;
        self.stations[station].handle(at, input);
        self.drain(station, at);
    }

    /// Carries out all that a station puts out at `at`.
    fn drain(&mut self, station: usize, at: Instant) {
        while let Some(output) = self.stations[station].poll() {
            match output {
                Output::Transmit { port, samples } => self.transmit(station, port, samples, at),
                Output::Event(event) => self.told.push_back((station, at, event)),
                // No port of a rehearsal has a controller, these have sound, and nothing is cut
                // short on simulated bands.
                Output::SendFrames { .. } | Output::OnBand { .. } | Output::Release { .. } => {}
            }
        }
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

/// When sample number `count` of a band begins.
fn moment(band: &Band, count: SampleCount) -> Instant {
    Instant::ZERO + band.rate().duration_of(count.0)
}
