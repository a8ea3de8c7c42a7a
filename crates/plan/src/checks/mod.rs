//! Checks of a whole plan: what works, yet may not be what was meant. One file per theme; each
//! check has a name, how much it matters, a reason and where that comes from.

mod access;
mod air;
mod calls;
mod keys;
mod limits;
mod sense;
mod whole;

use dunlin_station::PortConfig;

use crate::Plan;
use crate::device::PortDevices;
use crate::finding::{Finding, Severity};
use crate::region::Region;

/// One check.
pub struct Check {
    /// Its name.
    pub id: &'static str,
    /// How much what it finds matters.
    pub severity: Severity,
    /// Why it is there.
    pub reason: &'static str,
    /// Where that comes from.
    pub source: &'static str,
    look: fn(&View<'_>, &mut Vec<Say>),
}

/// What a check says.
struct Say {
    path: String,
    what: String,
    evidence: String,
    consequence: &'static str,
    remedy: String,
}

/// What checks look at.
struct View<'a> {
    plan: &'a Plan,
    region: &'a Region,
}

/// One port as checks see it.
#[derive(Clone, Copy)]
struct Port<'a> {
    index: usize,
    config: &'a PortConfig,
    devices: &'a PortDevices,
}

impl<'a> View<'a> {
    fn ports(&self) -> impl Iterator<Item = Port<'a>> + use<'a> {
        let pairs = self.plan.station.ports.iter().zip(&self.plan.devices);
        pairs.enumerate().map(|(index, (config, devices))| Port {
            index,
            config,
            devices,
        })
    }

    fn sending(&self) -> impl Iterator<Item = Port<'a>> + use<'a> {
        self.ports().filter(|port| port.config.may_transmit)
    }

    fn has(&self, path: &str) -> bool {
        self.plan.lines.has(path)
    }
}

impl Port<'_> {
    fn slow(&self) -> bool {
        self.config.line.baud() <= 300
    }

    fn path(&self, key: &str) -> String {
        format!("port.{}.{key}", self.index)
    }

    /// Says something of this port; `key` is what it is about.
    fn say(
        &self,
        key: &str,
        what: impl Into<String>,
        evidence: impl Into<String>,
        consequence: &'static str,
        remedy: impl Into<String>,
    ) -> Say {
        Say {
            path: self.path(key),
            what: format!("port {}: {}", self.config.name, what.into()),
            evidence: evidence.into(),
            consequence,
            remedy: remedy.into(),
        }
    }
}

/// Every check that looks at a whole plan, theme by theme.
pub fn all() -> impl Iterator<Item = &'static Check> {
    let themes: [&[Check]; 7] = [
        access::CHECKS,
        limits::CHECKS,
        sense::CHECKS,
        keys::CHECKS,
        air::CHECKS,
        calls::CHECKS,
        whole::CHECKS,
    ];
    themes.into_iter().flatten()
}

/// Everything that the checks find, in the order of the file.
pub(crate) fn run(plan: &Plan, region: &Region) -> Vec<Finding> {
    let view = View { plan, region };
    let mut findings = Vec::new();
    for check in all() {
        let mut said = Vec::new();
        (check.look)(&view, &mut said);
        findings.extend(said.into_iter().map(|say| Finding {
            id: check.id,
            severity: check.severity,
            line: plan.lines.line(&say.path),
            what: say.what,
            evidence: say.evidence,
            consequence: say.consequence.to_owned(),
            remedy: say.remedy,
        }));
    }
    findings
}
