//! Octets from anywhere do no harm; `fuzz/fuzz_targets/files.rs` runs the same for longer.

use dunlin_clock::Chance;

#[path = "../../../../fuzz/fuzz_targets/files/run.rs"]
mod run;

const KEPT: &str = include_str!("../../../../fuzz/kept/files.txt");

fn octets(line: &str) -> Vec<u8> {
    let pairs = (0..line.len()).step_by(2);
    let octet = |at| u8::from_str_radix(&line[at..at + 2], 16).expect("hexadecimal digits");
    pairs.map(octet).collect()
}

#[test]
fn any_octets_are_harmless() {
    let kept: Vec<Vec<u8>> = KEPT.lines().map(octets).collect();
    kept.iter().for_each(|input| run::run(input));
    let mut chance = Chance::stream(1, "files");
    for _ in 0..5000 {
        let mut octets = kept[chance.below(kept.len() as u64) as usize].clone();
        for _ in 0..chance.below(8) {
            let at = chance.below(octets.len() as u64 + 1) as usize;
            let kind = chance.below(10) as u8 | (chance.octet() & 0x80);
            let record = [0x1c, chance.below(12) as u8, kind, chance.below(3) as u8];
            match chance.below(4) {
                0 => drop(octets.splice(at..at, record)),
                1 => octets.truncate(at),
                2 => octets.extend(octets.clone().into_iter().skip(at).take(60)),
                _ => octets.insert(at, chance.octet()),
            }
        }
        run::run(&octets);
    }
}
