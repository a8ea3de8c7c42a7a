//! Octets of unknown meaning, made fit to be shown in a sentence.

/// Most octets shown.
const LONGEST: usize = 40;

/// The first octets in quotes: printable ASCII as it is, all else as `\r`, `\n` or `\xNN`.
pub(crate) fn excerpt(octets: &[u8]) -> String {
    let mut text = String::from("\"");
    for &octet in octets.iter().take(LONGEST) {
        match octet {
            b'\r' => text.push_str("\\r"),
            b'\n' => text.push_str("\\n"),
            b'"' | b'\\' => text.extend(['\\', octet as char]),
            b' '..=b'~' => text.push(octet as char),
            other => text.push_str(&format!("\\x{other:02X}")),
        }
    }
    text.push('"');
    if octets.len() > LONGEST {
        text.push_str(" ...");
    }
    text
}

/// The share of octets that are printable ASCII or end a line, 0 to 1; 0 of nothing.
pub(crate) fn printable(octets: &[u8]) -> f64 {
    let plain = |o: &&u8| matches!(**o, b' '..=b'~' | b'\r' | b'\n' | b'\t');
    octets.iter().filter(plain).count() as f64 / octets.len().max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_unprintable_gets_through() {
        assert_eq!(excerpt(b"ok> \r\n"), "\"ok> \\r\\n\"");
        assert_eq!(excerpt(&[0xC0, b'"', 0x1B, 0]), "\"\\xC0\\\"\\x1B\\x00\"");
        let all: Vec<u8> = (0..=255).collect();
        assert!(excerpt(&all).chars().all(|c| matches!(c, ' '..='~')));
        assert!(excerpt(&[b'x'; 1000]).len() < 60);
    }

    #[test]
    fn printable_share() {
        assert_eq!(printable(b"hello\r\n"), 1.0);
        assert_eq!(printable(&[0x80, b'a']), 0.5);
        assert_eq!(printable(&[]), 0.0);
    }
}
