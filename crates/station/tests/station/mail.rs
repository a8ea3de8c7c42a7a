//! Exchanges of mail with a partner that says nothing, while nobody answers for the mail of the station.

use dunlin_clock::{Duration, Instant};
use dunlin_mail::Kind;
use dunlin_mail::post::{Answer, Ask, HoldRules, Letter, PartnerRule, Routes};
use dunlin_station::{
    Command, Draft, Input, MailRule, NodeRule, Partner, PartnerView, PortId, StationConfig,
    TalkState, WhoMayCross,
};

use crate::cable::{Cable, with_controller};
use crate::wire::call;

const MINUTE: Duration = Duration::from_secs(60);

fn keeps_mail() -> StationConfig {
    let mut config = with_controller("QA1SKY", 1);
    config.node = Some(NodeRule {
        call: call("QA1SKY-5"),
        ports: vec![PortId(0)],
        onward: Vec::new(),
        who: WhoMayCross::These(Vec::new()),
        hours: Default::default(),
        most: 2,
        most_share: 1.0,
        notes: Default::default(),
    });
    let partner = call("QM3BAR");
    config.mail = Some(MailRule {
        routes: Routes {
            own: call("QA1SKY"),
            keeps_for: Vec::new(),
            partners: vec![PartnerRule {
                partner,
                homes: Vec::new(),
                areas: Vec::new(),
                carries_all: true,
                trusted: false,
            }],
        },
        holds: HoldRules::default(),
        areas: None,
        room: Default::default(),
        keeping: Default::default(),
        partners: vec![Partner {
            call: partner,
            port: PortId(0),
            via: Vec::new(),
            hours: Default::default(),
            every: MINUTE * 240,
            most_octets: 10_000,
        }],
        most_share: 1.0,
        salt: 1,
    });
    config
}

/// The station, and QM3BAR, where a person sits and no mail is kept.
fn world() -> Cable {
    Cable::new(vec![keeps_mail(), with_controller("QM3BAR", 2)], 1)
}

fn partner(cable: &Cable) -> PartnerView {
    cable.stations[0].snapshot(cable.now).partners[0].clone()
}

/// All that the station has sent holds these octets somewhere, whatever frames they came in.
fn has_sent(cable: &Cable, words: &str) -> bool {
    let holds = |octets: &Vec<u8>| octets.windows(words.len()).any(|w| w == words.as_bytes());
    cable.handed[0].iter().any(|(_, octets)| holds(octets))
}

fn talk_state(cable: &Cable) -> Option<TalkState> {
    let snapshot = cable.stations[1].snapshot(cable.now);
    snapshot.talks.first().map(|talk| talk.state)
}

/// QM3BAR calls as the partner, and the exchange goes on.
fn called() -> Cable {
    let mut cable = world();
    cable.open(1, "QA1SKY-5");
    assert!(cable.run(MINUTE, |c| partner(c).exchanging));
    cable
}

fn call_partner(cable: &mut Cable) {
    let partner = call("QM3BAR");
    cable.command(0, Command::CallPartner { partner });
}

fn end(cable: &mut Cable, why: &str) {
    let (partner, why) = (call("QM3BAR"), why.to_owned());
    cable.command(0, Command::EndPartner { partner, why });
}

#[test]
fn a_keeper_that_does_not_answer_holds_up_the_partner_for_half_a_minute() {
    let mut cable = world();
    call_partner(&mut cable);
    assert!(cable.run(MINUTE, |c| talk_state(c) == Some(TalkState::Open)));
    let begun = cable.now;
    assert!(cable.run(MINUTE, has_said_hello), "it speaks");
    let waited = cable.now.since(begun);
    assert!(
        waited > Duration::from_secs(25) && waited < Duration::from_secs(35),
        "{waited:?}"
    );
}

/// A frame begins its text with a hello (docs/mail-exchange.md).
fn has_said_hello(cable: &Cable) -> bool {
    let hello = |o: &Vec<u8>| matches!(o.get(16..19), Some([0xd1, _, 1]));
    cable.handed[0].iter().any(|(_, octets)| hello(octets))
}

/// A letter of the operator that waits for QM3BAR.
fn waits_for_partner(cable: &mut Cable) -> Letter {
    let draft = Draft {
        kind: Kind::Personal {
            to: "QM3BAR".parse().expect("an address"),
        },
        precedence: Default::default(),
        title: "Cots".into(),
        body: "Forty.\n".into(),
        keep_back: false,
    };
    let now = cable.now;
    cable.stations[0].letter(now, draft).expect("a letter")
}

/// The tickets of all looks at the queue.
fn looks(cable: &Cable) -> Vec<u64> {
    let asked = cable.asked[0].iter();
    let looks = asked.filter(|(_, ask)| matches!(ask, Ask::Outgoing { .. }));
    looks.map(|(ticket, _)| *ticket).collect()
}

#[test]
fn an_exchange_after_a_call_that_failed_takes_along_what_is_queued_meanwhile() {
    let mut cable = world();
    cable.loss = 1.0;
    call_partner(&mut cable);
    assert!(cable.run(MINUTE * 5, |c| partner(c).failed == 1));
    cable.loss = 0.0;
    call_partner(&mut cable);
    assert!(cable.run(MINUTE, |c| !looks(c).is_empty()));
    let letter = &waits_for_partner(&mut cable);
    cable.handle(0, Input::MailKept { letter });
    let ticket = *looks(&cable).last().expect("it looks what waits");
    let answer = &Answer::Outgoing {
        messages: Vec::new(),
        partials: Vec::new(),
        more: false,
    };
    cable.handle(0, Input::MailAnswer { ticket, answer });
    cable.run(MINUTE, |_| false);
    assert!(looks(&cable).len() > 1, "it looks again");
}

#[test]
fn partners_are_called_for_what_a_visitor_has_left_only_once_it_is_kept() {
    let mut config = keeps_mail();
    if let Some(node) = &mut config.node {
        node.who = WhoMayCross::All;
    }
    let mut cable = Cable::new(vec![config, with_controller("QX0RLF", 2)], 1);
    let talk = cable.open(1, "QA1SKY-5");
    let left = |c: &Cable| {
        let mut asked = c.asked[0].iter();
        let left = asked.rfind(|(_, ask)| matches!(ask, Ask::Leave { .. }));
        left.map(|(ticket, _)| *ticket)
    };
    let leave = |cable: &mut Cable, answer: &Answer| {
        let before = left(cable);
        let text = "word qm3bar Forty cots.".into();
        cable.command(1, Command::Say { talk, text });
        assert!(cable.run(MINUTE, |c| left(c) != before), "it is left");
        let ticket = left(cable).expect("asked");
        let next = partner(cable).next_ms;
        cable.handle(0, Input::MailAnswer { ticket, answer });
        partner(cable).next_ms == next
    };
    assert!(cable.run(MINUTE, |c| talk_state(c) == Some(TalkState::Open)));
    let words = "enough for today".to_owned();
    assert!(leave(&mut cable, &Answer::NotAllowed { words }));
    assert!(!leave(&mut cable, &Answer::Kept), "a minute after it");
}

/// How often the mail was to be swept.
fn sweeps(cable: &Cable) -> usize {
    let asked = cable.asked[0].iter();
    asked
        .filter(|(_, ask)| matches!(ask, Ask::Sweep(_)))
        .count()
}

#[test]
fn mail_grows_no_older_once_the_clock_is_known_to_be_wrong() {
    let mut cable = Cable::new(vec![keeps_mail()], 1);
    cable.run(MINUTE * 150, |_| false);
    assert_eq!(sweeps(&cable), 2, "once an hour");
    let (ticket, _) = cable.asked[0].last().cloned().expect("asked");
    cable.handle(0, Input::ClockWrong);
    cable.handle(0, Input::ClockWrong);
    let answer = &Answer::Swept {
        nowhere: Vec::new(),
        deleted: 0,
        held: 0,
        more: true,
    };
    cable.handle(0, Input::MailAnswer { ticket, answer });
    cable.run(MINUTE * 300, |_| false);
    assert_eq!(sweeps(&cable), 2, "and no more");
    let notes = cable.stations[0].snapshot(cable.now).notes;
    let told = notes
        .iter()
        .filter(|n| n.text.contains("mail grows no older"));
    assert_eq!(told.count(), 1);
    let undated = cable.asked[0].iter();
    let undated = undated.filter(|(_, ask)| matches!(ask, Ask::ClockWrong { .. }));
    assert_eq!(undated.count(), 1);
}

#[test]
fn a_person_may_end_an_exchange_and_the_partner_hears_why() {
    let mut cable = called();
    end(&mut cable, "a gale comes");
    assert!(!partner(&cable).exchanging);
    let done = |c: &Cable| talk_state(c) == Some(TalkState::Ended);
    assert!(cable.run(MINUTE, done), "the link is released");
    assert!(has_sent(&cable, "ended by the operator: a gale comes"));
    let view = partner(&cable);
    assert_eq!(view.failed, 0, "nothing has failed");
    let next = view.next_ms.expect("it is called again");
    let in_ms = next.saturating_sub(cable.now.as_millis());
    assert!(in_ms > 100 * 60 * 1000, "not at once: in {in_ms} ms");
    let released = |c: &Cable| c.stations[0].exchanges_open() == 0;
    assert!(cable.run(MINUTE, released));
    let (partner, why) = (call("QM3BAR"), String::new());
    let now = cable.now;
    let refused = cable.stations[0].command(now, Command::EndPartner { partner, why });
    let refused = refused.expect_err("none goes on").to_string();
    assert!(refused.contains("no exchange with QM3BAR"), "{refused}");
}

#[test]
fn a_call_that_has_no_answer_yet_may_be_ended() {
    let mut cable = Cable::new(vec![keeps_mail()], 1);
    call_partner(&mut cable);
    cable.run(Duration::from_secs(5), |_| false);
    assert!(partner(&cable).exchanging);
    end(&mut cable, "");
    let sent = cable.handed[0].len();
    cable.run(MINUTE * 10, |_| false);
    let view = partner(&cable);
    assert!(!view.exchanging && view.failed == 0, "{view:?}");
    assert_eq!(cable.handed[0].len(), sent, "it calls no more");
    assert_eq!(cable.stations[0].exchanges_open(), 0);
}

#[test]
fn to_mute_a_partner_ends_its_exchange_and_it_is_not_called_meanwhile() {
    let mut cable = called();
    let mute = |minutes| Command::Mute {
        call: call("QM3BAR-7"),
        minutes,
        by: "op".into(),
        why: String::new(),
    };
    cable.command(0, mute(30));
    let done = |c: &Cable| talk_state(c) == Some(TalkState::Ended);
    assert!(cable.run(MINUTE, done), "the link is released");
    assert!(has_sent(&cable, "it is muted at the other station"));
    call_partner(&mut cable);
    cable.run(MINUTE * 5, |_| false);
    let view = partner(&cable);
    assert_eq!(
        (view.words.as_str(), view.exchanging),
        ("not called: it is muted", false)
    );
    assert!(
        cable.run(MINUTE * 40, |c| partner(c).exchanging),
        "afterwards it is"
    );
}

#[test]
fn a_partner_that_says_nothing_hears_that_it_is_ended() {
    let mut cable = called();
    let begun = cable.now;
    let over = |c: &Cable| !partner(c).exchanging;
    assert!(cable.run(MINUTE * 20, over));
    let lasted = cable.now.since(begun);
    assert!(lasted > MINUTE * 14 && lasted < MINUTE * 16, "{lasted:?}");
    assert_eq!(partner(&cable).failed, 1);
    // The other end might release the link, but a person knows nothing of that.
    let done = |c: &Cable| talk_state(c) == Some(TalkState::Ended);
    assert!(cable.run(MINUTE * 2, done), "the link is released");
    assert!(has_sent(&cable, "nothing has passed for too long"));
    assert!(cable.now.since(Instant::ZERO) < MINUTE * 20);
}
