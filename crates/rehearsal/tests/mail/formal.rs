//! Radiograms of a visitor: given in over the air, read, and what became of one told to its station of origin.

use dunlin_mail::post::{Answer, Ask, Head, Standing};
use dunlin_mail::{Kind, Precedence};
use dunlin_rehearsal::Rehearsal;
use dunlin_station::Draft;

use super::{ISLES, RLF, SKY, begin, heads, until};

/// The isles, with a person at Bar Island who does this.
fn isles_with(does: &str) -> Rehearsal {
    let isles = ISLES.replace(", HOURS", "").replace("PARTNER_HOURS", "");
    begin(&format!(
        "{isles}\n[[person]]\nname = \"Brae\"\nat = \"QM3BAR\"\ndoes = [\n{does}]\n"
    ))
}

fn says(lines: &[&str]) -> String {
    let say = |line: &&str| format!("{{ do = \"say\", text = \"{line}\" }},\n");
    lines.iter().map(say).collect()
}

fn find(r: &mut Rehearsal, station: usize, is_it: impl Fn(&Head) -> bool) -> Option<Head> {
    heads(r, station).into_iter().find(is_it)
}

/// A radiogram of QX0RLF that Bar Island is to deliver.
fn to_bar(handling: &str) -> Draft {
    let to = "QM3BAR at QA1SKY".parse().expect("an address");
    Draft {
        kind: Kind::Formal { to },
        precedence: Precedence::Routine,
        title: String::new(),
        body: format!(
            "12 R {handling} QX0RLF 3 LEE COVE NOV 29\nWARDEN\nBAR ISLAND\nBT\nFERRY IS LATE\nBT\nHARBOUR OFFICE\nAR\n"
        ),
        keep_back: false,
    }
}

/// Comes to the node two hours later, when something waits.
const COMES: &str = "{ do = \"wait\", time = \"2 h\" },\n\
    { do = \"call\", to = \"QA1SKY-5\" },\n\
    { do = \"await\", text = \"Something waits for you\" },\n";

/// Runs until a report with this title is at QX0RLF, and Brae is done.
fn reported(r: &mut Rehearsal, title: &str) -> Head {
    let report = |r: &mut Rehearsal| find(r, RLF, |h| h.title == title);
    assert!(
        until(r, 300, |r| report(r).is_some()),
        "it is reported; Brae gave up {}",
        r.people()[0].gave_up()
    );
    assert_eq!(r.people()[0].finished(), 1);
    report(r).expect("there")
}

#[test]
fn a_visitor_gives_in_a_radiogram_that_goes_on_to_the_station_that_delivers_it() {
    let call = "{ do = \"call\", to = \"QA1SKY-5\" },\n{ do = \"await\", text = \"or help\" },\n";
    let begin = says(&["radiogram qx0rlf at qx0rlf"])
        + "{ do = \"await\", text = \"the preamble first\" },\n";
    let form = says(&[
        "3 W QM3BAR 5 Bar Island Nov 29",
        "Warden of the school",
        "Lee Cove",
        "bt",
        "All are well x hall?",
        "bt",
        "Brae",
        "ar",
    ]);
    let mend = "{ do = \"await\", text = \"write QUERY\" },\n".to_owned()
        + &says(&["line 5 All are well x hall", "send"])
        + "{ do = \"await\", text = \"Kept: queued for QX0RLF\" },\n{ do = \"close\" },\n";
    let mut r = isles_with(&(call.to_owned() + &begin + &form + &mend));
    let arrived = |r: &mut Rehearsal| find(r, RLF, |h| matches!(h.kind, Kind::Formal { .. }));
    assert!(
        until(&mut r, 150, |r| arrived(r).is_some()),
        "it arrives; Brae gave up {}",
        r.people()[0].gave_up()
    );
    let head = arrived(&mut r).expect("there");
    assert_eq!(head.title, "LEE COVE");
    assert_eq!(head.precedence, Precedence::Welfare, "that of the form");
    assert_eq!(head.from.to_string(), "QM3BAR at QA1SKY");
}

#[test]
fn a_visitor_who_has_delivered_a_radiogram_says_so_and_its_origin_hears_it() {
    let does = COMES.to_owned()
        + &says(&["mail"])
        + "{ do = \"await\", text = \"radiogram on\" },\n"
        + &says(&["read 1"])
        + "{ do = \"await\", text = \"HARBOUR OFFICE\" },\n"
        + &says(&["delivered 1"])
        + "{ do = \"await\", text = \"Noted; QX0RLF at QX0RLF is told.\" },\n"
        + &says(&["not delivered 1 phone not answered"])
        + "{ do = \"await\", text = \"That cannot be said of it any more, it stands as delivered.\" },\n{ do = \"close\" },\n";
    let mut r = isles_with(&does);
    let id = r.write(RLF, to_bar("HXC")).expect("written");
    let head = reported(&mut r, "Delivered: BAR ISLAND");
    let stands = find(&mut r, SKY, |h| h.id == id).map(|h| h.standing);
    assert_eq!(stands, Some(Standing::Delivered));
    assert!(matches!(head.kind, Kind::Service { about, .. } if about == id));
}

#[test]
fn a_radiogram_that_cannot_be_delivered_is_reported_with_the_reason_and_only_by_its_addressee() {
    // Brae has given in one for the operator, and it is in the list of what waits.
    let does = COMES.to_owned()
        + &says(&["radiogram qa1sky"])
        + "{ do = \"await\", text = \"the preamble first\" },\n"
        + &says(&[
            "3 R QM3BAR 1 Bar Island Nov 29",
            "Warden",
            "bt",
            "Thanks",
            "bt",
            "Brae",
            "ar",
            "mail mine",
        ])
        + "{ do = \"await\", text = \"radiogram on\" },\n"
        + &says(&["delivered 1"])
        + "{ do = \"await\", text = \"Only QA1SKY can say that\" },\n"
        + &says(&["mail"])
        + "{ do = \"await\", text = \"QX0RLF radiogram on\" },\n"
        + &says(&["not delivered 1 phone not answered"])
        + "{ do = \"await\", text = \"Noted; QX0RLF at QX0RLF is told.\" },\n{ do = \"close\" },\n";
    let mut r = isles_with(&does);
    let id = r.write(RLF, to_bar("")).expect("written");
    reported(&mut r, "Not delivered: BAR ISLAND");
    let letter = find(&mut r, SKY, |h| h.id == id).expect("there");
    let why = "phone not answered".into();
    assert_eq!(letter.standing, Standing::Undeliverable { why });
    let ask = Ask::Open {
        id,
        reader: None,
        glance: true,
    };
    let Answer::Opened(letter) = r.ask_mail(SKY, ask) else {
        panic!("it is there");
    };
    let note = letter.note.unwrap_or_default();
    assert_eq!(
        note,
        "so says QM3BAR, who was connected directly by this call sign"
    );
}
