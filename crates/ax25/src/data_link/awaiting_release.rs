//! State 2, Awaiting Release (Fig C4.3): DISC is sent, UA or DM is awaited.

use crate::wire::Control;

use super::event::{Event, Received};
use super::link::{Link, State};
use super::primitives::{DisconnectReason, DlError, Indication, RefusedReason};

impl Link {
    pub(super) fn in_awaiting_release(&mut self, event: Event) {
        match event {
            // Asked a second time: give up at once (S6).
            Event::Disconnect => self.abandon(),
            // The link is going down.
            Event::Data(piece) => self.refuse(piece, RefusedReason::NotConnected),
            // No answer in any of the tries (S7: letter H).
            Event::T1 if self.retry_count >= self.agreed.n2 => {
                self.error(DlError::H);
                self.go_down(DisconnectReason::ReleaseUnanswered);
            }
            // No answer: say it again.
            Event::T1 => {
                self.retry_count += 1;
                self.send_command(Control::Disc { p: true });
                self.back_off_t1();
                self.start_t1();
            }
            Event::Fault(fault) => self.error(Link::fault_letter(fault)),
            Event::Frame(received) => self.awaiting_release_frame(received),
            // The transmitter was asked for while the link was up: give it back.
            Event::SeizeConfirm => self.release_transmitter(),
            // Too late, or too early: layer 3 asks again once the link is down.
            Event::Connect | Event::FlowOff | Event::FlowOn | Event::T3 => {}
        }
    }

    fn awaiting_release_frame(&mut self, mut received: Received) {
        let pf = received.control.poll_or_final();
        match received.control {
            // The other end agrees, or knew of no link.
            Control::Ua { f: true } | Control::Dm { f: true } => self.released(),
            Control::Ua { f: false } => self.error(DlError::D),
            Control::Dm { f: false } => {}
            // It wants to connect just now: not before this link is down.
            Control::Sabm { .. } | Control::Sabme { .. } => {
                self.answer(&received, Control::Dm { f: pf }, true);
            }
            // Both ends release at once (§6.3.6.2).
            Control::Disc { .. } => self.answer(&received, Control::Ua { f: pf }, true),
            Control::Ui { .. } => {
                self.check_ui(&mut received);
                if received.is_poll() {
                    self.answer(&received, Control::Dm { f: true }, false);
                }
            }
            // It has not heard the DISC yet, and asks: the link is gone.
            Control::I { .. }
            | Control::Rr { .. }
            | Control::Rnr { .. }
            | Control::Rej { .. }
            | Control::Srej { .. }
                if received.is_poll() =>
            {
                self.answer(&received, Control::Dm { f: true }, false);
            }
            // Everything else is ignored.
            _ => {}
        }
    }

    /// UA or DM has come: the link is down as asked.
    fn released(&mut self) {
        self.indicate(Indication::DisconnectConfirm);
        self.set_state(State::Disconnected);
    }
}
