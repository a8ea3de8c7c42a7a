//! Octets to frames, as they come in: any piece of the stream at a time.
//!
//! Source: [K] sections 2 and 3, named at the top of this module. Where the paper leaves a
//! choice, it is marked *reading*.

use super::{Command, FEND, FESC, Frame, TFEND, TFESC};

/// The longest content that is taken when nothing else is said, in octets. [K] section 5 asks
/// for at least 1024; this leaves room for stations with a larger N1.
pub const DEFAULT_LONGEST: usize = 2048;

/// Something in the stream that was no frame, or not wholly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Problem {
    /// Octets before the first [`FEND`] of the stream. Reading: nothing before it can be a
    /// frame.
    Stray {
        /// How many.
        octets: u64,
    },
    /// An escape was followed by this octet. It is left out and the frame goes on ([K]
    /// section 3: no action is taken and frame assembly continues; that the escape is over
    /// then is a reading).
    BadEscape {
        /// The octet behind [`FESC`]; [`FEND`] if the frame ended there.
        octet: u8,
    },
    /// A frame longer than the limit was dropped as a whole.
    TooLong {
        /// Octets of its content, escapes undone.
        octets: u64,
    },
}

/// What a [`Decoder`] found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Decoded {
    /// A frame.
    Frame(Frame),
    /// Something else.
    Problem(Problem),
}

/// Finds frames in a stream of octets. It keeps at most one frame of at most the longest
/// content, however long the stream.
#[derive(Clone, Debug)]
pub struct Decoder {
    longest: usize,
    /// Content of the frame so far; never more than `longest`.
    pub(super) octets: Vec<u8>,
    /// Octets of the content so far, also those beyond the limit.
    length: u64,
    /// The frame's first octet.
    type_octet: Option<u8>,
    escaped: bool,
    bad_escapes: u32,
    /// A FEND has been seen.
    in_step: bool,
}

impl Default for Decoder {
    fn default() -> Self {
        Decoder::new(DEFAULT_LONGEST)
    }
}

impl Decoder {
    /// A decoder that waits for its first [`FEND`] and takes at most `longest` octets of
    /// content in a frame.
    pub fn new(longest: usize) -> Self {
        Decoder {
            longest,
            octets: Vec::new(),
            length: 0,
            type_octet: None,
            escaped: false,
            bad_escapes: 0,
            in_step: false,
        }
    }

    /// Forgets the stream, as after a line was opened anew.
    pub fn reset(&mut self) {
        *self = Decoder::new(self.longest);
    }

    /// Everything that follows from these octets, in order. To be drained; what is not
    /// drained is not decoded.
    pub fn decode<'a>(&'a mut self, octets: &'a [u8]) -> impl Iterator<Item = Decoded> + 'a {
        octets.iter().filter_map(|&octet| self.step(octet))
    }

    /// Takes in one octet.
    #[inline]
    pub fn step(&mut self, octet: u8) -> Option<Decoded> {
        if octet == FEND {
            return self.end();
        }
        if !self.in_step {
            self.length += 1;
            return None;
        }
        if self.escaped {
            self.escaped = false;
            match octet {
                TFEND => self.append(FEND),
                TFESC => self.append(FESC),
                other => {
                    self.bad_escapes = self.bad_escapes.saturating_add(1);
                    return Some(Decoded::Problem(Problem::BadEscape { octet: other }));
                }
            }
        } else if octet == FESC {
            self.escaped = true;
        } else {
            self.append(octet);
        }
        None
    }

    #[inline]
    fn append(&mut self, octet: u8) {
        if self.type_octet.is_none() {
            self.type_octet = Some(octet);
            return;
        }
        self.length += 1;
        if self.octets.len() < self.longest {
            self.octets.push(octet);
        }
    }

    /// A FEND: the end of a frame, the beginning of one, or both.
    fn end(&mut self) -> Option<Decoded> {
        let length = std::mem::take(&mut self.length);
        let octets = std::mem::take(&mut self.octets);
        let bad_escapes = std::mem::take(&mut self.bad_escapes);
        let was_escaped = std::mem::take(&mut self.escaped);
        let type_octet = self.type_octet.take();
        if !std::mem::replace(&mut self.in_step, true) {
            return (length > 0).then_some(Decoded::Problem(Problem::Stray { octets: length }));
        }
        if length > octets.len() as u64 {
            return Some(Decoded::Problem(Problem::TooLong { octets: length }));
        }
        let Some(type_octet) = type_octet else {
            // Frame ends in a row are one. An escape in between was none.
            return was_escaped.then_some(Decoded::Problem(Problem::BadEscape { octet: FEND }));
        };
        let (command, port) = Command::of_type_octet(type_octet);
        Some(Decoded::Frame(Frame {
            port,
            command,
            octets,
            bad_escapes: bad_escapes.saturating_add(u32::from(was_escaped)),
        }))
    }
}
