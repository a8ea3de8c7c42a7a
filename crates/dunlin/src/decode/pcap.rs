//! Frames of a recording as a capture file. A recording knows no date: its beginning stands as
//! second 0.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use dunlin_clock::SampleRate;
use dunlin_framing::kiss::KissPort;

use super::found::Found;
use crate::pcap::{Packet, header};

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
        let hz = u64::from(rate.hz());
        let packet = Packet {
            seconds: (found.start / hz) as u32,
            micros: (found.start % hz * 1_000_000 / hz) as u32,
            port: KissPort::default(),
            octets: &found.octets,
            missing: 0,
        };
        self.out.write_all(&packet.record())?;
        self.out.flush()
    }
}
