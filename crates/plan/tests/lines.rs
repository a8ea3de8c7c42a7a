//! What a port listens to besides its own line, and its second input: what is read, and what is
//! refused with line and column.

use dunlin_plan::{FaultList, Plan, PlanRules};

/// A plan without fault, to be spoiled in one place.
const GOOD: &str = r#"[station]
call = "QA1SKY"

[[port]]
name = "VHF"
mode = "afsk1200"
call = "QA1SKY-1"
transmit = true
[port.sound]
output = "default"
loop = true

[[port]]
name = "HF"
mode = "afsk300"
transmit = true
[port.sound]
output = "default"
loop = true
"#;

fn read(octets: &[u8]) -> Result<Plan, FaultList> {
    Plan::read("plan.toml", octets, &PlanRules::real())
}

/// What is said of the good plan with `old` replaced by `new`, which must be in it: one
/// "line:column: what" for each fault.
fn spoiled(old: &str, new: &str) -> Vec<String> {
    assert!(GOOD.contains(old), "{old} is not in the plan");
    let text = GOOD.replacen(old, new, 1);
    let list = read(text.as_bytes()).expect_err("faults");
    assert_eq!(list.more, 0);
    let line = |f: &dunlin_plan::Fault| format!("{}:{}: {}", f.place.line, f.place.column, f.what);
    list.faults.iter().map(line).collect()
}

#[test]
fn what_is_listened_to_besides_must_be_new_and_possible() {
    let also = |tables: &str| {
        spoiled(
            "transmit = true\n[port.sound]",
            &format!("transmit = true\n{tables}[port.sound]"),
        )
    };
    let table = |keys: &str| format!("[[port.also_hears]]\n{keys}\n");
    let own = also(&table("mode = \"afsk1200\""));
    assert_eq!(own, ["10:8: mode: afsk1200 is listened to already"]);
    let twice = also(&(table("mode = \"afsk300\"") + &table("mode = \"afsk300\"")));
    assert_eq!(twice, ["12:8: mode: afsk300 is listened to already"]);
    let four = ["afsk300", "afsk600", "fsk1200", "fsk2400"];
    let four = four
        .map(|mode| table(&format!("mode = \"{mode}\"")))
        .concat();
    assert_eq!(also(&four).len(), 1);
    assert!(also(&four)[0].contains("too many [[port.also_hears]]"));
    let wide = also(&table(
        "mode = \"afsk300\"\nmark_hz = 1000\nspace_hz = 3000",
    ));
    assert_eq!(wide.len(), 1, "{wide:?}");
    assert!(wide[0].starts_with("11:11: mark_hz: "), "{wide:?}");
    let unknown = also(&table("mode = \"afsk300\"\nlevel_dbfs = -6"));
    assert!(
        unknown[0].contains("'level_dbfs' is not known in [[port.also_hears]]"),
        "{unknown:?}"
    );
}

#[test]
fn a_second_input_names_a_device_and_belongs_to_sound() {
    let second = |keys: &str| {
        let new = format!("loop = true\n[port.second_sound]\n{keys}\n[[port]]\nname = \"HF\"");
        spoiled("loop = true\n\n[[port]]\nname = \"HF\"", &new)
    };
    let missing = second("channel = \"left\"");
    assert_eq!(missing, ["12:1: [port.second_sound] has no 'input'"]);
    let none = second("input = \"none\"");
    assert_eq!(none, ["13:9: input: a second input that hears nothing"]);
}

#[test]
fn beside_a_second_input_nothing_is_followed() {
    let second = "transmit = true\nfollow_most_hz = 50\n[port.sound]\ninput = \"pulse:a\"\n\
                  output = \"default\"\nloop = true\n[port.second_sound]\ninput = \"pulse:x\"\n";
    let old = "mode = \"afsk300\"\ntransmit = true\n[port.sound]\noutput = \"default\"\n\
               loop = true\n";
    let told = spoiled(old, &format!("mode = \"afsk300\"\n{second}"));
    assert_eq!(told.len(), 1, "{told:?}");
    let says = ": follow_most_hz: with [port.second_sound] an offset may be that of the second";
    assert!(told[0].contains(says), "{told:?}");
    let alone = second.replacen("[port.second_sound]\ninput = \"pulse:x\"\n", "", 1);
    let plan = GOOD.replacen(old, &format!("mode = \"afsk300\"\n{alone}"), 1);
    assert!(read(plan.as_bytes()).is_ok());
}

#[test]
fn an_offset_leaves_the_lower_tone_where_it_can_be_sent() {
    let with = |offset: &str| {
        let keys = format!("mark_hz = 200\nspace_hz = 400\ntone_offset_hz = {offset}\n");
        GOOD.replacen(
            "mode = \"afsk300\"\n",
            &format!("mode = \"afsk300\"\n{keys}"),
            1,
        )
    };
    assert!(read(with("-150").as_bytes()).is_ok());
    let list = read(with("-160").as_bytes()).expect_err("a fault");
    let told: Vec<&str> = list.faults.iter().map(|f| &*f.what).collect();
    let says = "tone_offset_hz: it puts the lower tone at 40 Hz, and none is sent below 50 Hz";
    assert_eq!(told, [says]);
}

#[test]
fn lines_and_a_second_input_are_read() {
    let new = "transmit = true\n[[port.also_hears]]\nmode = \"afsk300\"\ntones = \"Bell 103 \
               originate\"\n[port.second_sound]\ninput = \"pulse:x\"\nchannel = \"right\"\n\
               [port.sound]";
    let plan = read(
        GOOD.replacen("transmit = true\n[port.sound]", new, 1)
            .as_bytes(),
    );
    let plan = plan.unwrap_or_else(|faults| panic!("{faults}"));
    let port = &plan.station.ports[0];
    assert!(port.second_input && !plan.station.ports[1].second_input);
    assert_eq!(port.lines().count(), 2);
    let tones = port.also_hears[0].tones().map(|t| (t.mark_hz, t.space_hz));
    // ITU-T V.21 and Bell 103 differ; of the latter the originating side sends 1070 and 1270 Hz.
    assert_eq!(tones, Some((1270, 1070)));
    let second = plan.devices[0].second.as_ref().expect("a second input");
    assert_eq!(second.channel, dunlin_plan::Channel::Only(1));
}
