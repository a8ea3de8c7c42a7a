//! The folder of files: nothing overwritten, nothing outside, nothing lost that was said to be stored.

use super::*;

fn shelf(room: u64) -> (tempfile::TempDir, Shelf) {
    let place = tempfile::tempdir().expect("a folder");
    let shelf = Shelf::open(place.path(), room).expect("it opens");
    (place, shelf)
}

fn head(name: &str, octets: &[u8]) -> Head {
    Head::new(name, None, octets.len() as u64, hash_of(octets)).expect("a head")
}

fn come(shelf: &mut Shelf, head: &Head, octets: &[u8]) {
    assert_eq!(
        shelf.answer(head, FileAsk::Begin),
        FileAnswer::Kept(Vec::new())
    );
    for (n, piece) in octets.chunks(100).enumerate() {
        let (from, octets) = (n as u64 * 100, piece.to_vec());
        let answer = shelf.answer(head, FileAsk::Write { from, octets });
        assert_eq!(answer, FileAnswer::Done);
    }
    assert_eq!(shelf.answer(head, FileAsk::Store), FileAnswer::Done);
}

#[test]
fn what_is_offered_is_read_and_gone_in_the_next_run() {
    let (place, mut shelf) = shelf(10_000);
    let octets = [7; 300];
    let head = shelf
        .put("map.png", Some("image/png"), &octets)
        .expect("it is put");
    let read = |from, count| FileAsk::Read { from, count };
    let answer = shelf.answer(&head, read(250, 100));
    assert_eq!(answer, FileAnswer::Octets(vec![7; 50]));
    assert!(shelf.put("../map", None, &octets).is_err());
    assert!(shelf.put("empty", None, &[]).is_err());
    let mut shelf = Shelf::open(place.path(), 10_000).expect("it opens again");
    assert!(matches!(
        shelf.answer(&head, read(0, 9)),
        FileAnswer::Failed(_)
    ));
}

#[test]
fn a_whole_file_has_its_name_and_a_second_one_another() {
    let (place, mut shelf) = shelf(10_000);
    let (one, two) = (vec![1; 250], vec![2; 250]);
    let (head_one, head_two) = (head("map.tar.gz", &one), head("map.tar.gz", &two));
    come(&mut shelf, &head_one, &one);
    come(&mut shelf, &head_two, &two);
    let read =
        |name: &str| fs::read(place.path().join("received").join(name)).expect("it is there");
    assert_eq!((read("map.tar.gz"), read("map.tar-2.gz")), (one, two));
    assert_eq!(shelf.answer(&head_two, FileAsk::Begin), FileAnswer::Have);
    // Whoever takes it away may get it again.
    fs::remove_file(place.path().join("received/map.tar-2.gz")).expect("it goes");
    assert_eq!(
        shelf.answer(&head_two, FileAsk::Begin),
        FileAnswer::Kept(Vec::new())
    );
}

#[test]
fn a_part_waits_for_the_next_run() {
    let (place, mut shelf) = shelf(10_000);
    let octets = vec![3; 500];
    let head = head("map.png", &octets);
    assert_eq!(
        shelf.answer(&head, FileAsk::Begin),
        FileAnswer::Kept(Vec::new())
    );
    let write = |from, octets: &[u8]| FileAsk::Write {
        from,
        octets: octets.to_vec(),
    };
    assert_eq!(
        shelf.answer(&head, write(0, &octets[..200])),
        FileAnswer::Done
    );
    // Neither a gap nor what goes beyond the end is taken, nor a second talk at the same time.
    for ask in [write(300, &[0]), write(200, &[0; 301]), FileAsk::Begin] {
        assert!(matches!(shelf.answer(&head, ask), FileAnswer::Failed(_)));
    }
    assert_eq!(shelf.answer(&head, FileAsk::Leave), FileAnswer::Done);
    let mut shelf = Shelf::open(place.path(), 10_000).expect("it opens again");
    let kept = FileAnswer::Kept(octets[..200].to_vec());
    assert_eq!(shelf.answer(&head, FileAsk::Begin), kept);
    assert_eq!(shelf.answer(&head, FileAsk::Drop), FileAnswer::Done);
    assert_eq!(shelf.answer(&head, write(0, &octets)), FileAnswer::Done);
    assert_eq!(shelf.answer(&head, FileAsk::Store), FileAnswer::Done);
    let there = shelf
        .received(&head)
        .expect("it is looked for")
        .expect("it is there");
    assert_eq!(fs::read(there).expect("it is read"), octets);
}

#[test]
fn old_parts_give_way_and_whole_files_do_not() {
    let (_place, mut shelf) = shelf(1_000);
    let (whole, part, big) = (vec![1; 400], vec![2; 400], vec![3; 500]);
    come(&mut shelf, &head("whole", &whole), &whole);
    let old = head("part", &part);
    shelf.answer(&old, FileAsk::Begin);
    let (from, octets) = (0, part[..300].to_vec());
    shelf.answer(&old, FileAsk::Write { from, octets });
    // It grows: it stays.
    let big_head = head("big", &big);
    assert_eq!(shelf.answer(&big_head, FileAsk::Begin), FileAnswer::NoRoom);
    shelf.answer(&old, FileAsk::Leave);
    come(&mut shelf, &big_head, &big);
    assert_eq!(shelf.partial.files().expect("a list"), []);
    assert!(shelf.put("more", None, &[9; 200]).is_err());
    let left = shelf.received.files().expect("a list");
    assert_eq!(left, [("big".to_owned(), 500), ("whole".to_owned(), 400)]);
}

#[test]
fn what_is_there_is_listed_read_and_deleted() {
    let (place, mut shelf) = shelf(10_000);
    let (came, own) = (vec![1; 250], vec![2; 300]);
    let came_head = head("map.png", &came);
    come(&mut shelf, &came_head, &came);
    let own_head = shelf
        .put("tide.csv", Some("text/csv"), &own)
        .expect("it is put");
    let listed = |shelf: &Shelf| shelf.all_received().expect("a list");
    assert_eq!(listed(&shelf), std::slice::from_ref(&came_head));
    assert_eq!(shelf.offered(), std::slice::from_ref(&own_head));
    // The same octets under another name are the same file.
    let renamed = shelf.put("tides.csv", None, &own).expect("it is put");
    assert_eq!(shelf.offered(), [renamed]);
    let read = shelf.read_received(came_head.hash()).expect("it is read");
    assert_eq!(read, Some((came_head.clone(), came.clone())));
    // What is offered was not received, and what was received is not offered.
    assert_eq!(
        shelf.read_received(own_head.hash()).expect("looked for"),
        None
    );
    assert!(!shelf.delete_offered(came_head.hash()).expect("looked for"));
    assert!(!shelf.delete_received(own_head.hash()).expect("looked for"));
    assert!(shelf.delete_offered(own_head.hash()).expect("deleted"));
    assert_eq!(shelf.offered(), []);
    let ask = FileAsk::Read { from: 0, count: 9 };
    assert!(matches!(
        shelf.answer(&own_head, ask),
        FileAnswer::Failed(_)
    ));
    assert!(shelf.delete_received(came_head.hash()).expect("deleted"));
    assert!(!shelf.delete_received(came_head.hash()).expect("looked for"));
    assert_eq!(listed(&shelf), []);
    assert!(!place.path().join("received/map.png").exists());
    // It may come again.
    come(&mut shelf, &came_head, &came);
    assert_eq!(listed(&shelf), [came_head]);
}

#[test]
fn a_shelf_that_was_meddled_with_leads_nowhere_else() {
    let (place, mut shelf) = shelf(10_000);
    fs::write(place.path().join("secret"), "sesame").expect("written");
    let secret = head("secret", b"sesame");
    for name in ["../secret", "secret", "..", ""] {
        shelf
            .known
            .replace(&key(&secret), name.as_bytes())
            .expect("written");
        let read = shelf.read_received(secret.hash()).expect("looked for");
        assert_eq!(read, None, "{name}");
        assert!(!shelf.delete_received(secret.hash()).expect("looked for"));
    }
    fs::write(place.path().join("known/what-is-this"), "secret").expect("written");
    assert_eq!(shelf.all_received().expect("a list"), []);
    assert!(place.path().join("secret").exists());
}

#[test]
fn why_a_file_is_not_put_there_is_told_apart() {
    let (_place, mut shelf) = shelf(1_000);
    let mut put = |name: &str, octets: &[u8]| shelf.put(name, None, octets).expect_err("refused");
    for name in ["a/b", "..", "a\u{7}b", &"a".repeat(300), ""] {
        assert!(matches!(put(name, &[1]), NotPut::Head(_)), "{name:?}");
    }
    assert!(matches!(put("a", &[]), NotPut::Head(HeadError::Empty)));
    assert!(matches!(put("a", &[0; 1_001]), NotPut::NoRoom));
    let most = usize::try_from(MOST_OFFERED).expect("it fits");
    assert!(matches!(put("a", &vec![0; most + 1]), NotPut::TooLarge));
}

#[test]
fn a_long_name_that_is_taken_gives_one_that_is_still_a_name() {
    for name in [
        "a".repeat(64),
        format!("{}.png", "ö".repeat(30)),
        format!("a.{}", "k".repeat(62)),
    ] {
        let (_place, mut shelf) = shelf(10_000);
        for octet in 1..=3 {
            let octets = vec![octet; 10];
            let head = head(&name, &octets);
            come(&mut shelf, &head, &octets);
            assert!(shelf.received(&head).expect("looked for").is_some());
        }
        assert_eq!(shelf.all_received().expect("a list").len(), 3);
    }
}
