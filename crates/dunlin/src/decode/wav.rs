//! Reading WAV files of any length, a block at a time, as far as they are readable.
//!
//! The reader that writes our files (hound) refuses a damaged file as a whole; a recording that was
//! cut off when the power failed is exactly what people want to look into, so this one reads
//! what there is and then says what is wrong.
//!
//! Sources: Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0"
//! (RIFF, WAVE); mmreg.h for WAVE_FORMAT_EXTENSIBLE; EBU Tech 3306 (RF64). From memory.

use std::fs::File;
use std::io::{self, BufReader, ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;

use thiserror::Error;

/// Fewest and most samples per second.
pub const RATES: std::ops::RangeInclusive<u32> = 8_000..=192_000;

const PCM: u16 = 1;
const FLOAT: u16 = 3;
const EXTENSIBLE: u16 = 0xFFFE;
/// A length that says "not known when this was written".
const UNKNOWN_LENGTH: u32 = 0xFFFF_FF00;

/// Why a file cannot be read at all. Each sentence follows the file's name.
#[derive(Debug, Error)]
pub enum WavError {
    /// Not there, not allowed, broken.
    #[error("cannot be read")]
    Unreadable(#[from] io::Error),
    /// A folder.
    #[error("is a directory; name the WAV files in it")]
    Directory,
    /// No octets.
    #[error("is empty (0 octets); the recording was never written")]
    Empty,
    /// Something else.
    #[error("is not a WAV file (it does not begin with RIFF and WAVE); convert it to WAV first")]
    NotWav,
    /// The end came before the sound.
    #[error("is cut off in its header, before any sound; record or copy it again")]
    CutInHeader,
    /// The description of the sound is nonsense.
    #[error("has a damaged header: {0}; record or copy it again")]
    BadHeader(&'static str),
    /// Compressed or of another width.
    #[error(
        "holds sound of a kind that is not read here ({0}); convert it to 8, 16, 24 or 32-bit \
         integer or 32-bit float"
    )]
    Kind(String),
    /// Slower or faster than any sound card.
    #[error("has {0} samples per second; 8000 to 192000 can be decoded, so convert it first")]
    Rate(u32),
}

/// How one sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Storage {
    Unsigned8,
    Signed16,
    Signed24,
    Signed32,
    Float32,
}

impl Storage {
    fn octets(self) -> usize {
        match self {
            Storage::Unsigned8 => 1,
            Storage::Signed16 => 2,
            Storage::Signed24 => 3,
            Storage::Signed32 | Storage::Float32 => 4,
        }
    }

    /// `octets` are as many as one sample has. Full scale becomes -1 to 1.
    fn sample(self, octets: &[u8]) -> f32 {
        match (self, octets) {
            (Storage::Unsigned8, &[a]) => (f32::from(a) - 128.0) / 128.0,
            (Storage::Signed16, &[a, b]) => f32::from(i16::from_le_bytes([a, b])) / 32768.0,
            (Storage::Signed24, &[a, b, c]) => {
                i32::from_le_bytes([0, a, b, c]) as f32 / 2_147_483_648.0
            }
            (Storage::Signed32, &[a, b, c, d]) => {
                i32::from_le_bytes([a, b, c, d]) as f32 / 2_147_483_648.0
            }
            (Storage::Float32, &[a, b, c, d]) => f32::from_le_bytes([a, b, c, d]),
            _ => 0.0,
        }
    }
}

/// How a file came to its end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ending {
    /// As its header said.
    Whole,
    /// So many seconds short of what its header said.
    Short {
        /// Seconds that are missing.
        missing_s: f64,
    },
}

/// A WAV file that is being read.
pub struct WavFile {
    input: BufReader<File>,
    /// Samples per second of each channel.
    pub rate: u32,
    /// Channels side by side.
    pub channels: usize,
    storage: Storage,
    /// Octets of sound that are still to come, if the header knew.
    left: Option<u64>,
    /// The same at the beginning of the sound.
    promised: Option<u64>,
    /// Where the sound of a file that can be read from any place begins and ends in it, octets.
    place: Option<std::ops::Range<u64>>,
    /// Octets of a sample of all channels.
    row: usize,
    block: Vec<u8>,
}

/// Rows that are read at a time.
const ROWS: usize = 4096;
/// More channels than any recorder has.
const MOST_CHANNELS: u16 = 256;

impl WavFile {
    /// Opens a file and reads its header.
    pub fn open(path: &Path) -> Result<Self, WavError> {
        if path.is_dir() {
            return Err(WavError::Directory);
        }
        let file = File::open(path)?;
        let kind = file.metadata()?;
        if kind.is_file() && kind.len() == 0 {
            return Err(WavError::Empty);
        }
        let mut input = BufReader::with_capacity(1 << 16, file);
        let header = Header::read(&mut input)?;
        let row = header.storage.octets() * usize::from(header.channels);
        let place = if kind.is_file() {
            let start = input.stream_position()?;
            let there = kind.len().saturating_sub(start);
            let length = header.sound.map_or(there, |n| n.min(there));
            Some(start..start + length)
        } else {
            None
        };
        Ok(WavFile {
            input,
            place,
            rate: header.rate,
            channels: usize::from(header.channels),
            storage: header.storage,
            left: header.sound,
            promised: header.sound,
            row,
            block: vec![0; ROWS * row],
        })
    }

    /// Appends the next block of one channel (the first is 0). False at the end.
    pub fn read(&mut self, channel: usize, out: &mut Vec<f32>) -> io::Result<bool> {
        let whole = self
            .left
            .map_or(self.block.len() as u64, |n| n.min(self.block.len() as u64));
        let got = fill(&mut self.input, &mut self.block[..whole as usize])?;
        if let Some(left) = &mut self.left {
            *left -= got as u64;
        }
        let size = self.storage.octets();
        let at = channel * size;
        for row in self.block[..got].chunks_exact(self.row) {
            let sample = self.storage.sample(&row[at..at + size]);
            out.push(sample);
        }
        Ok(got as u64 == whole && got > 0)
    }

    /// Samples of each channel that are there; `None` for a pipe, which only its end tells.
    pub fn samples(&self) -> Option<u64> {
        let place = self.place.as_ref()?;
        Some((place.end - place.start) / self.row as u64)
    }

    /// Goes to a sample of a file of known length; a pipe stays where it is.
    pub fn seek(&mut self, sample: u64) -> io::Result<()> {
        let Some(place) = &self.place else {
            return Ok(());
        };
        let at = place.end.min(place.start + sample * self.row as u64);
        // What the header promised counts from the beginning of the sound.
        self.left = self.promised.map(|n| n.saturating_sub(at - place.start));
        self.input.seek(SeekFrom::Start(at))?;
        Ok(())
    }

    /// The value that no sample exceeds, except in files of floats.
    pub fn full_scale(&self) -> f32 {
        match self.storage {
            Storage::Unsigned8 => 127.0 / 128.0,
            Storage::Signed16 => 32767.0 / 32768.0,
            Storage::Signed24 | Storage::Signed32 | Storage::Float32 => 1.0 - 1e-6,
        }
    }

    /// How much of what the header of a file of known length promised is not there, seconds.
    pub fn missing_s(&self) -> f64 {
        let (Some(promised), Some(samples)) = (self.promised, self.samples()) else {
            return 0.0;
        };
        let promised = promised / self.row as u64;
        promised.saturating_sub(samples) as f64 / f64::from(self.rate)
    }

    /// How much of a file of known length follows behind the sound and is no part of the file that a
    /// reader knows to skip, seconds of sound; 0 for a sound file as it should be.
    pub fn unclaimed_s(&mut self) -> io::Result<f64> {
        let (Some(place), Some(_)) = (self.place.clone(), self.promised) else {
            return Ok(0.0);
        };
        let end = place.end + place.end % 2; // Chunks begin at even places.
        let there = self.input.get_ref().metadata()?.len();
        let Some(left) = there.checked_sub(end + 8) else {
            return Ok(0.0);
        };
        let back = self.input.stream_position()?;
        self.input.seek(SeekFrom::Start(end))?;
        let mut next = [0; 8];
        self.input.read_exact(&mut next)?;
        self.input.seek(SeekFrom::Start(back))?;
        let [a, b, c, d, size @ ..] = next;
        let named = [a, b, c, d].iter().all(|o| (0x20..0x7F).contains(o));
        let fits = u64::from(u32::from_le_bytes(size)) <= left;
        let rows = (left + 8) / self.row as u64;
        Ok(if named && fits {
            0.0
        } else {
            rows as f64 / f64::from(self.rate)
        })
    }

    /// How it ended, once [`read`](WavFile::read) has said so.
    pub fn ending(&self) -> Ending {
        match self.left {
            Some(left) if left >= self.row as u64 => {
                let rows = left as f64 / self.row as f64;
                Ending::Short {
                    missing_s: rows / f64::from(self.rate),
                }
            }
            _ => Ending::Whole,
        }
    }
}

/// Reads until the buffer is full or the file ends.
fn fill(input: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    let mut got = 0;
    while got < buffer.len() {
        match input.read(&mut buffer[got..]) {
            Ok(0) => break,
            Ok(n) => got += n,
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(got)
}

struct Header {
    rate: u32,
    channels: u16,
    storage: Storage,
    /// Octets of sound, if known.
    sound: Option<u64>,
}

impl Header {
    /// Reads as far as the first octet of sound.
    fn read(input: &mut impl Read) -> Result<Header, WavError> {
        let mut start = [0; 12];
        let got = fill(input, &mut start)?;
        let riff = matches!(&start[..4], b"RIFF" | b"RF64");
        if got < 12 && (got < 4 || riff) {
            return Err(if riff {
                WavError::CutInHeader
            } else {
                WavError::NotWav
            });
        }
        if !riff || &start[8..] != b"WAVE" {
            return Err(WavError::NotWav);
        }
        let mut long_sound = None;
        let mut format = None;
        loop {
            let [a, b, c, d, length @ ..] = octets::<8>(input)?;
            let length = u32::from_le_bytes(length);
            match &[a, b, c, d] {
                b"fmt " => format = Some(read_format(input, length)?),
                b"ds64" => {
                    let sizes = octets::<16>(input)?;
                    let [.., e, f, g, h, i, j, k, l] = sizes;
                    long_sound = Some(u64::from_le_bytes([e, f, g, h, i, j, k, l]));
                    skip(input, u64::from(length).saturating_sub(16))?;
                }
                b"data" => {
                    let Some((rate, channels, storage)) = format else {
                        return Err(WavError::BadHeader(
                            "the sound comes before its description",
                        ));
                    };
                    // Nothing stated: recorded to a pipe, or never finished. Read to the end.
                    let known = length > 0 && length < UNKNOWN_LENGTH;
                    let sound = if known {
                        Some(u64::from(length))
                    } else {
                        long_sound
                    };
                    return Ok(Header {
                        rate,
                        channels,
                        storage,
                        sound,
                    });
                }
                _ => skip(input, u64::from(length) + u64::from(length & 1))?,
            }
        }
    }
}

fn octets<const N: usize>(input: &mut impl Read) -> Result<[u8; N], WavError> {
    let mut buffer = [0; N];
    match fill(input, &mut buffer)? {
        n if n == N => Ok(buffer),
        _ => Err(WavError::CutInHeader),
    }
}

fn skip(input: &mut impl Read, length: u64) -> Result<(), WavError> {
    match io::copy(&mut input.take(length), &mut io::sink())? {
        n if n == length => Ok(()),
        _ => Err(WavError::CutInHeader),
    }
}

/// The format chunk: samples per second, channels, storage.
fn read_format(input: &mut impl Read, length: u32) -> Result<(u32, u16, Storage), WavError> {
    if length < 16 {
        return Err(WavError::BadHeader(
            "the description of the sound is too short",
        ));
    }
    let f = octets::<16>(input)?;
    let word = |i: usize| u16::from_le_bytes([f[i], f[i + 1]]);
    let (mut tag, channels, row, bits) = (word(0), word(2), word(12), word(14));
    let rate = u32::from_le_bytes([f[4], f[5], f[6], f[7]]);
    let mut rest = u64::from(length) - 16;
    if tag == EXTENSIBLE && rest >= 24 {
        let extension = octets::<24>(input)?;
        tag = u16::from_le_bytes([extension[8], extension[9]]);
        rest -= 24;
    }
    skip(input, rest + u64::from(length & 1))?;
    if channels == 0 || channels > MOST_CHANNELS {
        return Err(WavError::BadHeader("the number of channels makes no sense"));
    }
    // Fewer bits than fill a sample's octets stand at the upper end, so the octets count.
    let octets = row / channels;
    let storage = match (tag, octets) {
        (PCM, 1) => Storage::Unsigned8,
        (PCM, 2) => Storage::Signed16,
        (PCM, 3) => Storage::Signed24,
        (PCM, 4) => Storage::Signed32,
        (FLOAT, 4) => Storage::Float32,
        (PCM, _) => return Err(WavError::Kind(format!("integers of {bits} bits"))),
        (FLOAT, _) => return Err(WavError::Kind(format!("floats of {bits} bits"))),
        (other, _) => return Err(WavError::Kind(format!("coding 0x{other:04X}"))),
    };
    if row % channels != 0 || u32::from(bits) > 8 * u32::from(octets) {
        return Err(WavError::BadHeader("the size of a sample makes no sense"));
    }
    if !RATES.contains(&rate) {
        return Err(WavError::Rate(rate));
    }
    Ok((rate, channels, storage))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_of_every_storage_reach_from_minus_one_to_one() {
        let cases: [(Storage, &[u8], f32); 10] = [
            (Storage::Unsigned8, &[0], -1.0),
            (Storage::Unsigned8, &[128], 0.0),
            (Storage::Signed16, &[0, 0x80], -1.0),
            (Storage::Signed16, &[0, 0x40], 0.5),
            (Storage::Signed24, &[0, 0, 0x80], -1.0),
            (Storage::Signed24, &[0, 0, 0x40], 0.5),
            (Storage::Signed32, &[0, 0, 0, 0x80], -1.0),
            (Storage::Signed32, &[0, 0, 0, 0xC0], -0.5),
            (Storage::Float32, &[0, 0, 0, 0x3F], 0.5),
            (Storage::Float32, &[0, 0, 0x80, 0xBF], -1.0),
        ];
        for (storage, octets, value) in cases {
            assert_eq!(storage.sample(octets), value, "{storage:?}");
        }
    }

    #[test]
    fn no_header_makes_it_panic() {
        let mut header = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
        header.extend([0x80, 0xBB, 0, 0, 0, 0x77, 1, 0, 2, 0, 16, 0]);
        header.extend(b"data\x04\0\0\0\0\0\0\0");
        assert!(Header::read(&mut header.as_slice()).is_ok());
        for length in 0..header.len() - 4 {
            assert!(Header::read(&mut &header[..length]).is_err());
        }
        for place in 0..header.len() {
            for value in [0, 1, 0x7F, 0x80, 0xFF] {
                let mut broken = header.clone();
                broken[place] = value;
                let _ = Header::read(&mut broken.as_slice());
            }
        }
    }
}
