//! The information field of XID (§4.3.3.7, Figs 4.5 and 4.6).
//!
//! What the example of Fig 4.6 has wrong (E14) is not copied: classes of procedures are
//! `21 00`, and exactly one of half and full duplex is set.

use thiserror::Error;

/// FI: general purpose XID information (Fig 4.6).
const FORMAT: u8 = 0x82;
/// GI: parameter negotiation (Fig 4.6).
const GROUP: u8 = 0x80;

const CLASSES: u8 = 2;
const FUNCTIONS: u8 = 3;
const N1_RECEIVE: u8 = 6;
const K_RECEIVE: u8 = 8;
const T1: u8 = 9;
const N2: u8 = 10;

// Bits of the classes of procedures.
const BALANCED: u32 = 1;
const HALF_DUPLEX: u32 = 1 << 5;
const FULL_DUPLEX: u32 = 1 << 6;

// Bits of the optional functions.
const REJ: u32 = 1 << 1;
const SREJ: u32 = 1 << 2;
const MODULO_8: u32 = 1 << 10;
const MODULO_128: u32 = 1 << 11;
const MULTIPLE_SREJ: u32 = 1 << 21;
const SEGMENTER: u32 = 1 << 22;
/// Extended address, TEST, FCS of 16 bits, synchronous: always set.
const ALWAYS: u32 = 1 << 7 | 1 << 13 | 1 << 15 | 1 << 17;

/// How missing frames are asked for, the lesser first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reject {
    /// REJ: everything again from the missing frame on.
    Implicit,
    /// SREJ: the missing frame alone.
    Selective,
    /// Either, as suits.
    SelectiveAndImplicit,
}

/// Optional functions (PI 3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Functions {
    /// How missing frames are asked for.
    pub reject: Reject,
    /// Modulo 128 is known.
    pub modulo_128: bool,
    /// Several SREJ may be open.
    pub multiple_srej: bool,
    /// Long data may be sent in segments.
    pub segmenter: bool,
}

/// The parameters of an XID. What is absent stays as it is (E18).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Parameters {
    /// Full duplex (true) or half.
    pub full_duplex: Option<bool>,
    /// Optional functions.
    pub functions: Option<Functions>,
    /// N1: the longest information field that its sender takes, octets.
    pub n1: Option<usize>,
    /// k: the window that its sender receives, 1 to 127.
    pub k: Option<u8>,
    /// T1, milliseconds.
    pub t1_ms: Option<u32>,
    /// N2: tries.
    pub n2: Option<u8>,
}

/// Why an XID cannot be read. What was read before is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum XidError {
    /// Another format or group than AX.25's.
    #[error("its format and group are not those of AX.25")]
    Format,
    /// The lengths do not fit.
    #[error("its lengths do not fit what follows them")]
    Length,
    /// A parameter stands twice.
    #[error("parameter {0} stands in it twice")]
    Twice(u8),
    /// A value that contradicts itself or means nothing.
    #[error("parameter {0} contradicts itself or means nothing")]
    Value(u8),
}

impl Parameters {
    /// Reads an information field. An empty one has no parameters (§4.3.3.7: the defaults).
    ///
    /// # Errors
    /// [`XidError`]; the sender is at fault.
    pub fn decode(info: &[u8]) -> Result<Self, XidError> {
        let mut out = Parameters::default();
        let (mut rest, long) = match info {
            [] => return Ok(out),
            [FORMAT, GROUP, high, low, rest @ ..] => {
                (rest, usize::from(u16::from_be_bytes([*high, *low])))
            }
            [FORMAT, GROUP, ..] => return Err(XidError::Length),
            _ => return Err(XidError::Format),
        };
        if rest.len() != long {
            return Err(XidError::Length);
        }
        let mut seen = [false; 256];
        while let [pi, length, after @ ..] = rest {
            let (value, next) = after
                .split_at_checked(usize::from(*length))
                .ok_or(XidError::Length)?;
            rest = next;
            if std::mem::replace(&mut seen[usize::from(*pi)], true) {
                return Err(XidError::Twice(*pi));
            }
            // Length 0: the default, which is what is in force.
            if !value.is_empty() {
                out.take(*pi, value)?;
            }
        }
        if rest.is_empty() {
            Ok(out)
        } else {
            Err(XidError::Length)
        }
    }

    /// Takes one parameter. One that is not known is passed over.
    fn take(&mut self, pi: u8, value: &[u8]) -> Result<(), XidError> {
        let nothing = XidError::Value(pi);
        match pi {
            CLASSES => {
                let bits = bits(value);
                let (half, full) = (bits & HALF_DUPLEX != 0, bits & FULL_DUPLEX != 0);
                if bits & BALANCED == 0 || half == full {
                    return Err(nothing);
                }
                self.full_duplex = Some(full);
            }
            FUNCTIONS => {
                let bits = bits(value);
                let reject = match (bits & REJ != 0, bits & SREJ != 0) {
                    (false, false) => return Err(nothing),
                    (true, false) => Reject::Implicit,
                    (false, true) => Reject::Selective,
                    (true, true) => Reject::SelectiveAndImplicit,
                };
                let (eight, extended) = (bits & MODULO_8 != 0, bits & MODULO_128 != 0);
                if eight == extended {
                    return Err(nothing);
                }
                self.functions = Some(Functions {
                    reject,
                    modulo_128: extended,
                    multiple_srej: bits & MULTIPLE_SREJ != 0,
                    segmenter: bits & SEGMENTER != 0,
                });
            }
            N1_RECEIVE => {
                let octets = number(value).ok_or(nothing)? / 8;
                self.n1 = Some(
                    usize::try_from(octets)
                        .ok()
                        .filter(|&n| n > 0)
                        .ok_or(nothing)?,
                );
            }
            K_RECEIVE => {
                let k = number(value).ok_or(nothing)?;
                self.k = Some(
                    u8::try_from(k)
                        .ok()
                        .filter(|k| (1..=127).contains(k))
                        .ok_or(nothing)?,
                );
            }
            T1 => self.t1_ms = Some(number(value).filter(|&ms| ms > 0).ok_or(nothing)?),
            N2 => {
                let tries = number(value).ok_or(nothing)?;
                self.n2 = Some(u8::try_from(tries).ok().filter(|&n| n > 0).ok_or(nothing)?);
            }
            _ => {}
        }
        Ok(())
    }

    /// The information field.
    pub fn encode(&self) -> Vec<u8> {
        let mut body = Vec::with_capacity(32);
        if let Some(full) = self.full_duplex {
            let bits = BALANCED | if full { FULL_DUPLEX } else { HALF_DUPLEX };
            body.extend([CLASSES, 2]);
            body.extend(&bits.to_le_bytes()[..2]);
        }
        if let Some(functions) = self.functions {
            let mut bits = ALWAYS;
            bits |= match functions.reject {
                Reject::Implicit => REJ,
                Reject::Selective => SREJ,
                Reject::SelectiveAndImplicit => REJ | SREJ,
            };
            bits |= if functions.modulo_128 {
                MODULO_128
            } else {
                MODULO_8
            };
            if functions.multiple_srej {
                bits |= MULTIPLE_SREJ;
            }
            if functions.segmenter {
                bits |= SEGMENTER;
            }
            body.extend([FUNCTIONS, 3]);
            body.extend(&bits.to_le_bytes()[..3]);
        }
        let mut put = |pi: u8, value: u32, least: usize| {
            let octets = value.to_be_bytes();
            let zeros = (value.leading_zeros() / 8) as usize;
            let octets = &octets[zeros.min(4 - least)..];
            body.extend([pi, octets.len() as u8]);
            body.extend(octets);
        };
        if let Some(n1) = self.n1 {
            put(N1_RECEIVE, u32::try_from(n1 * 8).unwrap_or(u32::MAX), 2);
        }
        if let Some(k) = self.k {
            put(K_RECEIVE, k.into(), 1);
        }
        if let Some(ms) = self.t1_ms {
            put(T1, ms, 2);
        }
        if let Some(n2) = self.n2 {
            put(N2, n2.into(), 1);
        }
        let long = u16::try_from(body.len()).unwrap_or(u16::MAX).to_be_bytes();
        [&[FORMAT, GROUP, long[0], long[1]], &body[..]].concat()
    }
}

/// A bit field (type E): bits 0 to 7 in the first octet. What lies beyond four octets is not
/// looked at.
fn bits(value: &[u8]) -> u32 {
    let octets = value.iter().take(4).enumerate();
    octets.fold(0, |bits, (n, &octet)| bits | u32::from(octet) << (8 * n))
}

/// A number (type B): the high octet first. `None` if it is beyond 32 bits.
fn number(value: &[u8]) -> Option<u32> {
    value.iter().try_fold(0_u32, |number, &octet| {
        number.checked_mul(256).map(|n| n | u32::from(octet))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fig 4.6 as corrected (E14): half duplex, REJ and SREJ with several, modulo 128, N1 of
    /// 1024 bits, k 2, T1 4096 ms, N2 3.
    const FIGURE: [u8; 27] = [
        0x82, 0x80, 0x00, 0x17, 0x02, 0x02, 0x21, 0x00, 0x03, 0x03, 0x86, 0xA8, 0x22, 0x06, 0x02,
        0x04, 0x00, 0x08, 0x01, 0x02, 0x09, 0x02, 0x10, 0x00, 0x0A, 0x01, 0x03,
    ];

    fn figure() -> Parameters {
        Parameters {
            full_duplex: Some(false),
            functions: Some(Functions {
                reject: Reject::SelectiveAndImplicit,
                modulo_128: true,
                multiple_srej: true,
                segmenter: false,
            }),
            n1: Some(128),
            k: Some(2),
            t1_ms: Some(4096),
            n2: Some(3),
        }
    }

    #[test]
    fn the_example_of_fig_4_6_is_read_and_written() {
        assert_eq!(Parameters::decode(&FIGURE), Ok(figure()));
        assert_eq!(figure().encode(), FIGURE);
        // As printed its optional functions are 82 A8 22: REJ without SREJ, which its caption
        // has otherwise (E14).
        let mut printed = FIGURE;
        printed[10] = 0x82;
        let functions = Parameters::decode(&printed).expect("readable").functions;
        assert_eq!(functions.map(|f| f.reject), Some(Reject::Implicit));
        // And classes 22 00 lack the balanced class.
        printed[6] = 0x22;
        assert_eq!(Parameters::decode(&printed), Err(XidError::Value(2)));
    }

    #[test]
    fn absent_default_and_unknown_parameters_change_nothing() {
        assert_eq!(Parameters::decode(&[]), Ok(Parameters::default()));
        let field = [0x82, 0x80, 0, 7, 6, 0, 77, 2, 1, 2, 8];
        assert_eq!(Parameters::decode(&field), Err(XidError::Length));
        let field = [0x82, 0x80, 0, 6, 6, 0, 77, 2, 1, 2];
        assert_eq!(Parameters::decode(&field), Ok(Parameters::default()));
    }

    #[test]
    fn contradictions_are_named() {
        let decode = |body: &[u8]| {
            let head = [0x82, 0x80, 0, body.len() as u8];
            Parameters::decode(&[&head, body].concat())
        };
        assert_eq!(decode(&[8, 1, 0]), Err(XidError::Value(8)));
        assert_eq!(decode(&[8, 1, 128]), Err(XidError::Value(8)));
        assert_eq!(decode(&[8, 1, 4, 8, 1, 5]), Err(XidError::Twice(8)));
        assert_eq!(decode(&[2, 2, 0x61, 0]), Err(XidError::Value(2)));
        assert_eq!(decode(&[3, 3, 0x82, 0xAC, 2]), Err(XidError::Value(3)));
        assert_eq!(decode(&[3, 3, 0x80, 0xA8, 2]), Err(XidError::Value(3)));
        assert_eq!(decode(&[6, 1, 7]), Err(XidError::Value(6)));
        assert_eq!(decode(&[9, 5, 1, 0, 0, 0, 0]), Err(XidError::Value(9)));
        assert_eq!(decode(&[10, 1, 0]), Err(XidError::Value(10)));
        assert_eq!(decode(&[9, 9]), Err(XidError::Length));
        assert_eq!(Parameters::decode(&[0x82]), Err(XidError::Format));
        assert_eq!(Parameters::decode(&[1, 2, 3, 4]), Err(XidError::Format));
        assert_eq!(Parameters::decode(&[0x82, 0x80, 0]), Err(XidError::Length));
    }
}
