//! Frames as a capture file, which network analysers read.
//!
//! Classic pcap: little-endian header with the magic A1B2C3D4 for microseconds, version 2.4
//! (from memory). Link type 202, LINKTYPE_AX25_KISS: each packet is an AX.25 frame without FCS
//! after one KISS type octet, not escaped (the tcpdump group's list of link-layer header types).
//! A recording knows no date: its beginning stands as second 0.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use dunlin_clock::SampleRate;
use dunlin_framing::kiss::{Command, KissPort};

use super::found::Found;

const MAGIC: u32 = 0xA1B2_C3D4;
const LINKTYPE_AX25_KISS: u32 = 202;
const LONGEST: u32 = 65_535;

/// A capture file that is being written.
pub struct Capture {
    out: BufWriter<File>,
}

impl Capture {
    /// Begins a file; one that is there is replaced.
    pub fn create(path: &Path) -> io::Result<Self> {
        let mut out = BufWriter::new(File::create(path)?);
        out.write_all(&header())?;
        out.flush()?;
        Ok(Capture { out })
    }

    /// Adds a frame.
    pub fn add(&mut self, rate: SampleRate, found: &Found) -> io::Result<()> {
        self.out.write_all(&packet(rate, found))?;
        self.out.flush()
    }
}

fn header() -> Vec<u8> {
    let mut octets = MAGIC.to_le_bytes().to_vec();
    octets.extend(2_u16.to_le_bytes());
    octets.extend(4_u16.to_le_bytes());
    octets.extend([0; 8]); // zone and accuracy
    octets.extend(LONGEST.to_le_bytes());
    octets.extend(LINKTYPE_AX25_KISS.to_le_bytes());
    octets
}

fn packet(rate: SampleRate, found: &Found) -> Vec<u8> {
    let hz = u64::from(rate.hz());
    let seconds = (found.start / hz) as u32;
    let micros = (found.start % hz * 1_000_000 / hz) as u32;
    let length = found.octets.len() as u32 + 1;
    let mut octets = Vec::with_capacity(16 + length as usize);
    for word in [seconds, micros, length, length] {
        octets.extend(word.to_le_bytes());
    }
    octets.push(Command::Data.type_octet(KissPort::default()));
    octets.extend(&found.octets);
    octets
}

#[cfg(test)]
mod tests {
    use dunlin_modem::Mode;

    use super::*;

    #[test]
    fn octets_stand_where_the_format_wants_them() {
        let wanted = "d4c3b2a1 0200 0400 00000000 00000000 ffff0000 ca000000".replace(' ', "");
        assert_eq!(super::super::found::hex(&header()), wanted);
        let found = Found {
            line: Mode::Afsk1200.into(),
            start: 48_000 * 3 + 24_000,
            end: 48_000 * 4,
            octets: vec![0xAA; 15],
            measured: serde_json::Map::new(),
        };
        let rate = SampleRate::new(48_000).expect("not zero");
        let packet = packet(rate, &found);
        // 3 s and 500 000 us, then 16 octets twice, then the type octet.
        assert_eq!(
            packet[..17],
            [3, 0, 0, 0, 0x20, 0xA1, 7, 0, 16, 0, 0, 0, 16, 0, 0, 0, 0]
        );
        assert_eq!(packet[17..], found.octets);
    }
}
