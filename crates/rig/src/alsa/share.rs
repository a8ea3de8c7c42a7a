//! Devices of the kernel that several ports of this program use at once: the kernel gives a
//! device to one user only, so it is opened once and every port takes its own channel of it.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{FromSample, Sample, SampleFormat, SizedSample};
use dunlin_clock::{Duration, SampleRate};

use super::choice::{Choice, pick};
use super::fate::Fate;
use super::{device, refused};
use crate::channels;
use crate::device::{Channel, DeviceError, Way};
use crate::player::Player;
use crate::port::{Ears, Tally};
use crate::resample::Rates;

/// Longest time that a device may take to open.
const OPENING: Duration = Duration::from_secs(3);

/// What the device's thread does for one port.
pub(super) trait Part: Send + 'static {
    /// The port's counters.
    fn tally(&self) -> &Tally;
}

/// A port that hears.
pub(super) struct Listener {
    index: Option<usize>,
    rates: Rates,
    ears: Ears,
}

impl Part for Listener {
    fn tally(&self) -> &Tally {
        &self.ears.tally
    }
}

/// A port that plays.
pub(super) struct Voice {
    index: Option<usize>,
    player: Player,
    tally: Arc<Tally>,
}

impl Part for Voice {
    fn tally(&self) -> &Tally {
        &self.tally
    }
}

/// The parts of all ports on one device, each with its number.
type Parts<P> = Arc<Mutex<Vec<(u64, P)>>>;

/// An open device.
pub(super) struct Open<P> {
    pub(super) choice: Choice,
    pub(super) fate: Fate,
    parts: Parts<P>,
    _stream: cpal::Stream,
}

/// All open devices of one way, by name.
type Register<P> = Mutex<BTreeMap<String, Weak<Open<P>>>>;

static INPUTS: Register<Listener> = Mutex::new(BTreeMap::new());
static OUTPUTS: Register<Voice> = Mutex::new(BTreeMap::new());
static NEXT: AtomicU64 = AtomicU64::new(0);

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A port's place at an open device. The last one to go closes it.
pub(super) struct Seat<P> {
    pub(super) open: Arc<Open<P>>,
    number: u64,
}

impl<P> Seat<P> {
    fn take(open: Arc<Open<P>>, part: P) -> Self {
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        lock(&open.parts).push((number, part));
        Seat { open, number }
    }
}

impl<P> Drop for Seat<P> {
    fn drop(&mut self) {
        lock(&self.open.parts).retain(|(number, _)| *number != self.number);
    }
}

/// `hw` and `plughw` are one device.
fn key(name: &str) -> String {
    name.strip_prefix("plug").unwrap_or(name).to_owned()
}

/// The open device called `name`, opened by `make` unless a port of ours has it.
fn shared<P>(
    register: &Register<P>,
    name: &str,
    make: impl FnOnce() -> Result<Open<P>, DeviceError>,
) -> Result<Arc<Open<P>>, DeviceError> {
    let mut open = lock(register);
    open.retain(|_, device| device.strong_count() > 0);
    let there = open.get(&key(name)).and_then(Weak::upgrade);
    if let Some(there) = there.filter(|there| there.fate.look().is_ok()) {
        return Ok(there);
    }
    let new = Arc::new(make()?);
    open.insert(key(name), Arc::downgrade(&new));
    Ok(new)
}

/// What counts a gap for every port on the device.
fn gap<P: Part>(parts: &Parts<P>, way: Way) -> impl Fn() + Send + 'static {
    let parts = parts.clone();
    move || {
        for (_, part) in lock(&parts).iter() {
            let counter = match way {
                Way::Hear => &part.tally().overruns,
                Way::Play => &part.tally().underruns,
            };
            counter.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// A seat at the capture device called `name`.
pub(super) fn listen(
    name: &str,
    channel: Channel,
    rate: SampleRate,
    ears: &Ears,
) -> Result<Seat<Listener>, DeviceError> {
    let open = shared(&INPUTS, name, || {
        let device = device(name, Way::Hear)?;
        let ranges = device.supported_input_configs();
        let choice = pick(ranges, Way::Hear, name, channel, rate)?;
        let (fate, parts) = (Fate::default(), Parts::default());
        let stream = match choice.format {
            SampleFormat::F32 => input::<f32>(&device, choice, &parts, &fate),
            SampleFormat::I32 => input::<i32>(&device, choice, &parts, &fate),
            _ => input::<i16>(&device, choice, &parts, &fate),
        }
        .map_err(|e| refused(Way::Hear, name, &e))?;
        stream.play().map_err(|e| refused(Way::Hear, name, &e))?;
        Ok(Open {
            choice,
            fate,
            parts,
            _stream: stream,
        })
    })?;
    let full = format!("alsa:{name}");
    channels::check(channel, open.choice.channels.into(), Way::Hear, &full)?;
    let rates = Rates::new(open.choice.rate, rate).map_err(|reason| DeviceError::Unusable {
        way: Way::Hear,
        device: full,
        reason,
    })?;
    let listener = Listener {
        index: channel.index(),
        rates,
        ears: ears.clone(),
    };
    Ok(Seat::take(open, listener))
}

fn input<T>(
    device: &cpal::Device,
    choice: Choice,
    parts: &Parts<Listener>,
    fate: &Fate,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + Send + 'static,
    f32: FromSample<T>,
{
    let width = usize::from(choice.channels);
    let mut frames: Vec<f32> = Vec::new();
    let told = fate.hearer(Way::Hear, gap(parts, Way::Hear));
    let (fate, parts) = (fate.clone(), parts.clone());
    let heard = move |data: &[T], info: &cpal::InputCallbackInfo| {
        fate.well();
        frames.clear();
        frames.extend(data.iter().map(|sample| f32::from_sample(*sample)));
        let stamp = info.timestamp();
        let age = stamp.callback.duration_since(stamp.capture);
        let lasts = choice.rate.duration_of((data.len() / width) as u64);
        for (_, part) in lock(&parts).iter_mut() {
            let own = frames.chunks_exact(width);
            let own = own.map(|frame| channels::pick(frame, part.index)).collect();
            part.ears
                .heard(part.rates.pass(own), age.saturating_sub(lasts));
        }
    };
    device.build_input_stream(choice.config(), heard, told, Some(OPENING))
}

/// A seat at the playback device called `name`. `player` is made with the rate of the device.
pub(super) fn speak(
    name: &str,
    channel: Channel,
    rate: SampleRate,
    tally: &Arc<Tally>,
    player: impl FnOnce(SampleRate) -> Player,
) -> Result<Seat<Voice>, DeviceError> {
    let open = shared(&OUTPUTS, name, || {
        let device = device(name, Way::Play)?;
        let ranges = device.supported_output_configs();
        let choice = pick(ranges, Way::Play, name, channel, rate)?;
        let (fate, parts) = (Fate::default(), Parts::default());
        let stream = match choice.format {
            SampleFormat::F32 => output::<f32>(&device, choice, &parts, &fate),
            SampleFormat::I32 => output::<i32>(&device, choice, &parts, &fate),
            _ => output::<i16>(&device, choice, &parts, &fate),
        }
        .map_err(|e| refused(Way::Play, name, &e))?;
        stream.play().map_err(|e| refused(Way::Play, name, &e))?;
        Ok(Open {
            choice,
            fate,
            parts,
            _stream: stream,
        })
    })?;
    let full = format!("alsa:{name}");
    channels::check(channel, open.choice.channels.into(), Way::Play, &full)?;
    let voice = Voice {
        index: channel.index(),
        player: player(open.choice.rate),
        tally: tally.clone(),
    };
    Ok(Seat::take(open, voice))
}

fn output<T>(
    device: &cpal::Device,
    choice: Choice,
    parts: &Parts<Voice>,
    fate: &Fate,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32> + Send + 'static,
{
    let width = usize::from(choice.channels);
    let mut mixed = vec![0.0_f32; width];
    let told = fate.hearer(Way::Play, gap(parts, Way::Play));
    let (fate, parts) = (fate.clone(), parts.clone());
    let give = move |data: &mut [T], info: &cpal::OutputCallbackInfo| {
        fate.well();
        let stamp = info.timestamp();
        let delay = stamp.playback.duration_since(stamp.callback);
        let mut parts = lock(&parts);
        for (_, part) in parts.iter_mut() {
            part.player.begin(choice.rate.samples_in(delay));
        }
        for frame in data.chunks_exact_mut(width) {
            mix(&mut mixed, &mut parts);
            for (slot, sample) in frame.iter_mut().zip(&mixed) {
                *slot = T::from_sample(*sample);
            }
        }
    };
    device.build_output_stream(choice.config(), give, told, Some(OPENING))
}

/// The next frame of all ports together, full scale at most.
fn mix(frame: &mut [f32], parts: &mut [(u64, Voice)]) {
    frame.fill(0.0);
    for (_, part) in parts.iter_mut() {
        channels::add(frame, part.index, part.player.sample());
    }
    for value in frame {
        *value = value.clamp(-1.0, 1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::player::{Mark, Turn};
    use std::sync::mpsc;

    #[test]
    fn each_port_plays_on_its_own_channel() {
        let rate = SampleRate::new(48_000).expect("not zero");
        let voice = |index, level: f32| {
            let (send, turns) = mpsc::channel();
            send.send(Turn::Play(vec![level; 2])).expect("it listens");
            let mut player = Player::new(turns, Mark::default(), rate);
            player.begin(0);
            let tally = Arc::default();
            (
                0,
                Voice {
                    index,
                    player,
                    tally,
                },
            )
        };
        let mut frame = [9.0; 2];
        let mut parts = [voice(Some(0), 0.25), voice(Some(1), -0.5)];
        mix(&mut frame, &mut parts);
        assert_eq!(frame, [0.25, -0.5]);
        let mut parts = [voice(None, 0.75), voice(Some(1), 0.75)];
        mix(&mut frame, &mut parts);
        assert_eq!(frame, [0.75, 1.0], "no louder than full scale");
        mix(&mut frame, &mut []);
        assert_eq!(frame, [0.0; 2], "silence without any port");
    }

    #[test]
    fn both_names_of_a_card_are_one_device() {
        assert_eq!(key("plughw:CARD=A,DEV=0"), key("hw:CARD=A,DEV=0"));
        assert_ne!(key("hw:CARD=A,DEV=0"), key("hw:CARD=B,DEV=0"));
    }
}
