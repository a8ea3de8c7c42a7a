//! Every setting of a station plan, each once. Reading, messages and the explanation all
//! come from these items.

use dunlin_modem::Mode;

use crate::rule::{Call, Calls, Choice, Hertz, Level, Share, Time, Whole, Words, YesNo};
use crate::setting::{Described, Preset, Setting};
use crate::sound::{ChannelRule, DeviceRule, Keying};
use crate::visitors::Visitors;

/// Ports of one station, at most.
pub const MOST_PORTS: usize = 16;
/// Crossings of one station, at most.
pub const MOST_CROSSINGS: usize = 32;
/// Beacons of one port, at most.
pub const MOST_BEACONS: usize = 8;
/// Digipeaters in one path: the address field holds no more (AX.25 2.2, 3.12.5).
pub const MOST_REPEATERS: usize = 8;

const SECOND: u32 = 1000;
const MINUTE: u32 = 60 * SECOND;
const HOUR: u32 = 60 * MINUTE;

const NAME: Words = Words {
    fewest: 1,
    most: 24,
    lines: false,
};

macro_rules! settings {
    ($list:ident, $list_doc:literal, $table:literal:
     $($item:ident: $rule_type:ty = $rule:expr, $name:literal, $preset:expr, $help:literal;)+) => {
        $(
            #[doc = $help]
            pub static $item: Setting<$rule_type> = Setting {
                table: $table,
                name: $name,
                help: $help,
                preset: $preset,
                rule: $rule,
            };
        )+
        #[doc = $list_doc]
        pub static $list: &[&dyn Described] = &[$(&$item),+];
    };
}

settings! { STATION, "The settings of `[station]`.", "[station]":
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

settings! { PORT, "The settings of `[[port]]`.", "[[port]]":
    PORT_NAME: Words = NAME, "name", Preset::Required("\"VHF\""),
    "Name of the port for people; crossings refer to it.";

    MODE: Choice<Mode> = Choice(MODES), "mode", Preset::Required("\"afsk1200\""),
    "The modem: afsk300 for HF single sideband, afsk1200 for VHF FM, fsk1200, fsk4800 and \
     fsk9600 for radios with a direct connection to the modulator.";

    PORT_CALL: Call = Call, "call", Preset::Absent("the call sign of [station]"),
    "Call sign and SSID of the operator on this port.";

    TRANSMIT: YesNo = YesNo, "transmit",
    Preset::Absent("true if its [port.sound] has an output; in a rehearsal always true"),
    "Whether this port may transmit at all. A port that may not still hears and shows everything.";

    LEVEL: Level = Level { from: -60.0, to: 0.0 }, "level", Preset::Always("\"-12 dBFS\""),
    "Peak level of the transmitted sound. Begin low: too much deviation on FM, or any action of \
     the level control (ALC) on SSB, makes signals that nobody can read.";

    KEY_UP_DELAY: Time = Time { from: 20, rehearsal_from: 20, to: 2 * SECOND }, "key_up_delay",
    Preset::BySpeed { slow: "\"400 ms\"", fast: "\"300 ms\"" },
    "Time between keying and the first frame, filled with flags: the own transmitter rises and \
     the other receiver recovers. Common practice: 300 ms suits most VHF transceivers, 400 to \
     500 ms is used on HF.";

    TAIL: Time = Time { from: 0, rehearsal_from: 0, to: SECOND }, "tail",
    Preset::Always("\"30 ms\""),
    "Flags after the last frame, so that its end is not cut when the key is released.";

    PERSISTENCE: Share = Share, "persistence",
    Preset::BySpeed { slow: "0.2", fast: "0.25" },
    "Chance to begin in a free slot. Common practice: below one divided by the number of \
     stations that wait at the same time; 0.25 suits about four, 0.1 about ten.";

    SLOT_TIME: Time = Time { from: 10, rehearsal_from: 10, to: 2 * SECOND }, "slot_time",
    Preset::BySpeed { slow: "\"300 ms\"", fast: "\"100 ms\"" },
    "Time between two looks at the channel. It must exceed the time to notice another sender. \
     Common practice: 100 ms with a data detector on FM, 300 ms or more on HF.";

    WINDOW: Whole = Whole { from: 1, to: 7 }, "window",
    Preset::BySpeed { slow: "1", fast: "4" },
    "Frames of text sent before an acknowledgement is awaited (k of AX.25). Common practice: 1 on \
     HF, up to 4 on VHF.";

    INFO_LENGTH: Whole = Whole { from: 1, to: 256 }, "info_length",
    Preset::BySpeed { slow: "64", fast: "128" },
    "Longest text in one frame, in octets (N1 of AX.25). Common practice: 32 to 64 on HF, because \
     a long frame is hit by noise more often; 128 on VHF.";

    RETRIES: Whole = Whole { from: 1, to: 20 }, "retries", Preset::Always("10"),
    "Tries of one frame before the link is given up (N2 of AX.25). Common practice: 8 to 10.";

    IDLE_CHECK: Time = Time { from: 30 * SECOND, rehearsal_from: 10 * SECOND, to: HOUR },
    "idle_check", Preset::BySpeed { slow: "\"10 min\"", fast: "\"5 min\"" },
    "Silence on an open link after which the other end is asked whether it is still there (T3 of \
     AX.25; the figures are common practice, no source).";

    LONGEST_TRANSMISSION: Time = Time { from: SECOND, rehearsal_from: SECOND, to: MINUTE },
    "longest_transmission", Preset::BySpeed { slow: "\"15 s\"", fast: "\"10 s\"" },
    "Longest single transmission. What is left over waits for the next one, so that others get \
     their turn.";

    TONE_OFFSET: Hertz = Hertz { from: -200.0, to: 200.0 }, "tone_offset",
    Preset::Always("\"0 Hz\""),
    "Added to both transmitted tones, to correct a dial that cannot be set finely enough. Only \
     for modes with tones (afsk300, afsk1200).";

    DIGIPEAT: Calls = Calls { most: 16 }, "digipeat", Preset::Always("[]"),
    "Call signs for which this port repeats single frames. Empty: it repeats none. Common \
     practice: not on HF, where every repeat occupies a channel that covers half a continent.";
}

settings! { SOUND, "The settings of `[port.sound]`.", "[port.sound]":
    INPUT: DeviceRule = DeviceRule, "input", Preset::Always("\"default\""),
    "Sound device that the receiver is connected to. \"pulse:NAME\" is one of the sound server, \
     \"alsa:NAME\" one of the kernel.";

    OUTPUT: DeviceRule = DeviceRule, "output", Preset::Always("\"none\""),
    "Sound device that the transmitter is connected to, named as for 'input'. \"none\": this port \
     only hears.";

    CHANNEL: ChannelRule = ChannelRule, "channel", Preset::Always("\"mono\""),
    "Channel of the device, for both directions: \"left\", \"right\", a number from 1, or \
     \"mono\" (hears the mean of all, sends the same on all).";

    RATE: Hertz = Hertz { from: 8_000.0, to: 192_000.0 }, "rate", Preset::Always("\"48 kHz\""),
    "Samples per second, for both directions.";

    KEY: Choice<Keying> = Choice(KEYINGS), "key", Preset::Always("\"none\""),
    "What keys the transmitter: \"vox\" = the radio keys by itself when it gets sound; \"none\" = \
     nothing has to be keyed, as on a cable.";

    LOOP: YesNo = YesNo, "loop", Preset::Always("false"),
    "true = this port is a cable or a loop in the sound server, with no radio on it. Only such a \
     port may send under an invented call sign that begins with Q.";
}

settings! { BEACON, "The settings of `[[port.beacon]]`.", "[[port.beacon]]":
    BEACON_TO: Call = Call, "to", Preset::Always("\"BEACON\""),
    "Address that the text is sent to.";

    BEACON_VIA: Calls = Calls { most: MOST_REPEATERS }, "via", Preset::Always("[]"),
    "Digipeaters on the way, in order. Common practice: none, at most one.";

    INTERVAL: Time = Time { from: 10 * MINUTE, rehearsal_from: SECOND, to: 24 * HOUR }, "interval",
    Preset::Always("\"30 min\""),
    "Time between two sendings. Common practice: less than 15 minutes is too often for a busy \
     channel, about 30 minutes is right; rarer or none at all on HF.";

    FIRST_DELAY: Time = Time { from: MINUTE, rehearsal_from: 0, to: 24 * HOUR }, "first_delay",
    Preset::Always("\"5 min\""),
    "Time from the start of the station to the first sending, so that a station that restarts \
     often does not flood the channel.";

    BEACON_TEXT: Words = Words { fewest: 1, most: 256, lines: false }, "text",
    Preset::Required("\"Marrow Isles relay, connect to QA1SKY-7 for HF\""),
    "The text, at most the info_length of the port. Put what matters most first.";
}

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

    MOST: Whole = Whole { from: 1, to: 8 }, "most", Preset::Always("1"),
    "Visitors at the same time.";
}

/// Every mode by its name.
const MODES: &[(&str, Mode)] = &[
    (Mode::ALL[0].name(), Mode::ALL[0]),
    (Mode::ALL[1].name(), Mode::ALL[1]),
    (Mode::ALL[2].name(), Mode::ALL[2]),
    (Mode::ALL[3].name(), Mode::ALL[3]),
    (Mode::ALL[4].name(), Mode::ALL[4]),
];
// A mode added to the modem must be added here too, or this does not compile.
const _: () = assert!(MODES.len() == Mode::ALL.len());

const KEYINGS: &[(&str, Keying)] = &[("none", Keying::None), ("vox", Keying::Vox)];

/// Every setting of a plan, table by table in the order of the explanation.
pub fn all() -> impl Iterator<Item = &'static dyn Described> {
    let tables = [STATION, PORT, SOUND, BEACON, CROSSING];
    tables.into_iter().flatten().copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::PlanRules;

    fn presets(preset: Preset) -> Vec<(&'static str, Vec<PlanRules>)> {
        let real = PlanRules::real();
        let rehearsal = PlanRules::rehearsal(real.rate);
        let both = vec![real, rehearsal];
        match preset {
            Preset::Absent(_) => Vec::new(),
            Preset::Required(text) | Preset::Always(text) => vec![(text, both)],
            Preset::BySpeed { slow, fast } => vec![(slow, both.clone()), (fast, both)],
            Preset::ByWorld {
                real: a,
                rehearsal: b,
            } => vec![(a, vec![real]), (b, vec![rehearsal])],
        }
    }

    #[test]
    fn every_default_and_example_is_allowed_by_its_own_rule() {
        for setting in all() {
            for (text, worlds) in presets(setting.preset()) {
                for rules in worlds {
                    let name = setting.name();
                    assert_eq!(setting.try_value(text, &rules), Ok(()), "{name} = {text}");
                }
            }
        }
    }

    #[test]
    fn every_setting_has_help_and_a_name_of_its_own() {
        let names: Vec<_> = all().map(|s| (s.table(), s.name())).collect();
        let unlike: std::collections::BTreeSet<_> = names.iter().collect();
        assert_eq!(unlike.len(), names.len());
        assert!(all().all(|s| s.help().ends_with('.') && s.help().len() > 20));
    }

    #[test]
    fn nothing_is_allowed_for_every_value() {
        for setting in all() {
            for bad in ["1979-05-27", "nan", "-99999999999999999999", "{}", "[[]]"] {
                let result = setting.try_value(bad, &PlanRules::real());
                assert!(result.is_err(), "{} = {bad}", setting.name());
            }
        }
    }
}
