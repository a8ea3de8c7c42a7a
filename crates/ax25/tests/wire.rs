//! The codec against the standard's printed octets, and against anything at all.

use dunlin_ax25::wire::{
    Address, AddressField, CallSign, Control, DecodeError, Fault, Frame, MAX_REPEATERS, Modulo,
    Repeater, Role,
};
use proptest::prelude::*;

fn octets(hex: &str) -> Vec<u8> {
    hex.split_whitespace()
        .map(|pair| u8::from_str_radix(pair, 16).expect("hex"))
        .collect()
}

fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

/// Without repeaters; the calls are those of the standard's own example.
fn fig_3_4() -> Frame {
    Frame {
        destination: call("NJ7P").into(),
        source: call("N7LEM").into(),
        repeaters: vec![],
        role: Role::Command,
        control: Control::I {
            ns: 7,
            nr: 1,
            p: true,
        },
        pid: Some(0xF0),
        info: vec![],
    }
}

#[test]
fn fig_3_4_of_the_standard() {
    let printed = octets("9C 94 6E A0 40 40 E0 9C 6E 98 8A 9A 40 61 3E F0");
    assert_eq!(Frame::decode(&printed), Ok(fig_3_4()));
    assert_eq!(fig_3_4().encode(), printed);
    assert_eq!(fig_3_4().to_string(), "N7LEM > NJ7P : I ns 7 nr 1 poll");
}

#[test]
fn fig_3_8_of_the_standard_has_one_repeater_that_was_passed() {
    let printed = octets("9C 94 6E A0 40 40 E0 9C 6E 98 8A 9A 40 60 9C 6E 9E 9E 40 40 E3 3E F0");
    let mut frame = fig_3_4();
    frame.repeaters.push(Repeater::ahead(call("N7OO-1")));
    assert!(frame.mark_repeated(call("N7OO-1")));
    assert_eq!(Frame::decode(&printed).as_ref(), Ok(&frame));
    assert_eq!(frame.encode(), printed);
    assert_eq!(
        frame.to_string(),
        "N7LEM > NJ7P via N7OO-1* : I ns 7 nr 1 poll"
    );
}

#[test]
fn each_frame_reads_as_one_line() {
    let path = [call("QD2HIL-1"), call("QD2HIL-2")];
    let mut ui = Frame::ui(call("QM3BAR"), call("QA1SKY"), &path, 0xF0, vec![]);
    assert!(ui.mark_repeated(path[0]));
    ui.info = b"it's \"in\"\x1b[2J\r\xff \xe2\x80\xae".to_vec();
    assert_eq!(
        ui.to_string(),
        "QM3BAR > QA1SKY via QD2HIL-1*, QD2HIL-2 : UI \
         \"it's \\\"in\\\"\\u{1b}[2J\\r\u{fffd} \\u{202e}\""
    );
    let line = |role, control, pid, info: &[u8]| {
        let info = info.to_vec();
        Frame {
            role,
            control,
            pid,
            info,
            repeaters: vec![],
            ..ui.clone()
        }
        .to_string()
    };
    let rr = Control::Rr { nr: 3, pf: true };
    assert_eq!(
        line(Role::Response, rr, None, b""),
        "QM3BAR > QA1SKY : RR response nr 3 final"
    );
    assert_eq!(
        line(Role::Command, rr, None, b""),
        "QM3BAR > QA1SKY : RR command nr 3 poll"
    );
    let legacy = Role::Legacy { c_bits: false };
    assert_eq!(
        line(legacy, rr, None, b""),
        "QM3BAR > QA1SKY : RR legacy nr 3 poll/final"
    );
    let sabm = Control::Sabm { p: true };
    assert_eq!(
        line(Role::Command, sabm, None, b""),
        "QM3BAR > QA1SKY : SABM poll"
    );
    let ip = Control::Ui { pf: false };
    assert_eq!(
        line(Role::Command, ip, Some(0xCC), b"E"),
        "QM3BAR > QA1SKY : UI pid 0xCC \"E\""
    );
    let frmr = Control::Frmr { f: true };
    assert_eq!(
        line(Role::Response, frmr, None, &[0x7F, 0, 1]),
        "QM3BAR > QA1SKY : FRMR final 7F 00 01"
    );
}

#[test]
fn bad_frames_say_why_and_what_the_data_link_must_know() {
    let addresses = &fig_3_4().encode()[..14];
    let rest = |rest: &[u8]| Frame::decode(&[addresses, rest].concat()).expect_err("bad");
    let table = [
        (rest(&[]), DecodeError::NoControl, Fault::Length),
        (rest(&[0x3E]), DecodeError::NoPid("I"), Fault::Length),
        (rest(&[0x03]), DecodeError::NoPid("UI"), Fault::Length),
        (
            rest(&[0xFF]),
            DecodeError::UnknownControl(0xFF),
            Fault::ControlField,
        ),
        (
            rest(&[0x01, 0x00]),
            DecodeError::InfoNotPermitted("RR"),
            Fault::InfoNotPermitted,
        ),
        (
            rest(&[0x3F, 0x00]),
            DecodeError::InfoNotPermitted("SABM"),
            Fault::InfoNotPermitted,
        ),
    ];
    for (got, expected, fault) in table {
        assert_eq!(got, expected);
        assert_eq!(got.fault(), Some(fault));
    }
    assert_eq!(DecodeError::AddressWithoutEnd.fault(), None);
    let extended = Frame::decode_modulo(
        &[addresses, &[0x01]].concat(),
        Modulo::OneHundredTwentyEight,
    );
    assert_eq!(extended, Err(DecodeError::NoControl));
    let (field, left) = AddressField::decode(addresses).expect("good addresses");
    assert_eq!(
        (field.to_string().as_str(), left),
        ("N7LEM > NJ7P", &[][..])
    );
}

prop_compose! {
    /// Any subfield that does not end the address field, reserved bits and odd characters
    /// included.
    fn any_subfield()(octets in prop::array::uniform7(any::<u8>())) -> [u8; 7] {
        octets.map(|octet| octet & 0xFE)
    }
}

fn any_call() -> impl Strategy<Value = CallSign> {
    ("[A-Z0-9]{1,6}", 0..=15_u8).prop_map(|(text, ssid)| CallSign::new(&text, ssid).expect("call"))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn what_is_decoded_is_encoded_again_octet_for_octet(
        subfields in prop::collection::vec(any_subfield(), 2..=2 + MAX_REPEATERS),
        rest in prop::collection::vec(any::<u8>(), 0..300),
        extended: bool,
    ) {
        let modulo = if extended { Modulo::OneHundredTwentyEight } else { Modulo::Eight };
        let mut octets = subfields.concat();
        *octets.last_mut().expect("not empty") |= 1;
        octets.extend(rest);
        if let Ok(frame) = Frame::decode_modulo(&octets, modulo) {
            prop_assert_eq!(frame.encode_modulo(modulo), octets);
        }
    }

    #[test]
    fn nothing_that_is_heard_makes_a_panic_or_reaches_the_terminal(
        octets in prop::collection::vec(any::<u8>(), 0..400),
    ) {
        match Frame::decode(&octets) {
            Ok(frame) => {
                prop_assert!(!frame.to_string().chars().any(char::is_control));
                prop_assert_eq!(frame.encode(), octets);
            }
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }

    #[test]
    fn random_text_in_good_frames_never_reaches_the_terminal(
        subfields in prop::collection::vec(any_subfield(), 2..=2 + MAX_REPEATERS),
        info in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        let mut octets = subfields.concat();
        *octets.last_mut().expect("not empty") |= 1;
        octets.extend([0x03, 0xF0]);
        octets.extend(info);
        let line = Frame::decode(&octets).expect("a UI frame").to_string();
        prop_assert!(!line.chars().any(char::is_control));
    }

    #[test]
    fn every_call_sign_survives_text_and_air(call in any_call()) {
        prop_assert_eq!(call.to_string().parse(), Ok(call));
        prop_assert_eq!(Address::from(call).call_sign(), Some(call));
        prop_assert_eq!(Address::from(call).to_string(), call.to_string());
    }
}
