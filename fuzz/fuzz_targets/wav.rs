//! Sound files: whatever is in one, it is refused with a sentence, or read to its end from any
//! place.
#![no_main]

#[allow(dead_code)] // Not all of it is used here.
#[path = "../../crates/dunlin/src/decode/wav.rs"]
mod wav;

use std::path::PathBuf;

use wav::{RATES, WavFile};

fn run(octets: &[u8]) {
    // The reader opens files. One for each process, in memory where there is such a place.
    let memory = PathBuf::from("/dev/shm");
    let folder = if memory.is_dir() {
        memory
    } else {
        std::env::temp_dir()
    };
    let path = folder.join(format!("dunlin-fuzz-{}.wav", std::process::id()));
    std::fs::write(&path, octets).expect("there is room");
    match WavFile::open(&path) {
        Err(error) => assert!(!error.to_string().is_empty()),
        Ok(file) => read(file),
    }
}

fn read(mut file: WavFile) {
    assert!(RATES.contains(&file.rate) && file.channels > 0);
    let samples = file.samples().expect("a file");
    for from in [0, samples / 2, samples, samples + 1] {
        file.seek(from).expect("seeks");
        let mut out = Vec::new();
        while file.read(file.channels - 1, &mut out).expect("reads") {}
        assert_eq!(out.len() as u64, samples.saturating_sub(from));
    }
    assert!(file.missing_s() >= 0.0 && file.unclaimed_s().expect("reads") >= 0.0);
    let _ = file.ending();
}

libfuzzer_sys::fuzz_target!(|octets: &[u8]| run(octets));
