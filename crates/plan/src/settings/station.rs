//! `[station]`.

use super::PLAN_VERSION;
use crate::rule::{Call, Version, Words};
use crate::setting::{Preset, Setting};

settings! { STATION, "The settings of `[station]`.", "[station]":
    VERSION: Version = Version(PLAN_VERSION), "plan_version", Preset::Always("1"),
    "Version of the rules by which this plan is written. A program that knows other rules refuses \
     the plan instead of guessing.";

    STATION_CALL: Call = Call, "call", Preset::Required("\"QA1SKY\""),
    "Call sign of the station, with an SSID if wanted. Calls that begin with Q belong to nobody; \
     with one of those nothing is sent over a radio.";

    GREETING: Words = Words { fewest: 0, most: 256, lines: true }, "greeting",
    Preset::Always("\"\""),
    "Sent to everyone who connects to the station and is let in. Every octet costs time on the \
     channel, about a thirtieth of a second at 300 Bd.";

    NOTE: Words = Words { fewest: 0, most: 2000, lines: true }, "note", Preset::Always("\"\""),
    "A note for the operators of this station. It is shown to them and never sent.";
}
