//! One end and its person, and what they may do.

use dunlin_ax25::data_link::{Indication, Input, LinkConfig, Request, Shape, Version};

use crate::half_duplex::Transceiver;

/// What is explored.
#[derive(Clone, Debug)]
pub struct Plan {
    pub versions: [Version; 2],
    pub selective: bool,
    pub k: u8,
    pub n2: u8,
    /// No timer ends while an end waits for the transmitter: T1 is long enough for an answer. If
    /// not, calls and answers cross, and frames go on the air that were overtaken.
    pub patient: bool,
    /// Texts that have passed before the exploration begins, so that numbers run over.
    pub before: u8,
    pub connects: [u8; 2],
    pub texts: [u8; 2],
    pub resets: [u8; 2],
    pub disconnects: [u8; 2],
}

impl Plan {
    pub fn new(version: Version, k: u8) -> Self {
        Plan {
            versions: [version; 2],
            selective: true,
            k,
            n2: 2,
            patient: true,
            before: 0,
            connects: [1, 0],
            texts: [2, 0],
            resets: [0; 2],
            disconnects: [0; 2],
        }
    }
}

/// One end, with the person at it.
#[derive(Clone, Debug)]
pub struct End {
    pub at: Transceiver,
    /// What the person may still do.
    pub connects: u8,
    pub texts: u8,
    pub resets: u8,
    pub disconnects: u8,
    pub typed: u8,
    pub delivered: Vec<u8>,
    /// Came back and was not typed again: the person knows.
    pub back: Vec<u8>,
}

/// What of an end decides how it goes on: see [`End::key`].
pub type EndKey = (Shape, Vec<Vec<u8>>, [u8; 6], [bool; 2]);

impl End {
    pub fn new(config: LinkConfig, plan: &Plan, place: usize) -> Self {
        End {
            at: Transceiver::new(config),
            connects: plan.connects[place],
            texts: plan.texts[place],
            resets: plan.resets[place],
            disconnects: plan.disconnects[place],
            typed: 0,
            delivered: Vec::new(),
            back: Vec::new(),
        }
    }

    /// Ends that agree in this (and pairs of ends that agree besides in [`crate::Pair::accounted`])
    /// do the same from here on, and have the same properties. Left out is
    ///
    /// * what waits and means nothing any more: the generation of a link only grows, so it will
    ///   never mean anything again, and it is never sent;
    /// * how exactly it came to what was delivered: whether it was in order and without gaps is
    ///   kept, as the order of what comes next depends on the last only;
    /// * how many were typed: as many as there were, less those that are left.
    pub fn key(&self) -> EndKey {
        let useful = self.at.waiting.iter().filter(|w| self.at.is_useful(w));
        let counts = [
            self.connects,
            self.texts,
            self.resets,
            self.disconnects,
            u8::from(self.at.wants_to_seize) << 1 | u8::from(self.at.link.counters().resets > 0),
            self.delivered.last().copied().unwrap_or(0),
        ];
        (
            self.at.link.shape(),
            useful.map(|w| w.octets.clone()).collect(),
            counts,
            [self.is_in_order(), self.is_gapless()],
        )
    }

    /// What was delivered is in order, and none twice.
    pub fn is_in_order(&self) -> bool {
        self.delivered.is_sorted_by(|one, next| one < next)
    }

    /// What was delivered is all up to the last of it, in order.
    pub fn is_gapless(&self) -> bool {
        self.delivered.iter().zip(1..).all(|(&text, n)| text == n)
    }

    pub fn handle(&mut self, input: Input) {
        for indication in self.at.handle(input) {
            self.indicated(indication);
        }
    }

    pub fn hear(&mut self, octets: &[u8]) {
        for indication in self.at.hear(octets) {
            self.indicated(indication);
        }
    }

    fn indicated(&mut self, indication: Indication) {
        match indication {
            Indication::Data { info, .. } => self.delivered.extend(info),
            Indication::DataRefused { info, .. } => self.back.extend(info),
            // After a reset what was certainly not sent is typed again, in its order.
            Indication::ConnectIndication { .. } => {
                for unsent in self.at.link.take_unsent() {
                    if unsent.was_sent {
                        self.back.extend(unsent.info);
                    } else {
                        self.request_data(unsent.info);
                    }
                }
            }
            // It asked for a fresh start itself, or the link is down: all comes back.
            Indication::ConnectConfirm
            | Indication::DisconnectIndication { .. }
            | Indication::DisconnectConfirm => {
                let unsent = self.at.link.take_unsent();
                self.back.extend(unsent.into_iter().flat_map(|u| u.info));
            }
            _ => {}
        }
    }

    pub fn request_data(&mut self, info: Vec<u8>) {
        let request = Request::Data { pid: 0xF0, info };
        self.handle(Input::Request(request));
    }

    /// All that this end still holds or has given back.
    pub fn known(&self) -> Vec<u8> {
        let mut end = self.clone();
        end.handle(Input::Request(Request::Disconnect));
        end.handle(Input::Request(Request::Disconnect));
        let unsent = end.at.link.take_unsent();
        end.back.extend(unsent.into_iter().flat_map(|u| u.info));
        end.back
    }
}
