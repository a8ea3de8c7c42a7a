//! Sound ports on a real PulseAudio server with null sinks.
//!
//! A process finds its sound server through its environment, so each test starts a private
//! server and runs its inner half, marked `ignored`, as a process of its own.

mod bench;
mod private_server;

use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

use bench::{Log, RATE, loud, open, run_inside, settings};
use dunlin_rig::{Channel, Counts, DeviceError, SoundDevice, SoundEvent, SoundPort};
use private_server::{PrivateServer, control, null_sink};

#[test]
fn what_is_played_is_heard_whole_and_its_end_is_told_in_time() {
    run_inside(&PrivateServer::start(&["air"]), "inside_plays_and_hears");
}

/// The kernel's interface, with ALSA's own plugin to the sound server as the device (Debian
/// package libasound2-plugins): cpal, sample formats and end of transmission are real.
#[test]
fn a_device_of_alsa_plays_and_hears_too() {
    run_inside(
        &PrivateServer::start(&["air"]),
        "inside_plays_and_hears_through_alsa",
    );
}

#[test]
fn a_device_that_goes_away_is_told_and_never_replaced_by_another() {
    run_inside(
        &PrivateServer::start(&["air", "loudspeaker"]),
        "inside_loses_its_device",
    );
}

#[test]
fn devices_of_other_rates_play_and_hear_at_the_engines() {
    let server = PrivateServer::start(&[]);
    for rate in [8_000, 44_100, 48_000, 96_000] {
        let module = null_sink(&format!("air{rate}")).replace("48000", &rate.to_string());
        let mut load: Vec<&str> = vec!["load-module"];
        load.extend(module.split(' '));
        server.control(&load).expect("the device comes");
    }
    run_inside(&server, "inside_uses_other_rates");
}

#[test]
fn one_channel_of_two_carries_the_radio() {
    run_inside(&PrivateServer::start(&["air"]), "inside_uses_one_channel");
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_plays_and_hears() {
    plays_and_hears("pulse:air.monitor", "air", 0);
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_plays_and_hears_through_alsa() {
    // On a busy machine ALSA's plugin breaks now and then, and loses sound without a word: so
    // several tries, and no count of samples. Devices of the kernel cannot be had in a test.
    plays_and_hears("alsa:pulse", "alsa:pulse", 3);
}

fn plays_and_hears(input: &str, output: &str, tries: u32) {
    let mut bench = open(settings(input, output, Channel::Mono, Channel::Mono));
    bench.settle();
    let took = bench.play_tone(1.5, tries);
    // The end is never told before the sound has been played, and not long after.
    assert!(
        took >= Duration::from_millis(1500),
        "told too early: {took:?}"
    );
    assert!(
        took < Duration::from_millis(3500),
        "told too late: {took:?}"
    );
    std::thread::sleep(Duration::from_millis(700));
    let sound = bench.heard();
    let (first, last) = loud(&sound).expect("the tone is heard");
    let (came, went) = bench
        .log
        .loud
        .lock()
        .expect("not poisoned")
        .expect("the tone is heard");
    println!(
        "the end was told {took:?} after the order; between the first loud piece heard and the \
         last lay {:?}",
        went - came,
    );
    // On a busy machine there may have been a gap; then the port says so.
    let expected = (1.5 * RATE as f32) as usize;
    let spread = (last - first).abs_diff(expected);
    let counts = bench.port.counts();
    println!("{counts:?}, {} samples instead of {expected}", last - first);
    assert!(
        tries > 0 || spread < 480 || counts != Counts::default(),
        "{spread} samples too many or too few"
    );
    let peak = sound.iter().fold(0.0_f32, |m, x| m.max(x.abs()));
    assert!(
        (peak - 0.5).abs() < 0.02,
        "played and heard at one level: {peak}"
    );
    let again = bench.play_tone(0.2, tries);
    assert!(
        again >= Duration::from_millis(200),
        "a second one too: {again:?}"
    );
    println!("{:?}", bench.port.counts());
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_loses_its_device() {
    let server = std::env::var("PULSE_SERVER").expect("set by the outer half");
    let mut bench = open(settings("air.monitor", "air", Channel::Mono, Channel::Mono));
    bench.port.play(vec![0.5; 10 * RATE as usize]);
    std::thread::sleep(Duration::from_millis(700));
    let inputs = control(&server, &["list", "short", "sink-inputs"]).expect("pactl works");
    assert_eq!(
        inputs.lines().count(),
        1,
        "the transmission is on the server: {inputs}"
    );
    control(&server, &["unload-module", "module-null-sink"]).expect("the devices go");
    control(
        &server,
        &["load-module", "module-null-sink", "sink_name=other"],
    )
    .expect("another");
    let (_, event) = bench.next();
    assert!(matches!(event, SoundEvent::NotPlayed { .. }), "{event:?}");
    let (_, event) = bench.next();
    assert!(matches!(event, SoundEvent::Lost { .. }), "{event:?}");
    println!("{event:?}");
    let inputs = control(&server, &["list", "short", "sink-inputs"]).expect("pactl works");
    assert_eq!(inputs.trim(), "", "nothing plays on any other device");
    // A transmission asked for meanwhile is answered.
    bench.port.play(vec![0.5; RATE as usize]);
    let back = null_sink("air");
    let mut load: Vec<&str> = vec!["load-module"];
    load.extend(back.split(' '));
    loop {
        let (_, event) = bench.next();
        match event {
            SoundEvent::NotPlayed { .. } => {
                control(&server, &load).expect("the device comes back");
            }
            SoundEvent::Ready { detail, .. } => break println!("back: {detail}"),
            SoundEvent::Lost { .. } => {}
            SoundEvent::Began { .. } | SoundEvent::Played { .. } | SoundEvent::Heard { .. } => {
                panic!("{event:?}")
            }
        }
    }
    bench.play_tone(0.3, 0);
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_uses_one_channel() {
    let mut right = open(settings(
        "air.monitor",
        "air",
        Channel::Left,
        Channel::Right,
    ));
    let other = open(settings(
        "air.monitor",
        "air",
        Channel::Right,
        Channel::Left,
    ));
    right.play_tone(0.5, 0);
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(loud(&right.heard()), None, "the left channel stays silent");
    let (first, last) = loud(&other.heard()).expect("the right channel carries the tone");
    assert!(last - first > RATE as usize * 2 / 5, "{first} to {last}");
    let wrong = settings("air.monitor", "air", Channel::Number(3), Channel::Mono);
    let log = Arc::new(Log {
        sound: Mutex::default(),
        loud: Mutex::default(),
        events: Mutex::new(mpsc::channel().0),
    });
    match SoundDevice::open("test", wrong, log) {
        Err(DeviceError::NoSuchChannel { has: 2, .. }) => {}
        Err(error) => panic!("{error}"),
        Ok(_) => panic!("a third channel was opened"),
    }
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_uses_other_rates() {
    for rate in [8_000, 44_100, 48_000, 96_000] {
        let (input, output) = (format!("air{rate}.monitor"), format!("air{rate}"));
        let mut bench = open(settings(&input, &output, Channel::Mono, Channel::Mono));
        bench.settle();
        let took = bench.play_tone(0.5, 0);
        assert!(took >= Duration::from_millis(500), "{rate}: {took:?}");
        std::thread::sleep(Duration::from_millis(400));
        let sound = bench.heard();
        let (first, last) = loud(&sound).expect("the tone is heard");
        let spread = (last - first).abs_diff(RATE as usize / 2);
        assert!(
            spread < 240 || bench.port.counts() != Counts::default(),
            "{rate}: {spread} samples too many or too few"
        );
        // Well inside the tone, it crosses zero upwards 1200 times a second.
        let inside = &sound[first + 4800..first + 14_400];
        let ups = inside.windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0);
        let hz = ups.count() * 5;
        assert!(hz.abs_diff(1200) <= 10, "{rate}: {hz} Hz");
        let peak = inside.iter().fold(0.0_f32, |m, x| m.max(x.abs()));
        assert!((peak - 0.5).abs() < 0.03, "{rate}: {peak}");
    }
}
