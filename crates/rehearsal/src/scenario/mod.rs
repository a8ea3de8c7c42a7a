//! A scenario: the bands, the stations on them, the people at the stations, and what the whole
//! promises. Read from a TOML file that anybody can copy and change.

use dunlin_ax25::CallSign;
use dunlin_clock::Duration;
use dunlin_mail::Address;
use dunlin_mail::file::Head;
use dunlin_station::StationConfig;

mod embedded;
mod explain;
mod quantity;
mod read;
mod read_people;
mod settings;

pub use embedded::{EMBEDDED, Embedded};

/// The most bands of a scenario.
pub const MOST_BANDS: usize = 8;
/// The most stations of a scenario.
pub const MOST_STATIONS: usize = 48;

/// Everything that a rehearsal needs.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// What people see as its name.
    pub title: String,
    /// Seed if none is asked for.
    pub seed: u64,
    /// How long it takes if nothing else is asked for.
    pub lasts: Duration,
    /// Number of the operator's own station.
    pub operator: usize,
    /// The bands. Their seeds are set when a rehearsal begins.
    pub bands: Vec<dunlin_air::BandConfig>,
    /// The stations. Their seeds are set when a rehearsal begins.
    pub stations: Vec<Member>,
    /// The people at the stations.
    pub people: Vec<PersonPlan>,
    /// What must have come true at the end.
    pub promises: Vec<Promise>,
}

/// One station and where its ports are on the air.
#[derive(Clone, Debug)]
pub struct Member {
    /// What the engine needs to know.
    pub config: StationConfig,
    /// One sentence about it for people; may be empty.
    pub about: String,
    /// For each port in order: the band, and the station's number on that band.
    pub seats: Vec<Seat>,
}

/// Where a port is on the air.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seat {
    /// Number of the band.
    pub band: usize,
    /// Number of the station on the band.
    pub place: usize,
}

/// One person at a station.
#[derive(Clone, Debug, PartialEq)]
pub struct PersonPlan {
    /// Name for the timeline.
    pub name: String,
    /// Number of the station.
    pub station: usize,
    /// What the person does, in order.
    pub does: Vec<Step>,
    /// The pause after which all of it begins again; `None` = it is done once.
    pub repeat: Option<Duration>,
    /// How often a call is tried, the first time included, 1 to 20.
    pub tries: u32,
    /// Pause before the next try; half of it may come on top by chance.
    pub pause: Duration,
    /// Time to think before a line is written; as much may come on top by chance.
    pub thinks: Duration,
    /// Whether the person takes every file that is offered.
    pub takes_files: bool,
    /// What the person says when something is said to it.
    pub answers: Vec<Answer>,
}

/// One thing that a person does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Does nothing for a while.
    Wait {
        /// How long.
        time: Duration,
        /// Up to this much longer, by chance.
        spread: Duration,
    },
    /// Opens a talk and waits until it is open.
    Call {
        /// The station to call.
        to: CallSign,
        /// Number of the port to call on.
        port: u8,
        /// Digipeaters on the way.
        via: Vec<CallSign>,
        /// How long to wait for it.
        patience: Duration,
    },
    /// Writes a line in the talk.
    Say {
        /// The line.
        text: String,
    },
    /// Waits until a line with this text has come in the talk.
    Await {
        /// The text, as written; upper and lower case are not told apart.
        text: String,
        /// How long to wait for it.
        patience: Duration,
    },
    /// Ends the talk and waits until it has ended.
    Close,
    /// Writes a message at the station.
    Write {
        /// To whom.
        to: Address,
        /// Its title.
        title: String,
        /// Its text, one line.
        text: String,
    },
    /// Sends one frame to all.
    SayToAll {
        /// Number of the port.
        port: u8,
        /// The address.
        to: CallSign,
        /// Digipeaters on the way.
        via: Vec<CallSign>,
        /// The text.
        text: String,
    },
}

/// What a person says when a line with a certain text comes in a talk that another opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// The text in the line; upper and lower case are not told apart. Empty = any line.
    pub to: String,
    /// The line to say; line breaks in it make several. Empty = nothing.
    pub say: String,
    /// Whether the talk is ended after it.
    pub close: bool,
    /// How often in one talk, 1 to 100.
    pub times: u32,
    /// A file to offer besides, and what it holds.
    pub file: Option<(Head, String)>,
}

/// What must have come true at the end. Judged only by what went over the air and what came
/// out at the stations, never by the inner state of an engine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Promise {
    /// A talk carried text, every octet as it was written.
    Delivered {
        /// The station that called.
        from: CallSign,
        /// The station that was reached in the end.
        to: CallSign,
        /// The station that carried the talk across bands; `None` = they spoke directly.
        through: Option<CallSign>,
        /// Text must also have come back.
        both_ways: bool,
        /// Talks in which it must be so.
        at_least: u64,
    },
    /// Frames of a station were read by another.
    Heard {
        /// The sender.
        station: CallSign,
        /// The reader.
        by: CallSign,
        /// Frames.
        at_least: u64,
    },
    /// A station never read a frame that another one sent directly.
    NeverHeard {
        /// The sender.
        station: CallSign,
        /// Who must not read it.
        by: CallSign,
    },
    /// A station opened talks with another that were answered.
    Talked {
        /// The station that called.
        from: CallSign,
        /// The station that was called.
        to: CallSign,
        /// Talks.
        at_least: u64,
    },
    /// Frames were read on a band, all stations together.
    Decoded {
        /// Number of the band.
        band: usize,
        /// Readings of frames.
        at_least: u64,
    },
    /// Of the frames that nothing but noise could spoil, this share was read on a band.
    ReadShare {
        /// Number of the band.
        band: usize,
        /// Per cent, 0 to 100.
        at_least: u64,
    },
    /// Frames were lost for a reason; a scenario that shows hidden stations must have some.
    Lost {
        /// Number of the band.
        band: usize,
        /// The reason.
        why: Loss,
        /// Frames times receivers.
        at_least: u64,
    },
    /// A crossing was used from end to end.
    Crossed {
        /// The station that carries it.
        by: CallSign,
        /// Times.
        at_least: u64,
    },
    /// A person came to the end of what it does.
    Finished {
        /// The person's name.
        person: String,
        /// Times.
        at_least: u64,
    },
    /// Every talk that ended says in words how.
    WordsAtEveryEnd,
}

/// Why a station within reach did not read a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Loss {
    /// It transmitted itself meanwhile.
    OwnTransmission,
    /// Another transmission was to be heard there meanwhile.
    Collision,
    /// Nothing else was on the air: noise, fading or distortion.
    Noise,
}

impl Loss {
    /// All reasons, in the order in which people see them.
    pub const ALL: [Loss; 3] = [Loss::Noise, Loss::Collision, Loss::OwnTransmission];

    /// The reason in few words.
    pub fn words(self) -> &'static str {
        match self {
            Loss::OwnTransmission => "own transmission",
            Loss::Collision => "collision",
            Loss::Noise => "noise",
        }
    }
}

impl Scenario {
    /// The number of the station with this call sign, SSID included.
    pub fn station(&self, call: CallSign) -> Option<usize> {
        self.stations.iter().position(|m| m.config.call == call)
    }

    /// Whether a port of `station` uses `call`, be it the station's, a port's, a digipeater's or
    /// a crossing's call sign.
    pub fn uses(&self, station: usize, call: CallSign) -> bool {
        let Some(member) = self.stations.get(station) else {
            return false;
        };
        let config = &member.config;
        config.call == call
            || config
                .ports
                .iter()
                .any(|p| p.call == call || p.digipeat.contains(&call))
            || config
                .crossings
                .iter()
                .any(|c| c.call == call || c.far_call == call)
    }

    /// The station that uses `call`, as [`Scenario::uses`] says.
    pub fn owner(&self, call: CallSign) -> Option<usize> {
        (0..self.stations.len()).find(|&s| self.uses(s, call))
    }
}
