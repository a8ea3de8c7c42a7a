//! What is opened for which plan; nothing is really opened.

use super::*;
use dunlin_plan::PlanRules;

fn plan(call: &str, sound: &str) -> Plan {
    let text = format!(
        "[station]\ncall = \"{call}\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n{sound}\n"
    );
    Plan::read("plan.toml", text.as_bytes(), &PlanRules::real())
        .unwrap_or_else(|faults| panic!("{faults}"))
}

const OUT: &str = "[port.sound]\ninput = \"pulse:in\"\noutput = \"pulse:out\"\n";
const VOX: &str = "[port.sound]\ninput = \"pulse:in\"\noutput = \"pulse:out\"\n\
                   [port.key]\nmethod = \"vox\"\n";

fn prepared(call: &str, sound: &str) -> (bool, bool) {
    let mut plan = plan(call, sound);
    let openings = prepare(&mut plan, &BTreeMap::new()).expect("every device is named");
    let OpeningWay::Sound { first, .. } = &openings.ports[0].way else {
        panic!("a port with sound");
    };
    (first.output.is_some(), plan.station.ports[0].may_transmit)
}

#[test]
fn an_invented_call_gets_no_output_unless_it_is_a_loop() {
    assert_eq!(prepared("QA1SKY", VOX), (false, false));
    assert_eq!(prepared("QA1SKY", OUT), (false, false));
    let looped = format!("{OUT}loop = true\n");
    assert_eq!(prepared("QA1SKY", &looped), (true, true));
}

#[test]
fn a_call_that_somebody_could_hold_gets_its_output() {
    // The ITU allocates no series that begins with 1 either; nobody holds this one.
    assert_eq!(prepared("1X1ABC", VOX), (true, true));
    let deaf = "[port.sound]\ninput = \"pulse:in\"\n";
    assert_eq!(prepared("1X1ABC", deaf), (false, false));
}

#[test]
fn a_port_that_may_not_send_gets_no_line_to_hold() {
    let serial = format!(
        "{OUT}[port.key]\nmethod = \"serial\"\ndevice = \"/dev/serial/by-id/usb-x\"\nline = \"rts\"\n"
    );
    let mut real = plan("1X1ABC", &serial);
    let openings = prepare(&mut real, &BTreeMap::new()).expect("every device is named");
    assert!(openings.ports[0].keyer.needs_process());
    let mut invented = plan("QA1SKY", &serial);
    let openings = prepare(&mut invented, &BTreeMap::new()).expect("every device is named");
    assert!(!openings.ports[0].keyer.needs_process());
}

#[test]
fn two_ports_of_one_controller_share_it() {
    let port = |name: &str, mode: &str, number: u8| {
        format!(
            "[[port]]\nname = \"{name}\"\nmode = \"{mode}\"\n[port.controller]\nlink = \"tcp\"\n\
             address = \"127.0.0.1:8100\"\nnumber = {number}\n[port.key]\nmethod = \"controller\"\n"
        )
    };
    let text = format!(
        "[station]\ncall = \"1X1ABC\"\n{}{}",
        port("HF", "afsk300", 0),
        port("VHF", "afsk1200", 1)
    );
    let mut plan = Plan::read("plan.toml", text.as_bytes(), &PlanRules::real())
        .unwrap_or_else(|faults| panic!("{faults}"));
    let openings = prepare(&mut plan, &BTreeMap::new()).expect("it is named");
    let settings = openings.controllers.into_settings();
    assert_eq!(settings.len(), 1);
    assert_eq!(settings[0].ports.len(), 2);
}

#[test]
fn vox_comes_with_the_cautions_and_a_loop_with_its_own() {
    let devices = plan("1X1ABC", VOX).devices;
    let text = cautions::cautions("VHF", &devices[0]).join("\n");
    for word in ["vox", "dummy load", "time-out", "stays keyed", "lightning"] {
        assert!(text.contains(word), "{word} is missing in {text}");
    }
    let devices = plan("QA1SKY", &format!("{OUT}loop = true\n")).devices;
    assert!(cautions::cautions("VHF", &devices[0])[0].contains("no radio"));
}
