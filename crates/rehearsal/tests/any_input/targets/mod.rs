//! What is done with octets from anywhere, and what must be true of the outcome: one file for
//! each parser or machine, each with a `run`. The fuzzer and the short run both call these.

pub mod command;
pub mod fec;
pub mod frame;
#[path = "../../../../ax25/tests/half_duplex/mod.rs"]
pub mod half_duplex;
pub mod hdlc;
pub mod kiss;
pub mod links;
pub mod plan;
pub mod scenario;
pub mod segments;
pub mod source;
pub mod station;
pub mod xid;

/// Characters that could steer a terminal, or turn the direction of writing.
pub fn could_steer(text: &str) -> bool {
    let turns = |c: char| matches!(c, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
    text.chars().any(|c| c.is_control() || turns(c))
}
