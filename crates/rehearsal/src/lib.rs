//! The rehearsal: many whole stations on simulated bands in virtual time, with people at them.
//!
//! ```text
//! scenario file ─ read ─► Scenario ─ begin ─► Rehearsal ─ step, poll ─► happenings, events
//!                                               │  stations: the engine, as on real radios
//!                                               │  bands:    simulated air, sample by sample, or
//!                                               │            whole frames by measured figures
//!                                               │  people:   scripted, at the stations
//!                                               └► ledgers ─► promises, summary
//! ```
//!
//! The [`Fidelity`] says how the bands carry what the stations send. All else is the same at both:
//! the engine, the people, the ledgers, the promises.
//!
//! Nothing here reads a clock, a file or the network, and nothing can key a radio. A scenario and
//! a seed give the same happenings each time, octet for octet. Whoever drives a [`Rehearsal`]
//! decides how fast its time passes:
//!
//! 1. call [`Rehearsal::step`] for each [`BLOCK`] of time, and [`Rehearsal::command`] for what the
//!    operator asks;
//! 2. drain [`Rehearsal::poll`] after each;
//! 3. at the end call [`Rehearsal::end`], drain once more, and take the [`Summary`].

pub mod ledger;
pub mod report;
pub mod timeline;

mod access_survey;
mod beginning;
mod crowd;
mod driver;
mod files;
mod happening;
mod people;
mod promises;
mod scenario;
mod summary;
mod world;

pub use access_survey::{AccessSurvey, Settings, Trial, best};
pub use crowd::{Crowd, CrowdFigures, CrowdPlan, Layout, MOST_CROWD, Steady, Traffic, jain};
pub use driver::{BLOCK, BeginError, Rehearsal, Told};
pub use happening::{Happening, Reception, SentFrame, Sorter, What};
pub use people::{Act, Person};
pub use promises::{Verdict, judge};
pub use scenario::{
    Answer, EMBEDDED, Embedded, Loss, MOST_BANDS, MOST_STATIONS, Member, PersonPlan, Promise,
    Scenario, Seat, Step,
};
pub use summary::{BandSummary, PersonSummary, Summary, TalkSummary};
pub use world::{Fidelity, KeeperDelays};
