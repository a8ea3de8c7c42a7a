//! The code against worked codewords, theory and damage of every kind.

use proptest::prelude::*;

use super::*;

fn code(check: usize, zeros: Zeros) -> ReedSolomon {
    ReedSolomon::new(check, zeros).expect("1 to 64")
}

fn check_octets(code: &ReedSolomon, data: &[u8]) -> String {
    let mut check = vec![0; code.check()];
    code.encode(data, &mut check);
    check.iter().map(|o| format!("{o:02x}")).collect()
}

fn codeword(code: &ReedSolomon, data: &[u8]) -> Vec<u8> {
    let mut block = data.to_vec();
    block.resize(data.len() + code.check(), 0);
    let (data, check) = block.split_at_mut(data.len());
    code.encode(data, check);
    block
}

/// Computed with the Python package `reedsolo` (fcr 1, prim 0x11d, generator 2), and checked
/// there to vanish at all roots.
#[test]
fn whole_codewords_are_those_of_another_implementation() {
    let counted = |n: u8| (0..n).collect::<Vec<_>>();
    for zeros in [Zeros::Last, Zeros::First] {
        for (check, want) in [
            (16, "3aec982c581f14a8793c200abfa60465"),
            (
                32,
                "66d474a49f3de52711f4f543fd129cd973491fae1b8c459f68dbfebbada90a74",
            ),
            (
                64,
                "4cc5ebcae4f78225208f66f5bc2b264ba95b018f3cb463e81b16fc1f85a4e199\
                 80e1dd383cf19b9e8827f25000647e7637fc54dec3dca102a5248b0c2132bc79",
            ),
        ] {
            let data = counted(255 - check as u8);
            assert_eq!(check_octets(&code(check, zeros), &data), want);
        }
    }
}

/// As above; 32 octets 7E with 16 check octets, which is FX.25's tag 04.
#[test]
fn the_place_of_the_zeros_changes_a_shortened_codeword() {
    let data = [0x7E; 32];
    let last = check_octets(&code(16, Zeros::Last), &data);
    assert_eq!(last, "03b65fd9a2b274f9746909c64cba5dae");
    let first = check_octets(&code(16, Zeros::First), &data);
    assert_eq!(first, "19c1bdb49359dc3055ab1775bbeb2818");
}

#[test]
fn only_1_to_64_check_octets_make_a_code() {
    assert!(ReedSolomon::new(0, Zeros::Last).is_none());
    assert!(ReedSolomon::new(65, Zeros::Last).is_none());
    assert!(ReedSolomon::new(64, Zeros::Last).is_some());
}

#[test]
fn blocks_of_a_wrong_length_are_refused() {
    let code = code(16, Zeros::Last);
    for length in [0, 1, 16, 256, 1000] {
        let mut block = vec![7; length];
        assert_eq!(code.decode(&mut block, &[]), Err(Uncorrectable));
        assert_eq!(block, vec![7; length]);
    }
}

#[test]
fn more_erasures_than_check_octets_are_refused() {
    let code = code(4, Zeros::Last);
    let mut block = codeword(&code, &[1, 2, 3, 4, 5, 6]);
    block[0] ^= 1;
    let damaged = block.clone();
    assert_eq!(
        code.decode(&mut block, &[0, 1, 2, 3, 4]),
        Err(Uncorrectable)
    );
    assert_eq!(block, damaged);
    // One octet named twice, or one that does not exist, counts for nothing.
    let erased = [0, 0, 0, 0, 0, 200];
    assert_eq!(code.decode(&mut block, &erased).map(|c| c.count()), Ok(1));
}

fn zeros() -> impl Strategy<Value = Zeros> {
    prop_oneof![Just(Zeros::Last), Just(Zeros::First)]
}

/// A codeword's data, errors and erasures that the code must correct.
#[derive(Debug)]
struct Case {
    code: ReedSolomon,
    data: Vec<u8>,
    /// Wrong octets and what is added to each.
    errors: Vec<(usize, u8)>,
    erased: Vec<u8>,
}

fn correctable() -> impl Strategy<Value = Case> {
    let shape = (1_usize..=64).prop_flat_map(|check| (Just(check), 1..=LONGEST - check));
    let parts = shape.prop_flat_map(|(check, octets)| {
        let places = Just((0..octets + check).collect::<Vec<_>>()).prop_shuffle();
        let data = prop::collection::vec(any::<u8>(), octets);
        let changes = prop::collection::vec(any::<u8>(), LONGEST);
        (Just(check), zeros(), places, data, changes, any::<u8>())
    });
    parts.prop_map(|(check, zeros, places, data, changes, split)| {
        let erasures = (usize::from(split) % (check + 1)).min(places.len());
        let errors = ((check - erasures) / 2).min(places.len() - erasures);
        let (erased, wrong) = places.split_at(erasures);
        // Erased octets may be wrong or right; the others are all wrong.
        let spoil = |(&place, &change): (&usize, &u8)| (place, change);
        let sure = |(&place, &change): (&usize, &u8)| (place, change.max(1));
        let mut list: Vec<_> = erased.iter().zip(&changes).map(spoil).collect();
        list.extend(wrong[..errors].iter().zip(changes.iter().rev()).map(sure));
        Case {
            code: code(check, zeros),
            data,
            errors: list,
            erased: erased.iter().map(|&place| place as u8).collect(),
        }
    })
}

proptest! {
    #[test]
    fn as_many_errors_and_erasures_as_promised_are_corrected(case in correctable()) {
        let good = codeword(&case.code, &case.data);
        let mut block = good.clone();
        for &(place, change) in &case.errors {
            block[place] ^= change;
        }
        let wrong = block.iter().zip(&good).filter(|(a, b)| a != b).count();
        let found = case.code.decode(&mut block, &case.erased);
        prop_assert_eq!(found.map(|c| c.count()), Ok(wrong));
        prop_assert_eq!(block, good);
    }

    #[test]
    fn whatever_comes_the_result_is_a_codeword_or_the_block_as_it_was(
        check in 1_usize..=64,
        zeros in zeros(),
        mut block in prop::collection::vec(any::<u8>(), 0..300),
        erased in prop::collection::vec(any::<u8>(), 0..70),
    ) {
        let code = code(check, zeros);
        let before = block.clone();
        match code.decode(&mut block, &erased) {
            Ok(_) => {
                let data = &block[..block.len() - check];
                prop_assert_eq!(&codeword(&code, data), &block);
            }
            Err(Uncorrectable) => prop_assert_eq!(block, before),
        }
    }
}
