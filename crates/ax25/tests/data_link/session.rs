//! One link, and a test that plays everybody around it: layer 3, the multiplexer, the other
//! station and the clock. Times are milliseconds.

use dunlin_ax25::data_link::{
    Indication, Input, Link, LinkConfig, Output, Request, State, Timer, Version,
};
use dunlin_ax25::wire::xid::Parameters;
use dunlin_ax25::wire::{CallSign, Control, Frame, Repeater, Role};
use dunlin_clock::{Duration, Instant};

pub fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

pub struct Session {
    pub link: Link,
    pub path: Vec<CallSign>,
    lines: Vec<String>,
}

impl Session {
    /// Defaults of version 2.0: T1 3 s, k 7, N2 10. T3 is 60 s.
    pub fn new() -> Self {
        Session::with(|_| {})
    }

    pub fn with(change: impl FnOnce(&mut LinkConfig)) -> Self {
        let mut config = LinkConfig::new(call("QA1SKY"), call("QM3BAR"));
        config.t3 = Duration::from_secs(60);
        change(&mut config);
        let link = Link::new(config).expect("good configuration");
        Session {
            link,
            path: vec![],
            lines: vec![],
        }
    }

    /// Called by the other station at time 0.
    pub fn connected() -> Self {
        Session::with(|_| {}).accepted()
    }

    pub fn accepted(mut self) -> Self {
        self.hear(0, "SABM poll");
        assert_eq!(
            self.take(),
            ["> UA final", "connect indication", "=> Connected"]
        );
        self
    }

    /// Version 2.2, called by the other station at time 0 with SABME.
    pub fn extended() -> Self {
        let mut s = Session::of_version_2_2();
        s.hear(0, "SABME poll");
        assert_eq!(
            s.take(),
            ["> UA final", "connect indication", "=> Connected"]
        );
        s
    }

    pub fn of_version_2_2() -> Self {
        Session::with(|config| config.version = Version::V22)
    }

    /// An XID from the other station.
    pub fn hear_xid(&mut self, ms: u64, role: Role, pf: bool, parameters: &Parameters) {
        let line = if role == Role::Command {
            "XID"
        } else {
            "XID response"
        };
        let mut frame = self.peer_frame(line);
        frame.control = Control::Xid { pf };
        frame.info = parameters.encode();
        self.handle(ms, Input::Frame(frame));
    }

    /// In Timer Recovery since 4000: one I frame sent at 1000, no answer. T1 ends at 7000.
    pub fn recovering() -> Self {
        let mut s = Session::connected();
        s.ask(1000, data("one"));
        s.wake(Timer::T1, 4000);
        let expected = [
            "> I ns 0 nr 0 \"one\"",
            "> RR command nr 0 poll",
            "=> Timer Recovery",
        ];
        assert_eq!(s.take(), expected);
        s
    }

    pub fn handle(&mut self, ms: u64, input: Input) {
        self.link.handle(Instant::from_millis(ms), input);
        self.drain();
    }

    fn drain(&mut self) {
        while let Some(output) = self.link.poll() {
            self.lines.push(self.line(output));
        }
        self.check_timers();
    }

    pub fn hear(&mut self, ms: u64, frame: &str) {
        let frame = self.peer_frame(frame);
        self.handle(ms, Input::Frame(frame));
    }

    pub fn ask(&mut self, ms: u64, request: Request) {
        self.handle(ms, Input::Request(request));
    }

    /// Lets the clock run to the next wake-up, which must be this one.
    pub fn wake(&mut self, timer: Timer, ms: u64) {
        assert_eq!(
            self.link.next_wakeup(),
            Some((Instant::from_millis(ms), timer))
        );
        self.handle(ms, Input::Wakeup);
    }

    /// Lets the clock run to the next wake-up, whenever that is; gives the milliseconds.
    pub fn wake_next(&mut self) -> u64 {
        let (at, _) = self.link.next_wakeup().expect("a timer runs");
        self.link.handle(at, Input::Wakeup);
        self.drain();
        at.as_millis()
    }

    pub fn take(&mut self) -> Vec<String> {
        std::mem::take(&mut self.lines)
    }

    /// What the link gives back, a star after what was sent before.
    pub fn unsent(&mut self) -> Vec<String> {
        let back = self.link.take_unsent();
        back.into_iter()
            .map(|u| text(&u.info) + if u.was_sent { "*" } else { "" })
            .collect()
    }

    /// A frame from the other station, written as [`Frame`] displays it.
    pub fn peer_frame(&self, line: &str) -> Frame {
        let (words, text) = line.split_once(" \"").unwrap_or((line, ""));
        let words: Vec<&str> = words.split(' ').collect();
        let has = |word| words.contains(&word);
        let number = |name| {
            let place = words.iter().position(|&w| w == name).expect("number") + 1;
            words[place].parse().expect("number")
        };
        let pf = has("poll") || has("final") || has("poll/final");
        let nr = || number("nr");
        let control = match words[0] {
            "I" => Control::I {
                ns: number("ns"),
                nr: nr(),
                p: pf,
            },
            "RR" => Control::Rr { nr: nr(), pf },
            "RNR" => Control::Rnr { nr: nr(), pf },
            "REJ" => Control::Rej { nr: nr(), pf },
            "SREJ" => Control::Srej { nr: nr(), pf },
            "SABM" => Control::Sabm { p: pf },
            "SABME" => Control::Sabme { p: pf },
            "DISC" => Control::Disc { p: pf },
            "DM" => Control::Dm { f: pf },
            "UA" => Control::Ua { f: pf },
            "FRMR" => Control::Frmr { f: pf },
            "UI" => Control::Ui { pf },
            "XID" => Control::Xid { pf },
            "TEST" => Control::Test { pf },
            other => panic!("no frame is called {other}"),
        };
        let role = match words[0] {
            _ if has("legacy") => Role::Legacy { c_bits: false },
            _ if has("response") || has("final") => Role::Response,
            "DM" | "UA" | "FRMR" => Role::Response,
            _ => Role::Command,
        };
        let repeated = |&call| Repeater {
            has_been_repeated: true,
            ..Repeater::ahead(call)
        };
        Frame {
            destination: self.link.local().into(),
            source: self.link.remote().into(),
            repeaters: self.path.iter().map(repeated).collect(),
            role,
            control,
            pid: control.has_pid().then_some(0xF0),
            info: text.trim_end_matches('"').as_bytes().to_vec(),
        }
    }

    fn line(&self, output: Output) -> String {
        match output {
            Output::Send {
                frame, expedited, ..
            } => {
                let mut frame = frame;
                if matches!(frame.control, Control::Xid { .. }) {
                    // What is in it is looked at elsewhere.
                    frame.info.clear();
                }
                let line = frame.to_string();
                let (way, what) = line.split_once(" : ").expect("two parts");
                let direct = format!("{} > {}", self.link.local(), self.link.remote());
                let via = way.strip_prefix(&direct).expect("from here to there");
                format!("{}{via} {what}", if expedited { ">>" } else { ">" })
            }
            Output::SeizeRequest => "seize".into(),
            Output::ReleaseRequest => "release".into(),
            Output::StateChanged { to, .. } => format!("=> {to}"),
            Output::Indicate(indication) => indicated(indication),
        }
    }

    /// Whatever happens, something will wake a link that waits for the other station.
    fn check_timers(&self) {
        let timer = self.link.next_wakeup().map(|(_, timer)| timer);
        match self.link.state() {
            State::Disconnected => assert_eq!(timer, None),
            State::Connected => assert!(timer.is_some()),
            _ => assert_eq!(timer, Some(Timer::T1)),
        }
    }
}

fn indicated(indication: Indication) -> String {
    match indication {
        Indication::ConnectIndication { after_reset: false } => "connect indication".into(),
        Indication::ConnectIndication { after_reset: true } => "connect indication, reset".into(),
        Indication::ConnectConfirm => "connect confirm".into(),
        Indication::DisconnectIndication { reason } => format!("disconnect indication: {reason}"),
        Indication::DisconnectConfirm => "disconnect confirm".into(),
        Indication::Data { info, .. } => format!("data {}", text(&info)),
        Indication::UnitData { info, .. } => format!("unit data {}", text(&info)),
        Indication::DataRefused { info, reason, .. } => {
            format!("refused {}: {reason}", text(&info))
        }
        Indication::Error(error) => format!("error {}", error.letter()),
        Indication::ManagementError(error) => format!("management error {error:?}"),
        Indication::Agreed(a) => format!(
            "agreed {:?} k {}/{} n1 {} n2 {}{}",
            a.reject,
            a.k_send,
            a.k_receive,
            a.n1_send,
            a.n2,
            if a.segmenter { " segmenter" } else { "" }
        ),
    }
}

fn text(info: &[u8]) -> String {
    String::from_utf8_lossy(info).into_owned()
}

pub fn data(text: &str) -> Request {
    Request::Data {
        pid: 0xF0,
        info: text.into(),
    }
}

/// A frame arrives from the other station.
macro_rules! send {
    ($s:expr, time $ms:expr, $frame:expr) => {
        $s.hear($ms, $frame)
    };
}

/// Layer 3 asks.
macro_rules! ask {
    ($s:expr, time $ms:expr, $request:expr) => {
        $s.ask($ms, $request)
    };
}

/// All that the link has put out since the last look, in order: `>` frames, `>>` expedited
/// frames, `=>` states, and indications.
macro_rules! recv {
    ($s:expr, $($line:expr),+ $(,)?) => {
        assert_eq!($s.take(), [$($line),+])
    };
}

/// Nothing was put out.
macro_rules! recv_nothing {
    ($s:expr) => {
        assert_eq!($s.take(), Vec::<String>::new())
    };
}

/// A timer ends, and it is the next to end.
macro_rules! wake {
    ($s:expr, time $ms:expr, $timer:ident) => {
        $s.wake(dunlin_ax25::data_link::Timer::$timer, $ms)
    };
}

pub(crate) use {ask, recv, recv_nothing, send, wake};
