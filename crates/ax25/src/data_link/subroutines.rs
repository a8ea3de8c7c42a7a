//! The subroutines of Figs C4.7a and C4.7b, and the making of frames.

use dunlin_clock::Duration;

use crate::wire::{CallSign, Control, Fault, Frame, Modulo, Repeater, Role};

use super::agreement::Agreement;
use super::config::Version;
use super::event::Received;
use super::link::{Link, State};
use super::primitives::{DlError, Indication, Output};
use super::send_queue::Piece;
use super::timers::Timer;

/// What T1 grows by with each try (Fig C4.7b: "RC * 0.25", taken as seconds, E26).
const BACK_OFF: Duration = Duration::from_millis(250);
/// SRT never grows beyond this (D10).
const LONGEST_SRT: Duration = Duration::from_secs(60);

/// W bit of a FRMR: the control field is not implemented (version 2.0, from memory).
const FRMR_W: u8 = 0x01;

impl Link {
    /// Set Version 2.0 or 2.2: the defaults, and numbers that start over.
    pub(super) fn set_version(&mut self, version: Version) {
        self.agreed = Agreement::of_version(&self.config, version);
        self.send.set_modulo(self.agreed.modulo);
        self.vr = 0;
        self.forget_negotiation();
    }

    /// The other end's call is accepted: Set Version, and what was made before means nothing now.
    pub(super) fn start_over(&mut self, version: Version) {
        self.generation += 1;
        self.set_version(version);
    }

    /// SABM or SABME, by the version.
    pub(super) fn call_command(&self) -> Control {
        match self.agreed.modulo {
            Modulo::Eight => Control::Sabm { p: true },
            Modulo::OneHundredTwentyEight => Control::Sabme { p: true },
        }
    }

    /// Establish Data Link (Establish Extended Data Link): sends SABM or SABME and awaits the
    /// answer. The caller says whether layer 3 initiated it.
    pub(super) fn establish(&mut self, layer_3_initiated: bool) {
        self.clear_exceptions();
        self.layer_3_initiated = layer_3_initiated;
        // Discard the I queue if any of it is in doubt, else keep it for the new link (D2).
        self.reset_in_doubt = self.send.is_begun();
        if self.reset_in_doubt {
            self.discard_queue();
        }
        self.retry_count = 1;
        self.generation += 1;
        self.forget_negotiation();
        self.send_command(self.call_command());
        self.timers.stop(Timer::T3);
        self.start_t1();
        self.set_state(match self.agreed.modulo {
            Modulo::Eight => State::AwaitingConnection,
            Modulo::OneHundredTwentyEight => State::AwaitingExtendedConnection,
        });
    }

    /// Reports `error` and resets the link without layer 3 having asked. With letter J this is
    /// the figure's N(r) Error Recovery.
    pub(super) fn reset_link(&mut self, error: DlError) {
        self.error(error);
        self.counters.resets += 1;
        self.establish(false);
    }

    /// Clear Exception Conditions, without discarding the I queue (D2).
    pub(super) fn clear_exceptions(&mut self) {
        self.peer_busy = false;
        self.own_busy = false;
        self.reject_exception = false;
        self.acknowledge_pending = false;
        self.enquiry_open = false;
        self.enquiry_repeated = false;
        self.finals_due = 0;
        self.oldest_asked = 0;
        self.late_uas = 0;
        self.late_refusals = 0;
        self.store.clear();
        self.reassembler.clear();
        self.timers.stop(Timer::T210);
    }

    /// V(s) = V(a) = V(r) = 0.
    pub(super) fn restart_numbers(&mut self) {
        self.generation += 1;
        self.send.restart_numbers();
        self.vr = 0;
    }

    /// Discards the I queue, so that it can be taken back.
    pub(super) fn discard_queue(&mut self) {
        self.unsent.extend(self.send.discard());
    }

    /// Transmit Enquiry: asks the other end with P=1 where it stands.
    pub(super) fn enquire(&mut self) {
        self.send_poll();
        self.enquiry_repeated = self.enquiry_open;
        self.enquiry_open = true;
        self.start_t1();
    }

    /// Sends RR, or RNR if this end is busy, as a command with P=1.
    pub(super) fn send_poll(&mut self) {
        let control = self.ready(true);
        self.finals_due = self.finals_due.saturating_add(1);
        self.send_command(control);
        self.acknowledge_pending = false;
    }

    /// Enquiry Response: RR, or RNR if this end is busy, in every case (S41).
    pub(super) fn send_ready_response(&mut self, f: bool) {
        if f && !self.own_busy && !self.store.is_empty() {
            // SREJ alone carries the final bit, not RR as well (S41).
            return self.ask_for_all_missing();
        }
        let control = self.ready(f);
        self.send_response(control);
        self.acknowledge_pending = false;
    }

    fn ready(&self, pf: bool) -> Control {
        match self.own_busy {
            true => Control::Rnr { nr: self.vr, pf },
            false => Control::Rr { nr: self.vr, pf },
        }
    }

    /// V(a) := N(r). True if that acknowledged anything.
    pub(super) fn acknowledge(&mut self, nr: u8) -> bool {
        let before = self.send.in_doubt();
        let newly = self.send.acknowledge(nr);
        self.counters.i_acknowledged += u64::from(before - self.send.in_doubt());
        if newly {
            self.oldest_asked = 0;
        }
        newly
    }

    /// Check I Frame Acknowledged.
    pub(super) fn check_i_frame_acknowledged(&mut self, nr: u8) {
        let newly = self.acknowledge(nr);
        if self.peer_busy {
            // T1 makes sure that somebody asks when the other end is ready again.
            self.ensure_t1();
        } else if self.send.is_settled() {
            self.measure_round_trip();
            self.start_t3();
        } else if newly {
            self.start_t1();
        }
    }

    /// Check Need for Response: answers a poll, and complains of answers to none.
    pub(super) fn check_need_for_response(&mut self, received: &Received) {
        if received.is_poll() {
            self.send_ready_response(true);
        } else if received.is_final() {
            if self.finals_due == 0 {
                self.error(DlError::A);
            }
            self.finals_due = self.finals_due.saturating_sub(1);
        }
    }

    /// UI Check: passes the information on.
    pub(super) fn check_ui(&mut self, received: &mut Received) {
        if !received.is_command {
            self.error(DlError::Q);
        } else if received.info.len() > self.config.n1 {
            // Drawn as K; R is the letter listed for it (E28).
            self.error(DlError::R);
        } else {
            let info = std::mem::take(&mut received.info);
            self.indicate(Indication::UnitData {
                pid: received.pid,
                info,
            });
        }
    }

    /// The letters of what the decoder finds (C4.3).
    pub(super) fn fault_letter(fault: Fault) -> DlError {
        match fault {
            Fault::ControlField => DlError::L,
            Fault::InfoNotPermitted => DlError::M,
            Fault::Length => DlError::N,
        }
    }

    /// SRT := initial, T1V := 2 * SRT.
    pub(super) fn restore_timing(&mut self) {
        self.srt = self.config.initial_srt;
        self.t1v = 2 * self.srt;
    }

    /// Select T1 Value for RC = 0: the time that T1 has run is a round trip, so average it.
    /// To be called before T1 is stopped, and not if what was answered had been repeated (S20).
    pub(super) fn measure_round_trip(&mut self) {
        if let Some(round_trip) = self.timers.t1_elapsed(self.now) {
            let srt = self.srt * 7 / 8 + round_trip / 8;
            let shortest = self.config.initial_srt / 2;
            self.srt = srt.clamp(shortest, LONGEST_SRT);
            self.t1v = (2 * self.srt).max(self.agreed.least_t1);
        }
    }

    /// Select T1 Value for RC <> 0: T1 has expired, so give the other end more time with each
    /// try.
    pub(super) fn back_off_t1(&mut self) {
        let t1 = BACK_OFF * u32::from(self.retry_count) + 2 * self.srt;
        self.t1v = t1.max(self.agreed.least_t1);
    }

    /// Starts T1 and stops T3.
    pub(super) fn start_t1(&mut self) {
        self.timers.start(Timer::T1, self.now, self.t1v);
        self.timers.stop(Timer::T3);
    }

    /// Starts T1 and stops T3, unless T1 runs.
    pub(super) fn ensure_t1(&mut self) {
        if !self.timers.is_running(Timer::T1) {
            self.start_t1();
        }
    }

    /// Starts T3 and stops T1.
    pub(super) fn start_t3(&mut self) {
        self.timers.start(Timer::T3, self.now, self.config.t3);
        self.timers.stop(Timer::T1);
    }

    /// Sends I frames while the other end and the window allow: the I frame "pops".
    pub(super) fn serve_i_queue(&mut self) {
        while self.may_send() {
            let Some((ns, piece, again)) = self.send.pop(self.agreed.k_send) else {
                return;
            };
            self.send_i(ns, piece, again);
            self.ensure_t1();
        }
    }

    /// Whether I frames may be sent, but for the window.
    pub(super) fn may_send(&self) -> bool {
        let state = match self.state {
            State::Connected => self.negotiating.is_none(), // D13
            State::TimerRecovery => !self.enquiry_open && self.negotiating.is_none(), // D7
            _ => false,
        };
        state && !self.peer_busy
    }

    /// Sends one I frame. It carries the acknowledgement.
    pub(super) fn send_i(&mut self, ns: u8, piece: Piece, again: bool) {
        let counter = if again {
            &mut self.counters.i_resent
        } else {
            &mut self.counters.i_sent
        };
        *counter += 1;
        let control = Control::I {
            ns,
            nr: self.vr,
            p: false,
        };
        let frame = Frame {
            pid: Some(piece.pid),
            info: piece.info,
            ..self.command(control)
        };
        self.send_frame(frame, false);
        self.acknowledge_pending = false;
    }

    pub(super) fn send_unit_data(&mut self, pid: u8, info: Vec<u8>) {
        let frame = self.command(Control::Ui { pf: false });
        self.send_frame(
            Frame {
                pid: Some(pid),
                info,
                ..frame
            },
            false,
        );
    }

    pub(super) fn send_command(&mut self, control: Control) {
        let frame = self.command(control);
        self.send_frame(frame, false);
    }

    pub(super) fn send_response(&mut self, control: Control) {
        let frame = self.build(Role::Response, control, &self.path);
        self.send_frame(frame, false);
    }

    pub(super) fn send_expedited_response(&mut self, control: Control) {
        let frame = self.build(Role::Response, control, &self.path);
        self.send_frame(frame, true);
    }

    /// Answers `received` by the way it came (D11).
    pub(super) fn answer(&mut self, received: &Received, control: Control, expedited: bool) {
        let frame = self.answer_frame(received, control);
        self.send_frame(frame, expedited);
    }

    /// Answers a TEST command: the same information, or none if it is too long (§4.3.3.8).
    pub(super) fn answer_test(&mut self, received: &Received, f: bool) {
        let mut frame = self.answer_frame(received, Control::Test { pf: f });
        if received.info.len() <= self.config.n1 {
            frame.info.clone_from(&received.info);
        }
        self.send_frame(frame, false);
    }

    /// Answers a command of version 2.2 as a station of version 2.0 does, with FRMR (D5).
    pub(super) fn answer_as_version_2_0(&mut self, received: &Received) {
        let f = received.control.poll_or_final();
        let mut frame = self.answer_frame(received, Control::Frmr { f });
        // Version 2.0, from memory: the refused control field; V(r), C/R (0: command), V(s);
        // the reason.
        let variables = self.vr << 5 | self.send.vs() << 1;
        frame.info = vec![received.control.first_octet(), variables, FRMR_W];
        self.send_frame(frame, false);
    }

    pub(super) fn send_frame(&mut self, frame: Frame, expedited: bool) {
        self.outputs.push_back(Output::Send {
            frame,
            expedited,
            modulo: self.agreed.modulo,
        });
    }

    pub(super) fn command(&self, control: Control) -> Frame {
        self.build(Role::Command, control, &self.path)
    }

    pub(super) fn answer_frame(&self, received: &Received, control: Control) -> Frame {
        let path = received.reply_path.as_deref().unwrap_or(&self.path);
        self.build(Role::Response, control, path)
    }

    fn build(&self, role: Role, control: Control, path: &[CallSign]) -> Frame {
        Frame {
            destination: self.config.remote.into(),
            source: self.config.local.into(),
            repeaters: path.iter().copied().map(Repeater::ahead).collect(),
            role,
            control,
            pid: None,
            info: Vec::new(),
        }
    }
}
