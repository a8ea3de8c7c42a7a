//! See `files/run.rs`.
#![no_main]

#[path = "files/run.rs"]
mod run;

libfuzzer_sys::fuzz_target!(|octets: &[u8]| run::run(octets));
