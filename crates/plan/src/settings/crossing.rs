//! `[[crossing]]`.

use super::NAME;
use crate::hours::OpenHours;
use crate::rule::{Call, Calls, Whole, Words};
use crate::setting::{Preset, Setting};
use crate::visitors::Visitors;

settings! { CROSSING, "The settings of `[[crossing]]`.", "[[crossing]]":
    CROSSING_NAME: Words = NAME, "name", Preset::Required("\"to the mainland\""),
    "Name of the crossing for people.";

    FROM: Words = NAME, "from", Preset::Required("\"VHF\""),
    "Name of the port on which visitors call.";

    TO: Words = NAME, "to", Preset::Required("\"HF\""),
    "Name of the port on which they are carried on.";

    CROSSING_CALL: Call = Call, "call", Preset::Required("\"QA1SKY-7\""),
    "Call sign and SSID that visitors connect to; nothing else on that port may answer to it.";

    FAR_CALL: Call = Call, "far_call", Preset::Absent("the crossing's own call"),
    "Call sign and SSID that this station uses for its visitors on the far port.";

    ALLOW: Visitors = Visitors { most: 64 }, "allow", Preset::Required("[\"QM3BAR\"]"),
    "Who may cross: \"all\", or a list of call signs, each with any SSID. You answer for what \
     your station transmits for them.";

    REACH: Calls = Calls { most: 32 }, "reach", Preset::Always("[]"),
    "Stations that may be reached. Empty: any. With exactly one, it is called at once; else the \
     visitor is asked for a call sign.";

    CROSSING_HOURS: OpenHours = OpenHours, "hours", Preset::Absent("at all hours"),
    "Hours of the day, in UTC, at which visitors are let in. Who is across already may stay.";

    MOST: Whole = Whole { from: 1, to: 8 }, "most_visitors", Preset::Always("1"),
    "Visitors at the same time.";
}
