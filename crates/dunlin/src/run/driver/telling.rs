//! To people, to the journal and to other programs.

use dunlin_clock::Instant;
use dunlin_rehearsal::timeline;
use dunlin_rig::SoundPort;
use dunlin_station::gate::{AlarmKind, AlarmView};
use dunlin_station::{BlockKind, Event, Input, Note, PortId, Urgency};

use super::Driver;
use crate::journal::Trouble;
use crate::run::say;

/// Notes of the driver that a fresh page still gets.
const MOST_NOTES: usize = 100;

impl<S: SoundPort> Driver<S> {
    /// Shows an event to all who want it: page, journal, terminal.
    pub(super) fn tell(&mut self, now: Instant, event: &Event) {
        match event {
            Event::Stops(stops) => {
                if let Some(keep) = &mut self.outside.keep_stops {
                    keep(stops);
                }
            }
            Event::Alarm(alarm) => self.pass_alarm_on(alarm),
            Event::Block(block) if block.kind == BlockKind::Heard => {
                if let Some(tell) = &mut self.outside.on_frame {
                    tell(block.port, &block.octets);
                }
            }
            _ => {}
        }
        self.publish(now, event);
        for line in self.timeline.lines(now.as_millis(), event) {
            self.print(&line);
        }
    }

    /// An alarm that only changes its words is no news for who sends messages or rings bells.
    fn pass_alarm_on(&mut self, alarm: &AlarmView) {
        let key = (alarm.kind, alarm.port);
        let told = self.alarms_told.contains(&key);
        if told == alarm.active {
            return;
        }
        match alarm.active {
            true => self.alarms_told.push(key),
            false => self.alarms_told.retain(|other| *other != key),
        }
        if let Some(tell) = &mut self.outside.on_alarm {
            tell(alarm);
        }
    }

    /// One alarm for all that is wrong with the disk.
    pub(super) fn tell_of_disk(&mut self, now: Instant) {
        let troubles: Vec<&str> = self
            .disk_troubles
            .iter()
            .flatten()
            .map(String::as_str)
            .collect();
        let text = (!troubles.is_empty()).then(|| troubles.join(" "));
        self.trouble(now, AlarmKind::Disk, text.as_deref());
    }

    fn print(&mut self, line: &str) {
        match &mut self.outside.print {
            Some(print) => print(line),
            None => say(line),
        }
    }

    fn publish(&mut self, now: Instant, event: &Event) {
        if let Some(web) = &self.outside.web {
            web.hub.publish(event);
        }
        if let Some(journal) = &mut self.journal {
            journal.record(now, event);
        }
    }

    /// A sentence of the driver itself. The terminal gets it whole: what is wrong with a
    /// device must not be cut to the width of a line.
    pub(super) fn note(
        &mut self,
        now: Instant,
        port: Option<usize>,
        urgency: Urgency,
        text: String,
    ) {
        let name = port.map_or("", |p| self.ports[p].name.as_str());
        let mark = match urgency {
            Urgency::Attention => '!',
            Urgency::Plain => '.',
        };
        let clock = timeline::clock(now.as_millis());
        let tenth = now.as_millis() / 100 % 10;
        let line = format!("{clock}.{tenth} {name:<4} {mark} {text}");
        self.print(&line);
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

    /// Tells the engine of trouble outside; it keeps the alarm and tells people.
    pub(super) fn trouble(&mut self, now: Instant, kind: AlarmKind, text: Option<&str>) {
        let port = None;
        self.give(now, Input::Trouble { kind, port, text });
    }

    pub(super) fn look_after_journal(&mut self, now: Instant) {
        let trouble = self.journal.as_mut().and_then(|journal| journal.tick(now));
        match trouble {
            None => {}
            Some(Trouble::Begins(text)) => {
                self.disk_troubles[0] = Some(text);
                self.tell_of_disk(now);
            }
            Some(Trouble::Over(text)) => {
                self.disk_troubles[0] = None;
                self.tell_of_disk(now);
                self.note(now, None, Urgency::Plain, text);
            }
        }
    }
}
