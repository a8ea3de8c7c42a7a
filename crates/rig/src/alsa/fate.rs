//! Whether a device of the kernel still works.

use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use cpal::ErrorKind;

use crate::device::Way;

/// Failures without any sound between them after which a device counts as lost.
const MOST_STRIKES: u32 = 20;

/// What the device's own thread told of its health.
#[derive(Clone, Default)]
pub(super) struct Fate {
    end: Arc<Mutex<Option<String>>>,
    strikes: Arc<AtomicU32>,
}

impl Fate {
    /// The device works: it just gave or took sound.
    pub(super) fn well(&self) {
        self.strikes.store(0, Ordering::Relaxed);
    }

    /// What to call with each error of the device; `gap` is called when it lost sound.
    pub(super) fn hearer(
        &self,
        way: Way,
        gap: impl Fn() + Send + 'static,
    ) -> impl FnMut(cpal::Error) + Send + 'static {
        let fate = self.clone();
        move |error: cpal::Error| {
            match error.kind() {
                ErrorKind::RealtimeDenied => {}
                ErrorKind::Xrun => gap(),
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

    /// Why it has ended, if it has.
    pub(super) fn look(&self) -> Result<(), String> {
        match &*self.end.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(reason) => Err(reason.clone()),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_that_only_fails_is_lost_and_one_that_recovers_is_not() {
        let gaps = Arc::new(AtomicU32::new(0));
        let fate = Fate::default();
        let counter = gaps.clone();
        let gap = move || {
            counter.fetch_add(1, Ordering::Relaxed);
        };
        let mut told = fate.hearer(Way::Play, gap);
        for _ in 0..3 * MOST_STRIKES {
            told(ErrorKind::BackendError.into());
            fate.well();
            told(ErrorKind::Xrun.into());
        }
        assert_eq!(fate.look(), Ok(()));
        assert_eq!(gaps.load(Ordering::Relaxed), 3 * MOST_STRIKES);
        for _ in 0..=MOST_STRIKES {
            told(ErrorKind::BackendError.into());
        }
        assert!(fate.look().expect_err("lost").contains("again and again"));
        let unplugged = Fate::default();
        unplugged.hearer(Way::Hear, || {})(ErrorKind::DeviceNotAvailable.into());
        assert!(unplugged.look().is_err());
    }
}
