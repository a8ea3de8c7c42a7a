//! The thread that keeps a port's devices open: it opens them, passes transmissions on,
//! notices when a device is gone or has fallen silent, and tries again.

use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};

use dunlin_clock::Duration;

use crate::device::{DeviceError, DeviceHost, DeviceInfo, Way};
use crate::identity::{Identities, Identity, compare};
use crate::lookup::{Listing, find, list_devices};
use crate::port::{Ears, SoundEvent, SoundSettings, WaySettings};

/// Longest time that opening may take before the port is given up at start.
pub(crate) const LONGEST_OPENING: Duration = Duration::from_secs(10);
/// Time to the first try to open devices again. A program that was stopped and continued, or
/// a machine that slept, finds its devices where they were.
const FIRST_RETRY: Duration = Duration::from_millis(300);
/// Time between two tries to open devices that are gone.
const RETRY: Duration = Duration::from_secs(3);
/// Time without any sound after which an input counts as lost. Nobody may transmit on a
/// channel that cannot be heard.
const LONGEST_DEAFNESS: Duration = Duration::from_secs(4);
/// How often the devices are looked at while something is played.
const LOOK_PLAYING: Duration = Duration::from_millis(10);
/// How often otherwise.
const LOOK_IDLE: Duration = Duration::from_millis(100);

/// What the owner of a port asks its keeper.
#[derive(Debug)]
pub(crate) enum Order {
    /// Play this.
    Play(Vec<f32>),
    /// Be silent at once.
    Hush,
    /// Close the devices and end.
    Close,
}

/// What a look at an output found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Playing {
    /// Nothing is played.
    Nothing,
    /// A transmission still runs.
    Still,
    /// Its first sample left the device so long ago. Found once per transmission.
    Began(Duration),
    /// It has left the device, with so many gaps.
    Ended(u64),
}

/// An open output.
pub(crate) trait Output {
    /// Starts a transmission.
    fn play(&mut self, samples: Vec<f32>) -> Result<(), String>;
    /// Drops whatever is not yet out.
    fn hush(&mut self);
    /// Looks how it stands; an error says that the device is gone.
    fn look(&mut self) -> Result<Playing, String>;
}

/// An open input. It gives its sound to its [`Ears`] by itself.
pub(crate) trait Hearing {
    /// Looks how it stands; an error says that the device is gone.
    fn look(&mut self) -> Result<(), String>;
}

/// The devices of one port, open.
pub(crate) struct Session {
    pub(crate) input: Box<dyn Hearing>,
    pub(crate) output: Option<Box<dyn Output>>,
    pub(crate) detail: String,
    pub(crate) identities: Identities,
}

/// The device for one way of a port, if it is the one that the port shall have.
fn chosen<'a>(
    all: &'a Listing,
    wanted: &WaySettings,
    way: Way,
) -> Result<&'a DeviceInfo, DeviceError> {
    let found = find(all, &wanted.device, way)?;
    if let Some(mut expected) = wanted.expected.clone() {
        if wanted.device.is_by_serial() {
            // Who names a device so means it wherever it is plugged in.
            expected.path = None;
        }
        compare(&expected, found.identity.as_ref()).map_err(|changed| DeviceError::Changed {
            way,
            device: wanted.device.to_string(),
            changed,
        })?;
    }
    Ok(found)
}

/// Opens what `settings` name. A name that was looked up among all hosts keeps the host where
/// it was found, so that it can never mean another device later.
fn open(settings: &mut SoundSettings, ears: &Ears) -> Result<Session, DeviceError> {
    let all = list_devices();
    let from = chosen(&all, &settings.input, Way::Hear)?;
    let to = settings
        .output
        .as_ref()
        .map(|o| chosen(&all, o, Way::Play))
        .transpose()?;
    settings.input.device.host = Some(from.host);
    if let (Some(way), Some(to)) = (settings.output.as_mut(), to) {
        way.device.host = Some(to.host);
    }
    let rate = settings.rate;
    let (input, heard) = match from.host {
        DeviceHost::Server => crate::server::hear(from, settings.input.channel, rate, ears)?,
        DeviceHost::Alsa => crate::alsa::hear(from, settings.input.channel, rate, ears)?,
    };
    let mut detail = format!("hears {} ({heard})", from.plan_name());
    let mut output = None;
    if let (Some(to), Some(way)) = (to, &settings.output) {
        let (out, played) = match to.host {
            DeviceHost::Server => crate::server::play(to, way.channel, rate)?,
            DeviceHost::Alsa => crate::alsa::play(to, way.channel, rate, ears)?,
        };
        detail.push_str(&format!(", plays to {} ({played})", to.plan_name()));
        output = Some(out);
    }
    let identities = Identities {
        input: from.identity.clone(),
        output: to.and_then(|to| to.identity.clone()),
    };
    // From now on nothing else is opened, whatever was known before.
    let known = &identities;
    let remember = |way: &mut WaySettings, found: &Option<Identity>| {
        if way.expected.is_none() {
            way.expected.clone_from(found);
        }
    };
    remember(&mut settings.input, &known.input);
    if let Some(way) = settings.output.as_mut() {
        remember(way, &known.output);
    }
    Ok(Session {
        input,
        output,
        detail,
        identities,
    })
}

/// Keeps the devices open until told to close. The outcome of the first opening goes to
/// `first`; if it failed, nothing is tried again, unless whoever asks is `patient`: then the
/// devices count as lost from the start.
pub(crate) fn keep(
    mut settings: SoundSettings,
    ears: &Ears,
    orders: &Receiver<Order>,
    first: &Sender<Result<(String, Identities), DeviceError>>,
    patient: bool,
) {
    let mut session = match open(&mut settings, ears) {
        Ok(session) => {
            let opened = (session.detail.clone(), session.identities.clone());
            if first.send(Ok(opened)).is_err() {
                return; // Nobody waits for it any more.
            }
            session
        }
        Err(error) if patient => {
            let reason = error.to_string();
            let waits = format!("is not there yet: {reason}");
            if first.send(Ok((waits, Identities::default()))).is_err() {
                return;
            }
            ears.sink.tell(SoundEvent::Lost {
                reason: reason.clone(),
                retry_in: RETRY,
            });
            let Some(session) = reopened(&mut settings, ears, orders, reason) else {
                return;
            };
            session
        }
        Err(error) => {
            let _ = first.send(Err(error));
            return;
        }
    };
    loop {
        let Err(reason) = run(session, ears, orders) else {
            return;
        };
        ears.sink.tell(SoundEvent::Lost {
            reason: reason.clone(),
            retry_in: RETRY,
        });
        let Some(again) = reopened(&mut settings, ears, orders, reason) else {
            return;
        };
        session = again;
    }
}

/// Tries until the devices are open again, and tells so. `None`: told to close.
fn reopened(
    settings: &mut SoundSettings,
    ears: &Ears,
    orders: &Receiver<Order>,
    reason: String,
) -> Option<Session> {
    let session = reopen(settings, ears, orders, reason)?;
    ears.sink.tell(SoundEvent::Ready {
        detail: session.detail.clone(),
        identities: Box::new(session.identities.clone()),
    });
    Some(session)
}

/// Tries until the devices are open again. `None`: told to close.
fn reopen(
    settings: &mut SoundSettings,
    ears: &Ears,
    orders: &Receiver<Order>,
    mut reason: String,
) -> Option<Session> {
    let mut wait = FIRST_RETRY;
    loop {
        if pause(wait, ears, orders, &reason) {
            return None;
        }
        match open(settings, ears) {
            Ok(session) => return Some(session),
            Err(error @ DeviceError::Changed { .. }) if error.to_string() != reason => {
                reason = error.to_string();
                ears.sink.tell(SoundEvent::Lost {
                    reason: reason.clone(),
                    retry_in: RETRY,
                });
            }
            Err(error) => tracing::debug!("still gone: {error}"),
        }
        wait = RETRY;
    }
}

/// Waits for the next try; every transmission asked for meanwhile is refused. True: close.
fn pause(time: Duration, ears: &Ears, orders: &Receiver<Order>, reason: &str) -> bool {
    let step = LOOK_IDLE;
    let mut left = time;
    while left > Duration::ZERO {
        match orders.recv_timeout(step) {
            Ok(Order::Play(_)) => ears.sink.tell(SoundEvent::NotPlayed {
                reason: reason.into(),
            }),
            Ok(Order::Hush) => {}
            Ok(Order::Close) | Err(RecvTimeoutError::Disconnected) => return true,
            Err(RecvTimeoutError::Timeout) => left = left.saturating_sub(step),
        }
    }
    false
}

/// Runs open devices. `Ok`: told to close. `Err`: lost, and why; a transmission that ran is
/// answered before.
fn run(mut session: Session, ears: &Ears, orders: &Receiver<Order>) -> Result<(), String> {
    let mut playing = false;
    let result = turn(&mut session, ears, orders, &mut playing);
    if let Some(output) = session.output.as_mut() {
        output.hush();
    }
    if playing {
        let reason = match &result {
            Ok(()) => "the port was closed".to_owned(),
            Err(reason) => reason.clone(),
        };
        ears.sink.tell(SoundEvent::NotPlayed { reason });
    }
    result
}

fn turn(
    session: &mut Session,
    ears: &Ears,
    orders: &Receiver<Order>,
    playing: &mut bool,
) -> Result<(), String> {
    let mut deaf = Deafness::new(ears);
    loop {
        let wait = if *playing { LOOK_PLAYING } else { LOOK_IDLE };
        match orders.recv_timeout(wait) {
            Ok(Order::Play(samples)) => *playing |= begin(session, ears, samples, *playing)?,
            Ok(Order::Hush) => hush(session, ears, playing),
            Ok(Order::Close) | Err(RecvTimeoutError::Disconnected) => return Ok(()),
            Err(RecvTimeoutError::Timeout) => deaf.look(ears, wait)?,
        }
        session.input.look()?;
        if let Some(output) = session.output.as_mut() {
            tell(output.look()?, ears, playing);
        }
    }
}

/// Tells what a look at the output found.
fn tell(found: Playing, ears: &Ears, playing: &mut bool) {
    match found {
        Playing::Began(ago) if *playing => ears.sink.tell(SoundEvent::Began { ago }),
        Playing::Ended(underruns) if *playing => {
            *playing = false;
            ears.tally.underruns.fetch_add(underruns, Ordering::Relaxed);
            ears.sink.tell(SoundEvent::Played { underruns });
        }
        _ => {}
    }
}

/// Starts a transmission; false if it was refused.
fn begin(
    session: &mut Session,
    ears: &Ears,
    samples: Vec<f32>,
    playing: bool,
) -> Result<bool, String> {
    let refuse = |reason: &str| {
        ears.sink.tell(SoundEvent::NotPlayed {
            reason: reason.into(),
        });
        Ok(false)
    };
    match session.output.as_mut() {
        None => refuse("this port has no output"),
        Some(_) if playing => refuse("another transmission is still being played"),
        Some(_) if samples.is_empty() => refuse("there was nothing to play"),
        Some(output) => match output.play(samples) {
            Ok(()) => Ok(true),
            Err(reason) => {
                ears.sink.tell(SoundEvent::NotPlayed {
                    reason: reason.clone(),
                });
                Err(reason)
            }
        },
    }
}

fn hush(session: &mut Session, ears: &Ears, playing: &mut bool) {
    if let Some(output) = session.output.as_mut() {
        output.hush();
    }
    if std::mem::take(playing) {
        ears.sink.tell(SoundEvent::NotPlayed {
            reason: "it was cut short on request".into(),
        });
    }
}

/// Notices an input that gives no sound any more. It counts waited time and reads no clock.
struct Deafness {
    chunks: u64,
    waited: Duration,
}

impl Deafness {
    fn new(ears: &Ears) -> Self {
        let chunks = ears.tally.chunks.load(Ordering::Relaxed);
        Deafness {
            chunks,
            waited: Duration::ZERO,
        }
    }

    fn look(&mut self, ears: &Ears, waited: Duration) -> Result<(), String> {
        let chunks = ears.tally.chunks.load(Ordering::Relaxed);
        if chunks != self.chunks {
            *self = Deafness {
                chunks,
                waited: Duration::ZERO,
            };
            return Ok(());
        }
        self.waited += waited;
        if self.waited < LONGEST_DEAFNESS {
            return Ok(());
        }
        Err(format!(
            "no sound has come from the input for {} s",
            LONGEST_DEAFNESS.as_secs()
        ))
    }
}

#[cfg(test)]
mod tests;
