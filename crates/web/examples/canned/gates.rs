//! Two invented gates: what holds each port, who has stopped it, what waits, what is wrong,
//! and test signals that end by themselves.

use dunlin_clock::WallTime;
use dunlin_station::gate::{
    AlarmKind, AlarmView, GateView, KeyDownView, Stop, TestSignal, WaitingView,
};
use dunlin_station::{BlockKind, Command, Event, PortId, Refusal, Reply, Urgency};

use crate::conditions::{Facts, conditions};
use crate::picture::Picture;

/// When HF was stopped, a minute before the page opens, ms.
const HF_STOPPED_MS: u64 = 840_000;
/// Since when frames wait on HF, ms.
const HF_WAITS_MS: u64 = 420_000;
/// A test signal of the feed's own begins this often on VHF, ms.
const TEST_EVERY_MS: u64 = 180_000;
/// When the first of them begins, ms.
const FIRST_TEST_MS: u64 = 905_000;
/// A frame on VHF goes out after so long a silence, ms.
const QUIET_MS: u64 = 2_000;

struct Test {
    signal: TestSignal,
    seconds: u64,
    ends_ms: u64,
}

pub struct Gates {
    wall_at_zero: WallTime,
    stops: Vec<Stop>,
    tests: [Option<Test>; 2],
    identified: [u64; 2],
    waiting: [Vec<WaitingView>; 2],
    /// Since when each channel is as it is, and how.
    channel: [(bool, u64); 2],
    shown: [Option<GateView>; 2],
    next_test_ms: u64,
    next_frame_ms: u64,
    began: bool,
}

impl Gates {
    pub fn new(wall_at_zero: WallTime) -> Gates {
        Gates {
            wall_at_zero,
            stops: Vec::new(),
            tests: [None, None],
            identified: [720_000, 300_000],
            waiting: [Vec::new(), Vec::new()],
            channel: [(false, 0); 2],
            shown: [None, None],
            next_test_ms: FIRST_TEST_MS,
            next_frame_ms: 860_000,
            began: false,
        }
    }

    pub fn turn(&mut self, now: u64, picture: &mut Picture) {
        if !self.began && now >= HF_STOPPED_MS {
            self.began = true;
            self.begin(picture);
        }
        if now >= self.next_test_ms {
            self.next_test_ms = now + TEST_EVERY_MS;
            let _ = self.test(now, PortId(0), TestSignal::LowTone, 10, picture);
        }
        self.end_tests(now, picture);
        self.queue(now, picture);
        self.show(now, picture);
    }

    /// Carries out what concerns the gates; `None` = not ours.
    pub fn command(
        &mut self,
        now: u64,
        command: &Command,
        picture: &mut Picture,
    ) -> Option<Result<Reply, Refusal>> {
        let answer = match command {
            Command::Stop { port, by, why } => self.stop(now, *port, by, why, picture),
            Command::Start { port, by } => self.start(now, *port, by, picture),
            Command::Test {
                port,
                signal,
                seconds,
            } => self.test(now, *port, *signal, *seconds, picture),
            Command::EndTest { port } => {
                if let Some(Some(test)) = self.tests.get_mut(usize::from(port.0)) {
                    test.ends_ms = now;
                }
                self.end_tests(now, picture);
                Ok(Reply::Done)
            }
            Command::Identify { port } => {
                self.identified[usize::from(port.0).min(1)] = now;
                picture.note(
                    now,
                    Some(port.0),
                    Urgency::Plain,
                    "Identified at your request",
                );
                Ok(Reply::Done)
            }
            _ => return None,
        };
        self.show(now, picture);
        Some(answer)
    }

    fn begin(&mut self, picture: &mut Picture) {
        let by = "the page on this machine";
        let why = "work on the HF antenna";
        let _ = self.stop(HF_STOPPED_MS, Some(PortId(1)), by, why, picture);
        let frame = |what: &str, to: &str, after| WaitingView {
            what: what.into(),
            to: to.into(),
            since_ms: HF_WAITS_MS + after,
            reason: "HF is stopped".into(),
        };
        self.waiting[1] = vec![
            frame("text 5", "QX0RLF", 0),
            frame("text 6", "QX0RLF", 900),
            frame("beacon", "WX", 61_000),
        ];
        let alarm = |kind, port: Option<u8>, since_ms, text: &str| {
            Event::Alarm(AlarmView {
                kind,
                port: port.map(PortId),
                active: true,
                since_ms,
                text: text.into(),
            })
        };
        let waits = "A frame to QX0RLF has waited more than 5 min on HF: the port is stopped. \
                     Start it again when the work on the antenna is done.";
        picture.tell(alarm(AlarmKind::Waiting, Some(1), 720_000, waits));
        let disk = "The journal has 212 MB left of its 2 GB. Free some room, or move it.";
        picture.tell(alarm(AlarmKind::Disk, None, 610_000, disk));
    }

    fn stop(
        &mut self,
        now: u64,
        port: Option<PortId>,
        by: &str,
        why: &str,
        picture: &mut Picture,
    ) -> Result<Reply, Refusal> {
        check(port, picture)?;
        self.stops.retain(|stop| stop.port != port);
        self.stops.push(Stop {
            port,
            by: by.into(),
            why: why.into(),
            at: WallTime(self.wall_at_zero.0 + i64::try_from(now).unwrap_or(0)),
        });
        for (at, test) in self.tests.iter_mut().enumerate() {
            if port.is_none_or(|port| usize::from(port.0) == at) {
                test.iter_mut().for_each(|test| test.ends_ms = now);
            }
        }
        self.end_tests(now, picture);
        picture.tell(Event::Stops(self.stops.clone()));
        let what = words_of(port, picture);
        let text = format!("{what} stopped by {by}");
        picture.note(now, port.map(|p| p.0), Urgency::Attention, &text);
        Ok(Reply::Done)
    }

    fn start(
        &mut self,
        now: u64,
        port: Option<PortId>,
        by: &str,
        picture: &mut Picture,
    ) -> Result<Reply, Refusal> {
        check(port, picture)?;
        self.stops.retain(|stop| stop.port != port);
        picture.tell(Event::Stops(self.stops.clone()));
        let text = format!("{} started again by {by}", words_of(port, picture));
        picture.note(now, port.map(|p| p.0), Urgency::Plain, &text);
        if port.is_none_or(|port| port.0 == 1) && !self.is_stopped(1) {
            self.waiting[1].clear();
            picture.tell(Event::Alarm(AlarmView {
                kind: AlarmKind::Waiting,
                port: Some(PortId(1)),
                active: false,
                since_ms: now,
                text: "Nothing waits too long on HF any more.".into(),
            }));
        }
        Ok(Reply::Done)
    }

    fn test(
        &mut self,
        now: u64,
        port: PortId,
        signal: TestSignal,
        seconds: u8,
        picture: &mut Picture,
    ) -> Result<Reply, Refusal> {
        check(Some(port), picture)?;
        let seconds = u64::from(seconds.clamp(1, 30));
        if self.is_stopped(port.0) {
            return Err(Refusal::ReceiveOnly("this port, which is stopped,".into()));
        }
        self.tests[usize::from(port.0)] = Some(Test {
            signal,
            seconds,
            ends_ms: now + seconds * 1000,
        });
        picture.port(port.0, |view| view.transmitting = true);
        Ok(Reply::Done)
    }

    fn end_tests(&mut self, now: u64, picture: &mut Picture) {
        for port in 0..2_u8 {
            let test = &mut self.tests[usize::from(port)];
            if test.as_ref().is_some_and(|test| now >= test.ends_ms) {
                *test = None;
                self.identified[usize::from(port)] = now;
                picture.port(port, |view| view.transmitting = false);
                let text = "Test signal ended, and the call sign was sent after it";
                picture.note(now, Some(port), Urgency::Plain, text);
            }
        }
    }

    /// Frames come onto VHF every now and then, and leave it when the channel is quiet.
    fn queue(&mut self, now: u64, picture: &mut Picture) {
        for port in 0..2_u8 {
            let at = usize::from(port);
            let busy = picture.ports()[at].busy;
            if self.channel[at].0 != busy {
                self.channel[at] = (busy, now);
            }
            let queued = self.waiting[at].len();
            let wait = self.waiting[at].first();
            let waits = wait.map(|wait| (wait.since_ms, wait.reason.clone()));
            let view = &picture.ports()[at];
            if (view.queued, &view.waits) != (queued, &waits) {
                picture.port(port, |view| (view.queued, view.waits) = (queued, waits));
            }
        }
        let (busy, since) = self.channel[0];
        if now >= self.next_frame_ms {
            self.next_frame_ms = now + 9_000;
            for (what, to) in [("text 4", "QM3BAR"), ("has all before 2", "QF4TER")] {
                self.waiting[0].push(WaitingView {
                    what: what.into(),
                    to: to.into(),
                    since_ms: now,
                    reason: "somebody transmits".into(),
                });
            }
        } else if !busy && now > since + QUIET_MS && !self.is_stopped(0) {
            self.waiting[0].clear();
        }
        let reason = match (self.is_stopped(0), busy) {
            (true, _) => "VHF is stopped",
            (_, true) => "somebody transmits",
            _ => "a slot is drawn",
        };
        for frame in &mut self.waiting[0] {
            frame.reason = reason.into();
        }
        self.waiting[0].truncate(8);
    }

    fn is_stopped(&self, port: u8) -> bool {
        let all = &self.stops;
        all.iter().any(|s| s.port.is_none_or(|p| p.0 == port))
    }

    /// Tells each gate that has changed.
    fn show(&mut self, now: u64, picture: &mut Picture) {
        for port in 0..2_u8 {
            picture.stopped[usize::from(port)] = self.is_stopped(port);
            let view = self.view(now, port, picture);
            if self.shown[usize::from(port)].as_ref() != Some(&view) {
                self.shown[usize::from(port)] = Some(view.clone());
                picture.tell(Event::Gate(view));
            }
        }
    }

    fn view(&self, now: u64, port: u8, picture: &Picture) -> GateView {
        let at = usize::from(port);
        let ports = picture.ports();
        let mut stops = self.stops.iter();
        let stop = stops.rfind(|s| s.port.is_none_or(|p| p.0 == port));
        let facts = Facts {
            name: &ports[at].name,
            call: ports[at].call.to_string(),
            stop,
            stop_ms: stop.map_or(0, |s| (s.at.0 - self.wall_at_zero.0).max(0) as u64),
            busy: self.channel[at].0,
            channel_ms: self.channel[at].1,
            waits_ms: self.waiting[at].first().map(|w| w.since_ms),
            testing: self.tests[at].is_some(),
            transmitting: ports[at].transmitting,
            now,
        };
        let (sentence, conditions) = conditions(&facts);
        let test = self.tests[at].as_ref().map(|test| {
            let left = test.ends_ms.saturating_sub(now).div_ceil(1000);
            let what = words_of_test(test.signal);
            format!("{what}, {} s, stops by itself in {left} s", test.seconds)
        });
        GateView {
            port: PortId(port),
            sentence,
            conditions,
            waiting: self.waiting[at].iter().take(5).cloned().collect(),
            queued: self.waiting[at].len(),
            key_down: KeyDownView {
                down_since_ms: self.tests[at]
                    .as_ref()
                    .map(|test| test.ends_ms - test.seconds * 1000)
                    .or(on_air(port, picture)),
                ..key_down(now, port, picture)
            },
            test,
            identified_ms: Some(self.identified[at]),
        }
    }
}

fn check(port: Option<PortId>, picture: &Picture) -> Result<(), Refusal> {
    let count = picture.ports().len();
    match port {
        Some(port) if usize::from(port.0) >= count => Err(Refusal::NoSuchPort(port.0, count)),
        _ => Ok(()),
    }
}

fn words_of(port: Option<PortId>, picture: &Picture) -> String {
    port.map_or("The whole station".into(), |port| {
        picture.ports()[usize::from(port.0)].name.clone()
    })
}

fn words_of_test(signal: TestSignal) -> &'static str {
    match signal {
        TestSignal::LowTone => "low tone",
        TestSignal::HighTone => "high tone",
        TestSignal::Alternating => "both tones in turn",
        TestSignal::RepeatedFrame => "a frame, again and again",
        TestSignal::LongPreamble => "a long preamble",
    }
}

fn key_down(now: u64, port: u8, picture: &Picture) -> KeyDownView {
    let sent = |within: u64| -> u64 {
        let from = now.saturating_sub(within);
        let ours = picture.blocks().iter();
        ours.filter(|b| b.port == PortId(port) && b.kind == BlockKind::Sent)
            .filter_map(|b| b.end_ms.map(|end| end.saturating_sub(b.start_ms.max(from))))
            .sum()
    };
    let hf = port == 1;
    KeyDownView {
        down_since_ms: None,
        ten_minutes_ms: sent(600_000),
        hour_ms: sent(3_600_000),
        single_limit_ms: if hf { 20_000 } else { 30_000 },
        ten_minutes_limit_ms: if hf { 60_000 } else { 120_000 },
        hour_limit_ms: if hf { 300_000 } else { 600_000 },
    }
}

/// Since when a frame of ours is on the air, if one is.
fn on_air(port: u8, picture: &Picture) -> Option<u64> {
    let mut all = picture.blocks().iter();
    let ours =
        all.rfind(|b| b.port == PortId(port) && b.kind == BlockKind::Sent && b.end_ms.is_none());
    ours.map(|b| b.start_ms)
}
