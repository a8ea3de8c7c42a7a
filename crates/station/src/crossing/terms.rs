//! Under which terms visitors come: those of a crossing, or those of the node.

use dunlin_ax25::CallSign;
use dunlin_clock::Hours;

use crate::config::{CrossingRule, NodeRule, WhoMayCross};
use crate::event::PortId;
use crate::paths::MOST_PROPOSED;

/// What a visitor may do.
#[derive(Clone, Debug)]
pub(crate) struct Terms {
    /// The name for people.
    pub(crate) name: String,
    /// Who may go on to other stations.
    pub(crate) who: WhoMayCross,
    /// When visitors are let in.
    pub(crate) hours: Hours,
    /// Stations that may be reached; empty = any.
    pub(crate) reach: Vec<CallSign>,
    /// Ports by which visitors go on, and their names.
    pub(crate) onward: Vec<(PortId, String)>,
    /// The call sign that the station beyond sees; `None` = the visitor's own with another SSID.
    pub(crate) far_call: Option<CallSign>,
    /// Visitors at the same time, at most.
    pub(crate) most: usize,
    /// The most of a port's time, above 0 to 1.
    pub(crate) most_share: f64,
    /// Digipeaters on the way to a station beyond, at most.
    pub(crate) most_digipeaters: usize,
    /// What a visitor is told when the first station beyond is called.
    pub(crate) notes: Option<String>,
    /// The station keeps mail for visitors.
    pub(crate) mail: bool,
    node: bool,
}

impl Terms {
    /// Those of a crossing to the port of this name.
    pub(crate) fn of_crossing(rule: &CrossingRule, far_port: &str) -> Terms {
        Terms {
            name: rule.name.clone(),
            who: rule.who.clone(),
            hours: rule.hours,
            reach: rule.reach.clone(),
            onward: vec![(rule.to, far_port.to_owned())],
            far_call: Some(rule.far_call),
            most: rule.most,
            most_share: rule.most_share,
            most_digipeaters: rule.most_digipeaters.min(MOST_PROPOSED),
            notes: rule.notes.words(),
            mail: false,
            node: false,
        }
    }

    /// Those of the node.
    pub(crate) fn of_node(rule: &NodeRule, onward: Vec<(PortId, String)>, mail: bool) -> Terms {
        Terms {
            name: "the node".to_owned(),
            who: rule.who.clone(),
            hours: rule.hours,
            reach: Vec::new(),
            onward,
            far_call: None,
            most: rule.most,
            most_share: rule.most_share,
            most_digipeaters: MOST_PROPOSED,
            notes: rule.notes.words(),
            mail,
            node: true,
        }
    }

    /// Visitors stay when a talk beyond has ended, and may go on to the next.
    pub(crate) fn is_node(&self) -> bool {
        self.node
    }

    /// What it is, for sentences.
    pub(crate) fn what(&self) -> &'static str {
        match self.node {
            true => "node",
            false => "crossing",
        }
    }

    pub(crate) fn first_port(&self) -> PortId {
        self.onward.first().map_or(PortId(0), |(port, _)| *port)
    }
}
