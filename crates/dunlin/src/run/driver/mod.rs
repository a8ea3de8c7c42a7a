//! The real-time driver of the engine. It looks like the rehearsal's: wait, one input, drain
//! the outputs, act, note the next wake-up. It reads no clock itself: each turn is told what
//! time it is, so that tests can turn it in a time of their own.
//!
//! It must turn at least every 50 ms: its turns are the heartbeat of the keyers, and one that
//! hangs lets them release. So nothing in here waits: not for a disk, not for a network, not
//! for a device.

mod answers;
mod farewell;
mod files;
mod mail;
mod port;
mod sounds;
mod telling;
mod transmission;

use std::collections::VecDeque;
use std::sync::mpsc::Sender;

use dunlin_clock::{Duration, Instant};
use dunlin_rehearsal::timeline;
use dunlin_rig::kiss::ControllerEvent;
use dunlin_rig::{Counts, SoundEvent, SoundPort};
use dunlin_station::gate::{AlarmKind, AlarmView, DeviceState, Stop};
use dunlin_station::{
    Command, FileAnswer, Input, Note, Output, PortId, Refusal, Reply, Snapshot, Station,
};
use dunlin_web::Web;

use super::keeper::{Done, Order};
use super::say;
use super::shelf::{Order as FileOrder, Orders as FileOrders};
use crate::control::Asked;
use crate::journal::Journal;
use farewell::Ending;

pub(crate) use port::{Delay, Delays, Port, Way};

/// Longest wait: keyers need their beats, and questions of the page are looked for this often.
const LOOK: Duration = Duration::from_millis(20);
/// Wake-ups in one turn; the rest has the next turn, after a look at everything else.
const MOST_WAKEUPS: usize = 64;

/// What reaches the driver from other threads.
#[derive(Debug)]
pub(crate) enum Message {
    /// Something about the sound of a port.
    Sound {
        /// The port.
        port: PortId,
        /// What.
        event: SoundEvent,
    },
    /// Something about the second sound input of a port.
    SecondSound {
        /// The port.
        port: PortId,
        /// What.
        event: SoundEvent,
    },
    /// A controller has heard a frame.
    Frame {
        /// Which controller.
        controller: usize,
        /// Its port.
        number: u8,
        /// AX.25 octets without FCS.
        octets: Vec<u8>,
    },
    /// Anything else about a controller.
    Controller {
        /// Which.
        controller: usize,
        /// What.
        event: ControllerEvent,
    },
    /// Another program of the shack wants to send a frame.
    FromClient {
        /// Which program.
        client: u64,
        /// By which port.
        port: PortId,
        /// AX.25 octets without FCS.
        octets: Vec<u8>,
    },
    /// A question from the command line.
    Asked(Asked),
    /// Release every key and hold everything, until a person starts it again.
    Silence {
        /// Who asks.
        by: String,
        /// Why.
        why: String,
    },
    /// Something outside is wrong, or is well again.
    Trouble {
        /// What.
        kind: AlarmKind,
        /// What is wrong and what to do; `None` = it is over.
        text: Option<String>,
    },
    /// The civil clock with which this run began is far off.
    ClockWrong,
    /// Who has stopped what is kept on the disk (`None`) or is not; why, and what to do.
    StopsKept(Option<String>),
    /// Whoever keeps the mail has done something.
    Mail(Done),
    /// Whoever keeps files has answered.
    File {
        /// The ticket of the ask.
        ticket: u64,
        /// The answer.
        answer: FileAnswer,
    },
    /// A sentence for the timeline.
    Note(String),
    /// The program shall end; the second time at once.
    End,
}

/// A controller, as the driver sees it.
pub(crate) trait Frames {
    /// Hands a frame to one of its ports. It must not wait.
    ///
    /// # Errors
    /// Why it was not taken.
    fn send(&mut self, number: u8, octets: &[u8]) -> Result<(), String>;

    /// Drops what was not yet handed over.
    fn hush(&mut self);
}

/// Somebody who is told things. It must not wait.
type Tell<T> = Box<dyn FnMut(&T)>;
/// Somebody who is told of frames.
type TellFrame = Box<dyn FnMut(PortId, &[u8])>;

/// Who wants to know more than the page: all may be missing. None may wait.
#[derive(Default)]
pub(crate) struct Outside {
    /// The page.
    pub(crate) web: Option<Web>,
    /// Keeps what is stopped over a restart.
    pub(crate) keep_stops: Option<Tell<[Stop]>>,
    /// Is told of every alarm that begins or ends.
    pub(crate) on_alarm: Option<Tell<AlarmView>>,
    /// Is given every frame heard.
    pub(crate) on_frame: Option<TellFrame>,
    /// Keeps the mail; what it has done comes as [`Message::Mail`].
    pub(crate) mail: Option<Sender<Order>>,
    /// Keeps files; the answers come as [`Message::File`].
    pub(crate) files: Option<FileOrders>,
    /// Prints a line for people.
    pub(crate) print: Option<Tell<str>>,
}

/// The engine and all that it is connected to.
pub(crate) struct Driver<S> {
    station: Station,
    ports: Vec<Port<S>>,
    controllers: Vec<Box<dyn Frames>>,
    outside: Outside,
    journal: Option<Journal>,
    timeline: timeline::Live,
    notes: VecDeque<Note>,
    ending: Ending,
    /// What is wrong with the disk: for the journal, for what must survive a restart, and for the mail.
    disk_troubles: [Option<String>; 3],
    /// Orders of the page that the keeper of the mail has not carried out.
    mail_waiting: usize,
    /// The alarms that were told outside.
    alarms_told: Vec<(AlarmKind, Option<PortId>)>,
}

impl<S: SoundPort> Driver<S> {
    /// Connects the engine to its ports, its page and its journal.
    pub(crate) fn new(
        station: Station,
        ports: Vec<Port<S>>,
        controllers: Vec<Box<dyn Frames>>,
        outside: Outside,
        journal: Journal,
    ) -> Self {
        let names = ports.iter().map(|p| p.name.clone()).collect();
        Driver {
            station,
            ports,
            controllers,
            outside,
            journal: Some(journal),
            timeline: timeline::Live::new(names),
            notes: VecDeque::new(),
            ending: Ending::Not,
            disk_troubles: [const { None }; 3],
            mail_waiting: 0,
            alarms_told: Vec::new(),
        }
    }

    /// Tells the engine how its devices stand at the start.
    pub(crate) fn begin(&mut self, now: Instant) {
        for index in 0..self.ports.len() {
            if let Some(detail) = self.ports[index].opened.take() {
                self.device(now, index, DeviceState::Healthy(&detail));
            }
        }
    }

    /// The station has stopped.
    pub(crate) fn is_over(&self) -> bool {
        self.ending == Ending::Over
    }

    /// How long the next turn may wait for a message.
    pub(crate) fn longest_wait(&self, now: Instant) -> Duration {
        let wakeup = self
            .station
            .next_wakeup()
            .map_or(LOOK, |(at, _)| at.since(now));
        wakeup.min(LOOK)
    }

    /// One turn: takes in `message` and whatever is due at `now`.
    pub(crate) fn turn(&mut self, now: Instant, message: Option<Message>) {
        if let Some(web) = &self.outside.web {
            web.hub.tick(now);
        }
        if let Some(message) = message {
            self.take(now, message);
        }
        self.turn_keyers(now);
        self.wake(now);
        self.answer(now);
        for port in 0..self.ports.len() {
            self.watch_transmission(now, port);
            self.report_counts(now, port);
        }
        self.look_after_journal(now);
        self.look_whether_closed(now);
    }

    fn take(&mut self, now: Instant, message: Message) {
        match message {
            Message::Sound { port, event } => self.sound(now, port, event),
            Message::SecondSound { port, event } => self.second_sound(now, port, event),
            Message::Frame {
                controller,
                number,
                octets,
            } => {
                if let Some(port) = self.at_controller(controller, number) {
                    let octets = &octets;
                    self.give(now, Input::Frame { port, octets });
                }
            }
            Message::Controller { controller, event } => {
                self.controller_says(now, controller, event);
            }
            Message::FromClient {
                client,
                port,
                octets,
            } => {
                let octets = &octets;
                self.give(
                    now,
                    Input::FromClient {
                        port,
                        client,
                        octets,
                    },
                );
            }
            Message::Asked(asked) => self.asked(now, asked),
            Message::Silence { by, why } => {
                let port = None;
                // Refused only if all is stopped already.
                let _ = self.command(now, Command::Stop { port, by, why });
            }
            Message::Trouble { kind, text } => self.trouble(now, kind, text.as_deref()),
            Message::ClockWrong => self.give(now, Input::ClockWrong),
            Message::StopsKept(text) => {
                self.disk_troubles[1] = text;
                self.tell_of_disk(now);
            }
            Message::Mail(done) => self.mail_done(now, done),
            Message::File { ticket, answer } => {
                let answer = &answer;
                self.give(now, Input::FileAnswer { ticket, answer });
            }
            Message::Note(text) => self.note(now, None, dunlin_station::Urgency::Plain, text),
            Message::End => self.farewell(now),
        }
    }

    /// Carries out what a person asks for.
    pub(crate) fn command(&mut self, now: Instant, command: Command) -> Result<Reply, Refusal> {
        let answer = self.station.command(now, command);
        self.drain(now);
        answer
    }

    /// Everything that people may see, the driver's own notes included.
    pub(crate) fn snapshot(&self, now: Instant) -> Snapshot {
        let mut snapshot = self.station.snapshot(now);
        snapshot.notes.extend(self.notes.iter().cloned());
        snapshot.notes.sort_by_key(|note| note.at_ms);
        snapshot
    }

    /// Silence on all ports, and the journal written to its end.
    pub(crate) fn stop(&mut self, now: Instant) {
        for port in &mut self.ports {
            port.keyer.release(now, "the station ends");
            let Some(sound) = port.sound() else { continue };
            sound.hush();
            let Counts {
                overruns,
                underruns,
                ..
            } = sound.counts();
            say(&format!(
                "Port {}: {overruns} pieces of sound dropped, {underruns} gaps in what was sent.",
                port.name
            ));
        }
        match self.journal.take().map(|journal| journal.end(now)) {
            None => {}
            Some(Ok(())) => say("Stopped; the journal is complete."),
            Some(Err(error)) => say(&format!(
                "Stopped; the end of the journal is missing: {error:#}"
            )),
        }
    }

    fn give(&mut self, now: Instant, input: Input<'_>) {
        self.station.handle(now, input);
        self.drain(now);
    }

    /// Carries out all that the engine puts out.
    fn drain(&mut self, now: Instant) {
        while let Some(output) = self.station.poll() {
            match output {
                Output::Transmit { port, samples } => self.transmit(now, port, samples),
                Output::SendFrames {
                    port,
                    frames,
                    airtime,
                } => self.send_frames(now, port, &frames, airtime),
                // No station plan has a port of this kind, and no radio can be keyed by it.
                Output::OnBand { .. } => {}
                Output::Release { port, why } => self.cut_short(now, port, &why),
                Output::Mail { ticket, ask } => self.ask_keeper(now, ticket, ask),
                Output::File { ticket, head, ask } => {
                    self.ask_shelf(now, FileOrder { ticket, head, ask })
                }
                Output::Event(event) => self.tell(now, &event),
            }
        }
    }

    fn wake(&mut self, now: Instant) {
        for _ in 0..MOST_WAKEUPS {
            match self.station.next_wakeup() {
                Some((at, _)) if at <= now => self.give(now, Input::Wakeup),
                _ => return,
            }
        }
    }
}

/// The port at this position.
fn port_id(index: usize) -> PortId {
    PortId(u8::try_from(index).unwrap_or(u8::MAX))
}

#[cfg(test)]
mod tests;
