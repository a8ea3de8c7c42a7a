//! What happens in one run, drawn from its seed before it begins.

use dunlin_clock::{Chance, Duration, Instant};

/// One thing that happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Act {
    /// The station's process dies; it is started again after this long.
    StationDies(Duration),
    /// The station's process does nothing for this long.
    StationHangs(Duration),
    /// The keyer of a port is killed.
    KeyerDies(usize),
    /// The keyer of a port does nothing for this long.
    KeyerHangs(usize, Duration),
    /// The sound device of a port is unplugged for this long.
    DeviceGoes(usize, Duration),
    /// The sound device of a port tells nothing for this long.
    DeviceSticks(usize, Duration),
    /// The busy line of a port's radio sticks for this long.
    SenseSticks(usize, Duration),
    /// The disk is full for this long.
    DiskFull(Duration),
    /// The machine's clock jumps.
    ClockJumps,
    /// A person stops a port, or everything.
    Stop(Option<usize>),
    /// A person starts what was stopped.
    Start,
    /// A person writes to all on a port, this many octets.
    Say(usize, usize),
    /// A person calls a station that is not there.
    Call(usize),
    /// A person asks for a test signal of so many seconds.
    Test(usize, u8),
}

/// The acts of one run in order of time.
#[derive(Clone, Debug)]
pub(super) struct Plot {
    pub(super) acts: Vec<(Instant, Act)>,
}

impl Plot {
    /// The plot of a seed.
    pub(super) fn new(seed: u64, length: Duration) -> Plot {
        let mut chance = Chance::stream(seed, "fault run");
        let mut acts = Vec::new();
        let end = Instant::ZERO + length;
        let mut at = Instant::ZERO;
        loop {
            at += Duration::from_secs_f64(chance.between(0.2, 3.0));
            if at >= end {
                break;
            }
            acts.push((at, traffic(&mut chance)));
        }
        let faults = 2 + (chance.unit() * 14.0) as usize;
        for _ in 0..faults {
            let at = Instant::ZERO + length.mul_f64(chance.unit());
            let act = fault(&mut chance);
            if let Act::Stop(_) = act {
                let later = at + Duration::from_secs_f64(chance.between(0.5, 20.0));
                acts.push((later, Act::Start));
            }
            acts.push((at, act));
        }
        acts.sort_by_key(|(at, _)| *at);
        Plot { acts }
    }
}

fn port(chance: &mut Chance) -> usize {
    usize::from(chance.unit() < 0.5)
}

fn traffic(chance: &mut Chance) -> Act {
    let port = port(chance);
    match chance.unit() {
        n if n < 0.75 => Act::Say(port, 1 + (chance.unit() * 120.0) as usize),
        n if n < 0.9 => Act::Call(port),
        _ => Act::Test(port, 1 + (chance.unit() * 5.0) as u8),
    }
}

fn fault(chance: &mut Chance) -> Act {
    let port = port(chance);
    // Short and long ones alike: what matters often lies around the limits of 0.15 to 0.3 s.
    let span = Duration::from_secs_f64(0.02 * 400_f64.powf(chance.unit()));
    match (chance.unit() * 10.0) as u32 {
        0 => Act::StationDies(span),
        1 => Act::StationHangs(span),
        2 => Act::KeyerDies(port),
        3 => Act::KeyerHangs(port, span),
        4 => Act::DeviceGoes(port, span),
        5 => Act::DeviceSticks(port, span),
        6 => Act::SenseSticks(port, span),
        7 => Act::DiskFull(span),
        8 => Act::ClockJumps,
        _ => Act::Stop((chance.unit() < 0.5).then_some(port)),
    }
}
