//! State 4, Timer Recovery (Figs C4.5a to C4.5e): the link is up, an answer is overdue, and
//! the other end was asked with P=1 where it stands. T1 always runs in this state.

use crate::wire::Control;

use super::event::{Event, Received};
use super::link::{Link, State};
use super::primitives::{DisconnectReason, DlError};

impl Link {
    pub(super) fn in_timer_recovery(&mut self, event: Event) {
        match event {
            Event::Disconnect => self.release(),
            Event::Data(piece) => self.send.push(piece),
            // Layer 3 wants a fresh start (S17: and awaits it in state 1).
            Event::Connect => self.reconnect(),
            Event::FlowOff => self.flow_off(),
            Event::FlowOn => self.flow_on(),
            Event::SeizeConfirm => self.acknowledge_now(),
            // No answer in any of the tries.
            Event::T1 if self.retry_count >= self.agreed.n2 => self.recovery_failed(),
            // No answer: ask again, with more patience (S23).
            Event::T1 => {
                self.retry_count += 1;
                self.back_off_t1();
                self.enquire();
            }
            // The other end sends what cannot be read: reset (S10, S17).
            Event::Fault(fault) => self.reset_link(Link::fault_letter(fault)),
            Event::Frame(received) => self.timer_recovery_frame(received),
            // T3 does not run here.
            Event::T3 => {}
        }
    }

    fn timer_recovery_frame(&mut self, received: Received) {
        match received.control {
            Control::I { ns, nr, p } => self.information(received, ns, nr, p),
            Control::Rr { nr, .. }
            | Control::Rnr { nr, .. }
            | Control::Rej { nr, .. }
            | Control::Srej { nr, .. } => {
                // RNR sets the busy condition, the others clear it (§4.3.2.2).
                self.peer_busy = matches!(received.control, Control::Rnr { .. });
                if received.is_final() {
                    self.enquiry_answered(&received, nr);
                } else {
                    self.supervisory_unasked(&received, nr);
                }
            }
            _ => self.unnumbered(received),
        }
    }

    /// A response with F=1: the other end says where it stands.
    fn enquiry_answered(&mut self, received: &Received, nr: u8) {
        self.finals_due = self.finals_due.saturating_sub(1);
        // Karn's rule (S20): the answer to a repeated enquiry tells no round trip.
        if self.enquiry_open && !self.enquiry_repeated {
            self.measure_round_trip();
        }
        self.enquiry_open = false;
        if !self.send.accepts(nr) {
            return self.reset_link(DlError::J);
        }
        self.acknowledge_in_recovery(nr);
        // V(s) = V(a). Frames that a REJ has put back meanwhile are outstanding all the same,
        // unless the other end is busy: then they wait for it in Connected.
        if self.send.is_settled() && (self.peer_busy || self.send.in_doubt() == 0) {
            self.retry_count = 0;
            self.start_t3();
            return self.set_state(State::Connected);
        }
        match received.control {
            // SREJ: the one frame (S24).
            Control::Srej { .. } => {
                self.counters.rejects_received += 1;
                self.send_again(nr);
            }
            // Everything from there on. (S21, S39: the I frames clear AP, nothing sets it.)
            control => {
                let is_reject = matches!(control, Control::Rej { .. });
                self.counters.rejects_received += u64::from(is_reject);
                // Had it kept any of what came after it would have answered with SREJ.
                self.counters.i_lost += match self.agreed.is_selective() {
                    true => u64::from(self.send.in_doubt()),
                    false => 1,
                };
                self.send.put_back();
            }
        }
        self.start_t1();
    }

    /// An S frame that does not answer the enquiry. It acknowledges, but T1 runs on (§6.4.11).
    fn supervisory_unasked(&mut self, received: &Received, nr: u8) {
        if received.is_poll() {
            self.send_ready_response(true);
        }
        if !self.send.accepts(nr) {
            return self.reset_link(DlError::J); // S22: tested whether polled or not
        }
        match received.control {
            Control::Rej { .. } => {
                self.counters.rejects_received += 1;
                self.acknowledge_in_recovery(nr);
                if !self.send.is_settled() {
                    self.counters.i_lost += 1;
                    self.send.put_back();
                    self.answered_in_vain();
                }
            }
            Control::Srej { pf, .. } => {
                self.counters.rejects_received += 1;
                if pf {
                    self.acknowledge_in_recovery(nr);
                }
                self.send_again(nr); // S24: this frame only
            }
            _ => self.acknowledge_in_recovery(nr),
        }
    }

    /// V(a) := N(r). Progress begins the counting of tries anew (D3).
    pub(super) fn acknowledge_in_recovery(&mut self, nr: u8) {
        if self.acknowledge(nr) {
            self.retry_count = 0;
        }
    }

    /// N2 tries without progress: the link is given up (E21: as drawn, no reset).
    fn recovery_failed(&mut self) {
        let (error, reason) = match (self.send.is_settled(), self.peer_busy) {
            (false, _) if self.enquiry_open => (DlError::I, DisconnectReason::LostContact),
            (false, _) => (DlError::I, DisconnectReason::DataNotThrough),
            (true, true) => (DlError::U, DisconnectReason::LostContactWhileBusy),
            (true, false) => (DlError::T, DisconnectReason::LostContact),
        };
        self.error(error);
        // Unsolicited, so F=0 (§6.3.6.3).
        self.send_response(Control::Dm { f: false });
        self.go_down(reason);
    }
}
