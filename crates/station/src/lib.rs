//! The station engine: one machine without input or output of its own.
//!
//! A driver feeds it samples, the passing of time and what people ask for, and carries out
//! what it puts out. The same engine runs on real radios, on simulated bands and over
//! recordings; nothing in it knows which. The loop of every driver is the same:
//!
//! 1. wait for the earliest of: samples, a command, the end of a transmission,
//!    [`Station::next_wakeup`];
//! 2. give that one thing to [`Station::handle`] or [`Station::command`];
//! 3. drain [`Station::poll`] until it is empty and act on each [`Output`];
//! 4. note [`Station::next_wakeup`] and begin again.

pub mod gate;
pub mod port;

mod access;
mod channel;
mod check;
mod command;
mod config;
mod controller;
mod crossing;
mod digipeat;
mod ending;
mod engine;
mod event;
mod files;
mod following;
mod heard;
mod identity;
mod links;
mod occupancy;
mod pace;
mod paths;
mod peers;
mod rejects;
mod strip;
mod talk;
mod words;

pub use access::Access;
pub use dunlin_ax25::CallSign;

pub use command::{Command, Refusal, Reply};
pub use config::{
    Beacon, ConfigError, CrossingRule, DigipeatLimits, MailRule, NodeRule, Notes, Partner,
    PortConfig, StationConfig, Timing, WhoMayCross,
};
pub use digipeat::MuteView;
pub use engine::{
    ClientView, Concluded, Conclusion, Draft, DraftError, FormalDraft, FormalReckoning, Input,
    Output, Reckoning, RouteCost, Station, WakeupReason,
};
pub use event::{
    Block, BlockKind, CrossingHalf, CrossingId, CrossingView, Direction, Event, GuessView,
    HeardView, LineId, Note, PartnerView, PortId, PortView, Snapshot, TalkId, TalkLine, TalkState,
    TalkView, Urgency,
};
pub use files::{FileAnswer, FileAsk, FileDecision, FileId, FileRule, FileState, FileView};
pub use pace::PaceView;
pub use paths::{LegView, Proof, WayThatWorked, WayView, WaysView};
pub use rejects::{RejectKind, RejectView};
