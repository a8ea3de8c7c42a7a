//! Between the engine, the page, the command line and whoever keeps files.

use dunlin_clock::Instant;
use dunlin_mail::file::read_hash;
use dunlin_rig::SoundPort;
use dunlin_station::{Command, FileAnswer, Input, TalkState, TalkView};
use dunlin_web::{FileRefusal, FileWish};
use serde_json::{Value, json};

use super::Driver;
use crate::control::{Asked, Request, Response};
use crate::files::{NO_FILES, look_at};
use crate::run::shelf::{Order, ToWhom};

impl<S: SoundPort> Driver<S> {
    /// The engine asks whoever keeps files.
    pub(super) fn ask_shelf(&mut self, now: Instant, order: Order) {
        let ticket = order.ticket;
        let orders = self.outside.files.as_ref();
        if !orders.is_some_and(|orders| orders.ask(order)) {
            let answer = &FileAnswer::Failed(NO_FILES.into());
            // What follows from it is carried out by the very loop that has brought the ask.
            self.station
                .handle(now, Input::FileAnswer { ticket, answer });
        }
    }

    /// The command line asks something about files.
    pub(super) fn asked_of_files(&mut self, now: Instant, asked: Asked) {
        let refuse = |text: &str| {
            let _ = asked.reply.send(Response::refused(text)); // Who has gone needs no answer.
        };
        let no_hash = "a file is named by the 64 digits of its SHA-256";
        let mut beside = Value::Null;
        let wish = match asked.request {
            Request::Files => {
                let snapshot = self.snapshot(now);
                let goes_on = |talk: &&TalkView| talk.state != TalkState::Ended;
                let talks: Vec<&TalkView> = snapshot.talks.iter().filter(goes_on).collect();
                let ports: Vec<&str> = self.ports.iter().map(|p| p.name.as_str()).collect();
                beside = json!({ "talks": talks, "files": snapshot.files, "ports": ports });
                FileWish::List
            }
            Request::PutFile {
                name, media, talk, ..
            } => FileWish::Put {
                name,
                media,
                octets: asked.octets,
                talk: Some(talk),
            },
            Request::FetchFile { hash } => match read_hash(&hash) {
                Some(hash) => FileWish::Fetch(hash),
                None => return refuse(no_hash),
            },
            Request::DeleteFile { hash, direction } => match read_hash(&hash) {
                Some(hash) => FileWish::Delete { hash, direction },
                None => return refuse(no_hash),
            },
            Request::File {
                command:
                    command @ (Command::OfferFile { .. }
                    | Command::AnswerFile { .. }
                    | Command::StopFile { .. }),
            } => {
                let _ = asked.reply.send(self.obey_of_files(now, command));
                return;
            }
            _ => return refuse("that is no question about files"),
        };
        let reply = asked.reply;
        self.wish_file(Box::new(wish), ToWhom::CommandLine { reply, beside });
    }

    fn obey_of_files(&mut self, now: Instant, command: Command) -> Response {
        match self.command(now, command) {
            Ok(reply) => Response::with("", json!(reply)),
            Err(refusal) => Response::refused(refusal.to_string()),
        }
    }

    /// Somebody wishes something of the shelf. Whoever keeps the files answers it.
    pub(super) fn wish_file(&mut self, wish: Box<FileWish>, reply: ToWhom) {
        let Some(orders) = &self.outside.files else {
            return reply.send(Err(FileRefusal::Refused(NO_FILES.into())));
        };
        let airtime = |talk, octets| self.station.file_airtime(talk, octets);
        match look_at(&wish, self.station.file_rule(), airtime) {
            Ok(airtime) => orders.wish(wish, airtime, reply),
            Err(refusal) => reply.send(Err(refusal)),
        }
    }
}
