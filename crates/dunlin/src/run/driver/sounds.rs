//! What sound devices and controllers tell.

use dunlin_clock::{Duration, Instant};
use dunlin_rig::kiss::ControllerEvent;
use dunlin_rig::{SoundEvent, SoundPort};
use dunlin_station::gate::{AlarmKind, DeviceState};
use dunlin_station::{Input, PortId, Urgency};

use super::Driver;
use super::port::Way;

/// How often dropped sound and gaps are told.
const REPORT_EVERY: Duration = Duration::from_secs(10);
/// Silence that ends whatever was being heard when a device was lost.
const SILENCE: Duration = Duration::from_millis(500);

impl<S: SoundPort> Driver<S> {
    pub(super) fn sound(&mut self, now: Instant, id: PortId, event: SoundEvent) {
        let index = usize::from(id.0);
        if index >= self.ports.len() {
            return;
        }
        match event {
            SoundEvent::Heard { samples, age } => self.heard(now, id, samples, age),
            SoundEvent::Began { ago } => self.first_tone(now - ago, id),
            SoundEvent::Played { underruns } => {
                if underruns > 0 {
                    let text = format!(
                        "{} in what was just sent: this machine was too busy. The far station may \
                         not have read it",
                        match underruns {
                            1 => "a gap".into(),
                            n => format!("{n} gaps"),
                        }
                    );
                    self.note(now, Some(index), Urgency::Attention, text);
                }
                self.sound_is_over(now, id, true);
            }
            SoundEvent::NotPlayed { reason } => {
                if self.ports[index].is_playing() {
                    let text = format!("not sent, or not to its end: {reason}");
                    self.note(now, Some(index), Urgency::Attention, text);
                }
                self.sound_is_over(now, id, false);
            }
            SoundEvent::Lost { reason, retry_in } => self.lost(now, id, &reason, retry_in),
            SoundEvent::Ready { detail, .. } => {
                self.device(now, index, DeviceState::Healthy(&detail));
            }
        }
    }

    /// Nothing more comes out of the device: the key may go up.
    fn sound_is_over(&mut self, now: Instant, id: PortId, whole: bool) {
        if self.ports[usize::from(id.0)].is_playing() {
            let why = match whole {
                true => "everything is played",
                false => "the sound was cut short",
            };
            self.release(now, id, why, whole);
        }
    }

    fn lost(&mut self, now: Instant, id: PortId, reason: &str, retry_in: Duration) {
        let index = usize::from(id.0);
        self.ports[index].losses += 1;
        self.sound_is_over(now, id, false);
        let text = format!(
            "the sound device is lost: {reason}. This port hears and sends nothing; tried again \
             every {} s",
            retry_in.as_secs()
        );
        self.device(now, index, DeviceState::Lost(&text));
        let rate = self.ports[index].rate;
        let silence = vec![0.0; usize::try_from(rate.samples_in(SILENCE)).unwrap_or(0)];
        self.samples(now, id, &silence, now);
    }

    /// Gives the engine what a port heard, and keeps it for a recording; the last sample was at the
    /// input at `ended`.
    fn samples(&mut self, now: Instant, port: PortId, samples: &[f32], ended: Instant) {
        self.ports[usize::from(port.0)].recent.add(samples, ended);
        self.give(now, Input::Samples { port, samples });
    }

    /// Tells the engine how the device of a port does; it tells people.
    pub(super) fn device(&mut self, now: Instant, index: usize, state: DeviceState<'_>) {
        let port = super::port_id(index);
        self.give(now, Input::Device { port, state });
    }

    fn heard(&mut self, now: Instant, id: PortId, mut samples: Vec<f32>, age: Duration) {
        let port = &mut self.ports[usize::from(id.0)];
        port.waiting.taken();
        let began = now - age - port.rate.duration_of(samples.len() as u64);
        if !port.listens_to(began) {
            samples.fill(0.0);
        }
        self.samples(now, id, &samples, now - age);
    }

    /// The second input of a port tells something. Without it the port goes on with the first.
    /// One that did not even answer is told as lost and never tried again.
    pub(super) fn second_sound(&mut self, now: Instant, id: PortId, event: SoundEvent) {
        let Some(port) = self.ports.get_mut(usize::from(id.0)) else {
            return;
        };
        let (kind, port_id) = (AlarmKind::SecondInput, Some(id));
        match event {
            SoundEvent::Heard { mut samples, age } => {
                let Some((_, waiting)) = &port.second else {
                    return;
                };
                waiting.taken();
                let began = now - age - port.rate.duration_of(samples.len() as u64);
                if !port.listens_to(began) {
                    samples.fill(0.0);
                }
                let samples = &samples;
                self.give(now, Input::SecondSamples { port: id, samples });
            }
            SoundEvent::Lost { reason, retry_in } => {
                let again = match retry_in {
                    Duration::ZERO => "it is not tried again before the next start".into(),
                    _ => format!("tried again every {} s", retry_in.as_secs()),
                };
                let text = format!(
                    "the second sound input is missing: {reason}. The port goes on with the first \
                     alone; {again}"
                );
                let trouble = Input::Trouble {
                    kind,
                    port: port_id,
                    text: Some(&text),
                };
                self.give(now, trouble);
            }
            SoundEvent::Ready { .. } => {
                let trouble = Input::Trouble {
                    kind,
                    port: port_id,
                    text: None,
                };
                self.give(now, trouble);
            }
            // It never plays.
            SoundEvent::Began { .. } | SoundEvent::Played { .. } | SoundEvent::NotPlayed { .. } => {
            }
        }
    }

    /// The port of the plan that is `number` at a controller.
    pub(super) fn at_controller(&self, wanted: usize, number: u8) -> Option<PortId> {
        let here = |way: &Way<S>| {
            matches!(way, Way::Controller { controller, number: n }
                if *controller == wanted && *n == number)
        };
        let index = self.ports.iter().position(|p| here(&p.way))?;
        Some(super::port_id(index))
    }

    pub(super) fn controller_says(&mut self, now: Instant, wanted: usize, event: ControllerEvent) {
        let here = |way: &Way<S>| matches!(way, Way::Controller { controller, .. } if *controller == wanted);
        let ports: Vec<usize> = (0..self.ports.len())
            .filter(|&p| here(&self.ports[p].way))
            .collect();
        let first = ports.first().copied();
        match event {
            ControllerEvent::Ready { detail } => {
                for port in ports {
                    self.device(now, port, DeviceState::Healthy(&detail));
                }
            }
            ControllerEvent::Lost { reason, retry_in } => {
                let text = format!(
                    "the controller is lost: {reason}. Its ports hear and send nothing; tried \
                     again in {} s",
                    retry_in.as_secs()
                );
                for port in ports {
                    self.ports[port].losses += 1;
                    self.device(now, port, DeviceState::Lost(&text));
                }
            }
            ControllerEvent::NotHanded { reason, .. } => {
                let text = format!("a frame did not reach the controller: {reason}");
                self.note(now, first, Urgency::Attention, text);
            }
            ControllerEvent::Advice { text } => {
                self.note(now, first, Urgency::Attention, text);
            }
            // When it really was sent nobody knows; the engine reckons.
            ControllerEvent::Handed { .. } | ControllerEvent::Transmitted { .. } => {}
        }
    }

    /// Tells what was dropped.
    pub(super) fn report_counts(&mut self, now: Instant, index: usize) {
        let port = &mut self.ports[index];
        if now < port.next_report {
            return;
        }
        port.next_report = now + REPORT_EVERY;
        let Some(counts) = port.sound().map(|sound| sound.counts()) else {
            return;
        };
        let dropped = counts.overruns.saturating_sub(port.told.overruns);
        port.told = counts;
        if dropped > 0 {
            let text = format!("{dropped} pieces of sound were dropped: this machine is too busy");
            self.note(now, Some(index), Urgency::Attention, text);
        }
    }
}
