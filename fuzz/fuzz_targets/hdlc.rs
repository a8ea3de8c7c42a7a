//! See `targets/hdlc.rs` there.
#![no_main]

#[allow(dead_code)] // Each target uses its own.
#[path = "../../crates/rehearsal/tests/any_input/targets/mod.rs"]
mod targets;

libfuzzer_sys::fuzz_target!(|octets: &[u8]| targets::hdlc::run(octets));
