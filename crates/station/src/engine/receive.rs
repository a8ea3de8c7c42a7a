//! From samples to frames, and what a frame sets going.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{AddressField, Control, Modulo, Role};
use dunlin_clock::{Instant, SampleCount};

use super::Station;
use crate::channel::{Origin, Queued};
use crate::event::{BlockKind, Event, Note, PortId, Urgency, ms};
use crate::heard::Heard;
use crate::links::{self, LinkKey};
use crate::port::{Guess, PortEvent, ReceiverEvent, ReceptionReport, SoundKind, TonesAdvice};
use crate::rejects::RejectKind;
use crate::strip;
use crate::words;

/// From when to when something was heard.
pub(super) type Span = (Instant, Instant);

impl Station {
    /// Takes in what a port heard.
    pub(super) fn samples(&mut self, now: Instant, port: PortId, samples: &[f32]) {
        if usize::from(port.0) >= self.channels.len() {
            return; // A driver's mistake; there is nothing to hear it with.
        }
        let channel = self.channel(port);
        channel.samples += samples.len() as u64;
        channel.samples_at = now;
        let mut events = Vec::new();
        let deaf = channel.is_deaf();
        if !samples.is_empty() {
            let keyed = channel.is_transmitting();
            channel.gate.heard_sound(now, keyed);
        }
        let rate = channel.config.rate;
        channel.watch.sound.take(now, samples, rate, deaf);
        let Some(receiver) = &mut channel.receiver else {
            return; // A driver's mistake: the controller hears for this port.
        };
        if deaf {
            // Half duplex: a port does not listen to itself.
            receiver.process_own_transmission(samples.len(), &mut events);
        } else {
            receiver.process(samples, &mut events);
        }
        self.heard_by_port(now, port, events);
    }

    /// Takes in what the second input of a port heard.
    pub(super) fn second_samples(&mut self, now: Instant, port: PortId, samples: &[f32]) {
        if usize::from(port.0) >= self.channels.len() {
            return; // A driver's mistake.
        }
        let channel = self.channel(port);
        let deaf = channel.is_deaf();
        let later = channel
            .config
            .rate
            .samples_in(now.since(channel.samples_at));
        let end = channel.samples + later;
        let Some(receiver) = &mut channel.receiver else {
            return;
        };
        let mut events = Vec::new();
        if deaf {
            receiver.process_second(&vec![0.0; samples.len()], end, &mut events);
        } else {
            receiver.process_second(samples, end, &mut events);
        }
        self.heard_by_port(now, port, events);
    }

    fn heard_by_port(&mut self, now: Instant, port: PortId, events: Vec<PortEvent>) {
        for event in events {
            match event {
                PortEvent::Frame {
                    octets,
                    report,
                    line,
                    heard_on,
                } => {
                    let span = self.span_of(now, port, &report);
                    let heard = Heard {
                        report,
                        line,
                        own: self.port_config(port).line,
                        heard_on,
                    };
                    self.frame(now, port, &octets, span, Some(&heard));
                }
                PortEvent::Copy { octets, line } => {
                    let lines = (line, self.port_config(port).line);
                    if let Ok(frame) = Frame::decode_overheard(&octets)
                        && let Some(view) = self.heard.also_heard(port, ms(now), &frame, lines)
                    {
                        self.tell(Event::Heard(view));
                    }
                }
                PortEvent::Other(event) => self.receiver_says(now, port, event),
            }
        }
    }

    fn receiver_says(&mut self, now: Instant, port: PortId, event: ReceiverEvent) {
        match event {
            ReceiverEvent::Carrier { on, at } => {
                let at = self.moment(now, port, at);
                self.carrier(now, at, port, on);
            }
            ReceiverEvent::Frame { .. } => {} // Comes as a frame of the port.
            ReceiverEvent::Unreadable {
                reason,
                report,
                guess,
            } => {
                let span = self.span_of(now, port, &report);
                let heard = Some((&report, guess.as_deref()));
                self.unreadable(port, &reason.to_string(), span, heard);
            }
            ReceiverEvent::Energy { on, at } => {
                let at = self.moment(now, port, at);
                self.channel(port).energy = on.then_some(at);
            }
            ReceiverEvent::Tones(advice) => {
                let moment = |at| self.moment(now, port, at);
                let span = (moment(advice.start), moment(advice.end));
                self.tones(port, &advice, span);
            }
            ReceiverEvent::Sound(sound) => {
                let channel = self.channel(port);
                let silent = sound.kind == SoundKind::DigitalSilence;
                channel.watch.silent(now, silent);
                channel.sound = Some(sound);
            }
        }
    }

    /// The moment of a sample, given that `now` is the moment of the last one received.
    fn moment(&self, now: Instant, port: PortId, at: SampleCount) -> Instant {
        let channel = &self.channels[usize::from(port.0)];
        let back = channel.samples.saturating_sub(at.0);
        now - channel.config.rate.duration_of(back)
    }

    fn span_of(&self, now: Instant, port: PortId, report: &ReceptionReport) -> Span {
        let moment = |at| self.moment(now, port, at);
        (moment(report.start), moment(report.end))
    }

    pub(super) fn carrier(&mut self, now: Instant, at: Instant, port: PortId, on: bool) {
        let channel = self.channel(port);
        channel.occupied.set(at, on);
        if on {
            channel.spoken_to = None;
        }
        if !self.watched {
            return self.tell_links_of_channel(now, port);
        }
        if on {
            let block = self
                .strips
                .add(strip::blank(port, BlockKind::Busy, at, None));
            self.channel(port).busy_block = Some(block.id);
            self.tell(Event::Block(block));
        } else if let Some(id) = self.channel(port).busy_block.take()
            && let Some(block) = self.strips.end(id, at)
        {
            self.tell(Event::Block(block));
        }
        self.tell_links_of_channel(now, port);
    }

    /// Something was heard that is no frame.
    pub(super) fn unreadable(
        &mut self,
        port: PortId,
        reason: &str,
        (start, end): Span,
        heard: Option<(&ReceptionReport, Option<&Guess>)>,
    ) {
        let mut block = strip::blank(port, BlockKind::Unreadable, start, Some(end));
        if let Some((report, _)) = heard {
            strip::measured(&mut block, report);
        }
        let snr_db = heard.and_then(|(r, _)| r.snr_db);
        block.why = Some(strip::why_unreadable(reason, snr_db));
        if let Some((_, Some(guess))) = heard {
            strip::guessed(&mut block, guess);
        }
        let block = self.strips.add(block);
        self.tell(Event::Block(block));
    }

    /// Tones were heard that never became a frame.
    fn tones(&mut self, port: PortId, advice: &TonesAdvice, (start, end): Span) {
        let mut block = strip::blank(port, BlockKind::Unreadable, start, Some(end));
        block.offset_hz = advice.offset_hz;
        block.why = Some(strip::why_tones(&advice.sentence));
        let block = self.strips.add(block);
        self.tell(Event::Block(block));
    }

    /// A frame was heard. `heard` is missing where nobody measured.
    pub(super) fn frame(
        &mut self,
        now: Instant,
        port: PortId,
        octets: &[u8],
        (start, end): Span,
        heard: Option<&Heard>,
    ) {
        let report = heard.map(|heard| &heard.report);
        let Ok((field, _)) = AddressField::decode(octets) else {
            let reason = "passes its check but has no AX.25 address field";
            let text = format!("{} octets without an AX.25 address field", octets.len());
            self.reject(now, port, RejectKind::NoAddress, None, text);
            return self.unreadable(port, reason, (start, end), report.map(|r| (r, None)));
        };
        if self.watched {
            let mut block = strip::blank(port, BlockKind::Heard, start, Some(end));
            strip::describe(&mut block, octets);
            if let Some(heard) = heard {
                strip::measured(&mut block, &heard.report);
                strip::heard_by(&mut block, heard.line, heard.own, heard.heard_on);
            }
            let block = self.strips.add(block);
            self.tell(Event::Block(block));
        }
        self.watch_heard(now, port, &field);
        self.paths_heard(now, port, octets, &field);
        if let Ok(frame) = Frame::decode_overheard(octets) {
            self.note_offset(port, end, &frame, heard);
            let (config, borrowed) = (&self.config, &self.borrowed);
            let is_own = |call| {
                config.is_own(call) || borrowed.iter().any(|b| (b.port, b.call) == (port, call))
            };
            let changed = self.heard.note(port, ms(end), &frame, heard, is_own);
            changed
                .into_iter()
                .for_each(|view| self.tell(Event::Heard(view)));
        }
        if self.is_reflected(&field) {
            if let Some(own) = field.source.call_sign() {
                self.own_frame(now, port, own);
            }
        } else if !field.repeaters.iter().all(|r| r.has_been_repeated) {
            self.repeat(now, port, octets, &field);
        } else {
            match Frame::decode_modulo(octets, self.modulo_of(port, &field)) {
                Ok(frame) => {
                    self.warn_of_line(now, port, &frame, heard);
                    self.arrived(now, port, frame);
                }
                Err(error) => self.faulty(now, port, &field, error),
            }
        }
    }

    /// How a frame with these addresses is to be read: by the link that it is for (§4.2.1).
    fn modulo_of(&self, port: PortId, field: &AddressField) -> Modulo {
        let key = field.destination.call_sign().zip(field.source.call_sign());
        let key = key.map(|(local, remote)| LinkKey {
            port,
            local,
            remote,
        });
        let link = key.and_then(|key| self.links.get(&key));
        link.map_or(Modulo::Eight, |entry| entry.link.modulo())
    }

    /// A frame that has travelled its whole path.
    fn arrived(&mut self, now: Instant, port: PortId, frame: Frame) {
        let local = frame.destination.call_sign();
        let Some(local) = local.filter(|local| self.answers_to(port, *local)) else {
            return;
        };
        let Some(key) = links::key_of(port, &frame) else {
            return self.nameless(now, port, local, &frame.source.to_string());
        };
        if self.is_own(key.remote) {
            return self.own_frame(now, port, key.remote);
        }
        if let Control::Ui { .. } = frame.control {
            let text = format!(
                "{} writes to {}: {}",
                key.remote,
                key.local,
                words::escaped(&frame.info)
            );
            self.note(now, Some(port), Urgency::Plain, text);
        }
        if !self.port_config(port).may_transmit {
            return; // Nothing can be answered here, so nothing is let in.
        }
        if self.links.get(&key).is_none() {
            if matches!(frame.role, Role::Response) {
                return self.late_response(now, key, &frame);
            }
            if let Some(why) = self.out_of_service(now, port) {
                return self.unanswered(now, key, frame.control, &why);
            }
            self.open_for_stranger(now, key, &frame);
        }
        self.link_frame(now, key, frame);
    }

    /// Somebody calls by a line with which this port does not answer. Said once, not at each try.
    fn warn_of_line(&mut self, now: Instant, port: PortId, frame: &Frame, heard: Option<&Heard>) {
        let Some(heard) = heard.filter(|heard| heard.line != heard.own) else {
            return;
        };
        let Some(key) = links::key_of(port, frame) else {
            return;
        };
        let calls = matches!(frame.control, Control::Sabm { .. } | Control::Sabme { .. });
        if !calls || !self.answers_to(port, key.local) || !self.port_config(port).may_transmit {
            return;
        }
        let (line, own) = (heard.line, heard.own);
        let text = format!(
            "{} calls {} at {line}, and this port answers at {own}: it will hardly understand. \
             Agree on one of them, or give {line} a port of its own",
            key.remote, key.local
        );
        self.say_once(now, port, text);
    }

    /// Somebody calls while nothing can be sent. Said once, not at each try.
    fn unanswered(&mut self, now: Instant, key: LinkKey, control: Control, why: &str) {
        if !matches!(control, Control::Sabm { .. } | Control::Sabme { .. }) {
            return;
        }
        let text = format!(
            "{} calls {} and is not answered: {why}",
            key.remote, key.local
        );
        self.say_once(now, key.port, text);
    }

    /// A note for attention, unless it was said of late.
    fn say_once(&mut self, now: Instant, port: PortId, text: String) {
        let said = |n: &Note| n.text == text && n.port == Some(port);
        if !self.notes.iter().rev().take(20).any(said) {
            self.note(now, Some(port), Urgency::Attention, text);
        }
    }

    /// Whether this station listens to `call` on `port`.
    pub(super) fn answers_to(&self, port: PortId, call: dunlin_ax25::CallSign) -> bool {
        let crossing = |c: &crate::config::CrossingRule| {
            (c.from == port && c.call == call) || (c.to == port && c.far_call == call)
        };
        let mut crossings = self.config.crossings.iter();
        let node = |n: &crate::config::NodeRule| n.call == call && n.ports.contains(&port);
        self.port_config(port).call == call
            || crossings.any(crossing)
            || self.config.node.as_ref().is_some_and(node)
            || self
                .borrowed
                .iter()
                .any(|b| (b.port, b.call) == (port, call))
    }

    /// Queues a frame on a port, and says so if there is no room. True if it is queued.
    pub(super) fn enqueue(
        &mut self,
        now: Instant,
        port: PortId,
        origin: Origin,
        frame: Frame,
        urgent: bool,
    ) -> bool {
        self.enqueue_modulo(now, port, origin, frame, urgent, Modulo::Eight)
    }

    /// Queues a frame of a link whose numbers have this modulo.
    pub(super) fn enqueue_modulo(
        &mut self,
        now: Instant,
        port: PortId,
        origin: Origin,
        frame: Frame,
        urgent: bool,
        modulo: Modulo,
    ) -> bool {
        let (octets, control) = (frame.encode_modulo(modulo), Some(frame.control));
        self.enqueue_octets(now, port, origin, control, octets, urgent)
    }

    pub(super) fn enqueue_octets(
        &mut self,
        now: Instant,
        port: PortId,
        origin: Origin,
        control: Option<Control>,
        octets: Vec<u8>,
        urgent: bool,
    ) -> bool {
        if !self.port_config(port).may_transmit {
            return false;
        }
        let generation = match origin {
            Origin::Link(key) => self.links.get(&key).map_or(0, |e| e.link.generation()),
            _ => 0,
        };
        // The same answer to a call that was repeated while the channel was taken: one is enough, and
        // of more the caller would not know to which of its calls they belong.
        if let Some(Control::Ua { .. } | Control::Dm { .. }) = control {
            let queue = &mut self.channel(port).queue;
            queue.retain(|q| q.origin != origin || q.octets != octets);
        }
        let transmitter = &self.channel(port).transmitter;
        let alone = transmitter.airtime(std::slice::from_ref(&octets));
        if self.channel(port).never_fits(alone) {
            let text = format!(
                "a frame that takes {} was dropped: the key may not be down so long at once; \
                 send shorter frames, or raise the limit in the station plan",
                words::span(alone)
            );
            self.note(now, Some(port), Urgency::Attention, text);
            return false;
        }
        let queued = Queued {
            control,
            octets,
            origin,
            generation,
            urgent,
            since: now,
            alone,
            broken_off: 0,
        };
        let taken = self.channel(port).enqueue(queued);
        if !taken {
            let text = "the queue of this port is full; a frame was dropped".to_owned();
            self.note(now, Some(port), Urgency::Attention, text);
        }
        taken
    }
}
