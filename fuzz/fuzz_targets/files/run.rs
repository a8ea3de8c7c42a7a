//! Files over a talk: whatever the partner sends, in whatever pieces, nothing is written beyond a file's end or that nobody took,
//! portions keep to their room, and what is typed comes out.

use std::collections::BTreeMap;
use std::time::Duration;

use dunlin_clock::Instant;
use dunlin_mail::file::{File, Files, Head, Input, LEAST_ROOM, Limits, Output, Settings, Why};

const TAG: &[u8] = b"QA1SKY offers a thing. [files 1 01020304]\r";
const HELLO: &[u8] = b"\x1c\x09\x01\x01\x01\x02\x03\x04\x80\x80\x40";

pub fn run(octets: &[u8]) {
    let Some((&[first, room], stream)) = octets.split_first_chunk::<2>() else {
        return;
    };
    let settings = Settings {
        own: "QM2REE".parse().expect("a call sign"),
        portion: usize::from(room),
        limits: Limits::default(),
    };
    let mut files = Files::new(settings);
    let head = Head::new("map.png", None, 3000, [7; 32]).expect("a head");
    // Sometimes the partner speaks the protocol from the start.
    if first & 1 == 1 {
        files.handle(Input::Received(Instant::ZERO, [TAG, HELLO].concat()));
    }
    files
        .offer(head, Duration::from_secs(1))
        .expect("it can be offered");
    let mut there = BTreeMap::new();
    for (index, piece) in stream.chunks(1 + usize::from(first >> 1)).enumerate() {
        let now = Instant::from_secs(index as u64);
        files.handle(Input::Received(now, piece.to_vec()));
        serve(&mut files, &mut there, first);
        if let Some(portion) = files.give(usize::from(room)) {
            assert!(portion.len() <= usize::from(room).max(LEAST_ROOM));
        }
        serve(&mut files, &mut there, first);
    }
    files.handle(Input::Dropped);
    serve(&mut files, &mut there, first);
    assert!(!files.has_more() || files.give(300).is_some());
}

fn serve(files: &mut Files, there: &mut BTreeMap<File, (u64, u64)>, first: u8) {
    while let Some(output) = files.poll() {
        match output {
            Output::Offered(file, head) if head.size() % 3 < 2 => {
                there.insert(file, (0, head.size()));
                files.handle(Input::Accept(file, Vec::new()));
            }
            Output::Offered(file, _) => {
                files.handle(Input::Refuse(file, Why::NotWanted, "no".into()))
            }
            Output::Need(file, from, count) => {
                let count = if first & 2 == 2 { count } else { count / 2 };
                files.handle(Input::Octets(file, from, vec![1; count]));
            }
            Output::Write {
                file,
                from,
                octets,
                total,
            } => {
                let (done, size) = there.get_mut(&file).expect("it was taken");
                assert_eq!((*done, *size), (from, total));
                *done += octets.len() as u64;
                assert!(*done <= total && !octets.is_empty());
            }
            Output::Damaged(file) => there.get_mut(&file).expect("it was taken").0 = 0,
            Output::Store(file) => files.handle(Input::Stored(file, Ok(()))),
            _ => {}
        }
    }
}
