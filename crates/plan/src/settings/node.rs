//! `[node]`.

use super::{MOST_PORTS, VISITORS_NOTE};
use crate::hours::OpenHours;
use crate::measure::{Number, PERCENT};
use crate::rule::{Call, Whole, Words};
use crate::setting::{Preset, Setting};
use crate::visitors::Visitors;
use crate::whole::Names;

settings! { NODE, "The settings of `[node]`.", "[node]":
    NODE_CALL: Call = Call, "call", Preset::Absent("there is no node"),
    "Call sign and SSID of the node, to which visitors connect: they may ask who is heard and how to \
     reach somebody, and go on from there. Nothing else on its ports may answer to it.";

    NODE_PORTS: Names = Names { most: MOST_PORTS }, "ports", Preset::Always("[]"),
    "Names of the ports on which it answers. Empty: all.";

    ONWARD: Names = Names { most: MOST_PORTS }, "onward", Preset::Always("[]"),
    "Names of the ports by which visitors may go on to other stations. Empty: nobody goes on.";

    NODE_ALLOW: Visitors = Visitors { most: 64 }, "allow", Preset::Absent("nobody goes on"),
    "Who may go on: \"all\", or a list of call signs, each with any SSID. Everybody may ask. You answer \
     for what your station transmits for them.";

    NODE_HOURS: OpenHours = OpenHours, "hours", Preset::Absent("at all hours"),
    "Hours of the day, in UTC, at which visitors are let in.";

    NODE_MOST: Whole = Whole { from: 1, to: 20 }, "most_visitors", Preset::Always("4"),
    "Visitors at the same time, of all ports together.";

    NODE_SHARE: Number = Number { unit: &PERCENT, from: 1.0, to: 100.0 }, "most_percent",
    Preset::Always("50"),
    "The most that this station may transmit for the visitors of the node on any port, as a share of ten \
     minutes. Beyond it they are asked to wait; emergency traffic goes on.";

    NODE_LICENCE: Words = VISITORS_NOTE, "licence_note", Preset::Absent("visitors are told nothing of it"),
    "Which licence covers what this station transmits for visitors, such as \"for holders of the full \
     licence\". Visitors are told when the first station is called; nothing is decided by it, whom you let \
     go on stands in 'allow'.";

    NODE_POWER: Words = VISITORS_NOTE, "power_note", Preset::Absent("visitors are told nothing of it"),
    "With what this station transmits for visitors, such as \"10 W, wire\". Told in the same line.";
}
