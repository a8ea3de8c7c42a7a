//! The link as its owner sees it: inputs in, outputs out, and what can be asked of it.

use std::collections::VecDeque;
use std::fmt;

use dunlin_clock::{Duration, Instant};

use crate::wire::{CallSign, Control, Frame, Modulo};

use super::agreement::Agreement;
use super::config::{LinkConfig, LinkConfigError, Version};
use super::event::{Event, Received};
use super::primitives::{DlError, Indication, Input, Output, RefusedReason, Request};
use super::receive_store::ReceiveStore;
use super::segments::{self, Reassembler};
use super::send_queue::{MAX_QUEUED, Piece, SendQueue, Unsent};
use super::timers::{Timer, Timers};

/// The states of the data-link machine (C4.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// 0: no link.
    Disconnected,
    /// 1: SABM sent, no answer yet.
    AwaitingConnection,
    /// 2: DISC sent, no answer yet.
    AwaitingRelease,
    /// 3: the link is up.
    Connected,
    /// 4: the link is up, but an answer is overdue.
    TimerRecovery,
    /// 5: SABME sent, no answer yet.
    AwaitingExtendedConnection,
}

impl State {
    /// SABM or SABME is sent, and no answer has come.
    pub fn is_calling(self) -> bool {
        matches!(
            self,
            State::AwaitingConnection | State::AwaitingExtendedConnection
        )
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            State::Disconnected => "Disconnected",
            State::AwaitingConnection => "Awaiting Connection",
            State::AwaitingRelease => "Awaiting Release",
            State::Connected => "Connected",
            State::TimerRecovery => "Timer Recovery",
            State::AwaitingExtendedConnection => "Awaiting v2.2 Connection",
        })
    }
}

/// What a link has counted since it was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// I frames sent for the first time.
    pub i_sent: u64,
    /// I frames sent again.
    pub i_resent: u64,
    /// I frames of which the other end has said that it has them.
    pub i_acknowledged: u64,
    /// I frames of which the other end has said, or its answer to an enquiry shows, that it does
    /// not have them. Where all is sent again from a missing frame on, only that one counts:
    /// of those after it nothing is known.
    pub i_lost: u64,
    /// I frames received in sequence, their data delivered.
    pub i_received: u64,
    /// I frames received and discarded: out of sequence, or while this end was busy.
    pub i_discarded: u64,
    /// I frames received ahead of a missing one and kept.
    pub i_kept: u64,
    /// REJ and SREJ sent.
    pub rejects_sent: u64,
    /// REJ and SREJ received.
    pub rejects_received: u64,
    /// Expiries of T1.
    pub t1_expiries: u64,
    /// Resets of the link, by either end.
    pub resets: u64,
}

/// See [`Link::shape`].
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Shape {
    state: State,
    path: Vec<CallSign>,
    send: SendQueue,
    vr: u8,
    store: ReceiveStore,
    reassembler: Reassembler,
    agreed: Agreement,
    negotiating: Option<u8>,
    flags: [bool; 10],
    counts: [u8; 4],
    unsent: Vec<Unsent>,
    timers: [bool; Timer::ALL.len()],
}

/// The data-link machine for one pair of stations.
///
/// After each [`Link::handle`] call [`Link::poll`] until it gives `None`, then look at
/// [`Link::next_wakeup`].
#[derive(Clone, Debug)]
pub struct Link {
    pub(super) config: LinkConfig,
    pub(super) state: State,
    /// The time of the input at hand.
    pub(super) now: Instant,
    /// The way that this link's own frames take.
    pub(super) path: Vec<CallSign>,
    /// The I queue, V(s) and V(a).
    pub(super) send: SendQueue,
    /// V(r).
    pub(super) vr: u8,
    /// What came ahead of V(r).
    pub(super) store: ReceiveStore,
    pub(super) reassembler: Reassembler,
    /// What both ends go by.
    pub(super) agreed: Agreement,
    /// XIDs sent so far for an answer that is awaited: the management machine is Negotiating.
    pub(super) negotiating: Option<u8>,
    /// L3I: layer 3 asked for the connection that is being made.
    pub(super) layer_3_initiated: bool,
    pub(super) peer_busy: bool,
    pub(super) own_busy: bool,
    pub(super) reject_exception: bool,
    /// The REJ of it has left: the channel was free since (D18).
    pub(super) reject_left: bool,
    /// AP: received I frames wait for an acknowledgement, LM-SEIZE is requested.
    pub(super) acknowledge_pending: bool,
    /// RC.
    pub(super) retry_count: u8,
    pub(super) srt: Duration,
    /// T1V: next length of T1.
    pub(super) t1v: Duration,
    pub(super) timers: Timers,
    /// In Timer Recovery: an enquiry waits for its answer.
    pub(super) enquiry_open: bool,
    /// In Timer Recovery: the open enquiry was sent more than once.
    pub(super) enquiry_repeated: bool,
    /// S frames with P=1 sent, less answers with F=1.
    pub(super) finals_due: u8,
    /// How often the oldest frame outstanding was found missing since anything was acknowledged
    /// (D16, D17).
    pub(super) oldest_asked: u8,
    /// UAs that may still come for repeated SABMs (D4).
    pub(super) late_uas: u8,
    /// DMs that may still come for repeated SABMEs.
    pub(super) late_refusals: u8,
    /// While connecting: layer 3 wants to disconnect (D1).
    pub(super) disconnect_wanted: bool,
    /// While connecting: the link is being reset, and data was in doubt.
    pub(super) reset_in_doubt: bool,
    pub(super) unsent: Vec<Unsent>,
    /// Counted up whenever frames made so far lose their meaning.
    pub(super) generation: u64,
    pub(super) counters: Counters,
    pub(super) outputs: VecDeque<Output>,
}

impl Link {
    /// A link in state Disconnected.
    ///
    /// # Errors
    /// [`LinkConfigError`] if a value of `config` is out of range.
    pub fn new(config: LinkConfig) -> Result<Self, LinkConfigError> {
        config.check()?;
        Ok(Link {
            state: State::Disconnected,
            now: Instant::ZERO,
            path: config.path.clone(),
            send: SendQueue::new(Modulo::Eight),
            vr: 0,
            store: ReceiveStore::default(),
            reassembler: Reassembler::default(),
            agreed: Agreement::version_2_0(&config),
            negotiating: None,
            layer_3_initiated: false,
            peer_busy: false,
            own_busy: false,
            reject_exception: false,
            reject_left: false,
            acknowledge_pending: false,
            retry_count: 0,
            srt: config.initial_srt,
            t1v: 2 * config.initial_srt,
            timers: Timers::new(),
            enquiry_open: false,
            enquiry_repeated: false,
            finals_due: 0,
            oldest_asked: 0,
            late_uas: 0,
            late_refusals: 0,
            disconnect_wanted: false,
            reset_in_doubt: false,
            unsent: Vec::new(),
            generation: 0,
            counters: Counters::default(),
            outputs: VecDeque::new(),
            config,
        })
    }

    /// Takes in one input. `now` must not go back; if it does, it is taken as the last time.
    pub fn handle(&mut self, now: Instant, input: Input) {
        self.now = self.now.max(now);
        match input {
            Input::Request(request) => self.request(request),
            Input::Frame(frame) => self.frame(frame),
            Input::Faulty(fault) => self.dispatch(Event::Fault(fault)),
            Input::SeizeConfirm => self.dispatch(Event::SeizeConfirm),
            Input::ChannelBusy(busy) => {
                self.timers.set_suspended(self.now, busy);
                self.reject_left |= self.reject_exception && !busy;
            }
            Input::Missed => self.outstanding_missed(),
            Input::Wakeup => self.wakeup(),
        }
        self.serve_i_queue();
    }

    /// The next thing to do, or `None` once all are done.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When [`Input::Wakeup`] is due next, and for which timer.
    pub fn next_wakeup(&self) -> Option<(Instant, Timer)> {
        self.timers.next()
    }

    /// Sets the initial round-trip time, brought into 1 ms to 60 s, and makes it the present
    /// estimate. A running T1 keeps its time.
    pub fn set_timing(&mut self, initial_srt: Duration) {
        self.config.initial_srt = LinkConfig::usable_round_trip(initial_srt);
        self.restore_timing();
    }

    /// Whether a SABM from the other end is accepted from now on.
    pub fn set_accepting(&mut self, accepts_connections: bool) {
        self.config.accepts_connections = accepts_connections;
    }

    /// Takes the data that the link had to discard (on disconnect, refusal, reset), oldest
    /// first. Take it on a [`Indication::ConnectIndication`] after a reset before requesting
    /// more: then the order of everything is kept by requesting it again as it stands here.
    pub fn take_unsent(&mut self) -> Vec<Unsent> {
        std::mem::take(&mut self.unsent)
    }

    /// Which of the link's lives this is: another number after each start, reset, release and
    /// end. To be noted with each frame that waits for the transmitter, for
    /// [`Link::has_use_for`].
    pub fn generation(&self) -> u64 {
        self.generation
    }

    /// Whether a frame with this control field, put out in `generation`, should still go on the air. A frame can wait
    /// long for its turn, and its numbers mean something else once the link has started over:
    /// sent then, a stale RR acknowledges data that never arrived, a stale SABM resets the link.
    /// (The standard hands frames to the multiplexer and never asks for them back.)
    pub fn has_use_for(&self, control: Control, generation: u64) -> bool {
        generation == self.generation
            || !matches!(
                control,
                Control::I { .. }
                    | Control::Rr { .. }
                    | Control::Rnr { .. }
                    | Control::Rej { .. }
                    | Control::Srej { .. }
                    | Control::Sabm { .. }
                    | Control::Sabme { .. }
                    | Control::Disc { .. }
                    | Control::Xid { .. }
            )
    }

    /// The state.
    pub fn state(&self) -> State {
        self.state
    }

    /// This end.
    pub fn local(&self) -> CallSign {
        self.config.local
    }

    /// The other end.
    pub fn remote(&self) -> CallSign {
        self.config.remote
    }

    /// The version that this end calls with.
    pub fn call_version(&self) -> Version {
        self.config.call_version.min(self.config.version)
    }

    /// The repeaters that this link's frames take now.
    pub fn path(&self) -> &[CallSign] {
        &self.path
    }

    /// I frames that were sent and not acknowledged yet.
    pub fn unacknowledged(&self) -> usize {
        usize::from(self.send.in_doubt())
    }

    /// Pieces of data that wait to be sent for the first time.
    pub fn queued(&self) -> usize {
        self.send.len() - self.unacknowledged()
    }

    /// The other end was asked where it stands, and has not answered yet.
    pub fn is_enquiring(&self) -> bool {
        self.state == State::TimerRecovery && self.enquiry_open
    }

    /// How many pieces of data would be sent at once if they were requested now.
    pub fn room(&self) -> usize {
        match self.may_send() {
            true => usize::from(self.send.room(self.agreed.k_send)),
            false => 0,
        }
    }

    /// The other end said that it can take no data now.
    pub fn is_peer_busy(&self) -> bool {
        self.peer_busy
    }

    /// This end said that it can take no data now.
    pub fn is_own_busy(&self) -> bool {
        self.own_busy
    }

    /// RC: tries so far for what is being tried.
    pub fn retry_count(&self) -> u8 {
        self.retry_count
    }

    /// SRT, the smoothed round-trip time.
    pub fn round_trip(&self) -> Duration {
        self.srt
    }

    /// T1V, the length that T1 will have when started next.
    pub fn t1_length(&self) -> Duration {
        self.t1v
    }

    /// What both ends go by: the defaults of the version, and what XID has changed of them.
    pub fn agreed(&self) -> Agreement {
        self.agreed
    }

    /// How I and S frames of this link are encoded now.
    pub fn modulo(&self) -> Modulo {
        self.agreed.modulo
    }

    /// The longest data that can be requested now, octets.
    pub fn longest_data(&self) -> usize {
        match self.agreed.segmenter {
            true => segments::longest(self.agreed.n1_send).max(self.agreed.n1_send),
            false => self.agreed.n1_send,
        }
    }

    /// What decides how the link goes on, without times, counters and the outputs that wait.
    /// Links that agree in it do the same with the same inputs, but for when their timers end, and
    /// for what alone decides whether an unasked final bit is told as an error (A): for searches
    /// through all that can happen.
    pub fn shape(&self) -> Shape {
        Shape {
            state: self.state,
            path: self.path.clone(),
            send: self.send.clone(),
            vr: self.vr,
            store: self.store.clone(),
            reassembler: self.reassembler.clone(),
            agreed: self.agreed,
            negotiating: self.negotiating,
            flags: [
                self.layer_3_initiated,
                self.peer_busy,
                self.own_busy,
                self.reject_exception,
                self.reject_left,
                self.acknowledge_pending,
                self.enquiry_open,
                self.enquiry_repeated,
                self.disconnect_wanted,
                self.reset_in_doubt,
            ],
            counts: [
                self.retry_count,
                self.oldest_asked,
                self.late_uas,
                self.late_refusals,
            ],
            unsent: self.unsent.clone(),
            timers: Timer::ALL.map(|timer| self.timers.is_running(timer)),
        }
    }

    /// The counters.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    fn request(&mut self, request: Request) {
        match request {
            Request::Connect => self.dispatch(Event::Connect),
            Request::Disconnect => self.dispatch(Event::Disconnect),
            Request::FlowOff => self.dispatch(Event::FlowOff),
            Request::FlowOn => self.dispatch(Event::FlowOn),
            Request::Data { pid, info } => {
                let piece = Piece { pid, info };
                if piece.info.len() > self.longest_data() {
                    if self.agreed.segmenter {
                        self.error(DlError::Y);
                    }
                    self.refuse(piece, RefusedReason::TooLong);
                } else if self.send.len() + self.unsent.len() >= MAX_QUEUED {
                    self.refuse(piece, RefusedReason::QueueFull);
                } else if piece.info.len() <= self.agreed.n1_send {
                    self.dispatch(Event::Data(piece));
                } else {
                    for segment in segments::split(piece, self.agreed.n1_send) {
                        self.dispatch(Event::Data(segment));
                    }
                }
            }
            // All figures send UI in every state.
            Request::UnitData { pid, info } if info.len() <= self.config.n1 => {
                self.send_unit_data(pid, info);
            }
            Request::UnitData { pid, info } => {
                self.refuse(Piece { pid, info }, RefusedReason::TooLong);
            }
        }
    }

    fn frame(&mut self, frame: Frame) {
        let is_ours = frame.source.is(self.config.remote);
        if !is_ours || !frame.is_addressed_to(self.config.local) {
            return;
        }
        let received = Received::new(frame, self.state);
        match received.control {
            // TEST and XID have no place in the figures of the data link: they are answered in
            // every state (S43, §4.3.3.7, §4.3.3.8).
            Control::Test { pf } if received.is_command => self.answer_test(&received, pf),
            Control::Xid { .. } if self.config.version == Version::V22 => self.xid(&received),
            _ => self.dispatch(Event::Frame(received)),
        }
    }

    fn wakeup(&mut self) {
        for timer in Timer::ALL {
            if self.timers.take_expired(timer, self.now) {
                match timer {
                    Timer::T1 => {
                        self.counters.t1_expiries += 1;
                        self.dispatch(Event::T1);
                    }
                    Timer::T3 => self.dispatch(Event::T3),
                    Timer::T201 => self.negotiation_overdue(),
                    Timer::T210 => {
                        self.reassembler.clear();
                        self.error(DlError::Z);
                    }
                }
            }
        }
    }

    fn dispatch(&mut self, event: Event) {
        match self.state {
            State::Disconnected => self.in_disconnected(event),
            State::AwaitingConnection | State::AwaitingExtendedConnection => {
                self.in_awaiting_connection(event);
            }
            State::AwaitingRelease => self.in_awaiting_release(event),
            State::Connected => self.in_connected(event),
            State::TimerRecovery => self.in_timer_recovery(event),
        }
        // A disconnect asked for while connecting is "requeued" (Fig C4.2): this is the retry.
        if self.disconnect_wanted && !self.state.is_calling() {
            self.disconnect_wanted = false;
            self.dispatch(Event::Disconnect);
        }
    }

    /// The only place where the state changes.
    pub(super) fn set_state(&mut self, to: State) {
        let from = std::mem::replace(&mut self.state, to);
        if to == State::Disconnected {
            Timer::ALL
                .into_iter()
                .for_each(|timer| self.timers.stop(timer));
            self.clear_exceptions();
            // What comes now is read by version 2.0, until a call says otherwise.
            self.set_version(Version::V20);
            self.retry_count = 0;
            self.generation += 1;
        }
        if from != to {
            self.outputs.push_back(Output::StateChanged { from, to });
        }
    }

    pub(super) fn indicate(&mut self, indication: Indication) {
        self.outputs.push_back(Output::Indicate(indication));
    }

    pub(super) fn error(&mut self, error: DlError) {
        self.indicate(Indication::Error(error));
    }

    pub(super) fn refuse(&mut self, piece: Piece, reason: RefusedReason) {
        let Piece { pid, info } = piece;
        self.indicate(Indication::DataRefused { pid, info, reason });
    }
}
