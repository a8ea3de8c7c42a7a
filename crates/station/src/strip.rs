//! The strips: what occupied each channel, block by block.

use std::collections::VecDeque;

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{AddressField, Repeater};
use dunlin_clock::Instant;
use dunlin_modem::Line;

use crate::event::{Block, BlockKind, GuessView, PortId, ms};
use crate::port::{FecReport, Guess, HeardOn, ReceptionReport};
use crate::words;

/// Blocks kept for a snapshot of each port.
const MOST: usize = 300;
/// Above this signal-to-noise ratio a frame that is not read is more likely spoiled by a
/// second sender than by noise. Common practice, no source; the textbook receivers lose
/// hardly any frame to noise alone above it.
const STRONG_DB: f32 = 12.0;

/// The latest blocks of all strips.
#[derive(Debug, Default)]
pub(crate) struct Strips {
    blocks: VecDeque<Block>,
    next_id: u64,
}

impl Strips {
    /// Adds a block and returns it as an event carries it.
    pub(crate) fn add(&mut self, mut block: Block) -> Block {
        block.id = self.next_id;
        self.next_id += 1;
        let of_port = self.blocks.iter().filter(|b| b.port == block.port).count();
        if of_port >= MOST
            && let Some(oldest) = self.blocks.iter().position(|b| b.port == block.port)
        {
            self.blocks.remove(oldest);
        }
        self.blocks.push_back(block.clone());
        block
    }

    /// Ends a block that lasted until `at`. `None` if it has left the strip meanwhile.
    pub(crate) fn end(&mut self, id: u64, at: Instant) -> Option<Block> {
        let block = self.blocks.iter_mut().rev().find(|b| b.id == id)?;
        block.end_ms = Some(ms(at));
        Some(block.clone())
    }

    /// A frame of our own was cut off, or not even begun, when the key was released at `at`.
    pub(crate) fn break_off(&mut self, id: u64, at: Instant) -> Option<Block> {
        let block = self.blocks.iter_mut().rev().find(|b| b.id == id)?;
        let begun = block.start_ms < ms(at);
        block.end_ms = Some(ms(at).max(block.start_ms));
        let why = match begun {
            true => "broken off: the key was released",
            false => "not sent: the key was released before",
        };
        block.why = Some(match &block.why {
            Some(before) => format!("{why}; {before}"),
            None => why.to_owned(),
        });
        Some(block.clone())
    }

    /// All blocks kept, oldest first.
    pub(crate) fn blocks(&self) -> Vec<Block> {
        self.blocks.iter().cloned().collect()
    }
}

/// An empty block; [`Strips::add`] numbers it.
pub(crate) fn blank(port: PortId, kind: BlockKind, start: Instant, end: Option<Instant>) -> Block {
    Block {
        id: 0,
        port,
        kind,
        start_ms: ms(start),
        end_ms: end.map(ms),
        from: String::new(),
        to: String::new(),
        via: Vec::new(),
        what: String::new(),
        text: String::new(),
        octets: Vec::new(),
        level_dbfs: None,
        offset_hz: None,
        twist_db: None,
        snr_db: None,
        why: None,
        line: None,
        heard_on: None,
        guess: None,
    }
}

/// Fills in who, to whom and what.
pub(crate) fn describe(block: &mut Block, octets: &[u8]) {
    block.octets = octets.to_vec();
    if let Ok(frame) = Frame::decode_overheard(octets) {
        block.from = frame.source.to_string();
        block.to = frame.destination.to_string();
        block.via = path(&frame.repeaters);
        block.what = words::purpose(&frame);
        block.text = frame.to_string();
    } else if let Ok((field, _)) = AddressField::decode(octets) {
        block.from = field.source.to_string();
        block.to = field.destination.to_string();
        block.via = path(&field.repeaters);
        block.what = "a kind not in the standard".into();
        block.text = format!("{} > {} : unknown control field", block.from, block.to);
    }
}

fn path(repeaters: &[Repeater]) -> Vec<String> {
    repeaters
        .iter()
        .map(|r| {
            format!(
                "{}{}",
                r.address,
                if r.has_been_repeated { "*" } else { "" }
            )
        })
        .collect()
}

/// Fills in what was measured.
pub(crate) fn measured(block: &mut Block, report: &ReceptionReport) {
    block.level_dbfs = Some(report.level_dbfs);
    block.offset_hz = report.offset_hz;
    block.twist_db = report.twist_db;
    block.snr_db = report.snr_db;
    block.why = report.fec.map(corrected).or_else(|| repaired(report));
}

/// Fills in by which line and on which inputs a frame was heard. `own` is the line with which
/// the port sends.
pub(crate) fn heard_by(block: &mut Block, line: Line, own: Line, heard_on: Option<HeardOn>) {
    block.line = Some(line.to_string());
    block.heard_on = heard_on;
    let other = (line != own).then(|| format!("heard at {line}; this port sends at {own}"));
    let together = heard_on
        .filter(|on| !on.first && !on.second)
        .map(|_| "neither input alone could read it, both together could".to_owned());
    let all: Vec<String> = [block.why.take(), other, together]
        .into_iter()
        .flatten()
        .collect();
    block.why = (!all.is_empty()).then(|| all.join("; "));
}

/// Adds a guess at what could not be read. Who sent it stays unknown: it is no frame.
pub(crate) fn guessed(block: &mut Block, guess: &Guess) {
    let why = block.why.take().unwrap_or_default();
    let (text, sure) = (guess.text(), guess.how_sure());
    block.why = Some(format!("{why}; a guess at it: {text} ({sure})"));
    block.guess = Some(GuessView {
        from: guess.from(),
        text,
        octets: guess.octets().to_vec(),
        doubtful: guess.doubtful(),
        address: guess.address(),
    });
}

/// That a frame was repaired, and how sure it is, for people.
fn repaired(report: &ReceptionReport) -> Option<String> {
    let bits = match report.repaired_bits {
        0 => return None,
        1 => "1 bit was".to_owned(),
        n => format!("{n} bits were"),
    };
    // Never "100 %": a repaired frame is never certain.
    let sure = report.confidence.map(|c| (100.0 * c).min(99.9));
    let sure = sure.map(|c| format!("; right with {c:.1} % certainty"));
    Some(format!(
        "repaired: {bits} read otherwise until the frame check was right{}",
        sure.unwrap_or_default()
    ))
}

/// That a frame was read with help, for people.
fn corrected(fec: FecReport) -> String {
    let octets = match fec.corrected_octets {
        0 => "no octet was wrong".into(),
        1 => "1 wrong octet was corrected".into(),
        n => format!("{n} wrong octets were corrected"),
    };
    format!(
        "read by forward error correction (FX.25 tag {:02X}): {octets}",
        fec.tag
    )
}

/// Why tones are shown that never became a frame.
pub(crate) fn why_tones(sentence: &str) -> String {
    format!("no frame came of {sentence}")
}

/// Why a frame could probably not be read, with the evidence.
pub(crate) fn why_unreadable(reason: &str, snr_db: Option<f32>) -> String {
    match snr_db {
        Some(snr) if snr >= STRONG_DB => format!(
            "{reason}; {snr:.0} dB above the noise would be enough, so probably two stations sent at once"
        ),
        Some(snr) => {
            format!("{reason}; only {snr:.0} dB above the noise: too weak, or two stations at once")
        }
        None => reason.to_owned(),
    }
}
