//! What passes between a link and its surroundings (§5, C4.3), in the standard's words.

use std::fmt;

use crate::wire::xid::XidError;
use crate::wire::{Fault, Frame, Modulo};

use super::agreement::Agreement;
use super::link::State;

/// What layer 3 (the station) asks of the link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// DL-CONNECT: connect, or reset the link if it is up.
    Connect,
    /// DL-DISCONNECT: release the link. What is not acknowledged yet is not waited for. Asked
    /// a second time it gives up at once.
    Disconnect,
    /// DL-DATA: send in sequence and until acknowledged.
    Data {
        /// Protocol identifier.
        pid: u8,
        /// At most N1 octets.
        info: Vec<u8>,
    },
    /// DL-UNIT-DATA: send once, without acknowledgement.
    UnitData {
        /// Protocol identifier.
        pid: u8,
        /// At most N1 octets.
        info: Vec<u8>,
    },
    /// DL-FLOW-OFF: take no more data from the other end for now.
    FlowOff,
    /// DL-FLOW-ON: take data again.
    FlowOn,
}

/// Everything that can happen to a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Input {
    /// Layer 3 asks.
    Request(Request),
    /// A frame was received. Frames that are not from the remote end to the local one, or that
    /// have repeaters left to pass, are passed over.
    Frame(Frame),
    /// A frame with good addresses of this link was received whose rest is faulty.
    Faulty(Fault),
    /// LM-SEIZE confirm: this link has the transmitter.
    SeizeConfirm,
    /// PH-BUSY (true) or PH-QUIET (false). T1 and T3 stand still while the channel is busy
    /// (C3.2), with others' transmissions or one's own.
    ChannelBusy(bool),
    /// The owner knows that the other end was heard after everything outstanding had left, on a
    /// channel where only one speaks at a time: what it has not acknowledged by now it has not
    /// got. (Not in the standard, whose links do not know the channel.)
    Missed,
    /// The moment given by [`super::Link::next_wakeup`] has come.
    Wakeup,
}

/// What a link wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// LM-DATA, or LM-EXPEDITED-DATA: send this frame, in the order given.
    Send {
        /// The frame.
        frame: Frame,
        /// To be sent before frames that are not expedited.
        expedited: bool,
        /// How the numbers of I and S frames are to be encoded.
        modulo: Modulo,
    },
    /// LM-SEIZE: wants the transmitter, to acknowledge. Answer with [`Input::SeizeConfirm`]
    /// once frames sent now would go on the air at once.
    SeizeRequest,
    /// LM-RELEASE: has no further use for the transmitter.
    ReleaseRequest,
    /// Something that layer 3 should know.
    Indicate(Indication),
    /// The state changed: for logs and displays.
    StateChanged {
        /// The state before.
        from: State,
        /// The state now.
        to: State,
    },
}

/// What the link tells layer 3.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Indication {
    /// DL-CONNECT indication: the other end has connected; or the link was reset by either end
    /// with data of this end in doubt, see [`super::Link::take_unsent`].
    ConnectIndication {
        /// The link was up before.
        after_reset: bool,
    },
    /// DL-CONNECT confirm: the connection asked for is up.
    ConnectConfirm,
    /// DL-DISCONNECT indication: the link is down, not (or not only) by layer 3's wish.
    DisconnectIndication {
        /// Why.
        reason: DisconnectReason,
    },
    /// DL-DISCONNECT confirm: the link is down as asked.
    DisconnectConfirm,
    /// DL-DATA indication: data from the other end, in sequence, none missing.
    Data {
        /// Protocol identifier.
        pid: u8,
        /// May be empty (§6.4.2).
        info: Vec<u8>,
    },
    /// DL-UNIT-DATA indication: the information of a UI frame.
    UnitData {
        /// Protocol identifier.
        pid: u8,
        /// May be empty.
        info: Vec<u8>,
    },
    /// A request for data was not taken; here it is again. (Not in the standard, which drops
    /// it.)
    DataRefused {
        /// Protocol identifier as requested.
        pid: u8,
        /// Information as requested.
        info: Vec<u8>,
        /// Why.
        reason: RefusedReason,
    },
    /// DL-ERROR indication.
    Error(DlError),
    /// MDL-NEGOTIATE confirm, or what the other end has negotiated: what holds from now on.
    Agreed(Agreement),
    /// MDL-ERROR indication.
    ManagementError(MdlError),
}

/// Why the link went down. Displays as half a sentence, e.g. "there was no answer".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DisconnectReason {
    /// The other end sent DISC.
    ReleasedByPeer,
    /// The other end answered the call with DM.
    Refused,
    /// No answer to any of the N2 calls, nor to a reset of the link.
    NoAnswer,
    /// The other end was connected and fell silent: no answer to N2 enquiries.
    LostContact,
    /// The other end answers, but data did not get through in N2 tries.
    DataNotThrough,
    /// The other end stayed busy and then fell silent.
    LostContactWhileBusy,
    /// The other end sent DM: it holds no such link, having restarted or given up.
    UnknownToPeer,
    /// No answer to any DISC: down at this end, unknown at the other.
    ReleaseUnanswered,
}

impl fmt::Display for DisconnectReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            DisconnectReason::ReleasedByPeer => "the other station ended it",
            DisconnectReason::Refused => "the other station refused",
            DisconnectReason::NoAnswer => "there was no answer",
            DisconnectReason::LostContact => "the other station no longer answers",
            DisconnectReason::DataNotThrough => "the data did not get through in any of the tries",
            DisconnectReason::LostContactWhileBusy => "the other station stayed busy too long",
            DisconnectReason::UnknownToPeer => "the other station no longer knows of it",
            DisconnectReason::ReleaseUnanswered => "the other station did not answer the goodbye",
        })
    }
}

/// Why data was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum RefusedReason {
    /// The link is down or going down.
    NotConnected,
    /// Longer than N1.
    TooLong,
    /// [`super::MAX_QUEUED`] pieces are waiting already.
    QueueFull,
}

impl fmt::Display for RefusedReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            RefusedReason::NotConnected => "not connected",
            RefusedReason::TooLong => "longer than the longest information field",
            RefusedReason::QueueFull => "too much is waiting to be sent",
        })
    }
}

/// DL-ERROR indications (C4.3), by the standard's letters. B, P and V are not raised here.
/// Displays as a plain sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DlError {
    /// F bit set without an open poll.
    A,
    /// Unexpected UA.
    C,
    /// UA without the F bit to a SABM or DISC.
    D,
    /// DM while connected.
    E,
    /// The other end reset the link.
    F,
    /// No answer to the call.
    G,
    /// No answer to the release.
    H,
    /// N2 timeouts with unacknowledged data.
    I,
    /// N(r) out of range.
    J,
    /// Unexpected frame.
    K,
    /// Control field invalid.
    L,
    /// Information field not permitted.
    M,
    /// Frame of wrong length.
    N,
    /// I frame too long.
    O,
    /// UI response.
    Q,
    /// UI frame too long.
    R,
    /// I response.
    S,
    /// N2 timeouts, no answer to the enquiry.
    T,
    /// N2 timeouts, the other end busy.
    U,
    /// Data too long even for segments.
    Y,
    /// Segments that do not follow each other.
    Z,
}

impl DlError {
    /// The standard's letter (C4.3).
    pub fn letter(self) -> char {
        match self {
            DlError::A => 'A',
            DlError::C => 'C',
            DlError::D => 'D',
            DlError::E => 'E',
            DlError::F => 'F',
            DlError::G => 'G',
            DlError::H => 'H',
            DlError::I => 'I',
            DlError::J => 'J',
            DlError::K => 'K',
            DlError::L => 'L',
            DlError::M => 'M',
            DlError::N => 'N',
            DlError::O => 'O',
            DlError::Q => 'Q',
            DlError::R => 'R',
            DlError::S => 'S',
            DlError::T => 'T',
            DlError::U => 'U',
            DlError::Y => 'Y',
            DlError::Z => 'Z',
        }
    }
}

impl fmt::Display for DlError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            DlError::A => "the other station answered an enquiry that was not made",
            DlError::C => "the other station sent UA to nothing that was asked",
            DlError::D => "the other station sent UA without the final bit",
            DlError::E => "the other station says that it is not connected",
            DlError::F => "the other station reset the link",
            DlError::G => "the other station did not answer the call",
            DlError::H => "the other station did not answer the release",
            DlError::I => "data stayed unacknowledged after all tries",
            DlError::J => "the other station acknowledged what was never sent",
            DlError::K => "the other station sent a frame that does not fit here",
            DlError::L => "the other station sent an undefined control field",
            DlError::M => "the other station sent information where none is allowed",
            DlError::N => "the other station sent a frame of the wrong length",
            DlError::O => "the other station sent a longer I frame than allowed",
            DlError::Q => "the other station sent a UI frame marked as response",
            DlError::R => "the other station sent a longer UI frame than allowed",
            DlError::S => "the other station sent an I frame marked as response",
            DlError::T => "the other station did not answer the enquiries",
            DlError::U => "the other station was busy and did not answer the enquiries",
            DlError::Y => "the text is too long even to be sent in parts",
            DlError::Z => "parts of a long text are missing or out of order",
        })
    }
}

/// MDL-ERROR indications (C5.3), by the standard's letters. Displays as a plain sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MdlError {
    /// XID command without the P bit.
    A,
    /// XID response to nothing.
    B,
    /// No answer to any XID.
    C,
    /// XID response without the F bit.
    D,
    /// XID answered with FRMR.
    E,
    /// Not the standard's: an XID that cannot be used.
    Unusable(XidError),
}

impl fmt::Display for MdlError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            MdlError::A => "the other station sent XID without the poll bit",
            MdlError::B => "the other station answered an XID that was not sent",
            MdlError::C => "the other station did not answer XID",
            MdlError::D => "the other station answered XID without the final bit",
            MdlError::E => "the other station does not know XID",
            MdlError::Unusable(error) => {
                return write!(f, "the other station's XID is of no use: {error}");
            }
        })
    }
}
