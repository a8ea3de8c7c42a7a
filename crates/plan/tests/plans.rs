//! Good plans: what comes out of them, what is found odd, and the plans that come along.

use std::time::Duration;

use dunlin_clock::SampleRate;
use dunlin_plan::{Channel, Device, KeyLine, Plan, PlanRules, SoundPlan, is_invented};
use dunlin_station::{PortId, WhoMayCross};

const EXAMPLE: &str = include_str!("../../../plans/example.toml");
const LOOP_A: &str = include_str!("../../../plans/loop-a.toml");
const LOOP_B: &str = include_str!("../../../plans/loop-b.toml");

fn read(text: &str) -> Plan {
    match Plan::read("plan.toml", text.as_bytes(), &PlanRules::real()) {
        Ok(plan) => plan,
        Err(list) => panic!("{list}"),
    }
}

fn sound(plan: &Plan) -> &SoundPlan {
    plan.devices[0].sound().expect("a sound device")
}

fn port(mode: &str, lines: &str) -> Plan {
    read(&format!(
        "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"P\"\nmode = \"{mode}\"\n{lines}\n[port.sound]\n"
    ))
}

#[test]
fn the_example_means_what_it_says() {
    let plan = read(EXAMPLE);
    let station = &plan.station;
    assert_eq!(station.call.to_string(), "QA1SKY");
    assert!(plan.note.starts_with("Sound card"));
    let [vhf, hf] = &station.ports[..] else {
        panic!("two ports")
    };
    assert_eq!((vhf.name.as_str(), hf.name.as_str()), ("VHF", "HF"));
    assert_eq!(
        (vhf.call.to_string(), hf.call.to_string()),
        ("QA1SKY-1".into(), "QA1SKY".into())
    );
    assert_eq!(
        (vhf.window, vhf.info_length, hf.window, hf.info_length),
        (4, 128, 1, 64)
    );
    assert_eq!((vhf.level_dbfs, hf.offset_hz), (-12.0, 20.0));
    assert_eq!(vhf.beacons[0].interval, Duration::from_secs(1800));
    assert_eq!(vhf.digipeat, ["QA1SKY-5".parse().expect("call")]);
    assert_eq!(sound(&plan).channel, Channel::Only(0));
    let other = plan.devices[1].sound().map(|sound| sound.channel);
    assert_eq!(other, Some(Channel::Only(1)));
    assert_eq!(plan.devices[1].key.line, KeyLine::Vox);
    let rule = &station.crossings[0];
    assert_eq!((rule.from, rule.to, rule.most), (PortId(0), PortId(1), 1));
    assert_eq!((rule.call, rule.far_call), (rule.call, rule.call));
    assert!(matches!(&rule.who, WhoMayCross::These(calls) if calls.len() == 2));
}

#[test]
fn defaults_follow_the_speed_of_the_port() {
    let slow = port("afsk300", "").station.ports.remove(0);
    let fast = port("afsk1200", "").station.ports.remove(0);
    let ms = Duration::from_millis;
    assert_eq!(
        (slow.timing.key_up_delay, fast.timing.key_up_delay),
        (ms(400), ms(300))
    );
    assert_eq!(
        (slow.timing.slot_time, fast.timing.slot_time),
        (ms(300), ms(100))
    );
    assert_eq!(
        (slow.timing.persistence, fast.timing.persistence),
        (0.2, 0.25)
    );
    assert!(
        !slow.may_transmit,
        "on the air, a port is silent until told otherwise"
    );
    let sending = "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"P\"\nmode = \"afsk1200\"\n\
                   [port.sound]\noutput = \"default\"\n[port.key]\nmethod = \"vox\"\n";
    assert!(
        read(sending).station.ports[0].may_transmit,
        "an output is there to be used"
    );
    let held = sending.replace("name =", "transmit = false\nname =");
    assert!(!read(&held).station.ports[0].may_transmit);
    assert_eq!(
        fast.call,
        "1X1ABC".parse().expect("call"),
        "the station's call by default"
    );
}

#[test]
fn invented_call_signs_open_no_transmitter_unless_it_is_a_loop() {
    assert!(is_invented("QA1SKY-3".parse().expect("call")));
    assert!(!is_invented("1X1ABC".parse().expect("call")));
    let plan = read(EXAMPLE);
    assert!(plan.is_invented_call());
    let sentence = plan.may_open_output(PortId(0)).expect_err("refused");
    assert!(
        sentence.starts_with("port VHF does not transmit: QA1SKY begins with Q"),
        "{sentence}"
    );
    let line = |n: usize| EXAMPLE.lines().nth(n - 1);
    let invented = plan.findings.iter().filter(|f| f.id == "invented-call");
    let lines: Vec<_> = invented.map(|f| line(f.line)).collect();
    assert_eq!(lines, [Some("name = \"VHF\""), Some("name = \"HF\"")]);
    for text in [LOOP_A, LOOP_B] {
        let plan = read(text);
        assert_eq!(plan.may_open_output(PortId(0)), Ok(()));
        assert_eq!(plan.findings, []);
        assert!(plan.devices[0].is_loop());
    }
    assert!(plan.may_open_output(PortId(7)).is_err());
}

#[test]
fn an_invented_call_anywhere_on_the_port_counts() {
    let with = |port: &str| {
        let text = format!(
            "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"P\"\nmode = \"afsk1200\"\n\
             transmit = true\n{port}\n[port.sound]\noutput = \"x\"\n[port.key]\nmethod = \"vox\"\n"
        );
        read(&text).may_open_output(PortId(0))
    };
    assert_eq!(with(""), Ok(()));
    assert!(with("call = \"QA1SKY\"").is_err());
    assert!(with("digipeat = [\"QD1GI\"]").is_err());
    let silent = port("afsk1200", "").may_open_output(PortId(0));
    assert_eq!(
        silent,
        Err("port P only hears: it has no output in [port.sound], or transmit = false".into())
    );
}

#[test]
fn the_two_ends_of_the_loop_hear_each_other() {
    let (a, b) = (read(LOOP_A), read(LOOP_B));
    let monitor = |device: &Device| match device {
        Device::Named(name) => Device::Named(format!("{name}.monitor")),
        other => other.clone(),
    };
    assert_eq!(sound(&a).input, monitor(&sound(&b).output));
    assert_eq!(sound(&b).input, monitor(&sound(&a).output));
}

#[test]
fn odd_plans_are_read_and_what_is_odd_is_found() {
    let found = |plan: &Plan| -> Vec<String> {
        let reading =
            |f: &&dunlin_plan::Finding| !dunlin_plan::checks::all().any(|check| check.id == f.id);
        let read = plan.findings.iter().filter(reading);
        read.map(|f| f.what.clone()).collect()
    };
    let hf = port(
        "afsk300",
        "window_frames = 7\ninfo_length_octets = 128\ndigipeat = [\"1X1ABC-1\"]\ndigipeat_on_hf = true",
    );
    assert_eq!(
        found(&hf),
        [
            "'window_frames' of port P does not suit HF",
            "'info_length_octets' of port P does not suit HF",
            "'digipeat' of port P does not suit HF",
        ]
    );
    let beacon = "transmit = true\n[[port.beacon]]\ntext = \"hi\"\ninterval_min = 10\n\
                  via = [\"1X1ABC-1\", \"1X1ABC-2\"]";
    let text = format!(
        "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"P\"\nmode = \"afsk1200\"\n{beacon}\n\
         [port.sound]\noutput = \"x\"\n"
    );
    assert_eq!(
        found(&read(&text)),
        [
            "this beacon is sent often",
            "this beacon goes far",
            "this port may transmit, but nothing keys its radio",
        ]
    );
    let two = "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n\
        [[port]]\nname = \"A\"\nmode = \"afsk1200\"\ntransmit = true\n[port.sound]\noutput = \"x\"\n[port.key]\nmethod = \"vox\"\n\
        [[port]]\nname = \"B\"\nmode = \"afsk1200\"\ntransmit = true\n[port.sound]\noutput = \"x\"\n[port.key]\nmethod = \"vox\"\n\
        [[crossing]]\nname = \"c\"\nfrom = \"A\"\nto = \"B\"\ncall = \"1X1ABC-7\"\nallow = \"all\"\n";
    assert_eq!(
        found(&read(two)),
        [
            "two ports use the same call sign and SSID",
            "two ports send through the same channel of the same sound device",
            "crossing 'c' is open to everybody and leads everywhere",
        ]
    );
    let silent = two.replacen("transmit = true", "transmit = false", 1);
    let all = found(&read(&silent));
    assert!(
        all.contains(&"nobody can use crossing 'c'".to_owned()),
        "{all:?}"
    );
    let plan = read(two);
    let of_call = |f: &&dunlin_plan::Finding| f.id == "same-call";
    let shown = plan.findings.iter().find(of_call).map(ToString::to_string);
    let shown = shown.expect("found above");
    assert!(
        shown.contains(": two ports use the same call sign and SSID (1X1ABC on A and B). "),
        "{shown}"
    );
}

#[test]
fn the_explanation_is_a_plan_and_its_remarks_are_true() {
    let text = Plan::explain();
    let as_it_is = read(&text);
    // With every default written out, the same plan comes out.
    let written: String = text
        .lines()
        .map(|line| match line.strip_prefix('#') {
            Some(rest) if !rest.starts_with(' ') && !rest.ends_with('…') => format!("{rest}\n"),
            _ => format!("{line}\n"),
        })
        .collect();
    assert_ne!(written, text);
    let spelled_out = read(&written);
    assert_eq!(spelled_out.station, as_it_is.station);
    assert_eq!(spelled_out.devices, as_it_is.devices);
    for setting in dunlin_plan::settings::all() {
        assert!(
            text.contains(&format!("{} = ", setting.name())),
            "{}",
            setting.name()
        );
    }
}

#[test]
fn in_a_rehearsal_ports_transmit_and_need_no_sound_device() {
    let rate = SampleRate::new(12_000).expect("not zero");
    let text = "[station]\nplan_version = 1\ncall = \"QM3BAR\"\n[[port]]\nname = \"P\"\nmode = \"afsk1200\"\n\
                [[port.beacon]]\ntext = \"hi\"\ninterval_min = 2\nfirst_delay_s = 0\n";
    let plan = Plan::read("s.toml", text.as_bytes(), &PlanRules::rehearsal(rate)).expect("good");
    assert!(plan.station.ports[0].may_transmit);
    assert_eq!(plan.station.ports[0].rate, rate);
    assert_eq!((plan.devices.len(), plan.findings.len()), (0, 0));
    assert!(
        plan.may_open_output(PortId(0)).is_err(),
        "nothing in a rehearsal can key"
    );
    let with_sound = format!("{text}[port.sound]\n");
    let list = Plan::read("s.toml", with_sound.as_bytes(), &PlanRules::rehearsal(rate));
    let list = list.expect_err("a rehearsal has no sound devices");
    assert_eq!(list.faults[0].what, "'sound' is not known in [[port]]");
}

#[test]
fn tones_rate_and_polarity_are_chosen_beside_the_mode() {
    let line = |mode: &str, lines: &str| port(mode, lines).station.ports[0].line;
    assert_eq!(line("afsk1200", "").to_string(), "afsk1200");
    let named = line("afsk1200", "tones = \"V.23 mode 1\"");
    assert_eq!(
        (named.baud(), named.low_and_high()),
        (600, Some((1300, 1700)))
    );
    let own = line(
        "afsk300",
        "mark_hz = 2295\nspace_hz = 2125\nsymbol_rate_baud = 100",
    );
    assert_eq!((own.baud(), own.centre_hz()), (100, Some(2210.0)));
    assert!(line("fsk9600", "inverted = true\nsymbol_rate_baud = 19200").is_turned());
}

#[test]
fn forward_error_correction_is_chosen_by_check_octets() {
    use dunlin_station::port::FecStrength;
    let strength = |lines: &str| port("afsk1200", lines).station.ports[0].fec;
    assert_eq!(strength(""), None);
    assert_eq!(strength("fec_check_octets = 0"), None);
    for (lines, wanted) in [
        ("fec_check_octets = 16", FecStrength::Check16),
        ("fec_check_octets = 32", FecStrength::Check32),
        ("fec_check_octets = 64", FecStrength::Check64),
    ] {
        assert_eq!(strength(lines), Some(wanted));
    }
    let text = "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"P\"\n\
                mode = \"afsk1200\"\nfec_check_octets = 16\n[port.controller]\nlink = \"tcp\"\n\
                address = \"127.0.0.1:8100\"\n";
    let list = Plan::read("p.toml", text.as_bytes(), &PlanRules::real());
    let list = list.expect_err("a controller makes the bits").to_string();
    assert!(list.contains("fec_check_octets: a controller"), "{list}");
}

#[test]
fn seeds_differ_from_station_to_station() {
    assert_ne!(read(LOOP_A).station.seed, read(LOOP_B).station.seed);
    assert_eq!(read(LOOP_A).station.seed, read(LOOP_A).station.seed);
}

#[test]
fn the_engine_takes_every_mode_at_the_edges_of_what_a_plan_allows() {
    let edges = [
        "level_dbfs = 0\nkey_up_delay_ms = 20\ntail_ms = 0\npersistence = 1",
        "level_dbfs = -60\nkey_up_delay_ms = 2000\ntail_ms = 1000\npersistence = 0.01\n\
         slot_time_ms = 2000\nidle_check_s = 3600\nretries = 20\nwindow_frames = 7",
    ];
    for mode in dunlin_modem::Mode::ALL {
        let offset = if mode.has_tones() { -200 } else { 0 };
        for rate in [mode.lowest_sample_rate(), 192_000] {
            for edge in edges {
                let text = format!(
                    "[station]\nplan_version = 1\ncall = \"QA1SKY\"\n[[port]]\nname = \"P\"\nmode = \"{mode}\"\n{edge}\n\
                     tone_offset_hz = {offset}\ntransmit = true\n\
                     [port.sound]\nrate_hz = {rate}\noutput = \"x\"\n[port.key]\nmethod = \"vox\"\n"
                );
                let plan = read(&text);
                assert_eq!(plan.station.ports[0].rate.hz(), rate);
                dunlin_station::Station::new(plan.station).expect("the engine takes it");
            }
        }
    }
}

#[test]
fn single_frames_are_repeated_on_a_slow_port_only_in_so_many_words() {
    let with = |mode: &str, more: &str| {
        let lines = format!("digipeat = [\"1X1ABC-1\"]\n{more}");
        let text = format!(
            "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"P\"\n\
             mode = \"{mode}\"\n{lines}\n[port.sound]\noutput = \"none\"\n"
        );
        let read = Plan::read("plan.toml", text.as_bytes(), &PlanRules::real());
        read.map(|plan| plan.station.ports[0].digipeat_limits)
    };
    let refused = with("afsk300", "").expect_err("not in so many words");
    assert!(
        refused.to_string().contains("digipeat_on_hf = true"),
        "{refused}"
    );
    with("afsk300", "digipeat_on_hf = true").expect("it is said");
    let hf = "[port.radio]\nkind = \"hf_ssb\"";
    with("afsk1200", hf).expect_err("the radio is on HF");
    with("afsk1200", &format!("digipeat_on_hf = true\n{hf}")).expect("it is said");
    let limits = with(
        "afsk1200",
        "digipeat_most_hops = 1\ndigipeat_user_a_minute = 5",
    );
    let limits = limits.expect("without fault");
    assert_eq!(
        (limits.most_hops, limits.user_a_minute, limits.port_a_minute),
        (1, 5, 60)
    );
}

#[test]
fn a_crossing_leads_by_digipeaters_only_if_it_is_said_and_on_hf_only_in_so_many_words() {
    let with = |far_mode: &str, radio: &str, more: &str| {
        let text = format!(
            "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n\
             [[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n[port.sound]\noutput = \"none\"\n\
             [[port]]\nname = \"FAR\"\nmode = \"{far_mode}\"\n{radio}[port.sound]\noutput = \"none\"\n\
             [[crossing]]\nname = \"over\"\nfrom = \"VHF\"\nto = \"FAR\"\ncall = \"1X1ABC-7\"\n\
             allow = [\"QM3BAR\"]\n{more}\n"
        );
        let read = Plan::read("plan.toml", text.as_bytes(), &PlanRules::real());
        let most = |plan: Plan| plan.station.crossings[0].most_digipeaters;
        read.map(most).map_err(|faults| faults.to_string())
    };
    assert_eq!(with("afsk1200", "", ""), Ok(0), "nothing is said");
    assert_eq!(with("afsk1200", "", "most_digipeaters = 2"), Ok(2));
    with("afsk1200", "", "most_digipeaters = 3").expect_err("more than are proposed");
    let hf = "[port.radio]\nkind = \"hf_ssb\"\n";
    for (mode, radio) in [("afsk300", ""), ("afsk1200", hf)] {
        let refused = with(mode, radio, "most_digipeaters = 1").expect_err("it is HF");
        assert!(refused.contains("digipeaters_on_hf = true"), "{refused}");
        let said = "most_digipeaters = 1\ndigipeaters_on_hf = true";
        assert_eq!(with(mode, radio, said), Ok(1));
        assert_eq!(with(mode, radio, ""), Ok(0));
    }
}
