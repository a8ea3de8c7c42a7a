//! A peer that sends nonsense, and a layer 3 that asks at random: no panic, no lost text, and
//! never a link that waits with nothing to wake it.

use std::collections::BTreeSet;

use dunlin_ax25::data_link::{Indication, Input, Link, LinkConfig, Output, Request, State, Timer};
use dunlin_ax25::wire::{Control, Fault, Frame, Role};
use dunlin_clock::{Duration, Instant};
use proptest::prelude::*;

use crate::session::call;

#[derive(Clone, Debug)]
enum Step {
    Hear {
        control: u8,
        role: Role,
        info: usize,
    },
    Ask(Request),
    Type,
    TakeBack,
    Fault(Fault),
    Seize,
    Busy(bool),
    Wait(u64),
}

fn any_step() -> impl Strategy<Value = Step> {
    let role = prop_oneof![
        4 => Just(Role::Command),
        4 => Just(Role::Response),
        1 => any::<bool>().prop_map(|c_bits| Role::Legacy { c_bits }),
    ];
    let request = prop_oneof![
        3 => Just(Request::Connect),
        1 => Just(Request::Disconnect),
        1 => Just(Request::FlowOff),
        1 => Just(Request::FlowOn),
    ];
    let fault = prop_oneof![
        Just(Fault::ControlField),
        Just(Fault::InfoNotPermitted),
        Just(Fault::Length)
    ];
    prop_oneof![
        20 => (any::<u8>(), role, 0..40_usize)
            .prop_map(|(control, role, info)| Step::Hear { control, role, info }),
        3 => request.prop_map(Step::Ask),
        12 => Just(Step::Type),
        1 => Just(Step::TakeBack),
        1 => fault.prop_map(Step::Fault),
        3 => Just(Step::Seize),
        2 => any::<bool>().prop_map(Step::Busy),
        6 => (0..9000_u64).prop_map(Step::Wait),
    ]
}

struct Run {
    link: Link,
    now: Instant,
    typed: u32,
    /// Numbers of the texts that came back. None may come back twice.
    back: BTreeSet<u32>,
    busy: bool,
}

impl Run {
    fn step(&mut self, step: Step) {
        match step {
            Step::Hear {
                control,
                role,
                info,
            } => self.hear(control, role, info),
            Step::Ask(request) => self.input(Input::Request(request)),
            Step::Type => {
                self.typed += 1;
                let info = self.typed.to_be_bytes().to_vec();
                self.input(Input::Request(Request::Data { pid: 0xF0, info }));
            }
            Step::TakeBack => {
                for unsent in self.link.take_unsent() {
                    self.came_back(&unsent.info);
                }
            }
            Step::Fault(fault) => self.input(Input::Faulty(fault)),
            Step::Seize => self.input(Input::SeizeConfirm),
            Step::Busy(busy) => {
                self.busy = busy;
                self.input(Input::ChannelBusy(busy));
            }
            Step::Wait(ms) => {
                self.now += Duration::from_millis(ms);
                self.input(Input::Wakeup);
            }
        }
    }

    /// Through octets, as on the air: whatever does not decode is reported as the port would.
    fn hear(&mut self, control: u8, role: Role, info: usize) {
        let mut frame = Frame::ui(
            self.link.remote(),
            self.link.local(),
            &[],
            0xF0,
            vec![7; info],
        );
        frame.role = role;
        let mut octets = frame.encode();
        octets[14] = control;
        let must_be_bare = match Frame::decode(&octets[..15]) {
            Ok(frame) => frame.control != Control::Ui { pf: false },
            Err(_) => false,
        };
        match Frame::decode(if must_be_bare { &octets[..15] } else { &octets }) {
            Ok(frame) => self.input(Input::Frame(frame)),
            Err(error) => self.input(Input::Faulty(error.fault().expect("good addresses"))),
        }
    }

    fn input(&mut self, input: Input) {
        self.link.handle(self.now, input);
        while let Some(output) = self.link.poll() {
            match output {
                Output::Indicate(Indication::DataRefused { info, .. }) => self.came_back(&info),
                Output::Send { frame, .. } => {
                    assert_eq!(
                        Frame::decode(&frame.encode()),
                        Ok(frame),
                        "sends what decodes"
                    );
                }
                _ => {}
            }
        }
        self.check();
    }

    fn came_back(&mut self, info: &[u8]) {
        let number = u32::from_be_bytes(info.try_into().expect("four octets"));
        assert!(self.back.insert(number), "text {number} came back twice");
    }

    fn check(&self) {
        let link = &self.link;
        assert!(link.unacknowledged() <= 4, "window");
        let held = link.unacknowledged() + link.queued() + self.back.len();
        assert!(held <= self.typed as usize, "nothing is held twice");
        if self.busy {
            return;
        }
        let timer = link.next_wakeup().map(|(_, timer)| timer);
        match link.state() {
            State::Disconnected => {
                assert_eq!(timer, None);
                assert_eq!(link.unacknowledged() + link.queued(), 0);
            }
            State::Connected => assert!(timer.is_some()),
            _ => assert_eq!(timer, Some(Timer::T1)),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn nothing_breaks_a_link(steps in prop::collection::vec(any_step(), 1..300)) {
        let mut config = LinkConfig::new(call("QA1SKY"), call("QM3BAR"));
        (config.k, config.n1, config.n2) = (4, 32, 3);
        let link = Link::new(config).expect("good configuration");
        let back = BTreeSet::new();
        let mut run = Run { link, now: Instant::ZERO, typed: 0, back, busy: false };
        for step in steps {
            run.step(step);
        }
    }
}
