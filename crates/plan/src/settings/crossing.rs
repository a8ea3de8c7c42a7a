//! `[[crossing]]`.

use super::{NAME, VISITORS_NOTE};
use crate::hours::OpenHours;
use crate::measure::{Number, PERCENT};
use crate::rule::{Call, Calls, Whole, Words, YesNo};
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

    CROSSING_SHARE: Number = Number { unit: &PERCENT, from: 1.0, to: 100.0 }, "most_percent",
    Preset::Always("50"),
    "The most that this station may transmit for the crossing on either port, as a share of ten minutes. \
     Beyond it visitors are asked to wait; emergency traffic goes on.";

    CROSSING_DIGIPEATERS: Whole = Whole { from: 0, to: 2 }, "most_digipeaters", Preset::Always("0"),
    "Digipeaters by which a station may be called for visitors, at most. Only one that was not heard direct within \
     the last hour is called so, by the best way that is known. Each digipeater sends everything once more, on \
     somebody else's air. On a port of 300 Bd and below, or with a radio on HF, that needs digipeaters_on_hf = true.";

    CROSSING_DIGIPEATERS_HF: YesNo = YesNo, "digipeaters_on_hf", Preset::Always("false"),
    "Lets most_digipeaters lead by digipeaters on HF too.";

    CROSSING_LICENCE: Words = VISITORS_NOTE, "licence_note", Preset::Absent("visitors are told nothing of it"),
    "Which licence covers what this station transmits for visitors, such as \"for holders of the full \
     licence\". Visitors are told when the first station is called; nothing is decided by it, whom you let \
     go on stands in 'allow'.";

    CROSSING_POWER: Words = VISITORS_NOTE, "power_note", Preset::Absent("visitors are told nothing of it"),
    "With what this station transmits for visitors, such as \"10 W, wire\". Told in the same line.";
}
