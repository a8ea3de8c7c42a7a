//! Seeded changes of inputs.

use dunlin_clock::Chance;

/// No input grows longer, in octets.
const LONGEST: usize = 8192;

/// One of the inputs with one to eight changes.
pub fn mutated(inputs: &[Vec<u8>], chance: &mut Chance) -> Vec<u8> {
    let pick = |chance: &mut Chance| &inputs[chance.below(inputs.len() as u64) as usize];
    let mut input = pick(chance).clone();
    for _ in 0..=chance.below(8) {
        let at = chance.below(input.len() as u64 + 1) as usize;
        let end = (at + 1 + chance.below(8) as usize).min(input.len());
        match chance.below(7) {
            0 => input.insert(at, chance.octet()),
            1 => drop(input.drain(at..end)),
            2 => input.truncate(at),
            3 if at < input.len() => input[at] ^= 1 << chance.below(8),
            4 if at < input.len() => input[at] = chance.octet(),
            5 => {
                // A piece of itself again.
                let piece = input[at..end].to_vec();
                input.splice(at..at, piece);
            }
            _ => {
                // The end of another.
                let other = pick(chance);
                let from = chance.below(other.len() as u64 + 1) as usize;
                input.truncate(at);
                input.extend(&other[from..]);
            }
        }
    }
    input.truncate(LONGEST);
    input
}
