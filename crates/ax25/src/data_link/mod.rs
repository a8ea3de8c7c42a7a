//! The data-link machine of the standard (C4) for one link, with its management (C5) and its
//! segmenter (C6).
//!
//! [`Link`] is pure: hand it an [`Input`] with the time, then take every [`Output`] until there
//! is none, then note the next wake-up.
//!
//! ```
//! use dunlin_ax25::data_link::{Input, Link, LinkConfig, Output, Request, State};
//! use dunlin_clock::Instant;
//!
//! let mut link = Link::new(LinkConfig::new("QA1SKY".parse()?, "QM3BAR".parse()?))?;
//! link.handle(Instant::ZERO, Input::Request(Request::Connect));
//! let mut lines = Vec::new();
//! while let Some(output) = link.poll() {
//!     if let Output::Send { frame, .. } = output {
//!         lines.push(frame.to_string());
//!     }
//! }
//! assert_eq!(lines, ["QA1SKY > QM3BAR : SABM poll"]);
//! assert_eq!(link.state(), State::AwaitingConnection);
//! assert!(link.next_wakeup().is_some(), "T1 runs");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! Frames may wait for the transmitter after they were put out. Before one is sent, ask
//! [`Link::has_use_for`] whether it still means what it meant.
//!
//! # Where it departs from the figures
//!
//! The figures hold known slips; each place where this machine does otherwise says so:
//! `S…` and `E…` in comments are this project's list of them (`docs/ax25-reading.md`, with the
//! reading taken here), `D…` are its own decisions:
//!
//! * D1: a disconnect asked for while connecting waits, as drawn (Fig C4.2), but no further
//!   SABM is sent for a connection that nobody wants: at T1 the link sends DISC instead.
//! * D2: clearing the exceptions (Fig C4.7a) discards the I queue only if a frame of it was
//!   sent and not acknowledged. Otherwise nothing is in doubt and the queue waits for the link.
//! * D3: in Timer Recovery, an acknowledgement that moves V(a) clears RC: N2 counts tries
//!   without progress. As drawn, a busy but poor path would end after N2 recoveries.
//! * D4: a UA to a repeated SABM can still arrive after the first UA. It is passed over as
//!   long as no I frame was received since; as drawn it would reset the link.
//! * D5: a link that is to know version 2.0 only answers SABME and XID commands as a station of
//!   that version does, with FRMR (§4.3.3.2, §6.3.2), upon which the caller falls back to SABM (Fig C4.6b). A DM, as Fig
//!   C4.1 has it for "not able to establish", would make the caller give up. Its three octets
//!   follow version 2.0 (from memory). In Awaiting Connection likewise, XID there is ignored.
//! * D6: REJ that leaves nothing to send again starts T3, not T1.
//! * D7: in Timer Recovery, no I frame is sent between an enquiry and its answer (§6.4.11 "may
//!   then resume"), else the answer, made before they arrive, calls for them a second time.
//! * D8: in Timer Recovery, N(r) of an I frame acknowledges but leaves T1 alone (§6.4.11). As
//!   drawn T1 could stop with the enquiry unanswered, and nothing would ever end the state.
//! * D9: frames that were put back for sending again may be acknowledged before they are sent
//!   again: N(r) is in range if it lies between V(a) and the highest V(s) since.
//! * D10: SRT stays between half its initial value and 60 s (the standard gives no bounds; a
//!   T1 near zero would flood the channel with enquiries).
//! * D11: UA, DM and FRMR travel the way of the command that they answer, reversed; an accepted
//!   SABM makes this the way of the link (common practice, no source).
//!
//! * D12: when a frame that was asked for with SREJ comes, and one asked for before it has not,
//!   that one is asked for again at once: frames are sent again in the order of the SREJs.
//! * D13: no I frame is sent between XID and its answer, so that both ends go by the same rules
//!   from the first on.
//! * D14: a SABME that is refused with DM is followed by SABM: stations of version 2.0 may do
//!   that with what they do not know (common practice, no source). Silence is not followed by
//!   SABM: a late UA could be either's, and the ends would then differ in their modulo.
//! * D15: where both ends call by the same command, each is connected with its answer to the other
//!   (§6.3.6.2). As drawn (Figs C4.2, C4.6a) each waits for the answer to its own; with a T1 that
//!   is too short they could then reset each other for ever.
//! * D16: T1 starts anew with each REJ and SREJ, as drawn, for it is an answer; but only as long as
//!   the oldest frame was not asked for N2 times in vain. As drawn, a frame that never gets through
//!   would be sent again without end.
//! * D17: without SREJ, frames that were lost at the end of a burst are sent again as soon as an
//!   answer that came after them shows it ([`Input::Missed`]). As drawn, the next burst would be
//!   sent for nothing but to bring a REJ.
//! * D18: frames that come after a REJ has left, but not the one that it asked for, are answered
//!   with RR at the end of the burst. As drawn they are dropped in silence and T1 has to end.
//! * D19: after a fall-back to SABM as many UAs, DMs and FRMRs are passed over as SABMEs may still
//!   be answered, and a FRMR of three octets as the answer to XID is followed by SABM. An answer
//!   does not say to which call; taken for the wrong one, the ends would differ in their modulo.
//! * D20: a new start in the middle of a text in segments tells that the text is in doubt, also if
//!   all segments sent are acknowledged. As drawn the rest would be sent, of which the other end
//!   can make nothing.

mod agreement;
mod awaiting_connection;
mod awaiting_release;
mod config;
mod connected;
mod disconnected;
mod event;
mod information;
mod link;
mod negotiation;
mod primitives;
mod receive_store;
mod segments;
mod send_queue;
mod subroutines;
mod timer_recovery;
mod timers;

pub use agreement::Agreement;
pub use config::{LinkConfig, LinkConfigError, Version};
pub use link::{Counters, Link, Shape, State};
pub use primitives::{
    DisconnectReason, DlError, Indication, Input, MdlError, Output, RefusedReason, Request,
};
pub use send_queue::{MAX_QUEUED, Unsent};
pub use timers::Timer;
