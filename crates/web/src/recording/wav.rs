//! WAV with 32-bit floating-point samples: chunks `fmt `, `fact` and `data` in a `RIFF` chunk,
//! little-endian; format code 3 (Multimedia Programming Interface and Data Specifications 1.0, and
//! its later format codes, from memory).

use super::Recording;

const FORMAT_FLOAT: u16 = 3;
const CHANNELS: u16 = 1;
const OCTETS: u16 = 4;

/// The whole file.
pub(super) fn file(recording: &Recording) -> Vec<u8> {
    // A minute is far below the 4 GiB that the format can say.
    let count = recording.samples.len() as u32;
    let data = count * u32::from(OCTETS);
    let mut file = Vec::with_capacity(58 + data as usize);
    file.extend(b"RIFF");
    file.extend((50 + data).to_le_bytes());
    file.extend(b"WAVEfmt ");
    file.extend(18_u32.to_le_bytes());
    file.extend(FORMAT_FLOAT.to_le_bytes());
    file.extend(CHANNELS.to_le_bytes());
    file.extend(recording.rate_hz.to_le_bytes());
    file.extend((recording.rate_hz * u32::from(OCTETS)).to_le_bytes());
    file.extend(OCTETS.to_le_bytes());
    file.extend((OCTETS * 8).to_le_bytes());
    file.extend(0_u16.to_le_bytes()); // Nothing more to say of the format.
    file.extend(b"fact");
    file.extend(4_u32.to_le_bytes());
    file.extend(count.to_le_bytes());
    file.extend(b"data");
    file.extend(data.to_le_bytes());
    super::add_samples(&mut file, &recording.samples);
    file
}
