//! What Connected and Timer Recovery have in common: together they are the standard's
//! information transfer (§6.4), and the ways out of it.

use dunlin_clock::Duration;

use crate::wire::Control;

use super::config::Version;
use super::event::Received;
use super::link::{Link, State};
use super::primitives::{DisconnectReason, DlError, Indication, Output};
use super::segments::OutOfOrder;
use super::send_queue::Piece;
use super::timers::Timer;

/// TR210, how long the next segment is waited for. The standard asks for a "lengthy" time.
const NEXT_SEGMENT: Duration = Duration::from_secs(600);

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

    /// The receiving half of an I frame (Figs C4.4c, C4.5d).
    fn receive_information(&mut self, received: Received, ns: u8, p: bool) {
        let ahead = ns.wrapping_sub(self.vr) & self.agreed.modulo.mask();
        let Received { pid, info, .. } = received;
        let piece = Piece { pid, info };
        if !self.own_busy && ahead == 0 {
            // In sequence: deliver it and what it was missing for, and see to it that all gets
            // acknowledged.
            self.reject_exception = false;
            self.late_uas = 0;
            self.store.advance();
            self.deliver(piece);
            while let Some(kept) = self.store.take() {
                self.deliver(kept);
            }
            return self.acknowledge_soon(p);
        }
        if !self.own_busy && self.agreed.is_selective() {
            return self.out_of_sequence(ahead, piece, p);
        }
        self.counters.i_discarded += 1;
        if !self.own_busy && !self.reject_exception {
            // Out of sequence, for the first time: ask for what is missing.
            self.reject_exception = true;
            self.reject_left = false;
            self.counters.rejects_sent += 1;
            self.send_response(Control::Rej { nr: self.vr, pf: p });
            self.acknowledge_pending = false; // S39
        } else if p {
            // Busy, or already asked for: answer the poll, no more (S8b: RNR if busy).
            self.send_ready_response(true);
        } else if !self.own_busy && self.reject_left {
            // What was asked for was sent and lost again. REJ is not repeated, but the other end
            // is told where this one stands (D18).
            self.acknowledge_soon(false);
        }
    }

    /// Hands data to layer 3; V(r) moves on.
    fn deliver(&mut self, piece: Piece) {
        self.vr = self.vr.wrapping_add(1) & self.agreed.modulo.mask(); // S38: +1
        self.counters.i_received += 1;
        // The other end may have agreed to segments by an answer that was lost on its way here: their
        // PID tells them (§6.6), whatever this end knows of the agreement.
        if self.config.version == Version::V20 {
            let Piece { pid, info } = piece;
            return self.indicate(Indication::Data { pid, info });
        }
        match self.reassembler.take(piece) {
            Ok(Some(Piece { pid, info })) => self.indicate(Indication::Data { pid, info }),
            Ok(None) => {}
            Err(OutOfOrder) => self.error(DlError::Z),
        }
        match self.reassembler.is_waiting() {
            true => self.timers.start(Timer::T210, self.now, NEXT_SEGMENT),
            false => self.timers.stop(Timer::T210),
        }
    }

    /// Acknowledges: at once if asked with P=1, else when this link has the transmitter.
    fn acknowledge_soon(&mut self, p: bool) {
        if p {
            self.send_ready_response(true);
        } else if !self.acknowledge_pending {
            self.acknowledge_pending = true;
            self.outputs.push_back(Output::SeizeRequest);
        }
    }

    /// An I frame that is `ahead` of V(r), with selective reject (S40).
    fn out_of_sequence(&mut self, ahead: u8, piece: Piece, p: bool) {
        if ahead >= self.agreed.k_receive {
            // Behind V(r): it came already, so the acknowledgement did not get through.
            self.counters.i_discarded += 1;
            return self.acknowledge_soon(p);
        }
        self.counters.i_kept += 1;
        let place = usize::from(ahead);
        if self.store.keep(place, piece) {
            // It was asked for. What was asked for before it has not come: lost again (D12).
            self.store.forget_asked(place);
        }
        if p {
            return self.send_ready_response(true);
        }
        let most = match self.agreed.multiple_srej {
            true => usize::MAX,
            false => usize::from(!self.store.is_asked()),
        };
        for place in self.store.ask(most) {
            self.reject_selectively(place, false);
        }
    }

    /// Answers a poll while frames are kept: asks for all that is missing anew. The final bit
    /// goes with V(r), as it acknowledges all before (§4.3.2.4).
    pub(super) fn ask_for_all_missing(&mut self) {
        self.store.forget_asked(usize::MAX);
        let most = if self.agreed.multiple_srej {
            usize::MAX
        } else {
            1
        };
        for place in self.store.ask(most) {
            self.reject_selectively(place, place == 0);
        }
        self.acknowledge_pending = false;
    }

    fn reject_selectively(&mut self, place: usize, pf: bool) {
        // A place lies within the window, which is below 128.
        let ahead = u8::try_from(place).unwrap_or(0);
        let nr = self.vr.wrapping_add(ahead) & self.agreed.modulo.mask();
        self.counters.rejects_sent += 1;
        self.send_response(Control::Srej { nr, pf });
    }

    /// U frames (Figs C4.4b, C4.5b).
    pub(super) fn unnumbered(&mut self, mut received: Received) {
        match received.control {
            Control::Sabm { .. } => self.reset_by_peer(&received, Version::V20),
            Control::Sabme { .. } if self.config.version == Version::V22 => {
                self.reset_by_peer(&received, Version::V22);
            }
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
            // XID was not understood: no more is asked for than what the link has (S34).
            Control::Frmr { .. } if self.negotiating.is_some() => {
                self.negotiation_refused(&received)
            }
            // A station before version 2.2 saw something wrong (§6.5).
            Control::Frmr { .. } => {
                self.error(DlError::K);
                self.counters.resets += 1;
                self.establish_with(Version::V20, false);
            }
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

    /// SABM or SABME while the link is up: start over (§6.5). In Timer Recovery as in Connected
    /// (S19).
    fn reset_by_peer(&mut self, received: &Received, version: Version) {
        let f = received.control.poll_or_final();
        self.answer(received, Control::Ua { f }, false);
        self.take_reply_path(received);
        // UAs to own SABMs may still be on their way (D4).
        let late_uas = self.late_uas;
        self.clear_exceptions();
        self.late_uas = late_uas;
        self.error(DlError::F);
        self.counters.resets += 1;
        // With nothing in doubt layer 3 need not care, and the queue waits on (D2).
        if self.send.is_begun() {
            self.discard_queue();
            self.indicate(Indication::ConnectIndication { after_reset: true });
        }
        self.start_over(version);
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
            self.counters.i_lost += 1;
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
