//! The gate at work: its conditions are judged after everything that happens, what is under
//! way is broken off when one of them shuts, and people are told.

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant, WallTime};

use super::{Output, Station, WakeupReason};
use crate::channel::{Channel, OnAir, Origin};
use crate::config::StationConfig;
use crate::event::{Event, PortId, PortView, Urgency, ms};
use crate::gate::judge::{Evidence, Other, Report, Standing, UNASKED_AFTER};
use crate::gate::words::Facts;
use crate::gate::{Condition, DeviceState, GateView, KeyLineState, Medium};
use crate::port::SoundKind;

/// A transmission that has not been reported as played so long after its end is stuck.
const STUCK_AFTER: Duration = Duration::from_secs(10);
/// A driver releases a key within 300 ms; one that has not said so by then is stuck.
const RELEASED_WITHIN: Duration = Duration::from_secs(2);
/// The gate of a port is not told more often.
const TELL_EVERY: Duration = Duration::from_millis(250);
/// While something waits its sentence is told again after a tenth of the wait, but not more
/// often than this, and at the latest after [`RETELL_AT_LEAST`].
const RETELL_AT_MOST: Duration = Duration::from_secs(2);
const RETELL_AT_LEAST: Duration = Duration::from_secs(60);
/// A frame that failures of the key line or the device have broken off so often is given up.
const MOST_BROKEN_OFF: u8 = 3;

/// What of a gate has to change before it is told again.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Told {
    standings: [Standing; 11],
    reports: (Instant, Instant),
    stops: usize,
    queue: (usize, Option<Instant>),
    down: Option<Instant>,
    released: Option<Instant>,
    sound: Option<SoundKind>,
}

/// The first call sign under which `port` sends and that begins with Q: the ITU allocates no
/// such series (Radio Regulations, Appendix 42), so it is nobody's.
pub(super) fn invented_call(config: &StationConfig, port: PortId) -> Option<CallSign> {
    let own = &config.ports[usize::from(port.0)];
    let from = config.crossings.iter().filter(|r| r.from == port);
    let to = config.crossings.iter().filter(|r| r.to == port);
    let node = config.node.iter().filter(|n| n.ports.contains(&port));
    let node = node.map(|n| n.call);
    [own.call]
        .into_iter()
        .chain(own.digipeat.iter().copied())
        .chain(from.map(|r| r.call))
        .chain(to.map(|r| r.far_call))
        .chain(node)
        .find(|call| call.characters().starts_with('Q'))
}

impl Station {
    /// Civil time now.
    pub(super) fn wall(&self, now: Instant) -> WallTime {
        self.config.wall_at_zero.after(now.since(Instant::ZERO))
    }

    pub(super) fn device(&mut self, now: Instant, port: PortId, state: DeviceState<'_>) {
        if usize::from(port.0) < self.channels.len() {
            let report = match state {
                DeviceState::Healthy(what) => Report::Good(what.to_owned()),
                DeviceState::Lost(why) => Report::Bad(why.to_owned()),
            };
            self.channel(port).gate.set_device(now, report);
            self.next_look = now;
        }
    }

    pub(super) fn key_line(&mut self, now: Instant, port: PortId, state: KeyLineState<'_>) {
        if usize::from(port.0) >= self.channels.len() {
            return;
        }
        let report = match state {
            KeyLineState::Released(proof) => Report::Good(proof.to_owned()),
            KeyLineState::Down => Report::Down,
            KeyLineState::Failed(why) => Report::Bad(why.to_owned()),
        };
        let proved = matches!(report, Report::Good(_));
        self.channel(port).gate.set_line(now, report);
        self.next_look = now;
        if proved && self.channel(port).gate.stuck {
            self.transmitted(now, port);
        }
    }

    pub(super) fn external_carrier(&mut self, now: Instant, port: PortId, busy: bool) {
        if let Some(channel) = self.channels.get_mut(usize::from(port.0)) {
            channel.external_read = true;
            if busy && channel.external.is_none() {
                channel.spoken_to = None;
            }
            channel.external = busy.then(|| channel.external.unwrap_or(now));
        }
    }

    /// Judges the gate of a port anew.
    pub(super) fn judge(&mut self, now: Instant, port: PortId) {
        let index = usize::from(port.0);
        let others = self.channels.iter().filter(|c| c.id != port);
        let others: Vec<Other> = others
            .map(|c| Other {
                port: c.id,
                keyed: c.is_transmitting(),
                hears: c.is_busy(),
                interlock: c.config.gate.interlock,
            })
            .collect();
        let stopped = self.stops.of(port).next().is_some();
        let channel = &mut self.channels[index];
        let evidence = Evidence {
            now,
            config: &channel.config.gate,
            may_transmit: channel.config.may_transmit,
            invented: channel.invented,
            stopped,
            needs_sound: channel.needs_sound(),
            keyed: channel.is_transmitting(),
            sensed: channel.sensed(),
            full_duplex: channel.config.full_duplex,
            others: &others,
            length: channel.waiting_length(),
            identification: channel.judge_identification(now),
            lost_draws: channel.access.lost_draws(),
        };
        channel.gate.judge(&evidence);
    }

    /// Judges all gates and does what follows at once.
    pub(super) fn guard(&mut self, now: Instant) {
        for port in self.ports() {
            self.judge(now, port);
            self.break_off(now, port);
            self.watch_key(now, port);
            self.channel(port).update_access(now);
            self.tell_links_of_channel(now, port);
        }
    }

    /// What keeps a port from sending at all now, and not only for a while; `None` = nothing.
    /// Whoever calls then is not answered, nothing is repeated, and no beacon is queued: all
    /// that would leave in one burst later, when nobody waits for it any more.
    pub(super) fn out_of_service(&mut self, now: Instant, port: PortId) -> Option<String> {
        self.judge(now, port);
        let gate = &self.channels[usize::from(port.0)].gate;
        let (_, standing) = gate.held().filter(|(c, _)| *c < Condition::KeyDown)?;
        Some(self.facts(now, port).say(standing.why).0)
    }

    /// Breaks a transmission off if something no longer allows it.
    fn break_off(&mut self, now: Instant, port: PortId) {
        let channel = &self.channels[usize::from(port.0)];
        if !channel.is_transmitting() || channel.gate.released.is_some() {
            return;
        }
        if let Some((condition, standing)) = channel.gate.breaks_off() {
            let (why, _) = self.facts(now, port).say(standing.why);
            self.release(now, port, why, condition == Condition::Stop);
        }
    }

    /// Asks the driver to release a key. `by_person` = somebody wanted it; then what is cut
    /// off is not held against it.
    pub(super) fn release(&mut self, now: Instant, port: PortId, why: String, by_person: bool) {
        let channel = self.channel(port);
        channel.gate.released = Some(now);
        if !by_person {
            channel.count_break(now);
        }
        self.outputs.push_back(Output::Release {
            port,
            why: why.clone(),
        });
        let text = match self.port_config(port).medium {
            Medium::Sound | Medium::Frames => format!("the key is being released: {why}"),
            Medium::Controller => format!(
                "nothing more goes to the controller: {why}. It may still send what it was given"
            ),
        };
        self.note(now, Some(port), Urgency::Attention, text);
    }

    /// Notices a transmission that does not end, and a key that is down for nothing.
    fn watch_key(&mut self, now: Instant, port: PortId) {
        let Some(at) = self.stuck_at(port) else {
            return self.watch_unasked(now, port);
        };
        if at > now {
            return;
        }
        self.channel(port).gate.stuck = true;
        self.next_look = now;
        if self.channel(port).gate.released.is_none() {
            self.release(now, port, "its end was not reported".into(), false);
        }
        self.judge(now, port);
    }

    /// When the transmission under way counts as stuck.
    fn stuck_at(&self, port: PortId) -> Option<Instant> {
        let channel = &self.channels[usize::from(port.0)];
        if channel.gate.stuck || !channel.is_transmitting() {
            return None;
        }
        let played = channel.sound_ends.map(|end| end + STUCK_AFTER);
        let released = channel.gate.released.map(|at| at + RELEASED_WITHIN);
        // A controller takes nothing back: it sends to the end whatever is asked of it.
        let released = released.filter(|_| channel.config.medium != Medium::Controller);
        [played, released].into_iter().flatten().min()
    }

    /// A key that the keyer holds down though nothing is being sent is to be released.
    fn watch_unasked(&mut self, now: Instant, port: PortId) {
        if self.unasked_at(port).is_some_and(|at| at <= now) {
            self.release(now, port, "nothing is being sent".into(), false);
        }
    }

    fn unasked_at(&self, port: PortId) -> Option<Instant> {
        let channel = &self.channels[usize::from(port.0)];
        let gate = &channel.gate;
        let down = gate.line == Report::Down && !channel.is_transmitting();
        (down && gate.released.is_none()).then(|| gate.line_since + UNASKED_AFTER)
    }

    /// The key is released. What was cut off goes back to the front of the queue.
    pub(super) fn after_release(&mut self, now: Instant, port: PortId) {
        let channel = self.channel(port);
        if std::mem::take(&mut channel.gate.stuck) {
            self.next_look = now;
        }
        let channel = self.channel(port);
        let on_air = std::mem::take(&mut channel.on_air);
        let Some(released) = channel.gate.released.take() else {
            return;
        };
        if channel.config.medium == Medium::Controller {
            return; // It was given these frames and sends them; again would be twice.
        }
        let mut given_up = 0;
        for OnAir { queued, end, block } in on_air.into_iter().rev() {
            if end <= released {
                continue;
            }
            if let Some(block) = self.strips.break_off(block, released) {
                self.tell(Event::Block(block));
            }
            if queued.origin == Origin::Test {
                continue; // Nobody waits for the rest of it.
            }
            if queued.broken_off >= MOST_BROKEN_OFF {
                given_up += 1;
                if queued.origin == Origin::Identification {
                    self.channel(port).identity.give_up();
                }
                continue;
            }
            let queue = &mut self.channel(port).queue;
            queue.retain(|q| q.origin != queued.origin || q.octets != queued.octets);
            queue.push_front(queued);
        }
        if given_up > 0 {
            let text = format!(
                "{given_up} frames were broken off {MOST_BROKEN_OFF} times and are given up"
            );
            self.note(now, Some(port), Urgency::Attention, text);
        }
    }

    /// When a gate wants to be looked at, and why.
    pub(super) fn gate_wakeups(&self) -> impl Iterator<Item = (Instant, WakeupReason)> + '_ {
        self.channels.iter().flat_map(|c| {
            let waiting = c.waiting_length().is_some();
            let change = c.gate.next_change(&c.config.gate, c.needs_sound(), waiting);
            let moments = [
                change,
                self.stuck_at(c.id),
                self.unasked_at(c.id),
                c.gate_tell_at,
            ];
            let reason = WakeupReason::Gate(c.id);
            moments.into_iter().flatten().map(move |at| (at, reason))
        })
    }

    /// What the sentences about a port are made of.
    pub(super) fn facts(&self, now: Instant, port: PortId) -> Facts<'_> {
        let channel = &self.channels[usize::from(port.0)];
        Facts {
            now,
            port: &channel.config,
            ports: &self.config.ports,
            gate: &channel.gate,
            stops: self.stops.of(port).collect(),
            data: channel.occupied.since(),
            data_by: channel.data_by(),
            energy: channel.energy,
            external: channel.external,
            external_unread: channel.external_unread(),
            sound: channel.sound.as_ref(),
            length: channel.waiting_length(),
        }
    }

    /// A port as people see it.
    pub(super) fn port_view(&self, now: Instant, port: PortId) -> PortView {
        let channel = &self.channels[usize::from(port.0)];
        let waits = channel.queue.front().map(|first| {
            let reason = self.facts(now, port).reason(&channel.queue, 0);
            (ms(first.since), reason)
        });
        channel.view(now, waits)
    }

    /// The gate of a port as people see it.
    pub(super) fn gate_view(&self, now: Instant, port: PortId) -> GateView {
        let channel = &self.channels[usize::from(port.0)];
        let facts = self.facts(now, port);
        GateView {
            port,
            sentence: facts.sentence(&channel.queue),
            conditions: facts.conditions(),
            waiting: facts.waiting(&channel.queue),
            queued: channel.queue.len(),
            key_down: channel.gate.key_down.view(now, &channel.config.gate.limits),
            test: channel.test_words(),
            identified_ms: channel.identity.identified().map(ms),
        }
    }

    /// Tells the gates that have changed, each not too often.
    pub(super) fn tell_gates(&mut self, now: Instant) {
        for port in self.ports() {
            let stops = self.stops.of(port).count();
            let channel = self.channel(port);
            let state = channel.gate_told_of(stops);
            let changed = channel.gate_told.as_ref() != Some(&state);
            let due = if changed {
                channel.gate_told_at.map_or(now, |at| at + TELL_EVERY)
            } else if let (Some(at), Some(first)) = (channel.gate_told_at, channel.queue.front()) {
                let waited = now.since(first.since) / 10;
                at + waited.clamp(RETELL_AT_MOST, RETELL_AT_LEAST)
            } else {
                channel.gate_tell_at = None;
                continue;
            };
            if due > now {
                channel.gate_tell_at = Some(due);
                continue;
            }
            channel.gate_told = Some(state);
            channel.gate_told_at = Some(now);
            let again = channel.queue.front().map(|_| now + RETELL_AT_MOST);
            channel.gate_tell_at = again;
            let view = self.gate_view(now, port);
            self.tell(Event::Gate(view));
        }
    }
}

impl Channel {
    fn gate_told_of(&self, stops: usize) -> Told {
        let gate = &self.gate;
        Told {
            standings: gate.standings,
            reports: (gate.device_since, gate.line_since),
            stops,
            queue: (self.queue.len(), self.queue.front().map(|q| q.since)),
            down: gate.key_down.down_since(),
            released: gate.released,
            sound: self.sound.as_ref().map(|s| s.kind),
        }
    }
}
