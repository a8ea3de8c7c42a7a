//! How fast the mail is with many letters: `cargo run --release -p dunlin-store --example mail_speed -- LETTERS`
//! (without a number 100 000). The file lies in the folder for temporary files.
#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // a stopwatch is the purpose

use std::path::Path;
use std::time::Instant;

use dunlin_clock::{Chance, WallTime};
use dunlin_mail::post::{Answer, Ask, Letter, Proof, Way, Which};
use dunlin_mail::{Kind, Message, MessageId, Precedence, Station};
use dunlin_store::MailStore;

const NOW: WallTime = WallTime(1_796_000_000_000);
const TRIES: u64 = 201;
/// People who write and read.
const PEOPLE: u64 = 500;
/// Different words of the texts; common ones are drawn more often.
const WORDS: u64 = 5000;

fn call(n: u64) -> Station {
    let letters = [n / 676 % 26, n / 26 % 26, n % 26].map(|l| char::from(b'A' + l as u8));
    format!("QM1{}", letters.iter().collect::<String>())
        .parse()
        .expect("a call sign")
}

fn word(chance: &mut Chance) -> String {
    let common = chance.unit();
    let n = (common * common * common * WORDS as f64) as u64;
    format!("word{n}")
}

fn letter(n: u64, chance: &mut Chance) -> Letter {
    let text: Vec<String> = (0..20 + chance.below(200)).map(|_| word(chance)).collect();
    let from = call(chance.below(PEOPLE));
    let kind = match chance.below(2) {
        0 => Kind::Personal {
            to: call(chance.below(PEOPLE))
                .to_string()
                .parse()
                .expect("an address"),
        },
        _ => Kind::Bulletin {
            topic: format!("TOPIC{}", chance.below(40)),
            area: "ISLES".into(),
        },
    };
    let message = Message {
        id: MessageId {
            origin: from,
            number: n,
        },
        kind,
        precedence: Precedence::Routine,
        from: from.to_string().parse().expect("an address"),
        written: NOW,
        title: format!("Title {n} {}", word(chance)),
        body: text.join(" "),
        chain: Vec::new(),
    };
    let partners = vec![call(1000), call(1001)];
    let way = match n % 20 {
        0 => Way::All { partners },
        _ => Way::Here,
    };
    Letter::new(message, Proof::KnownPath, &way, NOW)
}

/// Median and longest time of many asks, in milliseconds, and the sizes of the answers.
fn timed(store: &mut MailStore, name: &str, mut ask: impl FnMut(u64) -> Ask) {
    let (mut times, mut answers) = (Vec::new(), 0);
    for n in 0..TRIES {
        let asked = ask(n);
        let began = Instant::now();
        let answer = store.answer(asked, NOW);
        times.push(began.elapsed().as_secs_f64() * 1000.0);
        answers += match answer {
            Answer::Heads(heads) => heads.len(),
            Answer::Outgoing { messages, .. } => messages.len(),
            Answer::Opened(_) | Answer::Done | Answer::Counts(_) => 1,
            Answer::Failed { words } => panic!("{words}"),
            _ => 0,
        };
    }
    times.sort_by(f64::total_cmp);
    let (median, longest) = (times[times.len() / 2], times[times.len() - 1]);
    let each = answers as f64 / TRIES as f64;
    println!("{name:44} median {median:8.3} ms, longest {longest:8.3} ms, {each:5.1} letters each");
}

fn fill(path: &Path, letters: u64) -> Vec<MessageId> {
    let mut store = MailStore::open(path).expect("opens");
    let mut chance = Chance::stream(1, "letters");
    let began = Instant::now();
    let mut ids = Vec::new();
    for n in 0..letters {
        let letter = letter(n, &mut chance);
        ids.push(letter.message.id);
        let answer = store.answer(Ask::Keep(Box::new(letter)), NOW);
        assert_eq!(answer, Answer::Kept);
    }
    let each = began.elapsed().as_secs_f64() * 1000.0 / letters as f64;
    println!("{letters} letters kept, {each:.3} ms each");
    ids
}

fn main() {
    let letters = std::env::args().nth(1).and_then(|n| n.parse().ok());
    let letters: u64 = letters.unwrap_or(100_000);
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mail.db");
    let ids = fill(&path, letters);
    let size = std::fs::metadata(&path).map_or(0, |file| file.len()) >> 20;
    let began = Instant::now();
    let store = MailStore::open(&path).expect("opens");
    let opened = began.elapsed().as_secs_f64() * 1000.0;
    println!("opening {opened:.3} ms; the file has {size} MiB");
    drop(store);
    lists(&path, letters);
    searches(&path);
    others(&path, &ids);
}

fn lists(path: &Path, letters: u64) {
    let mut store = MailStore::open(path).expect("opens");
    let list = |reader: Option<Station>, which: Which, after| Ask::List {
        reader,
        which,
        after,
        most: 50,
    };
    timed(&mut store, "list, operator, newest", |_| {
        list(None, Which::All, None)
    });
    timed(&mut store, "list, operator, anywhere", |n| {
        list(None, Which::All, Some(n * letters / TRIES))
    });
    timed(&mut store, "list, reader, all", |n| {
        list(Some(call(n)), Which::All, None)
    });
    timed(&mut store, "list, reader, unread", |n| {
        list(Some(call(n)), Which::Unread, None)
    });
    timed(&mut store, "list, reader, own", |n| {
        list(Some(call(n)), Which::Own, None)
    });
    timed(&mut store, "list, one topic", |n| {
        let topic = Some(format!("TOPIC{}", n % 40));
        list(Some(call(n)), Which::Bulletins { topic }, None)
    });
    timed(&mut store, "list, queue", |_| {
        list(None, Which::Queue, None)
    });
    timed(&mut store, "list, held (none)", |_| {
        list(None, Which::Held, None)
    });
}

fn searches(path: &Path) {
    let mut store = MailStore::open(path).expect("opens");
    for (name, words) in [
        ("common", "word0"),
        ("two common", "word1 word2"),
        ("rare", "word4999"),
    ] {
        let search = |reader| Ask::Search {
            reader,
            words: words.into(),
            most: 50,
        };
        timed(&mut store, &format!("search, operator, {name}"), |_| {
            search(None)
        });
        timed(&mut store, &format!("search, reader, {name}"), |n| {
            search(Some(call(n)))
        });
    }
}

fn others(path: &Path, ids: &[MessageId]) {
    let mut store = MailStore::open(path).expect("opens");
    let mut chance = Chance::stream(2, "asks");
    let letters = ids.len() as u64;
    timed(&mut store, "open, operator", |_| Ask::Open {
        id: ids[chance.below(letters) as usize],
        reader: None,
        glance: false,
    });
    timed(&mut store, "what waits for a partner", |_| Ask::Outgoing {
        partner: call(1000),
        most: 255,
        most_octets: 2 << 20,
        partials: true,
        put_back: false,
    });
    timed(&mut store, "counts", |_| Ask::Counts);
    let mut chance = Chance::stream(3, "deletes");
    timed(&mut store, "delete", |_| Ask::Delete {
        id: ids[chance.below(letters) as usize],
        by: None,
    });
}
