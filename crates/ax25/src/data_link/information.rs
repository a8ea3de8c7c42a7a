//! What Connected and Timer Recovery have in common: together they are the standard's
//! information transfer (§6.4), and the ways out of it.

use crate::wire::Control;

use super::event::Received;
use super::link::{Link, State};
use super::primitives::{DisconnectReason, DlError, Indication, Output};

impl Link {
    /// An I frame (Figs C4.4c, C4.5c).
    pub(super) fn information(&mut self, received: Received, ns: u8, nr: u8, p: bool) {
        if !received.is_command {
            return self.error(DlError::S); // S16: discard, stay
        }
        if received.info.len() > self.config.n1 {
            return self.reset_link(DlError::O);
        }
        if !self.send.accepts(nr) {
            return self.reset_link(DlError::J);
        }
        match self.state {
            State::TimerRecovery => self.acknowledge_in_recovery(nr), // D8
            _ => self.check_i_frame_acknowledged(nr),
        }
        self.receive_information(received, ns, p);
    }

    /// The receiving half of an I frame (Figs C4.4c, C4.5d), with implicit reject.
    fn receive_information(&mut self, received: Received, ns: u8, p: bool) {
        if !self.own_busy && ns == self.vr {
            // In sequence: deliver, and see to it that it gets acknowledged.
            self.vr = self.vr.wrapping_add(1) & 7; // S38: +1
            self.reject_exception = false;
            self.late_uas = 0;
            self.counters.i_received += 1;
            let Received { pid, info, .. } = received;
            self.indicate(Indication::Data { pid, info });
            if p {
                self.send_ready_response(true);
            } else if !self.acknowledge_pending {
                self.acknowledge_pending = true;
                self.outputs.push_back(Output::SeizeRequest);
            }
            return;
        }
        self.counters.i_discarded += 1;
        if !self.own_busy && !self.reject_exception {
            // Out of sequence, for the first time: ask for what is missing.
            self.reject_exception = true;
            self.counters.rejects_sent += 1;
            self.send_response(Control::Rej { nr: self.vr, pf: p });
            self.acknowledge_pending = false; // S39
        } else if p {
            // Busy, or already asked for: answer the poll, no more (S8b: RNR if busy).
            self.send_ready_response(true);
        }
    }

    /// U frames (Figs C4.4b, C4.5b).
    pub(super) fn unnumbered(&mut self, mut received: Received) {
        match received.control {
            Control::Sabm { .. } => self.reset_by_peer(&received),
            // It has lost this link and calls modulo 128 (D5).
            Control::Sabme { .. } => self.answer_as_version_2_0(&received),
            Control::Xid { .. } if received.is_command => self.answer_as_version_2_0(&received),
            // The other end releases the link. (S13: all timers stop.)
            Control::Disc { p } => {
                self.answer(&received, Control::Ua { f: p }, false);
                self.go_down(DisconnectReason::ReleasedByPeer);
            }
            // The other end knows of no link.
            Control::Dm { .. } => {
                self.error(DlError::E);
                self.go_down(DisconnectReason::UnknownToPeer);
            }
            // The answer to an earlier SABM of the same call (D4).
            Control::Ua { f: true } if self.late_uas > 0 => self.late_uas -= 1,
            // The ends are out of step (S12: letter C).
            Control::Ua { .. } => self.reset_link(DlError::C),
            // A station before version 2.2 saw something wrong (§6.5).
            Control::Frmr { .. } => self.reset_link(DlError::K),
            Control::Ui { .. } => {
                self.check_ui(&mut received);
                if received.is_poll() {
                    self.send_ready_response(true);
                }
            }
            // XID and TEST responses answer nothing that was asked.
            _ => {}
        }
    }

    /// SABM while the link is up: start over (§6.5). In Timer Recovery as in Connected (S19).
    fn reset_by_peer(&mut self, received: &Received) {
        let f = received.control.poll_or_final();
        self.answer(received, Control::Ua { f }, false);
        self.take_reply_path(received);
        self.clear_exceptions();
        self.error(DlError::F);
        self.counters.resets += 1;
        // With nothing in doubt layer 3 need not care, and the queue waits on (D2).
        if self.send.in_doubt() > 0 {
            self.discard_queue();
            self.indicate(Indication::ConnectIndication { after_reset: true });
        }
        self.restart_numbers();
        self.retry_count = 0;
        self.start_t3();
        self.set_state(State::Connected);
    }

    /// DL-CONNECT while the link is up: discard everything and start over.
    pub(super) fn reconnect(&mut self) {
        self.discard_queue();
        self.counters.resets += 1;
        self.establish(true);
    }

    /// Sends DISC and awaits the answer.
    pub(super) fn release(&mut self) {
        self.disconnect_wanted = false;
        self.discard_queue();
        self.retry_count = 0;
        self.generation += 1;
        self.send_command(Control::Disc { p: true });
        self.start_t1();
        self.set_state(State::AwaitingRelease);
    }

    /// Goes down without waiting for an answer, telling the other end (S6). DM is unsolicited
    /// here, so F=0 (§6.3.6.3).
    pub(super) fn abandon(&mut self) {
        self.disconnect_wanted = false;
        self.discard_queue();
        self.send_expedited_response(Control::Dm { f: false });
        self.indicate(Indication::DisconnectConfirm);
        self.set_state(State::Disconnected);
    }

    /// The link is down, and layer 3 did not ask for it.
    pub(super) fn go_down(&mut self, reason: DisconnectReason) {
        self.discard_queue();
        self.indicate(Indication::DisconnectIndication { reason });
        self.set_state(State::Disconnected);
    }

    /// DL-FLOW-OFF: nothing more can be taken (S8: if it could before).
    pub(super) fn flow_off(&mut self) {
        if !self.own_busy {
            self.own_busy = true;
            self.send_ready_response(false);
        }
    }

    /// DL-FLOW-ON: go on; as a poll, so that it cannot be lost unnoticed (S9).
    pub(super) fn flow_on(&mut self) {
        if self.own_busy {
            self.own_busy = false;
            self.send_poll();
            self.ensure_t1();
        }
    }

    /// LM-SEIZE confirm: acknowledge, unless an I frame has done so, and let go.
    pub(super) fn acknowledge_now(&mut self) {
        if self.acknowledge_pending {
            self.send_ready_response(false);
        }
        self.release_transmitter();
    }

    pub(super) fn release_transmitter(&mut self) {
        self.outputs.push_back(Output::ReleaseRequest);
    }

    /// Sends the outstanding I frame `ns` again by itself, with the present N(r).
    pub(super) fn send_again(&mut self, ns: u8) {
        if let Some(piece) = self.send.outstanding_piece(ns) {
            self.send_i(ns, piece, true);
        }
    }

    /// An accepted SABM sets the way (D11).
    pub(super) fn take_reply_path(&mut self, received: &Received) {
        if let Some(path) = &received.reply_path {
            self.path.clone_from(path);
        }
    }
}
