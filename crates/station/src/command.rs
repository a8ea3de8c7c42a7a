//! What people ask of the station, and what it answers at once.

use dunlin_ax25::CallSign;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::event::{CrossingId, PortId, TalkId};
use crate::files::{FileDecision, FileId};
use crate::gate::TestSignal;

/// Something a person asks for. Tagged in JSON by `do`: `{"do": "say", "talk": 3, "text": "…"}`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "snake_case", deny_unknown_fields)]
pub enum Command {
    /// Call a station and open a talk with it.
    OpenTalk {
        /// The port to call on.
        port: PortId,
        /// The station to call.
        to: CallSign,
        /// Digipeaters on the way, in order; at most [`crate::Station::MOST_REPEATERS`].
        #[serde(default)]
        via: Vec<CallSign>,
    },
    /// Write a line to the other end of a talk. The line end of the air is added here.
    Say {
        /// The talk.
        talk: TalkId,
        /// The text; line breaks in it make several lines.
        text: String,
    },
    /// End a talk once all that was written has arrived. A talk that still calls gives up.
    CloseTalk {
        /// The talk.
        talk: TalkId,
    },
    /// Put an ended talk away.
    PutAway {
        /// The talk.
        talk: TalkId,
    },
    /// Offer a file to the other end of a talk. Whoever keeps files has it already.
    OfferFile {
        /// The talk.
        talk: TalkId,
        /// Its name, as it may be stored there.
        name: String,
        /// The kind of media, as `image/png`.
        #[serde(default)]
        media: Option<String>,
        /// Octets of it.
        size: u64,
        /// Its SHA-256, in hex.
        hash: String,
    },
    /// Take a file that the other end offers, or refuse it, also while it comes.
    AnswerFile {
        /// The talk.
        talk: TalkId,
        /// The file.
        file: FileId,
        /// What is decided.
        decision: FileDecision,
        /// Words for the other end, at most 120 octets; may be empty.
        #[serde(default)]
        words: String,
    },
    /// Stop a file of either side. What has arrived of it is kept for a later talk.
    StopFile {
        /// The talk.
        talk: TalkId,
        /// The file.
        file: FileId,
        /// Words for the other end, at most 120 octets; may be empty.
        #[serde(default)]
        words: String,
    },
    /// Cut a crossing: both halves are ended at once.
    CutCrossing {
        /// The crossing.
        crossing: CrossingId,
    },
    /// Write a line to the visitor of a crossing or of the node; the other end does not get it.
    SayToVisitor {
        /// The crossing.
        crossing: CrossingId,
        /// The text.
        text: String,
    },
    /// Call a partner of the mail as soon as possible.
    CallPartner {
        /// Its call sign and SSID.
        partner: CallSign,
    },
    /// End the exchange, or the call, that goes on with a partner of the mail. Its link is released, and what was under
    /// way goes on another time.
    EndPartner {
        /// Its call sign and SSID.
        partner: CallSign,
        /// Why, for the partner; may be empty.
        #[serde(default)]
        why: String,
    },
    /// Send one frame to all, unacknowledged.
    SayToAll {
        /// The port to send on.
        port: PortId,
        /// The address to use, such as `CQ`.
        to: CallSign,
        /// Digipeaters on the way, in order.
        #[serde(default)]
        via: Vec<CallSign>,
        /// The text, at most the port's information length.
        text: String,
    },
    /// Release every key at once and hold whatever is queued, until a person starts it again.
    Stop {
        /// The port; none = the whole station.
        #[serde(default)]
        port: Option<PortId>,
        /// Who asks.
        by: String,
        /// Why; may be empty.
        #[serde(default)]
        why: String,
    },
    /// Allow again what was stopped.
    Start {
        /// The port; none = the whole station.
        #[serde(default)]
        port: Option<PortId>,
        /// Who asks.
        by: String,
    },
    /// Send a test signal.
    Test {
        /// The port.
        port: PortId,
        /// Which.
        signal: TestSignal,
        /// For how long, seconds, 1 to 30.
        seconds: u8,
    },
    /// End a test signal before its time.
    EndTest {
        /// The port.
        port: PortId,
    },
    /// Repeat and carry nothing for somebody for a while, whatever the SSID; or again.
    Mute {
        /// Who.
        call: CallSign,
        /// For how long, minutes, at most a day; 0 = no longer muted.
        minutes: u16,
        /// Who asks; the page fills in who is logged in.
        #[serde(default)]
        by: String,
        /// Why; may be empty.
        #[serde(default)]
        why: String,
    },
    /// Send the call sign now.
    Identify {
        /// The port.
        port: PortId,
    },
}

/// What a command that was carried out answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reply {
    /// Nothing more to say.
    Done,
    /// The talk that was opened.
    Talk(TalkId),
    /// The file that is offered.
    File(FileId),
    /// Started; but another stop still holds, of the station or of ports. The note of the
    /// start names it, and so does the list of stops.
    StillStopped,
}

/// Why a command was not carried out. Each says what to do instead.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Refusal {
    /// The port does not exist.
    #[error("there is no port number {0}; the plan has {1}, counted from 0")]
    NoSuchPort(u8, usize),
    /// The port has no way to transmit.
    #[error("port {0} is receive-only; give it an output in the station plan to transmit")]
    ReceiveOnly(String),
    /// The talk does not exist or was put away.
    #[error("there is no talk number {0}; open one first")]
    NoSuchTalk(u64),
    /// The talk has ended or ends.
    #[error("this talk with {0} has ended or is ending; open a new one to go on")]
    TalkEnded(CallSign),
    /// A talk that has not ended cannot be put away.
    #[error("this talk with {0} is still going on; close it first")]
    TalkGoesOn(CallSign),
    /// A talk with this station under the same call signs exists.
    #[error("a talk with {0} on this port is already open; go on there, or close it first")]
    AlreadyTalking(CallSign),
    /// A station cannot call itself.
    #[error("{0} is this station's own call sign; give the call sign of another station")]
    OwnCall(CallSign),
    /// Nobody with this call sign is muted.
    #[error("{0} is not muted")]
    NotMuted(CallSign),
    /// Too many digipeaters.
    #[error("{0} digipeaters are too many; the address field holds {1}")]
    TooManyRepeaters(usize, usize),
    /// A path that no frame could take.
    #[error("{0} cannot stand in this path: {1}. Leave it out")]
    BadPath(CallSign, &'static str),
    /// The station has all the talks that it can hold.
    #[error("{0} talks are open, as many as this station holds; close one first")]
    TooManyTalks(usize),
    /// The text is longer than what may wait in one talk.
    #[error("{0} octets are too much at once; {1} may wait in one talk. Send less, or wait")]
    TooMuchText(usize, usize),
    /// More lines than may wait.
    #[error("{0} lines are too many at once; {1} may wait in one talk. Send less, or wait")]
    TooManyLines(usize, usize),
    /// The text of a frame to all is too long.
    #[error("{0} octets do not fit into one frame of this port; {1} do. Shorten the text")]
    TooLong(usize, usize),
    /// The frame would hold the key longer than the port allows.
    #[error("this takes {0} on the air, longer than the key of this port may be down; shorten it")]
    TooLongForKey(String),
    /// Nothing to send.
    #[error("the text is empty; write something")]
    NoText,
    /// Text with characters that could steer the other end's terminal.
    #[error("the text holds a control character (code {0}); take it out")]
    ControlCharacter(u32),
    /// The port's queue is full.
    #[error("{0} frames wait on this port already, as many as it holds; wait until some are sent")]
    QueueFull(usize),
    /// Nothing is stopped that could be started.
    #[error("nothing is stopped; there is nothing to start")]
    NothingStopped,
    /// Only ports are stopped, not the station.
    #[error("the station itself is not stopped; these ports are: {0}. Start them by name")]
    OnlyPortsStopped(String),
    /// The port is not stopped.
    #[error("port {0} is not stopped; there is nothing to start")]
    PortNotStopped(String),
    /// The port is not stopped, but the whole station is.
    #[error("port {0} is not stopped by itself; the whole station is. Start the station")]
    OnlyStationStopped(String),
    /// No mail is exchanged with this station.
    #[error("{0} is no partner of the mail; name it in the station plan")]
    NoPartner(CallSign),
    /// An exchange goes on.
    #[error("an exchange with {0} is going on already")]
    Exchanging(CallSign),
    /// No exchange goes on.
    #[error("no exchange with {0} is going on; there is nothing to end")]
    NotExchanging(CallSign),
    /// The file cannot be offered.
    #[error("this file is not offered: {0}")]
    NotOffered(String),
    /// The file does not exist, is forgotten, or is another talk's.
    #[error("there is no file number {0} in this talk")]
    NoSuchFile(u64),
    /// The file is stored, refused or stopped.
    #[error("nothing more can be done about this file: {0}")]
    FileSettled(String),
    /// An answer to what this station offers itself, or one that was given before.
    #[error("this file waits for no answer; it may be stopped")]
    NotAsked,
    /// The crossing does not exist.
    #[error("there is no crossing number {0}; it may have ended")]
    NoSuchCrossing(u64),
    /// Nothing may be sent now, and a test waits for nothing.
    #[error("no test signal now: {0}")]
    OutOfService(String),
    /// A test signal of no length, or too long.
    #[error("a test signal of {0} s cannot be sent; ask for 1 to {1} s")]
    TestLength(u8, u8),
    /// One test signal at a time.
    #[error("a test signal on {0} waits or is being sent; end it first")]
    TestGoesOn(String),
    /// There is no test signal.
    #[error("no test signal waits or is being sent on {0}")]
    NoTest(String),
    /// A steady tone of a mode without tones.
    #[error("{0} has no tones, and a radio passes no steady level; ask for alternating instead")]
    NoTones(&'static str),
    /// The port has no sound of its own.
    #[error(
        "the controller of {0} makes the sound itself; only a repeated frame can be sent there"
    )]
    ControllerMakesSound(String),
    /// A controller takes nothing back.
    #[error(
        "the controller of {0} has the frames and takes none back; switch the radio off to end it now"
    )]
    TestHandedOver(String),
    /// The key may not be down long enough for any test signal.
    #[error(
        "the key of {0} may not be down long enough for a test signal; raise the limit in the station plan"
    )]
    NoRoomForTest(String),
}
