//! Every check: a plan that triggers it, and one that does not.

use std::collections::BTreeSet;

use dunlin_plan::{Fresh, Plan, PlanRules, Region, Severity, checks};

/// A plan in which no check finds anything worse than a hint.
const GOOD: &str = r#"[station]
plan_version = 1
call = "1X1ABC"

[[port]]
name = "VHF"
mode = "afsk1200"
call = "1X1ABC-2"
#vhf
[port.sound]
input = "pulse:a"
output = "pulse:b"
#vhfsound
[port.key]
method = "serial"
device = "/dev/serial/by-id/a"
opposed = true
#vhfkey
[port.radio]
kind = "vhf_fm"
#vhfradio
[port.sense]
#vhfsense
[port.limits]
#vhflimits

[[port]]
name = "HF"
mode = "afsk300"
#hf
[port.sound]
input = "pulse:c"
output = "pulse:d"
#hfsound
[port.key]
method = "serial"
device = "/dev/serial/by-id/b"
opposed = true
#hfkey
[port.radio]
kind = "hf_ssb"
#hfradio
[port.sense]
#hfsense
[port.limits]
#hflimits

[[port]]
name = "C"
mode = "afsk1200"
call = "1X1ABC-4"
[port.controller]
link = "tcp"
address = "127.0.0.1:8100"
number = 0
#c

[[crossing]]
name = "over"
from = "VHF"
to = "HF"
call = "1X1ABC-9"
allow = ["QM3BAR"]
#cross

[page]
#page
[kiss_server]
#kiss
[journal]
#journal
"#;

const HF_KEY: &str =
    "method = \"serial\"\ndevice = \"/dev/serial/by-id/b\"\nopposed = true\n#hfkey";
const VHF_KEY: &str =
    "method = \"serial\"\ndevice = \"/dev/serial/by-id/a\"\nopposed = true\n#vhfkey";

/// A check, what is replaced in the good plan, and by what.
type Case = (&'static str, &'static str, &'static str);

/// Each check is triggered by its line; the good plan does not trigger it.
const CASES: &[Case] = &[
    ("slot-short", "#hf\n", "slot_time_ms = 100\n"),
    ("slot-long", "#vhf\n", "slot_time_ms = 600\n"),
    ("delay-short", "#vhf\n", "key_up_delay_ms = 100\n"),
    ("delay-wasteful", "#vhf\n", "key_up_delay_ms = 700\n"),
    ("tail-short", "#vhf\n", "tail_ms = 0\n"),
    ("tail-long", "#hf\n", "tail_ms = 300\n"),
    ("persistence-high", "#vhf\n", "persistence = 0.6\n"),
    ("persistence-low", "#hf\n", "persistence = 0.04\n"),
    ("window-large", "#vhf\n", "window_frames = 5\n"),
    ("length-small", "#vhf\n", "info_length_octets = 20\n"),
    ("round-trip-long", "#hf\n", "window_frames = 4\n"),
    ("retries-many", "#hf\n", "retries = 12\n"),
    ("idle-check-often", "#vhf\n", "idle_check_s = 60\n"),
    ("limits-disorder", "#vhflimits", "hour_s = 100"),
    ("single-long", "#vhflimits", "single_s = 90"),
    (
        "duty-over-rating",
        "#hflimits",
        "ten_minutes_s = 360\nhour_s = 400",
    ),
    ("share-large", "#vhflimits", "hour_s = 1500"),
    ("keyer-shorter", "#vhfkey", "longest_key_down_s = 10"),
    ("keyer-longer", "#vhfkey", "longest_key_down_s = 60"),
    ("identify-late", "#vhflimits", "identify_every_min = 15"),
    ("settle-short", "#hflimits", "settle_s = 0"),
    ("wait-alarm-late", "#hflimits", "wait_alarm_s = 3000"),
    ("interlock-none", "#hflimits", "interlock = \"none\""),
    ("sense-nothing", "#vhfsense", "data = false"),
    ("sense-no-data", "#vhfsense", "data = false\nenergy = true"),
    ("energy-unsquelched", "#vhfsense", "energy = true"),
    ("squelch-closed", "#vhfradio", "squelch = \"closed\""),
    (
        "emphasis-on-ssb",
        "#hf\n",
        "pre_emphasis_db_per_octave = 6\n",
    ),
    (
        "emphasis-twice",
        "#vhf\n",
        "pre_emphasis_db_per_octave = 6\n",
    ),
    ("same-input", "pulse:c", "pulse:a"),
    (
        "second-same",
        "#vhfsound",
        "[port.second_sound]\ninput = \"pulse:a\"",
    ),
    (
        "second-other",
        "#vhfsound",
        "[port.second_sound]\ninput = \"pulse:c\"\nchannel = \"right\"",
    ),
    ("controller-senses", "#c\n", "[port.sense]\nenergy = true\n"),
    (
        "controller-twice",
        "#c\n",
        "[[port]]\nname = \"D\"\nmode = \"afsk300\"\n[port.controller]\nlink = \"tcp\"\n\
         address = \"127.0.0.1:8100\"\nnumber = 0\n",
    ),
    ("port-duplex", "#vhf\n", "full_duplex = true\n"),
    ("controller-duplex", "#c\n", "full_duplex = true\n"),
    ("vox-on-hf", HF_KEY, "method = \"vox\""),
    ("key-inverted", "#vhfkey", "inverted = true"),
    ("device-by-number", "/dev/serial/by-id/a", "/dev/ttyUSB0"),
    ("key-shared", "/dev/serial/by-id/b", "/dev/serial/by-id/a"),
    ("key-unused", "#hfkey", "speed_baud = 4800"),
    (
        "serial-not-opposed",
        VHF_KEY,
        "method = \"serial\"\ndevice = \"/dev/serial/by-id/a\"",
    ),
    (
        "rf-centre",
        "#hfradio",
        "dial_khz = 14103.0\nsideband = \"lsb\"",
    ),
    ("sideband-missing", "#hfradio", "dial_khz = 14103.0"),
    (
        "bandwidth-over-region",
        "#hfradio",
        "dial_khz = 14103.0\nsideband = \"lsb\"\nbandwidth_hz = 3500",
    ),
    (
        "automatic-segment",
        "#hfradio",
        "dial_khz = 14080.0\nsideband = \"lsb\"\nunattended = true",
    ),
    ("unattended-no-alarm", "#hfradio", "unattended = true"),
    (
        "mode-and-radio",
        "kind = \"hf_ssb\"",
        "kind = \"data_port\"",
    ),
    (
        "fast-through-microphone",
        "mode = \"afsk1200\"",
        "mode = \"fsk9600\"",
    ),
    ("narrow-channel", "#vhfradio", "channel_khz = 12.5"),
    ("level-high", "#vhf\n", "level_dbfs = -1\n"),
    (
        "beacon-on-hf",
        "#hflimits",
        "[[port.beacon]]\ntext = \"hi\"\ninterval_min = 60",
    ),
    ("exposure", "#hfradio", "power_w = 100"),
    ("ssid-customary", "1X1ABC-9", "1X1ABC-7"),
    ("call-form", "call = \"1X1ABC\"\n", "call = \"NOCALL\"\n"),
    (
        "crossings-loop",
        "#cross",
        "[[crossing]]\nname = \"back\"\nfrom = \"HF\"\nto = \"VHF\"\ncall = \"1X1ABC-10\"\n\
         allow = [\"QM3BAR\"]",
    ),
    ("crossing-unlimited", "#cross", "most_visitors = 5"),
    (
        "crossing-all-to-hf",
        "allow = [\"QM3BAR\"]",
        "allow = \"all\"\nreach = [\"QX0RLF\"]",
    ),
    ("digipeat-own-call", "#vhf\n", "digipeat = [\"1X1ABC-9\"]\n"),
    ("page-open", "#page", "address = \"0.0.0.0\""),
    (
        "page-plain",
        "#page",
        "address = \"0.0.0.0\"\npassword_hash = \"$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA\"",
    ),
    ("guest-alone", "#page", "guest = true"),
    (
        "kiss-open",
        "#kiss",
        "enabled = true\naddress = \"0.0.0.0\"",
    ),
    ("same-tcp-port", "#kiss", "enabled = true\nport = 7317"),
    ("journal-large", "#journal", "most_mb = 50000"),
];

/// Checks whose own test is below, because it takes more than one change.
const OWN: &[&str] = &[
    "vox-default-device",
    "sense-line-shared",
    "baud-over-region",
    "remind-hf",
    "remind-fm",
];

/// Names of what is found under the rules of a region.
fn found(text: &str) -> BTreeSet<(&'static str, Severity)> {
    let text = text.replace("[page]", "[region]\nname = \"us-part97\"\n[page]");
    match Plan::read("plan.toml", text.as_bytes(), &PlanRules::real()) {
        Ok(plan) => plan.findings.iter().map(|f| (f.id, f.severity)).collect(),
        Err(faults) => panic!("{text}\n{faults}"),
    }
}

fn names(text: &str) -> BTreeSet<&'static str> {
    found(text).into_iter().map(|(id, _)| id).collect()
}

fn with(changes: &[(&str, &str)]) -> String {
    let mut text = GOOD.to_owned();
    for (old, new) in changes {
        assert!(text.contains(old), "{old} is not in the plan");
        text = text.replacen(old, new, 1);
    }
    text
}

#[test]
fn the_good_plan_has_nothing_worse_than_hints() {
    let worse: Vec<_> = found(GOOD)
        .into_iter()
        .filter(|(_, severity)| *severity > Severity::Hint)
        .collect();
    assert_eq!(worse, []);
}

#[test]
fn each_check_is_triggered_by_its_own_slip_and_not_by_the_good_plan() {
    let good = names(GOOD);
    let mut wrong = Vec::new();
    for (id, old, new) in CASES {
        if good.contains(id) {
            wrong.push(format!("{id} is found in the good plan"));
        }
        let bad = names(&with(&[(old, new)]));
        if !bad.contains(id) {
            wrong.push(format!("{id} is not found, but {bad:?}"));
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
}

#[test]
fn following_is_reckoned_into_the_regions_limit() {
    // The limit of 2800 Hz begins at 1800 kHz (the region's file); the middle is 50 Hz below.
    let radio = "dial_khz = 1798.25\nsideband = \"usb\"\nbandwidth_hz = 3500";
    let still = with(&[("#hfradio", radio)]);
    assert!(!names(&still).contains("bandwidth-over-region"));
    let moved = with(&[("#hfradio", radio), ("#hf\n", "follow_most_hz = 100\n")]);
    assert!(names(&moved).contains("bandwidth-over-region"));
}

#[test]
fn checks_that_need_more_than_one_change_are_triggered_too() {
    let vox = with(&[(VHF_KEY, "method = \"vox\""), ("pulse:b", "default")]);
    assert!(names(&vox).contains("vox-default-device"));
    assert!(!names(&with(&[(VHF_KEY, "method = \"vox\"")])).contains("vox-default-device"));
    let line = "external = \"serial\"\ndevice = \"/dev/serial/by-id/s\"";
    let shared = with(&[("#vhfsense", line), ("#hfsense", line)]);
    assert!(names(&shared).contains("sense-line-shared"));
    let apart = shared.replacen("by-id/s", "by-id/t", 1);
    assert!(!names(&apart).contains("sense-line-shared"));
    let slow = [
        (
            "kind = \"vhf_fm\"",
            "kind = \"data_port\"\ndial_khz = 145000",
        ),
        ("mode = \"afsk1200\"", "mode = \"fsk9600\""),
    ];
    assert!(!names(&with(&slow)).contains("baud-over-region"));
    assert!(names(GOOD).contains("remind-hf") && names(GOOD).contains("remind-fm"));
    let bare = GOOD.replace("[port.radio]\nkind = \"hf_ssb\"\n", "");
    assert!(!names(&bare).contains("remind-hf") && names(&bare).contains("remind-fm"));
    let bare = GOOD.replace("[port.radio]\nkind = \"vhf_fm\"\n", "");
    assert!(!names(&bare).contains("remind-fm"));
}

#[test]
fn a_region_of_ones_own_limits_the_symbol_rate() {
    let text = with(&[("#hfradio", "dial_khz = 14103\nsideband = \"lsb\"")]);
    let mut plan = Plan::read("p", text.as_bytes(), &PlanRules::real()).expect("good");
    let region = "title = \"t\"\nas_of = \"d\"\ncaution = \"c\"\n[identify]\nevery_min = 10\nsource = \"s\"\n\
                  [[bandwidth]]\nfrom_khz = 14000\nto_khz = 14350\nmost_hz = 500\nmost_baud = MOST\nsource = \"s\"\n";
    let has = |plan: &Plan| plan.findings.iter().any(|f| f.id == "baud-over-region");
    plan.check(&Region::read(&region.replace("MOST", "300")).expect("region"));
    assert!(!has(&plan));
    plan.check(&Region::read(&region.replace("MOST", "299")).expect("region"));
    assert!(has(&plan));
}

#[test]
fn there_are_at_least_forty_checks_and_each_has_its_test() {
    let known: BTreeSet<&str> = checks::all().map(|check| check.id).collect();
    assert!(known.len() >= 40, "{}", known.len());
    assert_eq!(known.len(), checks::all().count(), "two checks of one name");
    let tested: BTreeSet<&str> = CASES
        .iter()
        .map(|case| case.0)
        .chain(OWN.iter().copied())
        .collect();
    assert_eq!(tested, known);
    assert!(checks::all().all(|check| check.reason.ends_with('.') && !check.source.is_empty()));
}

#[test]
fn the_middle_of_the_signal_is_computed_from_dial_sideband_and_tones() {
    let centre = |sideband: &str| {
        let text = with(&[(
            "#hfradio",
            &format!("dial_khz = 14103\nsideband = \"{sideband}\""),
        )]);
        let plan = Plan::read("p", text.as_bytes(), &PlanRules::real()).expect("good");
        let finding = plan.findings.into_iter().find(|f| f.id == "rf-centre");
        finding.expect("told").what
    };
    assert_eq!(centre("lsb"), "port HF: the signal is at 14101.300 kHz");
    assert_eq!(centre("usb"), "port HF: the signal is at 14104.700 kHz");
}

#[test]
fn new_plans_have_nothing_worse_than_hints() {
    for (word, fresh) in Fresh::ALL {
        for call in ["1X1ABC", "1X1ABC-2", "QA1SKY"] {
            for region in ["neutral", "us-part97"] {
                let text = fresh.text(call, region);
                let plan = match Plan::read(word, text.as_bytes(), &PlanRules::real()) {
                    Ok(plan) => plan,
                    Err(faults) => panic!("{faults}"),
                };
                let worse = |f: &&dunlin_plan::Finding| {
                    f.severity > Severity::Hint && f.id != "invented-call"
                };
                let worse: Vec<_> = plan.findings.iter().filter(worse).collect();
                assert!(worse.is_empty(), "{word} {call}: {worse:?}");
            }
        }
    }
}
