//! From the queue to the air: beacons, transmissions and their end.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Control, pid};
use dunlin_clock::{Chance, Duration, Instant};

use super::Station;
use crate::channel::{OnAir, Origin};
use crate::event::{BlockKind, Event, PortId, Urgency};
use crate::gate::Medium;
use crate::strip;
use crate::words::span;

/// Beacons are spread over this share of their interval, so that stations started together
/// do not collide for ever.
const BEACON_SPREAD: f64 = 0.1;
/// A beacon that comes due while the port is out of service is put off by a part of this, so
/// that beacons do not leave in a burst afterwards.
const PUT_OFF: Duration = Duration::from_secs(120);
/// The end of a transmission may be told so much before its last frame ends by reckoning.
const EARLY: Duration = Duration::from_millis(100);

impl Station {
    /// Queues the beacons that are due.
    pub(super) fn beacons(&mut self, now: Instant) {
        for port in self.ports() {
            let config = self.port_config(port).clone();
            for (i, beacon) in config.beacons.iter().enumerate() {
                let due = self.channel(port).beacons_due[i];
                if due > now {
                    continue;
                }
                let name = format!("beacon {} {i} {}", port.0, due.as_millis());
                let mut chance = Chance::stream(self.config.seed, &name);
                if config.may_transmit && self.out_of_service(now, port).is_some() {
                    let put_off = PUT_OFF.min(beacon.interval);
                    let put_off = put_off.mul_f64(chance.between(0.25, 1.0));
                    self.channel(port).beacons_due[i] = now + put_off;
                    continue;
                }
                let spread = chance.between(-0.5, 0.5);
                let next = beacon.interval.mul_f64(1.0 + BEACON_SPREAD * spread);
                self.channel(port).beacons_due[i] = now + next;
                let info = beacon.text.clone().into_bytes();
                let frame = Frame::ui(config.call, beacon.to, &beacon.via, pid::NO_LAYER_3, info);
                self.enqueue(now, port, Origin::ToAll, frame, false);
            }
        }
    }

    /// The port has won the channel: everything that may be sent now goes out as one
    /// transmission.
    pub(super) fn transmit(&mut self, now: Instant, port: PortId) {
        let taken = self.take_turn(now, port);
        if taken.is_empty() {
            return;
        }
        let taken = self.with_call_sign(now, port, taken);
        let channel = self.channel(port);
        let said = channel.said(now, &taken);
        let mut start = now + channel.config.timing.key_up_delay;
        let octets: Vec<Vec<u8>> = taken.iter().map(|q| q.octets.clone()).collect();
        let mut airtime = channel.transmitter.airtime(&octets);
        // Each frame ends where the sound of a transmission up to it would, less the tail. A
        // test signal is one piece with its frame.
        let mut ends: Vec<Instant> = said.iter().map(|s| s.end).collect();
        let test = taken.first().filter(|q| q.origin == Origin::Test);
        if let Some(test) = test {
            (start, airtime) = (now, test.alone);
            ends = ends.pop().into_iter().collect();
        }
        let test = test.and_then(|_| self.test_output(port));
        let aim = self.aim(now, port, &taken);
        self.channel(port).identity.begins(now, said, now + airtime);
        self.key_down(now, port, airtime);
        self.charge(now, port, &taken, airtime);
        for (queued, end) in taken.into_iter().zip(ends) {
            let mut block = strip::blank(port, BlockKind::Sent, start, Some(end));
            if self.watched {
                strip::describe(&mut block, &queued.octets);
            }
            if let Some((_, what)) = &test {
                block.what.clone_from(what);
            }
            block.why = aim.as_ref().map(|aim| aim.words.clone());
            if self.watched {
                block = self.strips.add(block);
            }
            self.watch_sent(now, port, &queued.octets);
            self.paths_sent(now, port, &queued);
            self.count_client_frames(now, queued.origin, 1);
            let on_air = OnAir {
                queued,
                end,
                block: block.id,
            };
            self.channel(port).on_air.push(on_air);
            self.tell(Event::Block(block));
            start = end;
        }
        let output = match test {
            Some((output, _)) => output,
            None => self.carried(port, octets, aim.map(|aim| aim.offset_hz)),
        };
        self.outputs.push_back(output);
        self.tell_links_of_channel(now, port);
    }

    /// The key of a port goes down for a transmission that takes `airtime`.
    pub(super) fn key_down(&mut self, now: Instant, port: PortId, airtime: Duration) {
        let channel = self.channel(port);
        channel.own.set(now, true);
        channel.gate.key_down.press(now);
        channel.gate.released = None;
        channel.sound_ends = Some(now + airtime);
    }

    /// A transmission whose end is told before its frames can have been played, though nobody
    /// asked for its release, was broken off by the device or the driver.
    fn notice_early_end(&mut self, now: Instant, port: PortId) {
        let channel = self.channel(port);
        let played = channel.on_air.last().map(|f| f.end);
        let early = played.filter(|end| now + EARLY < *end);
        if channel.config.medium == Medium::Controller || channel.gate.released.is_some() {
            return; // What a controller was given it sends; a release is expected to cut off.
        }
        let Some(early) = early.map(|end| end.since(now)) else {
            return;
        };
        channel.gate.released = Some(now);
        channel.count_break(now);
        let text = format!(
            "a transmission ended {} before all of it was played; what was cut off is sent again",
            span(early)
        );
        self.note(now, Some(port), Urgency::Attention, text);
    }

    /// The transmission is over and the key released.
    pub(super) fn transmitted(&mut self, now: Instant, port: PortId) {
        if usize::from(port.0) >= self.channels.len() {
            return;
        }
        self.notice_early_end(now, port);
        let channel = &mut self.channels[usize::from(port.0)];
        channel.own.set(now, false);
        channel.access.released(now);
        channel.gate.key_down.release(now);
        channel.sound_ends = None;
        channel.identity.ends(now, channel.gate.released);
        for frame in &channel.on_air {
            if let (Origin::Link(key), Some(Control::I { .. })) =
                (frame.queued.origin, frame.queued.control)
                && let Some(entry) = self.links.get_mut(&key)
            {
                entry.text_left = Some(now);
            }
        }
        let channel = self.channel(port);
        if channel
            .on_air
            .iter()
            .any(|f| f.queued.origin == Origin::Test)
        {
            channel.test = None;
        }
        self.after_release(now, port);
        self.judge(now, port);
        self.tell_links_of_channel(now, port);
    }
}
