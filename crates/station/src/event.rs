//! What the station tells people: one set of types for the page, the journal, the terminal
//! and the API. Each event carries the whole new state of one thing (a block, a station
//! heard, a talk …), so a listener that applies events in order to a [`Snapshot`] has what
//! a fresh snapshot would show, but for what a snapshot leaves out because of its limits
//! (old blocks, lines, notes, stations long unheard). Times are milliseconds on the engine's time line.

use dunlin_ax25::CallSign;
use dunlin_clock::Instant;
use serde::{Deserialize, Serialize};

use crate::digipeat::MuteView;
use crate::files::FileView;
use crate::gate::{AlarmView, GateView, Stop};
use crate::pace::PaceView;
use crate::port::HeardOn;
use crate::rejects::RejectView;

/// Which port: its position in the station plan, from 0.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct PortId(pub u8);

/// Which talk; never used twice in one run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TalkId(pub u64);

/// Which live crossing; never used twice in one run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CrossingId(pub u64);

/// Which exchange of mail; never used twice in one run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ExchangeId(pub u64);

/// Which line within a talk, counted from 0.
pub type LineId = u64;

/// Something that people may want to see. Externally tagged in JSON:
/// `{"block": {…}}`, `{"talk_line": {…}}` and so on.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(clippy::large_enum_variant)] // Short-lived; a box for each block would cost more.
pub enum Event {
    /// A block of a strip is new or has changed (same id: replace).
    Block(Block),
    /// The state of a port has changed.
    Port(PortView),
    /// A station was heard (same port and call: replace).
    Heard(HeardView),
    /// A talk is new or has changed (same id: replace).
    Talk(TalkView),
    /// A line of a talk is new or has changed (same talk and line: replace).
    TalkLine(TalkLine),
    /// A talk was put away and is shown no longer.
    TalkGone(TalkId),
    /// A crossing is new or has changed (same id: replace).
    Crossing(CrossingView),
    /// A sentence for the timeline: what happened or did not happen, and why.
    Note(Note),
    /// The gate of a port has changed (same port: replace).
    Gate(GateView),
    /// All that is stopped now (replace the whole list).
    Stops(Vec<Stop>),
    /// An alarm begins, changes or ends (same kind and port: replace; not active: remove).
    Alarm(AlarmView),
    /// Something received was not taken (same port and kind: replace).
    Reject(RejectView),
    /// A file of a talk is new or has changed (same id: replace). It goes with its talk.
    File(FileView),
    /// How it stands with a partner of the mail (same call sign: replace).
    Partner(PartnerView),
    /// What is known of letters here has changed: whoever shows them looks again.
    MailChanged,
}

/// What a block of a strip shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum BlockKind {
    /// A frame of another station, read without error.
    Heard,
    /// A frame that this station sent.
    Sent,
    /// Somebody sent a frame that could not be read; `why` says what speaks for what.
    Unreadable,
    /// Data tones were heard. Frames read in them are blocks of their own over it.
    Busy,
}

/// One block of a strip: something that occupied the channel of a port.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Block {
    /// Number of the block; unique in one run, growing.
    pub id: u64,
    /// The port.
    pub port: PortId,
    /// What it was.
    pub kind: BlockKind,
    /// When it began, ms.
    pub start_ms: u64,
    /// When it ended, ms; `None` while it lasts.
    pub end_ms: Option<u64>,
    /// Sender as on the air; empty if unknown.
    pub from: String,
    /// Addressee as on the air; empty if unknown.
    pub to: String,
    /// Digipeaters in order, an asterisk after those that have repeated the frame.
    pub via: Vec<String>,
    /// What kind of frame, in few words ("calls", "text 2", "has all before 3", "to all").
    pub what: String,
    /// One line that renders the whole frame.
    pub text: String,
    /// The octets without FCS, as lower-case hex in JSON; empty if nothing was read.
    #[serde(serialize_with = "hex")]
    pub octets: Vec<u8>,
    /// Level while it lasted, dB of full scale (RMS).
    pub level_dbfs: Option<f32>,
    /// Offset of the tones from nominal, Hz; positive = heard too high.
    pub offset_hz: Option<f32>,
    /// Low tone over high tone, dB.
    pub twist_db: Option<f32>,
    /// Signal to noise in the receiver's own bandwidth, dB.
    pub snr_db: Option<f32>,
    /// For what could not be read: the likely cause and its evidence. For a frame of our own:
    /// that it was broken off, and where its tones were sent and why, if they were moved. For a
    /// frame heard: what was done to read it, or that it was heard by another line than the
    /// port sends with.
    pub why: Option<String>,
    /// The line by which a frame was heard, such as `afsk1200`; `None` where that is not known, as
    /// of what the journal keeps.
    pub line: Option<String>,
    /// On which inputs a frame was heard, on ports with two.
    pub heard_on: Option<HeardOn>,
    /// Only of what could not be read: what it may have been. It is no frame; nothing acts on it.
    pub guess: Option<GuessView>,
}

/// A guess at what could not be read: its frame check is wrong. To be shown as such and never acted
/// on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GuessView {
    /// The supposed sender.
    pub from: String,
    /// One line that renders the whole guess.
    pub text: String,
    /// The octets without FCS, as lower-case hex in JSON.
    #[serde(serialize_with = "hex")]
    pub octets: Vec<u8>,
    /// Places of doubtful octets, from 0.
    pub doubtful: Vec<usize>,
    /// How likely it is that the addresses and the control field are right, 0 to 1.
    pub address: f32,
}

/// The state of one port.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PortView {
    /// The port.
    pub port: PortId,
    /// Its name in the station plan.
    pub name: String,
    /// The mode, such as `afsk1200`.
    pub mode: String,
    /// The call sign under which the operator uses the port.
    pub call: CallSign,
    /// Data tones are heard now.
    pub busy: bool,
    /// This station transmits on it now.
    pub transmitting: bool,
    /// Frames that wait to be sent.
    pub queued: usize,
    /// Why the first of them waits, and since when (ms); `None` if nothing waits.
    pub waits: Option<(u64, String)>,
    /// Level of the sound heard, dB of full scale (RMS), one value for about each second.
    pub level_dbfs: Option<f32>,
    /// Share of the last ten minutes in which the channel was occupied, 0 to 1.
    pub occupied: f32,
    /// Share of the last ten minutes in which this station transmitted, 0 to 1.
    pub own_share: f32,
    /// Whether the port can transmit at all (a receive-only port cannot).
    pub may_transmit: bool,
}

/// One station heard on one port.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HeardView {
    /// The port.
    pub port: PortId,
    /// Call sign as heard.
    pub call: String,
    /// Heard from the digipeater named here; `None` = heard direct within the last hour.
    pub by: Option<String>,
    /// First time, ms.
    pub first_ms: u64,
    /// Last time, ms.
    pub last_ms: u64,
    /// Frames.
    pub count: u64,
    /// Level of the last frame heard direct, dB of full scale (RMS).
    pub level_dbfs: Option<f32>,
    /// Tone offset of the last frame heard direct, Hz.
    pub offset_hz: Option<f32>,
    /// Low tone over high tone in the last frame heard direct, dB.
    pub twist_db: Option<f32>,
    /// Signal to noise of the last frame heard direct, dB.
    pub snr_db: Option<f32>,
    /// What it last said to all, escaped; empty if nothing.
    pub said: String,
    /// The line by which it was last heard direct, such as `afsk1200`; `None` where that is not
    /// known, as of what the journal keeps.
    pub line: Option<String>,
    /// What speaks against it understanding this port, and what to do.
    pub advice: Option<String>,
}

/// How a talk stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TalkState {
    /// We call and wait for an answer.
    Calling,
    /// Both ends are connected.
    Open,
    /// The other end is asked whether it is still there.
    Checking,
    /// We are ending it once everything written has arrived.
    Closing,
    /// It has ended; `words` says how.
    Ended,
}

/// One talk: a conversation with one other station, whatever its path.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TalkView {
    /// The talk.
    pub id: TalkId,
    /// The port it runs on.
    pub port: PortId,
    /// Our call sign in it.
    pub local: CallSign,
    /// The other station.
    pub remote: CallSign,
    /// Digipeaters on the way to it.
    pub via: Vec<CallSign>,
    /// They called us.
    pub incoming: bool,
    /// How it stands.
    pub state: TalkState,
    /// The same in a sentence, with what is known of the reason.
    pub words: String,
    /// Since when it stands so, ms.
    pub since_ms: u64,
    /// When it was opened, ms.
    pub opened_ms: u64,
    /// Written by us and not yet acknowledged, in octets.
    pub waiting_octets: usize,
    /// Tries of the frame now outstanding.
    pub retries: u32,
    /// When the other station was last heard in it, ms.
    pub last_heard_ms: Option<u64>,
    /// How text goes to it; `None` before it is connected, and of what the journal keeps.
    pub pace: Option<PaceView>,
}

/// Who wrote a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// This station wrote it.
    Sent,
    /// The other station wrote it.
    Received,
}

/// One line of a talk. A received line grows until its end has come (`complete`); a sent
/// line changes from waiting to acknowledged.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TalkLine {
    /// The talk.
    pub talk: TalkId,
    /// Number of the line in its talk.
    pub line: LineId,
    /// When it was written or began to arrive, ms.
    pub at_ms: u64,
    /// Who wrote it.
    pub direction: Direction,
    /// The text without its line end, control characters escaped.
    pub text: String,
    /// Received: the line end has come, or the line was broken because none came. Sent: every
    /// octet is acknowledged.
    pub complete: bool,
    /// Sent text that never was acknowledged because the talk ended first.
    pub lost: bool,
    /// The octets exactly as they were on the air, line end included.
    #[serde(skip)]
    pub octets: Vec<u8>,
}

/// One half of a crossing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CrossingHalf {
    /// The port of this half.
    pub port: PortId,
    /// Our call sign on it.
    pub local: CallSign,
    /// The station at its end; `None` while the visitor has not named one.
    pub remote: Option<CallSign>,
    /// How this half stands, in words.
    pub words: String,
    /// Octets received from that end so far.
    pub received_octets: u64,
    /// Octets for that end, not yet acknowledged by it.
    pub waiting_octets: usize,
}

/// One live crossing: a visitor on one port, carried to a station on another.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CrossingView {
    /// The crossing.
    pub id: CrossingId,
    /// The name of the rule in the plan that allows it.
    pub rule: String,
    /// What the plan notes of it: licence, power.
    pub notes: Option<String>,
    /// The visitor's half.
    pub near: CrossingHalf,
    /// The half to the station reached.
    pub far: CrossingHalf,
    /// How the whole stands, in words.
    pub words: String,
    /// When the visitor called, ms.
    pub opened_ms: u64,
    /// It has ended (both halves are closed).
    pub ended: bool,
}

/// A station with which mail is exchanged.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PartnerView {
    /// Its call sign and SSID.
    pub call: CallSign,
    /// The port on which it is called.
    pub port: PortId,
    /// How it stands, in words.
    pub words: String,
    /// An exchange with it goes on.
    pub exchanging: bool,
    /// When an exchange with it last ended well, ms.
    pub contact_ms: Option<u64>,
    /// When it is called next, ms.
    pub next_ms: Option<u64>,
    /// Calls and exchanges in a row that came to nothing.
    pub failed: u32,
}

/// How loudly a note should be shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// For the record.
    Plain,
    /// Something did not happen that somebody wanted.
    Attention,
}

/// A sentence for the timeline.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Note {
    /// When, ms.
    pub at_ms: u64,
    /// The port it is about.
    pub port: Option<PortId>,
    /// How loudly to show it.
    pub urgency: Urgency,
    /// The sentence.
    pub text: String,
}

/// Everything that the page shows, at one moment.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Snapshot {
    /// The engine's time, ms.
    pub now_ms: u64,
    /// The station's call sign.
    pub call: CallSign,
    /// The ports in the order of the plan.
    pub ports: Vec<PortView>,
    /// The latest blocks of all strips, oldest first.
    pub blocks: Vec<Block>,
    /// Stations heard.
    pub heard: Vec<HeardView>,
    /// Talks, oldest first.
    pub talks: Vec<TalkView>,
    /// Their latest lines, in order.
    pub lines: Vec<TalkLine>,
    /// The latest files of talks, by talk and in order.
    pub files: Vec<FileView>,
    /// Crossings, live and lately ended.
    pub crossings: Vec<CrossingView>,
    /// The latest notes, oldest first.
    pub notes: Vec<Note>,
    /// The gates of the ports, in the order of the plan.
    pub gates: Vec<GateView>,
    /// All that is stopped now.
    pub stops: Vec<Stop>,
    /// Alarms that hold.
    pub alarms: Vec<AlarmView>,
    /// What was received and not taken, by port and kind.
    pub rejects: Vec<RejectView>,
    /// For whom nothing is repeated or carried.
    pub mutes: Vec<MuteView>,
    /// The partners of the mail, in the order of the plan.
    pub partners: Vec<PartnerView>,
}

/// Milliseconds of an instant, the unit of every view.
pub(crate) fn ms(at: Instant) -> u64 {
    at.as_millis()
}

fn hex<S: serde::Serializer>(octets: &[u8], s: S) -> Result<S::Ok, S::Error> {
    use std::fmt::Write;
    let mut text = String::with_capacity(octets.len() * 2);
    for octet in octets {
        let _ = write!(text, "{octet:02x}"); // Writing to a string cannot fail.
    }
    s.serialize_str(&text)
}
