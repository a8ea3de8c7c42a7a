//! Key-down limits, identification, settling.

use dunlin_station::gate::Interlock;

use super::{Check, View};
use crate::device::{KeyLine, KeyMethod};
use crate::finding::Severity::{Attention, Hint, Stop};

const PRACTICE: &str = "common practice, no source";

/// The key is a line that a keyer of ours holds.
fn by_keyer(line: &KeyLine) -> bool {
    !matches!(
        line.method(),
        KeyMethod::None | KeyMethod::Vox | KeyMethod::Controller
    )
}

/// Ports that would transmit over a radio.
fn on_air<'a>(view: &View<'a>) -> impl Iterator<Item = super::Port<'a>> + use<'a> {
    view.sending().filter(|port| !port.devices.is_loop())
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "limits-disorder",
        severity: Attention,
        reason: "A limit for a longer time that is below one for a shorter time hides the other.",
        source: "arithmetic",
        look: |view, out| {
            for port in view.sending() {
                let limits = &port.config.gate.limits;
                if limits.single > limits.ten_minutes || limits.ten_minutes > limits.hour {
                    let s = |t: std::time::Duration| t.as_secs_f64();
                    let evidence = format!(
                        "single_s {}, ten_minutes_s {}, hour_s {}",
                        s(limits.single),
                        s(limits.ten_minutes),
                        s(limits.hour)
                    );
                    out.push(port.say(
                        "limits",
                        "the key-down limits are out of order",
                        evidence,
                        "One of them never takes hold.",
                        "Let single_s be below ten_minutes_s, and that below hour_s.",
                    ));
                }
            }
        },
    },
    Check {
        id: "single-long",
        severity: Attention,
        reason: "A fault keys for as long as the limit allows.",
        source: "47 CFR 97.213(b) allows three minutes; tens of seconds are better: common practice",
        look: |view, out| {
            for port in view.sending() {
                let single = port.config.gate.limits.single.as_secs_f64();
                if single > 60.0 {
                    out.push(port.say(
                        "limits.single_s",
                        "one key-down may last long",
                        format!("{single} s"),
                        "A fault blocks the channel and heats the radio for so long.",
                        "Take 15 s on VHF, 20 s on HF.",
                    ));
                }
            }
        },
    },
    Check {
        id: "duty-over-rating",
        severity: Attention,
        reason: "Data is full power while keyed; radios rated for speech overheat.",
        source: PRACTICE,
        look: |view, out| {
            for port in view.sending() {
                let Some(radio) = &port.devices.radio else {
                    continue;
                };
                let share = port.config.gate.limits.ten_minutes.as_secs_f64() / 6.0;
                if share > radio.rated_duty_percent {
                    out.push(port.say(
                        "limits.ten_minutes_s",
                        "the key-down limits exceed what the radio bears",
                        format!(
                            "{share:.0} % of ten minutes, the radio is rated for {} %",
                            radio.rated_duty_percent
                        ),
                        "Its final stage overheats.",
                        "Lower ten_minutes_s, or the power.",
                    ));
                }
            }
        },
    },
    Check {
        id: "share-large",
        severity: Hint,
        reason: "A shared channel belongs to everybody who hears it.",
        source: PRACTICE,
        look: |view, out| {
            for port in on_air(view) {
                let share = port.config.gate.limits.hour.as_secs_f64() / 36.0;
                let most = if port.slow() { 12.5 } else { 25.0 };
                if share > most {
                    out.push(port.say(
                        "limits.hour_s",
                        "this station may take much of the channel",
                        format!("{share:.0} % of an hour; {most} % is plenty at this speed"),
                        "Others do not get their turn.",
                        "Lower hour_s.",
                    ));
                }
            }
        },
    },
    Check {
        id: "keyer-shorter",
        severity: Attention,
        reason: "The keyer's limit stands behind the station's.",
        source: "this program's design",
        look: |view, out| {
            for port in view
                .sending()
                .filter(|port| by_keyer(&port.devices.key.line))
            {
                let (keyer, single) = (
                    port.devices.key.longest_key_down,
                    port.config.gate.limits.single,
                );
                if keyer < single {
                    out.push(port.say(
                        "key.longest_key_down_s",
                        "the keyer releases before the station's own limit",
                        format!(
                            "keyer {} s, single_s {} s",
                            keyer.as_secs_f64(),
                            single.as_secs_f64()
                        ),
                        "Long transmissions are cut, and the keyer then rests.",
                        "Let longest_key_down_s be a little above single_s.",
                    ));
                }
            }
        },
    },
    Check {
        id: "keyer-longer",
        severity: Attention,
        reason: "The second line of defence should not be far behind the first.",
        source: "this program's design",
        look: |view, out| {
            for port in view
                .sending()
                .filter(|port| by_keyer(&port.devices.key.line))
            {
                let (keyer, single) = (
                    port.devices.key.longest_key_down,
                    port.config.gate.limits.single,
                );
                if keyer > single * 2 {
                    out.push(port.say(
                        "key.longest_key_down_s",
                        "the keyer's limit is far beyond the port's",
                        format!(
                            "keyer {} s, single_s {} s",
                            keyer.as_secs_f64(),
                            single.as_secs_f64()
                        ),
                        "If the station fails to release, the key stays down for so long.",
                        "Let longest_key_down_s be a little above single_s.",
                    ));
                }
            }
        },
    },
    Check {
        id: "identify-late",
        severity: Stop,
        reason: "A station identifies at short intervals.",
        source: "Radio Regulations 25.9; 47 CFR 97.119(a)",
        look: |view, out| {
            for port in on_air(view) {
                let minutes = port.config.gate.identify_every.as_secs_f64() / 60.0;
                let rule = &view.region.identify;
                if minutes > rule.every_min {
                    out.push(port.say("limits.identify_every_min", "the station identifies too seldom",
                        format!("every {minutes} min; {} min by {}", rule.every_min, rule.source),
                        "Transmissions go without call sign for longer than the rule of the region.",
                        format!("Take {} min or less.", rule.every_min)));
                }
            }
        },
    },
    Check {
        id: "settle-short",
        severity: Attention,
        reason: "A station that restarts often must not burst onto the channel each time.",
        source: PRACTICE,
        look: |view, out| {
            for port in on_air(view) {
                let settle = port.config.gate.settle.as_secs_f64();
                if settle < 5.0 {
                    out.push(port.say(
                        "limits.settle_s",
                        "the station sends as soon as it starts",
                        format!("settle_s = {settle}"),
                        "It does not know yet what is on the channel.",
                        "Take 20 s on VHF, 30 s on HF.",
                    ));
                }
            }
        },
    },
    Check {
        id: "wait-alarm-late",
        severity: Hint,
        reason: "A frame that waits should not wait in silence.",
        source: "this program's design",
        look: |view, out| {
            for port in view.sending() {
                let alarm = port.config.gate.wait_alarm.as_secs_f64();
                if alarm > 1800.0 {
                    out.push(port.say(
                        "limits.wait_alarm_s",
                        "a frame may wait long before anybody is told",
                        format!("{alarm} s"),
                        "A stuck channel is noticed late.",
                        "Take 300 s on VHF, 600 s on HF.",
                    ));
                }
            }
        },
    },
    Check {
        id: "interlock-none",
        severity: Hint,
        reason: "One radio deafens the other, and the power supply may not bear both.",
        source: PRACTICE,
        look: |view, out| {
            if on_air(view).count() < 2 {
                return;
            }
            for port in on_air(view).filter(|port| port.config.gate.interlock == Interlock::None) {
                out.push(port.say(
                    "limits.interlock",
                    "it takes no notice of the other ports",
                    "interlock = \"none\"",
                    "Both radios may key at once; while one sends, the other may be deaf.",
                    "Take \"not_together\" or \"yield\".",
                ));
            }
        },
    },
];
