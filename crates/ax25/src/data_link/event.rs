//! What the state tables take in.

use crate::wire::{CallSign, Control, Fault, Frame, Role};

use super::link::State;
use super::send_queue::Piece;

/// One row heading of the state tables (C4).
#[derive(Debug)]
pub(super) enum Event {
    Connect,
    Disconnect,
    Data(Piece),
    FlowOff,
    FlowOn,
    SeizeConfirm,
    T1,
    T3,
    Fault(Fault),
    Frame(Received),
}

/// A received frame, as far as the tables look at it.
#[derive(Debug)]
pub(super) struct Received {
    pub(super) control: Control,
    pub(super) is_command: bool,
    /// In I and UI frames; 0 in others.
    pub(super) pid: u8,
    pub(super) info: Vec<u8>,
    /// The way back, if there is one.
    pub(super) reply_path: Option<Vec<CallSign>>,
}

impl Received {
    pub(super) fn new(frame: Frame, state: State) -> Self {
        Received {
            is_command: is_command(&frame, state),
            reply_path: frame.reply_path(),
            control: frame.control,
            pid: frame.pid.unwrap_or(0),
            info: frame.info,
        }
    }

    /// A command with P=1.
    pub(super) fn is_poll(&self) -> bool {
        self.is_command && self.control.poll_or_final()
    }

    /// A response with F=1.
    pub(super) fn is_final(&self) -> bool {
        !self.is_command && self.control.poll_or_final()
    }
}

/// Stations before version 2.0 leave both C bits alike. Then the kind decides (UI: S44), and
/// for S frames what is due: the answer to an open enquiry, else a poll if the bit is set.
/// (This reading is ours.)
fn is_command(frame: &Frame, state: State) -> bool {
    match (frame.role, frame.control) {
        (Role::Command, _) => true,
        (Role::Response, _) => false,
        (_, Control::Dm { .. } | Control::Ua { .. } | Control::Frmr { .. }) => false,
        (
            _,
            Control::Rr { pf, .. }
            | Control::Rnr { pf, .. }
            | Control::Rej { pf, .. }
            | Control::Srej { pf, .. },
        ) => pf && state != State::TimerRecovery,
        _ => true,
    }
}
