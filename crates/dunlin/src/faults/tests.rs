//! Fault runs in every check.

use super::*;

/// Runs in every check; `dunlin rehearse --faults` runs as many as one likes.
const RUNS: u64 = 60;

#[test]
fn no_fault_holds_a_key() {
    let (tally, broken) = run_many(1, RUNS, &|_| true);
    assert!(broken.is_empty(), "{broken:#?}");
    assert_eq!(tally.runs, RUNS);
    // A station that never keys keeps every rule; these must have keyed, and been cut into.
    assert!(tally.key_downs > 5 * RUNS, "{tally}");
    assert!(tally.cut_into > RUNS / 4, "{tally}");
}

#[test]
fn a_run_is_the_same_each_time() {
    assert_eq!(run(7), run(7));
}
