//! The node, the mail and its partners in a plan.

use dunlin_plan::{Plan, PlanRules};
use dunlin_station::{PortId, WhoMayCross};

const PORTS: &str = r#"
[station]
plan_version = 1
call = "QA1SKY"
[[port]]
name = "HF"
mode = "afsk300"
[port.sound]
loop = true
[[port]]
name = "VHF"
mode = "afsk1200"
[port.sound]
loop = true
"#;

const MAIL: &str = r#"
[node]
call = "QA1SKY-5"
ports = ["VHF", "HF"]
onward = ["HF", "VHF"]
allow = ["QM3BAR"]
most_percent = 20
licence_note = "full licences"
power_note = "10 W, wire"
[mail]
keep = true
keeps_for = ["QM3BAR"]
most_percent = 30
hold_words = ["raffle"]
visitor_day_messages = 5
most_mb = 50
queued_days = 3
[[partner]]
call = "QX0RLF-5"
port = "HF"
hours = ["06:00-09:00"]
carries = ["QH8LIS"]
trusted = true
"#;

fn read(more: &str) -> Result<Plan, String> {
    let text = format!("{PORTS}{more}");
    Plan::read("plan.toml", text.as_bytes(), &PlanRules::real()).map_err(|list| list.to_string())
}

#[test]
fn node_mail_and_partners_are_read() {
    let plan = read(MAIL).expect("a good plan");
    let node = plan.station.node.as_ref().expect("a node");
    assert_eq!(
        (node.ports.as_slice(), node.onward.as_slice()),
        (&[PortId(1), PortId(0)][..], &[PortId(0), PortId(1)][..])
    );
    assert!(matches!(&node.who, WhoMayCross::These(calls) if calls.len() == 1));
    assert!((node.most_share - 0.2).abs() < 1e-9);
    let notes = node.notes.words().expect("notes");
    assert_eq!(notes, "Licence: full licences. Power: 10 W, wire.");
    let mail = plan.station.mail.as_ref().expect("mail");
    assert_eq!(mail.routes.own.to_string(), "QA1SKY");
    let (partner, rule) = (&mail.partners[0], &mail.routes.partners[0]);
    assert_eq!(
        (partner.call.to_string(), rule.partner.to_string()),
        ("QX0RLF-5".into(), "QX0RLF".into())
    );
    assert!(rule.trusted && rule.homes.len() == 1 && partner.port == PortId(0));
    assert_eq!(mail.holds.words, ["raffle"]);
    assert!((mail.most_share - 0.3).abs() < 1e-9);
    let plan = read(&MAIL.replace("most_percent = 30\n", "")).expect("a good plan");
    let mail = plan.station.mail.as_ref().expect("mail");
    assert!(
        (mail.most_share - 0.5).abs() < 1e-9,
        "unless told otherwise"
    );
    assert_eq!(
        (mail.room.visitor_day.messages, mail.room.all.octets),
        (5, 50_000_000)
    );
    let days = |time: dunlin_clock::Duration| time.as_millis() / 86_400_000;
    assert_eq!(
        (days(mail.keeping.queued), days(mail.keeping.bulletins)),
        (3, 30)
    );
    let unsaid = read(&MAIL.replace("queued_days = 3", "")).expect("a good plan");
    let unsaid = unsaid.station.mail.expect("mail");
    assert_eq!(unsaid.keeping, dunlin_mail::post::Keeping::default());
    let rest = MAIL
        .replace("visitor_day_messages = 5", "")
        .replace("most_mb = 50", "");
    let unsaid = read(&rest)
        .expect("a good plan")
        .station
        .mail
        .expect("mail");
    assert_eq!(unsaid.room, dunlin_mail::post::Room::default());
}

#[test]
fn without_them_there_is_no_node_and_no_mail() {
    let plan = read("").expect("a good plan");
    assert!(plan.station.node.is_none() && plan.station.mail.is_none());
}

#[test]
fn what_does_not_fit_is_told_with_its_place() {
    let fault = |old: &str, new: &str| {
        assert!(MAIL.contains(old), "{old}");
        read(&MAIL.replacen(old, new, 1)).expect_err("a fault")
    };
    for (old, new, said) in [
        (
            "ports = [\"VHF\", \"HF\"]",
            "ports = [\"UHF\"]",
            "ports: no port is called 'UHF'",
        ),
        (
            "port = \"HF\"",
            "port = \"HV\"",
            "port: no port is called 'HV'",
        ),
        (
            "call = \"QA1SKY-5\"\n",
            "",
            "call: the node has no call sign",
        ),
        (
            "call = \"QA1SKY-5\"",
            "call = \"QA1SKY\"",
            "is used on port 'VHF' already",
        ),
        ("keep = true", "kept = true", "kept"),
        ("most_percent = 20", "most_percent = 0", "most_percent"),
        (
            "power_note = \"10 W, wire\"",
            "power_note = \"\"",
            "power_note",
        ),
        (
            "ports = [\"VHF\", \"HF\"]",
            "ports = [\"VHF\"]",
            "on a port on which the node does not answer",
        ),
        ("\"QX0RLF-5\"", "\"QA1SKY-9\"", "is the station itself"),
    ] {
        let list = fault(old, new);
        assert!(list.contains(said), "{old} -> {new}: {list}");
    }
    let list = read("[mail]\nkeep = true\n").expect_err("a fault");
    assert!(list.contains("there is no node"), "{list}");
}

#[test]
fn what_may_not_be_meant_is_found() {
    let open = MAIL.replacen("allow = [\"QM3BAR\"]", "allow = \"all\"", 1);
    let ids = |text: &str| -> Vec<&str> {
        read(text)
            .expect("a plan")
            .findings
            .iter()
            .map(|f| f.id)
            .collect()
    };
    assert!(ids(&open).contains(&"node-open"));
    assert!(!ids(MAIL).contains(&"node-open"));
    let idle = MAIL.replacen("keep = true", "keep = false", 1);
    assert!(ids(&idle).contains(&"partner-unused"));
}
