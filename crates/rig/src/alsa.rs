//! Devices of the kernel, through cpal and ALSA. Nothing else may use such a device at the
//! same time; where a sound server runs, name the server's device instead.

use std::str::FromStr;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, DeviceId, ErrorKind, FromSample, Sample, SampleFormat, SizedSample, StreamConfig,
    SupportedStreamConfigRange,
};
use dunlin_clock::{Duration, SampleRate};

use crate::cards::Card;
use crate::channels;
use crate::device::{Channel, DeviceError, DeviceHost, DeviceInfo, DeviceName, Way};
use crate::identity::Identity;
use crate::lookup::card_word;
use crate::player::{Mark, Player, Progress, Turn};
use crate::port::{Ears, Tally};
use crate::resample::Rates;
use crate::supervisor::{Hearing, Output, Playing};

/// Sound per turn of the device; it keeps two of them. Shorter would start a transmission
/// sooner, and leave gaps in frames on a busy machine.
const PERIOD: Duration = Duration::from_millis(40);
/// Failures without any sound between them after which a device counts as lost.
const MOST_STRIKES: u32 = 20;
/// Longest time that a device may take to open.
const OPENING: Duration = Duration::from_secs(3);
/// Rates to try, best first, when a device cannot run at the engine's.
const RATES: [u32; 8] = [
    48_000, 96_000, 44_100, 192_000, 88_200, 32_000, 16_000, 8_000,
];

/// The devices that the kernel and its configuration offer now.
pub(crate) fn list(cards: &[Card]) -> Vec<DeviceInfo> {
    let Ok(host) = cpal::host_from_id(cpal::HostId::Alsa) else {
        return Vec::new();
    };
    let Ok(devices) = host.devices() else {
        return Vec::new();
    };
    let info = |device: cpal::Device| {
        let id = device.id().ok()?;
        let text = device
            .description()
            .map(|d| d.to_string())
            .unwrap_or_default();
        let identity = identity(id.id(), cards);
        let info = DeviceInfo {
            host: DeviceHost::Alsa,
            name: id.id().to_owned(),
            description: text.replace('\n', ", "),
            identity,
            monitor: false,
            hears: device.supports_input(),
            plays: device.supports_output(),
        };
        let name = DeviceName {
            host: Some(DeviceHost::Alsa),
            name: info.name.clone(),
        };
        // The same devices come again under the number of their card.
        name.card_number().is_none().then_some(info)
    };
    devices.filter_map(info).collect()
}

/// What the card in an ALSA name is.
fn identity(name: &str, cards: &[Card]) -> Option<Identity> {
    let word = card_word(name)?;
    cards.iter().find(|card| card.id == word)?.identity.clone()
}

fn device(name: &str, way: Way) -> Result<cpal::Device, DeviceError> {
    let unusable = |e: cpal::Error| refused(way, name, &e);
    let host = cpal::host_from_id(cpal::HostId::Alsa).map_err(unusable)?;
    let id = DeviceId::from_str(&format!("alsa:{name}")).map_err(unusable)?;
    host.device_by_id(&id).ok_or_else(|| DeviceError::Missing {
        way,
        wanted: format!("alsa:{name}"),
        exist: Vec::new(),
        hint: None,
        notes: Vec::new(),
    })
}

fn refused(way: Way, name: &str, error: &cpal::Error) -> DeviceError {
    let reason = match error.kind() {
        ErrorKind::DeviceBusy => {
            "another program or another port uses it; where a sound server runs, use its `pulse:` device".into()
        }
        ErrorKind::PermissionDenied => {
            "access is denied; is this user in the group `audio`?".to_owned()
        }
        _ => error.to_string(),
    };
    DeviceError::Unusable {
        way,
        device: format!("alsa:{name}"),
        reason,
    }
}

/// How a device will be run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Choice {
    channels: u16,
    rate: SampleRate,
    format: SampleFormat,
}

impl Choice {
    fn config(self) -> StreamConfig {
        let period = u32::try_from(self.rate.samples_in(PERIOD)).unwrap_or(u32::MAX);
        StreamConfig {
            channels: self.channels,
            sample_rate: self.rate.hz(),
            buffer_size: BufferSize::Fixed(period),
        }
    }
}

/// The best of what a device can do: the engine's own rate, else the best that it knows;
/// floating point before integers; no more channels than needed.
fn choose(
    ranges: &[SupportedStreamConfigRange],
    channel: Channel,
    wanted: SampleRate,
) -> Option<Choice> {
    let needed = channel.index().map_or(1, |i| i + 1);
    let rank = |format| match format {
        SampleFormat::F32 => Some(0),
        SampleFormat::I32 => Some(1),
        SampleFormat::I16 => Some(2),
        _ => None,
    };
    let mut best: Option<((usize, u8, u16), Choice)> = None;
    for range in ranges
        .iter()
        .filter(|r| usize::from(r.channels()) >= needed)
    {
        let Some(rank) = rank(range.sample_format()) else {
            continue;
        };
        let rates = std::iter::once(wanted.hz()).chain(RATES);
        let fits = |hz: &u32| (range.min_sample_rate()..=range.max_sample_rate()).contains(hz);
        let Some((place, hz)) = rates.enumerate().find(|(_, hz)| fits(hz)) else {
            continue;
        };
        let Some(rate) = SampleRate::new(hz) else {
            continue;
        };
        let key = (place, rank, range.channels());
        let choice = Choice {
            channels: range.channels(),
            rate,
            format: range.sample_format(),
        };
        if best.is_none_or(|(other, _)| key < other) {
            best = Some((key, choice));
        }
    }
    best.map(|(_, choice)| choice)
}

fn pick(
    ranges: Result<impl Iterator<Item = SupportedStreamConfigRange>, cpal::Error>,
    way: Way,
    name: &str,
    channel: Channel,
    rate: SampleRate,
) -> Result<Choice, DeviceError> {
    let ranges: Vec<_> = ranges.map_err(|e| refused(way, name, &e))?.collect();
    let most = ranges
        .iter()
        .map(|r| usize::from(r.channels()))
        .max()
        .unwrap_or(0);
    if most > 0 {
        channels::check(channel, most, way, name)?;
    }
    choose(&ranges, channel, rate).ok_or_else(|| DeviceError::Unusable {
        way,
        device: format!("alsa:{name}"),
        reason: "it offers no rate and sample format that this program knows".into(),
    })
}

/// What the device's own thread told of its health.
#[derive(Clone, Default)]
struct Fate {
    end: Arc<Mutex<Option<String>>>,
    strikes: Arc<AtomicU32>,
}

impl Fate {
    /// The device works: it just gave or took sound.
    fn well(&self) {
        self.strikes.store(0, Ordering::Relaxed);
    }

    /// What to call with each error of the device.
    fn hearer(&self, tally: Arc<Tally>, way: Way) -> impl FnMut(cpal::Error) + Send + 'static {
        let fate = self.clone();
        move |error: cpal::Error| {
            match error.kind() {
                ErrorKind::RealtimeDenied => {}
                ErrorKind::Xrun => {
                    let counter = match way {
                        Way::Hear => &tally.overruns,
                        Way::Play => &tally.underruns,
                    };
                    counter.fetch_add(1, Ordering::Relaxed);
                }
                ErrorKind::BackendError => {
                    // One alone may pass; a device that is broken brings nothing else.
                    if fate.strikes.fetch_add(1, Ordering::Relaxed) >= MOST_STRIKES {
                        fate.ends(format!("the sound {way} fails again and again: {error}"));
                    }
                }
                _ => fate.ends(format!("the sound {way} failed: {error}")),
            }
        }
    }

    fn ends(&self, reason: String) {
        let mut end = self.end.lock().unwrap_or_else(PoisonError::into_inner);
        end.get_or_insert(reason);
    }

    fn look(&self) -> Result<(), String> {
        match &*self.end.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(reason) => Err(reason.clone()),
            None => Ok(()),
        }
    }
}

struct AlsaInput {
    fate: Fate,
    _stream: cpal::Stream,
}

impl Hearing for AlsaInput {
    fn look(&mut self) -> Result<(), String> {
        self.fate.look()
    }
}

/// Opens the capture device called `name`.
pub(crate) fn hear(
    name: &str,
    channel: Channel,
    rate: SampleRate,
    ears: &Ears,
) -> Result<(Box<dyn Hearing>, String), DeviceError> {
    let device = device(name, Way::Hear)?;
    let choice = pick(
        device.supported_input_configs(),
        Way::Hear,
        name,
        channel,
        rate,
    )?;
    let rates = Rates::new(choice.rate, rate).map_err(|reason| DeviceError::Unusable {
        way: Way::Hear,
        device: format!("alsa:{name}"),
        reason,
    })?;
    let fate = Fate::default();
    let stream = match choice.format {
        SampleFormat::F32 => input::<f32>(&device, choice, channel, rates, ears, &fate),
        SampleFormat::I32 => input::<i32>(&device, choice, channel, rates, ears, &fate),
        _ => input::<i16>(&device, choice, channel, rates, ears, &fate),
    }
    .map_err(|e| refused(Way::Hear, name, &e))?;
    stream.play().map_err(|e| refused(Way::Hear, name, &e))?;
    Ok((
        Box::new(AlsaInput {
            fate,
            _stream: stream,
        }),
        detail(choice),
    ))
}

fn detail(choice: Choice) -> String {
    format!(
        "{} Hz, {} channel(s), {}",
        choice.rate.hz(),
        choice.channels,
        choice.format
    )
}

fn input<T>(
    device: &cpal::Device,
    choice: Choice,
    channel: Channel,
    mut rates: Rates,
    ears: &Ears,
    fate: &Fate,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + Send + 'static,
    f32: FromSample<T>,
{
    let width = usize::from(choice.channels);
    let index = channel.index();
    let mut frame = vec![0.0_f32; width];
    let told = fate.hearer(ears.tally.clone(), Way::Hear);
    let (fate, ears) = (fate.clone(), ears.clone());
    let heard = move |data: &[T], info: &cpal::InputCallbackInfo| {
        fate.well();
        let mut samples = Vec::with_capacity(data.len() / width);
        for octets in data.chunks_exact(width) {
            for (value, sample) in frame.iter_mut().zip(octets) {
                *value = f32::from_sample(*sample);
            }
            samples.push(channels::pick(&frame, index));
        }
        let stamp = info.timestamp();
        let age = stamp.callback.duration_since(stamp.capture);
        let lasts = choice.rate.duration_of(samples.len() as u64);
        ears.heard(rates.pass(samples), age.saturating_sub(lasts));
    };
    device.build_input_stream(choice.config(), heard, told, Some(OPENING))
}

struct AlsaOutput {
    fate: Fate,
    turns: Sender<Turn>,
    mark: Mark,
    told: bool,
    playing: bool,
    /// The device's rate and the engine's.
    rates: (SampleRate, SampleRate),
    tally: Arc<Tally>,
    /// Gaps counted when the transmission began.
    gaps: u64,
    _stream: cpal::Stream,
}

impl Output for AlsaOutput {
    fn play(&mut self, samples: Vec<f32>) -> Result<(), String> {
        let (device, engine) = self.rates;
        let samples = Rates::whole(engine, device, samples)?;
        *self.mark.lock() = Progress::default();
        self.told = false;
        self.gaps = self.tally.underruns.load(Ordering::Relaxed);
        self.turns
            .send(Turn::Play(samples))
            .map_err(|_| "the output has ended".to_owned())?;
        self.playing = true;
        Ok(())
    }

    fn hush(&mut self) {
        self.playing = false;
        let _ = self.turns.send(Turn::Hush); // If nobody takes it, the stream is gone.
    }

    fn look(&mut self) -> Result<Playing, String> {
        self.fate.look()?;
        if !self.playing {
            return Ok(Playing::Nothing);
        }
        let mark = *self.mark.lock();
        if let Some(at) = mark.began.filter(|_| !self.told) {
            self.told = true;
            return Ok(Playing::Began(at.elapsed()));
        }
        if !mark.ended {
            return Ok(Playing::Still);
        }
        self.playing = false;
        // The device's thread has counted them in the port's total already.
        let gaps = self.tally.underruns.load(Ordering::Relaxed) - self.gaps;
        self.tally.underruns.fetch_sub(gaps, Ordering::Relaxed);
        Ok(Playing::Ended(gaps))
    }
}

/// Opens the playback device called `name`.
pub(crate) fn play(
    name: &str,
    channel: Channel,
    rate: SampleRate,
    ears: &Ears,
) -> Result<(Box<dyn Output>, String), DeviceError> {
    let device = device(name, Way::Play)?;
    let choice = pick(
        device.supported_output_configs(),
        Way::Play,
        name,
        channel,
        rate,
    )?;
    let fate = Fate::default();
    let (turns, taken) = std::sync::mpsc::channel();
    let mark = Mark::default();
    let player = Player::new(taken, mark.clone(), choice.rate);
    let stream = match choice.format {
        SampleFormat::F32 => output::<f32>(&device, choice, channel, player, &fate, ears),
        SampleFormat::I32 => output::<i32>(&device, choice, channel, player, &fate, ears),
        _ => output::<i16>(&device, choice, channel, player, &fate, ears),
    }
    .map_err(|e| refused(Way::Play, name, &e))?;
    stream.play().map_err(|e| refused(Way::Play, name, &e))?;
    let output = AlsaOutput {
        fate,
        turns,
        mark,
        told: false,
        playing: false,
        rates: (choice.rate, rate),
        tally: ears.tally.clone(),
        gaps: 0,
        _stream: stream,
    };
    Ok((Box::new(output), detail(choice)))
}

fn output<T>(
    device: &cpal::Device,
    choice: Choice,
    channel: Channel,
    mut player: Player,
    fate: &Fate,
    ears: &Ears,
) -> Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + FromSample<f32> + Send + 'static,
{
    let index = channel.index();
    let width = usize::from(choice.channels);
    let told = fate.hearer(ears.tally.clone(), Way::Play);
    let fate = fate.clone();
    let give = move |data: &mut [T], info: &cpal::OutputCallbackInfo| {
        fate.well();
        let stamp = info.timestamp();
        let delay = stamp.playback.duration_since(stamp.callback);
        player.begin(choice.rate.samples_in(delay));
        for frame in data.chunks_exact_mut(width) {
            let sample = T::from_sample(player.sample());
            channels::put(frame, index, sample, T::EQUILIBRIUM);
        }
    };
    device.build_output_stream(choice.config(), give, told, Some(OPENING))
}

#[cfg(test)]
mod tests {
    use super::*;
    use cpal::SupportedBufferSize;

    fn range(
        channels: u16,
        low: u32,
        high: u32,
        format: SampleFormat,
    ) -> SupportedStreamConfigRange {
        SupportedStreamConfigRange::new(channels, low, high, SupportedBufferSize::Unknown, format)
    }

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).expect("not zero")
    }

    #[test]
    fn the_engine_rate_comes_before_format_and_channels() {
        let ranges = [
            range(1, 44_100, 44_100, SampleFormat::F32),
            range(2, 8_000, 48_000, SampleFormat::I16),
            range(1, 8_000, 48_000, SampleFormat::I32),
        ];
        let choice = choose(&ranges, Channel::Mono, rate(48_000)).expect("fits");
        assert_eq!(
            (choice.channels, choice.rate.hz(), choice.format),
            (1, 48_000, SampleFormat::I32)
        );
        let right = choose(&ranges, Channel::Right, rate(48_000)).expect("fits");
        assert_eq!((right.channels, right.format), (2, SampleFormat::I16));
    }

    #[test]
    fn a_device_that_only_fails_is_lost_and_one_that_recovers_is_not() {
        let tally = Arc::new(Tally::default());
        let fate = Fate::default();
        let mut told = fate.hearer(tally.clone(), Way::Play);
        for _ in 0..3 * MOST_STRIKES {
            told(ErrorKind::BackendError.into());
            fate.well();
            told(ErrorKind::Xrun.into());
        }
        assert_eq!(fate.look(), Ok(()));
        assert_eq!(
            tally.underruns.load(Ordering::Relaxed),
            u64::from(3 * MOST_STRIKES)
        );
        for _ in 0..=MOST_STRIKES {
            told(ErrorKind::BackendError.into());
        }
        assert!(fate.look().expect_err("lost").contains("again and again"));
        let unplugged = Fate::default();
        unplugged.hearer(tally, Way::Hear)(ErrorKind::DeviceNotAvailable.into());
        assert!(unplugged.look().is_err());
    }

    #[test]
    fn a_device_with_another_rate_only_is_taken_at_that_rate() {
        let ranges = [range(2, 44_100, 44_100, SampleFormat::I16)];
        let choice = choose(&ranges, Channel::Left, rate(48_000)).expect("fits");
        assert_eq!(choice.rate.hz(), 44_100);
        assert_eq!(choose(&ranges, Channel::Number(3), rate(48_000)), None);
        let odd = [range(1, 8_000, 48_000, SampleFormat::U8)];
        assert_eq!(choose(&odd, Channel::Mono, rate(48_000)), None);
    }
}
