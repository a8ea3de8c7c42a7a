//! A station with one controller, and at its other end somebody played by the test, frame by
//! frame: what a well-made link would never say can be said here.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Address, Control, Modulo, Repeater, Role, pid};
use dunlin_clock::Duration;
use dunlin_station::{
    Command, Input, PortId, RejectKind, RejectView, StationConfig, TalkId, TalkLine, TalkView,
};

use crate::cable::{Cable, with_controller};
use crate::wire::call;

/// Long enough for whatever the station wants to say at once.
pub const SOON: Duration = Duration::from_secs(3);
pub const MINUTE: Duration = Duration::from_secs(60);

pub struct Peer {
    pub cable: Cable,
    seen: usize,
    pub modulo: Modulo,
}

/// A frame to QA1SKY without digipeaters; text where the kind has any.
pub fn from(source: &str, role: Role, control: Control) -> Frame {
    Frame {
        source: Address::from(call(source)),
        destination: Address::from(call("QA1SKY")),
        repeaters: Vec::new(),
        role,
        control,
        pid: control.has_pid().then_some(pid::NO_LAYER_3),
        info: match control.has_pid() {
            true => b"blankets\r".to_vec(),
            false => Vec::new(),
        },
    }
}

pub fn command(control: Control) -> Frame {
    from("QM3BAR", Role::Command, control)
}

pub fn response(control: Control) -> Frame {
    from("QM3BAR", Role::Response, control)
}

pub fn via(mut frame: Frame, digipeaters: &[&str]) -> Frame {
    let done = |text: &&str| Repeater {
        has_been_repeated: true,
        ..Repeater::ahead(call(text))
    };
    frame.repeaters = digipeaters.iter().map(done).collect();
    frame
}

impl Peer {
    pub fn new() -> Peer {
        Peer::with(with_controller("QA1SKY", 1))
    }

    pub fn with(config: StationConfig) -> Peer {
        Peer {
            cable: Cable::new(vec![config], 1),
            seen: 0,
            modulo: Modulo::Eight,
        }
    }

    /// The station hears a frame.
    pub fn says(&mut self, frame: &Frame) {
        let octets = frame.encode_modulo(self.modulo);
        self.says_octets(&octets);
    }

    pub fn says_octets(&mut self, octets: &[u8]) {
        let port = PortId(0);
        self.cable.handle(0, Input::Frame { port, octets });
    }

    /// What the station has sent since the last look, after a while.
    pub fn hears(&mut self) -> Vec<Control> {
        self.waits(SOON);
        let handed = &self.cable.handed[0][self.seen..];
        let read = |o: &Vec<u8>| Frame::decode_modulo(o, self.modulo).expect("a frame");
        let sent = handed.iter().map(|(_, o)| read(o).control).collect();
        self.seen = self.cable.handed[0].len();
        sent
    }

    pub fn waits(&mut self, time: Duration) {
        self.cable.run(time, |_| false);
    }

    /// The station calls, by digipeaters if any.
    pub fn is_called(&mut self, by: &[&str]) -> TalkId {
        let open = Command::OpenTalk {
            port: PortId(0),
            to: call("QM3BAR"),
            via: by.iter().map(|c| call(c)).collect(),
        };
        match self.cable.command(0, open) {
            dunlin_station::Reply::Talk(id) => id,
            _ => panic!("a talk was asked for"),
        }
    }

    /// The station calls and is answered.
    pub fn is_connected(&mut self) -> TalkId {
        let talk = self.is_called(&[]);
        self.waits(SOON);
        self.says(&response(Control::Ua { f: true }));
        self.hears();
        talk
    }

    pub fn say(&mut self, talk: TalkId, text: &str) {
        let text = text.to_owned();
        self.cable.command(0, Command::Say { talk, text });
    }

    pub fn talk(&self) -> TalkView {
        self.cable.stations[0].snapshot(self.cable.now).talks[0].clone()
    }

    pub fn lines(&self) -> Vec<TalkLine> {
        self.cable.stations[0].snapshot(self.cable.now).lines
    }

    /// What of this kind was not taken.
    pub fn rejected(&self, kind: RejectKind) -> Option<RejectView> {
        let all = self.cable.stations[0].snapshot(self.cable.now).rejects;
        all.into_iter().find(|r| r.kind == kind)
    }

    /// One of this kind was not taken, and the example says this.
    pub fn assert_rejected(&self, kind: RejectKind, words: &str) {
        let Some(view) = self.rejected(kind) else {
            let all = self.cable.stations[0].snapshot(self.cable.now).rejects;
            panic!("{kind:?} is missing in {all:#?}");
        };
        assert!(view.example.contains(words), "{view:?}");
        assert!(!view.reason.is_empty() && view.count > 0, "{view:?}");
    }

    pub fn noted(&self, words: &str) -> bool {
        let notes = self.cable.stations[0].snapshot(self.cable.now).notes;
        notes.iter().any(|n| n.text.contains(words))
    }
}
