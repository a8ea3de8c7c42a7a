//! Devices of the sound server: PulseAudio, and PipeWire through the socket that it offers
//! for PulseAudio's clients. Spoken natively, so no library of the server is needed.
//!
//! Why not through cpal like the kernel's devices: a server moves a stream whose device is
//! gone to another device, unless the stream forbids it when it is made. cpal has no way to
//! say so, and a transmission that comes out of another device is what must never happen.
//!
//! An idle output holds no data in the server, so a transmission begins within the device's
//! own latency however large the buffer is; the buffer is large, so that a busy machine
//! leaves no gap in a frame.

use std::ffi::CString;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, mpsc};
use std::task::{Context, Poll, Waker};
use std::time::Instant;

use dunlin_clock::{Duration, SampleRate};
use futures_executor::block_on;
use pulseaudio::protocol::{
    ChannelMap, ChannelVolume, PlaybackStreamParams, Props, ProtocolError, PulseError,
    RecordStreamParams, SampleFormat, SampleSpec, SinkInfo, SourceInfo, stream::BufferAttr,
    stream::StreamFlags,
};
use pulseaudio::{Client, ClientError, PlaybackSource, PlaybackStream, RecordStream};

use crate::cards;
use crate::channels;
use crate::device::{Channel, DeviceError, DeviceHost, DeviceInfo, Way};
use crate::identity::Identity;
use crate::port::Ears;
use crate::supervisor::{Hearing, Output, Playing};

/// Longest time to wait for the server at first contact.
const CONTACT: Duration = Duration::from_secs(3);
/// Sound per chunk heard.
const FRAGMENT: Duration = Duration::from_millis(20);
/// Sound that the server holds ahead of the device while a transmission runs.
const AHEAD: Duration = Duration::from_millis(500);
/// Sound that must be there before the device starts.
const FIRST: Duration = Duration::from_millis(60);
/// Smallest request of the server; it also sets the latency of the device.
const REQUEST: Duration = Duration::from_millis(20);
/// Waited on top of the latency that a device admits to.
const MARGIN: Duration = Duration::from_millis(20);
/// Looks between two questions whether the server still has an idle stream.
const LOOKS_PER_QUESTION: u32 = 5;
/// Octets of a whole cookie (PulseAudio, `PA_NATIVE_COOKIE_LENGTH`; from memory).
const COOKIE: usize = 256;
/// Octets of one sample.
const OCTETS: usize = 4;

/// Connects to the server of this login.
fn connect() -> Result<Client, String> {
    // The first contact has no time limit of its own; a server that hangs must not hang us.
    let (sender, receiver) = mpsc::channel();
    std::thread::Builder::new()
        .name("sound server contact".into())
        .spawn(move || {
            let _ = sender.send(contact());
        })
        .map_err(|e| e.to_string())?;
    match receiver.recv_timeout(CONTACT) {
        Ok(Ok(client)) => Ok(client),
        Ok(Err(error)) => Err(words(&error)),
        Err(_) => Err(format!(
            "the sound server did not answer within {} s",
            CONTACT.as_secs()
        )),
    }
}

/// As `Client::from_env`, but for a cookie that another program is just writing: one that is
/// not whole makes the server hang up, a wrong one makes it look whose program this is.
fn contact() -> Result<Client, ClientError> {
    let path = pulseaudio::socket_path_from_env().ok_or(ClientError::ServerUnavailable)?;
    let cookie = pulseaudio::cookie_path_from_env()
        .and_then(|path| std::fs::read(path).ok())
        .filter(|cookie| cookie.len() == COOKIE)
        .unwrap_or_else(|| vec![0; COOKIE]);
    let socket = std::os::unix::net::UnixStream::connect(path)?;
    Client::new_unix(c"Dunlin", socket, Some(cookie))
}

fn words(error: &ClientError) -> String {
    match error {
        ClientError::ServerUnavailable => access::no_socket(),
        // Its socket is there, left behind by one that ran before.
        ClientError::Io(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
            "no sound server runs for this login".into()
        }
        ClientError::Io(error) if error.kind() == std::io::ErrorKind::PermissionDenied => {
            format!("the sound server refuses: {}", access::denied())
        }
        ClientError::ServerError(PulseError::AccessDenied)
        | ClientError::Protocol(ProtocolError::ServerError(PulseError::AccessDenied)) => {
            format!("the sound server refuses: {}", access::denied())
        }
        ClientError::Io(error) => format!("the sound server cannot be reached: {error}"),
        ClientError::Disconnected => "the sound server has gone".into(),
        ClientError::ServerError(PulseError::NoEntity) => {
            "the sound server does not have it any more".into()
        }
        other => format!("the sound server says: {other}"),
    }
}

/// The devices that the server has now.
pub(crate) fn list() -> Result<Vec<DeviceInfo>, String> {
    let client = connect()?;
    let sources = block_on(client.list_sources()).map_err(|e| words(&e))?;
    let sinks = block_on(client.list_sinks()).map_err(|e| words(&e))?;
    let text =
        |text: Option<&CString>| text.map_or(String::new(), |t| t.to_string_lossy().into_owned());
    let heard = sources.iter().map(|s| DeviceInfo {
        host: DeviceHost::Server,
        name: text(Some(&s.name)),
        description: text(s.description.as_ref()),
        identity: identity(&client, &s.props, s.card_index),
        monitor: s.monitor_of_sink_index.is_some(),
        hears: true,
        plays: false,
    });
    let played = sinks.iter().map(|s| DeviceInfo {
        host: DeviceHost::Server,
        name: text(Some(&s.name)),
        description: text(s.description.as_ref()),
        identity: identity(&client, &s.props, s.card_index),
        monitor: false,
        hears: false,
        plays: true,
    });
    Ok(heard.chain(played).collect())
}

/// What the server knows of a device: its own properties, and those of its card.
fn identity(client: &Client, own: &Props, card: Option<u32>) -> Option<Identity> {
    let card = card.and_then(|index| block_on(client.card_info(index)).ok());
    let of = |props: &Props, key: &str| {
        let octets = props.get_bytes(CString::new(key).ok()?)?;
        // Property lists hold strings with the zero at their end.
        let octets = octets.strip_suffix(b"\0").unwrap_or(octets);
        Some(String::from_utf8_lossy(octets).into_owned())
    };
    cards::from_properties(|key| {
        of(own, key).or_else(|| card.as_ref().and_then(|card| of(&card.props, key)))
    })
}

/// Refuses a device that has become another one since it was looked up.
fn same(wanted: &DeviceInfo, now: Option<Identity>) -> Result<(), String> {
    if now == wanted.identity {
        return Ok(());
    }
    Err("it has just been replaced by another device".into())
}

/// The name of the device that the server has chosen as its default.
pub(crate) fn default(way: Way) -> Result<String, String> {
    let client = connect()?;
    let info = block_on(client.server_info()).map_err(|e| words(&e))?;
    let name = match way {
        Way::Hear => info.default_source_name,
        Way::Play => info.default_sink_name,
    };
    let none = || format!("the sound server has no default {way}");
    name.map(|n| n.to_string_lossy().into_owned())
        .ok_or_else(none)
}

/// One channel for all, or as many as the device has and one of them used.
fn layout(channel: Channel, device: ChannelMap) -> (ChannelMap, usize) {
    match channel.index() {
        None => (ChannelMap::mono(), 1),
        Some(_) => (device, usize::from(device.num_channels())),
    }
}

fn spec(rate: SampleRate, channels: usize) -> SampleSpec {
    SampleSpec {
        format: SampleFormat::Float32Le,
        channels: u8::try_from(channels).unwrap_or(u8::MAX),
        sample_rate: rate.hz(),
    }
}

fn octets(rate: SampleRate, channels: usize, time: Duration) -> u32 {
    let frames = usize::try_from(rate.samples_in(time)).unwrap_or(usize::MAX);
    u32::try_from(frames.saturating_mul(channels * OCTETS)).unwrap_or(u32::MAX)
}

/// Opens a source.
pub(crate) fn hear(
    info: &DeviceInfo,
    channel: Channel,
    rate: SampleRate,
    ears: &Ears,
) -> Result<(Box<dyn Hearing>, String), DeviceError> {
    let name = info.name.as_str();
    let unusable = |reason| DeviceError::Unusable {
        way: Way::Hear,
        device: info.plan_name(),
        reason,
    };
    let client = connect().map_err(unusable)?;
    let source = source(&client, name).map_err(unusable)?;
    let identity = identity(&client, &source.props, source.card_index);
    same(info, identity).map_err(unusable)?;
    let (map, width) = layout(channel, source.channel_map);
    channels::check(channel, width, Way::Hear, name)?;
    let params = RecordStreamParams {
        sample_spec: spec(rate, width),
        channel_map: map,
        source_index: Some(source.index),
        cvolume: Some(ChannelVolume::norm(spec(rate, width).channels)),
        buffer_attr: BufferAttr {
            fragment_size: octets(rate, width, FRAGMENT),
            ..BufferAttr::default()
        },
        flags: StreamFlags {
            no_move: true,
            adjust_latency: true,
            relative_volume: true,
            start_muted: Some(false),
            ..StreamFlags::default()
        },
        ..RecordStreamParams::default()
    };
    let age = Arc::new(AtomicU64::new(0));
    let hearer = hearer(ears.clone(), age.clone(), channel.index(), width);
    let stream =
        block_on(client.create_record_stream(params, hearer)).map_err(|e| unusable(words(&e)))?;
    let fragment = stream.buffer_attr().fragment_size as usize / (width * OCTETS);
    let detail = format!("{} Hz, {fragment} samples at a time", rate.hz());
    Ok((
        Box::new(ServerInput {
            stream,
            age,
            looks: 0,
            _client: client,
        }),
        detail,
    ))
}

fn source(client: &Client, name: &str) -> Result<SourceInfo, String> {
    let name = CString::new(name).map_err(|e| e.to_string())?;
    block_on(client.source_info_by_name(name)).map_err(|e| words(&e))
}

fn sink(client: &Client, name: &str) -> Result<SinkInfo, String> {
    let name = CString::new(name).map_err(|e| e.to_string())?;
    block_on(client.sink_info_by_name(name)).map_err(|e| words(&e))
}

/// What is called with each fragment heard.
fn hearer(
    ears: Ears,
    age: Arc<AtomicU64>,
    index: Option<usize>,
    width: usize,
) -> impl FnMut(&[u8]) + Send + 'static {
    let mut frame = vec![0.0_f32; width];
    move |data: &[u8]| {
        let mut samples = Vec::with_capacity(data.len() / (OCTETS * width));
        for octets in data.chunks_exact(OCTETS * width) {
            for (value, four) in frame.iter_mut().zip(octets.chunks_exact(OCTETS)) {
                *value = f32::from_le_bytes([four[0], four[1], four[2], four[3]]);
            }
            samples.push(channels::pick(&frame, index));
        }
        ears.heard(samples, Duration::from_micros(age.load(Ordering::Relaxed)));
    }
}

struct ServerInput {
    stream: RecordStream,
    /// Latency from the device to us, microseconds.
    age: Arc<AtomicU64>,
    looks: u32,
    _client: Client,
}

impl Hearing for ServerInput {
    fn look(&mut self) -> Result<(), String> {
        self.looks += 1;
        if !self.looks.is_multiple_of(LOOKS_PER_QUESTION) {
            return Ok(());
        }
        let timing = block_on(self.stream.timing_info()).map_err(|e| words(&e))?;
        // A monitor's sound comes from the sink behind it, ahead of what the sink plays.
        self.age.store(timing.source_usec, Ordering::Relaxed);
        Ok(())
    }
}

/// Opens a sink.
pub(crate) fn play(
    info: &DeviceInfo,
    channel: Channel,
    rate: SampleRate,
) -> Result<(Box<dyn Output>, String), DeviceError> {
    let (output, detail) = open_output(info, channel, rate)?;
    Ok((Box::new(output), detail))
}

fn open_output(
    info: &DeviceInfo,
    channel: Channel,
    rate: SampleRate,
) -> Result<(ServerOutput, String), DeviceError> {
    let name = info.name.as_str();
    let unusable = |reason| DeviceError::Unusable {
        way: Way::Play,
        device: info.plan_name(),
        reason,
    };
    let client = connect().map_err(unusable)?;
    let sink = sink(&client, name).map_err(unusable)?;
    let identity = identity(&client, &sink.props, sink.card_index);
    same(info, identity).map_err(unusable)?;
    let (map, width) = layout(channel, sink.channel_map);
    channels::check(channel, width, Way::Play, name)?;
    let first = octets(rate, width, FIRST);
    let params = PlaybackStreamParams {
        sample_spec: spec(rate, width),
        channel_map: map,
        sink_index: Some(sink.index),
        cvolume: Some(ChannelVolume::norm(spec(rate, width).channels)),
        buffer_attr: BufferAttr {
            target_length: octets(rate, width, AHEAD),
            pre_buffering: first,
            minimum_request_length: octets(rate, width, REQUEST),
            ..BufferAttr::default()
        },
        flags: StreamFlags {
            no_move: true,
            early_requests: true,
            relative_volume: true,
            start_muted: Some(false),
            ..StreamFlags::default()
        },
        ..PlaybackStreamParams::default()
    };
    let outbox = Arc::new(Mutex::new(Outbox::new(channel.index(), width, first)));
    let stream = block_on(client.create_playback_stream(params, Feeder(outbox.clone())))
        .map_err(|e| unusable(words(&e)))?;
    let ahead = stream.buffer_attr().target_length as usize / (width * OCTETS);
    let detail = format!("{} Hz, up to {ahead} samples ahead", rate.hz());
    let output = ServerOutput {
        stream,
        outbox,
        looks: 0,
        began: 0,
        told: false,
        out_at: None,
        frames_per_s: rate,
        unbroken: 0,
        gaps: 0,
        client,
    };
    Ok((output, detail))
}

/// The transmission that is on its way to the server.
struct Outbox {
    index: Option<usize>,
    width: usize,
    /// Octets without which the server does not start.
    first: u32,
    samples: Vec<f32>,
    at: usize,
    /// Octets given to the server since the stream was made.
    given: u64,
    /// Where in that count the transmission ends; `None` = nothing is played.
    ends: Option<u64>,
    waker: Option<Waker>,
}

impl Outbox {
    fn new(index: Option<usize>, width: usize, first: u32) -> Self {
        Outbox {
            index,
            width,
            first,
            samples: Vec::new(),
            at: 0,
            given: 0,
            ends: None,
            waker: None,
        }
    }

    /// Takes a transmission. Silence after it lets the server start also when only little is
    /// left after a gap. `given` is the server's own count of what it has got, which a flush
    /// turns back.
    fn take(&mut self, mut samples: Vec<f32>, given: u64) {
        let frame = self.width * OCTETS;
        self.given = given;
        self.ends = Some(given + (samples.len() * frame) as u64);
        samples.resize(samples.len() + self.first as usize / frame, 0.0);
        self.samples = samples;
        self.at = 0;
        if let Some(waker) = self.waker.take() {
            waker.wake();
        }
    }

    fn drop_rest(&mut self) {
        self.samples = Vec::new();
        self.at = 0;
        self.ends = None;
    }

    /// Writes what fits into `octets`, whole frames only, and says how many octets.
    fn give(&mut self, octets: &mut [u8]) -> usize {
        let frame = self.width * OCTETS;
        let mut written = 0;
        let rest = self.samples[self.at..].iter();
        for (sample, slot) in rest.zip(octets.chunks_exact_mut(frame)) {
            for (i, four) in slot.chunks_exact_mut(OCTETS).enumerate() {
                let on = self.index.is_none_or(|wanted| wanted == i);
                four.copy_from_slice(&(if on { *sample } else { 0.0 }).to_le_bytes());
            }
            written += 1;
        }
        self.at += written;
        self.given += (written * frame) as u64;
        written * frame
    }
}

/// What the client of the server asks for data.
struct Feeder(Arc<Mutex<Outbox>>);

impl PlaybackSource for Feeder {
    fn poll_read(self: Pin<&mut Self>, cx: &mut Context<'_>, octets: &mut [u8]) -> Poll<usize> {
        let mut outbox = lock(&self.0);
        match outbox.give(octets) {
            0 => {
                outbox.waker = Some(cx.waker().clone());
                Poll::Pending
            }
            n => Poll::Ready(n),
        }
    }
}

fn lock(outbox: &Mutex<Outbox>) -> MutexGuard<'_, Outbox> {
    outbox.lock().unwrap_or_else(PoisonError::into_inner)
}

struct ServerOutput {
    stream: PlaybackStream,
    outbox: Arc<Mutex<Outbox>>,
    looks: u32,
    /// Where the transmission begins in the server's count.
    began: u64,
    /// The begin of the transmission has been told.
    told: bool,
    /// When the last sample will have left the device; known once the server has given it on.
    out_at: Option<Instant>,
    frames_per_s: SampleRate,
    /// What the server had played without a gap at the last look, in octets of its own.
    unbroken: u64,
    gaps: u64,
    #[cfg_attr(not(test), expect(dead_code, reason = "it keeps the stream alive"))]
    client: Client,
}

impl Output for ServerOutput {
    fn play(&mut self, samples: Vec<f32>) -> Result<(), String> {
        let timing = block_on(self.stream.timing_info()).map_err(|e| words(&e))?;
        let given = u64::try_from(timing.write_offset).unwrap_or(0);
        self.unbroken = 0;
        self.gaps = 0;
        self.began = given;
        self.told = false;
        self.out_at = None;
        lock(&self.outbox).take(samples, given);
        Ok(())
    }

    fn hush(&mut self) {
        let running = lock(&self.outbox).ends.is_some();
        lock(&self.outbox).drop_rest();
        if running {
            // If it fails, the stream is gone, and with it the sound.
            let _ = block_on(self.stream.flush());
        }
    }

    fn look(&mut self) -> Result<Playing, String> {
        let ends = lock(&self.outbox).ends;
        self.looks += 1;
        if ends.is_none() && !self.looks.is_multiple_of(LOOKS_PER_QUESTION) {
            return Ok(Playing::Nothing);
        }
        let timing = block_on(self.stream.timing_info()).map_err(|e| words(&e))?;
        let Some(ends) = ends else {
            return Ok(Playing::Nothing);
        };
        let read = u64::try_from(timing.read_offset).unwrap_or(0);
        if read > self.began {
            // The server counts what it plays in one piece, and begins again after a gap.
            self.gaps += u64::from(timing.playing_for < self.unbroken);
            self.unbroken = timing.playing_for;
        }
        // What the server has handed on leaves the device after the time that is inside. Two
        // seconds is the most that a server gives a device.
        let inside = Duration::from_micros(timing.sink_usec).min(Duration::from_secs(2));
        let since_first = self.lasts(read.saturating_sub(self.began));
        if read > self.began && !self.told && since_first >= inside {
            self.told = true;
            return Ok(Playing::Began(since_first - inside));
        }
        if read < ends {
            return Ok(Playing::Still);
        }
        let now = Instant::now();
        let out_at = *self.out_at.get_or_insert(now + inside + MARGIN);
        if now < out_at {
            return Ok(Playing::Still);
        }
        if !self.told {
            // Shorter than what the device has inside, so all of it came out between two looks.
            self.told = true;
            return Ok(Playing::Began(self.lasts(ends - self.began)));
        }
        lock(&self.outbox).drop_rest();
        Ok(Playing::Ended(self.gaps))
    }
}

impl ServerOutput {
    /// How long so many octets of the stream last.
    fn lasts(&self, octets: u64) -> Duration {
        let frame = lock(&self.outbox).width * OCTETS;
        self.frames_per_s.duration_of(octets / frame as u64)
    }
}

mod access;

#[cfg(test)]
mod tests;
