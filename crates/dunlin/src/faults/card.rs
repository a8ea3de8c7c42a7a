//! A sound device in virtual time that can vanish, return, and fall silent.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_rig::{Counts, SoundEvent, SoundPort};

/// From handing over sound to its first sample leaving the device.
const DELAY: Duration = Duration::from_millis(60);

/// The device, as the world sees it.
#[derive(Debug)]
pub(super) struct Card {
    rate: SampleRate,
    now: Instant,
    present: bool,
    /// It plays and tells nothing any more.
    stuck: bool,
    playing: Option<Playing>,
    events: VecDeque<SoundEvent>,
}

#[derive(Debug)]
struct Playing {
    begins: Instant,
    ends: Instant,
    told: bool,
}

impl Card {
    pub(super) fn new(rate: SampleRate) -> Rc<RefCell<Card>> {
        Rc::new(RefCell::new(Card {
            rate,
            now: Instant::ZERO,
            present: true,
            stuck: false,
            playing: None,
            events: VecDeque::new(),
        }))
    }

    pub(super) fn is_present(&self) -> bool {
        self.present
    }

    pub(super) fn set_stuck(&mut self, stuck: bool) {
        self.stuck = stuck;
    }

    /// Unplugged or plugged in again.
    pub(super) fn set_present(&mut self, present: bool) {
        if std::mem::replace(&mut self.present, present) == present {
            return;
        }
        if present {
            self.events.push_back(SoundEvent::Ready {
                detail: "the simulated device".into(),
                identities: Box::default(),
            });
            return;
        }
        self.not_played("the device is gone");
        self.events.push_back(SoundEvent::Lost {
            reason: "unplugged".into(),
            retry_in: Duration::from_secs(1),
        });
    }

    /// The program that used it is gone, and with it whatever was to be played or told.
    pub(super) fn abandon(&mut self) {
        self.playing = None;
        self.events.clear();
    }

    pub(super) fn advance(&mut self, now: Instant) {
        self.now = now;
        let Some(playing) = self.playing.as_mut().filter(|_| !self.stuck) else {
            return;
        };
        if now >= playing.begins && !std::mem::replace(&mut playing.told, true) {
            let ago = now.since(playing.begins);
            self.events.push_back(SoundEvent::Began { ago });
        }
        if now >= playing.ends {
            self.playing = None;
            self.events.push_back(SoundEvent::Played { underruns: 0 });
        }
    }

    pub(super) fn event(&mut self) -> Option<SoundEvent> {
        self.events.pop_front()
    }

    fn not_played(&mut self, why: &str) {
        if self.playing.take().is_some() {
            self.events
                .push_back(SoundEvent::NotPlayed { reason: why.into() });
        }
    }
}

/// The same device, as the driver sees it.
#[derive(Debug)]
pub(super) struct CardPort(pub(super) Rc<RefCell<Card>>);

impl SoundPort for CardPort {
    fn play(&mut self, samples: Vec<f32>) {
        let mut card = self.0.borrow_mut();
        if !card.present || card.playing.is_some() {
            let reason = "the device is gone or busy".into();
            return card.events.push_back(SoundEvent::NotPlayed { reason });
        }
        let begins = card.now + DELAY;
        let ends = begins + card.rate.duration_of(samples.len() as u64);
        let told = false;
        card.playing = Some(Playing { begins, ends, told });
    }

    fn hush(&mut self) {
        self.0.borrow_mut().not_played("cut short on request");
    }

    fn counts(&self) -> Counts {
        Counts::default()
    }
}
