//! One end and its person, and what they may do.

use dunlin_ax25::data_link::{
    Indication, Input, Link, LinkConfig, Output, Request, Shape, Version,
};
use dunlin_ax25::wire::Control;
use dunlin_clock::Instant;

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

/// One end's frame that waits for the transmitter.
#[derive(Clone, Debug)]
pub struct Waiting {
    pub control: Control,
    pub octets: Vec<u8>,
    pub generation: u64,
}

/// One end, with the person at it.
#[derive(Clone, Debug)]
pub struct End {
    pub link: Link,
    pub now: Instant,
    pub waiting: Vec<Waiting>,
    pub wants_to_seize: bool,
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

/// What of an end decides how it goes on.
pub type EndKey = (Shape, Vec<(Vec<u8>, bool)>, [u8; 7], Vec<u8>, Vec<u8>);

impl End {
    pub fn new(config: LinkConfig, plan: &Plan, place: usize) -> Self {
        End {
            link: Link::new(config).expect("good configuration"),
            now: Instant::ZERO,
            waiting: Vec::new(),
            wants_to_seize: false,
            connects: plan.connects[place],
            texts: plan.texts[place],
            resets: plan.resets[place],
            disconnects: plan.disconnects[place],
            typed: 0,
            delivered: Vec::new(),
            back: Vec::new(),
        }
    }

    pub fn key(&self) -> EndKey {
        let useful = |w: &Waiting| self.link.has_use_for(w.control, w.generation);
        let waiting = self.waiting.iter().map(|w| (w.octets.clone(), useful(w)));
        let counts = [
            u8::from(self.wants_to_seize),
            self.connects,
            self.texts,
            self.resets,
            self.disconnects,
            self.typed,
            u8::from(self.link.counters().resets > 0),
        ];
        let (delivered, back) = (self.delivered.clone(), self.back.clone());
        (
            self.link.shape(),
            waiting.collect(),
            counts,
            delivered,
            back,
        )
    }

    pub fn handle(&mut self, input: Input) {
        self.link.handle(self.now, input);
        while let Some(output) = self.link.poll() {
            match output {
                Output::Send { frame, modulo, .. } => self.waiting.push(Waiting {
                    control: frame.control,
                    octets: frame.encode_modulo(modulo),
                    generation: self.link.generation(),
                }),
                Output::SeizeRequest => self.wants_to_seize = true,
                Output::ReleaseRequest | Output::StateChanged { .. } => {}
                Output::Indicate(indication) => self.indicated(indication),
            }
        }
    }

    pub fn indicated(&mut self, indication: Indication) {
        match indication {
            Indication::Data { info, .. } => self.delivered.extend(info),
            Indication::DataRefused { info, .. } => self.back.extend(info),
            // After a reset what was certainly not sent is typed again, in its order.
            Indication::ConnectIndication { .. } => {
                for unsent in self.link.take_unsent() {
                    if unsent.was_sent {
                        self.back.extend(unsent.info);
                    } else {
                        self.request_data(unsent.info);
                    }
                }
            }
            Indication::DisconnectIndication { .. } | Indication::DisconnectConfirm => {
                let unsent = self.link.take_unsent();
                self.back.extend(unsent.into_iter().flat_map(|u| u.info));
            }
            _ => {}
        }
    }

    pub fn request_data(&mut self, info: Vec<u8>) {
        let request = Request::Data { pid: 0xF0, info };
        self.link.handle(self.now, Input::Request(request));
    }

    pub fn wants_to_send(&self) -> bool {
        let useful = |w: &Waiting| self.link.has_use_for(w.control, w.generation);
        self.wants_to_seize || self.waiting.iter().any(useful)
    }

    /// All that this end still holds or has given back.
    pub fn known(&self) -> Vec<u8> {
        let mut end = self.clone();
        end.handle(Input::Request(Request::Disconnect));
        end.handle(Input::Request(Request::Disconnect));
        let unsent = end.link.take_unsent();
        end.back.extend(unsent.into_iter().flat_map(|u| u.info));
        end.back
    }
}
