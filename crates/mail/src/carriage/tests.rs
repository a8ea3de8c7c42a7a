//! Two carriages against keepers in memory, over links that drop at every octet.

mod later;
mod room;

use std::collections::{BTreeMap, BTreeSet};

use dunlin_clock::{Chance, WallTime};

use super::{Carriage, Input, Output, Settings, Ticket};
use crate::exchange::{self, Limits, Partial, Why};
use crate::post::{
    Answer, Ask, HoldRules, Letter, Much, Outcome, PartnerRule, Proof, Routes, Standing,
};
use crate::{Kind, Message, MessageId, Precedence, Station};

const NOW: WallTime = WallTime(1_796_000_000_500);
/// Octets that come at once.
const FRAME: usize = 64;

fn call(text: &str) -> Station {
    text.parse().expect("a call sign")
}

/// A keeper without a disk.
struct Keeper {
    settings: Settings,
    letters: BTreeMap<MessageId, Letter>,
    waiting: BTreeSet<MessageId>,
    partials: BTreeMap<MessageId, Partial>,
    tried: Vec<MessageId>,
    turned_away: u32,
    notes: Vec<String>,
    /// Times that something was kept, by message.
    kept: BTreeMap<MessageId, u32>,
    full: bool,
    /// All that may be here.
    room: Option<Much>,
    no_partials: bool,
    settles_nothing: bool,
    /// Messages told of the queue at once, at most, besides what was told before.
    most: usize,
    /// Times that the queue was read.
    read: u32,
    /// How often the partials were wanted with it.
    read_partials: u32,
}

impl Keeper {
    fn new(own: &str, partner: &str, calls: bool) -> Keeper {
        let rule = PartnerRule {
            partner: call(partner),
            homes: Vec::new(),
            areas: vec!["ISLES".into()],
            carries_all: false,
            trusted: false,
        };
        Keeper {
            settings: Settings {
                exchange: exchange::Settings {
                    own: call(own),
                    partner: call(partner),
                    calls,
                    limits: Limits {
                        packed: 100_000,
                        turn: 512,
                    },
                },
                proof: Proof::KnownPath,
                routes: Routes {
                    own: call(own),
                    keeps_for: vec![],
                    partners: vec![rule],
                },
                holds: HoldRules::default(),
                areas: None,
                asked: false,
            },
            letters: BTreeMap::new(),
            waiting: BTreeSet::new(),
            partials: BTreeMap::new(),
            tried: Vec::new(),
            turned_away: 0,
            notes: Vec::new(),
            kept: BTreeMap::new(),
            full: false,
            room: None,
            no_partials: false,
            settles_nothing: false,
            most: usize::MAX,
            read: 0,
            read_partials: 0,
        }
    }

    fn write(&mut self, mut message: Message) {
        let id = message.id;
        message.taken_by(self.settings.exchange.own, message.written);
        self.letters.insert(id, Letter::draft(message, NOW));
        self.waiting.insert(id);
    }

    fn answer(&mut self, ask: Ask) -> Answer {
        match ask {
            Ask::Outgoing { most, partials, .. } => {
                self.read += 1;
                self.read_partials += u32::from(partials);
                let most = self.most.saturating_add(most - super::MOST_TAKEN);
                let waiting = self.waiting.iter();
                let messages = waiting.map(|id| self.letters[id].message.clone());
                Answer::Outgoing {
                    messages: messages.take(most).collect(),
                    partials: self.partials.values().cloned().collect(),
                    more: self.waiting.len() > most,
                }
            }
            Ask::Known { id, .. } => Answer::Known {
                known: self.letters.contains_key(&id),
                turned_away: self.turned_away,
            },
            Ask::Room { precedence, more } => self.room_for(precedence, more),
            Ask::Keep(_) if self.full => Answer::NotKept {
                words: "no room".into(),
            },
            Ask::Keep(letter) => {
                let id = letter.message.id;
                *self.kept.entry(id).or_default() += 1;
                self.letters.insert(id, *letter);
                Answer::Kept
            }
            Ask::Settle { .. } if self.settles_nothing => Answer::Failed {
                words: "no room".into(),
            },
            Ask::Settle { id, outcome, .. } => {
                if outcome.has_it(NOW).is_some() || !outcome.passes() {
                    self.waiting.remove(&id);
                }
                if let (Outcome::Taken(step), Some(letter)) = (outcome, self.letters.get_mut(&id)) {
                    letter.message.taken_by(step.station, step.at);
                }
                Answer::Done
            }
            Ask::Tried { ids, .. } => {
                self.tried.extend(ids);
                Answer::Done
            }
            Ask::KeepPartial(_) if self.no_partials => Answer::Failed {
                words: "no room".into(),
            },
            Ask::KeepPartial(partial) => {
                self.partials.insert(partial.id, partial);
                Answer::Done
            }
            Ask::DropPartial(id) => {
                self.partials.remove(&id);
                Answer::Done
            }
            Ask::TurnedAway { .. } => {
                self.turned_away += 1;
                Answer::Done
            }
            other => panic!("a carriage does not ask {other:?}"),
        }
    }

    /// Does what the carriage wants; what it sends, and whether it has ended.
    fn serve(&mut self, carriage: &mut Carriage) -> (Vec<u8>, bool) {
        let (mut sent, mut ended) = (Vec::new(), false);
        while let Some(output) = carriage.poll() {
            match output {
                Output::Send(octets) => sent.extend(octets),
                Output::Ask(ticket, ask) => {
                    let answer = Box::new(self.answer(ask));
                    carriage.handle(Input::Answer(ticket, answer), NOW);
                }
                Output::Note(words) => self.notes.push(words),
                Output::CameToNothing(_) => {}
                Output::Ended { .. } => ended = true,
            }
        }
        (sent, ended)
    }
}

fn message(number: u64, kind: Kind, body: &str) -> Message {
    let origin = call("QA1SKY");
    Message {
        id: MessageId { origin, number },
        kind,
        precedence: Precedence::Routine,
        from: "QA1SKY".parse().expect("an address"),
        written: WallTime(NOW.0 - 60_000),
        title: "Cots".into(),
        body: body.into(),
        chain: Vec::new(),
    }
}

fn to(address: &str) -> Kind {
    let to = address.parse().expect("an address");
    Kind::Personal { to }
}

/// One link that drops after so many octets. Gives back how many went over.
fn link(keepers: &mut [Keeper; 2], drops: usize) -> usize {
    link_and(keepers, drops, |_, _, _| {}).0
}

/// The same; whatever goes over, `meanwhile` is told how many octets have. Gives back also which of the two have
/// something left.
fn link_and(
    keepers: &mut [Keeper; 2],
    drops: usize,
    mut meanwhile: impl FnMut(usize, &mut [Keeper; 2], &mut [Carriage; 2]),
) -> (usize, [bool; 2]) {
    let mut carriages = [0, 1].map(|side| Carriage::new(keepers[side].settings.clone(), NOW));
    let mut lines: [Vec<u8>; 2] = Default::default();
    let (mut passed, mut ended) = (0, [false; 2]);
    loop {
        for side in 0..2 {
            let (sent, over) = keepers[side].serve(&mut carriages[side]);
            lines[side].extend(sent);
            ended[side] |= over;
        }
        if ended == [true; 2] {
            assert!(carriages.iter().all(Carriage::is_through));
            return (passed, [0, 1].map(|side| carriages[side].has_left()));
        }
        let moving = (0..2).find(|&side| !lines[side].is_empty());
        match moving.filter(|_| passed < drops) {
            Some(side) => {
                let count = lines[side].len().min(drops - passed).min(FRAME);
                let octets = lines[side].drain(..count).collect();
                passed += count;
                carriages[1 - side].handle(Input::Received(octets), NOW);
                meanwhile(passed, keepers, &mut carriages);
            }
            None => {
                assert!(passed >= drops, "it stands still");
                lines = Default::default();
                for carriage in &mut carriages {
                    carriage.handle(Input::Dropped, NOW);
                }
            }
        }
    }
}

/// One link on which the called station loses its power after so many octets: nothing but what its keeper has is
/// left there.
fn killed(keepers: &mut [Keeper; 2], after: usize) {
    let mut carriages = [0, 1].map(|side| Carriage::new(keepers[side].settings.clone(), NOW));
    let mut lines: [Vec<u8>; 2] = Default::default();
    let mut passed = 0;
    loop {
        for side in 0..2 {
            let (sent, _) = keepers[side].serve(&mut carriages[side]);
            lines[side].extend(sent);
        }
        let moving = (0..2).find(|&side| !lines[side].is_empty());
        let Some(side) = moving.filter(|_| passed < after) else {
            break;
        };
        let count = lines[side].len().min(after - passed).min(FRAME);
        let octets = lines[side].drain(..count).collect();
        passed += count;
        carriages[1 - side].handle(Input::Received(octets), NOW);
    }
    carriages[0].handle(Input::Dropped, NOW);
    keepers[0].serve(&mut carriages[0]);
}

fn pair() -> [Keeper; 2] {
    let mut near = Keeper::new("QA1SKY", "QM2REE", true);
    let mut far = Keeper::new("QM2REE", "QA1SKY", false);
    near.write(message(
        1,
        to("QM2REE"),
        &"Forty cots come by ferry. ".repeat(20),
    ));
    let mut back = message(2, to("QA1SKY"), "Thank you.");
    back.id.origin = call("QM2REE");
    far.write(back);
    [near, far]
}

#[test]
fn wherever_the_link_drops_each_message_arrives_once_and_whole() {
    let whole = link(&mut pair(), usize::MAX);
    for drops in 0..=whole {
        let mut keepers = pair();
        link(&mut keepers, drops);
        link(&mut keepers, usize::MAX);
        for (from, to) in [(0, 1), (1, 0)] {
            assert!(keepers[from].waiting.is_empty(), "after {drops}");
            assert!(keepers[to].partials.is_empty(), "after {drops}");
            assert!(keepers[to].kept.values().all(|times| *times == 1));
            assert_eq!(keepers[to].kept.len(), 1, "after {drops}");
        }
        let [near, far] = &keepers;
        for (id, letter) in &near.letters {
            let other = &far.letters[id];
            assert_eq!(letter.message.body, other.message.body);
            assert_eq!(letter.message.title, other.message.title);
        }
    }
}

#[test]
fn a_power_cut_costs_little_of_what_had_arrived() {
    let long = || {
        let mut keepers = pair();
        for keeper in &mut keepers {
            keeper.settings.exchange.limits.turn = 6000;
        }
        let mut chance = Chance::stream(1, "long");
        let letter = |_| char::from(b'a' + chance.below(26) as u8);
        let body: String = (0..12_000).map(letter).collect();
        keepers[0].write(message(3, to("QM2REE"), &body));
        keepers
    };
    let whole = link(&mut long(), usize::MAX);
    assert!(whole > 7000, "{whole}");
    for cut in (0..=whole).step_by(97).chain([whole]) {
        let mut keepers = long();
        killed(&mut keepers, cut);
        let again = link(&mut keepers, usize::MAX);
        // What is sent twice: less than is kept at once, a frame, and hello, offers and chains.
        let twice = (cut + again).saturating_sub(whole);
        assert!(twice < 1024 + FRAME + 300, "{twice} after {cut}");
        assert!(keepers[0].waiting.is_empty(), "after {cut}");
        assert!(keepers[1].partials.is_empty(), "after {cut}");
        let times: Vec<u32> = keepers[1].kept.values().copied().collect();
        assert_eq!(times, [1, 1], "after {cut}");
    }
}

#[test]
fn a_full_disk_is_told_once_although_much_arrives() {
    let mut keepers = pair();
    let mut chance = Chance::stream(1, "long");
    let letter = |_| char::from(b'a' + chance.below(26) as u8);
    let body: String = (0..12_000).map(letter).collect();
    keepers[0].write(message(3, to("QM2REE"), &body));
    keepers[1].no_partials = true;
    link(&mut keepers, usize::MAX);
    assert_eq!(keepers[1].kept.len(), 2, "it needs no partials");
    assert_eq!(keepers[1].notes.len(), 1, "{:?}", keepers[1].notes);
}

#[test]
fn what_was_under_way_at_a_bad_end_is_told_and_a_letter_says_where_it_stands() {
    let mut keepers = pair();
    let whole = link(&mut pair(), usize::MAX);
    link(&mut keepers, whole / 2);
    assert_eq!(keepers[0].tried.len(), 1);
    link(&mut keepers, usize::MAX);
    let letter = keepers[1].letters.values().find(|l| l.proof != Proof::Own);
    let letter = letter.expect("it has arrived");
    assert_eq!(letter.standing, Standing::Here);
    assert_eq!(letter.proof, Proof::KnownPath);
    assert!(letter.message.has_been_at(call("QM2REE")));
    assert_eq!(letter.message.chain[1].at.0 % 1000, 0, "whole seconds");
}

#[test]
fn what_nobody_carries_on_is_refused_at_the_offer_and_not_again_and_again() {
    let mut keepers = pair();
    keepers[0].write(message(3, to("QZ1FAR at QZ2FAR"), "x"));
    keepers[1].turned_away = super::MOST_REPEATS;
    link(&mut keepers, usize::MAX);
    assert_eq!(keepers[1].kept.len(), 1);
    assert!(keepers[0].waiting.is_empty(), "it is told");
    let note = &keepers[1].notes[0];
    assert!(note.contains("again and again"), "{note}");
    assert_eq!(keepers[1].turned_away, super::MOST_REPEATS + 1);
}

#[test]
fn a_bulletin_of_an_area_that_is_not_served_is_refused_and_one_of_unknown_origin_is_held() {
    let kind = |area: &str| Kind::Bulletin {
        topic: "FERRY".into(),
        area: area.into(),
    };
    let mut keepers = pair();
    keepers[0].write(message(3, kind("REEF"), "x"));
    let mut foreign = message(4, kind("ISLES"), "x");
    foreign.id.origin = call("QM3BAR");
    keepers[0].write(foreign);
    keepers[1].settings.areas = Some(vec!["ISLES".into()]);
    keepers[1].settings.proof = Proof::HeardAsClaimed;
    link(&mut keepers, usize::MAX);
    assert_eq!(keepers[1].kept.len(), 2);
    let held = |l: &&Letter| matches!(l.standing, Standing::Held { .. });
    let held: Vec<u64> = keepers[1]
        .letters
        .values()
        .filter(held)
        .map(|l| l.message.id.number)
        .collect();
    assert_eq!(held, [4]);
    assert!(keepers[1].notes[0].contains("is held"));
}

#[test]
fn without_room_it_waits_and_what_arrived_is_not_sent_again() {
    let mut keepers = pair();
    keepers[1].full = true;
    link(&mut keepers, usize::MAX);
    assert_eq!(keepers[0].waiting.len(), 1);
    assert_eq!(keepers[1].partials.len(), 1);
    assert!(keepers[1].notes[0].contains("could not be kept: no room"));
    keepers[1].full = false;
    let passed = link(&mut keepers, usize::MAX);
    assert!(passed < 120, "{passed} octets");
    assert_eq!(
        (keepers[0].waiting.len(), keepers[1].partials.len()),
        (0, 0)
    );
}

#[test]
fn answers_after_the_end_are_taken_and_nothing_is_said_to_be_stored_before_it_is() {
    let mut keepers = pair();
    let mut carriages = [0, 1].map(|side| Carriage::new(keepers[side].settings.clone(), NOW));
    let mut late: Option<(Ticket, Ask)> = None;
    let mut lines: [Vec<u8>; 2] = Default::default();
    while late.is_none() {
        for side in 0..2 {
            while let Some(output) = carriages[side].poll() {
                match output {
                    Output::Send(octets) => lines[side].extend(octets),
                    Output::Ask(ticket, ask @ Ask::Keep(_)) if side == 1 => {
                        late = Some((ticket, ask));
                    }
                    Output::Ask(ticket, ask) => {
                        let answer = Box::new(keepers[side].answer(ask));
                        carriages[side].handle(Input::Answer(ticket, answer), NOW);
                    }
                    Output::Note(_) | Output::CameToNothing(_) | Output::Ended { .. } => {}
                }
            }
        }
        for side in 0..2 {
            let octets = std::mem::take(&mut lines[side]);
            if !octets.is_empty() {
                carriages[1 - side].handle(Input::Received(octets), NOW);
            }
        }
    }
    carriages[1].handle(Input::Dropped, NOW);
    let (sent, ended) = keepers[1].serve(&mut carriages[1]);
    assert!(sent.is_empty() && ended && !carriages[1].is_through());
    assert_eq!(keepers[1].partials.len(), 1, "kept, as it is not stored");
    let (ticket, ask) = late.expect("it was to be kept");
    let answer = Box::new(keepers[1].answer(ask));
    carriages[1].handle(Input::Answer(ticket, answer), NOW);
    keepers[1].serve(&mut carriages[1]);
    assert!(carriages[1].is_through());
    assert_eq!(keepers[1].partials.len(), 0);
    link(&mut keepers, usize::MAX);
    assert!(keepers[0].waiting.is_empty(), "told that it is there");
    assert!(keepers[1].kept.values().all(|times| *times == 1));
}

#[test]
fn what_cannot_be_offered_does_not_wait_for_ever_and_failures_are_told() {
    let mut keepers = pair();
    let mut wrong = message(9, to("QM2REE"), "x");
    wrong.written = WallTime(-5000);
    keepers[0].write(wrong);
    link(&mut keepers, usize::MAX);
    assert!(keepers[0].notes[0].contains("cannot be offered"));
    assert!(keepers[0].waiting.is_empty());
    let settings = keepers[0].settings.clone();
    let mut carriage = Carriage::new(settings, NOW);
    let Some(Output::Ask(ticket, _)) = carriage.poll() else {
        panic!("it asks first");
    };
    let words = "the disk is gone".to_owned();
    let failed = Box::new(Answer::Failed { words });
    carriage.handle(Input::Answer(ticket, failed), NOW);
    let Some(Output::Note(note)) = carriage.poll() else {
        panic!("it tells");
    };
    assert!(note.contains("the disk is gone"), "{note}");
    assert!(matches!(carriage.poll(), Some(Output::Send(_))));
    assert!(!Outcome::Refused(Why::TooLarge).passes());
}
