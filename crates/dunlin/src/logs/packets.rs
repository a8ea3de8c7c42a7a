//! Frames as a capture.

use std::io::Write;

use anyhow::Result;
use dunlin_framing::kiss::KissPort;
use dunlin_store::{Entry, Export, Field, Kind};

use super::counted;
use super::output::Output;
use crate::pcap::{Packet, header};

/// Writes every frame that was heard or sent.
pub fn write(journal: &Export, out: &mut Output) -> Result<u64> {
    out.write_all(&header())?;
    counted(journal, &[Kind::Frame], |entry| match record(entry) {
        Some(octets) => {
            out.write_all(&octets)?;
            Ok(true)
        }
        None => Ok(false),
    })
}

/// `None` for what could not be read: nobody knows that it was a frame.
fn record(entry: &Entry) -> Option<Vec<u8>> {
    if !matches!(entry.text("direction"), "heard" | "sent") {
        return None;
    }
    let Field::Octets(octets) = entry.field("octets") else {
        return None;
    };
    if octets.is_empty() {
        return None;
    }
    let number = |name| entry.number(name).unwrap_or(0);
    // A capture counts from 1970 to 2106.
    let ms = entry.time.0.clamp(0, i64::from(u32::MAX) * 1000);
    let packet = Packet {
        seconds: u32::try_from(ms / 1000).unwrap_or(u32::MAX),
        micros: u32::try_from(ms % 1000).unwrap_or(0) * 1000,
        port: u8::try_from(number("port_number"))
            .ok()
            .and_then(|port| KissPort::new(port).ok())
            .unwrap_or_default(),
        octets,
        missing: u32::try_from(number("cut_octets")).unwrap_or(0),
    };
    Some(packet.record())
}
