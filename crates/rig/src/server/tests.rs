//! What goes to the server, and what a starved server does.

#[path = "../../tests/private_server/mod.rs"]
#[allow(dead_code)] // Other tests use the rest of it.
mod private_server;

use super::*;

#[test]
fn a_transmission_is_given_once_in_whole_frames_on_its_channel() {
    let mut outbox = Outbox::new(Some(1), 2, 0);
    outbox.take(vec![0.25, -0.5, 1.0], 8);
    assert_eq!(outbox.ends, Some(32));
    let mut buffer = [7_u8; 20];
    assert_eq!(
        outbox.give(&mut buffer),
        16,
        "two whole frames of eight octets fit"
    );
    assert_eq!(buffer[0..4], 0.0_f32.to_le_bytes());
    assert_eq!(buffer[4..8], 0.25_f32.to_le_bytes());
    assert_eq!(buffer[12..16], (-0.5_f32).to_le_bytes());
    assert_eq!(outbox.give(&mut buffer), 8);
    assert_eq!(outbox.give(&mut buffer), 0);
    assert_eq!(outbox.given, 32);
}

#[test]
fn silence_after_a_transmission_lets_the_server_start_with_the_shortest_rest() {
    let mut outbox = Outbox::new(None, 1, 400);
    outbox.take(vec![0.5; 10], 0);
    assert_eq!(outbox.ends, Some(40), "the silence is no part of it");
    let mut buffer = [0; 2000];
    assert_eq!(outbox.give(&mut buffer), 40 + 400);
    assert_eq!(buffer[40..44], 0.0_f32.to_le_bytes());
}

/// Runs the ignored test below as a process that sees only a private server.
#[test]
fn a_starved_server_leaves_a_gap_that_is_counted_and_plays_the_rest() {
    let server = private_server::PrivateServer::start(&["air"]);
    let output = std::process::Command::new(std::env::current_exe().expect("this test's file"))
        .args([
            "server::tests::inside_starves",
            "--exact",
            "--ignored",
            "--nocapture",
        ])
        .env("PULSE_SERVER", server.address())
        .output()
        .expect("the test runs itself");
    let text = String::from_utf8_lossy(&output.stdout);
    println!("{text}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && text.contains("1 passed"));
}

/// The sink of the test as the server lists it.
fn air() -> DeviceInfo {
    let all = list().expect("the server answers");
    all.into_iter()
        .find(|d| d.name == "air")
        .expect("it exists")
}

#[test]
#[ignore = "needs the server that its outer half starts"]
fn inside_starves() {
    let rate = SampleRate::new(48_000).expect("not zero");
    let (mut output, _) = open_output(&air(), Channel::Mono, rate).expect("it exists");
    output.play(vec![0.5; 96_000]).expect("it plays");
    for _ in 0..40 {
        let found = output.look().expect("the server is there");
        assert!(
            matches!(found, Playing::Still | Playing::Began(_)),
            "{found:?}"
        );
        std::thread::sleep(Duration::from_millis(10));
    }
    // The thread that feeds the server is kept busy, as by a machine that has no time.
    let mut lull = Some(Duration::from_millis(1500));
    let params = RecordStreamParams {
        source_name: Some(c"air.monitor".into()),
        sample_spec: spec(rate, 1),
        ..RecordStreamParams::default()
    };
    let busy = move |_: &[u8]| lull.take().into_iter().for_each(std::thread::sleep);
    let busy = block_on(output.client.create_record_stream(params, busy));
    let _busy = busy.expect("the monitor is there");
    let mut looks = 0;
    loop {
        match output.look().expect("the server is there") {
            Playing::Ended(gaps) => break assert_eq!(gaps, 1),
            _ => looks += 1,
        }
        assert!(looks < 1000, "it never ends");
        std::thread::sleep(Duration::from_millis(10));
    }
    println!("ended after {looks} looks");
}

#[test]
fn nothing_is_left_to_give_after_a_hush() {
    let mut outbox = Outbox::new(None, 1, 0);
    outbox.take(vec![0.5; 10], 0);
    outbox.give(&mut [0; 8]);
    outbox.drop_rest();
    assert_eq!(outbox.give(&mut [0; 64]), 0);
    assert_eq!(outbox.ends, None);
}

#[test]
fn a_server_of_another_user_is_said_to_be_one() {
    let shut = std::io::Error::from(std::io::ErrorKind::PermissionDenied);
    for error in [
        ClientError::Io(shut),
        ClientError::ServerError(PulseError::AccessDenied),
        ClientError::Protocol(ProtocolError::ServerError(PulseError::AccessDenied)),
    ] {
        let text = words(&error);
        assert!(text.contains("Run Dunlin as that user"), "{text}");
    }
}
