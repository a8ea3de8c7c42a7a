//! What the operator wants of the shelf of files: the same over the folder of a station and in a rehearsal.

use std::io;

use dunlin_clock::Duration;
use dunlin_mail::file::{HASH_OCTETS, Head};
use dunlin_rehearsal::Rehearsal;
use dunlin_station::{Direction, FileRule, Refusal, TalkId};
use dunlin_store::{NotPut, Shelf};
use dunlin_web::{FileRefusal, FileReply, FileWish};

/// What is said where nobody keeps files.
pub(crate) const NO_FILES: &str = "no files are kept here";
/// What is said when the shelf is full.
const NO_ROOM: &str = "the files of this station have no room for it; delete some, or let [files] most_mb in the plan \
                       be more";

/// A file's SHA-256.
type Hash = [u8; HASH_OCTETS];

/// Whoever keeps files, for a person at the page.
pub(crate) trait KeepsFiles {
    /// Puts a file there, to be offered.
    fn put(&mut self, name: &str, media: Option<&str>, octets: &[u8]) -> Result<Head, FileRefusal>;
    /// What is there: received, or put there to be sent.
    fn heads(&mut self, direction: Direction) -> Result<Vec<Head>, FileRefusal>;
    /// A file that was received.
    fn read(&mut self, hash: &Hash) -> Result<Option<(Head, Vec<u8>)>, FileRefusal>;
    /// Deletes a file; whether it was there.
    fn delete(&mut self, hash: &Hash, direction: Direction) -> Result<bool, FileRefusal>;
}

/// What is looked at before a file is put there: the plan's limit, and the talk, if one was named. Gives the time on
/// the air in that talk, as `airtime` reckons it.
pub(crate) fn look_at(
    wish: &FileWish,
    rule: &FileRule,
    airtime: impl FnOnce(TalkId, u64) -> Result<Duration, Refusal>,
) -> Result<Option<Duration>, FileRefusal> {
    let FileWish::Put { octets, talk, .. } = wish else {
        return Ok(None);
    };
    let (size, largest) = (octets.len() as u64, rule.largest);
    if largest == 0 {
        let words =
            "this station takes and offers no files: [files] largest_octets in its plan is 0";
        return Err(FileRefusal::Refused(words.into()));
    }
    if size > largest {
        return Err(FileRefusal::TooLarge(format!(
            "the file has {size} octets, and [files] largest_octets in the plan of this station allows {largest}"
        )));
    }
    let reckoned = talk.map(|talk| airtime(talk, size)).transpose();
    reckoned.map_err(|refusal| FileRefusal::Refused(refusal.to_string()))
}

/// Fulfils a wish that was looked at.
pub(crate) fn fulfil(
    shelf: &mut dyn KeepsFiles,
    wish: FileWish,
    airtime: Option<Duration>,
) -> Result<FileReply, FileRefusal> {
    match wish {
        FileWish::List => {
            let mut list = Vec::new();
            for direction in [Direction::Received, Direction::Sent] {
                let heads = shelf.heads(direction)?;
                list.extend(heads.into_iter().map(|head| (head, direction)));
            }
            Ok(FileReply::List(list))
        }
        FileWish::Put {
            name,
            media,
            octets,
            ..
        } => {
            let head = shelf.put(&name, media.as_deref(), &octets)?;
            Ok(FileReply::Put { head, airtime })
        }
        FileWish::Fetch(hash) => match shelf.read(&hash)? {
            Some((head, octets)) => Ok(FileReply::Octets(head, octets)),
            None => Err(FileRefusal::NotThere),
        },
        FileWish::Delete { hash, direction } => match shelf.delete(&hash, direction)? {
            true => Ok(FileReply::Done),
            false => Err(FileRefusal::NotThere),
        },
    }
}

fn failed(error: io::Error) -> FileRefusal {
    FileRefusal::Failed(format!("the folder of files cannot be used: {error}"))
}

impl KeepsFiles for Shelf {
    fn put(&mut self, name: &str, media: Option<&str>, octets: &[u8]) -> Result<Head, FileRefusal> {
        Shelf::put(self, name, media, octets).map_err(|why| match why {
            NotPut::Head(wrong) => FileRefusal::NotAllowed(wrong.to_string()),
            NotPut::TooLarge => FileRefusal::TooLarge(why.to_string()),
            NotPut::NoRoom => FileRefusal::NoRoom(NO_ROOM.into()),
            NotPut::Disk(error) => failed(error),
        })
    }

    fn heads(&mut self, direction: Direction) -> Result<Vec<Head>, FileRefusal> {
        match direction {
            Direction::Sent => Ok(self.offered()),
            Direction::Received => self.all_received().map_err(failed),
        }
    }

    fn read(&mut self, hash: &Hash) -> Result<Option<(Head, Vec<u8>)>, FileRefusal> {
        self.read_received(hash).map_err(failed)
    }

    fn delete(&mut self, hash: &Hash, direction: Direction) -> Result<bool, FileRefusal> {
        let deleted = match direction {
            Direction::Sent => self.delete_offered(hash),
            Direction::Received => self.delete_received(hash),
        };
        deleted.map_err(failed)
    }
}

/// The shelf of the operator's station in a rehearsal, which is in memory.
pub(crate) struct RehearsedShelf<'a>(pub(crate) &'a mut Rehearsal);

impl RehearsedShelf<'_> {
    fn operator(&self) -> usize {
        self.0.scenario().operator
    }
}

impl KeepsFiles for RehearsedShelf<'_> {
    fn put(&mut self, name: &str, media: Option<&str>, octets: &[u8]) -> Result<Head, FileRefusal> {
        let operator = self.operator();
        let size = octets.len() as u64;
        let hash = dunlin_mail::file::hash_of(octets);
        let head = Head::new(name, media, size, hash);
        let head = head.map_err(|wrong| FileRefusal::NotAllowed(wrong.to_string()))?;
        match self.0.room_for_files(operator) >= size {
            true => self.0.put_file(operator, &head, octets.to_vec()),
            false => return Err(FileRefusal::NoRoom(NO_ROOM.into())),
        }
        Ok(head)
    }

    fn heads(&mut self, direction: Direction) -> Result<Vec<Head>, FileRefusal> {
        let operator = self.operator();
        Ok(match direction {
            Direction::Sent => self.0.files_to_offer(operator),
            Direction::Received => {
                let files = self.0.files_of(operator).iter();
                files.map(|(head, _)| head.clone()).collect()
            }
        })
    }

    fn read(&mut self, hash: &Hash) -> Result<Option<(Head, Vec<u8>)>, FileRefusal> {
        let operator = self.operator();
        let mut files = self.0.files_of(operator).iter();
        Ok(files.find(|(head, _)| head.hash() == hash).cloned())
    }

    fn delete(&mut self, hash: &Hash, direction: Direction) -> Result<bool, FileRefusal> {
        let operator = self.operator();
        Ok(self.0.delete_file(operator, hash, direction))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(name: &str, octets: &[u8], talk: Option<u64>) -> FileWish {
        FileWish::Put {
            name: name.into(),
            media: None,
            octets: octets.to_vec(),
            talk: talk.map(TalkId),
        }
    }

    fn rule(largest: u64) -> FileRule {
        FileRule {
            largest,
            ..FileRule::default()
        }
    }

    #[test]
    fn the_plan_and_the_talk_are_looked_at_before_the_shelf_is_asked() {
        let airtime = |talk: TalkId, size: u64| match talk.0 {
            1 => Ok(Duration::from_secs(size)),
            id => Err(Refusal::NoSuchTalk(id)),
        };
        let look = |octets: &[u8], talk, largest| {
            look_at(&put("a", octets, talk), &rule(largest), airtime)
        };
        assert_eq!(look(b"abc", Some(1), 3), Ok(Some(Duration::from_secs(3))));
        assert_eq!(look(b"abc", None, 3), Ok(None));
        assert!(matches!(
            look(b"abcd", Some(1), 3),
            Err(FileRefusal::TooLarge(_))
        ));
        assert!(matches!(
            look(b"abc", Some(2), 3),
            Err(FileRefusal::Refused(_))
        ));
        match look(b"abc", Some(1), 0) {
            Err(FileRefusal::Refused(words)) => assert!(words.contains("no files"), "{words}"),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_folder_refuses_what_it_cannot_keep_and_gives_back_what_has_come() {
        let place = tempfile::tempdir().expect("a folder");
        let mut shelf = Shelf::open(place.path(), 100).expect("it opens");
        let mut ask = |wish| fulfil(&mut shelf, wish, None);
        for name in ["a/b", "..", "\u{1}", &"a".repeat(300), ""] {
            let refused = ask(put(name, b"abc", None));
            assert!(
                matches!(refused, Err(FileRefusal::NotAllowed(_))),
                "{name:?}"
            );
        }
        let empty = ask(put("a", b"", None));
        assert!(matches!(empty, Err(FileRefusal::NotAllowed(_))));
        let full = ask(put("a", &[0; 101], None));
        assert!(matches!(full, Err(FileRefusal::NoRoom(_))));
        let Ok(FileReply::Put { head, .. }) = ask(put("a", b"abc", None)) else {
            panic!("it is put there");
        };
        // A second one of the same name stands beside it.
        ask(put("a", b"def", None)).expect("it is put there");
        let Ok(FileReply::List(list)) = ask(FileWish::List) else {
            panic!("a list");
        };
        assert_eq!(list.len(), 2);
        // What is offered has not come.
        let fetched = ask(FileWish::Fetch(*head.hash()));
        assert_eq!(fetched, Err(FileRefusal::NotThere));
        let delete = |direction| FileWish::Delete {
            hash: *head.hash(),
            direction,
        };
        assert_eq!(ask(delete(Direction::Received)), Err(FileRefusal::NotThere));
        assert_eq!(ask(delete(Direction::Sent)), Ok(FileReply::Done));
        assert_eq!(ask(delete(Direction::Sent)), Err(FileRefusal::NotThere));
    }

    /// The operator's seat in the Marrow Isles, with a talk to Bar Island on VHF.
    fn isles() -> (Rehearsal, TalkId) {
        use dunlin_rehearsal::{Embedded, Fidelity, Scenario};
        use dunlin_station::{Command, PortId, Reply, TalkState};
        let embedded = Embedded::called("marrow-isles").expect("it is built in");
        let scenario = Scenario::read(embedded.name, embedded.text.as_bytes())
            .unwrap_or_else(|faults| panic!("{faults}"));
        let mut r = Rehearsal::begin_at(scenario, 1, false, Fidelity::Frame).expect("it begins");
        let open = Command::OpenTalk {
            port: PortId(1),
            to: "QM3BAR".parse().expect("a call sign"),
            via: Vec::new(),
        };
        let Ok(Reply::Talk(talk)) = r.command(open) else {
            panic!("a talk");
        };
        until(&mut r, |r| {
            let talks = r.snapshot().talks;
            talks
                .iter()
                .any(|t| t.id == talk && t.state == TalkState::Open)
        });
        (r, talk)
    }

    fn until(r: &mut Rehearsal, is_so: impl Fn(&Rehearsal) -> bool) {
        let limit = r.now() + Duration::from_secs(600);
        while !is_so(r) {
            assert!(r.now() < limit, "{:?}", r.snapshot().files);
            r.step();
        }
    }

    #[test]
    fn in_a_rehearsal_people_take_a_file_and_one_of_theirs_is_fetched_as_it_was() {
        use dunlin_station::{Command, FileDecision, FileState};
        let (mut r, talk) = isles();
        let airtime = r.file_airtime(talk, 300).expect("a time");
        assert!(airtime > Duration::from_secs(1) && airtime < Duration::from_secs(60));
        let wish = put("cots.txt", &[b'x'; 300], Some(talk.0));
        let answer = fulfil(&mut RehearsedShelf(&mut r), wish, Some(airtime));
        let Ok(FileReply::Put { head, .. }) = answer else {
            panic!("{answer:?}");
        };
        let offer = Command::OfferFile {
            talk,
            name: head.name().into(),
            media: None,
            size: head.size(),
            hash: dunlin_mail::file::hash_in_hex(head.hash()),
        };
        r.command(offer).expect("it is offered");
        let state = |r: &Rehearsal, n: usize| r.snapshot().files.get(n).map(|f| f.state);
        until(&mut r, |r| state(r, 0) == Some(FileState::Done));
        let bar = r.scenario().station("QM3BAR".parse().expect("a call sign"));
        let taken = r.files_of(bar.expect("it is there")).to_vec();
        assert_eq!(taken, [(head, vec![b'x'; 300])]);
        let text = "the timetable, please".into();
        r.command(Command::Say { talk, text }).expect("it is said");
        until(&mut r, |r| state(r, 1).is_some());
        let take = Command::AnswerFile {
            talk,
            file: r.snapshot().files[1].id,
            decision: FileDecision::Accept,
            words: String::new(),
        };
        r.command(take).expect("it is taken");
        until(&mut r, |r| state(r, 1) == Some(FileState::Done));
        let mut shelf = RehearsedShelf(&mut r);
        let Ok(FileReply::List(list)) = fulfil(&mut shelf, FileWish::List, None) else {
            panic!("a list");
        };
        let names: Vec<_> = list.iter().map(|(h, d)| (h.name(), *d)).collect();
        let (received, sent) = (Direction::Received, Direction::Sent);
        assert_eq!(names, [("ferry-times.txt", received), ("cots.txt", sent)]);
        let hash = *list[0].0.hash();
        let answer = fulfil(&mut shelf, FileWish::Fetch(hash), None);
        let Ok(FileReply::Octets(_, octets)) = answer else {
            panic!("{answer:?}");
        };
        assert_eq!(dunlin_mail::file::hash_of(&octets), hash);
        assert!(octets.starts_with(b"Marrow Lass, until the equinox."));
        let delete = FileWish::Delete {
            hash,
            direction: received,
        };
        assert_eq!(fulfil(&mut shelf, delete, None), Ok(FileReply::Done));
        let again = fulfil(&mut shelf, FileWish::Fetch(hash), None);
        assert_eq!(again, Err(FileRefusal::NotThere));
    }

    #[test]
    fn in_a_talk_that_ends_nothing_is_offered_and_nothing_put_there_for_it() {
        use dunlin_station::Command;
        let (mut r, talk) = isles();
        r.command(Command::CloseTalk { talk }).expect("it closes");
        let rule = FileRule::default();
        let wish = put("late.txt", b"late", Some(talk.0));
        let refused = look_at(&wish, &rule, |talk, octets| r.file_airtime(talk, octets));
        match refused {
            Err(FileRefusal::Refused(words)) => assert!(words.contains("QM3BAR"), "{words}"),
            other => panic!("{other:?}"),
        }
        let offer = Command::OfferFile {
            talk,
            name: "late.txt".into(),
            media: None,
            size: 4,
            hash: "00".repeat(32),
        };
        let refused = r.command(offer);
        assert!(matches!(refused, Err(Refusal::TalkEnded(_))), "{refused:?}");
    }

    #[test]
    fn a_rehearsal_has_no_endless_room_and_takes_no_odd_names() {
        let (mut r, _) = isles();
        let operator = r.scenario().operator;
        r.narrow_shelf(operator, 10);
        let mut shelf = RehearsedShelf(&mut r);
        let full = fulfil(&mut shelf, put("a", &[0; 11], None), None);
        assert!(matches!(full, Err(FileRefusal::NoRoom(_))));
        let odd = fulfil(&mut shelf, put("a/b", &[0; 9], None), None);
        assert!(matches!(odd, Err(FileRefusal::NotAllowed(_))));
        assert!(fulfil(&mut shelf, put("a", &[0; 9], None), None).is_ok());
    }
}
