//! One crossing: `[[crossing]]`.

use dunlin_ax25::CallSign;
use dunlin_station::{CrossingRule, Notes, PortId, WhoMayCross};

use crate::fault::Faults;
use crate::finding::Finding;
use crate::nearest::nearest;
use crate::port::PortRead;
use crate::quantity::shorten;
use crate::rule::{Placed, Words};
use crate::section::Section;
use crate::setting::Setting;
use crate::settings;

/// What was read of a crossing, as far as it could be read.
pub(crate) struct CrossingRead {
    pub rule: Option<CrossingRule>,
    pub name: Option<Placed<String>>,
    pub from: Option<PortId>,
    pub to: Option<PortId>,
    pub call: Option<Placed<CallSign>>,
    pub far_call: Option<Placed<CallSign>>,
}

/// Reads a crossing between `ports`; what is odd about it goes to `findings`.
pub(crate) fn read(
    mut section: Section<'_>,
    ports: &[PortRead<'_>],
    faults: &mut Faults<'_>,
    findings: &mut Vec<Finding>,
) -> CrossingRead {
    let name = section.take(&settings::CROSSING_NAME, faults);
    let from = port(&mut section, &settings::FROM, ports, faults);
    let to = port(&mut section, &settings::TO, ports, faults);
    if from.is_some() && from == to {
        let what = "to: a crossing leads to another port than the one it comes from";
        faults.add(section.at("to"), what, other_names(ports, from));
    }
    let call = section.take(&settings::CROSSING_CALL, faults);
    let own_far = section.take(&settings::FAR_CALL, faults);
    let far_call = own_far.or(call.filter(|_| !section.was_written("far_call")));
    let who = section.take(&settings::ALLOW, faults);
    let reach = section.take(&settings::REACH, faults);
    let hours = section.take(&settings::CROSSING_HOURS, faults);
    let most = section.take(&settings::MOST, faults);
    let share = section.take(&settings::CROSSING_SHARE, faults);
    let digipeaters = digipeaters(&mut section, to, ports, faults);
    let told = [&settings::CROSSING_LICENCE, &settings::CROSSING_POWER];
    let notes = notes(&mut section, told, faults);
    let far_at = match section.was_written("far_call") {
        true => section.at("far_call"),
        false => section.at("call"),
    };
    let mut read = CrossingRead {
        rule: None,
        name: name.clone().map(|value| Placed {
            value,
            at: section.at("name"),
        }),
        from,
        to,
        call: call.map(|value| Placed {
            value,
            at: section.at("call"),
        }),
        far_call: far_call.map(|value| Placed { value, at: far_at }),
    };
    if let (Some(name), Some(from), Some(to), Some(call), Some(far_call)) =
        (name, from, to, call, far_call)
        && let (Some(who), Some(reach), Some(most), Some(share)) = (who, reach, most, share)
        && let Some(most_digipeaters) = digipeaters
    {
        read.rule = Some(CrossingRule {
            name,
            from,
            to,
            call,
            far_call,
            who,
            reach: reach.into_iter().map(|call| call.value).collect(),
            hours: hours.unwrap_or_default(),
            most: most as usize, // 1 to 8 by its rule.
            most_share: share / 100.0,
            most_digipeaters,
            notes,
        });
    }
    if let Some(rule) = &read.rule {
        findings.extend(odd(rule, &section, ports, faults));
    }
    section.finish(faults);
    read
}

/// What is odd about a crossing.
fn odd(
    rule: &CrossingRule,
    section: &Section<'_>,
    ports: &[PortRead<'_>],
    faults: &Faults<'_>,
) -> Vec<Finding> {
    let line = |name| faults.line_of(section.at(name).start);
    let open = open_to_all(rule, line("allow")).filter(|_| !section.rules().rehearsal);
    let from = closed(rule, rule.from, ports, line("from"));
    let to = closed(rule, rule.to, ports, line("to"));
    [open, from, to].into_iter().flatten().collect()
}

/// By how many digipeaters visitors are carried on to this port, at most; on HF only in so many words.
fn digipeaters(
    section: &mut Section<'_>,
    to: Option<PortId>,
    ports: &[PortRead<'_>],
    faults: &mut Faults<'_>,
) -> Option<usize> {
    let most = section.take(&settings::CROSSING_DIGIPEATERS, faults);
    let on_hf = section.take(&settings::CROSSING_DIGIPEATERS_HF, faults);
    let (most, on_hf) = (most?, on_hf?);
    let far = to.and_then(|to| ports.get(usize::from(to.0)));
    if most > 0 && !on_hf && far.is_some_and(|port| port.hf) {
        faults.add(
            section.at("most_digipeaters"),
            "most_digipeaters: visitors would be carried on by digipeaters on HF",
            "leave it out, or say digipeaters_on_hf = true: every repeat on HF occupies a channel that \
             covers half a continent",
        );
    }
    Some(most as usize) // 0 to 2 by its rule.
}

/// What visitors are told, of a crossing or of the node.
pub(crate) fn notes(
    section: &mut Section<'_>,
    [licence, power]: [&Setting<Words>; 2],
    faults: &mut Faults<'_>,
) -> Notes {
    Notes {
        licence: section.take(licence, faults),
        power: section.take(power, faults),
    }
}

pub(crate) fn port<R: crate::setting::Rule<Value = String>>(
    section: &mut Section<'_>,
    setting: &Setting<R>,
    ports: &[PortRead<'_>],
    faults: &mut Faults<'_>,
) -> Option<PortId> {
    let wanted = section.take(setting, faults)?;
    let names: Vec<&str> = names(ports).collect();
    let is_wanted = |port: &PortRead<'_>| port.name.as_ref().is_some_and(|n| n.value == wanted);
    let at = section.at(setting.name);
    let Some(index) = ports.iter().position(is_wanted) else {
        // A port whose own name is wrong may be the one meant: say that only once.
        if names.len() == ports.len() {
            let hint = match nearest(&wanted, &names) {
                Some(near) => format!("; '{near}' is there"),
                None => String::new(),
            };
            let what = format!(
                "{}: no port is called '{}'{hint}",
                setting.name,
                shorten(&wanted)
            );
            faults.add(at, what, other_names(ports, None));
        }
        return None;
    };
    u8::try_from(index).ok().map(PortId)
}

fn names<'p>(ports: &'p [PortRead<'_>]) -> impl Iterator<Item = &'p str> {
    let name = |port: &'p PortRead<'_>| port.name.as_ref().map(|name| name.value.as_str());
    ports.iter().filter_map(name)
}

fn other_names(ports: &[PortRead<'_>], but: Option<PortId>) -> String {
    let but = but.map(|port| usize::from(port.0));
    let others = names(ports)
        .enumerate()
        .filter(|(index, _)| Some(*index) != but);
    let quoted: Vec<String> = others.map(|(_, name)| format!("\"{name}\"")).collect();
    match quoted.is_empty() {
        true => "the name of another port; this plan has none".to_owned(),
        false => format!("the name of a port: {}", quoted.join(", ")),
    }
}

fn closed(
    rule: &CrossingRule,
    end: PortId,
    ports: &[PortRead<'_>],
    line: usize,
) -> Option<Finding> {
    let port = ports.get(usize::from(end.0))?;
    let name = port.name.as_ref().map_or("", |name| &name.value);
    (port.may_transmit == Some(false)).then(|| Finding {
        id: "crossing-deaf",
        severity: crate::finding::Severity::Attention,
        line,
        what: format!("nobody can use crossing '{}'", rule.name),
        evidence: format!("port {name} does not transmit"),
        consequence: "Visitors get no answer.".into(),
        remedy: "Give that port an output in [port.sound], or take the crossing out.".into(),
    })
}

fn open_to_all(rule: &CrossingRule, line: usize) -> Option<Finding> {
    (rule.who == WhoMayCross::All && rule.reach.is_empty()).then(|| Finding {
        id: "crossing-open",
        severity: crate::finding::Severity::Attention,
        line,
        what: format!(
            "crossing '{}' is open to everybody and leads everywhere",
            rule.name
        ),
        evidence: "allow = \"all\" and no 'reach'".into(),
        consequence: "Whoever is heard can make this station call any station, and you answer \
                      for what it transmits."
            .into(),
        remedy: "List who may cross in 'allow', or what may be reached in 'reach'.".into(),
    })
}
