//! Two ports on the two channels of one stereo device: left one radio, right the other.

mod bench;
mod private_server;

use std::time::{Duration, Instant};

use bench::{Bench, RATE, loud, open, run_inside, settings};
use dunlin_rig::{Channel, SoundEvent, SoundPort};
use private_server::{PrivateServer, control};

#[test]
fn two_ports_share_a_device_of_the_sound_server() {
    run_inside(&PrivateServer::start(&["air"]), "inside_shares_server");
}

/// ALSA's plugin to the sound server stands for a device of the kernel; that the ports share
/// one opening of it is seen at the server.
#[test]
fn two_ports_share_one_opening_of_a_kernel_device() {
    run_inside(&PrivateServer::start(&["air"]), "inside_shares_kernel");
}

fn port(input: &str, output: &str, channel: Channel) -> Bench {
    open(settings(input, output, channel, channel))
}

fn forget(bench: &Bench) {
    bench.log.sound.lock().expect("not poisoned").clear();
}

/// Tones of 1200 Hz (left) and 2200 Hz (right), 0.5 s at half of full scale.
fn tone(hz: f32) -> Vec<f32> {
    let step = std::f32::consts::TAU * hz / RATE as f32;
    (0..RATE / 2)
        .map(|i| 0.5 * (step * i as f32).sin())
        .collect()
}

/// Level of `hz` in the loudest 0.2 s of `sound`.
fn level(sound: &[f32], hz: f32) -> f32 {
    let step = std::f32::consts::TAU * hz / RATE as f32;
    let amplitude = |part: &[f32]| {
        let (mut s, mut c) = (0.0, 0.0);
        for (i, x) in part.iter().enumerate() {
            s += x * (step * i as f32).sin();
            c += x * (step * i as f32).cos();
        }
        2.0 * s.hypot(c) / part.len() as f32
    };
    let parts = sound.chunks_exact(RATE as usize / 5);
    parts.map(amplitude).fold(0.0, f32::max)
}

fn played(bench: &Bench) {
    let (_, event) = bench.next();
    assert!(matches!(event, SoundEvent::Played { .. }), "{event:?}");
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_shares_server() {
    let mut left = port("air.monitor", "air", Channel::Left);
    let mut right = port("air.monitor", "air", Channel::Right);
    left.play_tone(0.4, 0);
    std::thread::sleep(Duration::from_millis(400));
    assert!(loud(&left.heard()).is_some(), "its own channel");
    assert_eq!(loud(&right.heard()), None, "the other radio's channel");
    forget(&left);
    // Both at once, each heard on its own channel only.
    left.port.play(tone(1200.0));
    right.port.play(tone(2200.0));
    played(&left);
    played(&right);
    std::thread::sleep(Duration::from_millis(400));
    for (bench, own, other) in [(&left, 1200.0, 2200.0), (&right, 2200.0, 1200.0)] {
        let sound = bench.heard();
        let (is, is_not) = (level(&sound, own), level(&sound, other));
        println!("{own} Hz: {is}, {other} Hz: {is_not}");
        assert!(is > 0.45, "{own} Hz at {is}");
        assert!(is_not < 0.01, "{other} Hz at {is_not}");
    }
    let peak = |bench: &Bench| bench.heard().iter().fold(0.0_f32, |m, x| m.max(x.abs()));
    assert!(peak(&left) < 0.55, "the other transmission is not added");
    // One port closed and the other goes on.
    drop(left);
    forget(&right);
    right.play_tone(0.3, 0);
    std::thread::sleep(Duration::from_millis(400));
    assert!(loud(&right.heard()).is_some());
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_shares_kernel() {
    let server = std::env::var("PULSE_SERVER").expect("set by the outer half");
    let count = |what: &str| {
        let list = control(&server, &["list", "short", what]).expect("pactl works");
        list.lines().count()
    };
    let mut left = port("alsa:pulse", "alsa:pulse", Channel::Left);
    let right = port("alsa:pulse", "alsa:pulse", Channel::Right);
    left.settle();
    right.settle();
    // A plugin that was starved is opened again by both ports, one after the other.
    let limit = Instant::now() + Duration::from_secs(20);
    while (count("sink-inputs"), count("source-outputs")) != (1, 1) {
        assert!(Instant::now() < limit, "each port has opened it by itself");
        std::thread::sleep(Duration::from_millis(100));
    }
    left.play_tone(0.5, 3);
    std::thread::sleep(Duration::from_millis(700));
    assert!(loud(&left.heard()).is_some(), "its own channel");
    assert_eq!(loud(&right.heard()), None, "the other radio's channel");
    drop(left);
    let mut right = right;
    forget(&right);
    right.play_tone(0.3, 3);
    std::thread::sleep(Duration::from_millis(700));
    assert!(loud(&right.heard()).is_some(), "it goes on alone");
    drop(right);
    assert_eq!((count("sink-inputs"), count("source-outputs")), (0, 0));
}
