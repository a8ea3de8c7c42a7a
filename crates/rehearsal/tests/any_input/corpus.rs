//! The inputs that are kept: one line of hexadecimal digits each. `fuzz/run.py` writes them.

/// One for each target, in the order of the alphabet.
pub const NAMES: [&str; 11] = [
    "command", "fec", "frame", "hdlc", "kiss", "links", "plan", "scenario", "segments", "station",
    "xid",
];

const TEXTS: [&str; 11] = [
    include_str!("corpus/command.txt"),
    include_str!("corpus/fec.txt"),
    include_str!("corpus/frame.txt"),
    include_str!("corpus/hdlc.txt"),
    include_str!("corpus/kiss.txt"),
    include_str!("corpus/links.txt"),
    include_str!("corpus/plan.txt"),
    include_str!("corpus/scenario.txt"),
    include_str!("corpus/segments.txt"),
    include_str!("corpus/station.txt"),
    include_str!("corpus/xid.txt"),
];

/// The files that people write are inputs as well.
const WHOLE: [(&str, &[u8]); 4] = [
    ("plan", include_bytes!("../../../../plans/example.toml")),
    (
        "plan",
        include_bytes!("../../../plan/regions/us-part97.toml"),
    ),
    (
        "scenario",
        include_bytes!("../../../../scenarios/hidden-pair.toml"),
    ),
    (
        "scenario",
        include_bytes!("../../../../scenarios/marrow-isles.toml"),
    ),
];

/// The inputs of a target.
pub fn inputs(name: &str) -> Vec<Vec<u8>> {
    let texts = NAMES.iter().zip(TEXTS).filter(|(n, _)| **n == name);
    let lines = texts.flat_map(|(_, text)| text.lines()).map(octets);
    let whole = WHOLE.iter().filter(|(n, _)| *n == name);
    lines
        .chain(whole.map(|(_, octets)| octets.to_vec()))
        .collect()
}

fn octets(line: &str) -> Vec<u8> {
    let pairs = line.as_bytes().chunks(2);
    let octet = |pair: &[u8]| {
        let digits = std::str::from_utf8(pair).expect("digits");
        u8::from_str_radix(digits, 16).expect("two hexadecimal digits")
    };
    pairs.map(octet).collect()
}

/// As in the files.
pub fn hex(input: &[u8]) -> String {
    input.iter().map(|octet| format!("{octet:02x}")).collect()
}
