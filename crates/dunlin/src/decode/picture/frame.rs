//! One frame of a recording, listened to again: its sound and its bits.

use std::path::Path;

use anyhow::Context;
use dunlin_clock::{SampleCount, SampleRate};
use dunlin_framing::encode;
use dunlin_modem::{DemodEvent, Demodulator, Line, ReceiveSettings};

use super::super::found::Found;
use super::super::wav::WavFile;

/// The receiver listens this long before the frame, to settle, and after it, seconds.
const BEFORE_S: f64 = 5.0;
const AFTER_S: f64 = 2.0;
/// Bits on either side of the frame among which it is looked for.
const AROUND: u64 = 24;
/// Bits of a flag.
const FLAG_BITS: usize = 8;

/// A bit of the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bit {
    /// The middle of its symbol, samples from the beginning of the sound.
    pub at: f64,
    /// As it was told: positive for a one.
    pub soft: f32,
    /// Whether the frame has it so.
    pub agrees: bool,
    /// The octet that it belongs to, counted from 0 with the FCS at the end; `None` in flags.
    pub octet: Option<usize>,
}

/// A frame with its sound.
pub struct Heard {
    /// Samples per second.
    pub rate: f64,
    /// The sound, from some time before the frame to some time after it.
    pub samples: Vec<f32>,
    /// Which sample of the recording is the first of these.
    pub first: u64,
    /// The frame's bits, with the flags on both sides.
    pub bits: Vec<Bit>,
}

impl Heard {
    /// Listens to a frame again.
    ///
    /// # Errors
    /// If the file cannot be read, or the mode does not work at its rate.
    pub fn again(
        path: &Path,
        channel: usize,
        (line, rate): (Line, SampleRate),
        found: &Found,
    ) -> anyhow::Result<Self> {
        let mut demodulator = Demodulator::new(line, rate, ReceiveSettings::default())?;
        let seconds = |s: f64| (s * rate.hz_f64()) as u64;
        let first = found.start.saturating_sub(seconds(BEFORE_S));
        let flush = demodulator.delay() as u64 + 1;
        let samples = read(path, channel, first..found.end + seconds(AFTER_S))
            .context("cannot be read again for the picture")?;
        let mut events = Vec::new();
        demodulator.process(&samples, &mut events);
        demodulator.process(&vec![0.0; flush as usize], &mut events);
        let around = AROUND * u64::from(rate.hz()) / u64::from(line.baud());
        let place = (found.start - first).saturating_sub(around)..found.end - first + around;
        Ok(Heard {
            rate: rate.hz_f64(),
            samples,
            first,
            bits: bits(&events, demodulator.branches(), &found.octets, place),
        })
    }
}

fn read(path: &Path, channel: usize, range: std::ops::Range<u64>) -> anyhow::Result<Vec<f32>> {
    let mut file = WavFile::open(path)?;
    file.seek(range.start)?;
    let wanted = (range.end - range.start) as usize;
    let mut samples = Vec::new();
    while samples.len() < wanted && file.read(channel, &mut samples)? {}
    samples.truncate(wanted);
    Ok(samples)
}

/// The bits of the branch that comes nearest to what the frame must have been on the line.
fn bits(
    events: &[DemodEvent],
    branches: usize,
    octets: &[u8],
    place: std::ops::Range<u64>,
) -> Vec<Bit> {
    let sent = encode(&[octets], 1, 1);
    let places = octets_of(&sent);
    let of_branch = |wanted: usize| -> Vec<(u64, f32)> {
        let told = events.iter().filter_map(|event| match event {
            DemodEvent::Bit {
                branch, soft, at, ..
            } if usize::from(*branch) == wanted => {
                let SampleCount(at) = *at;
                place.contains(&at).then_some((at, *soft))
            }
            _ => None,
        });
        told.collect()
    };
    let mut best: Option<(usize, Vec<Bit>)> = None;
    for told in (0..branches).map(of_branch) {
        for shift in 0..(told.len() + 1).saturating_sub(sent.len()) {
            let here = told[shift..].iter().zip(&sent).zip(&places);
            let here = here.map(|(((at, soft), sent), octet)| Bit {
                at: *at as f64,
                soft: *soft,
                agrees: (*soft > 0.0) == *sent,
                octet: *octet,
            });
            let here: Vec<Bit> = here.collect();
            // A flag before may share its first bit with the one before that.
            let wrong = here[FLAG_BITS..].iter().filter(|b| !b.agrees).count();
            if best.as_ref().is_none_or(|(least, _)| wrong < *least) {
                best = Some((wrong, here));
            }
        }
    }
    best.map(|(_, bits)| bits).unwrap_or_default()
}

/// Which octet each bit between two flags belongs to; a stuffed zero goes with the octet that comes
/// (AX.25 v2.2 section 3.6: after five ones).
fn octets_of(sent: &[bool]) -> Vec<Option<usize>> {
    let (mut ones, mut data) = (0, 0);
    let mut place = |n: usize, bit: bool| {
        if n < FLAG_BITS || n + FLAG_BITS >= sent.len() {
            return None;
        }
        let octet = data / 8;
        data += usize::from(ones < 5 || bit);
        ones = if bit { ones + 1 } else { 0 };
        Some(octet)
    };
    sent.iter()
        .enumerate()
        .map(|(n, bit)| place(n, *bit))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_branch_that_read_the_frame_is_found_and_its_wrong_bits_are_marked() {
        let octets = [0xA5; 20];
        let line = encode(&[octets], 3, 3);
        let mut events = Vec::new();
        for (branch, wrong) in [(0, vec![40, 60, 80, 90]), (1, vec![70])] {
            for (n, bit) in line.iter().enumerate() {
                let bit = *bit != wrong.contains(&n);
                events.push(DemodEvent::Bit {
                    branch,
                    soft: if bit { 0.7 } else { -0.7 },
                    at: SampleCount(100 * n as u64),
                    rival: None,
                });
            }
        }
        let found = bits(&events, 2, &octets, 0..u64::MAX);
        assert_eq!(found.len(), line.len() - 4 * FLAG_BITS);
        let wrong: Vec<f64> = found.iter().filter(|b| !b.agrees).map(|b| b.at).collect();
        assert_eq!(wrong, [7000.0]);
        // 22 octets with the FCS; the bit at 70 is 46 behind the last of three flags.
        let octet = |n: usize| found[n].octet;
        assert_eq!((octet(7), octet(8), octet(54)), (None, Some(0), Some(5)));
        assert_eq!(octet(found.len() - FLAG_BITS - 1), Some(21));
    }
}
