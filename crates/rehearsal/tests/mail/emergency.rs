//! An emergency in the mail is told at once, and alarms until somebody has read it.

use dunlin_mail::Precedence;
use dunlin_mail::post::Ask;
use dunlin_rehearsal::Rehearsal;
use dunlin_station::{Draft, Event, Urgency};

use super::{REE, SKY, head, isles, personal, told_until, until};

fn alarms(r: &mut Rehearsal) -> Vec<String> {
    let alarms = r.snapshot().alarms.into_iter();
    let active = alarms.filter(|alarm| alarm.active);
    active.map(|alarm| alarm.text).collect()
}

#[test]
fn an_emergency_alarms_until_it_is_read() {
    let mut r = isles();
    let urgent = Draft {
        precedence: Precedence::Emergency,
        ..personal("QM3BAR at QA1SKY", "Boat adrift.\n")
    };
    let id = r.write(REE, urgent).expect("written");
    let told = told_until(&mut r, 60, |r| head(r, SKY, id).is_some());
    let words = "the precedence of an emergency, of QM2REE for QM3BAR at QA1SKY, ";
    let is_it = |event: &Event| matches!(event, Event::Note(n) if n.text.contains(words) && n.urgency == Urgency::Attention);
    assert!(told.iter().any(is_it), "the operator is told");
    assert!(until(&mut r, 1, |r| alarms(r).len() == 1));
    let text = alarms(&mut r).concat();
    assert!(
        text.starts_with("an emergency waits in the mail unread"),
        "{text}"
    );
    assert!(
        !until(&mut r, 30, |r| alarms(r).is_empty()),
        "nobody has read it"
    );
    let reader = Some("QM3BAR".parse().expect("a call sign"));
    let glance = false;
    r.ask_mail(SKY, Ask::Open { id, reader, glance });
    assert!(until(&mut r, 1, |r| alarms(r).is_empty()), "it was read");
}
