//! People type, on both sides, while files go both ways: every line comes out exact and in order.

use dunlin_mail::file::LEAST_ROOM;
use proptest::prelude::*;

use crate::station::{Side, content, hash, talk};

/// What happens next at the link of the property test.
#[derive(Clone, Debug)]
enum Step {
    Type(bool, Vec<u8>),
    Give(bool, usize),
    Arrive(bool, usize),
}

fn step() -> impl Strategy<Value = Step> {
    // Any octets, the introducer among them more often than by chance.
    let octet = prop_oneof![4 => any::<u8>(), 1 => Just(0x1c), 1 => Just(b'\r'), 1 => Just(0)];
    let line = proptest::collection::vec(octet, 0..60);
    prop_oneof![
        1 => (any::<bool>(), line).prop_map(|(side, line)| Step::Type(side, line)),
        4 => (any::<bool>(), 0..300_usize).prop_map(|(side, room)| Step::Give(side, room)),
        4 => (any::<bool>(), 1..300_usize).prop_map(|(side, count)| Step::Arrive(side, count)),
    ]
}

proptest! {
    #[test]
    fn text_and_files_come_out_exact(
        steps in proptest::collection::vec(step(), 0..120),
        sizes in (1..3000_usize, 1..3000_usize),
        portion in LEAST_ROOM..300,
    ) {
        let mut sides = [Side::new("QA1SKY"), Side::new("QM2REE")];
        let files = [content(1, sizes.0), content(2, sizes.1)];
        sides[0].portion = portion;
        sides[0].begin();
        let mut lines = [Vec::new(), Vec::new()];
        for (side, file) in sides.iter_mut().zip(&files) {
            side.offer("file", file);
        }
        for step in steps {
            match step {
                Step::Type(side, line) => sides[usize::from(side)].types(&line),
                Step::Give(side, room) => {
                    let given = sides[usize::from(side)].give(room).unwrap_or_default();
                    prop_assert!(given.len() <= room.max(LEAST_ROOM));
                    lines[usize::from(side)].extend(given);
                }
                Step::Arrive(side, count) => {
                    let line: &mut Vec<u8> = &mut lines[usize::from(side)];
                    let rest = line.split_off(count.min(line.len()));
                    let arrived = std::mem::replace(line, rest);
                    sides[usize::from(!side)].hear(&arrived);
                }
            }
        }
        let [a, b] = &mut sides;
        b.hear(&lines[0]);
        a.hear(&lines[1]);
        talk(a, b, usize::MAX);
        prop_assert_eq!(&b.heard, &a.said);
        prop_assert_eq!(&a.heard, &b.said);
        prop_assert_eq!(&b.got[&hash(&files[0])].0, &files[0]);
        prop_assert_eq!(&a.got[&hash(&files[1])].0, &files[1]);
    }
}

#[test]
fn a_typed_line_waits_for_one_portion_at_most() {
    let (mut a, mut b) = (Side::new("QA1SKY"), Side::new("QM2REE"));
    a.offer("map.png", &content(1, 60_000));
    for turn in 0..200 {
        for _ in 0..2 {
            let given = a.give(256).unwrap_or_default();
            assert!(given.len() <= 128 || given.ends_with(b"\r"));
            b.hear(&given);
            let answer = b.give(256).unwrap_or_default();
            a.hear(&answer);
        }
        let line = format!("Line {turn}.\r").into_bytes();
        a.types(&line);
        assert_eq!(a.give(256), Some(line.clone()));
        b.hear(&line);
        assert!(b.heard.ends_with(&line));
    }
    assert!(!a.is_idle());
}
