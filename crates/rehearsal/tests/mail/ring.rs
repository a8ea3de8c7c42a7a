//! Three stations whose routes point to each other in a circle, and visitors who fall silent.

use dunlin_mail::post::{Head, Standing};
use dunlin_mail::{Kind, Precedence};
use dunlin_rehearsal::Rehearsal;
use dunlin_station::{Command, Draft, PortId, Reply, TalkState};

use super::{begin, heads, until};

/// Each gives the next one everything that it does not keep itself.
const RING: [&str; 3] = ["QA1SKY", "QM2REE", "QX0RLF"];

fn ring(operator: &str) -> Rehearsal {
    let mut text = String::from(
        r#"
title = "A ring"
operator = "OPERATOR"
[[band]]
name = "VHF"
kind = "fm"
rate = 24000
paths = [
    { from = "QA1SKY", to = "QM2REE", level = "22 dB" },
    { from = "QM2REE", to = "QX0RLF", level = "22 dB" },
    { from = "QX0RLF", to = "QA1SKY", level = "22 dB" },
    { from = "QA1SKY", to = "QM3BAR", level = "22 dB" },
]
[[place]]
[place.station]
call = "QM3BAR"
[[place.port]]
name = "VHF"
mode = "afsk1200"
"#,
    );
    for at in 0..3 {
        let (own, next, before) = (RING[at], RING[(at + 1) % 3], RING[(at + 2) % 3]);
        text += &format!(
            r#"
[[place]]
[place.station]
call = "{own}"
[place.node]
call = "{own}-5"
[place.mail]
keep = true
[[place.partner]]
call = "{next}-5"
port = "VHF"
carries_all = true
every_min = 30
[[place.partner]]
call = "{before}-5"
port = "VHF"
every_min = 30
[[place.port]]
name = "VHF"
mode = "afsk1200"
"#
        );
    }
    begin(&text.replace("OPERATOR", operator))
}

fn pass(r: &mut Rehearsal, minutes: u64) {
    until(r, minutes, |_| false);
}

/// The stations of the ring stand behind that of the visitor.
fn heads_at(r: &mut Rehearsal, at: usize) -> Vec<Head> {
    heads(r, at + 1)
}

#[test]
fn in_a_ring_of_three_keepers_nothing_goes_round_and_the_writer_is_told() {
    let mut r = ring("QA1SKY");
    let draft = |kind| Draft {
        kind,
        precedence: Precedence::Routine,
        title: "Cots".into(),
        body: "Forty.\n".into(),
        keep_back: false,
    };
    let to = "QZ1FAR at QZ2FAR".parse().expect("an address");
    let lost = r.write(1, draft(Kind::Personal { to })).expect("written");
    let (topic, area) = ("FERRY".into(), "ISLES".into());
    let bulletin = r.write(1, draft(Kind::Bulletin { topic, area }));
    let bulletin = bulletin.expect("written");
    pass(&mut r, 8 * 60);
    for (at, station) in RING.iter().enumerate() {
        let heads = heads_at(&mut r, at);
        let times = |id| heads.iter().filter(|head| head.id == id).count();
        assert!(times(lost) <= 1, "{station}: {heads:?}");
        assert_eq!(times(bulletin), 1, "{station}: {heads:?}");
        let waits = heads.iter().find(|h| h.standing == Standing::Queued);
        assert_eq!(waits, None, "{station}");
        assert!(heads.len() <= 3, "{station}: {heads:?}");
    }
    let told = heads_at(&mut r, 0).into_iter();
    let mut told =
        told.filter(|head| matches!(head.kind, Kind::Service { about, .. } if about == lost));
    assert!(told.next().is_some(), "its writer is told");
    assert!(told.next().is_none(), "once");
}

#[test]
fn visitors_who_type_nothing_or_fall_silent_in_a_message_are_told_and_released() {
    for words in [&[][..], &["write qx0rlf", "Cots", "Forty cots wait"]] {
        let mut r = ring("QM3BAR");
        pass(&mut r, 1);
        let to = "QA1SKY-5".parse().expect("a call sign");
        let (port, via) = (PortId(0), Vec::new());
        let opened = r.command(Command::OpenTalk { port, to, via });
        let Ok(Reply::Talk(talk)) = opened else {
            panic!("{opened:?}");
        };
        pass(&mut r, 1);
        for word in words {
            let text = (*word).to_owned();
            r.command(Command::Say { talk, text }).expect("said");
            pass(&mut r, 1);
        }
        pass(&mut r, 12);
        let state = |r: &Rehearsal| r.snapshot().talks[0].state;
        assert_eq!(state(&r), TalkState::Open, "it has 15 minutes");
        pass(&mut r, 4);
        assert_eq!(state(&r), TalkState::Ended);
        let lines = r.snapshot().lines;
        let told = lines.last().map(|line| line.text.clone());
        let bye = "QA1SKY: no text for too long. Goodbye.";
        assert_eq!(told.as_deref(), Some(bye), "{lines:?}");
        let written = heads_at(&mut r, 0);
        assert!(written.is_empty(), "nothing is sent: {written:?}");
    }
}
