//! The node: `[node]`.

use std::ops::Range;

use dunlin_ax25::CallSign;
use dunlin_station::{NodeRule, PortId, WhoMayCross};

use crate::crossing::notes;
use crate::fault::Faults;
use crate::finding::{Finding, Severity};
use crate::port::PortRead;
use crate::section::Section;
use crate::settings;
use crate::whole::names_of_ports;

/// What was read of the node.
pub(crate) struct NodeRead {
    /// The node, if there is one and all of it could be read.
    pub rule: Option<NodeRule>,
    /// Something in it is wrong.
    pub faulty: bool,
    pub at: Range<usize>,
}

/// Reads the node of a station with these ports.
pub(crate) fn read(
    mut section: Section<'_>,
    ports: &[PortRead<'_>],
    faults: &mut Faults<'_>,
    findings: &mut Vec<Finding>,
) -> NodeRead {
    let call = section.take(&settings::NODE_CALL, faults);
    let own = section.take(&settings::NODE_PORTS, faults);
    let onward = section.take(&settings::ONWARD, faults);
    let who = section.take(&settings::NODE_ALLOW, faults);
    let hours = section.take(&settings::NODE_HOURS, faults);
    let most = section.take(&settings::NODE_MOST, faults);
    let share = section.take(&settings::NODE_SHARE, faults);
    let told = [&settings::NODE_LICENCE, &settings::NODE_POWER];
    let notes = notes(&mut section, told, faults);
    let names: Vec<String> = ports
        .iter()
        .map(|port| {
            port.name
                .as_ref()
                .map_or(String::new(), |n| n.value.clone())
        })
        .collect();
    // A node without a call sign is none; but whoever lets visitors go on has forgotten it.
    let forgotten = !section.was_written("call") && onward.as_ref().is_some_and(|o| !o.is_empty());
    if forgotten {
        let what = "call: the node has no call sign, and nobody can go on from it";
        faults.add(section.at("onward"), what, "call = \"QA1SKY-5\" in [node]");
    }
    let mut read = NodeRead {
        rule: None,
        faulty: call.is_none() && (forgotten || section.was_written("call")),
        at: section.at("call"),
    };
    let own = own.map(|own| names_of_ports(&own, &names, "ports", &section, faults));
    let onward = onward.map(|list| names_of_ports(&list, &names, "onward", &section, faults));
    if let (Some(call), Some(own), Some(onward)) = (call, own, onward)
        && let (Some(most), Some(share)) = (most, share)
    {
        let all = || (0..ports.len()).map(|n| PortId(n as u8)).collect();
        read.rule = Some(NodeRule {
            call,
            ports: if own.is_empty() { all() } else { own },
            onward,
            who: who.clone().unwrap_or(WhoMayCross::These(Vec::new())),
            hours: hours.unwrap_or_default(),
            most: most as usize, // 1 to 20 by its rule.
            most_share: share / 100.0,
            notes,
        });
    }
    if let Some(rule) = &read.rule
        && rule.who == WhoMayCross::All
        && !rule.onward.is_empty()
        && !section.rules().rehearsal
    {
        findings.push(open_to_all(faults.line_of(section.at("allow").start)));
    }
    section.finish(faults);
    read
}

impl NodeRead {
    /// The call sign, if the node answers on this port.
    pub(crate) fn call_on(&self, port: usize) -> Option<CallSign> {
        let rule = self.rule.as_ref()?;
        let here = rule.ports.iter().any(|p| usize::from(p.0) == port);
        here.then_some(rule.call)
    }
}

fn open_to_all(line: usize) -> Finding {
    Finding {
        id: "node-open",
        severity: Severity::Attention,
        line,
        what: "everybody may go on from the node to any station".into(),
        evidence: "allow = \"all\" and 'onward' in [node]".into(),
        consequence: "Whoever is heard can make this station call any station, and you answer \
                      for what it transmits."
            .into(),
        remedy: "List who may go on in 'allow'.".into(),
    }
}
