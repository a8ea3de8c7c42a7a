//! The radio, its frequency, bandwidth and symbol rate.

use dunlin_modem::Line;

use super::{Check, Port, Say, View};
use crate::finding::Severity::{Attention, Hint, Stop};
use crate::radio::{RadioKind, RadioPlan, Sideband};
use crate::region::Bandwidth;

const PRACTICE: &str = "common practice, no source";

/// Middle of the tones, Hz, and their distance.
fn tones(line: Line) -> Option<(f64, f64)> {
    line.centre_hz().zip(line.shift_hz())
}

/// Where the middle of the signal lies, kHz.
fn centre_khz(port: &Port<'_>, radio: &RadioPlan) -> Option<f64> {
    let dial = radio.dial_khz?;
    if radio.kind.is_fm() {
        return Some(dial);
    }
    let audio = (tones(port.config.line)?.0 + f64::from(port.config.offset_hz)) / 1e3;
    match radio.sideband? {
        Sideband::Upper => Some(dial + audio),
        Sideband::Lower => Some(dial - audio),
    }
}

/// Bandwidth on the air, Hz: given, or by Carson's rule for FM with 3 kHz deviation, or the
/// distance of the tones and the symbol rate.
fn bandwidth_hz(port: &Port<'_>, radio: &RadioPlan) -> f64 {
    let baud = f64::from(port.config.line.baud());
    let highest =
        tones(port.config.line).map_or(baud / 2.0, |(middle, shift)| middle + shift / 2.0);
    radio.bandwidth_hz.unwrap_or(match radio.kind {
        RadioKind::HfSsb => tones(port.config.line).map_or(baud, |(_, shift)| shift) + baud,
        _ => 2.0 * (3000.0 + highest),
    })
}

/// Each port that describes its radio.
fn radios<'a>(view: &View<'a>) -> impl Iterator<Item = (Port<'a>, &'a RadioPlan)> + use<'a> {
    view.ports()
        .filter_map(|port| port.devices.radio.as_ref().map(|radio| (port, radio)))
}

/// The narrowest limit of the region that holds anywhere the middle of the signal may be: following
/// moves it to either side.
fn strictest<'a>(view: &View<'a>, port: &Port<'_>, centre_khz: f64) -> Option<&'a Bandwidth> {
    let follow_khz = f64::from(port.config.follow_most_hz) / 1e3;
    let places = [centre_khz, centre_khz - follow_khz, centre_khz + follow_khz];
    let limits = places
        .into_iter()
        .filter_map(|khz| view.region.bandwidth_at(khz));
    limits.min_by(|a, b| a.most_hz.total_cmp(&b.most_hz))
}

fn automatic(view: &View<'_>, out: &mut Vec<Say>) {
    let Some(rule) = &view.region.automatic else {
        return;
    };
    for (port, radio) in
        radios(view).filter(|(port, radio)| radio.unattended && port.config.may_transmit)
    {
        let Some(centre) = centre_khz(&port, radio).filter(|khz| *khz < rule.below_khz) else {
            continue;
        };
        let follow = f64::from(port.config.follow_most_hz);
        let half = (bandwidth_hz(&port, radio) / 2.0 + follow) / 1e3;
        let inside = rule
            .segments_khz
            .iter()
            .any(|[from, to]| centre - half >= *from && centre + half <= *to);
        if !inside {
            let width = bandwidth_hz(&port, radio);
            let more = match width > rule.elsewhere_most_hz {
                true => format!(
                    " and is {width:.0} Hz wide, more than {} Hz",
                    rule.elsewhere_most_hz
                ),
                false => String::new(),
            };
            out.push(port.say("radio.dial_khz", "automatic operation outside the segments of the region",
                format!("the signal is at {centre:.2} kHz{more}; {}", rule.source),
                "Outside the segments an unattended station may only answer, with a narrow signal.",
                "Move into a segment, stay at the controls (unattended = false), or ask what your licence allows."));
        }
    }
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "rf-centre",
        severity: Hint,
        reason: "Dial, sideband and tones together say where the signal is.",
        source: "RF = dial + tone (USB), dial - tone (LSB)",
        look: |view, out| {
            for (port, radio) in radios(view).filter(|(_, radio)| !radio.kind.is_fm()) {
                if let Some(centre) = centre_khz(&port, radio) {
                    let width = bandwidth_hz(&port, radio);
                    out.push(port.say(
                        "radio.dial_khz",
                        format!("the signal is at {centre:.3} kHz"),
                        format!(
                            "dial {} kHz, middle of the tones {} Hz, about {width:.0} Hz wide",
                            radio.dial_khz.unwrap_or_default(),
                            tones(port.config.line).map_or(0.0, |(middle, _)| middle)
                                + f64::from(port.config.offset_hz)
                        ),
                        "Others must be at the same place, whatever their dial says.",
                        "Compare it with what your partners use.",
                    ));
                }
            }
        },
    },
    Check {
        id: "sideband-missing",
        severity: Hint,
        reason: "Without the sideband nobody knows where the signal is.",
        source: "RF = dial + tone (USB), dial - tone (LSB)",
        look: |view, out| {
            for (port, radio) in radios(view) {
                if !radio.kind.is_fm() && radio.dial_khz.is_some() && radio.sideband.is_none() {
                    out.push(port.say(
                        "radio.dial_khz",
                        "the dial frequency is given without the sideband",
                        "no 'sideband'",
                        "No check can look at the frequency.",
                        "Add sideband = \"usb\" or \"lsb\".",
                    ));
                }
            }
        },
    },
    Check {
        id: "automatic-segment",
        severity: Attention,
        reason: "Automatic operation on HF is limited to segments in some countries.",
        source: "47 CFR 97.221(b), (c)",
        look: automatic,
    },
    Check {
        id: "bandwidth-over-region",
        severity: Stop,
        reason: "A signal may not be wider than the rules allow.",
        source: "47 CFR 97.307(f)",
        look: |view, out| {
            for (port, radio) in radios(view).filter(|(port, _)| port.config.may_transmit) {
                let Some(centre) = centre_khz(&port, radio) else {
                    continue;
                };
                let width = bandwidth_hz(&port, radio);
                if let Some(limit) =
                    strictest(view, &port, centre).filter(|limit| width > limit.most_hz)
                {
                    out.push(port.say(
                        "radio.dial_khz",
                        "the signal is wider than the region's rule",
                        format!(
                            "{width:.0} Hz at {centre:.1} kHz, allowed {} Hz: {}",
                            limit.most_hz, limit.source
                        ),
                        "It would be out of the rules.",
                        "Choose a narrower mode or another band; your licence decides.",
                    ));
                }
            }
        },
    },
    Check {
        id: "baud-over-region",
        severity: Stop,
        reason: "Some rules limit the symbol rate.",
        source: "47 CFR 97.307(f)",
        look: |view, out| {
            for (port, radio) in radios(view).filter(|(port, _)| port.config.may_transmit) {
                let Some(centre) = centre_khz(&port, radio) else {
                    continue;
                };
                let baud = f64::from(port.config.line.baud());
                let limit = view.region.bandwidth_at(centre);
                if let Some((limit, most)) = limit
                    .and_then(|limit| limit.most_baud.map(|most| (limit, most)))
                    .filter(|(_, most)| baud > *most)
                {
                    out.push(port.say(
                        "mode",
                        "the symbol rate is higher than the region's rule",
                        format!("{baud} Bd, allowed {most}: {}", limit.source),
                        "It would be out of the rules.",
                        "Choose a slower mode.",
                    ));
                }
            }
        },
    },
    Check {
        id: "mode-and-radio",
        severity: Attention,
        reason: "300 Bd is made for single sideband, faster modes for FM.",
        source: PRACTICE,
        look: |view, out| {
            for (port, radio) in radios(view) {
                if port.slow() == radio.kind.is_fm() {
                    out.push(port.say("mode", "mode and radio do not suit each other",
                        format!("{} with kind = \"{}\"", port.config.line, if radio.kind.is_fm() { "FM" } else { "hf_ssb" }),
                        "Nobody else on that channel uses this, and fading breaks fast modes on HF.",
                        "Take afsk300 on HF single sideband, afsk1200 or faster on FM."));
                }
            }
        },
    },
    Check {
        id: "fast-through-microphone",
        severity: Attention,
        reason: "Microphone and loudspeaker cut what fast direct modes need.",
        source: PRACTICE,
        look: |view, out| {
            for (port, radio) in radios(view) {
                let direct = !port.config.line.has_tones();
                if direct && matches!(radio.kind, RadioKind::VhfFm | RadioKind::Handheld) {
                    out.push(port.say(
                        "mode",
                        "this mode does not pass a microphone input",
                        format!("{}", port.config.line),
                        "Nothing is decoded at either end.",
                        "Use the radio's data connection (kind = \"data_port\"), or afsk1200.",
                    ));
                }
            }
        },
    },
    Check {
        id: "emphasis-on-ssb",
        severity: Attention,
        reason: "Single sideband sends every tone as loud as it gets it.",
        source: PRACTICE,
        look: |view, out| {
            for (port, _) in radios(view).filter(|(_, radio)| !radio.kind.is_fm()) {
                if port.config.pre_emphasis_db_per_octave != 0.0 {
                    out.push(port.say(
                        "pre_emphasis_db_per_octave",
                        "single sideband needs no pre-emphasis",
                        format!("{} dB per octave", port.config.pre_emphasis_db_per_octave),
                        "The lower tone is sent weaker, and nothing at the other end raises it.",
                        "Leave pre_emphasis_db_per_octave out.",
                    ));
                }
            }
        },
    },
    Check {
        id: "emphasis-twice",
        severity: Attention,
        reason: "A microphone input has a pre-emphasis of its own.",
        source: PRACTICE,
        look: |view, out| {
            for (port, radio) in radios(view) {
                let microphone = matches!(radio.kind, RadioKind::VhfFm | RadioKind::Handheld);
                if microphone && port.config.pre_emphasis_db_per_octave != 0.0 {
                    out.push(port.say(
                        "pre_emphasis_db_per_octave",
                        "the higher tone is raised twice",
                        format!(
                            "{} dB per octave here, and the microphone input's own",
                            port.config.pre_emphasis_db_per_octave
                        ),
                        "The lower tone arrives weak, and the higher one takes all the deviation.",
                        "Leave it out, or use the radio's flat data input (kind = \"data_port\").",
                    ));
                }
            }
        },
    },
    Check {
        id: "narrow-channel",
        severity: Hint,
        reason: "Deviation must fit the channel.",
        source: "commercial planning figures: 2.5 kHz peak for 12.5 kHz channels",
        look: |view, out| {
            for (port, radio) in radios(view).filter(|(_, radio)| radio.kind.is_fm()) {
                if let Some(width) = radio.channel_khz.filter(|width| *width < 20.0) {
                    out.push(port.say(
                        "radio.channel_khz",
                        "the channel is narrow",
                        format!("{width} kHz"),
                        "The usual 3 kHz deviation goes into the neighbouring channel.",
                        "Set the level for about 1.5 to 1.75 kHz deviation.",
                    ));
                }
            }
        },
    },
    Check {
        id: "level-high",
        severity: Attention,
        reason: "Sound near full scale distorts, and overdriven signals are not decoded.",
        source: PRACTICE,
        look: |view, out| {
            for port in view.sending().filter(|port| port.devices.sound().is_some()) {
                if port.config.level_dbfs > -3.0 {
                    out.push(port.say(
                        "level_dbfs",
                        "the level is near full scale",
                        format!("{} dBFS", port.config.level_dbfs),
                        "Sound outputs distort there; the signal splatters and nobody decodes it.",
                        "Take -12 dBFS and set the gain at the radio.",
                    ));
                }
            }
        },
    },
    Check {
        id: "beacon-on-hf",
        severity: Attention,
        reason: "On HF a beacon takes a channel that covers half a continent.",
        source: PRACTICE,
        look: |view, out| {
            for port in view
                .sending()
                .filter(|port| port.slow() && !port.devices.is_loop())
            {
                if !port.config.beacons.is_empty() {
                    out.push(port.say(
                        "beacon",
                        "it sends a beacon on HF",
                        format!("{} beacons at 300 Bd", port.config.beacons.len()),
                        "Every sending occupies a channel that covers half a continent.",
                        "Leave beacons to VHF.",
                    ));
                }
            }
        },
    },
    Check {
        id: "remind-hf",
        severity: Hint,
        reason: "Settings of an HF radio that spoil data are not visible to the program.",
        source: PRACTICE,
        look: |view, out| {
            for (port, _) in radios(view).filter(|(_, radio)| radio.kind == RadioKind::HfSsb) {
                out.push(port.say("radio.kind", "look at the HF radio", "kind = \"hf_ssb\"",
                    "RIT, a turned dial, the speech processor or the noise blanker spoil data without a sign.",
                    "RIT off, dial locked, speech processor, noise blanker, noise reduction and notch off, ALC at rest."));
            }
        },
    },
    Check {
        id: "remind-fm",
        severity: Hint,
        reason: "Settings of an FM radio that lose the beginning of frames are not visible to the program.",
        source: PRACTICE,
        look: |view, out| {
            for (port, radio) in radios(view).filter(|(_, radio)| radio.kind.is_fm()) {
                let battery = if radio.kind == RadioKind::Handheld {
                    "Power save, dual watch"
                } else {
                    "Dual watch"
                };
                out.push(port.say("radio.kind", "look at the FM radio", "kind in [port.radio]",
                    "Power save, scanning and tone squelch lose the first tenths of a second of every frame.",
                    format!("{battery}, scanning and tone squelch off.")));
            }
        },
    },
    Check {
        id: "exposure",
        severity: Hint,
        reason: "Data counts as full power while keyed.",
        source: "OET Bulletin 65, Supplement B (duty factors, from memory)",
        look: |view, out| {
            for (port, radio) in radios(view).filter(|(port, _)| port.config.may_transmit) {
                if let Some(power) = radio.power_w.filter(|power| *power >= 50.0) {
                    out.push(port.say(
                        "radio.power_w",
                        "check the distance of people from the antenna",
                        format!("{power} W while keyed"),
                        "Data has a duty factor of 100 % while keyed, more than speech.",
                        "Redo the exposure evaluation with this duty; your rules decide.",
                    ));
                }
            }
        },
    },
];
