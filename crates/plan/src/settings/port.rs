//! `[[port]]` and `[[port.beacon]]`.

use dunlin_ax25::data_link::Version;
use dunlin_modem::{Mode, NAMED_PAIRS, NamedPair, SHIFT_BAUD, TONE_BAUD, TONE_HZ};
use dunlin_station::port::FecStrength;

use super::{MOST_REPEATERS, NAME};
use crate::measure::{DB_PER_OCTAVE, DBFS, HZ, MIN, MS, Number, S, Span};
use crate::rule::{Call, Calls, Choice, Figures, Share, Whole, Words, YesNo};
use crate::setting::{Preset, Setting};

const fn span(unit: &'static crate::measure::Unit, from: f64, to: f64) -> Span {
    Span {
        unit,
        from,
        rehearsal_from: from,
        to,
    }
}

settings! { PORT, "The settings of `[[port]]`.", "[[port]]":
    PORT_NAME: Words = NAME, "name", Preset::Required("\"VHF\""),
    "Name of the port for people; crossings refer to it.";

    MODE: Choice<Mode> = Choice(MODES), "mode", Preset::Required("\"afsk1200\""),
    "The modem: afsk300 for HF single sideband, afsk1200 for VHF FM, afsk600 for FM links that \
     agreed on it, fsk1200, fsk2400, fsk4800 and fsk9600 for radios with a direct connection to \
     the modulator. With [port.controller]: the mode that the controller is set to, from which \
     times on the channel are computed.";

    TONES: Choice<NamedPair> = Choice(PAIRS), "tones",
    Preset::Absent("the tones of the mode"),
    "A pair of tones by its name, in place of the mode's own, with the symbol rate that it is \
     named for. Both ends must use the same pair.";

    MARK: Whole = TONE, "mark_hz", Preset::Absent("the tone of the mode"),
    "The tone for a one, if no named pair fits; with space_hz.";

    SPACE: Whole = TONE, "space_hz", Preset::Absent("the tone of the mode"),
    "The tone for a zero, with mark_hz. Either may be the higher one. They must lie half the symbol \
     rate to twice the symbol rate apart.";

    SYMBOL_RATE: Whole = Whole { from: *TONE_BAUD.start(), to: *SHIFT_BAUD.end() },
    "symbol_rate_baud", Preset::Absent("the symbol rate of the named pair, else of the mode"),
    "Symbols per second, each one bit: 45 to 2400 for tones, 1200 to 19200 for direct frequency \
     shift. The receiver's filters go with it.";

    INVERTED: YesNo = YesNo, "inverted", Preset::Always("false"),
    "Exchanges ones and zeros on the line. It changes nothing for the receiver at the other end, \
     because packet radio tells bits by whether the line changes (NRZI); for instruments and \
     experiments.";

    PORT_CALL: Call = Call, "call", Preset::Absent("the call sign of [station]"),
    "Call sign and SSID of the operator on this port.";

    TRANSMIT: YesNo = YesNo, "transmit",
    Preset::Absent("true if the port has a sound output or a controller; in a rehearsal always \
     true"),
    "Whether this port may transmit at all. A port that may not still hears and shows everything.";

    LEVEL: Number = Number { unit: &DBFS, from: -60.0, to: 0.0 }, "level_dbfs",
    Preset::OnTheAir { slow: "-15", fast: "-12", rehearsal: "-12" },
    "Peak level of the transmitted sound. Begin low: too much deviation on FM, or any action of \
     the level control (ALC) on SSB, makes signals that nobody can read.";

    KEY_UP_DELAY: Span = span(&MS, 20.0, 2000.0), "key_up_delay_ms",
    Preset::BySpeed { slow: "400", fast: "300" },
    "Time between keying and the first frame, filled with flags: the own transmitter rises and \
     the other receiver recovers. Common practice: 300 ms suits most VHF transceivers, 400 to \
     500 ms is used on HF.";

    TAIL: Span = span(&MS, 0.0, 1000.0), "tail_ms",
    Preset::OnTheAir { slow: "50", fast: "30", rehearsal: "30" },
    "Flags after the last frame, so that its end is not cut when the key is released. A frame \
     check that is cut costs the whole frame.";

    PERSISTENCE: Share = Share, "persistence",
    Preset::BySpeed { slow: "0.2", fast: "0.25" },
    "Chance to begin in a free slot. Common practice: below one divided by the number of \
     stations that wait at the same time; 0.25 suits about four, 0.1 about ten.";

    SLOT_TIME: Span = span(&MS, 10.0, 2000.0), "slot_time_ms",
    Preset::BySpeed { slow: "300", fast: "100" },
    "Time between two looks at the channel. It must exceed the time to notice another sender. \
     Common practice: 100 ms with a data detector on FM, 300 ms or more on HF.";

    PORT_FULL_DUPLEX: YesNo = YesNo, "full_duplex", Preset::Always("false"),
    "Whether the port sends on another frequency than it hears, and hears while it sends: to a \
     satellite, or to a repeater that hears and sends at once. It then waits for nothing that it \
     hears, and draws no slots. On a channel that others send on it would send over everybody. Not \
     with [port.controller], which has a setting of its own.";

    LINK_VERSION: Choice<Version> = Choice(VERSIONS), "link_version", Preset::Always("\"2.0\""),
    "Version of AX.25 that stations are called with. 2.2 sends missing frames again alone, and \
     falls back where the other end refuses it, which costs one more exchange. Calls are \
     accepted by either version.";

    WINDOW: Whole = Whole { from: 1, to: 7 }, "window_frames",
    Preset::BySpeed { slow: "1", fast: "4" },
    "Frames of text sent before an acknowledgement is awaited (k of AX.25). Common practice: 1 on \
     HF, up to 4 on VHF.";

    INFO_LENGTH: Whole = Whole { from: 1, to: 256 }, "info_length_octets",
    Preset::BySpeed { slow: "64", fast: "128" },
    "Longest text in one frame, in octets (N1 of AX.25). Common practice: 32 to 64 on HF, because \
     a long frame is hit by noise more often; 128 on VHF.";

    ADAPT: YesNo = YesNo, "adapt_frames", Preset::Always("false"),
    "Whether window and text length follow what is lost on the way to each station: down at once, \
     up slowly, and remembered for the next talk. window_frames and info_length_octets are then \
     where the first talk begins. false pins both.";

    RETRIES: Whole = Whole { from: 1, to: 20 }, "retries",
    Preset::OnTheAir { slow: "8", fast: "10", rehearsal: "10" },
    "Tries of one frame before the link is given up (N2 of AX.25). Common practice: 8 to 10; on \
     HF each try takes the channel for seconds.";

    IDLE_CHECK: Span = Span { unit: &S, from: 30.0, rehearsal_from: 10.0, to: 3600.0 },
    "idle_check_s", Preset::BySpeed { slow: "600", fast: "300" },
    "Silence on an open link after which the other end is asked whether it is still there (T3 of \
     AX.25; the figures are common practice, no source).";

    LONGEST_TRANSMISSION: Span = span(&S, 1.0, 60.0), "longest_transmission_s",
    Preset::BySpeed { slow: "15", fast: "10" },
    "Longest single transmission. What is left over waits for the next one, so that others get \
     their turn.";

    TONE_OFFSET: Number = Number { unit: &HZ, from: -200.0, to: 200.0 }, "tone_offset_hz",
    Preset::Always("0"),
    "Added to both transmitted tones, to correct a dial that cannot be set finely enough. Only \
     for modes with tones (afsk300, afsk1200).";

    FOLLOW: Number = Number { unit: &HZ, from: 0.0, to: 100.0 }, "follow_most_hz",
    Preset::Always("0"),
    "How far the transmitted tones may be moved for a station in a talk that is heard off the \
     middle, so that it hears this one in its middle. 0: never. It is for the error of the \
     other; turn the dial for your own. It takes three frames heard straight from that station \
     within ten minutes, and stands in place of tone_offset_hz for that station. Only for modes \
     that look for their tones (afsk300), not with [port.controller] or [port.second_sound].";

    PRE_EMPHASIS: Number = Number { unit: &DB_PER_OCTAVE, from: 0.0, to: 6.0 },
    "pre_emphasis_db_per_octave", Preset::Always("0"),
    "How much higher a tone is sent than one an octave below. The higher tone keeps level_dbfs, \
     the lower one goes down: by 5.2 dB at 6 dB per octave with tones of 1200 and 2200 Hz. For FM \
     radios whose sound input is flat (data connection), when the others hear through the \
     de-emphasis of a loudspeaker output; a microphone input does it by itself. Only for modes \
     with tones, not with [port.controller].";

    FEC: Figures<Option<FecStrength>> = Figures(FEC_STRENGTHS), "fec_check_octets",
    Preset::Always("0"),
    "Forward error correction (FX.25) of every frame sent: so many check octets are added, and \
     half as many wrong octets are corrected by a station that knows it. Others read the frame \
     as before. It costs air time: the check octets, 8 octets of a tag, and filling up to the \
     next size of block. 0: none. Received frames are corrected whatever stands here. A frame \
     that is too long (230 octets or so) is sent without. Not with [port.controller].";

    DIGIPEAT: Calls = Calls { most: 16 }, "digipeat", Preset::Always("[]"),
    "Call signs for which this port repeats single frames. Empty: it repeats none. Common \
     practice: not on HF, where every repeat occupies a channel that covers half a continent; at \
     300 Bd and below that needs digipeat_on_hf = true.";

    DIGIPEAT_ON_HF: YesNo = YesNo, "digipeat_on_hf", Preset::Always("false"),
    "true = single frames are repeated on a slow port too, which means on HF.";

    DIGIPEAT_HOPS: Whole = Whole { from: 1, to: 8 }, "digipeat_most_hops", Preset::Always("3"),
    "A frame whose path has more digipeaters than this is not repeated. Common practice: beyond three \
     hardly anything arrives.";

    DIGIPEAT_USER: Whole = Whole { from: 1, to: 1000 }, "digipeat_user_a_minute",
    Preset::Always("30"),
    "Frames of one sender that are repeated in a minute. Whoever goes far beyond is muted for a \
     quarter of an hour.";

    DIGIPEAT_PORT: Whole = Whole { from: 1, to: 1000 }, "digipeat_port_a_minute",
    Preset::Always("60"),
    "Frames of all senders that are repeated in a minute.";
}

settings! { ALSO_HEARS, "The settings of `[[port.also_hears]]`.", "[[port.also_hears]]":
    ALSO_MODE: Choice<Mode> = Choice(MODES), "mode", Preset::Required("\"afsk300\""),
    "A further mode that this port listens to on the same sound; the port never sends with it. \
     At most three tables [[port.also_hears]], none like another. Not with [port.controller].";

    ALSO_TONES: Choice<NamedPair> = Choice(PAIRS), "tones",
    Preset::Absent("the tones of the mode"),
    "As 'tones' of [[port]], for what is listened to besides.";

    ALSO_MARK: Whole = TONE, "mark_hz", Preset::Absent("the tone of the mode"),
    "As 'mark_hz' of [[port]], for what is listened to besides.";

    ALSO_SPACE: Whole = TONE, "space_hz", Preset::Absent("the tone of the mode"),
    "As 'space_hz' of [[port]], for what is listened to besides.";

    ALSO_SYMBOL_RATE: Whole = Whole { from: *TONE_BAUD.start(), to: *SHIFT_BAUD.end() },
    "symbol_rate_baud", Preset::Absent("the symbol rate of the named pair, else of the mode"),
    "As 'symbol_rate_baud' of [[port]], for what is listened to besides.";

    ALSO_INVERTED: YesNo = YesNo, "inverted", Preset::Always("false"),
    "As 'inverted' of [[port]], for what is listened to besides.";
}

settings! { BEACON, "The settings of `[[port.beacon]]`.", "[[port.beacon]]":
    BEACON_TO: Call = Call, "to", Preset::Always("\"BEACON\""),
    "Address that the text is sent to.";

    BEACON_VIA: Calls = Calls { most: MOST_REPEATERS }, "via", Preset::Always("[]"),
    "Digipeaters on the way, in order. Common practice: none, at most one.";

    INTERVAL: Span = Span { unit: &MIN, from: 10.0, rehearsal_from: 0.02, to: 1440.0 },
    "interval_min", Preset::OnTheAir { slow: "60", fast: "30", rehearsal: "30" },
    "Time between two sendings. Common practice: less than 15 minutes is too often for a busy \
     channel, about 30 minutes is right; rarer or none at all on HF.";

    FIRST_DELAY: Span = Span { unit: &S, from: 60.0, rehearsal_from: 0.0, to: 86_400.0 },
    "first_delay_s", Preset::OnTheAir { slow: "600", fast: "300", rehearsal: "300" },
    "Time from the start of the station to the first sending, so that a station that restarts \
     often does not flood the channel.";

    BEACON_TEXT: Words = Words { fewest: 1, most: 256, lines: false }, "text",
    Preset::Required("\"Marrow Isles relay, connect to QA1SKY-7 for HF\""),
    "The text, at most the info_length_octets of the port. Put what matters most first.";
}

/// Versions of AX.25.
const VERSIONS: &[(&str, Version)] = &[("2.0", Version::V20), ("2.2", Version::V22)];

/// Check octets of forward error correction.
const FEC_STRENGTHS: &[(u32, Option<FecStrength>)] = &[
    (0, None),
    (16, Some(FecStrength::Check16)),
    (32, Some(FecStrength::Check32)),
    (64, Some(FecStrength::Check64)),
];

const TONE: Whole = Whole {
    from: *TONE_HZ.start(),
    to: *TONE_HZ.end(),
};

/// Every named pair of tones.
const PAIRS: &[(&str, NamedPair)] = &pairs();

const fn pairs() -> [(&'static str, NamedPair); NAMED_PAIRS.len()] {
    let mut pairs = [("", NAMED_PAIRS[0]); NAMED_PAIRS.len()];
    let mut index = 0;
    while index < pairs.len() {
        pairs[index] = (NAMED_PAIRS[index].name, NAMED_PAIRS[index]);
        index += 1;
    }
    pairs
}

/// Every mode by its name.
const MODES: &[(&str, Mode)] = &modes();

const fn modes() -> [(&'static str, Mode); Mode::ALL.len()] {
    let mut modes = [("", Mode::ALL[0]); Mode::ALL.len()];
    let mut index = 0;
    while index < modes.len() {
        modes[index] = (Mode::ALL[index].name(), Mode::ALL[index]);
        index += 1;
    }
    modes
}
