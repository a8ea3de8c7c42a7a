//! The real-time driver of the engine. It looks like the rehearsal's: wait, one input, drain
//! the outputs, act, note the next wake-up. It reads no clock itself: each turn is told what
//! time it is, so that tests can turn it in a time of their own.

use std::collections::VecDeque;

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_rehearsal::timeline;
use dunlin_rig::{Counts, SoundEvent, SoundPort};
use dunlin_station::{
    Command, Event, Input, Note, Output, PortId, Refusal, Reply, Snapshot, Station, TalkState,
    Urgency,
};
use dunlin_web::{Ask, Web};

use super::say;
use super::sink::Waiting;
use crate::journal::Journal;

/// Longest wait: questions of the page are looked for this often.
const LOOK: Duration = Duration::from_millis(20);
/// Time beyond its own length after which a transmission counts as hung.
const GRACE: Duration = Duration::from_secs(5);
/// Time that talks get to close when the station stops.
const FAREWELL: Duration = Duration::from_secs(20);
/// How often the driver looks whether everything is closed.
const LOOK_CLOSED: Duration = Duration::from_millis(200);
/// How often dropped sound and gaps are told.
const REPORT_EVERY: Duration = Duration::from_secs(10);
/// Silence that ends whatever was being heard when a device was lost.
const SILENCE: Duration = Duration::from_millis(500);
/// Notes of the driver that a fresh page still gets.
const MOST_NOTES: usize = 100;
/// Wake-ups in one turn; the rest has the next turn, after a look at everything else.
const MOST_WAKEUPS: usize = 64;

/// What reaches the driver from other threads.
#[derive(Debug)]
pub(super) enum Message {
    /// Something about the sound of a port.
    Sound {
        /// The port.
        port: PortId,
        /// What.
        event: SoundEvent,
    },
    /// The station shall stop; the second time at once.
    Stop,
}

/// One port and its sound.
pub(super) struct Port<S> {
    name: String,
    rate: SampleRate,
    sound: S,
    waiting: Waiting,
    /// A transmission is being played, and is hung if it has not ended by then.
    sending: Option<Instant>,
    /// When the last transmission ended. Sound that was at the input before is not heard.
    ended: Instant,
    told: Counts,
    next_report: Instant,
}

impl<S> Port<S> {
    /// A port called `name` whose sound runs at `rate`.
    pub(super) fn new(name: String, rate: SampleRate, sound: S, waiting: Waiting) -> Self {
        Port {
            name,
            rate,
            sound,
            waiting,
            sending: None,
            ended: Instant::ZERO,
            told: Counts::default(),
            next_report: Instant::ZERO,
        }
    }
}

/// How far the station has stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    /// It runs.
    Not,
    /// Talks are being closed; looked at again at `look`, given up at `limit`.
    Closing { look: Instant, limit: Instant },
    /// It is over.
    Over,
}

/// The engine and all that it is connected to.
pub(super) struct Driver<S> {
    station: Station,
    ports: Vec<Port<S>>,
    web: Option<Web>,
    journal: Journal,
    timeline: timeline::Live,
    notes: VecDeque<Note>,
    ending: Ending,
}

impl<S: SoundPort> Driver<S> {
    /// Connects the engine to its ports, its page and its journal.
    pub(super) fn new(
        station: Station,
        ports: Vec<Port<S>>,
        web: Option<Web>,
        journal: Journal,
    ) -> Self {
        let names = ports.iter().map(|p| p.name.clone()).collect();
        let timeline = timeline::Live::new(names);
        let notes = VecDeque::new();
        Driver {
            station,
            ports,
            web,
            journal,
            timeline,
            notes,
            ending: Ending::Not,
        }
    }

    /// The station has stopped.
    pub(super) fn is_over(&self) -> bool {
        self.ending == Ending::Over
    }

    /// How long the next turn may wait for a message.
    pub(super) fn longest_wait(&self, now: Instant) -> Duration {
        let wakeup = self
            .station
            .next_wakeup()
            .map_or(LOOK, |(at, _)| at.since(now));
        wakeup.min(LOOK)
    }

    /// One turn: takes in `message` and whatever is due at `now`.
    pub(super) fn turn(&mut self, now: Instant, message: Option<Message>) {
        if let Some(web) = &self.web {
            web.hub.tick(now);
        }
        match message {
            Some(Message::Sound { port, event }) => self.sound(now, port, event),
            Some(Message::Stop) => self.farewell(now),
            None => {}
        }
        self.wake(now);
        self.answer(now);
        for port in 0..self.ports.len() {
            self.watch(now, port);
        }
        if let Some(trouble) = self.journal.tick(now) {
            self.note(now, None, Urgency::Attention, trouble);
        }
        self.look_whether_closed(now);
    }

    /// Carries out what a person asks for.
    pub(super) fn command(&mut self, now: Instant, command: Command) -> Result<Reply, Refusal> {
        let answer = self.station.command(now, command);
        self.drain(now);
        answer
    }

    /// Everything that people may see, the driver's own notes included.
    pub(super) fn snapshot(&self, now: Instant) -> Snapshot {
        let mut snapshot = self.station.snapshot(now);
        snapshot.notes.extend(self.notes.iter().cloned());
        snapshot.notes.sort_by_key(|note| note.at_ms);
        snapshot
    }

    /// Silence on all ports, and the journal written to its end.
    pub(super) fn stop(&mut self, now: Instant) {
        for port in &mut self.ports {
            port.sound.hush();
            let Counts {
                overruns,
                underruns,
            } = port.sound.counts();
            say(&format!(
                "Port {}: {overruns} pieces of sound dropped, {underruns} gaps in what was sent.",
                port.name
            ));
        }
        match self.journal.end(now) {
            Ok(()) => say("Stopped; the journal is complete."),
            Err(error) => say(&format!(
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
                Output::Event(event) => self.tell(now, &event),
                Output::SendFrames { .. } | Output::Release { .. } => {}
            }
        }
    }

    fn transmit(&mut self, now: Instant, port: PortId, samples: Vec<f32>) {
        let Some(port) = self.ports.get_mut(usize::from(port.0)) else {
            return;
        };
        let lasts = port.rate.duration_of(samples.len() as u64);
        port.sending = Some(now + lasts + GRACE);
        port.sound.play(samples);
    }

    /// Shows an event to all who want it: page, journal, terminal.
    fn tell(&mut self, now: Instant, event: &Event) {
        self.publish(now, event);
        for line in self.timeline.lines(now.as_millis(), event) {
            say(&line);
        }
    }

    fn publish(&mut self, now: Instant, event: &Event) {
        if let Some(web) = &self.web {
            web.hub.publish(event);
        }
        self.journal.record(now, event);
    }

    /// A sentence of the driver itself. The terminal gets it whole: what is wrong with a
    /// device must not be cut to the width of a line.
    fn note(&mut self, now: Instant, port: Option<usize>, urgency: Urgency, text: String) {
        let name = port.map_or("", |p| self.ports[p].name.as_str());
        let mark = match urgency {
            Urgency::Attention => '!',
            Urgency::Plain => '.',
        };
        let clock = timeline::clock(now.as_millis());
        let tenth = now.as_millis() / 100 % 10;
        say(&format!("{clock}.{tenth} {name:<4} {mark} {text}"));
        let note = Note {
            at_ms: now.as_millis(),
            port: port.and_then(|p| u8::try_from(p).ok()).map(PortId),
            urgency,
            text,
        };
        if self.notes.len() == MOST_NOTES {
            self.notes.pop_front();
        }
        self.notes.push_back(note.clone());
        self.publish(now, &Event::Note(note));
    }

    fn wake(&mut self, now: Instant) {
        for _ in 0..MOST_WAKEUPS {
            match self.station.next_wakeup() {
                Some((at, _)) if at <= now => self.give(now, Input::Wakeup),
                _ => return,
            }
        }
    }

    /// Answers the page.
    fn answer(&mut self, now: Instant) {
        while let Some(ask) = self.web.as_ref().and_then(|web| web.asks.try_recv().ok()) {
            match ask {
                Ask::Command { command, reply } => reply.send(self.command(now, command)),
                Ask::Snapshot { reply } => {
                    let last = self.web.as_ref().map_or(0, |web| web.hub.last());
                    reply.send((last, self.snapshot(now)));
                }
            }
        }
    }

    fn sound(&mut self, now: Instant, id: PortId, event: SoundEvent) {
        let index = usize::from(id.0);
        if index >= self.ports.len() {
            return;
        }
        match event {
            SoundEvent::Heard { samples, age } => self.heard(now, id, samples, age),
            SoundEvent::Played { underruns } => {
                if underruns > 0 {
                    let text = format!(
                        "{} in what was just sent: this machine was too busy. The far station may \
                         not have read it",
                        if underruns == 1 {
                            "a gap".into()
                        } else {
                            format!("{underruns} gaps")
                        }
                    );
                    self.note(now, Some(index), Urgency::Attention, text);
                }
                self.sent(now, id);
            }
            SoundEvent::NotPlayed { reason } => {
                let text = format!("not sent, or not to its end: {reason}");
                self.note(now, Some(index), Urgency::Attention, text);
                self.sent(now, id);
            }
            SoundEvent::Lost { reason, retry_in } => {
                let seconds = retry_in.as_secs();
                let text = format!(
                    "the sound device is lost: {reason}. This port hears and sends nothing; \
                     tried again every {seconds} s"
                );
                self.note(now, Some(index), Urgency::Attention, text);
                let rate = self.ports[index].rate;
                let silence = vec![0.0; usize::try_from(rate.samples_in(SILENCE)).unwrap_or(0)];
                self.give(
                    now,
                    Input::Samples {
                        port: id,
                        samples: &silence,
                    },
                );
            }
            SoundEvent::Began { .. } => {}
            SoundEvent::Ready { detail, .. } => {
                let text = format!("the sound device is back: {detail}");
                self.note(now, Some(index), Urgency::Plain, text);
            }
        }
    }

    fn heard(&mut self, now: Instant, id: PortId, mut samples: Vec<f32>, age: Duration) {
        let port = &mut self.ports[usize::from(id.0)];
        port.waiting.taken();
        // The end of an own transmission may still be on its way through the input.
        let began = now - age - port.rate.duration_of(samples.len() as u64);
        if port.sending.is_some() || began < port.ended {
            samples.fill(0.0);
        }
        self.give(
            now,
            Input::Samples {
                port: id,
                samples: &samples,
            },
        );
    }

    /// The port's transmission is over, well or badly.
    fn sent(&mut self, now: Instant, id: PortId) {
        let port = &mut self.ports[usize::from(id.0)];
        if port.sending.take().is_some() {
            port.ended = now;
            self.give(now, Input::Transmitted { port: id });
        }
    }

    /// Ends a transmission that hangs, and tells what was dropped.
    fn watch(&mut self, now: Instant, index: usize) {
        let port = &mut self.ports[index];
        if port.sending.is_some_and(|limit| now > limit) {
            port.sound.hush();
            let text = "the sound device did not say that it has played everything; it was \
                        silenced, and this port may send again";
            self.note(now, Some(index), Urgency::Attention, text.into());
            self.sent(now, PortId(u8::try_from(index).unwrap_or(u8::MAX)));
            return;
        }
        if now < port.next_report {
            return;
        }
        port.next_report = now + REPORT_EVERY;
        let counts = port.sound.counts();
        let dropped = counts.overruns - port.told.overruns;
        port.told = counts;
        if dropped > 0 {
            let text = format!("{dropped} pieces of sound were dropped: this machine is too busy");
            self.note(now, Some(index), Urgency::Attention, text);
        }
    }

    /// Closes all talks; asked a second time, ends at once.
    fn farewell(&mut self, now: Instant) {
        if self.ending != Ending::Not {
            self.ending = Ending::Over;
            return;
        }
        let snapshot = self.station.snapshot(now);
        for crossing in snapshot.crossings.iter().filter(|c| !c.ended) {
            // Refused only if it has ended meanwhile.
            let _ = self.command(
                now,
                Command::CutCrossing {
                    crossing: crossing.id,
                },
            );
        }
        let open = snapshot
            .talks
            .iter()
            .filter(|t| t.state != TalkState::Ended);
        let talks: Vec<_> = open.map(|t| t.id).collect();
        for talk in &talks {
            let _ = self.command(now, Command::CloseTalk { talk: *talk });
        }
        say(&format!(
            "Stopping: {} talks to close. Ctrl-C again stops at once.",
            talks.len()
        ));
        self.ending = Ending::Closing {
            look: now,
            limit: now + FAREWELL,
        };
    }

    fn look_whether_closed(&mut self, now: Instant) {
        let Ending::Closing { look, limit } = self.ending else {
            return;
        };
        if now < look {
            return;
        }
        let snapshot = self.station.snapshot(now);
        let closed = snapshot.talks.iter().all(|t| t.state == TalkState::Ended)
            && snapshot.crossings.iter().all(|c| c.ended)
            && self.ports.iter().all(|p| p.sending.is_none());
        if !closed && now < limit {
            self.ending = Ending::Closing {
                look: now + LOOK_CLOSED,
                limit,
            };
            return;
        }
        if !closed {
            let text = "stopped before every talk was closed: the other side did not answer";
            self.note(now, None, Urgency::Attention, text.into());
        }
        self.ending = Ending::Over;
    }
}

#[cfg(test)]
mod tests;
