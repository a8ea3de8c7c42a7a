//! The shared half-duplex medium.

use std::ops::Range;

use dunlin_clock::{Chance, Hours, Instant, SampleCount, SampleRate};

use crate::config::{AirError, BandConfig, Fading, Kind, Sideband, StationConfig};
use crate::fading::Watterson;
use crate::fir::CHUNK;
use crate::fm::FmReceiver;
use crate::judge::{History, Reception, Rival, overlap};
use crate::oscillator::Oscillator;
use crate::resample::Resampler;
use crate::sender::{Keyed, Sender};
use crate::ssb::SsbReceiver;

/// The longest step, samples.
const MAX_STEP: usize = 1_000_000;

/// A transmission that has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Transmission {
    /// Number of the station that sent it.
    pub station: usize,
    /// First sample with the key down.
    pub start: SampleCount,
    /// First sample after it.
    pub end: SampleCount,
    /// Ended by [`Band::unkey`] before its audio was over.
    pub cut: bool,
}

/// A path into a receiver.
#[derive(Clone, Debug)]
struct Path {
    from: usize,
    level_db: f64,
    gain: (f32, f32),
    fading: Option<Watterson>,
    hours: Hours,
}

#[derive(Clone, Debug)]
enum Receiver {
    Fm(Box<FmReceiver>),
    Ssb(Box<SsbReceiver>),
}

/// The receiving half of a station.
#[derive(Clone, Debug)]
struct Listener {
    paths: Vec<Path>,
    oscillator: Option<Oscillator>,
    receiver: Receiver,
    recovery: u64,
    /// Silent up to this sample after its own transmission.
    recovering_until: u64,
    heard: Vec<f32>,
}

/// One simulated band. See the crate's description.
#[derive(Clone, Debug)]
pub struct Band {
    names: Vec<String>,
    rate: SampleRate,
    now: u64,
    table: Resampler,
    senders: Vec<Sender>,
    listeners: Vec<Listener>,
    keyed: Vec<Keyed>,
    finished: Vec<Transmission>,
    /// Cut by `unkey` since the last step.
    cut: Vec<Transmission>,
    history: History,
    re: Vec<f32>,
    im: Vec<f32>,
}

impl BandConfig {
    /// How far a station's dial error moves its signal in audio frequency, Hz.
    pub(crate) fn shift_hz(&self, station: &StationConfig) -> f64 {
        match &self.kind {
            Kind::Ssb(c) if c.sideband == Sideband::Lower => -station.mistune_hz,
            _ => station.mistune_hz,
        }
    }
}

impl Band {
    /// Checks a configuration and builds the band.
    ///
    /// # Errors
    ///
    /// The first figure out of range, name used twice, or path between stations that are not
    /// there.
    pub fn new(config: &BandConfig) -> Result<Self, AirError> {
        config.check()?;
        let senders = config
            .stations
            .iter()
            .map(|s| Sender::new(config, s))
            .collect();
        let mut listeners: Vec<_> = config
            .stations
            .iter()
            .map(|s| Listener::new(config, s))
            .collect();
        for p in &config.paths {
            let to = config.number(&p.to)?;
            listeners[to]
                .paths
                .push(Path::new(config, p, config.number(&p.from)?));
        }
        for l in &mut listeners {
            // Sums must not depend on the order in which paths are listed.
            l.paths.sort_by_key(|p| p.from);
        }
        let count = config.stations.len();
        Ok(Band {
            names: config.stations.iter().map(|s| s.name.clone()).collect(),
            rate: config.rate,
            now: 0,
            table: Resampler::new(),
            senders,
            listeners,
            keyed: vec![Keyed::default(); count],
            finished: Vec::new(),
            cut: Vec::new(),
            history: History::default(),
            re: vec![0.0; CHUNK],
            im: vec![0.0; CHUNK],
        })
    }

    /// Samples per second of all audio.
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Number of the next sample to be made.
    pub fn now(&self) -> SampleCount {
        SampleCount(self.now)
    }

    /// How many stations there are; they are numbered from 0.
    pub fn stations(&self) -> usize {
        self.names.len()
    }

    /// The number of the station called `name`.
    pub fn station(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    /// The name of a station.
    pub fn name(&self, station: usize) -> Option<&str> {
        self.names.get(station).map(String::as_str)
    }

    /// Samples from audio being played to the same audio being heard, without path delay.
    pub fn latency(&self) -> usize {
        let sent = self.senders.first().map_or(0, Sender::delay);
        let heard = self.listeners.first().map_or(0, |l| match &l.receiver {
            Receiver::Fm(r) => r.delay(),
            Receiver::Ssb(r) => r.delay(),
        });
        sent + heard
    }

    /// Presses a station's key at the next sample and plays `audio` (full scale = 1). The key is
    /// released by itself when the audio has left the radio, [`latency`](Self::latency) or less
    /// after its end. If the station is keyed already, the audio follows what it plays.
    ///
    /// # Errors
    ///
    /// No such station, or more than ten minutes in one transmission.
    pub fn key(&mut self, station: usize, audio: Vec<f32>) -> Result<(), AirError> {
        self.key_after(station, 0, audio)
    }

    /// Like [`key`](Self::key), but the key goes down `delay` samples later.
    ///
    /// # Errors
    ///
    /// No such station, or more than ten minutes in one transmission.
    pub fn key_after(
        &mut self,
        station: usize,
        delay: u32,
        audio: Vec<f32>,
    ) -> Result<(), AirError> {
        let start = self.now + u64::from(delay);
        let sender = self
            .senders
            .get_mut(station)
            .ok_or(AirError::NoSuchStation(station))?;
        sender.play(start, audio)
    }

    /// Releases a station's key at once, whatever it still had to play.
    pub fn unkey(&mut self, station: usize) {
        let now = self.now;
        let Some(start) = self.senders.get_mut(station).and_then(|s| s.cut(now)) else {
            return;
        };
        if start > self.now {
            return;
        }
        let listener = &mut self.listeners[station];
        listener.recovering_until = self.now + listener.recovery;
        let (start, end) = (SampleCount(start), SampleCount(self.now));
        self.cut.push(Transmission {
            station,
            start,
            end,
            cut: true,
        });
    }

    /// Whether a station's key is down at the next sample.
    pub fn is_keyed(&self, station: usize) -> bool {
        let start = self.senders.get(station).and_then(Sender::start);
        start.is_some_and(|s| s <= self.now)
    }

    /// Lets `n` samples pass, at most a million.
    pub fn step(&mut self, n: usize) {
        self.finished.clear();
        self.finished.append(&mut self.cut);
        for l in &mut self.listeners {
            l.heard.clear();
        }
        let mut left = n.min(MAX_STEP);
        while left > 0 {
            let m = left.min(CHUNK);
            self.chunk(m);
            left -= m;
        }
        self.finished.sort_by_key(|t| (t.end, t.station));
        for t in &self.finished {
            self.history.remember(*t);
        }
    }

    /// What a station heard in the last step: as many samples as the step was long, zeros while
    /// it was keyed or recovering. Empty for a station that is not there.
    pub fn heard(&self, station: usize) -> &[f32] {
        self.listeners.get(station).map_or(&[], |l| &l.heard)
    }

    /// The transmissions that ended in the last step (those cut before it included).
    pub fn finished(&self) -> &[Transmission] {
        &self.finished
    }

    /// The level of the path from one station to another, dB as configured, `None` if it is not
    /// heard there.
    pub fn level_db(&self, from: usize, to: usize) -> Option<f64> {
        self.path(from, to).map(|path| path.level_db)
    }

    fn path(&self, from: usize, to: usize) -> Option<&Path> {
        let mut paths = self.listeners.get(to)?.paths.iter();
        paths.find(|p| p.from == from)
    }

    /// The same, at a moment.
    fn level_at(&self, from: usize, to: usize, at: SampleCount) -> Option<f64> {
        let path = self.path(from, to)?;
        let at = Instant::ZERO + self.rate.duration_of(at.0);
        path.hours.open_at(at).then_some(path.level_db)
    }

    /// What station `to` was up against in `time` when it should have heard station `from`, out of
    /// the last 4096 transmissions and those under way.
    pub fn reception(&self, from: usize, to: usize, time: Range<SampleCount>) -> Reception {
        let listener = self.listeners.get(to);
        let deaf = self.busy(to, &time, listener.map_or(0, |l| l.recovery));
        let others = listener.map_or(&[][..], |l| &l.paths).iter();
        let others = others.filter(|p| p.from != from);
        let rival = Rival::strongest(others.filter_map(|p| {
            Some(Rival {
                station: p.from,
                level_db: self.level_at(p.from, to, time.start)?,
                overlap: self.busy(p.from, &time, 0),
            })
        }));
        Reception {
            level_db: self.level_at(from, to, time.start),
            deaf,
            rival,
        }
    }

    /// Samples of `time` in which a station was keyed, or had unkeyed less than `after` before.
    fn busy(&self, station: usize, time: &Range<SampleCount>, after: u64) -> u64 {
        let under_way = self.senders.get(station).and_then(Sender::start);
        let now = under_way.map_or(0, |start| overlap(time, start, self.now));
        self.history.busy(station, time, after) + now
    }

    fn chunk(&mut self, n: usize) {
        let now = self.now;
        for (station, sender) in self.senders.iter_mut().enumerate() {
            let keyed = sender.advance(&self.table, now, n);
            self.keyed[station] = keyed;
            if let Some(start) = keyed.began {
                let end = SampleCount(now + keyed.to as u64);
                let start = SampleCount(start);
                self.finished.push(Transmission {
                    station,
                    start,
                    end,
                    cut: false,
                });
            }
        }
        for (listener, keyed) in self.listeners.iter_mut().zip(&self.keyed) {
            let (re, im) = (&mut self.re[..n], &mut self.im[..n]);
            listener.hear(&self.senders, (now, self.rate), re, im);
            listener.mute(now, n, *keyed);
        }
        for sender in &mut self.senders {
            sender.retire(now, n);
        }
        self.now += n as u64;
    }
}

impl Listener {
    fn new(band: &BandConfig, station: &StationConfig) -> Self {
        let rate = band.rate.hz_f64();
        let stream = format!("air/{}/noise/{}", band.name, station.name);
        let chance = Chance::stream(band.seed, &stream);
        let receiver = match &band.kind {
            Kind::Fm(c) => Receiver::Fm(Box::new(FmReceiver::new(c, station, rate, chance))),
            Kind::Ssb(c) => Receiver::Ssb(Box::new(SsbReceiver::new(c, rate, chance))),
        };
        Listener {
            paths: Vec::new(),
            oscillator: Oscillator::new(-band.shift_hz(station), rate),
            receiver,
            recovery: band.rate.samples_in(station.recovery),
            recovering_until: 0,
            heard: Vec::new(),
        }
    }

    /// Sums what arrives and receives it.
    fn hear(
        &mut self,
        senders: &[Sender],
        (now, rate): (u64, SampleRate),
        re: &mut [f32],
        im: &mut [f32],
    ) {
        let n = re.len();
        re.fill(0.0);
        im.fill(0.0);
        let mut any = false;
        for path in &mut self.paths {
            let sender = &senders[path.from];
            let open = path.is_open(sender, rate);
            any |= path.add(sender, (now, open), re, im);
        }
        if let (true, Some(o)) = (any, &self.oscillator) {
            o.process(now, re, im);
        }
        let at = self.heard.len();
        self.heard.resize(at + n, 0.0);
        let out = &mut self.heard[at..];
        match &mut self.receiver {
            Receiver::Fm(r) => r.process(re, im, out),
            Receiver::Ssb(r) => r.process(re, out),
        }
    }

    /// Silences the chunk just heard where the station was keyed or recovering.
    fn mute(&mut self, now: u64, n: usize, keyed: Keyed) {
        let at = self.heard.len() - n;
        let out = &mut self.heard[at..];
        // What is left of the time after an earlier transmission, then this one.
        let still = self.recovering_until.saturating_sub(now).min(n as u64) as usize;
        out[..still].fill(0.0);
        out[keyed.from..keyed.to].fill(0.0);
        if keyed.began.is_some() {
            self.recovering_until = now + keyed.to as u64 + self.recovery;
            let end = (keyed.to + self.recovery as usize).min(n);
            out[keyed.to..end].fill(0.0);
        }
    }
}

impl Path {
    fn new(band: &BandConfig, p: &crate::config::PathConfig, from: usize) -> Self {
        let rate = band.rate.hz_f64();
        let phase = Chance::stream(
            band.seed,
            &format!("air/{}/phase/{}/{}", band.name, p.from, p.to),
        )
        .between(0.0, std::f64::consts::TAU);
        let amplitude = 10_f64.powf(p.level_db / 20.0);
        let fading = match p.fading {
            Fading::None => None,
            Fading::Watterson { delay, spread_hz } => {
                // One stream for both directions: the ionosphere is the same both ways.
                let (a, b) = if p.from < p.to {
                    (&p.from, &p.to)
                } else {
                    (&p.to, &p.from)
                };
                let name = format!("air/{}/fading/{a}/{b}", band.name);
                let delay = (delay.as_secs_f64() * rate).round() as usize;
                Some(Watterson::new(band.seed, &name, delay, spread_hz, rate))
            }
        };
        let gain = (
            (amplitude * phase.cos()) as f32,
            (amplitude * phase.sin()) as f32,
        );
        Path {
            from,
            level_db: p.level_db,
            gain,
            fading,
            hours: p.hours,
        }
    }

    /// Whether it was open when the latest transmission began.
    fn is_open(&self, sender: &Sender, rate: SampleRate) -> bool {
        let begun = Instant::ZERO + rate.duration_of(sender.begun());
        self.hours.open_at(begun)
    }

    /// Adds what arrives over this path if it is open; `false` if nothing does.
    fn add(
        &mut self,
        sender: &Sender,
        (now, open): (u64, bool),
        re: &mut [f32],
        im: &mut [f32],
    ) -> bool {
        let n = re.len();
        let Some((a, b)) = sender.signal(now, n, 0).filter(|_| open) else {
            if let Some(f) = &mut self.fading {
                f.skip(now + n as u64 - 1);
            }
            return false;
        };
        let (c, s) = self.gain;
        let Some(fading) = &mut self.fading else {
            for (((x, y), a), b) in re.iter_mut().zip(im).zip(a).zip(b) {
                *x += a * c - b * s;
                *y += a * s + b * c;
            }
            return true;
        };
        let Some((late_a, late_b)) = sender.signal(now, n, fading.delay()) else {
            return false;
        };
        for i in 0..n {
            let (early, late) = fading.gains(now + i as u64);
            let x = a[i] * early.0 - b[i] * early.1 + late_a[i] * late.0 - late_b[i] * late.1;
            let y = a[i] * early.1 + b[i] * early.0 + late_a[i] * late.1 + late_b[i] * late.0;
            re[i] += x * c - y * s;
            im[i] += x * s + y * c;
        }
        true
    }
}
