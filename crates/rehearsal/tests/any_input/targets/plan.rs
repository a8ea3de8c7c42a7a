//! Station plans and region files: whatever is wrong has a place and a remedy, and what passes
//! is what the engine takes.

use dunlin_plan::{Plan, PlanRules, Region};
use dunlin_station::Station;

pub fn run(octets: &[u8]) {
    for rules in [
        PlanRules::real(),
        PlanRules::rehearsal(PlanRules::real().rate),
    ] {
        match Plan::read("any.toml", octets, &rules) {
            Ok(plan) => check(plan),
            Err(list) => faults(octets, &list),
        }
    }
    if let Ok(text) = std::str::from_utf8(octets)
        && let Err(why) = Region::read(text)
    {
        assert!(!why.is_empty());
    }
}

fn check(mut plan: Plan) {
    let found = plan.findings.len();
    let region = Region::built_in("us-part97").expect("comes with the program");
    plan.check(&region);
    assert!(plan.findings.len() >= found);
    for finding in &plan.findings {
        assert!(!finding.what.is_empty() && !finding.remedy.is_empty());
    }
    if let Err(error) = Station::new(plan.station) {
        panic!("the plan passed, the engine refuses: {error}");
    }
}

pub fn faults(octets: &[u8], list: &dunlin_plan::FaultList) {
    assert!(!list.faults.is_empty());
    let lines = octets.split(|o| *o == b'\n').count();
    for fault in &list.faults {
        assert!((1..=lines).contains(&fault.place.line));
        assert!(fault.place.column >= 1);
        assert!(!fault.what.is_empty() && !fault.allowed.is_empty());
    }
    let shown = list.to_string();
    assert!(!shown.contains(|c: char| c.is_control() && c != '\n'));
}
