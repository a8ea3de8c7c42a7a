//! Devices of the kernel, through cpal and ALSA. No other program may use such a device
//! at the same time; where a sound server runs, name the server's device instead.

mod choice;
mod fate;
mod share;

use std::str::FromStr;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::Sender;

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{DeviceId, ErrorKind};
use dunlin_clock::SampleRate;

use crate::cards::{self, Card};
use crate::device::{Channel, DeviceError, DeviceHost, DeviceInfo, DeviceName, Way};
use crate::identity::Identity;
use crate::lookup::card_word;
use crate::player::{Mark, Player, Progress, Turn};
use crate::port::{Ears, Tally};
use crate::resample::Rates;
use crate::supervisor::{Hearing, Output, Playing};
use choice::Choice;
use share::{Listener, Seat, Voice};

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
            "another program uses it; where a sound server runs, use its `pulse:` device".into()
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

struct AlsaInput(Seat<Listener>);

impl Hearing for AlsaInput {
    fn look(&mut self) -> Result<(), String> {
        self.0.open.fate.look()
    }
}

/// Opens a capture device, or joins the ports of this program that have it open.
pub(crate) fn hear(
    info: &DeviceInfo,
    channel: Channel,
    rate: SampleRate,
    ears: &Ears,
) -> Result<(Box<dyn Hearing>, String), DeviceError> {
    let seat = share::listen(&info.name, channel, rate, ears)?;
    same(info, Way::Hear)?;
    let detail = detail(seat.open.choice);
    Ok((Box::new(AlsaInput(seat)), detail))
}

/// Refuses a card that has become another one since it was looked up.
fn same(info: &DeviceInfo, way: Way) -> Result<(), DeviceError> {
    if identity(&info.name, &cards::list()) == info.identity {
        return Ok(());
    }
    Err(DeviceError::Unusable {
        way,
        device: info.plan_name(),
        reason: "it has just been replaced by another device".into(),
    })
}

fn detail(choice: Choice) -> String {
    format!(
        "{} Hz, {} channel(s), {}",
        choice.rate.hz(),
        choice.channels,
        choice.format
    )
}

struct AlsaOutput {
    seat: Seat<Voice>,
    turns: Sender<Turn>,
    mark: Mark,
    told: bool,
    playing: bool,
    /// The engine's rate.
    rate: SampleRate,
    tally: Arc<Tally>,
    /// Gaps counted when the transmission began.
    gaps: u64,
}

impl Output for AlsaOutput {
    fn play(&mut self, samples: Vec<f32>) -> Result<(), String> {
        let samples = Rates::whole(self.rate, self.seat.open.choice.rate, samples)?;
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
        self.seat.open.fate.look()?;
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

/// Opens a playback device, or joins the ports of this program that have it open.
pub(crate) fn play(
    info: &DeviceInfo,
    channel: Channel,
    rate: SampleRate,
    ears: &Ears,
) -> Result<(Box<dyn Output>, String), DeviceError> {
    let (turns, taken) = std::sync::mpsc::channel();
    let mark = Mark::default();
    let player = |device: SampleRate| Player::new(taken, mark.clone(), device);
    let seat = share::speak(&info.name, channel, rate, &ears.tally, player)?;
    same(info, Way::Play)?;
    let detail = detail(seat.open.choice);
    let output = AlsaOutput {
        seat,
        turns,
        mark,
        told: false,
        playing: false,
        rate,
        tally: ears.tally.clone(),
        gaps: 0,
    };
    Ok((Box::new(output), detail))
}
