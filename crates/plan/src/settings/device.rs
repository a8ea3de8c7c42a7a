//! What connects a port to the outer world: `[port.sound]`, `[port.controller]`,
//! `[port.key]` and `[port.radio]`.

use crate::device::{DeviceRule, KeyMethod, OctetString, Path, SerialLine};
use crate::measure::{BAUD, HZ, KHZ, Number, PERCENT, S, Span, W};
use crate::radio::{RadioKind, Sideband, Squelch};
use crate::rule::{Address, Choice, Whole, YesNo};
use crate::setting::{Preset, Setting};
use crate::sound::ChannelRule;

settings! { SOUND, "The settings of `[port.sound]`.", "[port.sound]":
    INPUT: DeviceRule = DeviceRule, "input", Preset::Always("\"default\""),
    "Sound device that the receiver is connected to, as dunlin run --list-devices prints it.";

    OUTPUT: DeviceRule = DeviceRule, "output", Preset::Always("\"none\""),
    "Sound device that the transmitter is connected to, named as for 'input'. \"none\": this port \
     only hears.";

    CHANNEL: ChannelRule = ChannelRule, "channel", Preset::Always("\"mono\""),
    "Channel of the device, for both directions: \"left\", \"right\", a number from 1, or \
     \"mono\" (hears the mean of all, sends the same on all). Two ports may share one device on \
     different channels.";

    RATE: Number = Number { unit: &HZ, from: 8_000.0, to: 192_000.0 }, "rate_hz",
    Preset::Always("48000"),
    "Samples per second, for both directions. 48000 is what sound devices do without converting.";

    LOOP: YesNo = YesNo, "loop", Preset::Always("false"),
    "true = this port is a cable or a loop in the sound server, with no radio on it. Only such a \
     port may send under an invented call sign that begins with Q.";
}

settings! { SECOND_SOUND, "The settings of `[port.second_sound]`.", "[port.second_sound]":
    SECOND_INPUT: DeviceRule = DeviceRule, "input", Preset::Required("\"default\""),
    "A second sound input that hears the same channel: another receiver or antenna. What both \
     hear is combined. Named as 'input' of [port.sound]; it may be the same device with another \
     channel. If it is missing, the port goes on with the first.";

    SECOND_CHANNEL: ChannelRule = ChannelRule, "channel", Preset::Always("\"mono\""),
    "Channel of that device: \"left\", \"right\", a number from 1, or \"mono\".";
}

settings! { KEY, "The settings of `[port.key]`.", "[port.key]":
    KEY_METHOD: Choice<KeyMethod> = Choice(KEY_METHODS), "method",
    Preset::Absent("\"none\", or \"controller\" with [port.controller]"),
    "What keys the transmitter: \"serial\" = an output line of a serial port; \"gpio\" = a pin of \
     the computer; \"hid\" = a pin of a USB audio codec; \"cat\" = commands to the radio; \"vox\" = \
     the radio keys by itself when it gets sound; \"controller\" = the controller keys; \"none\" = \
     nothing has to be keyed, as on a cable.";

    KEY_DEVICE: Path = Path, "device", Preset::Absent("it must be given for serial, hid and cat"),
    "For serial and cat: the serial port, best by a name below /dev/serial/by-id or \
     /dev/serial/by-path, which stays when devices are plugged in another order. For hid: the \
     device node, or usb: and the socket, such as \"usb:0000:00:14.0-2\".";

    KEY_LINE: Choice<SerialLine> = Choice(&[("rts", SerialLine::Rts), ("dtr", SerialLine::Dtr)]),
    "line", Preset::Always("\"rts\""), "For serial: the line that keys.";

    KEY_INVERTED: YesNo = YesNo, "inverted", Preset::Always("false"),
    "For serial, gpio and hid: true = the radio keys while the line is off. Such a radio keys also \
     when the plug is pulled or the computer is off: avoid it.";

    KEY_OPPOSED: YesNo = YesNo, "opposed", Preset::Always("false"),
    "For serial: true = the other line is always driven to the opposite, for interfaces that key \
     only while the two lines differ. A port that a starting computer sets to both on or both off \
     then keys nothing.";

    KEY_CHIP: Path = Path, "chip", Preset::Absent("it must be given for gpio"),
    "For gpio: the device node of the chip, such as \"/dev/gpiochip0\".";

    KEY_PIN: Whole = Whole { from: 0, to: 511 }, "pin",
    Preset::Absent("it must be given for gpio; 3 for hid"),
    "For gpio: the number of the pin on its chip, from 0. For hid: the pin of the codec, 1 to 8, \
     as its data sheet counts; 3 is usual (common practice, no source).";

    KEY_HEX: OctetString = OctetString { most: 64 }, "key_hex",
    Preset::Absent("it must be given for cat"),
    "For cat: what is sent to key, two hexadecimal digits for each octet, from the radio's manual.";

    RELEASE_HEX: OctetString = OctetString { most: 64 }, "release_hex",
    Preset::Absent("it must be given for cat"),
    "For cat: what is sent to release, written like key_hex.";

    KEY_SPEED: Number = Number { unit: &BAUD, from: 50.0, to: 4_000_000.0 }, "speed_baud",
    Preset::Always("9600"), "For cat: speed of the serial port, as set in the radio.";

    LONGEST_KEY_DOWN: Span = Span { unit: &S, from: 1.0, rehearsal_from: 1.0, to: 180.0 },
    "longest_key_down_s", Preset::BySpeed { slow: "25", fast: "20" },
    "The independent keyer releases after so long by itself, whatever the station says. It is the \
     second line behind single_s of [port.limits] and should be a little longer. 47 CFR 97.213(b) \
     allows three minutes at most when a control link fails.";

    KEY_REST: Span = Span { unit: &S, from: 1.0, rehearsal_from: 1.0, to: 3600.0 }, "rest_s",
    Preset::BySpeed { slow: "20", fast: "10" },
    "After that limit the keyer keys again only when nobody has asked it to for so long, so that \
     a fault cannot key again and again.";
}

settings! { CONTROLLER, "The settings of `[port.controller]`.", "[port.controller]":
    LINK: Choice<bool> = Choice(&[("serial", false), ("tcp", true)]), "link",
    Preset::Required("\"tcp\""), "How the KISS controller is reached.";

    CONTROLLER_DEVICE: Path = Path, "device", Preset::Absent("it must be given for serial"),
    "For serial: the serial port, best by a name below /dev/serial/by-id or /dev/serial/by-path.";

    CONTROLLER_SPEED: Number = Number { unit: &BAUD, from: 300.0, to: 4_000_000.0 }, "speed_baud",
    Preset::Always("9600"), "For serial: the speed that the controller is set to.";

    FLOW_CONTROL: YesNo = YesNo, "flow_control", Preset::Always("false"),
    "For serial: true = the lines RTS and CTS say who may send on. The published paper has no flow \
     control (KISS, section 2); some controllers need it, others stop for ever with it.";

    ADDRESS: Address = Address { port: true }, "address",
    Preset::Always("\"127.0.0.1:8100\""),
    "For tcp: host and port, such as \"127.0.0.1:8100\".";

    NUMBER: Whole = Whole { from: 0, to: 15 }, "number", Preset::Always("0"),
    "The radio at the controller: the high nibble of KISS. A dual-port controller has 0 and 1.";

    FULL_DUPLEX: YesNo = YesNo, "full_duplex", Preset::Always("false"),
    "true = the controller sends without heed of what it hears. Only for a channel of your own in \
     each direction.";

    SEND_TAIL: YesNo = YesNo, "send_tail", Preset::Always("false"),
    "true = tail_ms of the port is sent to the controller. The paper calls this parameter \
     obsolete (KISS, section 4), so it is left to the controller otherwise.";

    ACKNOWLEDGED: YesNo = YesNo, "acknowledged", Preset::Always("false"),
    "true = the controller is asked to say when a frame has left the transmitter (Multi-Drop KISS, \
     command C). Plain controllers do not know this.";
}

settings! { RADIO, "The settings of `[port.radio]`. They set nothing; checks and reminders use them.",
    "[port.radio]":
    RADIO_KIND: Choice<RadioKind> = Choice(RADIO_KINDS), "kind", Preset::Required("\"vhf_fm\""),
    "The radio: \"hf_ssb\" = single sideband; \"vhf_fm\" = FM through microphone and loudspeaker; \
     \"handheld\" = the same, from a battery; \"data_port\" = FM through a data connection.";

    DIAL: Number = Number { unit: &KHZ, from: 100.0, to: 30_000_000.0 }, "dial_khz",
    Preset::Absent("no check looks at the frequency"),
    "What the dial shows: on SSB the suppressed carrier, on FM the channel. Checks compute from it \
     where the signal lies.";

    SIDEBAND: Choice<Sideband> = Choice(&[("usb", Sideband::Upper), ("lsb", Sideband::Lower)]),
    "sideband", Preset::Absent("on SSB no check looks at the frequency"),
    "For hf_ssb: the sideband that the radio is set to.";

    SQUELCH: Choice<Squelch> = Choice(&[
        ("open", Squelch::Open),
        ("closed", Squelch::Closed),
        ("unknown", Squelch::Unknown),
    ]), "squelch", Preset::Always("\"unknown\""),
    "Whether the sound that Dunlin gets is cut while nothing is heard. Open is better: a data \
     detector then notices another sender sooner (common practice, no source).";

    CHANNEL_WIDTH: Number = Number { unit: &KHZ, from: 1.0, to: 1000.0 }, "channel_khz",
    Preset::Absent("no check looks at the deviation"),
    "For FM: spacing of the channels, 12.5, 20 or 25.";

    POWER: Number = Number { unit: &W, from: 0.001, to: 3000.0 }, "power_w",
    Preset::Absent("no check looks at the power"), "Power at the transmitter's output while keyed.";

    RATED_DUTY: Number = Number { unit: &PERCENT, from: 1.0, to: 100.0 }, "rated_duty_percent",
    Preset::Absent("50 for hf_ssb and handheld, 100 else"),
    "Share of the time that the radio may be keyed at this power. Data is full power while keyed; \
     radios rated for speech bear about half (common practice, no source).";

    BANDWIDTH: Number = Number { unit: &HZ, from: 50.0, to: 200_000.0 }, "bandwidth_hz",
    Preset::Absent("computed from the mode"), "Bandwidth of the signal on the air, if you know it.";

    UNATTENDED: YesNo = YesNo, "unattended", Preset::Always("false"),
    "true = the station works on this port while no control operator is at the controls (automatic \
     control). Checks then look at the segments of the region.";
}

const KEY_METHODS: &[(&str, KeyMethod)] = &[
    ("none", KeyMethod::None),
    ("vox", KeyMethod::Vox),
    ("serial", KeyMethod::Serial),
    ("gpio", KeyMethod::Gpio),
    ("hid", KeyMethod::Hid),
    ("cat", KeyMethod::Cat),
    ("controller", KeyMethod::Controller),
];

const RADIO_KINDS: &[(&str, RadioKind)] = &[
    ("hf_ssb", RadioKind::HfSsb),
    ("vhf_fm", RadioKind::VhfFm),
    ("handheld", RadioKind::Handheld),
    ("data_port", RadioKind::DataPort),
];
