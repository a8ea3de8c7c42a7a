//! What exchanges may take of a port: its time, and its key-down time.

use super::*;

/// Seconds that the operator's station has sent on HF for the mail within ten minutes from the call on, and after how
/// many minutes a long message has arrived, if it has within four hours.
fn with_share(precedence: Precedence) -> (f64, Option<u64>, bool) {
    let isles = ISLES.replace(", HOURS", "").replace("PARTNER_HOURS", "");
    let mut r = begin(&isles.replacen("keep = true", "keep = true\nmost_percent = 8", 1));
    let mut draft = personal("QX0RLF", &long());
    draft.precedence = precedence;
    let id = r.write(SKY, draft).expect("written");
    call_rlf(&mut r);
    let (mut sent_ms, mut arrived, mut waits) = (0, None, false);
    for minute in 0..240 {
        r.advance(r.now() + Duration::from_secs(60));
        while let Some(told) = r.poll() {
            if let Told::Happened(happening) = told
                && let What::Frame(frame) = &happening.what
                && frame.station == "QA1SKY"
                && frame.band == "HF"
                && frame.end_ms < 600_000
            {
                sent_ms += frame.end_ms - happening.at_ms;
            }
        }
        waits |= r.snapshot().partners[0].words.contains("had its share");
        if arrived.is_none() && head(&mut r, RLF, id).is_some() {
            arrived = Some(minute);
        }
    }
    (sent_ms as f64 / 1000.0, arrived, waits)
}

#[test]
fn exchanges_wait_when_they_have_had_their_share_and_emergencies_do_not() {
    let (sent, arrived, waits) = with_share(Precedence::Routine);
    println!("routine: {sent} s sent in ten minutes, arrived after {arrived:?} min");
    // Eight hundredths of ten minutes, and what the link had in hand.
    assert!(waits && sent > 30.0 && sent < 65.0, "{sent} s");
    assert!(arrived.is_some_and(|minute| minute > 15), "{arrived:?}");
    let (sent, arrived, waits) = with_share(Precedence::Emergency);
    println!("emergency: {sent} s sent in ten minutes, arrived after {arrived:?} min");
    assert!(!waits && sent > 100.0, "{sent} s");
    assert!(arrived.is_some_and(|minute| minute < 9), "{arrived:?}");
}

#[test]
fn a_long_message_outlasts_the_key_down_limits() {
    // Three minutes on the air are wanted; two are allowed in an hour, and kept in part for what is short.
    let isles = ISLES.replace(", HOURS", "").replace("PARTNER_HOURS", "");
    let port = "mode = \"afsk300\"\n";
    let limits = "[place.port.limits]\nsingle_s = 20\nten_minutes_s = 60\nhour_s = 120\n";
    let mut r = begin(&isles.replacen(port, &format!("{port}{limits}"), 1));
    let id = r.write(SKY, personal("QX0RLF", &long())).expect("written");
    call_rlf(&mut r);
    let (mut waits, mut contacts, mut arrived) = (false, Vec::new(), None);
    for minute in 0..240 {
        contacts.extend(exchanges(&told_until(&mut r, 1, |_| false)));
        let partner = r.snapshot().partners[0].clone();
        waits |= partner.words.contains("key-down time");
        if arrived.is_none() && head(&mut r, RLF, id).is_some() {
            arrived = Some(minute);
        }
    }
    println!("arrived after {arrived:?} min; exchanges: {contacts:?}");
    assert!(
        waits && arrived.is_some_and(|minute| minute > 30),
        "{arrived:?}"
    );
    let idle = contacts.iter().find(|words| words.contains("nothing"));
    assert_eq!(idle, None, "{contacts:?}");
}
