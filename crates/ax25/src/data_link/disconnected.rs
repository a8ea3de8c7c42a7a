//! State 0, Disconnected (Fig C4.1).

use crate::wire::Control;

use super::config::Version;
use super::event::{Event, Received};
use super::link::{Link, State};
use super::primitives::{DlError, Indication, RefusedReason};

impl Link {
    pub(super) fn in_disconnected(&mut self, event: Event) {
        match event {
            // Layer 3 calls: by the configured way, with fresh timing.
            Event::Connect => {
                self.path.clone_from(&self.config.path);
                self.set_version(self.config.version.min(self.config.call_version));
                self.restore_timing();
                self.establish(true);
            }
            // Nothing to release.
            Event::Disconnect => self.indicate(Indication::DisconnectConfirm),
            // There is no link to carry it.
            Event::Data(piece) => self.refuse(piece, RefusedReason::NotConnected),
            // A bad frame is reported and has no further effect.
            Event::Fault(fault) => self.error(Link::fault_letter(fault)),
            Event::Frame(received) => self.disconnected_frame(received),
            // The transmitter was asked for before the link went down: give it back.
            Event::SeizeConfirm => self.release_transmitter(),
            // Without a link there is no flow, and no timer runs.
            Event::FlowOff | Event::FlowOn | Event::T1 | Event::T3 => {}
        }
    }

    fn disconnected_frame(&mut self, mut received: Received) {
        let pf = received.control.poll_or_final();
        match received.control {
            // The other end calls.
            Control::Sabm { .. } if self.config.accepts_connections => {
                self.accept(&received, Version::V20);
            }
            Control::Sabme { .. }
                if self.config.accepts_connections && self.config.version == Version::V22 =>
            {
                self.accept(&received, Version::V22);
            }
            // It calls for modulo 128: show it that this is a station of version 2.0 (D5).
            Control::Sabme { .. } if self.config.accepts_connections => {
                self.answer_as_version_2_0(&received);
            }
            Control::Xid { .. } if received.is_command => self.answer_as_version_2_0(&received),
            // An answer to nothing, in two ways unexpected.
            Control::Ua { .. } => {
                self.error(DlError::C);
                self.error(DlError::D);
            }
            // UI needs no link; with P=1 it asks whether there is one.
            Control::Ui { .. } => {
                self.check_ui(&mut received);
                if received.is_poll() {
                    self.answer(&received, Control::Dm { f: true }, false);
                }
            }
            // Any other command: there is no link (E9: F := P).
            _ if received.is_command => self.answer(&received, Control::Dm { f: pf }, false),
            // Responses are discarded.
            _ => {}
        }
    }

    /// The other end's call is accepted, by the way it came (D11).
    fn accept(&mut self, received: &Received, version: Version) {
        let f = received.control.poll_or_final();
        self.answer(received, Control::Ua { f }, false);
        self.take_reply_path(received);
        self.clear_exceptions();
        self.start_over(version);
        self.indicate(Indication::ConnectIndication { after_reset: false });
        self.restore_timing();
        self.start_t3();
        self.retry_count = 0;
        self.set_state(State::Connected);
    }
}
