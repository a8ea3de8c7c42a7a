//! What a person should look after: watched here, told when it begins and when it is over.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{AddressField, Control};
use dunlin_clock::{Duration, Instant};

use super::sound::SoundWatch;
use super::{Station, WakeupReason};
use crate::event::{Event, PortId, Urgency};
use crate::gate::AlarmKind;
use crate::gate::alarms::{Change, LONGEST, Seen};
use crate::gate::judge::{Report, UNASKED_AFTER};
use crate::gate::view::what_and_to;
use crate::words::{escaped, span};

/// How often the ports are looked at.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// A device or key line that has not been told of for so long is missing.
const UNTOLD_FOR: Duration = Duration::from_secs(60);
/// Samples that are all zero for so long come from no radio: each has some noise.
const SILENT_FOR: Duration = Duration::from_secs(60);
/// Without a frame for so long, and for so many times the usual time between two, a port may
/// be deaf. Common practice, no source: a quiet night is no trouble.
const NO_FRAME_FOR: Duration = Duration::from_secs(24 * 3600);
const NO_FRAME_FACTOR: u32 = 8;
/// Frames after which the usual time between two is known.
const USUAL_AFTER: u32 = 20;
/// So many frames that ask for an answer, for so long, and nobody answers or repeats.
const UNHEARD_FRAMES: u32 = 10;
const UNHEARD_FOR: Duration = Duration::from_secs(30 * 60);

/// What the alarms of a port go by.
#[derive(Debug, Default)]
pub(crate) struct Watch {
    /// Since when every sample is zero.
    silent_since: Option<Instant>,
    last_frame: Option<Instant>,
    /// Frames heard, and the usual time between two.
    frames: u32,
    usual: Duration,
    /// Whether the sound is fit to be heard.
    pub(crate) sound: SoundWatch,
    /// Frames sent since the last sign of anybody, and the first of them.
    asked: u32,
    asked_since: Option<Instant>,
}

impl Watch {
    /// Every sample of late was zero, or not.
    pub(crate) fn silent(&mut self, now: Instant, silent: bool) {
        self.silent_since = silent.then(|| self.silent_since.unwrap_or(now));
    }

    /// A frame was heard.
    fn heard(&mut self, now: Instant) {
        if let Some(last) = self.last_frame {
            let gap = now.since(last);
            self.usual = match self.frames {
                1 => gap,
                _ => self.usual.mul_f64(0.9) + gap.mul_f64(0.1),
            };
        }
        self.last_frame = Some(now);
        self.frames = self.frames.saturating_add(1);
    }

    fn answered(&mut self) {
        self.asked = 0;
        self.asked_since = None;
    }

    fn asked(&mut self, now: Instant) {
        self.asked = self.asked.saturating_add(1);
        self.asked_since.get_or_insert(now);
    }

    fn deaf(&self, now: Instant) -> Option<String> {
        if let Some(since) = self.silent_since.filter(|s| now.since(*s) >= SILENT_FOR) {
            return Some(format!(
                "nothing comes from the sound device, not even noise, for {}. Look at the cable, \
                 the chosen input and its volume",
                span(now.since(since))
            ));
        }
        let last = self.last_frame.filter(|_| self.frames >= USUAL_AFTER)?;
        let quiet = now.since(last);
        (quiet >= NO_FRAME_FOR.max(self.usual * NO_FRAME_FACTOR)).then(|| {
            format!(
                "no frame was heard for {}, and usually one comes every {}. Listen to the radio: \
                 antenna, frequency and squelch",
                span(quiet),
                span(self.usual)
            )
        })
    }

    fn unheard(&self, now: Instant) -> Option<String> {
        let since = self.asked_since?;
        let lasts = now.since(since);
        (self.asked >= UNHEARD_FRAMES && lasts >= UNHEARD_FOR).then(|| {
            format!(
                "{} frames asked for an answer or a repeater in {}, and nobody answered or \
                 repeated one. Look whether the radio transmits: power, antenna, level of the \
                 sound, frequency",
                self.asked,
                span(lasts)
            )
        })
    }
}

impl Station {
    /// A frame was heard by a port: a sign of life, and perhaps an answer.
    pub(super) fn watch_heard(&mut self, now: Instant, port: PortId, field: &AddressField) {
        let own = |a: &dunlin_ax25::wire::Address| a.call_sign().is_some_and(|c| self.is_own(c));
        let answer = own(&field.destination) || own(&field.source);
        let watch = &mut self.channel(port).watch;
        watch.heard(now);
        if answer {
            watch.answered();
        }
    }

    /// A frame is sent by a port.
    pub(super) fn watch_sent(&mut self, now: Instant, port: PortId, octets: &[u8]) {
        let Ok(frame) = Frame::decode_overheard(octets) else {
            return;
        };
        let control = frame.control;
        let asks = matches!(
            control,
            Control::I { .. } | Control::Sabm { .. } | Control::Sabme { .. } | Control::Disc { .. }
        );
        if asks || frame.repeaters.iter().any(|r| !r.has_been_repeated) {
            self.channel(port).watch.asked(now);
        }
    }

    /// Something outside is wrong, or is well again.
    pub(super) fn trouble(
        &mut self,
        now: Instant,
        kind: AlarmKind,
        port: Option<PortId>,
        text: Option<&str>,
    ) {
        if port.is_some_and(|p| usize::from(p.0) >= self.channels.len()) {
            return; // A driver's mistake.
        }
        let text = text.map(|t| {
            let short: String = t.chars().take(LONGEST).collect();
            escaped(short.as_bytes())
        });
        self.alarm(now, kind, port, Seen::Outside, text);
    }

    /// Looks whether any alarm begins or ends, at times.
    pub(super) fn look_for_alarms(&mut self, now: Instant) {
        if now < self.next_look {
            return;
        }
        self.next_look = now + LOOK_EVERY;
        for port in self.ports() {
            let found = [
                (AlarmKind::Waiting, self.waits_too_long(now, port)),
                (AlarmKind::Stuck, self.is_stuck(now, port)),
                (AlarmKind::Device, self.device_trouble(now, port)),
                (AlarmKind::KeyLine, self.key_line_trouble(now, port)),
                (AlarmKind::Deaf, self.channel(port).watch.deaf(now)),
                (AlarmKind::Sound, self.sound_trouble(now, port)),
                (AlarmKind::Unheard, self.channel(port).watch.unheard(now)),
            ];
            for (kind, text) in found {
                self.alarm(now, kind, Some(port), Seen::Inside, text);
            }
        }
    }

    fn alarm(
        &mut self,
        now: Instant,
        kind: AlarmKind,
        port: Option<PortId>,
        seen: Seen,
        text: Option<String>,
    ) {
        let view = match self.alarms.set(now, (kind, port), seen, text) {
            Some(Change::Begins(view)) => {
                let text = format!("alarm: {}", view.text);
                self.note(now, port, Urgency::Attention, text);
                view
            }
            Some(Change::Goes(view)) => view,
            Some(Change::Ends(view)) => {
                let text = format!("this alarm is over: {}", view.text);
                self.note(now, port, Urgency::Plain, text);
                view
            }
            None => return,
        };
        self.tell(Event::Alarm(view));
    }

    /// When the oldest frame of a port will have waited too long.
    fn waits_until(&self, port: PortId) -> Option<Instant> {
        let channel = &self.channels[usize::from(port.0)];
        let oldest = channel.queue.iter().map(|q| q.since).min()?;
        Some(oldest + channel.config.gate.wait_alarm)
    }

    fn waits_too_long(&self, now: Instant, port: PortId) -> Option<String> {
        self.waits_until(port).filter(|at| *at <= now)?;
        let queue = &self.channels[usize::from(port.0)].queue;
        let (n, oldest) = queue.iter().enumerate().min_by_key(|(_, q)| q.since)?;
        let (what, to) = what_and_to(&oldest.octets);
        let facts = self.facts(now, port);
        let reason = facts.reason(queue, n);
        let shut = facts.gate.first_shut();
        let remedy = shut.map_or(String::new(), |(_, s)| facts.say(s.why).1);
        let waits = span(now.since(oldest.since));
        Some(format!(
            "a frame for {to} ({what}) has waited {waits}: {reason}. {remedy}"
        ))
    }

    fn is_stuck(&self, now: Instant, port: PortId) -> Option<String> {
        let gate = &self.channels[usize::from(port.0)].gate;
        let down = gate.key_down.down_since().filter(|_| gate.stuck)?;
        Some(format!(
            "the end of a transmission begun {} ago was never reported, so the key may still be \
             down. Look whether the radio transmits, and switch it off if it does",
            span(now.since(down))
        ))
    }

    fn device_trouble(&self, now: Instant, port: PortId) -> Option<String> {
        let channel = &self.channels[usize::from(port.0)];
        let untold = channel.config.gate.needs_proof && now >= Instant::ZERO + UNTOLD_FOR;
        match &channel.gate.device {
            Report::Bad(why) => Some(format!(
                "{why}. This port hears and sends nothing until the device is back"
            )),
            Report::Unknown if untold => Some(
                "the device of this port has not been opened since the start. Look at the device \
                 in the station plan"
                    .into(),
            ),
            _ => None,
        }
    }

    fn sound_trouble(&self, now: Instant, port: PortId) -> Option<String> {
        let channel = &self.channels[usize::from(port.0)];
        channel.watch.sound.trouble(now, channel.config.rate)
    }

    fn key_line_trouble(&self, now: Instant, port: PortId) -> Option<String> {
        let channel = &self.channels[usize::from(port.0)];
        let untold = channel.config.gate.needs_proof && now >= Instant::ZERO + UNTOLD_FOR;
        let down = now.since(channel.gate.line_since);
        match &channel.gate.line {
            Report::Bad(why) => Some(format!(
                "{why}. This port sends nothing until its key is proved released"
            )),
            Report::Down if !channel.is_transmitting() && down >= UNASKED_AFTER => Some(format!(
                "the key is held down for {}, though nothing is being sent. Look whether the \
                 radio transmits, and switch it off if it does",
                span(down)
            )),
            Report::Unknown if untold => Some(
                "the key line of this port has not been proved released since the start. Look at \
                 the key line in the station plan"
                    .into(),
            ),
            _ => None,
        }
    }

    /// When a frame will have waited too long.
    pub(super) fn alarm_wakeups(&self) -> impl Iterator<Item = (Instant, WakeupReason)> + '_ {
        self.channels.iter().filter_map(|c| {
            let held = self.alarms.holds(AlarmKind::Waiting, c.id);
            let at = self.waits_until(c.id).filter(|_| !held)?;
            Some((at.max(self.next_look), WakeupReason::Gate(c.id)))
        })
    }
}
