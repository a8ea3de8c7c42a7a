//! Scenario files: those of the program are whole, and each fault is told with its place.

use dunlin_rehearsal::{EMBEDDED, Embedded, Scenario};

fn marrow() -> &'static str {
    Embedded::called("marrow-isles")
        .expect("it comes with the program")
        .text
}

/// What is said if `from` in the default scenario is replaced by `to`.
fn complaint(from: &str, to: &str) -> String {
    let text = marrow();
    assert!(text.contains(from), "{from:?} is no longer in the scenario");
    let text = text.replacen(from, to, 1);
    let faults = Scenario::read("isles.toml", text.as_bytes()).expect_err("a fault");
    faults.faults[0].to_string()
}

/// Line and column at which `piece` stands first, counted from 1.
fn place(text: &str, piece: &str) -> String {
    let at = text.find(piece).expect("it is there");
    let line = text[..at].matches('\n').count() + 1;
    let column = text[..at]
        .rsplit('\n')
        .next()
        .expect("a line")
        .chars()
        .count()
        + 1;
    format!("isles.toml:{line}:{column}:")
}

#[test]
fn the_scenarios_of_the_program_are_without_fault() {
    for Embedded { name, text } in EMBEDDED {
        match Scenario::read(name, text.as_bytes()) {
            Ok(scenario) => assert!(!scenario.promises.is_empty(), "{name}"),
            Err(faults) => panic!("{name}:\n{faults}"),
        }
    }
}

#[test]
fn the_default_scenario_has_the_stations_that_a_rehearsal_needs() {
    let scenario = Scenario::read("isles.toml", marrow().as_bytes()).expect("whole");
    assert!(scenario.stations.len() >= 8);
    assert_eq!(scenario.bands.len(), 2);
    assert_eq!(
        scenario.stations[scenario.operator].config.call.to_string(),
        "QA1SKY"
    );
    let begins_with_q = |call: &str| call.starts_with('Q');
    assert!(
        scenario
            .stations
            .iter()
            .all(|m| begins_with_q(&m.config.call.to_string()))
    );
}

#[test]
fn a_fault_points_at_its_line_and_column_and_says_what_is_allowed() {
    let text = marrow();
    let cases: [(&str, &str, &str, &str); 12] = [
        ("lasts =", "last =", "last =", "'lasts'"),
        ("lasts = \"10 min\"", "lasts = 15", "15\n", "unit"),
        (
            "kind = \"fm\"",
            "kind = \"am\"",
            "\"am\"",
            "\"fm\" or \"ssb\"",
        ),
        ("rate = 24000", "rate = 12000", "12000\n", "at least 21000"),
        ("level = \"22 dB\"", "level = \"22\"", "\"22\"", "unit dB"),
        (
            "level = \"26 dB\"",
            "level = \"260 dB\"",
            "\"260 dB\"",
            "80 dB",
        ),
        (
            "to = \"QM3BAR\", level",
            "to = \"QM3BOR\", level",
            "\"QM3BOR\", level",
            "QM3BAR",
        ),
        (
            "at = \"QM3BAR\"",
            "at = \"QM3BAX\"",
            "\"QM3BAX\"",
            "one of QA1SKY",
        ),
        (
            "do = \"await\"",
            "do = \"attend\"",
            "\"attend\"",
            "\"await\"",
        ),
        (
            "person = \"Brae\"",
            "person = \"Bray\"",
            "\"Bray\"",
            "one of Brae",
        ),
        (
            "clock_error = \"-35 ppm\"",
            "clock_eror = \"-35 ppm\"",
            "clock_eror",
            "'clock_error' is",
        ),
        (
            "port = \"HF\", patience",
            "port = \"UHF\", patience",
            "\"UHF\", patience",
            "one of HF, VHF",
        ),
    ];
    for (from, to, at, says) in cases {
        let said = complaint(from, to);
        let changed = text.replacen(from, to, 1);
        assert!(said.starts_with(&place(&changed, at)), "{to}: {said}");
        assert!(said.contains(says), "{to} should say {says}: {said}");
        assert!(said.contains("allowed: "), "{said}");
    }
}

#[test]
fn stations_and_paths_must_fit_together() {
    let twice = complaint("to = \"QD2HIL\", level", "to = \"QM3BAR\", level");
    assert!(
        twice.contains("the path between QA1SKY and QM3BAR is given already"),
        "{twice}"
    );
    let twin = complaint("call = \"QM3BAR\"", "call = \"QD2HIL\"");
    assert!(
        twin.contains("another station has the call sign QD2HIL too"),
        "{twin}"
    );
    let tug = "name = \"HF\"\nmode = \"afsk300\"\nclock_error = \"-25 ppm\"";
    let nowhere = complaint(tug, &tug.replace("HF", "UHF"));
    assert!(
        nowhere.contains("there is no [[band]] called 'UHF'"),
        "{nowhere}"
    );
}

#[test]
fn files_that_are_no_scenario_are_refused_in_words() {
    let files: [&[u8]; 5] = [b"", b"\xff\xfe", b"title = ", b"[[band]]\n", b"\0\0\0"];
    for octets in files {
        let faults = Scenario::read("x.toml", octets).expect_err("a fault");
        let said = faults.to_string();
        assert!(said.starts_with("x.toml:"), "{said}");
        assert!(said.contains("allowed: "), "{said}");
    }
    let empty = Scenario::read("x.toml", b"title = \"x\"\n")
        .expect_err("a fault")
        .to_string();
    for missing in ["operator", "[[band]]", "[[place]]"] {
        assert!(empty.contains(missing), "{missing}: {empty}");
    }
}

#[test]
fn a_path_has_hours_and_what_are_none_is_told() {
    let path = "level = \"22 dB\" }";
    let with = |open: &str| format!("level = \"22 dB\", open = {open} }}");
    let text = marrow().replacen(path, &with("[\"06:00-09:30\", \"20:00-24:00\"]"), 1);
    let scenario = Scenario::read("isles.toml", text.as_bytes()).expect("whole");
    let paths = scenario.bands[0].paths.iter();
    let closed = paths.filter(|p| p.hours.to_string() == "06:00-09:30, 20:00-24:00");
    assert_eq!(closed.count(), 2, "both ways");
    for wrong in [
        "[]",
        "[\"6-9\"]",
        "[\"09:00-06:00\"]",
        "\"06:00-09:00\"",
        "[7]",
    ] {
        let said = complaint(path, &with(wrong));
        assert!(said.contains("06:00-09:30"), "{wrong}: {said}");
    }
}

#[test]
fn a_file_in_an_answer_has_a_name_that_can_be_offered_and_something_in_it() {
    let file = "file = \"ferry-times.txt\"";
    let said = |to: &str| complaint(file, to);
    let odd = said("file = \"../ferry-times.txt\"");
    assert!(odd.contains("U+002F"), "{odd}");
    let lost = said("close = false");
    assert!(lost.contains("no file that holds it"), "{lost}");
    let empty = complaint("say = \"All noted.", "file = \"a.txt\", say = \"All noted.");
    assert!(empty.contains("it is empty"), "{empty}");
}
