//! Tests of the whole form: written, read, printed.

use proptest::prelude::*;

use super::*;

const BODY: &str = "\
12 R HXG QA1SKY 12 GREAT MARROW 1830Z NOV 29
WARDEN OF THE SCHOOL
HARBOUR LANE 4
LEE COVE
TEL 555 0142
BT
FORTY COTS COME BY FERRY AT 1540 X OPEN THE
HALL X
BT
HARBOUR OFFICE
AR
";

fn line(text: &str) -> Line {
    text.parse().expect(text)
}

/// A radiogram of the Marrow Isles.
pub(super) fn radiogram() -> Radiogram {
    let text: Text = "FORTY COTS COME BY FERRY AT 1540 X OPEN THE HALL X"
        .parse()
        .expect("a text");
    Radiogram {
        number: 12,
        precedence: Precedence::Routine,
        handling: vec![Handling::NoToll],
        origin: "QA1SKY".parse().expect("a call sign"),
        check: Check::of(&text),
        place: line("GREAT MARROW"),
        filed: Filed::utc(18, 30),
        date: Date::new(11, 29).expect("a date"),
        to: vec![
            line("WARDEN OF THE SCHOOL"),
            line("HARBOUR LANE 4"),
            line("LEE COVE"),
        ],
        phone: Some("555 0142".parse().expect("a phone number")),
        text,
        signature: line("HARBOUR OFFICE"),
    }
}

fn wrong(body: &str) -> String {
    let wrong = body.parse::<Radiogram>().expect_err(body);
    wrong.to_string()
}

#[test]
fn it_is_written_in_the_order_of_the_guides_and_read_again() {
    // G1: the order of the preamble; then address with phone, text, signature.
    assert_eq!(radiogram().body().as_deref(), Ok(BODY));
    assert_eq!(BODY.parse(), Ok(radiogram()));
    assert_eq!(radiogram().fit_to_send(), Ok(()));
    // Optional (G1): handling instructions, time filed of routine traffic.
    let mut short = radiogram();
    (short.handling, short.filed, short.phone) = (vec![], None, None);
    assert_eq!(short.preamble(), "12 R QA1SKY 12 GREAT MARROW NOV 29");
    assert_eq!(short.body().expect("it fits").parse(), Ok(short.clone()));
    assert_eq!(short.fit_to_send(), Ok(()));
}

#[test]
fn what_others_write_a_little_otherwise_is_read_too() {
    // Common practice, no source.
    let other = BODY
        .to_lowercase()
        .replace("12 r hxg", "\nnr 12 routine hxg")
        .replace("bt\n", " = \r\n")
        .replace("ar\n", "+\n\n")
        .replace("tel 555 0142", "555-0142");
    let mut expected = radiogram();
    expected.phone = Some("555-0142".parse().expect("a phone number"));
    assert_eq!(other.parse(), Ok(expected));
}

#[test]
fn a_relay_reads_what_the_origin_did_wrong() {
    // G3: a wrong check is carried on; G1: urgent traffic needs the time filed, but to refuse
    // an emergency for its lack would be worse.
    let body = BODY
        .replace("12 R HXG QA1SKY 12", "12 EMERGENCY HXG QA1SKY 5")
        .replace(" 1830Z", "");
    let form: Radiogram = body.parse().expect("readable");
    assert_eq!(form.receive().check.to_string(), "5/12");
    assert_eq!(form.body(), Ok(body));
    let unfit = form.fit_to_send().expect_err("a wrong check").to_string();
    assert_eq!(
        unfit,
        "check: the check says 5, but the text counts 12: write 12"
    );
    let counted = Check::of(&form.text);
    let unfit = form.with_check(counted).fit_to_send().expect_err("no time");
    assert_eq!(unfit.part, Part::Filed);
    // G1: needed for emergency and priority; welfare traffic may leave it out.
    for (precedence, fits) in [(Precedence::Priority, false), (Precedence::Welfare, true)] {
        let filed = None;
        let form = Radiogram {
            precedence,
            filed,
            ..radiogram()
        };
        assert_eq!(form.fit_to_send().is_ok(), fits);
        assert_eq!(form.remarks().is_empty(), fits);
    }
}

/// What of [`BODY`] is replaced by what, and how the fault begins.
const FAULTS: [(&str, &str, &str); 17] = [
    (
        "12 R",
        "0 R",
        "line 1, column 1: 0 is no number of a radiogram",
    ),
    (
        " R ",
        " E ",
        "line 1, column 4: E is no precedence: wanted is EMERGENCY (always",
    ),
    (
        "HXG",
        "HXH",
        "line 1, column 6: HXH is no handling instruction",
    ),
    ("HXG", "HXG HXG", "line 1, column 10: HXG stands twice"),
    ("QA1SKY", "SKY", "line 1, column 10: SKY is no call sign"),
    ("QA1SKY", "1-1", "line 1, column 10: 1-1 has an SSID"),
    (
        "QA1SKY 12",
        "QA1SKY",
        "line 1, column 17: GREAT is no check",
    ),
    (
        " GREAT MARROW",
        "",
        "line 1, column 20: the place of origin is missing",
    ),
    (
        "MARROW",
        "0900Z",
        "line 1, column 26: the place of origin ends with 0900Z",
    ),
    ("NOV 29", "NOV 31", "line 1, column 39: NOV 31 is no date"),
    (
        " GREAT MARROW 1830Z NOV 29",
        "",
        "line 1, column 19: the radiogram ends here",
    ),
    (
        "LANE 4",
        "LANE #4",
        "line 3, column 14: '#' is no character of a radiogram: write NUMBER",
    ),
    ("LEE COVE", "5550142", "line 5, column 1: wanted here is BT"),
    (
        "TEL ",
        "TEL A",
        "line 5, column 1: A555 0142 is no phone number",
    ),
    (
        "FERRY",
        "FERRY.",
        "line 7, column 25: '.' is no character of a radiogram: write X",
    ),
    (
        "HARBOUR OFFICE\n",
        "",
        "line 10, column 1: wanted here is the signature",
    ),
    (
        "OFFICE\n",
        "OFFICE\nBAR ISLAND\n",
        "line 11, column 1: wanted here is AR",
    ),
];

#[test]
fn faults_say_what_and_where_and_what_to_do() {
    let change = |from: &str, to: &str| wrong(&BODY.replacen(from, to, 1));
    for (from, to, expected) in FAULTS {
        let said = change(from, to);
        assert!(said.starts_with(expected), "{to}: {said}");
    }
    // Without the first break the text is taken for address.
    let said = change("BT\n", "");
    assert!(
        said.contains("line 6, column 1: wanted here is BT"),
        "{said}"
    );
    let said = wrong(&format!("{BODY}QM3BAR SENDS 73\n"));
    assert!(
        said.starts_with("line 12, column 1: more stands after the end"),
        "{said}"
    );
}

#[test]
fn a_form_that_stops_early_says_what_is_wanted() {
    let lines: Vec<&str> = BODY.lines().collect();
    for kept in 0..lines.len() {
        let said = wrong(&lines[..kept].join("\n"));
        assert!(
            said.contains("the radiogram ends here, wanted is"),
            "{said}"
        );
    }
    let groups: Vec<&str> = lines[0].split(' ').collect();
    for kept in 1..groups.len() {
        wrong(&BODY.replacen(lines[0], &groups[..kept].join(" "), 1));
    }
    assert!(wrong(&"A\n".repeat(MOST_FORM)).contains("octets"));
    assert!(wrong(&BODY.replacen("LEE COVE", &"LEE COVE\n".repeat(7), 1)).contains("lines"));
    assert!(wrong(&BODY.replacen("HALL", &"HALL\n".repeat(100), 1)).contains("groups"));
}

#[test]
fn what_would_be_read_otherwise_cannot_be_written() {
    let unfit = |change: fn(&mut Radiogram)| {
        let mut form = radiogram();
        change(&mut form);
        let unfit = form.body().expect_err("unfit");
        assert!(!unfit.to_string().is_empty());
        unfit.part
    };
    assert_eq!(unfit(|f| f.number = 0), Part::Number);
    assert_eq!(unfit(|f| f.number = MOST_NUMBER + 1), Part::Number);
    assert_eq!(unfit(|f| f.handling.push(Handling::NoToll)), Part::Handling);
    assert_eq!(
        unfit(|f| f.handling = vec![Handling::HoldUntil(32)]),
        Part::Handling
    );
    assert_eq!(
        unfit(|f| f.origin = "QA1SKY-1".parse().expect("a call sign")),
        Part::Origin
    );
    assert_eq!(
        unfit(|f| f.origin = "SKY".parse().expect("a call sign")),
        Part::Origin
    );
    assert_eq!(unfit(|f| f.check.stated.groups = 0), Part::Check);
    assert_eq!(unfit(|f| f.place = line("PIER 0900Z")), Part::Place);
    assert_eq!(unfit(|f| f.to.clear()), Part::Address(0));
    assert_eq!(unfit(|f| f.to = vec![line("A"); 7]), Part::Address(0));
    assert_eq!(unfit(|f| f.to[1] = line("TEL 5")), Part::Address(2));
    assert_eq!(unfit(|f| f.to[2] = line("555 0142")), Part::Address(3));
    assert_eq!(unfit(|f| f.to[1] = line("AR")), Part::Address(2));
    assert_eq!(unfit(|f| f.signature = line("AR")), Part::Signature);
}

#[test]
fn the_title_shows_whether_a_call_is_local() {
    // G5: town and first part of the phone number.
    let mut form = radiogram();
    assert_eq!(form.title(), "LEE COVE 555");
    form.phone = None;
    assert_eq!(form.title(), "LEE COVE");
    form.to = vec![line(&"A ".repeat(30))];
    form.phone = Some("1".repeat(20).parse().expect("a phone number"));
    assert!(form.title().len() <= MOST_TITLE);
    // The longest there can be: the end of the town goes, not of the number.
    let half = "A".repeat(27);
    form.to = vec![line(&format!("{half} {half} COVE"))];
    assert_eq!(form.to[0].as_str().len(), MOST_LINE);
    assert_eq!(form.title().len(), MOST_TITLE);
    assert!(form.title().ends_with(" COV 11111111111111111111"));
}

#[test]
fn it_is_carried_by_a_message() {
    let form = radiogram();
    let message = crate::Message {
        id: "QA1SKY:0000000000001".parse().expect("an identifier"),
        kind: crate::Kind::Formal {
            to: "QM3BAR".parse().expect("an address"),
        },
        precedence: form.precedence,
        from: "QA1SKY".parse().expect("an address"),
        written: dunlin_clock::WallTime(0),
        title: form.title(),
        body: form.body().expect("it fits"),
        chain: Vec::new(),
    };
    assert_eq!(message.check(), Ok(()));
    assert_eq!(message.body.parse(), Ok(form));
}

#[test]
fn on_paper_each_part_stands_under_its_name() {
    let printed = radiogram().printed();
    let expected = "\
RADIOGRAM

Number            12
Precedence        ROUTINE
Handling          HXG: no toll or cost; else cancel and tell the origin
Station of origin QA1SKY
Check             12
Place of origin   GREAT MARROW
Time filed        1830Z
Date              NOV 29

To                WARDEN OF THE SCHOOL
                  HARBOUR LANE 4
                  LEE COVE
Phone             555 0142

Text
  FORTY COTS COME BY FERRY                                       5
  AT 1540 X OPEN THE                                            10
  HALL X                                                        12

Signature         HARBOUR OFFICE

Received from     ____________________ date and time (UTC) ____________________
Sent to           ____________________ date and time (UTC) ____________________
";
    assert_eq!(printed, expected);
}

const PAGE: &str = include_str!("../../../../docs/radiogram.md");

/// Names of sources: G and figures (S and figures, here for long, is no name), and perhaps a small letter.
fn sources(text: &str) -> Vec<&str> {
    let parts = text.split(|c: char| "();:,/ \n".contains(c));
    let named = parts.filter(|part| {
        let figures = part
            .trim_start_matches(['S', 'G'])
            .trim_end_matches(char::is_lowercase);
        let letter = part.starts_with(['S', 'G']) && figures.len() < part.len();
        letter && !figures.is_empty() && figures.bytes().all(|b| b.is_ascii_digit())
    });
    named.collect()
}

#[test]
fn every_source_that_is_named_is_described_on_the_page() {
    let texts = [
        PAGE,
        include_str!("check.rs"),
        include_str!("examples.rs"),
        include_str!("fault.rs"),
        include_str!("log.rs"),
        include_str!("mod.rs"),
        include_str!("number.rs"),
        include_str!("preamble.rs"),
        include_str!("read.rs"),
        include_str!("service.rs"),
        include_str!("spoken.rs"),
        include_str!("words.rs"),
        include_str!("write.rs"),
    ];
    let all: Vec<&str> = texts.into_iter().flat_map(sources).collect();
    assert!(all.len() > 30, "{all:?}");
    for source in all {
        assert!(PAGE.contains(&format!("\n| {source} | ")), "{source}");
    }
}

#[test]
fn the_page_shows_what_is_written() {
    let form = radiogram();
    let block = |text: &str| {
        let lines = text.lines().map(|line| format!("    {line}"));
        lines.collect::<Vec<_>>().join("\n").replace("    \n", "\n")
    };
    for text in [BODY, &form.printed()] {
        assert!(PAGE.contains(&block(text)), "{text}");
    }
    let spoken = form.spoken(FigureWords::Plain);
    for line in [&spoken[0], &spoken[6], &spoken[7]] {
        assert!(PAGE.contains(&block(line)), "{line}");
    }
    let entry = |at, to: Option<&str>, number, remarks: &str| LogEntry {
        at: dunlin_clock::WallTime(at),
        from: form.origin,
        to: to.map(|to| to.parse().expect("a call sign")),
        number,
        precedence: number.map(|_| form.precedence),
        remarks: remarks.to_owned(),
    };
    let mut log = Log::new(form.origin);
    for entry in [
        entry(1_795_977_000_000, None, None, "net opened"),
        entry(1_795_977_300_000, Some("QM3BAR"), Some(12), "acknowledged"),
    ] {
        assert_eq!(log.add(entry), Ok(()));
    }
    assert!(PAGE.contains(&block(&log.printed())), "{}", log.printed());
    let note = not_delivered(&form, &Failure::NoAnswer);
    assert!(PAGE.contains(&block(&note.to_string())), "{note}");
}

/// Groups that can stand anywhere, those with a meaning of their own among them.
fn group() -> impl Strategy<Value = String> {
    let known = [
        "X", "AR", "ARL", "FIFTY", "TEL", "NR", "HXG", "NOV", "29", "1830Z", "5/7", "R", "QUERY",
    ];
    prop_oneof![
        4 => "[A-Z0-9]{1,12}",
        1 => "[A-Z0-9]{1,4}/[A-Z0-9]{1,4}",
        1 => "[0-9]{1,5}-[0-9]{1,5}",
        2 => proptest::sample::select(known.to_vec()).prop_map(str::to_owned),
    ]
    .prop_filter("the break", |group| group != "BT")
}

fn some_line() -> impl Strategy<Value = Line> {
    proptest::collection::vec(group(), 1..5).prop_map(|groups| line(&groups.join(" ")))
}

fn some_handling() -> impl Strategy<Value = Vec<Handling>> {
    let all = (1..=999_u16, proptest::option::of(1..=999_u16), 1..=31_u8).prop_map(|(b, a, f)| {
        vec![
            Handling::Collect(a),
            Handling::CancelAfter(b),
            Handling::ReportDelivery,
            Handling::ReportWay,
            Handling::GetReply,
            Handling::HoldUntil(f),
            Handling::NoToll,
        ]
    });
    all.prop_flat_map(|all| proptest::sample::subsequence(all, 0..=7))
        .prop_shuffle()
}

fn some_check() -> impl Strategy<Value = Check> {
    let count = (any::<bool>(), 1..=999_u16).prop_map(|(arl, groups)| Count { arl, groups });
    (count.clone(), proptest::option::of(count))
        .prop_map(|(stated, corrected)| Check { stated, corrected })
}

fn some_radiogram() -> impl Strategy<Value = Radiogram> {
    let precedence = proptest::sample::select(vec![
        Precedence::Routine,
        Precedence::Welfare,
        Precedence::Priority,
        Precedence::Emergency,
    ]);
    let preamble = (
        1..=MOST_NUMBER,
        precedence,
        some_handling(),
        "[A-Z]{1,2}[0-9][A-Z]{1,3}",
        some_check(),
        some_line(),
    );
    let filed = (0..24_u8, 0..60_u8, "[A-IK-Z]")
        .prop_filter_map("a time", |(h, m, z)| Filed::new(h, m, z.chars().next()?));
    let date = (1..=12_u8, 1..=31_u8).prop_filter_map("a date", |(m, d)| Date::new(m, d));
    let phone = proptest::option::of("[0-9]{1,5}([ -][0-9]{1,5}){0,2}");
    let rest = (
        proptest::option::of(filed),
        date,
        proptest::collection::vec(some_line(), 1..=MOST_ADDRESS),
        phone,
        proptest::collection::vec(group(), 1..=MOST_GROUPS),
        some_line(),
    );
    (preamble, rest).prop_map(|(preamble, rest)| {
        let (number, precedence, handling, origin, check, place) = preamble;
        let (filed, date, to, phone, text, signature) = rest;
        Radiogram {
            number,
            precedence,
            handling,
            origin: origin.parse().expect("a call sign"),
            check,
            place,
            filed,
            date,
            to,
            phone: phone.map(|phone| phone.parse().expect("a phone number")),
            text: text.join(" ").parse().expect("a text"),
            signature,
        }
    })
}

proptest! {
    #[test]
    fn whatever_can_be_written_is_read_again(form in some_radiogram()) {
        // What is refused is refused for a part that reads as another.
        match form.body() {
            Ok(body) => {
                prop_assert!(body.len() <= MOST_FORM);
                prop_assert_eq!(body.parse(), Ok(form.clone()));
                prop_assert_eq!(body.to_lowercase().parse(), Ok(form));
            }
            Err(unfit) => prop_assert!(matches!(
                unfit.part,
                Part::Place | Part::Address(1..) | Part::Signature
            )),
        }
    }

    #[test]
    fn a_relay_alters_the_check_alone_and_the_next_agrees(form in some_radiogram()) {
        let onward = form.clone().with_check(form.receive().check);
        prop_assert_eq!(onward.check.valid(), Count::of(&form.text));
        prop_assert_eq!(onward.check.stated, form.check.stated);
        prop_assert_eq!(onward.receive().finding, None);
        prop_assert_eq!(Radiogram { check: form.check, ..onward }, form);
    }

    #[test]
    fn any_input_is_read_or_refused_in_words(body in "(?s).{0,300}") {
        if let Err(wrong) = body.parse::<Radiogram>() {
            prop_assert!(!wrong.fault.to_string().is_empty());
            prop_assert!(wrong.line <= body.split('\n').count());
        }
    }

    #[test]
    fn a_form_with_a_spoiled_place_is_read_or_refused(at in 0..BODY.len(), with in "[ -~\n]{0,4}") {
        let mut body = BODY.to_owned();
        body.replace_range(at..=at, &with);
        if let Ok(form) = body.parse::<Radiogram>() {
            let written = form.body();
            prop_assert_eq!(written.map(|body| body.parse()), Ok(Ok(form)));
        }
    }

    #[test]
    fn all_that_can_be_said_is_in_words(form in some_radiogram()) {
        for line in form.spoken(FigureWords::Plain) {
            let plain = |c: char| c.is_ascii_uppercase() || ", -".contains(c);
            prop_assert!(line.chars().all(plain), "{}", line);
        }
    }
}
