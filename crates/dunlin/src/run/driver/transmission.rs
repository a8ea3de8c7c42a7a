//! One transmission: key down, sound, last sample out, key released. Each step waits for the
//! word of whoever did the one before: the sound for the keyer, the release for the device
//! that played, the engine for the keyer again. Nothing is taken for done because it was
//! ordered.

use dunlin_clock::{Duration, Instant};
use dunlin_rig::SoundPort;
use dunlin_rig::keyer::KeyerEvent;
use dunlin_station::gate::KeyLineState;
use dunlin_station::{Input, PortId, Urgency};

use super::Driver;
use super::port::{Sending, Way};

/// Longest wait for the key after it was asked for.
const KEYING: Duration = Duration::from_millis(500);
/// Time beyond its own length after which a transmission counts as hung.
pub(super) const GRACE: Duration = Duration::from_secs(2);
/// After a press that the keyer refused it is left alone for so long: longer than the rest that
/// a plan may ask for by default, because each press in that time begins the rest anew.
const REFUSED: Duration = Duration::from_secs(30);
/// A release that takes longer is told.
const SLOW_RELEASE: Duration = Duration::from_millis(500);

impl<S: SoundPort> Driver<S> {
    /// Asks for the key. The sound waits until the keyer says that it is down.
    pub(super) fn transmit(&mut self, now: Instant, id: PortId, samples: Vec<f32>) {
        let Some(port) = self.ports.get_mut(usize::from(id.0)) else {
            return;
        };
        let lasts = port.rate.duration_of(samples.len() as u64);
        port.keyer.press(now, lasts + KEYING + GRACE);
        port.sending = Sending::Keying {
            samples,
            since: now,
        };
        self.listen_to_keyer(now, id);
    }

    /// Hands frames to the port's controller. It keys by itself, and tells nothing.
    pub(super) fn send_frames(
        &mut self,
        now: Instant,
        id: PortId,
        frames: &[Vec<u8>],
        airtime: Duration,
    ) {
        let Some(port) = self.ports.get_mut(usize::from(id.0)) else {
            return;
        };
        let Way::Controller { controller, number } = port.way else {
            return self.give(now, Input::Transmitted { port: id });
        };
        port.sending = Sending::AtController {
            until: now + airtime,
        };
        let refused: Vec<String> = frames
            .iter()
            .filter_map(|frame| self.controllers[controller].send(number, frame).err())
            .collect();
        if let Some(why) = refused.first() {
            let text = format!("{} frames not sent: {why}", refused.len());
            self.note(now, Some(usize::from(id.0)), Urgency::Attention, text);
        }
    }

    /// Ends a transmission before its time.
    pub(super) fn cut_short(&mut self, now: Instant, id: PortId, why: &str) {
        let index = usize::from(id.0);
        let Some(port) = self.ports.get_mut(index) else {
            return;
        };
        match port.sending {
            // The engine wants a key up that nothing holds down here: once more, then.
            Sending::Nothing => {
                port.keyer.release(now, why);
                self.listen_to_keyer(now, id);
            }
            Sending::AtController { .. } => {
                if let Way::Controller { controller, .. } = port.way {
                    self.controllers[controller].hush();
                }
                let text = "what was handed to the controller cannot be taken back; if its radio \
                            stays keyed, cut its power";
                self.note(now, Some(index), Urgency::Attention, text.into());
            }
            _ => self.release(now, id, why, false),
        }
    }

    /// Silence, and the key up. The keyer's word is awaited.
    pub(super) fn release(&mut self, now: Instant, id: PortId, why: &str, whole: bool) {
        let port = &mut self.ports[usize::from(id.0)];
        if !whole && let Some(sound) = port.sound() {
            sound.hush();
        }
        port.keyer.release(now, why);
        if !matches!(port.sending, Sending::Releasing { .. }) {
            port.sending = Sending::Releasing {
                since: now,
                whole,
                told: false,
            };
        }
        self.listen_to_keyer(now, id);
    }

    /// Beats of all keyers, and what they say.
    pub(super) fn turn_keyers(&mut self, now: Instant) {
        for index in 0..self.ports.len() {
            self.ports[index].keyer.turn(now);
            self.listen_to_keyer(now, super::port_id(index));
        }
    }

    fn listen_to_keyer(&mut self, now: Instant, id: PortId) {
        while let Some(event) = self.ports[usize::from(id.0)].keyer.poll() {
            self.keyer_says(now, id, event);
        }
    }

    fn keyer_says(&mut self, now: Instant, id: PortId, event: KeyerEvent) {
        let index = usize::from(id.0);
        let key_line = |state| Input::KeyLine { port: id, state };
        match event {
            KeyerEvent::Proved { evidence } => {
                self.give(now, key_line(KeyLineState::Released(&evidence)));
                self.key_is_up(now, id);
            }
            KeyerEvent::Down { .. } => self.key_is_down(now, id),
            KeyerEvent::Released { why, .. } => {
                if self.ports[index].is_playing() {
                    // The keyer let go by itself. The engine must know that what it sent did
                    // not get out whole.
                    let reason = format!("the keyer has released by itself: {why}");
                    let state = KeyLineState::Failed(&reason);
                    self.give(now, Input::KeyLine { port: id, state });
                }
                // The line first: a transmission that is over while its key seems down
                // would be a fault.
                self.give(now, key_line(KeyLineState::Released(&why)));
                self.released(now, id, &why);
            }
            KeyerEvent::Refused { why } => self.refused(now, id, &why),
            // The proof that comes with it says more.
            KeyerEvent::Alive => {}
            KeyerEvent::Failed { reason } => {
                if let Some(sound) = self.ports[index].sound() {
                    sound.hush();
                }
                let sending = &mut self.ports[index].sending;
                if !matches!(sending, Sending::Nothing | Sending::AtController { .. }) {
                    // Only a proof says that the key is up again.
                    *sending = Sending::Releasing {
                        since: now,
                        whole: false,
                        told: true,
                    };
                }
                self.give(now, key_line(KeyLineState::Failed(&reason)));
            }
            KeyerEvent::External { busy } => {
                self.give(now, Input::ExternalCarrier { port: id, busy });
            }
        }
    }

    fn key_is_down(&mut self, now: Instant, id: PortId) {
        let port = &mut self.ports[usize::from(id.0)];
        match std::mem::replace(&mut port.sending, Sending::Nothing) {
            Sending::Keying { samples, .. } => {
                let lasts = port.rate.duration_of(samples.len() as u64);
                port.sending = Sending::Playing {
                    down: now,
                    limit: now + lasts + GRACE,
                    began: false,
                };
                if let Some(sound) = port.sound() {
                    sound.play(samples);
                }
                let state = KeyLineState::Down;
                self.give(now, Input::KeyLine { port: id, state });
            }
            Sending::Nothing => self.release(now, id, "nothing is to be sent", false),
            other => port.sending = other,
        }
    }

    /// The keyer has released, or has refused to key.
    fn released(&mut self, now: Instant, id: PortId, why: &str) {
        let index = usize::from(id.0);
        match &self.ports[index].sending {
            Sending::Nothing | Sending::AtController { .. } => {}
            Sending::Releasing { since, whole, .. } => {
                let (delay, whole) = (now.since(*since), *whole);
                if whole {
                    self.ports[index].delays.to_release.note(delay);
                }
                self.key_is_up(now, id);
            }
            Sending::Keying { .. } | Sending::Playing { .. } => {
                let text = format!("not sent, or not to its end: the keyer has released: {why}");
                self.note(now, Some(index), Urgency::Attention, text);
                if let Some(sound) = self.ports[index].sound() {
                    sound.hush();
                }
                self.key_is_up(now, id);
            }
        }
    }

    /// The keyer has not keyed.
    fn refused(&mut self, now: Instant, id: PortId, why: &str) {
        let index = usize::from(id.0);
        if let Sending::Keying { .. } = self.ports[index].sending {
            let reason = format!("the keyer does not key: {why}");
            self.note(
                now,
                Some(index),
                Urgency::Attention,
                format!("not sent: {reason}"),
            );
            let state = KeyLineState::Failed(&reason);
            self.give(now, Input::KeyLine { port: id, state });
            self.ports[index].refused_until = Some(now + REFUSED);
        }
        self.key_is_up(now, id);
    }

    /// Whatever was being sent is over, and the key is known to be up.
    fn key_is_up(&mut self, now: Instant, id: PortId) {
        let port = &mut self.ports[usize::from(id.0)];
        if matches!(
            port.sending,
            Sending::Nothing | Sending::AtController { .. }
        ) {
            return;
        }
        if let Sending::Keying { .. } | Sending::Playing { .. } = port.sending
            && let Some(sound) = port.sound()
        {
            sound.hush();
        }
        port.sending = Sending::Nothing;
        port.ended = now;
        self.give(now, Input::Transmitted { port: id });
    }

    /// The first sample has left the device.
    pub(super) fn first_tone(&mut self, now: Instant, id: PortId) {
        let port = &mut self.ports[usize::from(id.0)];
        if let Sending::Playing { down, began, .. } = &mut port.sending
            && !std::mem::replace(began, true)
        {
            let delay = now.since(*down);
            port.delays.to_first_tone.note(delay);
        }
    }

    /// Ends what hangs.
    pub(super) fn watch_transmission(&mut self, now: Instant, index: usize) {
        let id = super::port_id(index);
        if self.ports[index]
            .refused_until
            .is_some_and(|until| now >= until)
        {
            self.ports[index].refused_until = None;
            if self.ports[index].keyer.is_proved() {
                let state =
                    KeyLineState::Released("the keyer has rested and holds the line released");
                self.give(now, Input::KeyLine { port: id, state });
            }
        }
        match &mut self.ports[index].sending {
            Sending::Keying { since, .. } if now.since(*since) > KEYING => {
                let text = "not sent: the keyer does not say that the key is down";
                self.note(now, Some(index), Urgency::Attention, text.into());
                self.release(now, id, "the key did not come", false);
            }
            Sending::Playing { limit, .. } if now > *limit => {
                let text = "the sound device did not say that it has played everything; it was \
                            silenced and the key released";
                self.note(now, Some(index), Urgency::Attention, text.into());
                self.release(now, id, "the end of the sound is overdue", false);
            }
            Sending::Releasing { since, told, .. }
                if now.since(*since) > SLOW_RELEASE && !*told =>
            {
                *told = true;
                let text = "the key is not known to be released: look at the radio, and cut its \
                            power if it transmits";
                self.note(now, Some(index), Urgency::Attention, text.into());
            }
            Sending::AtController { until } if now >= *until => {
                let port = &mut self.ports[index];
                port.sending = Sending::Nothing;
                port.ended = now;
                self.give(now, Input::Transmitted { port: id });
            }
            _ => {}
        }
    }
}
