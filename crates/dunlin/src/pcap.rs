//! Frames as a capture file, which network analysers read.
//!
//! Classic pcap: little-endian header with the magic A1B2C3D4 for microseconds, version 2.4
//! (from memory). Link type 202, LINKTYPE_AX25_KISS: each packet is an AX.25 frame without FCS
//! after one KISS type octet, not escaped (the tcpdump group's list of link-layer header types).

use dunlin_framing::kiss::{Command, KissPort};

const MAGIC: u32 = 0xA1B2_C3D4;
const LINKTYPE_AX25_KISS: u32 = 202;
const LONGEST: u32 = 65_535;

/// One frame of a capture.
pub struct Packet<'o> {
    /// Seconds since 1970-01-01 00:00 UTC, or since the beginning of a recording.
    pub seconds: u32,
    /// Microseconds of the second.
    pub micros: u32,
    /// The port; the upper half of the type octet.
    pub port: KissPort,
    /// AX.25 octets without FCS.
    pub octets: &'o [u8],
    /// Octets that the frame had behind these and that are not kept.
    pub missing: u32,
}

/// The beginning of a capture file.
pub fn header() -> Vec<u8> {
    let mut octets = MAGIC.to_le_bytes().to_vec();
    octets.extend(2_u16.to_le_bytes());
    octets.extend(4_u16.to_le_bytes());
    octets.extend([0; 8]); // zone and accuracy
    octets.extend(LONGEST.to_le_bytes());
    octets.extend(LINKTYPE_AX25_KISS.to_le_bytes());
    octets
}

impl Packet<'_> {
    /// The record of this frame.
    pub fn record(&self) -> Vec<u8> {
        let kept = self.octets.len() as u32 + 1; // A frame has a few hundred octets.
        let whole = kept.saturating_add(self.missing);
        let mut octets = Vec::with_capacity(16 + kept as usize);
        for word in [self.seconds, self.micros, kept, whole] {
            octets.extend(word.to_le_bytes());
        }
        octets.push(Command::Data.type_octet(self.port));
        octets.extend(self.octets);
        octets
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn octets_stand_where_the_format_wants_them() {
        let wanted = "d4c3b2a1 0200 0400 00000000 00000000 ffff0000 ca000000".replace(' ', "");
        let hex: String = header().iter().map(|o| format!("{o:02x}")).collect();
        assert_eq!(hex, wanted);
        let packet = Packet {
            seconds: 3,
            micros: 500_000,
            port: KissPort::new(5).expect("there are 16"),
            octets: &[0xAA; 15],
            missing: 4,
        };
        let record = packet.record();
        // 3 s and 500 000 us, 16 octets of 20, then the type octet.
        assert_eq!(
            record[..17],
            [3, 0, 0, 0, 0x20, 0xA1, 7, 0, 16, 0, 0, 0, 20, 0, 0, 0, 0x50]
        );
        assert_eq!(record[17..], [0xAA; 15]);
    }
}
