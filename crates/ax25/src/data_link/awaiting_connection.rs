//! State 1, Awaiting Connection (Fig C4.2): SABM is sent, UA or DM is awaited. And state 5,
//! Awaiting v2.2 Connection (Figs C4.6a, C4.6b): the same with SABME.

use crate::wire::Control;

use super::config::Version;
use super::event::{Event, Received};
use super::link::{Link, State};
use super::primitives::{DisconnectReason, DlError, Indication};
use super::send_queue::Unsent;

impl Link {
    pub(super) fn in_awaiting_connection(&mut self, event: Event) {
        match event {
            // Asked a second time: give up at once, as S6 does in Awaiting Release.
            Event::Disconnect if self.disconnect_wanted => self.abandon(),
            // Wait for the answer, then release (D1).
            Event::Disconnect => self.disconnect_wanted = true,
            // What waits is not for this call any more.
            Event::Connect => {
                self.discard_queue();
                self.layer_3_initiated = true;
                self.disconnect_wanted = false;
            }
            // The link is being reset with older data in doubt: keep to its order.
            Event::Data(piece) if self.reset_in_doubt && !self.layer_3_initiated => {
                let (pid, info) = (piece.pid, piece.info);
                self.unsent.push(Unsent {
                    pid,
                    info,
                    was_sent: false,
                });
            }
            // It waits until the link is up (S2: as drawn it would be lost).
            Event::Data(piece) => self.send.push(piece),
            // Nobody wants this connection any more: no further SABM (D1).
            Event::T1 if self.disconnect_wanted => self.release(),
            // No answer in any of the tries.
            Event::T1 if self.retry_count >= self.agreed.n2 => {
                self.error(DlError::G);
                self.go_down(DisconnectReason::NoAnswer);
            }
            // No answer: call again.
            Event::T1 => {
                self.retry_count += 1;
                // Of the answers that were still due all but the last would have come by now.
                self.late_refusals = self.late_refusals.min(1);
                self.send_command(self.call_command());
                self.back_off_t1();
                self.start_t1();
            }
            Event::Fault(fault) => self.error(Link::fault_letter(fault)),
            Event::Frame(received) => self.awaiting_connection_frame(received),
            // The transmitter was asked for before the link was reset: give it back.
            Event::SeizeConfirm => self.release_transmitter(),
            // Flow starts with the link; T3 does not run.
            Event::FlowOff | Event::FlowOn | Event::T3 => {}
        }
    }

    fn awaiting_connection_frame(&mut self, mut received: Received) {
        let pf = received.control.poll_or_final();
        match received.control {
            // The answer to another SABME than the one that was refused; if it is UA, the other end
            // counts modulo 128 until it hears the SABM (D19).
            Control::Ua { f: true } | Control::Dm { f: true } | Control::Frmr { .. }
                if self.late_refusals > 0 =>
            {
                self.late_refusals -= 1;
            }
            // The call is accepted.
            Control::Ua { f: true } => self.called_and_answered(),
            Control::Ua { f: false } => self.error(DlError::D),
            // SABME is not known (S27: version 2.0 before the next call), or refused, which some
            // stations of version 2.0 do with what they do not know (D14).
            Control::Frmr { .. } | Control::Dm { f: true } if self.is_extended() => {
                let calls = self.retry_count;
                self.restore_timing();
                self.establish_with(Version::V20, self.layer_3_initiated);
                self.late_refusals = calls - 1;
            }
            // The call is refused.
            Control::Dm { f: true } => self.go_down(DisconnectReason::Refused),
            // Not an answer to this SABM (§6.3.6.3).
            Control::Dm { f: false } => {}
            // It knows, or wants, version 2.0: the next call is SABM (Fig C4.6b).
            Control::Sabm { .. } if self.is_extended() => {
                self.answer(&received, Control::Ua { f: pf }, false);
                self.set_version(Version::V20);
                self.set_state(State::AwaitingConnection);
                // If it still answers the SABMEs, it counts modulo 128 from then on.
                self.late_refusals = self.retry_count;
            }
            // Both ends call at once, and by the same command (D15).
            Control::Sabm { .. } => self.calls_met(&received),
            Control::Sabme { .. } if self.is_extended() => self.calls_met(&received),
            // It calls modulo 128 (S3, with FRMR in place of DM: D5).
            Control::Sabme { .. } => self.answer_as_version_2_0(&received),
            Control::Disc { .. } => self.answer(&received, Control::Dm { f: pf }, false),
            Control::Ui { .. } => {
                self.check_ui(&mut received);
                if received.is_poll() {
                    self.answer(&received, Control::Dm { f: true }, false);
                }
            }
            // Everything else is ignored (§6.3.1; FRMR too, S5).
            _ => {}
        }
    }

    /// State 5, not state 1.
    fn is_extended(&self) -> bool {
        self.state == State::AwaitingExtendedConnection
    }

    /// Establishes the link by another version than was tried.
    pub(super) fn establish_with(&mut self, version: Version, layer_3_initiated: bool) {
        let in_doubt = self.reset_in_doubt || self.send.is_begun();
        if self.send.is_begun() {
            self.discard_queue();
        }
        self.set_version(version);
        self.establish(layer_3_initiated);
        self.reset_in_doubt = in_doubt;
    }

    /// UA with F=1: the link is up.
    fn called_and_answered(&mut self) {
        // Only the answer to a SABM that was sent once tells the round trip (S4, S20).
        if self.retry_count == 1 {
            self.measure_round_trip();
        }
        self.connection_made(self.retry_count - 1);
    }

    /// The other end sent the same command: it wants the link too, so with the answer to it the
    /// link is up. Each of the own calls may still be answered.
    fn calls_met(&mut self, received: &Received) {
        let f = received.control.poll_or_final();
        self.answer(received, Control::Ua { f }, false);
        self.take_reply_path(received);
        self.connection_made(self.retry_count);
    }

    /// The link is up; so many UAs may still come.
    fn connection_made(&mut self, late_uas: u8) {
        self.late_uas = late_uas;
        self.retry_count = 0;
        self.restart_numbers();
        self.start_t3();
        if self.layer_3_initiated {
            self.indicate(Indication::ConnectConfirm);
        } else if self.reset_in_doubt {
            // Drawn as confirm, of which layer 3 could make nothing (S4).
            self.indicate(Indication::ConnectIndication { after_reset: true });
        }
        let extended = self.is_extended();
        self.set_state(State::Connected);
        if extended {
            self.negotiate();
        }
    }
}
