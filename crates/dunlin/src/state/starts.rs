//! How earlier runs ended, and the brake on a station that dies again and again: each start
//! after a bad end listens longer before it may transmit, and at last one does not transmit
//! at all. Counted in starts and not in hours, because after a power cut many small
//! computers do not know what time it is.

use anyhow::Result;
use dunlin_clock::{Duration, WallTime};
use serde::{Deserialize, Serialize};

use super::StateDir;

const NAME: &str = "starts.json";
/// A run of this length has proved itself: the count begins anew.
pub const PROVED_AFTER: Duration = Duration::from_secs(30 * 60);
/// With so many bad ends in a row the station starts stopped.
const STOPPED_AFTER: u32 = 5;
/// The longest listening time that the brake asks for.
const LONGEST_SETTLING: Duration = Duration::from_secs(30 * 60);
/// Where the doubling begins if the plan asks for less.
const LEAST_SETTLING: Duration = Duration::from_secs(30);

/// Whether a start was ever noted.
pub(super) fn exists(state: &StateDir) -> bool {
    state.path().join(NAME).exists()
}

/// What is known of earlier runs.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Starts {
    /// Starts altogether.
    pub starts: u64,
    /// Runs in a row that neither were ended by a person nor lasted long.
    pub bad_ends: u32,
    /// The run goes on, or ended without being told.
    pub running: bool,
    /// When it began.
    pub began: WallTime,
}

/// What the brake asks of this start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Brake {
    /// Nothing.
    Free,
    /// Listen at least so long before the first transmission.
    Listen(Duration),
    /// Do not transmit until a person has started it.
    Stopped,
}

impl Starts {
    /// Notes a start. A record that cannot be read is begun anew.
    ///
    /// # Errors
    /// The record cannot be written.
    pub fn begin(state: &StateDir, now: WallTime) -> Result<Starts> {
        let mut starts: Starts = state.read(NAME).ok().flatten().unwrap_or_default();
        starts.starts += 1;
        starts.bad_ends = match starts.running {
            true => starts.bad_ends.saturating_add(1),
            false => 0,
        };
        starts.running = true;
        starts.began = now;
        state.write(NAME, &starts)?;
        Ok(starts)
    }

    /// Notes that the run has lasted long enough to count as good.
    ///
    /// # Errors
    /// The record cannot be written.
    pub fn proved(&mut self, state: &StateDir) -> Result<()> {
        self.bad_ends = 0;
        state.write(NAME, self)
    }

    /// A person has looked after the station: earlier ends count no longer.
    ///
    /// # Errors
    /// The record cannot be written.
    pub fn forgive(state: &StateDir) -> Result<()> {
        let mut starts: Starts = state.read(NAME)?.unwrap_or_default();
        starts.bad_ends = 0;
        starts.running = false;
        state.write(NAME, &starts)
    }

    /// Notes that the run ended in good order.
    ///
    /// # Errors
    /// The record cannot be written.
    pub fn end(&mut self, state: &StateDir) -> Result<()> {
        self.running = false;
        self.bad_ends = 0;
        state.write(NAME, self)
    }

    /// What follows from the earlier ends; `settle` is what the plan asks for anyway.
    pub fn brake(&self, settle: Duration) -> Brake {
        match self.bad_ends {
            0 => Brake::Free,
            n if n >= STOPPED_AFTER => Brake::Stopped,
            n => {
                let longer = settle.max(LEAST_SETTLING) * 2_u32.pow(n);
                Brake::Listen(longer.min(LONGEST_SETTLING))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn start(state: &StateDir) -> Starts {
        Starts::begin(state, WallTime(1)).expect("written")
    }

    #[test]
    fn each_bad_end_makes_the_next_start_listen_longer_and_the_last_stops() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        let settle = Duration::from_secs(60);
        assert_eq!(start(&state).brake(settle), Brake::Free);
        let listens: Vec<Brake> = (0..5).map(|_| start(&state).brake(settle)).collect();
        let secs = |s| Brake::Listen(Duration::from_secs(s));
        assert_eq!(
            listens,
            [secs(120), secs(240), secs(480), secs(960), Brake::Stopped]
        );
    }

    #[test]
    fn a_good_end_or_a_long_run_frees_it() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        start(&state);
        let mut second = start(&state);
        assert_eq!(second.bad_ends, 1);
        second.proved(&state).expect("written");
        assert_eq!(start(&state).bad_ends, 1);
        let mut fourth = start(&state);
        assert_eq!(fourth.bad_ends, 2);
        fourth.end(&state).expect("written");
        assert_eq!(start(&state).bad_ends, 0);
    }

    #[test]
    fn a_damaged_record_is_begun_anew() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        std::fs::write(dir.path().join(NAME), "no").expect("spoiled");
        assert_eq!(start(&state).starts, 1);
    }
}
