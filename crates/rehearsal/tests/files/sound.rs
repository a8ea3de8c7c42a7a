//! A file over a talk with sound, and the same with whole frames.

use dunlin_mail::file::hash_of;
use dunlin_rehearsal::Fidelity;
use dunlin_station::FileState;

use crate::bench::{Bench, REE, SKY, file};

const SIZE: usize = 3000;

/// Seconds from the yes until the file is saved there, and until the sender knows. A line is typed meanwhile, and comes.
fn file_takes(fidelity: Fidelity, level: &str) -> [f64; 2] {
    let mut b = Bench::at(fidelity, "afsk1200", level, "");
    b.call();
    let ours = b.offer(SKY, "map.png", SIZE, 1);
    let asked = b.offered(REE, 60).expect("it is offered");
    b.accept(REE, asked);
    let began = b.seconds();
    b.pass(10_000);
    let line = "Typed while the file goes.";
    b.say(SKY, line);
    assert!(b.until(120, |b| b.state(REE, asked) == FileState::Done));
    let saved = b.seconds() - began;
    assert!(b.until(60, |b| b.state(SKY, ours) == FileState::Done));
    let known = b.seconds() - began;
    b.assert_arrived(REE, "map.png", SIZE, 1);
    let (head, octets) = &b.r.files_of(REE)[0];
    assert_eq!(*head.hash(), hash_of(octets));
    assert_eq!(*head.hash(), hash_of(&file(SIZE, 1)));
    assert_eq!(b.view(REE, asked).words, "stored");
    assert!(b.has_line(REE, line));
    println!("{level} {fidelity:?}: saved after {saved:.1} s, known after {known:.1} s");
    [saved, known]
}

#[test]
fn a_file_goes_whole_by_sound_through_noise() {
    // Of frames of 64 octets 93.5 % are read at this level.
    let [_, known] = file_takes(Fidelity::Sound, "6 dB");
    assert!(known < 120.0, "{known}");
}

#[test]
fn a_file_by_sound_takes_as_long_as_by_frames_where_nothing_is_lost() {
    let [sound, frames] = [Fidelity::Sound, Fidelity::Frame].map(|f| file_takes(f, "22 dB"));
    for (sound, frames) in sound.into_iter().zip(frames) {
        assert!((sound - frames).abs() < 1.0, "{sound:.1} and {frames:.1} s");
    }
}
