//! Which way leads to a station: how well each hears each, and the best path over that.
//!
//! The measure is the expected transmission count of De Couto, Aguayo, Bicket and Morris ("A
//! High-Throughput Path Metric for Multi-Hop Wireless Routing", MobiCom 2003): a leg with the
//! delivery ratios df (of data) and dr (of its acknowledgement) costs 1/(df·dr), a path the sum
//! of its legs. The paper measures with probes; here nothing is sent for it. What the station
//! sends and hears anyway tells enough, see `watch`. `docs/paths.md` explains the figures.

mod graph;
mod leg;
#[cfg(test)]
mod tests;
mod watch;
mod ways;
mod words;

use dunlin_ax25::CallSign;
use serde::Serialize;

use crate::event::PortId;

pub(crate) use watch::Paths;
pub(crate) use ways::Door;
pub(crate) use words::names;

/// A station on a port; `None` = this one.
pub(crate) type Node = Option<CallSign>;

/// A moment, ms on the engine's time line; before its zero = before this start.
pub(crate) type When = i64;

/// Digipeaters on a path that is proposed. (Eight are taken when others name them.)
pub(crate) const MOST_PROPOSED: usize = 2;

/// How surely two stations are known to reach each other, the least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Proof {
    /// Known only from what others' frames say of each other.
    Hearsay,
    /// One of the two has heard the other; the way back is not proved.
    OneWay,
    /// Each has heard the other.
    TwoWay,
}

/// One leg of a path, from the side of whoever sends data over it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LegView {
    /// Who sends; the station's own call sign on the port for this station.
    pub from: CallSign,
    /// Who hears.
    pub to: CallSign,
    /// df: share of data frames that arrive, 0 to 1.
    pub there: f32,
    /// dr: share of acknowledgements that arrive, 0 to 1.
    pub back: f32,
    /// Expected transmissions, 1/(df·dr), at least 1.
    pub etx: f32,
    /// How surely both reach each other.
    pub proof: Proof,
    /// How long ago that was last seen, ms.
    pub age_ms: u64,
    /// The evidence, half a sentence.
    pub words: String,
}

/// One way to a station.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WayView {
    /// The port to call on.
    pub port: PortId,
    /// Digipeaters, in order; none = direct.
    pub via: Vec<CallSign>,
    /// Expected transmissions, the sum over the legs; `None` where a leg is not known (now).
    pub etx: Option<f32>,
    /// How often a frame is expected to be sent from here, the product over the legs: a
    /// digipeater does not acknowledge, so what is lost on any leg is sent again from here.
    pub sendings: Option<f32>,
    /// The weakest proof of its legs; `None` as for `etx`.
    pub proof: Option<Proof>,
    /// How long ago its oldest leg was last seen to work, ms; `None` as for `etx`.
    pub age_ms: Option<u64>,
    /// How long ago the station was last reached by this way, ms; `None` = not by this, or long
    /// ago, or another way has worked since.
    pub worked_ms_ago: Option<u64>,
    /// The evidence, in a sentence without full stop.
    pub words: String,
    /// The legs; empty where one is not known.
    pub legs: Vec<LegView>,
}

/// What is known of the ways to a station.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WaysView {
    /// The station.
    pub to: CallSign,
    /// In short, for people.
    pub words: String,
    /// The ways, the best first; may be empty.
    pub ways: Vec<WayView>,
}

/// The way by which a station was last reached on a port, for a later start.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WayThatWorked {
    /// The port.
    pub port: PortId,
    /// The station.
    pub to: CallSign,
    /// Digipeaters, in order.
    pub via: Vec<CallSign>,
    /// How long before the engine's zero, ms.
    pub before_start_ms: u64,
}

/// What is known of the ways to a station.
pub(crate) fn summary(to: CallSign, ways: Vec<WayView>) -> WaysView {
    let best = ways.first().and_then(|way| way.proof);
    let words = words::all(to, ways.len(), best);
    WaysView { to, words, ways }
}

/// Expected transmissions over one leg (De Couto et al. 2003, section 3): 1/(df·dr).
pub(crate) fn etx(df: f64, dr: f64) -> f64 {
    1.0 / (df * dr)
}
