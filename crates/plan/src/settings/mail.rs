//! `[mail]` and `[[partner]]`.

use super::{MOST_REPEATERS, NAME};
use crate::hours::OpenHours;
use crate::measure::{DAYS, MB, MESSAGES, MIN, Number, OCTETS, PERCENT};
use crate::rule::{Call, Calls, Words, YesNo};
use crate::setting::{Preset, Setting};
use crate::whole::Names;

/// Partners of one station, at most.
pub const MOST_PARTNERS: usize = 16;

settings! { MAIL, "The settings of `[mail]`.", "[mail]":
    MAIL_KEEP: YesNo = YesNo, "keep", Preset::Always("false"),
    "true = the station keeps mail: its operator writes and reads it on the page, visitors of the node \
     over the air, and partners exchange it. It needs [node] with a call.";

    KEEPS_FOR: Calls = Calls { most: 64 }, "keeps_for", Preset::Always("[]"),
    "Call signs of people whose mail is kept here, besides the operator.";

    MAIL_AREAS: Names = Names { most: 32 }, "areas", Preset::Always("[]"),
    "Areas whose bulletins are taken from partners. Empty: all.";

    MAIL_SHARE: Number = Number { unit: &PERCENT, from: 1.0, to: 100.0 }, "most_percent",
    Preset::Always("50"),
    "The most that this station may transmit for exchanges with partners on any port, as a share of ten \
     minutes. Beyond it they wait; emergencies go on.";

    HOLD_WORDS: Names = Names { most: 64 }, "hold_words", Preset::Always("[]"),
    "Words at which a message is held until a person has looked, whole words whatever the case.";

    HOLD_AREAS: Names = Names { most: 32 }, "hold_areas", Preset::Always("[]"),
    "Areas whose bulletins are held until a person has looked.";

    HOLD_OVER: Number = Number { unit: &OCTETS, from: 100.0, to: 100_000.0 }, "hold_over_octets",
    Preset::Always("20000"),
    "Texts longer than this are held until a person has looked. An emergency is let through, with a note.";

    HOLD_OLDER: Number = Number { unit: &DAYS, from: 1.0, to: 3650.0 }, "hold_older_days",
    Preset::Always("60"),
    "What was written longer ago is held until a person has looked.";

    HOLD_BULLETINS: YesNo = YesNo, "hold_bulletins", Preset::Always("false"),
    "true = every bulletin is held until a person has looked; those of senders who were not identified are \
     in any case.";

    DAY_MESSAGES: Number = Number { unit: &MESSAGES, from: 1.0, to: 10_000.0 }, "visitor_day_messages",
    Preset::Always("20"),
    "Messages that one visitor may leave within 24 hours. No limit of a visitor holds for an emergency.";

    DAY_OCTETS: Number = Number { unit: &OCTETS, from: 1000.0, to: 10_000_000.0 }, "visitor_day_octets",
    Preset::Always("40000"),
    "Octets of their texts together.";

    VISITOR_MESSAGES: Number = Number { unit: &MESSAGES, from: 1.0, to: 100_000.0 }, "visitor_most_messages",
    Preset::Always("100"),
    "Messages of one visitor that may wait here at a time, for partners, for their readers, or for you; \
     bulletins of the visitor among them.";

    VISITOR_OCTETS: Number = Number { unit: &OCTETS, from: 1000.0, to: 100_000_000.0 }, "visitor_most_octets",
    Preset::Always("200000"),
    "Octets of their texts together.";

    MAIL_MESSAGES: Number = Number { unit: &MESSAGES, from: 10.0, to: 10_000_000.0 }, "most_messages",
    Preset::Always("50000"),
    "Messages that are kept, all together. A tenth of this and of most_mb is left for emergencies. Beyond, \
     visitors are told so before they write, and partners keep what they have and offer it again.";

    MAIL_MB: Number = Number { unit: &MB, from: 1.0, to: 100_000.0 }, "most_mb", Preset::Always("200"),
    "Their texts together. The file takes about twice as much.";

    QUEUED_DAYS: Number = Number { unit: &DAYS, from: 1.0, to: 365.0 }, "queued_days",
    Preset::Always("14"),
    "A message waits for partners for so long. Then it cannot be delivered, and its writer is told.";

    BULLETIN_DAYS: Number = Number { unit: &DAYS, from: 1.0, to: 3650.0 }, "bulletin_days",
    Preset::Always("30"),
    "Bulletins are deleted so long after they came, once no partner waits for them.";

    DONE_DAYS: Number = Number { unit: &DAYS, from: 1.0, to: 3650.0 }, "done_days", Preset::Always("365"),
    "What was read by its reader, passed on, or could not be delivered is deleted after this. What nobody has \
     read, drafts and what is held stay.";

    HELD_DAYS: Number = Number { unit: &DAYS, from: 1.0, to: 365.0 }, "held_alarm_days",
    Preset::Always("7"),
    "There is an alarm for what is held for longer. It is never deleted by itself.";
}

settings! { PARTNER, "The settings of `[[partner]]`.", "[[partner]]":
    PARTNER_CALL: Call = Call, "call", Preset::Required("\"QX0RLF-5\""),
    "Call sign and SSID of the other station's node, by which it is called and calls. Agree with its keeper \
     first.";

    PARTNER_PORT: Words = NAME, "port", Preset::Required("\"HF\""),
    "Name of the port on which it is called.";

    PARTNER_VIA: Calls = Calls { most: MOST_REPEATERS }, "via", Preset::Always("[]"),
    "Digipeaters on the way to it.";

    PARTNER_HOURS: OpenHours = OpenHours, "hours", Preset::Absent("at all hours"),
    "Hours of the day, in UTC, at which it is called. It may call at any hour.";

    PARTNER_EVERY: Number = Number { unit: &MIN, from: 1.0, to: 10_080.0 }, "every_min",
    Preset::Always("60"),
    "It is called so often even if nothing waits for it: it may hold something for this station.";

    PARTNER_MOST: Number = Number { unit: &OCTETS, from: 500.0, to: 100_000.0 }, "most_octets",
    Preset::Always("10000"),
    "Largest packed item that is taken from it. At 300 Bd 10000 octets take about six minutes.";

    CARRIES: Calls = Calls { most: 64 }, "carries", Preset::Always("[]"),
    "Stations and people whose mail it carries on, besides its own.";

    PARTNER_AREAS: Names = Names { most: 32 }, "areas", Preset::Always("[]"),
    "Areas whose bulletins it wants.";

    CARRIES_ALL: YesNo = YesNo, "carries_all", Preset::Always("false"),
    "true = it gets whatever no other partner carries, and all bulletins.";

    TRUSTED: YesNo = YesNo, "trusted", Preset::Always("false"),
    "true = you trust its keeper to know the senders of what it hands on.";
}
