//! Random fault runs: the real driver, the real gate and the real keyers' machine in virtual
//! time, with everything around them failing at random, and a checker that looks only at the
//! key lines and at what was done to them.
//!
//! What is simulated: sound devices, the pipe between station and keyer, the deaths and hangs
//! of both, the disk. What is real: [`crate::run::driver`], the engine, `dunlin_rig::keyer`'s
//! machine and handle. "Seed 42 at commit X" is a complete report of a fault.

mod card;
mod checker;
mod life;
mod plot;
mod shift;
pub mod soak;

use dunlin_clock::Duration;

pub use checker::Tally;

/// Virtual time of one run.
const RUN: Duration = Duration::from_secs(180);

/// One run. The tally, or what the checker objects to, in a sentence for each.
///
/// # Errors
/// The rules that were broken.
pub fn run(seed: u64) -> Result<Tally, Vec<String>> {
    let mut life = life::Life::new(seed);
    let plot = plot::Plot::new(seed, RUN);
    life.live(&plot, RUN);
    life.judge()
}

/// Runs `count` seeds from `first` on, on all cores; `tell` hears how far it is and may say
/// stop by answering false.
pub fn run_many(
    first: u64,
    count: u64,
    tell: &(dyn Fn(u64) -> bool + Sync),
) -> (Tally, Vec<(u64, Vec<String>)>) {
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicU64, Ordering};

    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicU64::new(0);
    let all = Mutex::new((Tally::default(), Vec::new()));
    let work = || {
        loop {
            let n = next.fetch_add(1, Ordering::Relaxed);
            if n >= count || !tell(n) {
                return;
            }
            let outcome = run(first + n);
            let mut all = all
                .lock()
                .unwrap_or_else(std::sync::PoisonError::into_inner);
            match outcome {
                Ok(tally) => all.0.add(&tally),
                Err(broken) => all.1.push((first + n, broken)),
            }
        }
    };
    let work = &work;
    std::thread::scope(|scope| {
        for _ in 0..cores {
            // What the keyers log of their deaths is no news here.
            let quiet = tracing::subscriber::NoSubscriber::default();
            scope.spawn(move || tracing::subscriber::with_default(quiet, work));
        }
    });
    let (tally, mut broken) = all
        .into_inner()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    broken.sort_by_key(|(seed, _)| *seed);
    (tally, broken)
}

#[cfg(test)]
mod tests;
