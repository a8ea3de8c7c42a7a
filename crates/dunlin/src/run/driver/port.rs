//! One port as the driver sees it: what carries its frames, what keys it, and how far a
//! transmission has come.

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_rig::keyer::KeyPort;
use dunlin_rig::{Counts, SoundPort};

use crate::run::metrics::PortFigures;
use crate::run::recent::Recent;
use crate::run::sink::Waiting;

/// What carries the frames of a port.
pub(crate) enum Way<S> {
    /// A sound device.
    Sound(S),
    /// A port of a controller: which controller, and its number there.
    Controller {
        /// Position in the driver's list of controllers.
        controller: usize,
        /// The port's number at the controller.
        number: u8,
    },
}

/// How far a transmission has come.
#[derive(Debug)]
pub(super) enum Sending {
    /// Nothing is sent.
    Nothing,
    /// The key was asked for; the sound waits until it is down.
    Keying {
        /// The sound.
        samples: Vec<f32>,
        /// When the key was asked for.
        since: Instant,
    },
    /// The key is down and the sound is being played.
    Playing {
        /// When the key was reported down.
        down: Instant,
        /// It hangs if it has not ended by then.
        limit: Instant,
        /// Its first sample has left the device.
        began: bool,
    },
    /// The key was asked to be released.
    Releasing {
        /// When.
        since: Instant,
        /// The sound was played to its end.
        whole: bool,
        /// People were told that it takes long.
        told: bool,
    },
    /// Frames were handed to a controller, which should have sent them by then.
    AtController {
        /// When.
        until: Instant,
    },
}

/// The spread of one delay: the latest and the longest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Delay {
    /// Measured so often.
    pub(crate) count: u64,
    /// The latest.
    pub(crate) latest: Duration,
    /// The longest.
    pub(crate) longest: Duration,
    /// All together.
    pub(crate) sum: Duration,
}

impl Delay {
    pub(super) fn note(&mut self, delay: Duration) {
        self.count += 1;
        self.latest = delay;
        self.longest = self.longest.max(delay);
        self.sum += delay;
    }
}

/// What was measured of a port's keying.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Delays {
    /// From the key reported down to the first sample out of the device.
    pub(crate) to_first_tone: Delay,
    /// From the last sample out of the device to the key reported released.
    pub(crate) to_release: Delay,
}

/// One port: its way to the air, its keyer and its transmission.
pub(crate) struct Port<S> {
    pub(super) name: String,
    pub(super) rate: SampleRate,
    pub(super) way: Way<S>,
    pub(super) keyer: Box<dyn KeyPort>,
    pub(super) waiting: Waiting,
    /// What it heard in the last minute; of its first input only.
    pub(super) recent: Recent,
    /// A second sound input of the same channel, which only hears, and its pieces that wait.
    pub(super) second: Option<(S, Waiting)>,
    pub(super) sending: Sending,
    /// When the last transmission ended. Sound that was at the input before is not heard.
    pub(super) ended: Instant,
    pub(super) told: Counts,
    pub(super) next_report: Instant,
    pub(super) delays: Delays,
    /// The device was lost so often.
    pub(super) losses: u64,
    /// The keyer has refused to key; it is asked again from then on.
    pub(super) refused_until: Option<Instant>,
    /// What was opened before the driver began.
    pub(super) opened: Option<String>,
}

impl<S> Port<S> {
    /// A port called `name`; `rate` is that of its sound, if it has any.
    pub(crate) fn new(
        name: String,
        rate: SampleRate,
        way: Way<S>,
        keyer: Box<dyn KeyPort>,
        waiting: Waiting,
    ) -> Self {
        Port {
            name,
            rate,
            way,
            keyer,
            waiting,
            recent: Recent::new(rate),
            second: None,
            sending: Sending::Nothing,
            ended: Instant::ZERO,
            told: Counts::default(),
            next_report: Instant::ZERO,
            delays: Delays::default(),
            losses: 0,
            refused_until: None,
            opened: None,
        }
    }

    /// The same port, whose device was opened before the driver began.
    pub(crate) fn opened(mut self, detail: String) -> Self {
        self.opened = Some(detail);
        self
    }

    /// The same port with a second sound input.
    pub(crate) fn with_second(mut self, sound: S, waiting: Waiting) -> Self {
        self.second = Some((sound, waiting));
        self
    }

    /// Whether sound of which the first sample was at the input at `began` is to be heard: not
    /// the own transmission, whose end may still be on its way through the input.
    pub(super) fn listens_to(&self, began: Instant) -> bool {
        !self.is_sending() && began >= self.ended
    }

    /// The device is playing, or about to.
    pub(super) fn is_playing(&self) -> bool {
        matches!(
            self.sending,
            Sending::Keying { .. } | Sending::Playing { .. }
        )
    }

    /// Something is being sent, or its key is not yet known to be released.
    pub(super) fn is_sending(&self) -> bool {
        !matches!(self.sending, Sending::Nothing)
    }

    /// What the driver has counted and measured.
    pub(super) fn figures(&mut self) -> PortFigures
    where
        S: SoundPort,
    {
        let counts = self.sound().map(|sound| sound.counts()).unwrap_or_default();
        PortFigures {
            overruns: counts.overruns,
            underruns: counts.underruns,
            losses: self.losses,
            delays: self.delays,
        }
    }

    /// The sound, if the port has any.
    pub(super) fn sound(&mut self) -> Option<&mut S> {
        match &mut self.way {
            Way::Sound(sound) => Some(sound),
            Way::Controller { .. } => None,
        }
    }
}
