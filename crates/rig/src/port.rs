//! One port's sound: the boundary that a driver sees, and the real thing behind it.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc;
use std::thread::JoinHandle;

use dunlin_clock::{Duration, SampleRate};

use crate::device::{Channel, DeviceError, DeviceName};
use crate::identity::{Identities, Identity};
use crate::supervisor::{self, Order};

/// One direction of a port: which device and which of its channels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaySettings {
    /// The device.
    pub device: DeviceName,
    /// Its channel.
    pub channel: Channel,
    /// What the device was when the port was set up; another one is refused, at start and
    /// whenever it is opened again. `None` = whatever has the name now, and from then on only
    /// that.
    pub expected: Option<Identity>,
}

/// What a port needs to know of its sound.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SoundSettings {
    /// Where to hear.
    pub input: WaySettings,
    /// Where to play; `None` = receive only, and no output is ever opened.
    pub output: Option<WaySettings>,
    /// The engine's rate in both directions. A device that cannot run at it is resampled.
    pub rate: SampleRate,
}

/// What a port tells.
#[derive(Clone, Debug, PartialEq)]
pub enum SoundEvent {
    /// The devices are open and sound flows. `detail` says in a line what was opened.
    Ready {
        /// For the log.
        detail: String,
        /// What was opened, to be remembered.
        identities: Box<Identities>,
    },
    /// The next samples heard, full scale = ±1, at the port's rate.
    Heard {
        /// The sound.
        samples: Vec<f32>,
        /// How long ago the last of them was at the device's input; an estimate.
        age: Duration,
    },
    /// The first sample of the transmission has left the device, by the device's own word on
    /// its delay. Told at most once per transmission, before its end.
    Began {
        /// How long before this event it left; an estimate.
        ago: Duration,
    },
    /// The last sample of the transmission has left the device.
    Played {
        /// Gaps that the device had in this transmission because samples came too late.
        underruns: u64,
    },
    /// The transmission was not played, or not to its end.
    NotPlayed {
        /// Why.
        reason: String,
    },
    /// The devices are gone; the port tries again at once and then again and again, until it
    /// is [`SoundEvent::Ready`] or closed. Told again only when what keeps it away has changed
    /// to a reason that a person must see, such as another device under its name.
    Lost {
        /// Why.
        reason: String,
        /// Time between two tries.
        retry_in: Duration,
    },
}

/// Where a port's events go. Called from the device's own threads.
pub trait EventSink: Send + Sync {
    /// Takes sound; `false` if there was no room and it is dropped. Never waits.
    fn heard(&self, samples: Vec<f32>, age: Duration) -> bool;
    /// Takes anything else.
    fn tell(&self, event: SoundEvent);
}

/// Irregularities since the port was opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Chunks of sound dropped because nobody took them in time, or lost at the device.
    pub overruns: u64,
    /// Gaps in what was played.
    pub underruns: u64,
}

/// The sound of one port, as the driver of the engine sees it.
pub trait SoundPort {
    /// Plays one whole transmission, at the port's rate, full scale = ±1. Answered by exactly
    /// one [`SoundEvent::Played`] or [`SoundEvent::NotPlayed`].
    fn play(&mut self, samples: Vec<f32>);

    /// Silence at once; a running transmission ends as [`SoundEvent::NotPlayed`].
    fn hush(&mut self);

    /// What went wrong so far.
    fn counts(&self) -> Counts;
}

/// Counters shared with the device's threads.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) overruns: AtomicU64,
    pub(crate) underruns: AtomicU64,
    /// Chunks heard, to notice a device that has fallen silent altogether.
    pub(crate) chunks: AtomicU64,
}

/// What the device's threads get: where to put events, and the counters.
#[derive(Clone)]
pub(crate) struct Ears {
    pub(crate) sink: Arc<dyn EventSink>,
    pub(crate) tally: Arc<Tally>,
}

impl Ears {
    pub(crate) fn heard(&self, samples: Vec<f32>, age: Duration) {
        self.tally.chunks.fetch_add(1, Ordering::Relaxed);
        if !samples.is_empty() && !self.sink.heard(samples, age) {
            self.tally.overruns.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// A port that was just opened, and what was opened.
pub struct OpenPort {
    /// The port.
    pub port: SoundDevice,
    /// What was opened, in a line.
    pub detail: String,
    /// What the devices are, to be remembered.
    pub identities: Identities,
}

/// Real sound devices, kept open by a thread of their own.
pub struct SoundDevice {
    orders: mpsc::Sender<Order>,
    tally: Arc<Tally>,
    keeper: Option<JoinHandle<()>>,
}

impl SoundDevice {
    /// Opens the devices that `settings` name and keeps them open until dropped.
    ///
    /// # Errors
    /// What keeps them from being opened now. Once this has succeeded, a device that goes
    /// away is told as [`SoundEvent::Lost`] and tried again.
    pub fn open(
        name: &str,
        settings: SoundSettings,
        sink: Arc<dyn EventSink>,
    ) -> Result<OpenPort, DeviceError> {
        SoundDevice::begin(name, settings, sink, false)
    }

    /// As [`SoundDevice::open`], for devices that may be missing at the start: then that is told
    /// as [`SoundEvent::Lost`], and tried again.
    ///
    /// # Errors
    /// If the devices do not even answer.
    pub fn open_patiently(
        name: &str,
        settings: SoundSettings,
        sink: Arc<dyn EventSink>,
    ) -> Result<OpenPort, DeviceError> {
        SoundDevice::begin(name, settings, sink, true)
    }

    fn begin(
        name: &str,
        settings: SoundSettings,
        sink: Arc<dyn EventSink>,
        patient: bool,
    ) -> Result<OpenPort, DeviceError> {
        let tally = Arc::new(Tally::default());
        let ears = Ears {
            sink,
            tally: tally.clone(),
        };
        let (orders, inbox) = mpsc::channel();
        let (first, opened) = mpsc::channel();
        let unusable = |reason: String| DeviceError::Unusable {
            way: crate::device::Way::Hear,
            device: settings.input.device.to_string(),
            reason,
        };
        let keeper = std::thread::Builder::new()
            .name(format!("sound of {name}"))
            .spawn({
                let settings = settings.clone();
                move || supervisor::keep(settings, &ears, &inbox, &first, patient)
            })
            .map_err(|e| unusable(format!("no thread for it: {e}")))?;
        let (detail, identities) = opened
            .recv_timeout(supervisor::LONGEST_OPENING)
            .map_err(|_| unusable("it did not answer".into()))??;
        Ok(OpenPort {
            port: SoundDevice {
                orders,
                tally,
                keeper: Some(keeper),
            },
            detail,
            identities,
        })
    }
}

impl SoundPort for SoundDevice {
    fn play(&mut self, samples: Vec<f32>) {
        // The keeper lives as long as this; should it have died, the driver's own watch over
        // a transmission that never ends takes over.
        let _ = self.orders.send(Order::Play(samples));
    }

    fn hush(&mut self) {
        let _ = self.orders.send(Order::Hush);
    }

    fn counts(&self) -> Counts {
        Counts {
            overruns: self.tally.overruns.load(Ordering::Relaxed),
            underruns: self.tally.underruns.load(Ordering::Relaxed),
        }
    }
}

impl Drop for SoundDevice {
    fn drop(&mut self) {
        let _ = self.orders.send(Order::Close);
        if let Some(keeper) = self.keeper.take() {
            let _ = keeper.join();
        }
    }
}
