//! Every setting of a scenario file that a station plan does not have, each once: key, rule,
//! default and help.

use dunlin_air::{Fading, Sideband};
use dunlin_plan::{
    Call, Calls, Choice, Described, OpenHours, Preset, Setting, Time, Whole, Words, YesNo,
};

use super::Loss;
use super::quantity::Quantity;

/// Steps of one person, at most.
pub const MOST_STEPS: usize = 100;
/// Answers of one person, at most.
pub const MOST_ANSWERS: usize = 100;
/// People of a scenario, at most.
pub const MOST_PEOPLE: usize = 100;
/// Promises of a scenario, at most.
pub const MOST_PROMISES: usize = 200;
/// Paths of one band, at most.
pub const MOST_PATHS: usize = 2500;

const SECOND: u32 = 1000;
const MINUTE: u32 = 60 * SECOND;
const HOUR: u32 = 60 * MINUTE;

const NAME: Words = Words {
    fewest: 1,
    most: 24,
    lines: false,
};
const LINE: Words = Words {
    fewest: 0,
    most: 1000,
    lines: false,
};
const COUNT: Whole = Whole {
    from: 0,
    to: 1_000_000,
};

/// Kind of a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Fm,
    Ssb,
}

/// Kind of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Does {
    Wait,
    Call,
    Say,
    Await,
    Close,
    Write,
    SayToAll,
}

/// Kind of a promise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum That {
    Delivered,
    Heard,
    NeverHeard,
    Talked,
    Decoded,
    ReadShare,
    Lost,
    Crossed,
    Finished,
    WordsAtEveryEnd,
}

const fn time(from: u32, to: u32) -> Time {
    Time {
        from,
        rehearsal_from: from,
        to,
    }
}

macro_rules! settings {
    ($list:ident, $table:literal: $($item:ident: $rule_type:ty = $rule:expr, $name:literal, $preset:expr, $help:literal;)+) => {
        $(
            #[doc = $help]
            pub static $item: Setting<$rule_type> =
                Setting { table: $table, name: $name, help: $help, preset: $preset, rule: $rule };
        )+
        static $list: &[&dyn Described] = &[$(&$item),+];
    };
}

settings! { SCENARIO, "the scenario":
    TITLE: Words = Words { fewest: 1, most: 60, lines: false }, "title",
    Preset::Required("\"The Marrow Isles\""), "Name for people.";

    SEED: Whole = Whole { from: 0, to: u32::MAX }, "seed", Preset::Always("1"),
    "Where all chance comes from if no other seed is asked for.";

    LASTS: Time = time(SECOND, 31 * 24 * HOUR), "lasts", Preset::Always("\"20 min\""),
    "How long it runs if nothing else is asked for.";

    OPERATOR: Call = Call, "operator", Preset::Required("\"QA1SKY\""),
    "Call sign of the station that is the operator's own.";
}

settings! { BAND, "[[band]]":
    BAND_NAME: Words = Words { fewest: 1, most: 4, lines: false }, "name",
    Preset::Required("\"VHF\""), "Name of the band; ports of this name are on it.";

    KIND: Choice<Kind> = Choice(&[("fm", Kind::Fm), ("ssb", Kind::Ssb)]), "kind",
    Preset::Required("\"fm\""), "What the radios do with sound.";

    RATE: Whole = Whole { from: 8000, to: 96_000 }, "rate", Preset::Always("24000"),
    "Samples per second of all sound; FM needs at least 21000.";

    NOMINAL: Quantity = Quantity { unit: "dBFS", from: -40.0, to: 0.0 }, "nominal_level",
    Preset::Always("\"-12 dBFS\""),
    "Peak level of a station's sound that gives FM its nominal deviation, and SSB the level of \
     the path.";

    SIDEBAND: Choice<Sideband> = Choice(&[("upper", Sideband::Upper), ("lower", Sideband::Lower)]),
    "sideband", Preset::Always("\"upper\""), "Sideband of an SSB band.";

    DEVIATION: Quantity = Quantity { unit: "Hz", from: 100.0, to: 10_000.0 }, "deviation",
    Preset::Always("\"3000 Hz\""), "Peak deviation of an FM band at the nominal level.";
}

settings! { PATH, "paths = [{ … }]":
    PATH_FROM: Call = Call, "from", Preset::Required("\"QA1SKY\""),
    "Call sign of the station at one end, without any port's own SSID.";

    PATH_TO: Call = Call, "to", Preset::Required("\"QM3BAR\""),
    "Call sign of the station at the other end.";

    PATH_LEVEL: Quantity = Quantity { unit: "dB", from: -40.0, to: 80.0 }, "level",
    Preset::Required("\"20 dB\""),
    "FM: carrier to noise in the receiver. SSB: signal to noise in 3 kHz, the mean over fading.";

    PATH_BACK: Quantity = Quantity { unit: "dB", from: -40.0, to: 80.0 }, "back",
    Preset::Absent("the same as 'level'"), "The same in the other direction.";

    PATH_ONE_WAY: YesNo = YesNo, "one_way", Preset::Always("false"),
    "Nothing at all is heard in the other direction.";

    PATH_FADING: Choice<Fading> = Choice(&[
        ("none", Fading::None),
        ("quiet", Fading::MID_QUIET),
        ("moderate", Fading::MID_MODERATE),
        ("disturbed", Fading::MID_DISTURBED),
        ("near vertical", Fading::MID_NEAR_VERTICAL),
    ]), "fading", Preset::Always("\"none\""),
    "The rows for mid latitudes of ITU-R F.1487, or none.";

    PATH_OPEN: OpenHours = OpenHours, "open", Preset::Absent("at all hours"),
    "Hours of the day at which the path carries anything, both ways; the day begins with the rehearsal.";
}

settings! { PLACE, "[[place]]":
    ABOUT: Words = Words { fewest: 0, most: 200, lines: false }, "about", Preset::Always("\"\""),
    "One sentence about the station for people.";
}

settings! { PLACE_PORT, "[[place.port]]":
    PORT_BAND: Words = NAME, "band", Preset::Absent("the band with the name of the port"),
    "Name of the band that the port is on.";

    CLOCK_ERROR: Quantity = Quantity { unit: "ppm", from: -1000.0, to: 1000.0 }, "clock_error",
    Preset::Always("\"0 ppm\""), "Error of the sound device's clock when it plays.";

    DIAL_ERROR: Quantity = Quantity { unit: "Hz", from: -3000.0, to: 3000.0 }, "dial_error",
    Preset::Always("\"0 Hz\""), "How far the radio is tuned off, in sending and receiving.";

    DRIVE: Quantity = Quantity { unit: "dB", from: -40.0, to: 20.0 }, "drive",
    Preset::Always("\"0 dB\""), "How far the sound into the transmitter is off its right level.";

    PRE_EMPHASIS: YesNo = YesNo, "pre_emphasis", Preset::Always("true"),
    "FM: the sound passes the microphone path, which raises high tones.";

    DE_EMPHASIS: YesNo = YesNo, "de_emphasis", Preset::Always("true"),
    "FM: what is heard passes the loudspeaker path, which lowers high tones.";

    KEY_UP: Time = time(0, 2 * SECOND), "key_up", Preset::Always("\"50 ms\""),
    "From keying to the signal being on the air.";

    RECOVERY: Time = time(0, 2 * SECOND), "recovery", Preset::Always("\"50 ms\""),
    "From the end of sending to hearing again.";
}

settings! { PERSON_TABLE, "[[person]]":
    PERSON_NAME: Words = NAME, "name", Preset::Required("\"Brae\""),
    "Name for people, no other person's.";

    PERSON_AT: Call = Call, "at", Preset::Required("\"QM3BAR\""),
    "Call sign of the station at which the person sits.";

    REPEAT: Time = time(SECOND, 24 * HOUR), "repeat", Preset::Absent("it is done once"),
    "Pause after which everything is done again.";

    TRIES: Whole = Whole { from: 1, to: 20 }, "tries", Preset::Always("3"),
    "How often a call is tried, the first time included.";

    PAUSE: Time = time(SECOND, HOUR), "pause", Preset::Always("\"40 s\""),
    "Pause before the next try; up to half of it comes on top by chance.";

    THINKS: Time = time(0, 10 * MINUTE), "thinks", Preset::Always("\"2 s\""),
    "Time before each line; up to as much comes on top by chance.";

    TAKES_FILES: YesNo = YesNo, "takes_files", Preset::Always("false"),
    "Whether every file that is offered is taken.";
}

settings! { STEP, "does = [{ … }]":
    DO: Choice<Does> = Choice(&[
        ("wait", Does::Wait),
        ("call", Does::Call),
        ("say", Does::Say),
        ("await", Does::Await),
        ("write", Does::Write),
        ("close", Does::Close),
        ("say to all", Does::SayToAll),
    ]), "do", Preset::Required("\"call\""), "What is done.";

    STEP_TIME: Time = time(0, 24 * HOUR), "time", Preset::Required("\"30 s\""), "For wait: how long.";

    STEP_SPREAD: Time = time(0, 24 * HOUR), "spread", Preset::Always("\"0 s\""),
    "For wait: up to this much longer, by chance.";

    STEP_TO: Call = Call, "to", Preset::Required("\"QA1SKY-7\""), "For call: whom to call.";

    STEP_ADDRESS: Call = Call, "to", Preset::Always("\"CQ\""), "For say to all: the address.";

    STEP_PORT: Words = NAME, "port", Preset::Absent("the first port of the station"),
    "For call and say to all: name of the port.";

    STEP_VIA: Calls = Calls { most: 8 }, "via", Preset::Always("[]"),
    "For call and say to all: digipeaters on the way, in order.";

    PATIENCE: Time = time(SECOND, 24 * HOUR), "patience", Preset::Always("\"3 min\""),
    "For call and await: how long to wait before it has failed.";

    STEP_HOME: Call = Call, "home", Preset::Absent("not known"),
    "For write: the station that keeps the mail of the addressee.";

    STEP_TITLE: Words = Words { fewest: 1, most: 80, lines: false }, "title",
    Preset::Always("\"News\""), "For write: the title.";

    STEP_TEXT: Words = LINE, "text", Preset::Required("\"Good morning\""),
    "For say and say to all: the line. For await: a text in the line that is awaited.";
}

settings! { ANSWER, "answers = [{ … }]":
    ANSWER_TO: Words = LINE, "to", Preset::Always("\"\""),
    "A text in the line that is answered; empty = any line.";

    ANSWER_SAY: Words = Words { fewest: 0, most: 2000, lines: true }, "say",
    Preset::Always("\"\""), "The answer; line breaks make several lines. Empty = none.";

    ANSWER_CLOSE: YesNo = YesNo, "close", Preset::Always("false"), "The talk is ended then.";

    ANSWER_TIMES: Whole = Whole { from: 1, to: 100 }, "times", Preset::Always("1"),
    "How often in one talk.";

    ANSWER_FILE: Words = Words { fewest: 1, most: 64, lines: false }, "file", Preset::Absent("none"),
    "Name of a text file that is offered besides.";

    ANSWER_HOLDS: Words = Words { fewest: 1, most: 20_000, lines: true }, "holds",
    Preset::Absent("no file is offered"), "For file: the text in it.";
}

settings! { PROMISE, "[[promise]]":
    THAT: Choice<That> = Choice(&[
        ("delivered", That::Delivered),
        ("heard", That::Heard),
        ("never heard", That::NeverHeard),
        ("talked", That::Talked),
        ("decoded", That::Decoded),
        ("read share", That::ReadShare),
        ("lost", That::Lost),
        ("crossed", That::Crossed),
        ("finished", That::Finished),
        ("words at every end", That::WordsAtEveryEnd),
    ]), "that", Preset::Required("\"heard\""), "What is promised.";

    PROMISE_FROM: Call = Call, "from", Preset::Required("\"QM3BAR\""),
    "For delivered and talked: call sign of the station that calls.";

    PROMISE_TO: Call = Call, "to", Preset::Required("\"QX0RLF\""),
    "For delivered: call sign of the station that is reached.";

    TALKED_TO: Call = Call, "to", Preset::Required("\"QA1SKY\""),
    "For talked: the call sign that is called, with its SSID.";

    THROUGH: Call = Call, "through", Preset::Absent("they speak directly"),
    "For delivered: call sign of the station that carries the talk across bands.";

    BOTH_WAYS: YesNo = YesNo, "both_ways", Preset::Always("true"), "For delivered: text must come back too.";

    PROMISE_STATION: Call = Call, "station", Preset::Required("\"QD2HIL\""),
    "For heard and never heard: call sign of the sender, as it stands in its frames.";

    PROMISE_BY: Call = Call, "by", Preset::Required("\"QA1SKY\""),
    "For heard, never heard and crossed: call sign of the station that hears or carries across.";

    PROMISE_BAND: Words = NAME, "band", Preset::Required("\"VHF\""), "For decoded, read share and lost: name of the band.";

    WHY: Choice<Loss> = Choice(&[
        ("noise", Loss::Noise),
        ("collision", Loss::Collision),
        ("own transmission", Loss::OwnTransmission),
    ]), "why", Preset::Required("\"collision\""), "For lost: the reason.";

    PERSON: Words = NAME, "person", Preset::Required("\"Brae\""), "For finished: name of the person.";

    AT_LEAST: Whole = COUNT, "at_least", Preset::Always("1"), "How many or how often; for read share, per cent of the frames that only noise could spoil.";
}

/// Every setting, table by table.
pub fn all() -> impl Iterator<Item = &'static dyn Described> {
    let tables = [
        SCENARIO,
        BAND,
        PATH,
        PLACE,
        PLACE_PORT,
        PERSON_TABLE,
        STEP,
        ANSWER,
        PROMISE,
    ];
    tables.into_iter().flatten().copied()
}
