//! The tables of `docs/goodput.md`. Long: most of an hour of virtual time for each of some hundred choices.

use dunlin_ax25::data_link::Version;

use crate::bound;
use crate::stand::{Figures, Setup, bulk};

const LENGTHS: [usize; 7] = [32, 48, 64, 96, 128, 192, 256];
const ERRORS: [f64; 4] = [0.0, 1e-4, 3e-4, 1e-3];
/// Virtual time of a run, so that a thousand frames or two pass.
const SECONDS: u64 = 1200;

fn windows(version: Version) -> &'static [u8] {
    match version {
        Version::V20 => &[1, 2, 4, 7],
        Version::V22 => &[16, 63],
    }
}

fn seconds(baud: u32) -> u64 {
    SECONDS * u64::from(1200 / baud)
}

/// Each pinned choice: length, window, what it gave, its own bound.
fn grid(base: Setup) -> Vec<(usize, u8, Figures, f64)> {
    let mut rows = Vec::new();
    for &k in windows(base.version) {
        for length in LENGTHS {
            let setup = Setup {
                pinned: Some((length, k)),
                ..base
            };
            let figures = bulk(setup, seconds(base.baud));
            rows.push((length, k, figures, bound::selective(&setup, length, k)));
        }
    }
    rows
}

/// The best bound of all choices by version 2.2: what could be had at all.
fn ceiling(base: Setup) -> f64 {
    let setup = Setup {
        version: Version::V22,
        ..base
    };
    let lengths = (1..=32).map(|n| 8 * n);
    lengths
        .map(|n| bound::selective(&setup, n, 63))
        .fold(0.0, f64::max)
}

fn row(baud: u32, version: Version, bit_errors: f64) {
    let base = Setup {
        baud,
        version,
        pinned: None,
        bit_errors,
        seed: 7,
    };
    let rows = grid(base);
    let best = rows
        .iter()
        .max_by(|a, b| a.2.goodput.total_cmp(&b.2.goodput))
        .expect("some");
    // From the first frame on, while it still learns.
    let measured = bulk(base, 3 * seconds(baud));
    let most = ceiling(base);
    let lost = rows.iter().filter(|r| r.2.lost).count();
    if lost > 0 {
        println!("{lost} of these choices lost the link");
    }
    println!(
        "| {baud} | {version:?} | {bit_errors:.0e} | {most:.1} | {}, {} | {:.1} | {:.3} | {:.3} | {:.1} | {:.3} | {:.3} |",
        best.0,
        best.1,
        best.2.goodput,
        best.2.goodput / best.3,
        best.2.goodput / most,
        measured.goodput,
        measured.goodput / best.2.goodput,
        measured.goodput / most,
    );
}

const HEAD: &str = "| Bd | version | errors | ceiling | best N1, k | octets/s | of its bound | of the ceiling | measured | of the best | of the ceiling |";

fn table(baud: u32, version: Version) {
    println!("{HEAD}");
    for bit_errors in ERRORS {
        row(baud, version, bit_errors);
    }
}

#[test]
#[ignore = "minutes; prints a table: cargo test --release -p dunlin-station --test goodput table -- --ignored --nocapture"]
fn table_1200_by_version_2_2() {
    table(1200, Version::V22);
}

#[test]
#[ignore = "as the one above"]
fn table_1200_by_version_2_0() {
    table(1200, Version::V20);
}

#[test]
#[ignore = "as the one above"]
fn table_300_by_version_2_2() {
    table(300, Version::V22);
}

#[test]
#[ignore = "as the one above"]
fn table_300_by_version_2_0() {
    table(300, Version::V20);
}
