//! How fast the KISS decoder is, beside a plain copy of the same octets:
//! `cargo run --release -p dunlin-framing --example kiss_speed`
#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // a stopwatch is the purpose

use std::hint::black_box;
use std::time::Instant;

use dunlin_framing::kiss::{Command, Decoded, Decoder, KissPort, encode};

fn main() {
    let frame: Vec<u8> = (0..300u32).map(|i| (i * 167) as u8).collect();
    let line = encode(KissPort::default(), Command::Data, &frame).repeat(200_000);
    let mega = line.len() as f64 / 1e6;

    let mut copy = vec![0; line.len()];
    copy.copy_from_slice(black_box(&line)); // the memory is really there from now on
    let start = Instant::now();
    copy.copy_from_slice(black_box(&line));
    black_box(&copy);
    let copied = mega / start.elapsed().as_secs_f64();

    let mut decoder = Decoder::default();
    let start = Instant::now();
    let found = decoder.decode(black_box(&line));
    let frames = found.filter(|f| matches!(f, Decoded::Frame(_))).count();
    let decoded = mega / start.elapsed().as_secs_f64();

    assert_eq!(frames, 200_000);
    println!("decoded {decoded:.0} MB/s, copied {copied:.0} MB/s");
    println!("ratio {:.3}", decoded / copied);
}
