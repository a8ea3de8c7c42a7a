//! The control field (§4.2, Figs 4.1 to 4.4).

/// Size of the sequence numbers of a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Modulo {
    /// Sequence numbers 0 to 7, control field of one octet.
    Eight,
    /// Sequence numbers 0 to 127, control field of I and S frames of two octets.
    OneHundredTwentyEight,
}

impl Modulo {
    /// Highest sequence number; also the mask that reduces a number.
    pub fn mask(self) -> u8 {
        match self {
            Modulo::Eight => 7,
            Modulo::OneHundredTwentyEight => 127,
        }
    }
}

/// A control field. `ns` is N(S), `nr` is N(R): 0 to 7 or 0 to 127 by the link's [`Modulo`].
/// `p` is the poll bit, `f` the final bit, `pf` whichever the frame's role makes it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[allow(missing_docs)] // The fields are explained above, once for all.
pub enum Control {
    /// Information: numbered data. Command only.
    I { ns: u8, nr: u8, p: bool },
    /// Receive Ready.
    Rr { nr: u8, pf: bool },
    /// Receive Not Ready: the sender is busy.
    Rnr { nr: u8, pf: bool },
    /// Reject: send again from N(R) on.
    Rej { nr: u8, pf: bool },
    /// Selective Reject: send frame N(R) again.
    Srej { nr: u8, pf: bool },
    /// Set Asynchronous Balanced Mode: connect, modulo 8. Command.
    Sabm { p: bool },
    /// Set Asynchronous Balanced Mode Extended: connect, modulo 128. Command.
    Sabme { p: bool },
    /// Disconnect. Command.
    Disc { p: bool },
    /// Disconnected Mode. Response.
    Dm { f: bool },
    /// Unnumbered Acknowledge. Response.
    Ua { f: bool },
    /// Frame Reject, of versions before 2.2. Response.
    Frmr { f: bool },
    /// Unnumbered Information.
    Ui { pf: bool },
    /// Exchange Identification.
    Xid { pf: bool },
    /// Test.
    Test { pf: bool },
}

/// P/F bit of a U frame, and of an I or S frame modulo 8.
const PF: u8 = 0x10;

impl Control {
    /// Decodes the control field at the start of `octets`; also gives what follows it.
    /// `None` if octets are missing or the code is not in Fig 4.4.
    pub(super) fn decode(octets: &[u8], modulo: Modulo) -> Option<(Self, &[u8])> {
        let (&first, rest) = octets.split_first()?;
        if first & 0b11 == 0b11 {
            return Some((unnumbered(first)?, rest));
        }
        let (ns, nr, pf, rest) = match modulo {
            Modulo::Eight => ((first >> 1) & 7, first >> 5, first & PF != 0, rest),
            Modulo::OneHundredTwentyEight => {
                let (&second, rest) = rest.split_first()?;
                // The four bits above an S code are always 0 modulo 128 (Fig 4.3b); with one
                // of them set the field is none of the standard's.
                if first & 0xF1 > 0x01 && first & 1 == 1 {
                    return None;
                }
                (first >> 1, second >> 1, second & 1 != 0, rest)
            }
        };
        let control = match first & 0x0F {
            0x01 => Control::Rr { nr, pf },
            0x05 => Control::Rnr { nr, pf },
            0x09 => Control::Rej { nr, pf },
            0x0D => Control::Srej { nr, pf },
            _ => Control::I { ns, nr, p: pf },
        };
        Some((control, rest))
    }

    /// Appends the octets. Sequence numbers are reduced by `modulo`.
    pub(super) fn encode(self, modulo: Modulo, out: &mut Vec<u8>) {
        let (code, nr, pf) = match self {
            Control::I { ns, nr, p } => ((ns & modulo.mask()) << 1, nr, p),
            Control::Rr { nr, pf } => (0x01, nr, pf),
            Control::Rnr { nr, pf } => (0x05, nr, pf),
            Control::Rej { nr, pf } => (0x09, nr, pf),
            Control::Srej { nr, pf } => (0x0D, nr, pf),
            Control::Sabm { p } => return out.push(with_pf(0x2F, p)),
            Control::Sabme { p } => return out.push(with_pf(0x6F, p)),
            Control::Disc { p } => return out.push(with_pf(0x43, p)),
            Control::Dm { f } => return out.push(with_pf(0x0F, f)),
            Control::Ua { f } => return out.push(with_pf(0x63, f)),
            Control::Frmr { f } => return out.push(with_pf(0x87, f)),
            Control::Ui { pf } => return out.push(with_pf(0x03, pf)),
            Control::Xid { pf } => return out.push(with_pf(0xAF, pf)),
            Control::Test { pf } => return out.push(with_pf(0xE3, pf)),
        };
        let nr = nr & modulo.mask();
        match modulo {
            Modulo::Eight => out.push(with_pf(nr << 5 | code, pf)),
            Modulo::OneHundredTwentyEight => out.extend([code, nr << 1 | u8::from(pf)]),
        }
    }

    /// The first octet, modulo 8.
    pub(crate) fn first_octet(self) -> u8 {
        let mut out = Vec::with_capacity(1);
        self.encode(Modulo::Eight, &mut out);
        out.first().copied().unwrap_or(0)
    }

    /// Whether a PID octet follows: in I and UI frames (§3.4).
    pub fn has_pid(self) -> bool {
        matches!(self, Control::I { .. } | Control::Ui { .. })
    }

    /// Whether an information field may follow (§3.5).
    pub fn may_have_info(self) -> bool {
        let others = matches!(self, Control::Frmr { .. } | Control::Xid { .. });
        self.has_pid() || others || matches!(self, Control::Test { .. })
    }

    /// The poll or final bit.
    pub fn poll_or_final(self) -> bool {
        match self {
            Control::I { p: bit, .. }
            | Control::Rr { pf: bit, .. }
            | Control::Rnr { pf: bit, .. }
            | Control::Rej { pf: bit, .. }
            | Control::Srej { pf: bit, .. }
            | Control::Sabm { p: bit }
            | Control::Sabme { p: bit }
            | Control::Disc { p: bit }
            | Control::Dm { f: bit }
            | Control::Ua { f: bit }
            | Control::Frmr { f: bit }
            | Control::Ui { pf: bit }
            | Control::Xid { pf: bit }
            | Control::Test { pf: bit } => bit,
        }
    }

    /// The standard's name of the frame, e.g. `RR`.
    pub fn name(self) -> &'static str {
        match self {
            Control::I { .. } => "I",
            Control::Rr { .. } => "RR",
            Control::Rnr { .. } => "RNR",
            Control::Rej { .. } => "REJ",
            Control::Srej { .. } => "SREJ",
            Control::Sabm { .. } => "SABM",
            Control::Sabme { .. } => "SABME",
            Control::Disc { .. } => "DISC",
            Control::Dm { .. } => "DM",
            Control::Ua { .. } => "UA",
            Control::Frmr { .. } => "FRMR",
            Control::Ui { .. } => "UI",
            Control::Xid { .. } => "XID",
            Control::Test { .. } => "TEST",
        }
    }
}

fn with_pf(code: u8, pf: bool) -> u8 {
    if pf { code | PF } else { code }
}

/// Fig 4.4.
fn unnumbered(octet: u8) -> Option<Control> {
    let pf = octet & PF != 0;
    Some(match octet & !PF {
        0x2F => Control::Sabm { p: pf },
        0x6F => Control::Sabme { p: pf },
        0x43 => Control::Disc { p: pf },
        0x0F => Control::Dm { f: pf },
        0x63 => Control::Ua { f: pf },
        0x87 => Control::Frmr { f: pf },
        0x03 => Control::Ui { pf },
        0xAF => Control::Xid { pf },
        0xE3 => Control::Test { pf },
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn octets(control: Control, modulo: Modulo) -> Vec<u8> {
        let mut out = Vec::new();
        control.encode(modulo, &mut out);
        out
    }

    #[test]
    fn u_codes_are_those_of_fig_4_4() {
        // Fig 4.4, both values of the P/F bit.
        for pf in [false, true] {
            let table = [
                (Control::Sabme { p: pf }, 0x6F, 0x7F),
                (Control::Sabm { p: pf }, 0x2F, 0x3F),
                (Control::Disc { p: pf }, 0x43, 0x53),
                (Control::Dm { f: pf }, 0x0F, 0x1F),
                (Control::Ua { f: pf }, 0x63, 0x73),
                (Control::Frmr { f: pf }, 0x87, 0x97),
                (Control::Ui { pf }, 0x03, 0x13),
                (Control::Xid { pf }, 0xAF, 0xBF),
                (Control::Test { pf }, 0xE3, 0xF3),
            ];
            for (control, off, on) in table {
                let code = if pf { on } else { off };
                assert_eq!(octets(control, Modulo::Eight), [code]);
                assert_eq!(octets(control, Modulo::OneHundredTwentyEight), [code]);
            }
        }
    }

    #[test]
    fn i_and_s_codes_are_those_of_figs_4_1_to_4_3() {
        // Worked out by hand from Figs 4.1a, 4.1b, 4.2 and 4.3.
        let eight = |control| octets(control, Modulo::Eight);
        assert_eq!(
            eight(Control::I {
                ns: 7,
                nr: 1,
                p: true
            }),
            [0x3E]
        );
        assert_eq!(eight(Control::Rr { nr: 5, pf: true }), [0xB1]);
        assert_eq!(eight(Control::Rnr { nr: 0, pf: false }), [0x05]);
        assert_eq!(eight(Control::Rej { nr: 3, pf: false }), [0x69]);
        assert_eq!(eight(Control::Srej { nr: 0, pf: true }), [0x1D]);
        let extended = |control| octets(control, Modulo::OneHundredTwentyEight);
        assert_eq!(
            extended(Control::I {
                ns: 100,
                nr: 27,
                p: true
            }),
            [0xC8, 0x37]
        );
        assert_eq!(extended(Control::Srej { nr: 27, pf: false }), [0x0D, 0x36]);
    }

    #[test]
    fn every_octet_is_refused_or_comes_back() {
        let mut refused = 0;
        for octet in 0..=255 {
            match Control::decode(&[octet], Modulo::Eight) {
                Some((control, rest)) => {
                    assert!(rest.is_empty());
                    assert_eq!(octets(control, Modulo::Eight), [octet]);
                }
                None => refused += 1,
            }
        }
        // 64 codes end in 11; Fig 4.4 names nine of them, each with two values of P/F.
        assert_eq!(refused, 64 - 18);
    }

    #[test]
    fn every_pair_of_octets_modulo_128_is_refused_or_comes_back() {
        let mut accepted = 0;
        for pair in 0..=u16::MAX {
            let pair = pair.to_le_bytes();
            if let Some((control, rest)) = Control::decode(&pair, Modulo::OneHundredTwentyEight) {
                let used = pair.len() - rest.len();
                assert_eq!(octets(control, Modulo::OneHundredTwentyEight), pair[..used]);
                accepted += 1;
            }
        }
        // 128 I, 4 S and 18 U first octets, any second octet.
        assert_eq!(accepted, (128 + 4 + 18) * 256);
        assert_eq!(
            Control::decode(&[0x01], Modulo::OneHundredTwentyEight),
            None
        );
    }
}
