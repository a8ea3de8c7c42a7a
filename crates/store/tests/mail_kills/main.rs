//! Stations that are killed without warning, at any moment, while mail is written, relayed, read and deleted.
//!
//! Three stations, QA1SKY, QM2REE and QX0RLF, each a process of its own with a file of its own, hand mail to each other
//! along a line. What runs the trial is their link: it tells them what to do, carries their octets, kills one
//! now and then and starts it again, and writes down what each has confirmed. At the end the links stay up
//! until nothing moves, and the record is compared with what the stations hold.
//!
//! The long trial:
//!
//! ```text
//! cargo test --release -p dunlin-store --test mail_kills -- --ignored --nocapture two_thousand
//! ```
#![expect(
    clippy::disallowed_types,
    reason = "only a process of its own can be killed"
)]

mod judge;
mod station;
mod trial;

use trial::{Plan, Trial};

/// A trial that nobody should be able to tell from one without kills.
fn judged_well(plan: Plan) -> Trial {
    let mut trial = Trial::new(plan);
    trial.run();
    let faults = judge::faults(&mut trial);
    println!("{}", trial.figures());
    assert!(faults.is_empty(), "{faults:#?}");
    trial
}

#[test]
fn no_mail_is_lost_doubled_altered_or_brought_back_by_kills() {
    let trial = judged_well(Plan {
        kills: 80,
        ..Plan::default()
    });
    assert!(trial.confirmed() >= 20, "{}", trial.figures());
}

#[test]
fn a_long_message_goes_on_where_a_kill_left_it() {
    let mut trial = Trial::new(Plan::default());
    // Each piece has 300 octets at most; the first two are the turns before the message.
    let wanted = trial.wanted_after_kills(&[12, 12, 3, 12]);
    println!("{wanted:?}");
    assert_eq!(wanted[0], 0);
    assert!(
        wanted[1] > 1000 && wanted[2] > wanted[1] + 1000,
        "{wanted:?}"
    );
    assert!(wanted[3] >= wanted[2], "{wanted:?}");
    // It arrives all the same.
    trial.run();
    let faults = judge::faults(&mut trial);
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
#[ignore = "takes minutes; its command is above"]
fn two_thousand_kills() {
    let trial = judged_well(Plan {
        seed: 2,
        kills: 2000,
        ..Plan::default()
    });
    assert!(trial.confirmed() >= 1000, "{}", trial.figures());
}

#[test]
fn a_disk_that_takes_no_more_loses_nothing_that_was_confirmed() {
    let trial = judged_well(Plan {
        seed: 3,
        kills: 30,
        more_blocks: Some(400),
        ..Plan::default()
    });
    assert!(trial.not_kept() > 0, "{}", trial.figures());
}

/// The judge can see: a station that confirms before it has committed is caught, in both places.
fn caught(too_early: &'static str, kills: u32) {
    let mut trial = Trial::new(Plan {
        seed: 4,
        kills,
        too_early,
        ..Plan::default()
    });
    trial.run();
    let faults = judge::faults(&mut trial);
    println!("{}", trial.figures());
    println!("{faults:#?}");
    assert!(
        faults.iter().any(|fault| fault.contains("lost")),
        "a loss must be seen: {faults:#?}"
    );
}

#[test]
fn a_station_that_confirms_what_is_written_too_early_is_caught() {
    caught("written", 60);
}

#[test]
fn a_station_that_confirms_what_it_received_too_early_is_caught() {
    caught("received", 150);
}
