//! Who gets in, what commands answer, and what errors say.

use dunlin_web::{WebConfig, WebError, serve};

use crate::client::{Listening, command, get, get_octets, host, send};
use crate::stand_in::{StandIn, config};

#[test]
fn the_page_comes_with_headers_that_protect_it() {
    let station = StandIn::start();
    let page = get(station.port, "/");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("<title>"));
    for line in [
        "content-type: text/html; charset=utf-8",
        "content-security-policy: default-src 'self'; object-src 'none';",
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
    ] {
        assert!(page.head.contains(line), "{line} in {}", page.head);
    }
    assert!(!page.head.contains("unsafe-inline"));
    for path in [
        "/nothing",
        "/assets/nothing.js",
        "/assets/../src/lib.rs",
        "/assets/%2e%2e/x",
    ] {
        let missing = get(station.port, path);
        assert_eq!(missing.status, 404, "{path}");
        assert!(missing.head.contains("nosniff"), "{path}");
    }
}

#[test]
fn a_page_of_another_name_is_refused() {
    let station = StandIn::start();
    let port = station.port;
    for wrong in [
        format!("Host: station.test:{port}"),
        "Host: 127.0.0.1".into(),
        "X: y".into(),
    ] {
        for path in [
            "/",
            "/assets/index.html",
            "/api/snapshot",
            "/api/events",
            "/nothing",
        ] {
            let answer = send(port, "GET", path, &[&wrong], "");
            assert_eq!(answer.status, 403, "{wrong} {path}");
            assert!(
                answer
                    .body
                    .contains(&format!("open http://127.0.0.1:{port}/"))
            );
        }
    }
    let absolute = format!("http://127.0.0.1:{port}/");
    assert_eq!(send(port, "GET", &absolute, &[&host(port)], "").status, 403);
}

#[test]
fn another_page_is_refused() {
    let station = StandIn::start();
    let port = station.port;
    let json = r#"{"do":"close_talk","talk":1}"#;
    let ask = |origin: &str| {
        let lines = [&*host(port), "Content-Type: application/json", origin];
        send(port, "POST", "/api/command", &lines, json)
    };
    let other = ask("Origin: http://elsewhere.test");
    assert_eq!(other.status, 403);
    assert!(
        other.body.contains("only the station's own page may"),
        "{}",
        other.body
    );
    assert_eq!(ask("Origin: null").status, 403);
    assert_eq!(ask(&format!("Origin: http://127.0.0.1:{port}")).status, 409);
    let origin = "Origin: http://elsewhere.test";
    assert_eq!(
        Listening::open(port, "/api/events", &[origin]).err(),
        Some(403)
    );
    let own = format!("Origin: http://localhost:{port}");
    assert!(Listening::open(port, "/api/events", &[&own]).is_ok());
}

#[test]
fn commands_are_answered_or_refused_with_a_sentence() {
    let station = StandIn::start();
    let port = station.port;
    let opened = command(port, r#"{"do":"open_talk","port":0,"to":"QM3BAR"}"#);
    assert_eq!((opened.status, &*opened.body), (200, r#"{"talk":7}"#));
    let said = command(port, r#"{"do":"say","talk":7,"text":"two\nlines"}"#);
    assert_eq!((said.status, &*said.body), (200, r#""done""#));
    let refused = command(port, r#"{"do":"close_talk","talk":9}"#);
    assert_eq!(refused.status, 409);
    assert_eq!(
        refused.body,
        r#"{"refused":"there is no talk number 9; open one first"}"#
    );
}

#[test]
fn what_is_no_command_is_refused_with_a_sentence() {
    let station = StandIn::start();
    let port = station.port;
    for bad in [
        "",
        "{",
        "[]",
        r#"{"do":"dance"}"#,
        r#"{"do":"say","talk":7}"#,
        r#"{"do":"say","talk":7,"text":"x","loud":true}"#,
        r#"{"do":"open_talk","port":0,"to":"NOT A CALL SIGN"}"#,
        r#"{"do":"open_talk","port":-1,"to":"QM3BAR"}"#,
        "\u{0}\u{1}\u{2}",
    ] {
        let answer = command(port, bad);
        assert!(
            (400..500).contains(&answer.status),
            "{bad}: {}",
            answer.status
        );
        assert!(
            answer
                .body
                .starts_with(r#"{"refused":"this command cannot be read"#),
            "{bad}"
        );
    }
    let long = format!(r#"{{"do":"say","talk":7,"text":"{}"}}"#, "x".repeat(70_000));
    assert_eq!(command(port, &long).status, 413);
    let lines = [&*host(port), "Content-Type: text/plain"];
    let form = send(
        port,
        "POST",
        "/api/command",
        &lines,
        r#"{"do":"close_talk","talk":1}"#,
    );
    assert_eq!(form.status, 415);
    assert!(form.body.contains("application/json"), "{}", form.body);
    assert_eq!(get(port, "/api/command").status, 405);
}

#[test]
fn the_snapshot_says_in_which_world_and_when() {
    let station = StandIn::start();
    station.publish();
    let answer = get(station.port, "/api/snapshot");
    let json: serde_json::Value = serde_json::from_str(&answer.body).expect("JSON");
    assert_eq!(json["world"], "rehearsal");
    assert_eq!(json["seq"], 1);
    assert_eq!(json["wall_ms_at_zero"], 1_700_000_000_000_i64);
    assert_eq!(json["speed"], 1.0);
    assert_eq!(json["snapshot"]["call"], "QA1SKY");
}

#[test]
fn a_port_in_use_is_named_with_what_to_do() {
    let station = StandIn::start();
    let port = station.port;
    let error = serve(WebConfig { port, ..config() }).expect_err("in use");
    assert!(matches!(error, WebError::PortInUse(p) if p == port));
    let sentence = error.to_string();
    assert!(
        sentence.contains(&port.to_string()) && sentence.contains("--port"),
        "{sentence}"
    );
}

#[test]
fn a_station_that_does_not_answer_is_said_so() {
    let web = serve(config()).expect("a free port");
    let port = web.address.port();
    let silent = std::thread::spawn(move || {
        // Takes the ask and drops its reply, as a driver does that is stopping.
        drop(web.asks.recv());
        web
    });
    let answer = get(port, "/api/snapshot");
    assert_eq!(answer.status, 503);
    assert!(
        answer.body.contains("the station does not answer"),
        "{}",
        answer.body
    );
    silent.join().expect("stopped");
}

#[test]
fn the_ways_to_a_station_are_told_and_nonsense_is_refused() {
    let station = StandIn::start();
    let answer = get(station.port, "/api/ways?to=QM3BAR-2");
    assert_eq!(answer.status, 200);
    assert_eq!(
        answer.body,
        r#"{"to":"QM3BAR-2","words":"nothing is known of a way to QM3BAR-2","ways":[]}"#
    );
    for path in ["/api/ways", "/api/ways?to=", "/api/ways?to=no-call-sign"] {
        let answer = get(station.port, path);
        assert_eq!(answer.status, 400, "{path}");
        assert!(answer.body.contains("?to=QM3BAR"), "{}", answer.body);
    }
}

#[test]
fn the_last_minute_of_a_port_comes_as_wav_and_as_sigmf() {
    let station = StandIn::start();
    let samples: Vec<u8> = crate::stand_in::minute()
        .samples
        .iter()
        .flat_map(|sample| sample.to_le_bytes())
        .collect();
    let (head, wav) = get_octets(station.port, "/api/recording?port=0&as=wav");
    assert!(head.contains("content-type: audio/wav"), "{head}");
    let name = "attachment; filename=\"vhf-20270115t080000000z.wav\"";
    assert!(head.to_lowercase().contains(name), "{head}");
    assert_eq!((&wav[..4], &wav[8..16]), (&b"RIFF"[..], &b"WAVEfmt "[..]));
    assert_eq!(wav[4..8], (wav.len() as u32 - 8).to_le_bytes());
    assert_eq!(wav[wav.len() - samples.len()..], samples);

    let (head, tar) = get_octets(station.port, "/api/recording?port=0&as=sigmf");
    assert!(head.contains("content-type: application/x-tar"), "{head}");
    let holds = |wanted: &[u8]| tar.windows(wanted.len()).any(|octets| octets == wanted);
    assert!(holds(b"\"core:datatype\": \"rf32_le\""));
    assert!(holds(b"\"core:datetime\": \"2027-01-15T08:00:00.000Z\""));
    assert!(holds(&samples[..1024]));

    let answer = get(station.port, "/api/recording?port=9&as=wav");
    assert_eq!(answer.status, 404);
    assert!(
        answer.body.contains("there is no such port"),
        "{}",
        answer.body
    );
    for path in [
        "?port=0",
        "?as=wav",
        "?port=0&as=mp3",
        "?port=300&as=wav",
        "",
    ] {
        let answer = get(station.port, &format!("/api/recording{path}"));
        assert_eq!(answer.status, 400, "{path}");
    }
}
