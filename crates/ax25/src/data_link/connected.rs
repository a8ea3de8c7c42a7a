//! State 3, Connected (Figs C4.4a to C4.4c). What it shares with Timer Recovery is in
//! `information.rs`.

use crate::wire::Control;

use super::event::{Event, Received};
use super::link::{Link, State};
use super::primitives::DlError;

impl Link {
    pub(super) fn in_connected(&mut self, event: Event) {
        match event {
            Event::Disconnect => self.release(),
            Event::Data(piece) => self.send.push(piece),
            // Layer 3 wants a fresh start.
            Event::Connect => self.reconnect(),
            Event::FlowOff => self.flow_off(),
            Event::FlowOn => self.flow_on(),
            Event::SeizeConfirm => self.acknowledge_now(),
            // An acknowledgement is overdue: ask for it.
            Event::T1 => self.start_recovery(1),
            // Nothing was heard for long: is the other end still there? (S11: RC := 0)
            Event::T3 => self.start_recovery(0),
            // The other end sends what cannot be read: reset (S10: not by layer 3's wish).
            Event::Fault(fault) => self.reset_link(Link::fault_letter(fault)),
            Event::Frame(received) => self.connected_frame(received),
        }
    }

    fn connected_frame(&mut self, received: Received) {
        match received.control {
            Control::I { ns, nr, p } => self.information(received, ns, nr, p),
            Control::Rr { nr, .. }
            | Control::Rnr { nr, .. }
            | Control::Rej { nr, .. }
            | Control::Srej { nr, .. } => self.connected_supervisory(&received, nr),
            _ => self.unnumbered(received),
        }
    }

    fn connected_supervisory(&mut self, received: &Received, nr: u8) {
        // RNR sets the busy condition, the others clear it (§4.3.2.2).
        self.peer_busy = matches!(received.control, Control::Rnr { .. });
        self.check_need_for_response(received);
        if !self.send.accepts(nr) {
            return self.reset_link(DlError::J);
        }
        match received.control {
            Control::Rej { .. } => self.rejected(nr),
            Control::Srej { pf, .. } => self.selectively_rejected(nr, pf),
            _ => self.check_i_frame_acknowledged(nr),
        }
    }

    /// REJ: everything from N(r) on is to be sent again.
    fn rejected(&mut self, nr: u8) {
        self.counters.rejects_received += 1;
        self.acknowledge(nr);
        self.measure_round_trip(); // S15: before T1 is started
        if self.send.is_settled() {
            self.start_t3(); // D6
        } else {
            self.counters.i_lost += 1;
            self.send.put_back();
            self.answered_in_vain();
        }
    }

    /// What is outstanding did not arrive: all of it is to be sent again without waiting for the
    /// REJ that the next frames would bring, or for T1 (D17). With SREJ it may have been kept.
    pub(super) fn outstanding_missed(&mut self) {
        let sends_all = self.may_send() && !self.agreed.is_selective();
        if sends_all && !self.send.is_settled() && self.oldest_asked < self.agreed.n2 {
            self.counters.i_lost += 1;
            self.send.put_back();
            self.answered_in_vain();
        }
    }

    /// The other end answers, but misses the oldest frame outstanding: T1 starts anew, unless that
    /// was so N2 times without an acknowledgement. Then it runs on, and the tries are counted in
    /// Timer Recovery (D16).
    pub(super) fn answered_in_vain(&mut self) {
        self.oldest_asked = self.oldest_asked.saturating_add(1);
        match self.oldest_asked < self.agreed.n2 {
            true => self.start_t1(),
            false => self.ensure_t1(),
        }
    }

    /// SREJ: frame N(r) alone is to be sent again, with its number (S14). It acknowledges only
    /// with P/F set (§4.3.2.4). It is an answer all the same, so T1 starts anew, as drawn; but
    /// not for ever if the oldest frame never gets through (D16).
    fn selectively_rejected(&mut self, nr: u8, pf: bool) {
        self.counters.rejects_received += 1;
        if pf {
            self.acknowledge(nr);
        }
        if self.send.is_settled() {
            self.start_t3();
        } else {
            self.send_again(nr);
            match self.send.is_oldest(nr) {
                true => self.answered_in_vain(),
                false if self.oldest_asked < self.agreed.n2 => self.start_t1(),
                false => self.ensure_t1(),
            }
        }
    }

    fn start_recovery(&mut self, retry_count: u8) {
        self.retry_count = retry_count;
        self.enquire();
        self.set_state(State::TimerRecovery);
    }
}
