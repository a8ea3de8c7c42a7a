//! A crowd: many made-up stations on one band of frames, with people who write to each other by
//! rules of chance. Everything is drawn from the seed: where the stations are, who hears whom, who
//! writes when and how much. Each station is the engine, as everywhere.

mod figures;
mod layout;
mod users;

use dunlin_air::frames::{FrameBand, FrameTally};
use dunlin_clock::{Chance, Duration, Instant, WallTime};
use dunlin_station::{Beacon, PortConfig, Station, StationConfig};

use crate::driver::BeginError;
use crate::scenario::Seat;
use crate::world::{FrameWorld, OnBands, without_modem};

pub use figures::{CrowdFigures, jain};
pub use layout::Layout;
use users::Users;
pub use users::{Steady, Traffic};

/// The most stations of a crowd.
pub const MOST_CROWD: usize = 20_000;

/// What a crowd consists of.
#[derive(Clone, Debug, PartialEq)]
pub struct CrowdPlan {
    /// How many stations, 2 to [`MOST_CROWD`].
    pub stations: usize,
    /// Where all chance comes from.
    pub seed: u64,
    /// The port that each of them has. Call signs, beacons and medium are put in here.
    pub port: PortConfig,
    /// Where they are.
    pub layout: Layout,
    /// What their people do.
    pub traffic: Traffic,
}

/// A crowd whose time passes.
#[derive(Debug)]
pub struct Crowd {
    world: FrameWorld,
    users: Users,
    now: Instant,
    /// Share of the pairs of stations that a third hears and that do not notice each other.
    hidden: f64,
    neighbours: f64,
}

impl Crowd {
    /// Everything at its place, time zero.
    ///
    /// # Errors
    /// A port that cannot be, or a number of stations that is out of range.
    pub fn begin(plan: &CrowdPlan) -> Result<Crowd, BeginError> {
        let n = plan.stations.clamp(2, MOST_CROWD);
        let placed = layout::place(plan, n);
        let band = FrameBand::new(&placed.band).map_err(|error| BeginError::Band {
            band: placed.band.name.clone(),
            error,
        })?;
        let mut stations = Vec::with_capacity(n);
        for number in 0..n {
            let config = station(plan, number);
            let call = config.call.to_string();
            let mut made = Station::new(config).map_err(|error| BeginError::Station {
                station: call,
                error,
            })?;
            made.leave_unwatched();
            stations.push(made);
        }
        let seats = (0..n).map(|place| vec![Seat { band: 0, place }]).collect();
        Ok(Crowd {
            hidden: placed.hidden,
            neighbours: placed.neighbours,
            users: Users::new(plan.traffic.clone(), plan.seed, placed.partners),
            world: FrameWorld::new(vec![band], stations, seats),
            now: Instant::ZERO,
        })
    }

    /// The time reached.
    pub fn now(&self) -> Instant {
        self.now
    }

    /// Lets time pass up to `until`.
    pub fn run(&mut self, until: Instant) {
        loop {
            let next = self.world.next();
            let act = self.users.next();
            let at = match (next, act) {
                (Some(n), Some(a)) => n.min(a),
                (Some(only), None) | (None, Some(only)) => only,
                (None, None) => break,
            };
            if at > until {
                break;
            }
            self.now = at;
            if next.is_some_and(|n| act.is_none_or(|a| n <= a)) {
                self.world.step();
            } else {
                self.users.act(at, &mut self.world);
            }
            while let Some((station, at, event)) = self.world.homes_mut().told() {
                self.users.notice(at, station, &event);
            }
        }
        self.now = until;
    }

    /// Inputs that stations were given so far: edges of carriers, frames, ends of transmissions
    /// and wake-ups.
    pub fn inputs(&self) -> u64 {
        self.world.inputs()
    }

    /// What the frames came to.
    pub fn tally(&self) -> FrameTally {
        self.world.band(0).tally()
    }

    /// What it has come to so far.
    pub fn figures(&self) -> CrowdFigures {
        figures::of(self)
    }
}

/// Station `number` of a crowd.
fn station(plan: &CrowdPlan, number: usize) -> StationConfig {
    let call = users::call(number);
    let mut chance = Chance::stream(plan.seed, &format!("crowd/station/{number}"));
    let mut port = plan.port.clone();
    port.call = call;
    port.digipeat = Vec::new();
    port.beacons = Vec::new();
    if let Some(interval) = plan.traffic.beacon_every {
        port.beacons.push(Beacon {
            to: users::BEACON.parse().expect("a call sign"),
            via: Vec::new(),
            interval,
            first_delay: interval.mul_f64(chance.unit()),
            text: format!("{call}: a made-up station, all well, wind light"),
        });
    }
    let mut config = StationConfig {
        call,
        greeting: String::new(),
        ports: vec![port],
        crossings: Vec::new(),
        node: None,
        mail: None,
        files: Default::default(),
        stops: Vec::new(),
        wall_at_zero: WallTime::default(),
        seed: chance.bits(),
    };
    without_modem(&mut config);
    config
}

/// The mean of some times, in seconds; none of none.
fn mean(times: &[Duration]) -> Option<f64> {
    let sum: f64 = times.iter().map(Duration::as_secs_f64).sum();
    (!times.is_empty()).then(|| sum / times.len() as f64)
}
