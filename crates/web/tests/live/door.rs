//! The page beyond loopback: the password, guests, who asked, TLS.

use std::io::{Read, Write};
use std::net::{IpAddr, Ipv4Addr, TcpStream};
use std::sync::{Arc, OnceLock};

use dunlin_web::{Access, Tls, WebConfig, WebError, hash_password, serve};

use crate::client::{Listening, Response, get, host, send};
use crate::stand_in::{METRICS, StandIn, config};

const PASSWORD: &str = "seagulls over Barra";

fn hash() -> String {
    static HASH: OnceLock<String> = OnceLock::new();
    HASH.get_or_init(|| hash_password(PASSWORD).expect("a hash"))
        .clone()
}

fn locked(guest: bool) -> WebConfig {
    WebConfig {
        access: Some(Access {
            password_hash: hash(),
            guest,
        }),
        ..config()
    }
}

fn post(port: u16, path: &str, more: &[&str], json: &str) -> Response {
    let host = host(port);
    let mut lines = vec![&*host, "Content-Type: application/json"];
    lines.extend(more);
    send(port, "POST", path, &lines, json)
}

fn log_in(port: u16, password: &str) -> Response {
    post(
        port,
        "/api/log-in",
        &[],
        &format!(r#"{{"password":"{password}"}}"#),
    )
}

/// The header line with the cookie that a log-in gave.
fn cookie(response: &Response) -> String {
    assert_eq!(response.status, 200, "{}", response.body);
    let line = response
        .head
        .lines()
        .find(|line| line.starts_with("set-cookie: "));
    let line = line.expect("a cookie");
    assert!(
        line.contains("; httponly") && line.contains("; samesite=strict"),
        "{line}"
    );
    let pair = line["set-cookie: ".len()..]
        .split(';')
        .next()
        .expect("a pair");
    format!("Cookie: other=1; {pair}")
}

#[test]
fn without_the_password_one_gets_the_log_in_page_and_nothing_of_the_station() {
    let station = StandIn::with(locked(false));
    let port = station.port;
    let page = get(port, "/");
    assert_eq!(page.status, 303);
    assert!(page.head.contains("location: /log-in"), "{}", page.head);
    assert!(get(port, "/log-in").body.contains("<title>Log in"));
    assert_eq!(
        get(port, "/api/visitor").body,
        r#"{"role":"nobody","locked":true}"#
    );
    for path in ["/api/snapshot", "/metrics", "/nothing"] {
        let answer = get(port, path);
        assert_eq!(answer.status, 401, "{path}");
        assert!(answer.body.contains("log in first"), "{}", answer.body);
    }
    assert_eq!(Listening::open(port, "/api/events", &[]).err(), Some(401));
    let stop = r#"{"do":"stop","by":""}"#;
    assert_eq!(post(port, "/api/command", &[], stop).status, 401);
    let forged = format!("Cookie: dunlin-session={}", "0".repeat(64));
    assert_eq!(post(port, "/api/command", &[&forged], stop).status, 401);
}

#[test]
fn the_password_opens_and_logging_out_shuts_again_also_an_open_stream() {
    let station = StandIn::with(locked(false));
    let port = station.port;
    let wrong = log_in(port, "seagulls over barra");
    assert_eq!(wrong.status, 403);
    assert!(wrong.body.contains("not the password") && !wrong.body.contains("barra"));
    assert!(!wrong.head.contains("set-cookie"));
    let cookie = cookie(&log_in(port, PASSWORD));
    let host = host(port);
    let with = |path| send(port, "GET", path, &[&host, &cookie], "");
    assert_eq!(with("/").status, 200);
    let snapshot = with("/api/snapshot");
    assert!(
        snapshot.body.contains(r#""role":"operator""#),
        "{}",
        snapshot.body
    );
    let mut stream = Listening::open(port, "/api/events", &[&cookie]).expect("a stream");
    assert_eq!(stream.next_news().event, "snapshot");
    let out = post(port, "/api/log-out", &[&cookie], "{}");
    assert!(out.head.contains("max-age=0"), "{}", out.head);
    assert_eq!(with("/api/snapshot").status, 401);
    let ended = std::thread::spawn(move || {
        loop {
            stream.next();
        }
    });
    assert!(
        ended.join().is_err(),
        "the stream goes on after the log-out"
    );
}

#[test]
fn a_guest_sees_everything_and_commands_nothing() {
    let station = StandIn::with(locked(true));
    let port = station.port;
    assert_eq!(get(port, "/").status, 200);
    assert!(
        get(port, "/api/snapshot")
            .body
            .contains(r#""role":"guest""#)
    );
    assert!(Listening::open(port, "/api/events", &[]).is_ok());
    assert_eq!(get(port, "/metrics").body, METRICS);
    for json in [
        r#"{"do":"stop","by":""}"#,
        r#"{"do":"close_talk","talk":1}"#,
        "{",
    ] {
        let answer = post(port, "/api/command", &[], json);
        assert_eq!(answer.status, 403, "{json}");
        assert!(
            answer.body.contains("guests see everything"),
            "{}",
            answer.body
        );
    }
    let cookie = cookie(&log_in(port, PASSWORD));
    let json = r#"{"do":"say","talk":7,"text":"x"}"#;
    assert_eq!(post(port, "/api/command", &[&cookie], json).status, 200);
}

#[test]
fn a_guest_sees_the_heads_of_bulletins_and_no_other_mail() {
    let station = StandIn::with(locked(true));
    let port = station.port;
    assert_eq!(get(port, "/api/mail?which=bulletins").status, 200);
    for path in [
        "/api/mail",
        "/api/mail?which=unread",
        "/api/mail?which=held",
        "/api/mail/search?words=ferry",
        "/api/mail/counts",
    ] {
        let answer = get(port, path);
        assert_eq!(answer.status, 403, "{path}");
        assert!(
            answer.body.contains("heads of bulletins"),
            "{}",
            answer.body
        );
    }
    let named = r#"{"id":"QM3BAR:0000000000001"}"#;
    for what in [
        "open",
        "write",
        "reckon",
        "release",
        "hold",
        "delete",
        "recall",
        "radiogram",
        "originate",
        "conclude",
    ] {
        let path = format!("/api/mail/{what}");
        assert_eq!(post(port, &path, &[], named).status, 403, "{path}");
    }
    let cookie = cookie(&log_in(port, PASSWORD));
    assert_eq!(post(port, "/api/mail/open", &[&cookie], named).status, 200);
}

#[test]
fn wrong_passwords_make_one_wait() {
    let station = StandIn::with(locked(false));
    let port = station.port;
    let tries: Vec<Response> = (0..4)
        .map(|_| log_in(port, "not this one, surely"))
        .collect();
    let statuses: Vec<u16> = tries.iter().map(|answer| answer.status).collect();
    assert_eq!(statuses, [403, 403, 403, 429]);
    assert!(
        tries[3].head.contains("retry-after: 1"),
        "{}",
        tries[3].head
    );
    assert!(tries[3].body.contains("wait 1 s"), "{}", tries[3].body);
    assert_eq!(log_in(port, PASSWORD).status, 429, "not even the right one");
    std::thread::sleep(std::time::Duration::from_millis(1100));
    assert_eq!(log_in(port, PASSWORD).status, 200);
}

#[test]
fn another_page_cannot_log_in_or_use_the_cookie() {
    let station = StandIn::with(locked(false));
    let port = station.port;
    let body = format!(r#"{{"password":"{PASSWORD}"}}"#);
    let other = "Origin: http://elsewhere.test";
    assert_eq!(post(port, "/api/log-in", &[other], &body).status, 403);
    let cookie = cookie(&log_in(port, PASSWORD));
    let json = r#"{"do":"say","talk":7,"text":"x"}"#;
    assert_eq!(
        post(port, "/api/command", &[&cookie, other], json).status,
        403
    );
    let site = "Sec-Fetch-Site: cross-site";
    assert_eq!(
        post(port, "/api/command", &[&cookie, site], json).status,
        403
    );
    let form = [&*host(port), &*cookie, "Content-Type: text/plain"];
    assert_eq!(send(port, "POST", "/api/command", &form, json).status, 415);
    let form = [
        &*host(port),
        "Content-Type: application/x-www-form-urlencoded",
    ];
    assert_eq!(send(port, "POST", "/api/log-in", &form, &body).status, 415);
}

#[test]
fn what_is_no_password_is_refused_without_repeating_it() {
    let station = StandIn::with(locked(false));
    for bad in [
        "",
        "{",
        r#"{"password":7041776}"#,
        r#"{"password":"x","pin":7041776}"#,
    ] {
        let answer = post(station.port, "/api/log-in", &[], bad);
        assert!(
            (400..500).contains(&answer.status),
            "{bad}: {}",
            answer.status
        );
        assert!(!answer.body.contains("7041776"), "{}", answer.body);
    }
    let open = StandIn::start();
    assert_eq!(
        log_in(open.port, PASSWORD).status,
        409,
        "there is no password"
    );
}

#[test]
fn who_stopped_it_is_what_the_server_knows() {
    let station = StandIn::start();
    for command in ["stop", "start"] {
        let json = format!(r#"{{"do":"{command}","by":"the harbour master"}}"#);
        let answer = post(station.port, "/api/command", &[], &json);
        assert!(
            answer.body.contains("by the page on this machine"),
            "{}",
            answer.body
        );
        assert!(!answer.body.contains("harbour"), "{}", answer.body);
    }
}

#[test]
fn beyond_loopback_it_is_not_served_without_a_password() {
    let everywhere = IpAddr::V4(Ipv4Addr::UNSPECIFIED);
    let open = WebConfig {
        address: everywhere,
        ..config()
    };
    let error = serve(open).expect_err("no password");
    assert!(matches!(error, WebError::NoPassword(address) if address == everywhere));
    assert!(error.to_string().contains("dunlin password"), "{error}");
    let mut bad = locked(false);
    bad.access = Some(Access {
        password_hash: PASSWORD.into(),
        guest: false,
    });
    let sentence = serve(bad).expect_err("no hash").to_string();
    assert!(
        sentence.contains("dunlin password") && !sentence.contains(PASSWORD),
        "{sentence}"
    );
    let station = StandIn::with(WebConfig {
        address: everywhere,
        ..locked(false)
    });
    assert_eq!(get(station.port, "/log-in").status, 200);
    let named = format!("Host: station.test:{}", station.port);
    let answer = send(station.port, "GET", "/log-in", &[&named], "");
    assert_eq!(answer.status, 403);
    assert!(answer.body.contains("address in digits"), "{}", answer.body);
}

#[test]
fn the_figures_come_in_the_format_of_prometheus() {
    let station = StandIn::start();
    let answer = get(station.port, "/metrics");
    assert_eq!((answer.status, &*answer.body), (200, METRICS));
    let kind = "content-type: text/plain; version=0.0.4; charset=utf-8";
    assert!(answer.head.contains(kind), "{}", answer.head);
}

/// One exchange under TLS by a client that trusts only this certificate.
fn send_tls(port: u16, root: &rcgen::Certificate, request: &str) -> std::io::Result<String> {
    let mut roots = rustls::RootCertStore::empty();
    roots.add(root.der().clone()).expect("a certificate");
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("versions")
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = "localhost".try_into().expect("a name");
    let client = rustls::ClientConnection::new(Arc::new(config), name).expect("a client");
    let mut stream = rustls::StreamOwned::new(client, TcpStream::connect(("127.0.0.1", port))?);
    stream.write_all(request.as_bytes())?;
    let mut answer = Vec::new();
    // The far end may close without a farewell once all is said (HTTP/1.0).
    match stream.read_to_end(&mut answer) {
        Err(error) if error.kind() != std::io::ErrorKind::UnexpectedEof => Err(error),
        _ => Ok(String::from_utf8_lossy(&answer).into_owned()),
    }
}

#[test]
fn under_tls_the_cookie_is_marked_secure_and_plain_http_gets_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).expect("a pair");
    let tls = Tls {
        certificate: folder.path().join("page.crt"),
        key: folder.path().join("page.key"),
    };
    std::fs::write(&tls.certificate, made.cert.pem()).expect("written");
    std::fs::write(&tls.key, made.signing_key.serialize_pem()).expect("written");
    let station = StandIn::with(WebConfig {
        tls: Some(tls.clone()),
        ..locked(false)
    });
    let port = station.port;
    let body = format!(r#"{{"password":"{PASSWORD}"}}"#);
    let request = format!(
        "POST /api/log-in HTTP/1.0\r\nHost: localhost:{port}\r\nOrigin: https://localhost:{port}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    let answer = send_tls(port, &made.cert, &request).expect("an answer");
    assert!(answer.starts_with("HTTP/1.0 200"), "{answer}");
    assert!(
        answer.contains("__Host-dunlin-session=") && answer.contains("; Secure"),
        "{answer}"
    );
    let plain = request.replace("https://", "http://");
    let refused = send_tls(port, &made.cert, &plain).expect("an answer");
    assert!(
        refused.starts_with("HTTP/1.0 403"),
        "an origin without TLS: {refused}"
    );
    let other = rcgen::generate_simple_self_signed(["localhost".to_owned()]).expect("a pair");
    assert!(
        send_tls(port, &other.cert, &request).is_err(),
        "another certificate"
    );
    let mut bare = TcpStream::connect(("127.0.0.1", port)).expect("a connection");
    bare.write_all(b"GET / HTTP/1.0\r\n\r\n").expect("sent");
    let mut answer = Vec::new();
    let _ = bare.read_to_end(&mut answer);
    assert!(!answer.starts_with(b"HTTP"), "{answer:?}");
    std::fs::write(&tls.key, "no key").expect("written");
    let again = WebConfig {
        tls: Some(tls),
        ..config()
    };
    let error = serve(again).expect_err("no key").to_string();
    assert!(
        error.contains("page.key") && error.contains("PEM"),
        "{error}"
    );
}
