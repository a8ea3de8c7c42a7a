//! Texts that are cut out of rows. What else stands in the row stays.

use rusqlite::{Connection, params};

/// How many octets of a frame say who, to whom, by what way and what kind of frame: all but the
/// information field.
///
/// Addresses have seven octets each, and the last octet of the last one is odd (AX.25 v2.2, 3.12).
/// Then come the control field and, in I and UI frames, the PID (3.4). A control field of two
/// octets (modulo 128) is not told from one of one: then its second half stays in the place of the
/// PID. Either way nothing of the information field stays.
pub(crate) fn without_text(octets: &[u8]) -> usize {
    let last = octets.iter().position(|octet| octet & 1 == 1);
    let addresses = match last {
        Some(last) if (last + 1).is_multiple_of(7) => last + 1,
        _ => return 0, // No frame that anybody knows: all of it may be text.
    };
    let control = octets.get(addresses).copied().unwrap_or(0);
    let has_pid = control & 1 == 0 || control & 0xEF == 0x03;
    let supervisory = control & 3 == 1;
    let fields = if has_pid || supervisory { 2 } else { 1 };
    (addresses + fields).min(octets.len())
}

/// Cuts the information field out of a frame, and what repeats it in words.
pub(crate) fn frame(db: &Connection, key: i64, octets: &[u8]) -> rusqlite::Result<()> {
    let kept = without_text(octets);
    let sql = "UPDATE frames SET octets = ?2, cut_octets = cut_octets + ?3,
        text = iif(?3 > 0, '', text), why = iif(kind = 'unreadable', NULL, why) WHERE frame = ?1";
    let cut = (octets.len() - kept) as i64; // A frame has a few hundred octets.
    db.prepare_cached(sql)?
        .execute(params![key, &octets[..kept], cut])?;
    Ok(())
}

/// Cuts the text out of a line of a talk.
pub(crate) fn line(db: &Connection, key: i64) -> rusqlite::Result<()> {
    let sql = "UPDATE talk_lines SET text = '', octets = x'',
        cut_octets = cut_octets + max(length(octets), length(CAST(text AS BLOB))) WHERE row = ?1";
    db.prepare_cached(sql)?.execute([key])?;
    Ok(())
}

/// Cuts the latest words of a station heard.
pub(crate) fn said(db: &Connection, run: i64, port: i64, call: &str) -> rusqlite::Result<()> {
    let sql = "UPDATE stations_heard SET said = '', said_cut = length(CAST(said AS BLOB))
        WHERE run = ?1 AND port = ?2 AND call = ?3 AND said <> ''";
    db.prepare_cached(sql)?.execute(params![run, port, call])?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_the_information_field_is_kept() {
        let mut addresses = vec![0x40; 14];
        addresses[13] |= 1;
        let frame = |rest: &[u8]| [&addresses, rest].concat();
        // I, UI, RR, UA, TEST, I by modulo 128, a frame that ends too early, and none at all.
        for (octets, kept) in [
            (frame(b"\x00\xF0hello"), 16),
            (frame(b"\x03\xF0hello"), 16),
            (frame(b"\x13\xF0hello"), 16),
            (frame(b"\x01"), 15),
            (frame(b"\x01\x04"), 16),
            (frame(b"\x63"), 15),
            (frame(b"\xE3hello"), 15),
            (frame(b"\x02\x04\xF0hello"), 16),
            (frame(b""), 14),
            (b"\x10\x11hello".to_vec(), 0),
            (Vec::new(), 0),
        ] {
            assert_eq!(without_text(&octets), kept, "{octets:?}");
        }
    }
}
