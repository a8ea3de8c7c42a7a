//! A link whose frames wait for a transmitter that is not always free, as the tests that play a
//! half-duplex channel need it.

use dunlin_ax25::data_link::{Indication, Input, Link, LinkConfig, Output};
use dunlin_ax25::wire::{Control, Frame};
use dunlin_clock::Instant;

/// A frame that waits for the transmitter, as octets, and the life of the link that it was made in.
#[derive(Clone, Debug)]
pub struct Waiting {
    pub control: Control,
    pub octets: Vec<u8>,
    pub generation: u64,
}

/// A link with its transmitter and receiver.
#[derive(Clone, Debug)]
pub struct Transceiver {
    pub link: Link,
    pub now: Instant,
    pub waiting: Vec<Waiting>,
    pub wants_to_seize: bool,
}

impl Transceiver {
    pub fn new(config: LinkConfig) -> Self {
        Transceiver {
            link: Link::new(config).expect("good configuration"),
            now: Instant::ZERO,
            waiting: Vec::new(),
            wants_to_seize: false,
        }
    }

    /// Hands an input to the link and gives what it indicates. Frames are kept; each must decode
    /// to what it was.
    pub fn handle(&mut self, input: Input) -> Vec<Indication> {
        self.link.handle(self.now, input);
        let mut indications = Vec::new();
        while let Some(output) = self.link.poll() {
            match output {
                Output::Send { frame, modulo, .. } => {
                    let octets = frame.encode_modulo(modulo);
                    assert_eq!(Frame::decode_modulo(&octets, modulo).as_ref(), Ok(&frame));
                    self.waiting.push(Waiting {
                        control: frame.control,
                        octets,
                        generation: self.link.generation(),
                    });
                }
                Output::SeizeRequest => self.wants_to_seize = true,
                Output::ReleaseRequest | Output::StateChanged { .. } => {}
                Output::Indicate(indication) => indications.push(indication),
            }
        }
        indications
    }

    /// Hears octets, as the port of a station does: read by the modulo of the link, which between
    /// the two SABMs of a call may not be the sender's.
    pub fn hear(&mut self, octets: &[u8]) -> Vec<Indication> {
        match Frame::decode_modulo(octets, self.link.modulo()) {
            Ok(frame) => self.handle(Input::Frame(frame)),
            Err(error) => {
                let fault = error.fault().expect("good addresses");
                self.handle(Input::Faulty(fault))
            }
        }
    }

    pub fn is_useful(&self, waiting: &Waiting) -> bool {
        self.link.has_use_for(waiting.control, waiting.generation)
    }

    pub fn wants_to_send(&self) -> bool {
        self.wants_to_seize || self.waiting.iter().any(|w| self.is_useful(w))
    }

    /// The transmitter is free: all that waits and still means what it meant.
    pub fn burst(&mut self) -> Vec<Vec<u8>> {
        if std::mem::take(&mut self.wants_to_seize) {
            let indications = self.handle(Input::SeizeConfirm);
            assert_eq!(indications, [], "only frames come of it");
        }
        let waiting = std::mem::take(&mut self.waiting).into_iter();
        let useful = waiting.filter(|w| self.link.has_use_for(w.control, w.generation));
        useful.map(|w| w.octets).collect()
    }
}
