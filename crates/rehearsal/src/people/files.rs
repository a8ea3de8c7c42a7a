//! What people do with files: take what is offered, and offer what they have.

use dunlin_clock::Instant;
use dunlin_mail::file::Head;
use dunlin_station::{Command, Direction, FileDecision, FileState, FileView, TalkId};

use super::{MOST_AGENDA, Person};

impl Person {
    /// A file stands so. One that is offered is taken, if the plan says so.
    pub(super) fn see_file(&mut self, now: Instant, file: &FileView) {
        let asked = file.direction == Direction::Received && file.state == FileState::Offered;
        let anew = self.decided.is_none_or(|last| last < file.id);
        if !self.plan.takes_files || !asked || !anew || self.agenda.len() >= MOST_AGENDA {
            return;
        }
        self.decided = Some(file.id);
        let at = now + self.thought();
        let command = Command::AnswerFile {
            talk: file.talk,
            file: file.id,
            decision: FileDecision::Accept,
            words: String::new(),
        };
        self.plan_act(at, command);
    }
}

/// Offers a file that is on the shelf of the station.
pub(super) fn offer(talk: TalkId, head: &Head) -> Command {
    Command::OfferFile {
        talk,
        name: head.name().to_owned(),
        media: head.media().map(str::to_owned),
        size: head.size(),
        hash: dunlin_mail::file::hash_in_hex(head.hash()),
    }
}

/// Whether a line is one in which a station offers a file: nobody who takes files answers it in words.
pub(super) fn is_offer(line: &str) -> bool {
    line.ends_with(']') && line.contains(" [files ")
}
