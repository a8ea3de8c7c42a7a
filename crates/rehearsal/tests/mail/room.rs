//! A partner that has no room.

use dunlin_mail::post::{Answer, Ask, Counts};
use dunlin_rehearsal::Rehearsal;

use super::{ISLES, REE, RLF, SKY, begin, head, heads, long, personal, until};

fn counts(r: &mut Rehearsal, station: usize) -> Counts {
    match r.ask_mail(station, Ask::Counts) {
        Answer::Counts(counts) => counts,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_full_partner_says_so_before_anything_is_sent_and_takes_it_when_there_is_room() {
    let small = ISLES
        .replace(", HOURS", "")
        .replace("PARTNER_HOURS", "")
        .replacen("keep = true", "keep = true\nmost_messages = 10", 1);
    let mut r = begin(&small);
    // Of ten the last is left for emergencies.
    for _ in 0..9 {
        r.write(SKY, personal("QM3BAR", "Forty cots."))
            .expect("kept");
    }
    let id = r.write(REE, personal("QX0RLF", &long())).expect("written");
    let words = |r: &mut Rehearsal| head(r, REE, id).map(|h| h.words()).unwrap_or_default();
    let refused = |r: &mut Rehearsal| words(r).contains("because the station has no room for it");
    assert!(until(&mut r, 60, refused), "{}", words(&mut r));
    assert!(words(&mut r).starts_with("queued for QA1SKY, tried "));
    until(&mut r, 60, |_| false);
    // It was offered again, with pauses that grow, and no octet of it was sent.
    let again = words(&mut r);
    assert!(refused(&mut r) && !again.contains("once"), "{again}");
    let there = counts(&mut r, SKY);
    assert_eq!((there.letters, there.partials), (9, 0));
    let one = heads(&mut r, SKY).first().map(|head| head.id);
    let ask = Ask::Delete {
        id: one.expect("nine are here"),
        by: None,
    };
    assert_eq!(r.ask_mail(SKY, ask), Answer::Done);
    let arrived = |r: &mut Rehearsal| head(r, RLF, id).is_some();
    assert!(until(&mut r, 5 * 60, arrived), "{}", words(&mut r));
}
