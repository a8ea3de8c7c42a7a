//! Every course that two links can take on a half-duplex channel that may lose any frame:
//! explored to the end by a model checker, on the machines as they are.
//!
//! What a state must keep is in [`World::properties`]; that no exchange goes on for ever without
//! progress is shown apart, by the absence of cycles ([`search_for_cycles`]).

mod cycles;
mod ends;
#[path = "../half_duplex/mod.rs"]
mod half_duplex;

use std::hash::{Hash, Hasher};

use cycles::search_for_cycles;
use dunlin_ax25::data_link::{Input, LinkConfig, Request, State, Timer, Version};
use dunlin_clock::Duration;
use ends::{End, EndKey, Plan};
use stateright::{Checker, Model, Property};

/// Who is on the air, and the frames that are still to come.
type Transmission = (usize, Vec<Vec<u8>>);

/// Both ends and the channel between them.
#[derive(Clone, Debug)]
struct Pair {
    ends: [End; 2],
    air: Option<Transmission>,
}

impl Pair {
    fn key(&self) -> (EndKey, EndKey, [u64; 2], Option<&Transmission>) {
        let accounted = [self.accounted(0), self.accounted(1)];
        let [one, other] = &self.ends;
        (one.key(), other.key(), accounted, self.air.as_ref())
    }

    /// The texts of an end, a bit for each, that were delivered or came back. Once it is one of
    /// the two, no property asks which.
    fn accounted(&self, from: usize) -> u64 {
        let known = self.ends[from]
            .back
            .iter()
            .chain(&self.ends[1 - from].delivered);
        known.fold(0, |all, text| all | 1 << text)
    }

    /// All that an end was given is accounted for.
    fn is_whole(&self, from: usize) -> bool {
        let typed = 1..=self.ends[from].typed;
        let accounted = self.accounted(from);
        typed.into_iter().all(|text| accounted >> text & 1 == 1)
    }

    fn both(&mut self, input: &Input) {
        for end in &mut self.ends {
            end.handle(input.clone());
        }
    }
}

impl Hash for Pair {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.key().hash(state);
    }
}

impl PartialEq for Pair {
    fn eq(&self, other: &Self) -> bool {
        self.key() == other.key()
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Action {
    Connect(usize),
    Type(usize),
    Reset(usize),
    Disconnect(usize),
    /// An end goes on the air with all that waits.
    KeyUp(usize),
    /// The next frame of the transmission is heard, or lost.
    Hear,
    Lose,
    /// The next timer of an end ends.
    Timer(usize),
}

struct World {
    plan: Plan,
}

impl World {
    fn start(&self) -> Pair {
        let plan = &self.plan;
        let calls = ["QA1SKY", "QM3BAR"].map(|c| c.parse().expect("call sign"));
        let end = |place: usize| {
            let mut config = LinkConfig::new(calls[place], calls[1 - place]);
            config.version = plan.versions[place];
            config.selective = plan.selective;
            (config.k, config.k_extended) = (plan.k, plan.k);
            config.n2 = plan.n2;
            config.t3 = Duration::from_secs(600);
            End::new(config, plan, place)
        };
        let mut pair = Pair {
            ends: [end(0), end(1)],
            air: None,
        };
        if plan.before > 0 {
            self.pass_before(&mut pair);
        }
        pair
    }

    /// Connects the two and lets texts pass without any loss.
    fn pass_before(&self, pair: &mut Pair) {
        let settle = |pair: &mut Pair| {
            while let Some(place) = (0..2).find(|&p| pair.ends[p].at.wants_to_send()) {
                self.act(pair, Action::KeyUp(place));
                while pair.air.is_some() {
                    self.act(pair, Action::Hear);
                }
            }
        };
        pair.ends[0].handle(Input::Request(Request::Connect));
        settle(pair);
        for _ in 0..self.plan.before {
            for end in &mut pair.ends {
                end.request_data(vec![0]);
                end.handle(Input::Wakeup);
            }
            settle(pair);
        }
        for end in &mut pair.ends {
            assert_eq!(end.at.link.state(), State::Connected);
            assert_eq!(end.delivered.len(), usize::from(self.plan.before));
            end.delivered.clear();
            end.connects = 0;
        }
    }

    fn act(&self, pair: &mut Pair, action: Action) {
        match action {
            Action::Connect(place)
            | Action::Reset(place)
            | Action::Disconnect(place)
            | Action::Type(place) => pair.ends[place].person_does(action),
            Action::KeyUp(place) => {
                let frames = pair.ends[place].at.burst();
                if !frames.is_empty() {
                    pair.air = Some((place, frames));
                    pair.both(&Input::ChannelBusy(true));
                }
            }
            Action::Hear | Action::Lose => {
                let Some((from, mut frames)) = pair.air.take() else {
                    return;
                };
                let octets = frames.remove(0);
                if !frames.is_empty() {
                    pair.air = Some((from, frames));
                }
                if action == Action::Hear {
                    pair.ends[1 - from].hear(&octets);
                }
                if pair.air.is_none() {
                    pair.both(&Input::ChannelBusy(false));
                }
            }
            Action::Timer(place) => {
                let end = &mut pair.ends[place];
                if let Some((at, _)) = end.at.link.next_wakeup() {
                    end.at.now = end.at.now.max(at);
                    end.handle(Input::Wakeup);
                }
            }
        }
    }

    /// Nothing more can happen: all is delivered and acknowledged, or both ends are down.
    fn is_good_end(pair: &Pair) -> bool {
        let [one, other] = &pair.ends;
        let states = [one.at.link.state(), other.at.link.state()];
        let settled = |end: &End| end.at.link.unacknowledged() + end.at.link.queued() == 0;
        let whole = (0..2).all(|from| pair.is_whole(from)) && pair.ends.iter().all(settled);
        states == [State::Disconnected; 2] || states == [State::Connected; 2] && whole
    }
}

impl End {
    fn person_does(&mut self, action: Action) {
        let request = match action {
            Action::Connect(_) => {
                self.connects -= 1;
                Request::Connect
            }
            Action::Reset(_) => {
                self.resets -= 1;
                Request::Connect
            }
            Action::Disconnect(_) => {
                self.disconnects -= 1;
                Request::Disconnect
            }
            _ => {
                self.texts -= 1;
                self.typed += 1;
                let info = vec![self.typed];
                Request::Data { pid: 0xF0, info }
            }
        };
        self.handle(Input::Request(request));
    }
}

impl Model for World {
    type State = Pair;
    type Action = Action;

    fn init_states(&self) -> Vec<Pair> {
        vec![self.start()]
    }

    fn actions(&self, pair: &Pair, actions: &mut Vec<Action>) {
        if pair.air.is_some() {
            return actions.extend([Action::Hear, Action::Lose]);
        }
        for (place, end) in pair.ends.iter().enumerate() {
            let state = end.at.link.state();
            let is_up = matches!(state, State::Connected | State::TimerRecovery);
            if end.connects > 0 && state == State::Disconnected {
                actions.push(Action::Connect(place));
            }
            if end.texts > 0 && state != State::Disconnected && state != State::AwaitingRelease {
                actions.push(Action::Type(place));
            }
            if end.resets > 0 && is_up {
                actions.push(Action::Reset(place));
            }
            if end.disconnects > 0 && state != State::Disconnected {
                actions.push(Action::Disconnect(place));
            }
            if end.at.wants_to_send() {
                actions.push(Action::KeyUp(place));
            }
            let timer = end.at.link.next_wakeup().map(|(_, timer)| timer);
            let turns_first =
                self.plan.patient && pair.ends.iter().any(|end| end.at.wants_to_send());
            if timer.is_some_and(|timer| timer != Timer::T3) && !turns_first {
                actions.push(Action::Timer(place));
            }
        }
        // In a quiet that leaves something in doubt, T3 ends in time.
        if actions.is_empty() && !World::is_good_end(pair) {
            let runs = |place: &usize| pair.ends[*place].at.link.next_wakeup().is_some();
            actions.extend((0..2).filter(runs).map(Action::Timer));
        }
    }

    fn next_state(&self, pair: &Pair, action: Action) -> Option<Pair> {
        let mut next = pair.clone();
        self.act(&mut next, action);
        Some(next)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        vec![
            Property::always("delivered in order, none twice", |_, pair: &Pair| {
                pair.ends.iter().all(End::is_in_order)
            }),
            Property::always(
                "without a reset nothing is left out",
                |world: &World, pair: &Pair| {
                    let quiet = world.plan.resets == [0; 2];
                    let counted = |end: &End| end.at.link.counters().resets == 0;
                    let gapless = pair.ends.iter().all(End::is_gapless);
                    gapless || !(quiet && pair.ends.iter().all(counted))
                },
            ),
            Property::always("nothing vanishes unknown", |_, pair: &Pair| {
                (0..2).all(|from| {
                    let known =
                        [&pair.ends[from].known()[..], &pair.ends[1 - from].delivered].concat();
                    (1..=pair.ends[from].typed).all(|text| known.contains(&text))
                })
            }),
            Property::always("the end is known to both", |world: &World, pair: &Pair| {
                let mut actions = Vec::new();
                world.actions(pair, &mut actions);
                !actions.is_empty() || World::is_good_end(pair)
            }),
            Property::sometimes("all arrives", |world: &World, pair: &Pair| {
                let whole = |from: usize| {
                    let to = &pair.ends[1 - from];
                    let last = to.delivered.last().copied().unwrap_or(0);
                    to.is_gapless() && last == world.plan.texts[from]
                };
                whole(0) && whole(1)
            }),
        ]
    }
}

/// Explores everything; gives how many states there are.
fn explore(plan: Plan) -> usize {
    let text = format!("{plan:?}");
    let checker = World { plan: plan.clone() }.checker().spawn_bfs().join();
    checker.assert_properties();
    let states = checker.unique_state_count();
    search_for_cycles(&World { plan });
    println!("{states} states: {text}");
    states
}

/// With either version, and with and without SREJ.
fn kinds(k: u8) -> Vec<Plan> {
    let plain = Plan {
        selective: false,
        ..Plan::new(Version::V22, k)
    };
    vec![
        Plan::new(Version::V20, k),
        Plan::new(Version::V22, k),
        plain,
    ]
}

fn explore_all(plans: impl IntoIterator<Item = Plan>) {
    let states: usize = plans.into_iter().map(explore).sum();
    println!("{states} states in all");
    assert!(states > 1000, "{states}");
}

#[test]
fn a_call_two_texts_and_any_loss() {
    explore_all((1..=2).flat_map(kinds));
}

#[test]
fn both_call_at_once_in_any_versions() {
    use Version::{V20, V22};
    for versions in [[V20, V20], [V22, V22], [V20, V22]] {
        explore(Plan {
            versions,
            connects: [1, 1],
            texts: [1, 0],
            ..Plan::new(V22, 1)
        });
    }
}

#[test]
fn texts_both_ways() {
    explore_all(kinds(1).into_iter().map(|plan| Plan {
        texts: [1, 1],
        ..plan
    }));
}

#[test]
fn a_goodbye() {
    explore_all(kinds(1).into_iter().map(|plan| Plan {
        disconnects: [0, 1],
        ..plan
    }));
}

#[test]
fn windows_of_three_where_the_numbers_run_over() {
    explore_all(kinds(3).into_iter().map(|plan| Plan {
        before: if plan.versions[0] == Version::V20 {
            6
        } else {
            126
        },
        texts: [3, 0],
        ..plan
    }));
}

/// Not patient: frames are overtaken while they wait.
#[test]
#[ignore = "minutes; cargo test --release -p dunlin-ax25 --test model -- --ignored"]
fn ends_whose_timers_do_not_wait_for_the_transmitter() {
    explore_all(kinds(1).into_iter().map(|plan| Plan {
        patient: false,
        texts: [1, 0],
        ..plan
    }));
}

#[test]
#[ignore = "minutes; cargo test --release -p dunlin-ax25 --test model -- --ignored"]
fn three_tries_windows_of_two_and_three_and_texts_both_ways() {
    explore_all((2..=3).flat_map(kinds).map(|plan| Plan {
        n2: 3,
        texts: [3, 1],
        ..plan
    }));
}

/// The person at either end resets the link at any moment.
#[test]
fn a_reset_by_a_person() {
    for resets in [[1, 0], [0, 1]] {
        let texts = [1, 0];
        explore_all(kinds(1).into_iter().map(|plan| Plan {
            texts,
            resets,
            ..plan
        }));
    }
}

#[test]
#[ignore = "minutes; cargo test --release -p dunlin-ax25 --test model -- --ignored"]
fn a_reset_by_each_person_and_texts_both_ways() {
    for resets in [[1, 0], [0, 1], [1, 1]] {
        explore_all((1..=2).flat_map(kinds).map(|plan| Plan {
            texts: [1, 1],
            resets,
            ..plan
        }));
    }
}

/// Both call, T1 is too short, and both wait for the transmitter (D15).
#[test]
#[ignore = "minutes; cargo test --release -p dunlin-ax25 --test model -- --ignored"]
fn both_call_and_no_timer_waits_for_the_transmitter() {
    use Version::{V20, V22};
    for versions in [[V20, V20], [V22, V22], [V20, V22]] {
        explore(Plan {
            versions,
            patient: false,
            connects: [1, 1],
            texts: [1, 0],
            ..Plan::new(V22, 1)
        });
    }
    explore(Plan {
        n2: 3,
        patient: false,
        connects: [1, 1],
        texts: [1, 1],
        ..Plan::new(V20, 1)
    });
}

#[test]
#[ignore = "minutes; cargo test --release -p dunlin-ax25 --test model -- --ignored"]
fn a_reset_and_no_timer_waits_for_the_transmitter() {
    for (version, resets) in [([Version::V20; 2], [1, 0]), ([Version::V20; 2], [0, 1])] {
        explore(Plan {
            versions: version,
            patient: false,
            texts: [1, 0],
            resets,
            ..Plan::new(Version::V20, 1)
        });
    }
}
