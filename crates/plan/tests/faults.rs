//! Bad plans: each fault with its line, its column and its words.

use dunlin_plan::{FaultList, MOST_OCTETS, Plan, PlanRules};

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

[[crossing]]
name = "over"
from = "VHF"
to = "HF"
call = "QA1SKY-7"
allow = "all"
reach = ["QX0RLF"]
"#;

fn read(octets: &[u8]) -> Result<Plan, FaultList> {
    Plan::read("plan.toml", octets, &PlanRules::real())
}

/// What is said of `text`: one "line:column: what" for each fault.
fn said(text: &str) -> Vec<String> {
    let list = read(text.as_bytes()).expect_err("faults");
    assert_eq!(list.more, 0);
    let line = |f: &dunlin_plan::Fault| format!("{}:{}: {}", f.place.line, f.place.column, f.what);
    list.faults.iter().map(line).collect()
}

/// What is said of the good plan with `old` replaced by `new`, which must be in it.
fn spoiled(old: &str, new: &str) -> Vec<String> {
    assert!(GOOD.contains(old), "{old} is not in the plan");
    said(&GOOD.replacen(old, new, 1))
}

#[test]
fn the_unspoiled_plan_is_good() {
    read(GOOD.as_bytes()).expect("no fault");
}

#[test]
fn a_fault_is_shown_with_its_line_a_caret_and_what_is_allowed() {
    let text = GOOD.replacen(
        "mode = \"afsk1200\"",
        "mode = \"afsk1200\"\nslot_time_ms = \"100 Hz\"",
        1,
    );
    let shown = read(text.as_bytes()).expect_err("one fault").to_string();
    insta::assert_snapshot!(shown, @r#"
    plan.toml:7:16: slot_time_ms: '100 Hz' is a text; write the number of milliseconds without quotes and without unit
      7 | slot_time_ms = "100 Hz"
        |                ^^^^^^^^
      allowed: milliseconds from 10 to 2000, a number

    1 fault; correct it and try again
    "#);
}

#[test]
fn an_unknown_key_is_named_with_the_nearest_known_one() {
    assert_eq!(
        spoiled("transmit = true", "transmitt = true"),
        ["8:1: 'transmitt' is not known in [[port]]; 'transmit' is"]
    );
    assert_eq!(
        spoiled("[[crossing]]", "[[crosing]]"),
        ["21:3: 'crosing' is not known in the plan; 'crossing' is"]
    );
    assert_eq!(
        spoiled("loop = true", "loop = true\nxyzzy = 1"),
        ["12:1: 'xyzzy' is not known in [port.sound]"]
    );
}

#[test]
fn wrong_missing_and_outlandish_units_are_told() {
    let with = |line: &str| spoiled("transmit = true", &format!("transmit = true\n{line}"));
    let twin = |key: &str, known: &str, advice: &str| {
        [format!(
            "9:1: '{key}' is not known in [[port]]; '{known}' is, with its unit: {advice}"
        )]
    };
    let written = |n: u32| twin("tail", "tail_ms", &format!("write tail_ms = {n}"));
    assert_eq!(with("tail = \"30 ms\""), written(30));
    assert_eq!(with("tail = \"0.25 s\""), written(250));
    assert_eq!(
        with("tail_s = 0.25"),
        twin("tail_s", "tail_ms", "write tail_ms = 250")
    );
    assert_eq!(
        with("window = 4"),
        twin("window", "window_frames", "write window_frames = 4")
    );
    assert_eq!(
        with("tail = 30"),
        twin(
            "tail",
            "tail_ms",
            "write the number of milliseconds behind it"
        )
    );
    assert_eq!(
        with("tail_ms = \"30 ms\""),
        ["9:11: tail_ms: the unit stands in the key, so write the number alone: 30"]
    );
    assert_eq!(
        with("tail_ms = \"30\""),
        [
            "9:11: tail_ms: '30' is a text; write the number of milliseconds without quotes and \
             without unit"
        ]
    );
    assert_eq!(
        with("tail_ms = 2000"),
        ["9:11: tail_ms: 2000 is out of range"]
    );
    assert_eq!(with("tail_ms = -1"), ["9:11: tail_ms: -1 is out of range"]);
    assert_eq!(
        with("tail_ms = nan"),
        ["9:11: tail_ms: nan is out of range"]
    );
    assert_eq!(
        with("tail_ms = true"),
        ["9:11: tail_ms: this is true or false, wanted is a number without quotes"]
    );
    assert_eq!(
        with("tail_sm = 30"),
        ["9:1: 'tail_sm' is not known in [[port]]; 'tail_ms' is"]
    );
}

#[test]
fn a_plan_for_another_version_is_refused_and_nothing_else_is_said_of_it() {
    let version = |text: &str| {
        let plan = GOOD.replacen("[station]", &format!("[station]\nplan_version = {text}"), 1);
        let spoiled = plan.replacen("mode = \"afsk300\"", "mode = \"of the future\"", 1);
        said(&spoiled)
    };
    assert_eq!(
        version("2"),
        [
            "2:16: plan_version: this plan is written by the rules of version 2, this program knows \
             version 1; run it with a newer Dunlin"
        ]
    );
    let old = version("0");
    assert!(
        old.len() == 1 && old[0].contains("rules of version 0"),
        "{old:?}"
    );
    assert_eq!(version("1").len(), 1, "of this version all is said");
    assert_eq!(version("\"1\"").len(), 2);
}

#[test]
fn a_key_that_has_moved_names_its_new_place() {
    let text = GOOD.replacen("loop = true", "loop = true\nkey = \"vox\"", 1);
    let list = read(text.as_bytes()).expect_err("one fault");
    assert_eq!(list.faults.len(), 1);
    assert_eq!(list.faults[0].what, "'key' has a table of its own now");
    assert_eq!(
        list.faults[0].allowed,
        "[port.key] behind [port.sound], with method = \"vox\""
    );
}

#[test]
fn wrong_types_are_told() {
    assert_eq!(
        spoiled("\"QA1SKY-1\"", "17"),
        ["7:8: call: this is a whole number, wanted is a call sign in quotes"]
    );
    assert_eq!(
        spoiled("transmit = true", "transmit = \"yes\""),
        ["8:12: transmit: this is a text in quotes, wanted is true or false without quotes"]
    );
    assert_eq!(
        spoiled("[\"QX0RLF\"]", "\"QX0RLF\""),
        ["27:9: reach: this is a text in quotes, wanted is a list of call signs in brackets"]
    );
    assert_eq!(
        spoiled("[station]", "[[station]]"),
        ["1:1: 'station' is several tables or a list, wanted is one table"]
    );
    assert_eq!(
        said("[station]\ncall = \"QA1SKY\"\n[port]\nname = \"VHF\"\n"),
        ["3:1: 'port' is a table, wanted are tables"]
    );
    assert_eq!(
        said("port = [1]\n[station]\ncall = \"QA1SKY\"\n"),
        ["1:9: this is a whole number, wanted is a table"]
    );
}

#[test]
fn figures_out_of_range_are_told() {
    let with = |line: &str| spoiled("transmit = true", &format!("transmit = true\n{line}"));
    assert_eq!(
        with("info_length_octets = 257"),
        ["9:22: info_length_octets: 257 is out of range"]
    );
    assert_eq!(
        with("window_frames = 0"),
        ["9:17: window_frames: 0 is out of range"]
    );
    assert_eq!(
        with("window_frames = -1"),
        ["9:17: window_frames: -1 is out of range"]
    );
    assert_eq!(
        with("retries = 0x7fffffffffffffffff"),
        ["9:11: retries: 0x7fffffffffffffffff is out of range"]
    );
    assert_eq!(
        with("persistence = 0"),
        ["9:15: persistence: 0 is out of range"]
    );
    assert_eq!(
        with("persistence = 1.01"),
        ["9:15: persistence: 1.01 is out of range"]
    );
    assert_eq!(
        with("persistence = nan"),
        ["9:15: persistence: nan is out of range"]
    );
    assert_eq!(
        with("level_dbfs = 3"),
        ["9:14: level_dbfs: 3 is out of range"]
    );
    assert_eq!(
        with("tone_offset_hz = 1000"),
        ["9:18: tone_offset_hz: 1000 is out of range"]
    );
    assert_eq!(
        spoiled("loop = true", "loop = true\nchannel = 0"),
        ["12:11: channel: 0 is out of range"]
    );
    assert_eq!(
        spoiled("loop = true", "loop = true\nchannel = \"middle\""),
        ["12:11: channel: 'middle' is no channel"]
    );
}

#[test]
fn missing_things_point_at_their_table() {
    assert_eq!(
        spoiled("call = \"QA1SKY\"\n", ""),
        ["1:1: [station] has no 'call'"]
    );
    assert_eq!(
        spoiled("name = \"HF\"\n", ""),
        ["13:1: [[port]] has no 'name'"]
    );
    assert_eq!(
        spoiled("[port.sound]\noutput = \"default\"\nloop = true\n", ""),
        ["4:1: this port has no [port.sound] and no [port.controller]"]
    );
    assert_eq!(
        said("[station]\ncall = \"QA1SKY\"\n"),
        ["1:1: there is no [[port]]"]
    );
    assert_eq!(
        said("# nothing\n"),
        ["1:1: there is no [station]", "1:1: there is no [[port]]"]
    );
    assert_eq!(
        spoiled("allow = \"all\"\n", ""),
        ["21:1: [[crossing]] has no 'allow'"]
    );
}

#[test]
fn call_signs_that_are_none_are_told() {
    let call = |text: &str| spoiled("\"QA1SKY-1\"", &format!("\"{text}\""));
    assert_eq!(
        call("QA1SKY-16"),
        ["7:8: call: 'QA1SKY-16': the SSID after the hyphen must be a number from 0 to 15"]
    );
    assert_eq!(
        call("QA1SKYE"),
        [
            "7:8: call: 'QA1SKYE': a call sign has at most six characters before the SSID, this one has 7"
        ]
    );
    assert_eq!(
        spoiled("[\"QX0RLF\"]", "[\"QX0RLF\", \"Q/1\", \"QX0RLF\"]"),
        [
            "27:20: reach: 'Q/1': a call sign has only letters A-Z and digits, not '/'",
            "27:27: reach: QX0RLF stands in this list twice",
        ]
    );
    assert_eq!(
        spoiled("\"all\"", "\"QM3BAR\""),
        [
            "26:9: allow: 'QM3BAR' is neither \"all\" nor a list; one call sign is a list too: [\"QM3BAR\"]"
        ]
    );
    assert_eq!(
        spoiled("\"all\"", "[]"),
        ["26:9: allow: nobody may cross; leave the crossing out instead"]
    );
}

#[test]
fn one_call_sign_and_ssid_has_one_use_on_a_port() {
    assert_eq!(
        spoiled("call = \"QA1SKY-7\"", "call = \"QA1SKY-1\""),
        ["25:8: QA1SKY-1 is used on port 'VHF' already, by the port itself in line 7"]
    );
    assert_eq!(
        spoiled("allow = \"all\"", "far_call = \"QA1SKY\"\nallow = \"all\""),
        ["26:12: QA1SKY is used on port 'HF' already, by the port itself in line 13"]
    );
    let twice = format!(
        "{GOOD}[[crossing]]\nname = \"back\"\nfrom = \"HF\"\nto = \"VHF\"\n\
                         call = \"QA1SKY-7\"\nfar_call = \"QA1SKY-8\"\nallow = \"all\"\n"
    );
    assert_eq!(
        said(&twice),
        ["32:8: QA1SKY-7 is used on port 'HF' already, by crossing 'over' in line 25"]
    );
}

#[test]
fn names_are_unique() {
    assert_eq!(
        spoiled("name = \"HF\"", "name = \"vhf\""),
        [
            "14:8: name: another port is called 'VHF' too, in line 5",
            "24:6: to: no port is called 'HF'; 'VHF' is there",
        ]
    );
}

#[test]
fn crossings_join_two_different_ports_that_exist() {
    assert_eq!(
        spoiled("to = \"HF\"", "to = \"UHF\""),
        ["24:6: to: no port is called 'UHF'; 'VHF' is there"]
    );
    assert_eq!(
        spoiled("to = \"HF\"", "to = \"VHF\""),
        ["24:6: to: a crossing leads to another port than the one it comes from"]
    );
}

#[test]
fn devices_must_fit_to_what_the_port_may_do() {
    assert_eq!(
        spoiled("output = \"default\"", "output = \"none\""),
        ["10:10: this port has transmit = true, but no output to transmit with"]
    );
    assert_eq!(
        spoiled(
            "output = \"default\"",
            "output = \"default\"\ninput = \"none\""
        ),
        ["11:9: a port that hears nothing cannot know whether the channel is free"]
    );
    assert_eq!(
        spoiled("loop = true", "loop = true\n[port.key]\nmethod = \"vox\""),
        ["13:10: method: a loop has no radio that could be keyed"]
    );
    assert_eq!(
        spoiled("loop = true", "loop = true\n[port.key]\nmethod = \"vax\""),
        ["13:10: method: 'vax' is none of the words; 'vox' is"]
    );
}

#[test]
fn modes_refuse_what_they_cannot_do() {
    let low = GOOD.replacen("\"afsk1200\"", "\"fsk9600\"", 1).replacen(
        "loop = true",
        "loop = true\nrate_hz = 8000",
        1,
    );
    let all = said(&low);
    assert_eq!(all.len(), 1);
    assert!(all[0].starts_with("6:8: mode: "), "{all:?}");
    let offset = "mode = \"fsk9600\"\ntone_offset_hz = 10";
    assert_eq!(
        spoiled("mode = \"afsk1200\"", offset),
        ["7:18: tone_offset_hz: fsk9600 has no tones that could be moved"]
    );
    let raised = "mode = \"fsk9600\"\npre_emphasis_db_per_octave = 6";
    let told = spoiled("mode = \"afsk1200\"", raised);
    assert!(told[0].starts_with("7:30: pre_emphasis_db_per_octave: fsk9600 has no tones"));
    let told = spoiled(
        "mode = \"afsk1200\"",
        "mode = \"afsk1200\"\nfollow_most_hz = 50",
    );
    assert!(told[0].starts_with("7:18: follow_most_hz: afsk1200 does not look for"));
    assert_eq!(
        spoiled("\"afsk300\"", "\"afsk3000\""),
        ["15:8: mode: 'afsk3000' is none of the words; 'afsk300' is"]
    );
}

#[test]
fn tones_and_rates_that_cannot_work_are_told_at_their_key() {
    let mode = "mode = \"afsk300\"";
    for (lines, says) in [
        ("mark_hz = 1600", "mark_hz: one tone alone is no pair"),
        (
            "mark_hz = 1600\nspace_hz = 1600",
            "mark_hz: both tones are 1600 Hz",
        ),
        (
            "mark_hz = 1600\nspace_hz = 1620",
            "mark_hz: tones 20 Hz apart are too near for 300 Bd",
        ),
        (
            "symbol_rate_baud = 9600",
            "symbol_rate_baud: afsk300 takes 45 to 2400 Bd",
        ),
        (
            "symbol_rate_baud = 45",
            "symbol_rate_baud: tones 200 Hz apart are too far for 45 Bd",
        ),
        (
            "tones = \"Bell 212\"",
            "tones: 'Bell 212' is none of the words",
        ),
        (
            "tones = \"Bell 202\"\nmark_hz = 1600\nspace_hz = 1800",
            "tones: a named pair and single tones are given",
        ),
    ] {
        let said = spoiled(mode, &format!("{mode}\n{lines}"));
        assert!(
            said.iter().any(|line| line.contains(says)),
            "{lines}: {said:?}"
        );
    }
}

#[test]
fn a_frame_that_could_never_be_sent_is_told() {
    // (16 + 256 + 2) octets, 8 bits each, a fifth more for stuffing, two flags, at 300 Bd: 8.82 s.
    let long = "mode = \"afsk300\"\ninfo_length_octets = 256\nlongest_transmission_s = 9";
    let all = spoiled("mode = \"afsk300\"", long);
    assert_eq!(
        all,
        [
            "17:26: longest_transmission_s: a frame with 256 octets of text needs 9271 ms, with key-up \
         delay and tail; the longest transmission is 9 s"
        ]
    );
    // 8 octets of a tag, a block of 144 and two flags at 300 Bd: 4.1 s; plainly 3.3 s.
    let protected = "mode = \"afsk300\"\ninfo_length_octets = 84\nfec_check_octets = 16\n\
                     longest_transmission_s = 4.3";
    let all = spoiled("mode = \"afsk300\"", protected);
    assert!(all[0].contains("needs 4557 ms"), "{all:?}");
    let plain = protected.replace("= 16", "= 0").replace("4.3", "3.7");
    let all = spoiled("mode = \"afsk300\"", &plain);
    assert!(all[0].contains("needs 3767 ms"), "{all:?}");
}

#[test]
fn forward_error_correction_has_four_strengths_and_no_controller() {
    assert_eq!(
        spoiled(
            "mode = \"afsk1200\"",
            "mode = \"afsk1200\"\nfec_check_octets = 24"
        ),
        ["7:20: fec_check_octets: 24 is none of the numbers"]
    );
}

#[test]
fn beacons_must_fit_into_a_frame_and_be_rare() {
    let beacon = |lines: &str| {
        said(&format!(
            "[station]\ncall = \"QA1SKY\"\n[[port]]\nname = \"HF\"\nmode = \"afsk300\"\n\
         [port.sound]\n[[port.beacon]]\n{lines}\n"
        ))
    };
    assert_eq!(
        beacon(&format!("text = \"{}\"", "x".repeat(65))),
        ["8:8: text: it has 65 octets, a frame of this port carries 64"]
    );
    assert_eq!(
        beacon("text = \"a\\nb\""),
        ["8:8: text: this text has a line break"]
    );
    assert_eq!(
        beacon("text = \"a\\u001bb\""),
        ["8:8: text: this text has the control character \\u{1b}"]
    );
    assert_eq!(
        beacon("text = \"\"\ninterval_min = 9"),
        [
            "8:8: text: this text is empty",
            "9:16: interval_min: 9 is out of range",
        ]
    );
    let nine: Vec<String> = (1..10).map(|n| format!("\"QD{n}GI\"")).collect();
    assert_eq!(
        beacon(&format!("text = \"a\"\nvia = [{}]", nine.join(","))),
        ["9:72: via: this list has 9 call signs"]
    );
}

#[test]
fn everything_that_is_wrong_is_told_at_once() {
    let text = "[station]\ncal = 1\n[[port]]\nname = 3\nmode = \"am\"\ntail = 1\n\
                [port.sound]\nrate = 1\ninput = \"none\"\n[[crossing]]\nfrom = \"x\"\n";
    assert_eq!(
        said(text),
        [
            "1:1: [station] has no 'call'",
            "2:1: 'cal' is not known in [station]; 'call' is",
            "4:8: name: this is a whole number, wanted is a text in quotes",
            "5:8: mode: 'am' is none of the words",
            "6:1: 'tail' is not known in [[port]]; 'tail_ms' is, with its unit: write the number of \
             milliseconds behind it",
            "8:1: 'rate' is not known in [port.sound]; 'rate_hz' is, with its unit: write the number \
             of hertz behind it",
            "9:9: this port hears nothing and sends nothing",
            "10:1: [[crossing]] has no 'name'",
            "10:1: [[crossing]] has no 'to'",
            "10:1: [[crossing]] has no 'call'",
            "10:1: [[crossing]] has no 'allow'",
        ]
    );
}

#[test]
fn what_is_no_toml_is_told_in_every_line() {
    let prefix = "this is not written as TOML wants it: ";
    let all = said("[station]\ncall = QA1SKY\nx 3\n[[port]]\ntail = 30 ms\ntail = 1\n");
    let places: Vec<&str> = all
        .iter()
        .map(|line| line.split(prefix).next().unwrap_or(""))
        .collect();
    assert_eq!(places, ["2:8: ", "3:3: ", "5:8: ", "6:1: "], "{all:?}");
    assert!(all[0].contains("string values must be quoted"), "{all:?}");
}

#[test]
fn empty_files_binary_junk_and_huge_files_are_refused() {
    let first = |octets: &[u8]| {
        let list = read(octets).expect_err("a fault");
        let fault = &list.faults[0];
        format!(
            "{}:{}: {}",
            fault.place.line, fault.place.column, fault.what
        )
    };
    assert_eq!(first(b""), "1:1: this file is empty");
    assert_eq!(first(b" \n\t\n"), "1:1: this file is empty");
    assert_eq!(first(b"\xEF\xBB\xBF"), "1:1: this file is empty");
    assert_eq!(
        first(b"a = 1\nb = \"\xFFx\"\n"),
        "2:6: this is no text: octet 0xFF does not belong to UTF-8"
    );
    assert!(first(&[0; 64]).starts_with("1:1: this is not written as TOML wants it: "));
    let huge = vec![b'#'; MOST_OCTETS + 1];
    assert_eq!(
        first(&huge),
        "1:1: this file has 262145 octets, too many for a plan"
    );
    assert!(read(&huge[1..]).is_err(), "a remark alone is no plan");
    let with_mark = [b"\xEF\xBB\xBF", GOOD.as_bytes()].concat();
    read(&with_mark).expect("the mark of some editors is left out");
}

#[test]
fn wild_nesting_and_thousands_of_faults_stay_within_limits() {
    let deep = format!("a = {}", "[".repeat(MOST_OCTETS - 10));
    assert!(read(deep.as_bytes()).is_err());
    let many = "x\n".repeat(MOST_OCTETS / 2);
    let list = read(many.as_bytes()).expect_err("faults");
    assert_eq!((list.faults.len(), list.more), (50, MOST_OCTETS / 2 - 50));
    let ports = "[[port]]\n".repeat(20);
    let list = read(format!("[station]\ncall = \"QA1SKY\"\n{ports}").as_bytes()).expect_err("many");
    let too_many = list
        .faults
        .iter()
        .find(|f| f.what == "these are too many [[port]]");
    assert_eq!(too_many.map(|f| f.place.line), Some(19));
}
