//! The lines between station and keyer: what is read and written again reads the same.
#![no_main]

#[allow(dead_code)] // Not all of it is used here.
#[path = "../../crates/rig/src/keyer/words.rs"]
mod words;

use words::{LONGEST_LINE, Order, Report};

fn run(octets: &[u8]) {
    let Ok(line) = std::str::from_utf8(octets) else {
        return;
    };
    if let Some(order) = Order::read(line) {
        let written = order.line();
        assert_eq!(Order::read(written.trim_end()), Some(order));
    }
    if let Some((stamp, report)) = Report::read(line) {
        let written = report.line(stamp);
        assert!(written.len() <= LONGEST_LINE && written.ends_with('\n'));
        assert!(!written[..written.len() - 1].contains(char::is_control));
        let (again, report) =
            Report::read(written.strip_suffix('\n').unwrap_or("")).expect("reads");
        assert_eq!(again, stamp);
        assert_eq!(report.line(stamp), written);
    }
}

libfuzzer_sys::fuzz_target!(|octets: &[u8]| run(octets));
