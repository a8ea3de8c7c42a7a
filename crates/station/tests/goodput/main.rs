//! How much text gets through: two whole engines on a half-duplex channel with bit errors, beside
//! the computed bound. `docs/goodput.md` holds the derivation and the tables; they are printed by
//!
//! ```text
//! cargo test --release -p dunlin-station --test goodput -- --ignored --nocapture
//! ```

mod bound;
mod sharing;
mod stand;
mod tables;

use dunlin_ax25::data_link::Version;
use stand::{Setup, bulk};

#[test]
fn on_a_good_channel_text_flows_at_the_computed_rate() {
    for (version, pinned) in [(Version::V20, (128, 7)), (Version::V22, (128, 63))] {
        let setup = Setup {
            baud: 1200,
            version,
            pinned: Some(pinned),
            bit_errors: 0.0,
            seed: 1,
        };
        let figures = bulk(setup, 600);
        let ratio = figures.goodput / bound::selective(&setup, pinned.0, pinned.1);
        // The waits for slots are drawn: some fifty exchanges with two waits each.
        assert!((0.9..1.1).contains(&ratio), "{version:?}: {ratio:.3}");
    }
}

#[test]
fn with_errors_what_is_missing_is_sent_again_alone_at_nine_tenths_of_the_bound() {
    let setup = Setup {
        baud: 1200,
        version: Version::V22,
        pinned: Some((96, 63)),
        bit_errors: 3e-4,
        seed: 2,
    };
    let figures = bulk(setup, 1200);
    let ratio = figures.goodput / bound::selective(&setup, 96, 63);
    assert!(ratio >= 0.85, "{ratio:.3}");
}

#[test]
fn what_follows_the_losses_does_as_well_as_what_was_chosen_for_them() {
    let setup = Setup {
        baud: 1200,
        version: Version::V22,
        pinned: None,
        bit_errors: 1e-3,
        seed: 3,
    };
    let measured = bulk(setup, 1800).goodput;
    let chosen = bulk(
        Setup {
            pinned: Some((48, 63)),
            ..setup
        },
        1800,
    );
    let ratio = measured / chosen.goodput;
    assert!(ratio >= 0.9, "{ratio:.3}");
}
