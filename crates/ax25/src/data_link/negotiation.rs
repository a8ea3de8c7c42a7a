//! The management data link (C5): XID.

use crate::wire::xid::Parameters;
use crate::wire::{Control, Frame, Modulo};

use super::agreement::Agreement;
use super::config::Version;
use super::event::Received;
use super::link::{Link, State};
use super::primitives::{Indication, MdlError, RefusedReason};
use super::timers::Timer;

/// Octets of information in the FRMR of a station that counts modulo 8.
const FRMR_MODULO_8: usize = 3;

impl Link {
    /// MDL-NEGOTIATE request: sends what this end can, and awaits the answer.
    pub(super) fn negotiate(&mut self) {
        self.negotiating = Some(1);
        self.send_offer();
    }

    fn send_offer(&mut self) {
        let offer = self.agreed.offer(&self.config);
        let frame = Frame {
            info: offer.encode(),
            ..self.command(Control::Xid { pf: true })
        };
        self.send_frame(frame, false);
        self.timers.start(Timer::T201, self.now, self.t1v);
    }

    /// TM201: no answer to XID (S33: still Negotiating).
    pub(super) fn negotiation_overdue(&mut self) {
        match self.negotiating {
            Some(tries) if tries < self.agreed.n2 => {
                self.negotiating = Some(tries + 1);
                self.send_offer();
            }
            Some(_) => {
                self.forget_negotiation();
                self.management_error(MdlError::C);
            }
            None => {}
        }
    }

    /// XID was answered with FRMR: the other end does not know it, so whatever it would have
    /// settled is as in version 2.0, but for the modulo, which SABME has settled. A FRMR of the
    /// three octets of modulo 8 shows that it has not: what came as the answer to SABME was a late
    /// one to an older SABM. SABM brings the ends together before any text is sent (D19).
    pub(super) fn negotiation_refused(&mut self, received: &Received) {
        let extended = self.agreed.modulo == Modulo::OneHundredTwentyEight;
        if extended && received.info.len() == FRMR_MODULO_8 {
            self.forget_negotiation();
            self.management_error(MdlError::E);
            return self.establish_with(Version::V20, false);
        }
        let modulo = self.agreed.modulo;
        let k_send = self.agreed.k_send;
        self.agreed = Agreement {
            modulo,
            k_send,
            k_receive: modulo.mask(),
            ..Agreement::version_2_0(&self.config)
        };
        self.store.clear();
        self.forget_negotiation();
        self.management_error(MdlError::E);
        self.indicate(Indication::Agreed(self.agreed));
    }

    /// Whatever was being negotiated is so no more.
    pub(super) fn forget_negotiation(&mut self) {
        self.negotiating = None;
        self.timers.stop(Timer::T201);
    }

    /// XID, a command or a response.
    pub(super) fn xid(&mut self, received: &Received) {
        let theirs = match Parameters::decode(&received.info) {
            Ok(theirs) => theirs,
            Err(error) => {
                self.management_error(MdlError::Unusable(error));
                // Answered with nothing agreed, it need not be sent again.
                if received.is_poll() {
                    let frame = self.answer_frame(received, Control::Xid { pf: true });
                    self.send_frame(frame, false);
                }
                return;
            }
        };
        if received.is_command {
            self.xid_command(received, &theirs);
        } else if !received.is_final() {
            self.management_error(MdlError::D);
        } else if self.negotiating.is_none() {
            self.management_error(MdlError::B);
        } else {
            self.forget_negotiation();
            self.take_agreement(&theirs);
        }
    }

    /// Answered in any state (E17), also while this end negotiates: as drawn, two that ask each
    /// other would wait for each other.
    fn xid_command(&mut self, received: &Received, theirs: &Parameters) {
        if !received.is_poll() {
            return self.management_error(MdlError::A);
        }
        let answer = if matches!(self.state, State::Connected | State::TimerRecovery) {
            self.take_agreement(theirs);
            self.agreed.answer(theirs, &self.config)
        } else {
            // There is no link that it could be for: what would be agreed is told.
            let mut would = self.agreed;
            would.take(theirs, &self.config);
            would.answer(theirs, &self.config)
        };
        let frame = Frame {
            info: answer.encode(),
            ..self.answer_frame(received, Control::Xid { pf: true })
        };
        self.send_frame(frame, false);
    }

    fn take_agreement(&mut self, theirs: &Parameters) {
        let before = self.agreed;
        self.agreed.take(theirs, &self.config);
        if self.agreed == before {
            return;
        }
        if self.agreed.reject != before.reject {
            self.store.clear();
            self.reject_exception = false;
        }
        self.t1v = self.t1v.max(self.agreed.least_t1);
        for piece in self.send.take_too_long(self.agreed.n1_send) {
            self.refuse(piece, RefusedReason::TooLong);
        }
        self.indicate(Indication::Agreed(self.agreed));
    }

    fn management_error(&mut self, error: MdlError) {
        self.indicate(Indication::ManagementError(error));
    }
}
