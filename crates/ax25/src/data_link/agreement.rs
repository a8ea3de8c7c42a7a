//! What holds on a link: the defaults of its version (§6.3.2), and what XID has changed of them.

use std::fmt;

use dunlin_clock::Duration;

use crate::wire::Modulo;
use crate::wire::xid::{Functions, Parameters, Reject};

use super::config::{LinkConfig, Version};

/// Window of version 2.2 unless XID says otherwise (§6.3.2).
const DEFAULT_EXTENDED_WINDOW: u8 = 32;
/// Window that this end receives modulo 128, and says so by XID. With the default, frames asked for
/// again and again would stop new ones where many are lost.
const RECEIVED_WINDOW: u8 = 64;
/// What XID may set T1 to at most, which is the longest that a link waits in any case.
const LONGEST_T1: Duration = Duration::from_secs(120);

/// What both ends of a link go by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Agreement {
    /// Size of the sequence numbers.
    pub modulo: Modulo,
    /// How missing frames are asked for.
    pub reject: Reject,
    /// Several SREJ may be open.
    pub multiple_srej: bool,
    /// k towards the other end.
    pub k_send: u8,
    /// k from the other end.
    pub k_receive: u8,
    /// N1 towards the other end, octets.
    pub n1_send: usize,
    /// N2.
    pub n2: u8,
    /// T1 is at least this long.
    pub least_t1: Duration,
    /// Long data may be sent in segments.
    pub segmenter: bool,
}

/// In a plain sentence, for notes and displays.
impl fmt::Display for Agreement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let missing = match self.reject {
            Reject::Implicit => "all is sent again from a missing frame on",
            _ => "missing frames are sent again alone",
        };
        write!(
            f,
            "numbers run to {}, {missing}, at most {} frames of {} octets wait for an answer",
            self.modulo.mask(),
            self.k_send,
            self.n1_send
        )
    }
}

impl Agreement {
    /// Set Version 2.0 (Fig C4.7b).
    pub(super) fn version_2_0(config: &LinkConfig) -> Self {
        Agreement {
            modulo: Modulo::Eight,
            reject: Reject::Implicit,
            multiple_srej: false,
            k_send: config.k,
            k_receive: Modulo::Eight.mask(),
            n1_send: config.n1,
            n2: config.n2,
            least_t1: Duration::ZERO,
            segmenter: false,
        }
    }

    /// Set Version 2.2 (Fig C4.7b).
    pub(super) fn version_2_2(config: &LinkConfig) -> Self {
        let reject = wanted_reject(config);
        let modulo = Modulo::OneHundredTwentyEight;
        Agreement {
            modulo,
            reject,
            multiple_srej: config.selective,
            k_send: config.k_extended.min(DEFAULT_EXTENDED_WINDOW),
            k_receive: own_window(modulo, reject),
            ..Agreement::version_2_0(config)
        }
    }

    /// Set Version 2.0 or 2.2.
    pub(super) fn of_version(config: &LinkConfig, version: Version) -> Self {
        match version {
            Version::V20 => Agreement::version_2_0(config),
            Version::V22 => Agreement::version_2_2(config),
        }
    }

    /// Whether missing frames are asked for one by one.
    pub(super) fn is_selective(&self) -> bool {
        self.reject != Reject::Implicit
    }

    /// What is put in an XID command on this link.
    pub(super) fn offer(&self, config: &LinkConfig) -> Parameters {
        let reject = wanted_reject(config);
        Parameters {
            full_duplex: Some(false),
            functions: Some(Functions {
                reject,
                modulo_128: self.modulo == Modulo::OneHundredTwentyEight,
                multiple_srej: config.selective,
                segmenter: true,
            }),
            n1: Some(config.n1),
            k: Some(own_window(self.modulo, reject)),
            // The greater would win for good, whatever is measured later.
            t1_ms: None,
            n2: Some(config.n2),
        }
    }

    /// Takes in what the other end offers or answers; the lesser function and the greater
    /// patience win (§4.3.3.7). The modulo is that of the link, whatever XID says: SABM or SABME
    /// has settled it.
    pub(super) fn take(&mut self, theirs: &Parameters, config: &LinkConfig) {
        if let Some(functions) = theirs.functions {
            self.reject = wanted_reject(config).min(functions.reject);
            self.multiple_srej = config.selective && functions.multiple_srej;
            self.segmenter = functions.segmenter;
        }
        self.k_receive = own_window(self.modulo, self.reject);
        let own = match self.modulo {
            Modulo::Eight => config.k,
            Modulo::OneHundredTwentyEight => config.k_extended,
        };
        let limit = widest(self.modulo, self.reject);
        self.k_send = theirs.k.unwrap_or(self.k_send).min(own).min(limit);
        self.n1_send = theirs.n1.unwrap_or(self.n1_send).min(config.n1);
        self.n2 = theirs.n2.unwrap_or(0).max(config.n2);
        if let Some(ms) = theirs.t1_ms {
            self.least_t1 = Duration::from_millis(ms.into()).min(LONGEST_T1);
        }
    }

    /// The answer to an XID command, after [`Agreement::take`]: what is agreed, and the own
    /// limits in receiving. To a parameter that was absent nothing is said (Fig C5.4).
    pub(super) fn answer(&self, theirs: &Parameters, config: &LinkConfig) -> Parameters {
        let own = self.offer(config);
        Parameters {
            full_duplex: theirs.full_duplex.and(own.full_duplex),
            functions: theirs.functions.map(|_| Functions {
                reject: self.reject,
                modulo_128: self.modulo == Modulo::OneHundredTwentyEight,
                multiple_srej: self.multiple_srej,
                segmenter: self.segmenter,
            }),
            n1: theirs.n1.and(own.n1),
            k: theirs.k.map(|_| self.k_receive),
            t1_ms: theirs.t1_ms,
            n2: theirs.n2.map(|_| self.n2),
        }
    }
}

fn wanted_reject(config: &LinkConfig) -> Reject {
    if config.selective {
        Reject::Selective
    } else {
        Reject::Implicit
    }
}

/// The widest window that cannot be misunderstood. Where frames are kept out of sequence, it is
/// half of the numbers: with more, a frame repeated from before the window has the number of
/// one that is still to come (the standard does not say so; any text on selective repeat does,
/// e.g. Bertsekas and Gallager, Data Networks, section 2.4.2, from memory).
fn widest(modulo: Modulo, reject: Reject) -> u8 {
    match reject {
        Reject::Implicit => modulo.mask(),
        _ => modulo.mask() / 2 + 1,
    }
}

/// The window that this end receives.
fn own_window(modulo: Modulo, reject: Reject) -> u8 {
    let own = match modulo {
        Modulo::Eight => modulo.mask(),
        Modulo::OneHundredTwentyEight => RECEIVED_WINDOW,
    };
    own.min(widest(modulo, reject))
}
