//! A week of mail: eight stations, HF open a few hours a day, a hill that is cut off now and then, weak paths.
//! Every message arrives, or its writer is told that it cannot.

use std::collections::BTreeMap;

use dunlin_clock::{Chance, Duration, Instant};
use dunlin_mail::post::{Answer, Ask, Head, Which};
use dunlin_mail::{Kind, MessageId, Precedence};
use dunlin_rehearsal::{Fidelity, KeeperDelays, Rehearsal, Scenario, Told, What};
use dunlin_station::Draft;

const HOUR: Duration = Duration::from_secs(3600);

/// Call sign, ports, and partners: call sign, port, whether it carries all.
type Place = (
    &'static str,
    &'static [&'static str],
    &'static [(&'static str, &'static str, bool)],
);

const PLACES: [Place; 8] = [
    (
        "QA1SKY",
        &["HF", "VHF"],
        &[
            ("QX0RLF", "HF", true),
            ("QM2REE", "VHF", false),
            ("QB4COV", "VHF", false),
            ("QE7SKE", "VHF", false),
            ("QF1BOT", "VHF", false),
        ],
    ),
    (
        "QM2REE",
        &["VHF"],
        &[("QA1SKY", "VHF", true), ("QB4COV", "VHF", false)],
    ),
    (
        "QB4COV",
        &["VHF"],
        &[("QA1SKY", "VHF", true), ("QM2REE", "VHF", false)],
    ),
    ("QE7SKE", &["VHF"], &[("QA1SKY", "VHF", true)]),
    ("QF1BOT", &["VHF"], &[("QA1SKY", "VHF", true)]),
    (
        "QX0RLF",
        &["HF"],
        &[
            ("QA1SKY", "HF", true),
            ("QH8LIS", "HF", false),
            ("QS2TUG", "HF", false),
        ],
    ),
    ("QH8LIS", &["HF"], &[("QX0RLF", "HF", true)]),
    ("QS2TUG", &["HF"], &[("QX0RLF", "HF", true)]),
];

/// The islands and what lies between them.
fn scenario() -> Scenario {
    let open = "open = [\"05:30-08:30\", \"16:00-19:00\"]";
    let mut text = format!(
        r#"
title = "A week of mail"
operator = "QA1SKY"
lasts = "200 h"
[[band]]
name = "VHF"
kind = "fm"
rate = 24000
paths = [
    {{ from = "QA1SKY", to = "QM2REE", level = "18 dB" }},
    {{ from = "QA1SKY", to = "QB4COV", level = "10 dB", open = ["00:00-03:00", "04:00-11:30", "13:00-24:00"] }},
    {{ from = "QA1SKY", to = "QE7SKE", level = "9.5 dB" }},
    {{ from = "QA1SKY", to = "QF1BOT", level = "16 dB", open = ["06:00-23:00"] }},
    {{ from = "QM2REE", to = "QB4COV", level = "14 dB" }},
    {{ from = "QM2REE", to = "QF1BOT", level = "12 dB" }},
]
[[band]]
name = "HF"
kind = "ssb"
rate = 12000
paths = [
    {{ from = "QA1SKY", to = "QX0RLF", level = "13 dB", fading = "moderate", {open} }},
    {{ from = "QX0RLF", to = "QH8LIS", level = "12 dB", fading = "moderate", {open} }},
    {{ from = "QX0RLF", to = "QS2TUG", level = "14 dB", fading = "quiet", {open} }},
    {{ from = "QA1SKY", to = "QS2TUG", level = "8 dB", fading = "moderate", {open} }},
]
"#
    );
    for (call, ports, partners) in PLACES {
        text += &format!(
            "[[place]]\n[place.station]\ncall = \"{call}\"\n[place.node]\ncall = \"{call}-5\"\n\
             [place.mail]\nkeep = true\n"
        );
        for (partner, port, all) in partners {
            let (every, other) = if *port == "HF" {
                (45, "HF")
            } else {
                (20, "VHF")
            };
            text += &format!(
                "[[place.partner]]\ncall = \"{partner}-5\"\nport = \"{other}\"\nevery_min = {every}\n\
                 carries_all = {all}\nareas = [\"ISLES\"]\n"
            );
        }
        for port in ports {
            let mode = if *port == "HF" { "afsk300" } else { "afsk1200" };
            text += &format!("[[place.port]]\nname = \"{port}\"\nmode = \"{mode}\"\n");
        }
    }
    Scenario::read("week", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}\n{text}"))
}

/// Something written, and what became of it.
struct Written {
    id: MessageId,
    from: usize,
    /// `None` = a station that does not exist.
    to: Option<usize>,
    at: Instant,
    arrived: Option<Instant>,
    reported: bool,
}

#[derive(Default)]
struct Bulletin {
    id: Option<MessageId>,
    from: usize,
}

fn text(chance: &mut Chance) -> String {
    let words = [
        "ferry",
        "cots",
        "water",
        "at noon",
        "please",
        "the quay",
        "tomorrow",
        "is closed",
        "twelve",
        "diesel",
        "all well",
        "for Lee Cove",
        "on Monday",
        "by boat",
        "no power",
        "thank you",
    ];
    let count = 10 + chance.below(120);
    let word = |chance: &mut Chance| words[chance.below(words.len() as u64) as usize];
    (0..count)
        .map(|_| word(chance).to_owned())
        .collect::<Vec<_>>()
        .join(" ")
        + ".\n"
}

/// Something is written somewhere.
fn write(r: &mut Rehearsal, chance: &mut Chance) -> (Option<Written>, Option<Bulletin>) {
    let from = chance.below(8) as usize;
    let other = (from + 1 + chance.below(7) as usize) % 8;
    let dice = chance.unit();
    let (kind, to) = if dice < 0.05 {
        let topic = "FERRY".to_owned();
        let area = "ISLES".to_owned();
        (Kind::Bulletin { topic, area }, None)
    } else {
        let to = if dice < 0.1 { None } else { Some(other) };
        let call = to.map_or("QZ9ZZZ at QZ8ZZZ".into(), |n| {
            format!("{0} at {0}", PLACES[n].0)
        });
        let call = call.parse().expect("an address");
        (Kind::Personal { to: call }, to)
    };
    let bulletin = matches!(kind, Kind::Bulletin { .. });
    let draft = Draft {
        kind,
        precedence: match dice {
            d if d > 0.95 => Precedence::Priority,
            d if d > 0.85 => Precedence::Welfare,
            _ => Precedence::Routine,
        },
        title: "News of the week".into(),
        body: text(chance),
        keep_back: false,
    };
    let id = r.write(from, draft).expect("written");
    if bulletin {
        return (None, Some(Bulletin { id: Some(id), from }));
    }
    let at = r.now();
    let written = Written {
        id,
        from,
        to,
        at,
        arrived: None,
        reported: false,
    };
    (Some(written), None)
}

fn heads(r: &mut Rehearsal, station: usize) -> Vec<Head> {
    let ask = Ask::List {
        reader: None,
        which: Which::All,
        after: None,
        most: 1000,
    };
    match r.ask_mail(station, ask) {
        Answer::Heads(heads) => heads,
        other => panic!("{other:?}"),
    }
}

/// Notes what has arrived where, and what was reported.
fn look(r: &mut Rehearsal, all: &mut [Written]) {
    let now = r.now();
    let there: Vec<Vec<Head>> = (0..8).map(|n| heads(r, n)).collect();
    for written in all
        .iter_mut()
        .filter(|w| w.arrived.is_none() && !w.reported)
    {
        if let Some(to) = written.to
            && there[to].iter().any(|head| head.id == written.id)
        {
            written.arrived = Some(now);
        }
        written.reported = there[written.from].iter().any(|head| {
            let told = matches!(head.kind, Kind::Service { about, .. } if about == written.id);
            let seen = head.id == written.id && head.words().starts_with("cannot be delivered");
            told || seen
        });
    }
}

/// Hours at these shares of all.
fn quantiles(mut delays: Vec<f64>) -> String {
    delays.sort_by(f64::total_cmp);
    let at = |share: f64| delays[((delays.len() - 1) as f64 * share) as usize];
    format!(
        "{} messages; half within {:.2} h, nine of ten within {:.2} h, the last after {:.2} h",
        delays.len(),
        at(0.5),
        at(0.9),
        at(1.0)
    )
}

/// Lets days pass in which people write, and one more.
fn live(days: u64, seed: u64, keepers: Option<KeeperDelays>) {
    let mut r = Rehearsal::begin_at(scenario(), seed, true, Fidelity::Frame).expect("it begins");
    if let Some(delays) = keepers {
        r.slow_keepers(delays);
    }
    let mut chance = Chance::stream(seed, "week/writers");
    let mut all = Vec::new();
    let mut bulletins = Vec::new();
    let mut airtime: BTreeMap<String, u64> = BTreeMap::new();
    let end = Instant::ZERO + HOUR * (24 * days as u32);
    let mut next = Instant::ZERO;
    while r.now() < end + HOUR * 30 {
        if r.now() >= next && r.now() < end {
            let (written, bulletin) = write(&mut r, &mut chance);
            all.extend(written);
            bulletins.extend(bulletin);
            next = r.now() + Duration::from_secs(120 + chance.below(2400));
        }
        r.advance(r.now() + Duration::from_secs(60));
        while let Some(told) = r.poll() {
            if let Told::Happened(happening) = told
                && let What::Frame(frame) = happening.what
            {
                let lasted = frame.end_ms.saturating_sub(happening.at_ms);
                *airtime.entry(frame.band).or_default() += lasted;
            }
        }
        look(&mut r, &mut all);
    }
    tell(&r, &all, &airtime);
    judge(&mut r, &all, &bulletins);
}

/// Prints the figures.
fn tell(r: &Rehearsal, all: &[Written], airtime: &BTreeMap<String, u64>) {
    let hours = |w: &Written| Some(w.arrived?.since(w.at).as_secs_f64() / 3600.0);
    let crosses = |n: usize| PLACES[n].1 == ["HF"];
    let far = |w: &&Written| crosses(w.from) || w.to.is_some_and(crosses);
    let near: Vec<f64> = all.iter().filter(|w| !far(w)).filter_map(hours).collect();
    println!("on VHF alone: {}", quantiles(near));
    println!(
        "over HF: {}",
        quantiles(all.iter().filter(far).filter_map(hours).collect())
    );
    let lasted = r.now().as_millis() as f64;
    for (band, ms) in airtime {
        println!(
            "{band}: on the air {:.1} % of the time",
            100.0 * *ms as f64 / lasted
        );
    }
    let nowhere = all.iter().filter(|w| w.to.is_none());
    println!(
        "{} to nobody, of which {} reported",
        nowhere.clone().count(),
        nowhere.filter(|w| w.reported).count()
    );
}

/// Nothing is lost, nothing reported that could arrive, and bulletins are everywhere once.
fn judge(r: &mut Rehearsal, all: &[Written], bulletins: &[Bulletin]) {
    let lost: Vec<String> = all
        .iter()
        .filter(|w| w.arrived.is_none() && !w.reported)
        .map(|w| {
            let to = w.to.map_or("nobody", |n| PLACES[n].0);
            let heads = heads(r, w.from);
            let words = heads
                .iter()
                .find(|h| h.id == w.id)
                .map(|h| h.words())
                .unwrap_or_default();
            format!("{} of {} for {to}: {words}", w.id, PLACES[w.from].0)
        })
        .collect();
    assert!(lost.is_empty(), "{} lost:\n{}", lost.len(), lost.join("\n"));
    let wrong: Vec<&Written> = all
        .iter()
        .filter(|w| w.to.is_some() && w.reported)
        .collect();
    assert!(
        wrong.is_empty(),
        "{} were reported that could arrive",
        wrong.len()
    );
    for bulletin in bulletins {
        for (station, place) in PLACES.iter().enumerate() {
            let copies = heads(r, station)
                .iter()
                .filter(|h| Some(h.id) == bulletin.id)
                .count();
            let origin = PLACES[bulletin.from].0;
            assert_eq!(copies, 1, "a bulletin of {origin} at {}", place.0);
        }
    }
    println!(
        "{} bulletins, each once at all eight stations",
        bulletins.len()
    );
}

#[test]
fn on_a_day_of_mail_every_message_arrives_or_its_writer_is_told() {
    live(1, 1, None);
}

/// Disks that take up to five seconds for each thing, and one in forty times a minute.
#[test]
fn on_a_day_with_slow_disks_every_message_arrives_or_its_writer_is_told() {
    let delays = KeeperDelays {
        most: Duration::from_secs(5),
        one_in: 40,
        seldom: Duration::from_secs(60),
    };
    live(1, 1, Some(delays));
}

/// The figures of docs/mail.md.
#[test]
#[ignore = "minutes; cargo test --release -p dunlin-rehearsal --test week -- --ignored --nocapture"]
fn in_a_week_of_mail_every_message_arrives_or_its_writer_is_told() {
    live(7, 1, None);
}
