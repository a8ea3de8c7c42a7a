//! How a port guards its key: `[port.sense]` and `[port.limits]`.

use dunlin_station::gate::Interlock;

use crate::device::{ExternalSense, Path, StatusLine};
use crate::measure::{DB, MIN, Number, S, Span};
use crate::rule::{Choice, Whole, YesNo};
use crate::setting::{Preset, Setting};

settings! { SENSE, "The settings of `[port.sense]`.", "[port.sense]":
    SENSE_DATA: YesNo = YesNo, "data", Preset::Always("true"),
    "Tones with the bit timing of the port's own mode occupy the channel. The surest sign of other \
     stations, and neither voice nor noise upsets it.";

    SENSE_ENERGY: YesNo = YesNo, "energy", Preset::Always("false"),
    "Energy above the learned noise floor occupies the channel, whatever it is. It also sees voice \
     and other modes; on FM it needs a squelch that is closed.";

    ENERGY_MARGIN: Number = Number { unit: &DB, from: 3.0, to: 30.0 }, "energy_margin_db",
    Preset::BySpeed { slow: "8", fast: "10" },
    "How far above the noise floor energy counts. Less sees weaker stations and more false ones.";

    EXTERNAL: Choice<ExternalSense> = Choice(&[
        ("none", ExternalSense::None),
        ("serial", ExternalSense::Serial),
        ("gpio", ExternalSense::Gpio),
        ("hid", ExternalSense::Hid),
    ]), "external", Preset::Always("\"none\""),
    "A line by which the radio says that its squelch is open: an input line of a serial port, a \
     pin of the computer, or a pin of a USB audio codec.";

    SENSE_DEVICE: Path = Path, "device", Preset::Absent("it must be given for serial and hid"),
    "For serial and hid: as 'device' of [port.key]; it may be the same.";

    SENSE_LINE: Choice<StatusLine> = Choice(&[
        ("cts", StatusLine::Cts),
        ("dcd", StatusLine::Dcd),
        ("dsr", StatusLine::Dsr),
        ("ri", StatusLine::Ri),
    ]), "line", Preset::Always("\"cts\""), "For serial: the input line.";

    SENSE_CHIP: Path = Path, "chip", Preset::Absent("it must be given for gpio"),
    "For gpio: the device node of the chip, such as \"/dev/gpiochip0\".";

    SENSE_PIN: Whole = Whole { from: 0, to: 511 }, "pin",
    Preset::Absent("it must be given for gpio and hid"),
    "For gpio: the number of the pin on its chip, from 0. For hid: the pin of the codec, 1 to 8.";

    SENSE_INVERTED: YesNo = YesNo, "inverted", Preset::Always("false"),
    "true = the channel is busy while the line is off.";
}

settings! { LIMITS, "The settings of `[port.limits]`.", "[port.limits]":
    SINGLE: Span = Span { unit: &S, from: 1.0, rehearsal_from: 1.0, to: 120.0 }, "single_s",
    Preset::OnTheAir { slow: "20", fast: "15", rehearsal: "30" },
    "Longest key-down. It stands behind longest_transmission_s, with room for delay and tail.";

    TEN_MINUTES: Span = Span { unit: &S, from: 1.0, rehearsal_from: 1.0, to: 600.0 },
    "ten_minutes_s", Preset::OnTheAir { slow: "120", fast: "150", rehearsal: "300" },
    "Key-down in any ten minutes, all transmissions together: the channel is not ours alone, and \
     a radio must cool.";

    HOUR_LIMIT: Span = Span { unit: &S, from: 1.0, rehearsal_from: 1.0, to: 3600.0 }, "hour_s",
    Preset::OnTheAir { slow: "360", fast: "720", rehearsal: "1200" },
    "Key-down in any hour, all transmissions together. Common practice: a tenth of a shared HF \
     channel is much, a fifth of a VHF channel.";

    WAIT_ALARM: Span = Span { unit: &S, from: 10.0, rehearsal_from: 1.0, to: 3600.0 },
    "wait_alarm_s", Preset::OnTheAir { slow: "600", fast: "300", rehearsal: "300" },
    "A frame that waits longer raises an alarm, instead of waiting on in silence.";

    IDENTIFY_EVERY: Span = Span { unit: &MIN, from: 1.0, rehearsal_from: 1.0, to: 30.0 },
    "identify_every_min", Preset::OnTheAir { slow: "9", fast: "9.5", rehearsal: "10" },
    "Longest time between two identifications while the port transmits. 47 CFR 97.119(a) asks for \
     ten minutes; the rest leaves time to find the channel clear, which takes longer on HF.";

    INTERLOCK: Choice<Interlock> = Choice(&[
        ("none", Interlock::None),
        ("not_together", Interlock::NotTogether),
        ("yield", Interlock::YieldToHearing),
    ]), "interlock", Preset::ByWorld { real: "\"not_together\"", rehearsal: "\"none\"" },
    "\"not_together\" = this port never keys while another one is keyed: one radio deafens the \
     other, and the power supply may not bear both. \"yield\" = it also waits while another port \
     hears data. \"none\" = ports take no notice of each other.";

    SETTLE: Span = Span { unit: &S, from: 0.0, rehearsal_from: 0.0, to: 600.0 }, "settle_s",
    Preset::OnTheAir { slow: "30", fast: "20", rehearsal: "0" },
    "After the start the port only listens for so long, so that a station that restarts learns \
     what is on the channel before it sends.";
}
