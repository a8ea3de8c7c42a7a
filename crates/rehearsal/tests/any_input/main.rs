//! Every parser, and sequences of operations on links and stations, against octets from anywhere:
//! a small collection kept from long runs of the fuzzer, and seeded changes of it.
//!
//! `fuzz/` at the top of the repository runs the same targets under libFuzzer for hours.

mod corpus;
mod mutate;
mod targets;

use dunlin_clock::Chance;

use mutate::mutated;

/// Every input of the collection, then `changed` of them changed.
fn run(name: &str, target: fn(&[u8]), changed: usize) {
    let inputs = corpus::inputs(name);
    assert!(!inputs.is_empty(), "no inputs for {name}");
    inputs.iter().for_each(|input| target(input));
    let mut chance = Chance::stream(1, name);
    for number in 0..changed {
        let input = mutated(&inputs, &mut chance);
        // Shown if the target panics.
        println!("{name}, change {number}: {}", corpus::hex(&input));
        target(&input);
    }
}

macro_rules! targets {
    ($($(#[$mark:meta])* $name:ident: $changed:expr;)*) => {
        $($(#[$mark])* #[test]
        fn $name() {
            run(stringify!($name), targets::$name::run, $changed);
        })*

        /// Every target has inputs, and every list of inputs a target.
        #[test]
        fn the_collection_is_that_of_the_targets() {
            let names: Vec<&str> = corpus::NAMES.to_vec();
            assert_eq!(names, [$(stringify!($name)),*]);
        }
    };
}

targets! {
    command: 3000;
    fec: 1500;
    frame: 20_000;
    hdlc: 1500;
    kiss: 10_000;
    links: 3000;
    plan: 300;
    scenario: 300;
    segments: 5000;
    station: 500;
    xid: 20_000;
}
