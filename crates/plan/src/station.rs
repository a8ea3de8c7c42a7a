//! The station as a whole: its tables, and what must hold between them.

use std::ops::Range;

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use dunlin_station::{FileRule, MailRule, StationConfig};

use crate::crossing::{self, CrossingRead};
use crate::device::{Device, KeyLine, PortDevices};
use crate::fault::Faults;
use crate::finding::{Finding, Severity};
use crate::node::{self, NodeRead};
use crate::port::{self, PortRead};
use crate::section::Section;
use crate::settings;
use crate::sound::SoundPlan;

/// What was read of one station.
pub struct StationPart<'i> {
    /// The station; `None` if anything in it was wrong.
    pub config: Option<StationConfig>,
    /// The note for its operators.
    pub note: String,
    /// Its ports in the order of the file.
    pub ports: Vec<PortPart<'i>>,
    /// What works, yet may not be what was meant, in the order of the file.
    pub findings: Vec<Finding>,
}

impl StationPart<'_> {
    /// The names of its ports that could be read.
    pub(crate) fn port_names(&self) -> Vec<String> {
        let names = self.ports.iter().filter_map(|port| port.name.clone());
        names.collect()
    }
}

/// What a port has besides its [`dunlin_station::PortConfig`].
pub struct PortPart<'i> {
    /// Its name, if that could be read.
    pub name: Option<String>,
    /// What connects it to the outer world; `None` in a rehearsal, or if anything in it was wrong.
    pub devices: Option<PortDevices>,
    /// What was not read yet. Take more keys from it if there are any, then call
    /// [`Section::finish`].
    pub rest: Section<'i>,
}

/// Reads `[station]`, `[[port]]`, `[[crossing]]`, `[node]`, `[mail]`, `[[partner]]` and `[files]` from `section`, which
/// may be a whole file or any table that holds them. Everything wrong is noted in `faults`. Other keys are
/// left in `section` and in the `rest` of each port for the caller.
pub fn station_from<'i>(section: &mut Section<'i>, faults: &mut Faults<'_>) -> StationPart<'i> {
    let mut findings = Vec::new();
    let head = Head::read(section, faults);
    let tables = section.tables("port", "[[port]]", settings::MOST_PORTS, faults);
    if tables.is_empty() && !section.was_written("port") {
        let allowed = "one [[port]] for each radio, with name = and mode =";
        faults.add(section.at("port"), "there is no [[port]]", allowed);
    }
    let mut ports = Vec::new();
    for table in tables {
        ports.push(port::read(table, head.call, faults, &mut findings));
    }
    let mut crossings = Vec::new();
    let tables = section.tables("crossing", "[[crossing]]", settings::MOST_CROSSINGS, faults);
    for table in tables {
        crossings.push(crossing::read(table, &ports, faults, &mut findings));
    }
    let node = section.table_or_empty("node", "[node]", faults);
    let node = node::read(node, &ports, faults, &mut findings);
    let mail = crate::mail::read(
        section,
        head.call,
        node.rule.as_ref(),
        &ports,
        faults,
        &mut findings,
    );
    let files = crate::files::read(section, faults);
    names_differ(&ports, &crossings, faults);
    calls_differ(&ports, &crossings, &node, faults);
    if !section.rules().rehearsal {
        findings.extend(head.unversioned.map(no_version));
    }
    findings.extend(same_call_on_two_ports(&ports, faults));
    findings.extend(same_output_twice(&ports, faults));
    findings.extend(nothing_keys(&ports, faults));
    findings.sort_by_key(|finding| finding.line);
    let note = head.note.clone();
    let config = head.complete(&ports, crossings, node, mail.zip(files));
    let part = |port: PortRead<'i>| PortPart {
        name: port.name.map(|name| name.value),
        devices: port.devices,
        rest: port.rest,
    };
    StationPart {
        config,
        note,
        ports: ports.into_iter().map(part).collect(),
        findings,
    }
}

/// `[station]`.
struct Head {
    call: Option<CallSign>,
    greeting: Option<String>,
    note: String,
    /// The version that was assumed because none is written, and the line of its table.
    unversioned: Option<(u32, usize)>,
}

impl Head {
    fn read(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Head {
        let Some(mut table) = section.table("station", "[station]", faults) else {
            if !section.was_written("station") {
                let allowed = "a table [station] with call = \"QA1SKY\"";
                faults.add(section.at("station"), "there is no [station]", allowed);
            }
            return Head {
                call: None,
                greeting: None,
                note: String::new(),
                unversioned: None,
            };
        };
        let version = table.take(&settings::VERSION, faults);
        let unversioned = version
            .filter(|_| !table.was_written("plan_version"))
            .map(|version| (version, faults.line_of(table.at("plan_version").start)));
        let call = table.take(&settings::STATION_CALL, faults);
        let greeting = table.take(&settings::GREETING, faults);
        let note = table.take(&settings::NOTE, faults).unwrap_or_default();
        table.finish(faults);
        Head {
            call,
            greeting,
            note,
            unversioned,
        }
    }

    fn complete(
        self,
        ports: &[PortRead<'_>],
        crossings: Vec<CrossingRead>,
        node: NodeRead,
        kept: Option<(Option<MailRule>, FileRule)>,
    ) -> Option<StationConfig> {
        if node.faulty {
            return None;
        }
        let call = self.call?;
        let ports: Option<Vec<_>> = ports.iter().map(|port| port.config.clone()).collect();
        let (mail, files) = kept?;
        let crossings: Option<Vec<_>> = crossings.into_iter().map(|read| read.rule).collect();
        Some(StationConfig {
            call,
            greeting: self.greeting?,
            stops: Vec::new(),
            wall_at_zero: WallTime::default(),
            ports: ports?,
            crossings: crossings?,
            node: node.rule,
            mail,
            files,
            seed: seed_of(call),
        })
    }
}

/// A seed that differs from station to station, so that two that never were given one by
/// their drivers still do not choose the same slots. FNV-1a (Fowler, Noll, Vo).
fn seed_of(call: CallSign) -> u64 {
    call.to_string()
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325, |hash, octet| {
            (hash ^ u64::from(octet)).wrapping_mul(0x0000_0100_0000_01b3)
        })
}

/// Ports differ in name, and crossings do; upper and lower case count as the same.
fn names_differ(ports: &[PortRead<'_>], crossings: &[CrossingRead], faults: &mut Faults<'_>) {
    let port_names = ports.iter().filter_map(|port| port.name.as_ref());
    let crossing_names = crossings
        .iter()
        .filter_map(|crossing| crossing.name.as_ref());
    let lists: [(&str, Vec<_>); 2] = [
        ("port", port_names.collect()),
        ("crossing", crossing_names.collect()),
    ];
    for (kind, names) in lists {
        for (index, name) in names.iter().enumerate() {
            let folded = name.value.to_lowercase();
            if let Some(first) = names[..index]
                .iter()
                .find(|n| n.value.to_lowercase() == folded)
            {
                let line = faults.line_of(first.at.start);
                let what = format!(
                    "name: another {kind} is called '{}' too, in line {line}",
                    first.value
                );
                faults.add(
                    name.at.clone(),
                    what,
                    format!("a name that no other {kind} has"),
                );
            }
        }
    }
}

/// On one port, each call sign with its SSID is used by one thing only. Call signs for
/// which a port digipeats may be the same as others: they stand in another field.
fn calls_differ(
    ports: &[PortRead<'_>],
    crossings: &[CrossingRead],
    node: &NodeRead,
    faults: &mut Faults<'_>,
) {
    for (index, port) in ports.iter().enumerate() {
        let here =
            |id: Option<dunlin_station::PortId>| id.is_some_and(|id| usize::from(id.0) == index);
        let mut uses: Vec<(CallSign, Range<usize>, String)> = Vec::new();
        if let Some(call) = &port.call {
            uses.push((call.value, call.at.clone(), "the port itself".into()));
        }
        for crossing in crossings {
            let name = crossing.name.as_ref().map_or("", |name| &name.value);
            let near = crossing.call.as_ref().filter(|_| here(crossing.from));
            let far = crossing
                .far_call
                .as_ref()
                .filter(|_| here(crossing.to) && crossing.from != crossing.to);
            for call in near.into_iter().chain(far) {
                uses.push((call.value, call.at.clone(), format!("crossing '{name}'")));
            }
        }
        if let Some(call) = node.call_on(index) {
            uses.push((call, node.at.clone(), "the node".into()));
        }
        let port_name = port.name.as_ref().map_or("", |name| &name.value);
        for (at, (call, span, _)) in uses.iter().enumerate() {
            if let Some((_, first, what)) = uses[..at].iter().find(|(other, ..)| other == call) {
                let line = faults.line_of(first.start);
                let what = format!(
                    "{call} is used on port '{port_name}' already, by {what} in line {line}"
                );
                let allowed = "another SSID, from 0 to 15; far_call gives the one on the far port";
                faults.add(span.clone(), what, allowed);
            }
        }
    }
}

fn same_call_on_two_ports(ports: &[PortRead<'_>], faults: &Faults<'_>) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, port) in ports.iter().enumerate() {
        let Some(call) = &port.call else { continue };
        let same = |other: &&PortRead<'_>| other.call.as_ref().map(|c| c.value) == Some(call.value);
        let Some(first) = ports[..index].iter().find(same) else {
            continue;
        };
        let name = |port: &PortRead<'_>| {
            port.name
                .as_ref()
                .map_or_else(String::new, |name| name.value.clone())
        };
        findings.push(Finding {
            id: "same-call",
            severity: Severity::Attention,
            line: faults.line_of(call.at.start),
            what: "two ports use the same call sign and SSID".into(),
            evidence: format!("{} on {} and {}", call.value, name(first), name(port)),
            consequence: "Who hears both cannot tell them apart, and digipeaters that both \
                          reach may mix up their talks."
                .into(),
            remedy: "Give one of them another SSID with 'call'.".into(),
        });
    }
    findings
}

fn no_version((version, line): (u32, usize)) -> Finding {
    Finding {
        id: "no-version",
        severity: Severity::Hint,
        line,
        what: "the plan does not say by which rules it is written".into(),
        evidence: format!("no plan_version in [station]; version {version} is assumed"),
        consequence: "A later program could understand it differently.".into(),
        remedy: format!("Write plan_version = {version} into [station]."),
    }
}

fn same_output_twice(ports: &[PortRead<'_>], faults: &Faults<'_>) -> Vec<Finding> {
    let sends = |port: &&PortRead<'_>| port.may_transmit == Some(true);
    let sound = |port: &'_ PortRead<'_>| port.devices.as_ref()?.sound().cloned();
    let sending: Vec<(&PortRead<'_>, SoundPlan)> = ports
        .iter()
        .filter(sends)
        .filter_map(|port| sound(port).map(|sound| (port, sound)))
        .filter(|(_, sound)| sound.output != Device::None)
        .collect();
    let mut findings = Vec::new();
    for (index, (port, sound)) in sending.iter().enumerate() {
        let same = |(_, other): &&(_, SoundPlan)| {
            other.output == sound.output && channels_meet(other.channel, sound.channel)
        };
        if sending[..index].iter().any(|other| same(&other)) {
            findings.push(Finding {
                id: "same-output",
                severity: Severity::Attention,
                line: faults.line_of(port.rest.at("sound").start),
                what: "two ports send through the same channel of the same sound device".into(),
                evidence: "'output' and 'channel' in their [port.sound]".into(),
                consequence: "Both can sound at the same time, and a radio that keys by itself \
                              keys for either."
                    .into(),
                remedy: "Give each port its own device, or left to one and right to the other."
                    .into(),
            });
        }
    }
    findings
}

fn channels_meet(a: crate::Channel, b: crate::Channel) -> bool {
    a == b || a == crate::Channel::Mono || b == crate::Channel::Mono
}

fn nothing_keys(ports: &[PortRead<'_>], faults: &Faults<'_>) -> Vec<Finding> {
    let unkeyed = |port: &&PortRead<'_>| {
        let silent = |d: &PortDevices| d.key.line == KeyLine::None && !d.is_loop();
        port.may_transmit == Some(true) && port.devices.as_ref().is_some_and(silent)
    };
    let finding = |port: &PortRead<'_>| Finding {
        id: "nothing-keys",
        severity: Severity::Attention,
        line: faults.line_of(port.rest.at("sound").start),
        what: "this port may transmit, but nothing keys its radio".into(),
        evidence: "method = \"none\" in [port.key] and loop = false in [port.sound]".into(),
        consequence: "The sound goes out and the radio stays on receive.".into(),
        remedy: "Write [port.key] with a method, \"vox\" if the radio keys by itself; or loop = \
                 true if there is no radio."
            .into(),
    };
    ports.iter().filter(unkeyed).map(finding).collect()
}
