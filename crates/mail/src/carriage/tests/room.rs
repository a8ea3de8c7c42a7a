//! Offers for which there is no room.

use super::*;

impl Keeper {
    pub(super) fn room_for(&self, precedence: Precedence, more: Much) -> Answer {
        let there = |letter: &Letter| Much {
            messages: 1,
            octets: letter.message.body.len() as u64,
        };
        let there = self
            .letters
            .values()
            .map(there)
            .fold(Much::default(), Much::and);
        let open = self.room.map(|room| room.open_to(precedence));
        match open.is_none_or(|open| open.holds(there, more)) {
            true => Answer::Done,
            false => Answer::Full {
                words: "there is no room".into(),
            },
        }
    }
}

/// QA1SKY has these messages for QM2REE, which has so much room.
fn keepers(room: Much, messages: &[(usize, Precedence)]) -> [Keeper; 2] {
    let mut near = Keeper::new("QA1SKY", "QM2REE", true);
    let mut far = Keeper::new("QM2REE", "QA1SKY", false);
    for (number, (octets, precedence)) in messages.iter().enumerate() {
        let mut chance = Chance::stream(number as u64, "room");
        let letter = |_| char::from(b'a' + chance.below(26) as u8);
        let body: String = (0..*octets).map(letter).collect();
        let mut message = message(number as u64, to("QM2REE"), &body);
        message.precedence = *precedence;
        near.write(message);
    }
    far.room = Some(room);
    [near, far]
}

fn much(messages: u64, octets: u64) -> Much {
    Much { messages, octets }
}

fn kept(keeper: &Keeper) -> Vec<u64> {
    keeper.kept.keys().map(|id| id.number).collect()
}

fn waiting(keeper: &Keeper) -> Vec<u64> {
    keeper.waiting.iter().map(|id| id.number).collect()
}

const ROUTINE: Precedence = Precedence::Routine;

#[test]
fn without_room_no_octet_of_a_body_is_sent() {
    let mut keepers = keepers(much(100, 1000), &[(3000, ROUTINE)]);
    let passed = link(&mut keepers, usize::MAX);
    assert!(passed < 120, "{passed} octets");
    assert_eq!((waiting(&keepers[0]), kept(&keepers[1])), (vec![0], vec![]));
    assert!(keepers[1].partials.is_empty());
    assert_eq!(keepers[1].turned_away, 0, "it is no fault of the partner");
    let notes = &keepers[1].notes;
    assert!(
        notes.len() == 1 && notes[0].contains("no room"),
        "{notes:?}"
    );
    keepers[1].room = None;
    link(&mut keepers, usize::MAX);
    assert_eq!((waiting(&keepers[0]), kept(&keepers[1])), (vec![], vec![0]));
}

#[test]
fn what_was_accepted_before_takes_of_the_room() {
    // Of 9 messages that are open to routine traffic there is room for 3; the small go first.
    let four = [
        (200, ROUTINE),
        (300, ROUTINE),
        (400, ROUTINE),
        (500, ROUTINE),
    ];
    let mut by_number = keepers(much(4, 100_000), &four);
    link(&mut by_number, usize::MAX);
    assert_eq!(kept(&by_number[1]), [0, 1, 2]);
    assert_eq!(waiting(&by_number[0]), [3]);
    let mut by_octets = keepers(much(100, 1000), &four);
    let passed = link(&mut by_octets, usize::MAX);
    assert_eq!(kept(&by_octets[1]), [0, 1], "900 octets are open");
    assert!(passed < 600, "{passed} octets");
    assert!(by_octets[1].partials.is_empty());
    assert_eq!(by_octets[1].notes.len(), 1, "told once");
}

#[test]
fn what_does_not_fit_leaves_its_place_to_what_does() {
    let mut large_first = keepers(
        much(100, 1000),
        &[(3000, Precedence::Priority), (100, ROUTINE)],
    );
    link(&mut large_first, usize::MAX);
    assert_eq!(kept(&large_first[1]), [1]);
}

#[test]
fn a_tenth_is_left_for_emergencies() {
    let most = [(700, ROUTINE), (200, ROUTINE), (80, Precedence::Emergency)];
    let mut keepers = keepers(much(100, 1000), &most);
    link(&mut keepers, usize::MAX);
    assert_eq!(kept(&keepers[1]), [1, 2]);
}

#[test]
fn the_text_is_never_longer_than_was_reckoned() {
    for title in ["x".to_owned(), "x".repeat(80)] {
        let mut message = message(1, to("QM2REE"), "Forty cots.");
        message.title = title;
        let offerable = exchange::Offerable::new(&message).expect("a message");
        let most = offerable.offer().most_text();
        assert!((11..=11 + 79).contains(&most), "{most}");
    }
}
