//! Segments of long data (AX.25 2.2 §6.6, C6) in any order, through a link of version 2.2, against
//! a reassembler of its own.

use dunlin_ax25::data_link::{
    DlError, Indication, Input, Link, LinkConfig, Output, Timer, Version,
};
use dunlin_ax25::wire::xid::{Functions, Parameters, Reject};
use dunlin_ax25::wire::{Control, Frame, Role, pid};
use dunlin_clock::Instant;

use super::source::Source;

/// What should come out.
#[derive(Debug, Default, PartialEq)]
struct Out {
    data: Vec<(u8, Vec<u8>)>,
    errors: usize,
}

/// The figures C6.2 to C6.4, as `docs/ax25-reading.md` reads them.
#[derive(Default)]
struct Oracle {
    /// Segments to come, and what came.
    open: Option<(u8, Vec<u8>)>,
    out: Out,
}

impl Oracle {
    fn take(&mut self, pid: u8, info: &[u8]) {
        let open = self.open.take();
        let segment = (pid == 0x08).then_some(info).and_then(<[u8]>::split_first);
        let joined = match (open, segment) {
            (None, None) if pid != 0x08 => return self.out.data.push((pid, info.to_vec())),
            (None, Some((header, data))) if header & 0x80 != 0 => {
                Some((header & 0x7F, data.to_vec()))
            }
            (Some((left, mut all)), Some((header, data))) if left > 0 && *header == left - 1 => {
                all.extend(data);
                Some((*header, all))
            }
            _ => None,
        };
        match joined {
            Some((0, all)) => match all.split_first() {
                Some((pid, data)) => self.out.data.push((*pid, data.to_vec())),
                None => self.out.errors += 1,
            },
            Some(more) => self.open = Some(more),
            None => self.out.errors += 1,
        }
    }
}

struct Receiver {
    link: Link,
    now: Instant,
    vs: u8,
    out: Out,
}

impl Receiver {
    fn new() -> Self {
        let call = |text: &str| text.parse().expect("call sign");
        let mut config = LinkConfig::new(call("QA1SKY"), call("QM3BAR"));
        config.version = Version::V22;
        let link = Link::new(config).expect("good configuration");
        let (now, out) = (Instant::ZERO, Out::default());
        let mut receiver = Receiver {
            link,
            now,
            vs: 0,
            out,
        };
        receiver.connect();
        receiver
    }

    fn connect(&mut self) {
        self.vs = 0;
        self.hear(Control::Sabme { p: true }, None, Vec::new());
        let functions = Functions {
            reject: Reject::Selective,
            modulo_128: true,
            multiple_srej: true,
            segmenter: true,
        };
        let offer = Parameters {
            functions: Some(functions),
            ..Parameters::default()
        };
        self.hear(Control::Xid { pf: true }, None, offer.encode());
        assert!(self.link.agreed().segmenter);
    }

    fn send(&mut self, pid: u8, info: Vec<u8>) {
        let control = Control::I {
            ns: self.vs,
            nr: 0,
            p: false,
        };
        self.vs = (self.vs + 1) % 128;
        self.hear(control, Some(pid), info);
    }

    fn hear(&mut self, control: Control, pid: Option<u8>, info: Vec<u8>) {
        let (source, destination) = (self.link.remote().into(), self.link.local().into());
        let frame = Frame {
            source,
            destination,
            repeaters: Vec::new(),
            role: Role::Command,
            control,
            pid,
            info,
        };
        self.handle(Input::Frame(frame));
    }

    fn handle(&mut self, input: Input) {
        self.link.handle(self.now, input);
        while let Some(output) = self.link.poll() {
            match output {
                Output::Indicate(Indication::Data { pid, info }) => self.out.data.push((pid, info)),
                Output::Indicate(Indication::Error(DlError::Z)) => self.out.errors += 1,
                _ => {}
            }
        }
    }
}

pub fn run(octets: &[u8]) {
    let mut source = Source::new(octets);
    let mut receiver = Receiver::new();
    let mut oracle = Oracle::default();
    while !source.is_empty() {
        let step = source.octet();
        let length = source.below(12);
        let mut info = source.take(length).to_vec();
        let next = oracle
            .open
            .as_ref()
            .map_or(0, |(left, _)| left.wrapping_sub(1) & 0x7F);
        let pid = match step % 8 {
            0 => 0xF0,
            1 => step,
            // As it comes: any header, or none.
            2 | 3 => pid::SEGMENT,
            4 => {
                info.insert(0, 0x80 | step >> 4);
                pid::SEGMENT
            }
            5 if step > 240 => {
                receiver.connect();
                oracle.open = None;
                continue;
            }
            6 if step > 240 => {
                wait_for_more(&mut receiver, &mut oracle);
                continue;
            }
            _ => {
                info.insert(0, next);
                pid::SEGMENT
            }
        };
        oracle.take(pid, &info);
        receiver.send(pid, info);
        assert_eq!(
            std::mem::take(&mut receiver.out),
            std::mem::take(&mut oracle.out)
        );
    }
}

/// TR210 ends if it runs: the link asks first whether the other end is there, which answers.
fn wait_for_more(receiver: &mut Receiver, oracle: &mut Oracle) {
    for _ in 0..20 {
        let Some((at, timer)) = receiver.link.next_wakeup() else {
            return;
        };
        if oracle.open.is_none() {
            return;
        }
        receiver.now = at;
        receiver.handle(Input::Wakeup);
        if timer == Timer::T210 {
            oracle.open = None;
            oracle.out.errors += 1;
        } else {
            let (nr, pf) = (0, true);
            let mut answer = Frame::ui(
                receiver.link.remote(),
                receiver.link.local(),
                &[],
                0,
                vec![],
            );
            (answer.control, answer.pid) = (Control::Rr { nr, pf }, None);
            answer.role = Role::Response;
            receiver.handle(Input::Frame(answer));
        }
    }
    panic!("what is missing is waited for without end");
}
