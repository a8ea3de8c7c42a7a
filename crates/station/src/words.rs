//! The sentences in which the station speaks of frames and durations.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::Control;
use dunlin_clock::Duration;
use dunlin_mail::turns_text;

/// Text from the air, safe to show: control characters and marks that change the direction
/// of writing come out as `\x1b` or `\u{202e}`, octets that are not UTF-8 as `\xe9`.
pub(crate) fn escaped(octets: &[u8]) -> String {
    use std::fmt::Write;
    let mut text = String::with_capacity(octets.len());
    for chunk in octets.utf8_chunks() {
        for c in chunk.valid().chars() {
            // Writing to a string cannot fail.
            let _ = match c {
                '\t' => write!(text, "    "),
                c if c.is_ascii_control() => write!(text, "\\x{:02x}", c as u32),
                c if c.is_control() || turns_text(c) => write!(text, "\\u{{{:04x}}}", c as u32),
                c => write!(text, "{c}"),
            };
        }
        for octet in chunk.invalid() {
            let _ = write!(text, "\\x{octet:02x}");
        }
    }
    text
}

/// What a frame is for, in few words.
pub(crate) fn purpose(frame: &Frame) -> String {
    match frame.control {
        Control::I { ns, .. } => format!("text {ns}"),
        Control::Rr { nr, .. } => format!("has all before {nr}"),
        Control::Rnr { nr, .. } => format!("has all before {nr}, asks to wait"),
        Control::Rej { nr, .. } => format!("asks for {nr} and on again"),
        Control::Srej { nr, .. } => format!("asks for {nr} again"),
        Control::Sabm { .. } => "calls".into(),
        Control::Sabme { .. } => "calls (extended)".into(),
        Control::Disc { .. } => "hangs up".into(),
        Control::Dm { .. } => "is not connected".into(),
        Control::Ua { .. } => "agrees".into(),
        Control::Frmr { .. } => "rejects a frame".into(),
        Control::Ui { .. } => "to all".into(),
        Control::Xid { .. } => "compares abilities".into(),
        Control::Test { .. } => "test".into(),
    }
}

/// A duration as people say it: "8 s", "2 min 10 s", "1 h 5 min".
pub(crate) fn span(d: Duration) -> String {
    let s = (d.as_millis() + 500) / 1000;
    match s {
        0..=59 => format!("{s} s"),
        60..=3599 if s.is_multiple_of(60) => format!("{} min", s / 60),
        60..=3599 => format!("{} min {} s", s / 60, s % 60),
        _ => format!("{} h {} min", s / 3600, s / 60 % 60),
    }
}

/// "once", "twice", "5 times".
pub(crate) fn times(n: u32) -> String {
    match n {
        1 => "once".into(),
        2 => "twice".into(),
        n => format!("{n} times"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_the_air_can_steer_a_terminal_or_turn_a_line_round() {
        assert_eq!(escaped(b"a\x1b[2Jb"), "a\\x1b[2Jb");
        assert_eq!(escaped("x\u{202e}y".as_bytes()), "x\\u{202e}y");
        assert_eq!(escaped(b"caf\xe9"), "caf\\xe9");
        assert_eq!(escaped("Grüße".as_bytes()), "Grüße");
        assert_eq!(escaped("\u{9b}".as_bytes()), "\\u{009b}");
    }

    #[test]
    fn spans_are_rounded_to_seconds() {
        assert_eq!(span(Duration::from_millis(7600)), "8 s");
        assert_eq!(span(Duration::from_secs(130)), "2 min 10 s");
        assert_eq!(span(Duration::from_secs(120)), "2 min");
        assert_eq!(span(Duration::from_secs(3900)), "1 h 5 min");
    }
}
