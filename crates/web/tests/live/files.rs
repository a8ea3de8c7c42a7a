//! The shelf of files in the API: what is put there, what comes back as a download, and who gets nothing.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

use dunlin_mail::file::{Head, hash_in_hex, hash_of};
use dunlin_station::Direction;
use dunlin_web::{Access, FileRefusal, FileReply, FileWish, WebConfig, hash_password};

use crate::client::{Response, get, get_octets, host, send};
use crate::stand_in::{StandIn, config};

/// What has come: octets that a browser would like to take for a page, under a name that wants care.
const PAGE: &[u8] = b"<html><script>alert(1)</script>\x00\xff";
const NAME: &str = "F\u{e4}hre \u{2013} plan;a='1'.html";

fn came() -> Head {
    head(NAME, PAGE)
}

fn head(name: &str, octets: &[u8]) -> Head {
    Head::new(
        name,
        Some("text/html"),
        octets.len() as u64,
        hash_of(octets),
    )
    .expect("a head")
}

/// Keeps nothing: what is put comes back in its head. A talk above 7 is over.
pub fn fulfil(wish: FileWish) -> Result<FileReply, FileRefusal> {
    match wish {
        FileWish::List => Ok(FileReply::List(vec![(came(), Direction::Received)])),
        FileWish::Put { talk, .. } if talk.is_some_and(|talk| talk.0 > 7) => Err(
            FileRefusal::Refused("the talk with QM3BAR has ended".into()),
        ),
        FileWish::Put {
            name,
            media,
            octets,
            talk,
        } => {
            let size = octets.len() as u64;
            let head = Head::new(&name, media.as_deref(), size, hash_of(&octets));
            let head = head.map_err(|wrong| FileRefusal::NotAllowed(wrong.to_string()))?;
            match octets.first() {
                Some(b'N') => Err(FileRefusal::NoRoom("full".into())),
                Some(b'L') => Err(FileRefusal::TooLarge("large".into())),
                _ => Ok(FileReply::Put {
                    head,
                    airtime: talk.map(|_| Duration::from_millis(1500)),
                }),
            }
        }
        FileWish::Fetch(hash) if hash == *came().hash() => {
            Ok(FileReply::Octets(came(), PAGE.to_vec()))
        }
        FileWish::Fetch(_) => Err(FileRefusal::NotThere),
        FileWish::Delete { hash, direction } => {
            match hash == *came().hash() && direction == Direction::Received {
                true => Ok(FileReply::Done),
                false => Err(FileRefusal::NotThere),
            }
        }
    }
}

fn put(port: u16, query: &str, lines: &[&str], body: &str) -> Response {
    let host = host(port);
    let lines: Vec<&str> = [&*host].iter().chain(lines).copied().collect();
    send(port, "POST", &format!("/api/files?{query}"), &lines, body)
}

fn json(response: &Response) -> serde_json::Value {
    serde_json::from_str(&response.body).expect("JSON")
}

#[test]
fn a_file_is_put_there_and_its_head_comes_back() {
    let station = StandIn::start();
    let lines = ["Content-Type: text/plain; charset=utf-8"];
    let answer = put(
        station.port,
        "name=tide%20table.txt&talk=7",
        &lines,
        "07:40\n",
    );
    assert_eq!(answer.status, 200, "{}", answer.body);
    let expected = serde_json::json!({
        "hash": hash_in_hex(&hash_of(b"07:40\n")), "name": "tide table.txt", "media": "text/plain", "size": 6,
        "direction": "sent", "airtime_ms": 1500,
    });
    assert_eq!(json(&answer), expected);
    // Without a talk there is no time, and without a kind that can be said there is none.
    let answer = put(station.port, "name=a", &["Content-Type: nonsense"], "x");
    let (media, airtime) = (&json(&answer)["media"], &json(&answer)["airtime_ms"]);
    assert!(media.is_null() && airtime.is_null(), "{}", answer.body);
}

#[test]
fn what_cannot_be_put_there_is_refused_with_a_sentence() {
    let station = StandIn::start();
    let long = "a".repeat(300);
    for (query, body, status) in [
        ("name=a", "", 400),
        ("", "x", 400),
        ("name=a&talk=x", "x", 400),
        ("name=", "x", 400),
        ("name=..%2Fa", "x", 400),
        ("name=a%5Cb", "x", 400),
        ("name=..", "x", 400),
        ("name=a%0D%0Ab", "x", 400),
        ("name=a%00", "x", 400),
        (&*format!("name={long}"), "x", 400),
        ("name=a&talk=9", "x", 409),
        ("name=a", "Large", 413),
        ("name=a", "No room", 507),
    ] {
        let answer = put(station.port, query, &[], body);
        assert_eq!(answer.status, status, "{query}: {}", answer.body);
        let sentence = json(&answer)["refused"].as_str().map(str::to_owned);
        assert!(sentence.is_some_and(|s| !s.is_empty()), "{query}");
    }
}

#[test]
fn another_page_puts_nothing_there_and_deletes_nothing() {
    let station = StandIn::start();
    let delete = format!(
        r#"{{"hash":"{}","direction":"received"}}"#,
        hash_in_hex(came().hash())
    );
    for line in [
        "Origin: http://x.test",
        "Origin: null",
        "Sec-Fetch-Site: cross-site",
    ] {
        let lines = [line, "Content-Type: text/plain"];
        assert_eq!(
            put(station.port, "name=a", &lines, "x").status,
            403,
            "{line}"
        );
        let lines = [&*host(station.port), line, "Content-Type: application/json"];
        let answer = send(station.port, "POST", "/api/files/delete", &lines, &delete);
        assert_eq!(answer.status, 403, "{line}");
    }
    // What a form of another page could send is no JSON.
    let lines = [&*host(station.port), "Content-Type: text/plain"];
    let answer = send(station.port, "POST", "/api/files/delete", &lines, &delete);
    assert_eq!(answer.status, 415);
}

/// Sends octets as they are, and reads until the other side closes.
fn raw(port: u16, request: &[u8], close: bool) -> String {
    let mut socket = TcpStream::connect(("127.0.0.1", port)).expect("a connection");
    let patience = Some(Duration::from_secs(20));
    socket.set_read_timeout(patience).expect("a timeout");
    // The other side may have refused already.
    let _ = socket.write_all(request);
    if close {
        let _ = socket.shutdown(Shutdown::Write);
    }
    let mut answer = Vec::new();
    let _ = socket.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn a_body_that_is_not_as_long_as_it_says_is_no_file() {
    let station = StandIn::start();
    // Who is through sending before all was sent has nothing more to say; anybody else waits for the answer, for a
    // server may take the end of a connection for a client that is gone.
    let ask_and = |length: &str, body: &str, close: bool| {
        let host = host(station.port);
        let head = format!("POST /api/files?name=a HTTP/1.1\r\n{host}\r\nConnection: close\r\n");
        raw(
            station.port,
            format!("{head}{length}\r\n\r\n{body}").as_bytes(),
            close,
        )
    };
    let ask = |length: &str, body: &str| ask_and(length, body, false);
    // What goes beyond its length is none of it.
    let longer = ask("Content-Length: 3", "abcdef");
    assert!(longer.contains("\"size\":3"), "{longer}");
    let shorter = ask_and("Content-Length: 9", "abcdef", true);
    assert!(!shorter.contains("200 OK"), "{shorter}");
    let enormous = ask("Content-Length: 99999999999", "abc");
    assert!(enormous.starts_with("HTTP/1.1 413"), "{enormous}");
    // Without a length it ends where it ends, and not beyond the limit.
    let pieces = ask(
        "Transfer-Encoding: chunked",
        "3\r\nabc\r\n2\r\nde\r\n0\r\n\r\n",
    );
    assert!(pieces.contains("\"size\":5"), "{pieces}");
    let piece = format!("f4240\r\n{}\r\n", "a".repeat(1_000_000));
    let endless = ask("Transfer-Encoding: chunked", &piece.repeat(11));
    assert!(!endless.contains("200 OK"), "{}", endless.len());
    let most = put(station.port, "name=a", &[], &"a".repeat(10_000_000));
    assert_eq!(json(&most)["size"], 10_000_000);
}

#[test]
fn two_files_at_once_are_both_taken() {
    let station = StandIn::start();
    let port = station.port;
    let begun = |octets: &str| {
        let mut socket = TcpStream::connect(("127.0.0.1", port)).expect("a connection");
        let host = host(port);
        let head = "POST /api/files?name=a HTTP/1.0\r\n";
        let request = format!("{head}{host}\r\nContent-Length: 6\r\n\r\n{octets}");
        socket.write_all(request.as_bytes()).expect("sent");
        socket
    };
    let (mut one, mut two) = (begun("abc"), begun("def"));
    let ended = |socket: &mut TcpStream, rest: &[u8]| {
        socket.write_all(rest).expect("sent");
        let mut answer = String::new();
        socket.read_to_string(&mut answer).expect("an answer");
        answer
    };
    let of_two = ended(&mut two, b"ghi");
    let of_one = ended(&mut one, b"jkl");
    assert!(
        of_two.contains(&hash_in_hex(&hash_of(b"defghi"))),
        "{of_two}"
    );
    assert!(
        of_one.contains(&hash_in_hex(&hash_of(b"abcjkl"))),
        "{of_one}"
    );
}

#[test]
fn what_has_come_is_a_download_and_never_a_page() {
    let station = StandIn::start();
    let path = format!("/api/files/{}", hash_in_hex(came().hash()));
    let (head, octets) = get_octets(station.port, &path);
    assert!(head.starts_with("http/1.0 200"), "{head}");
    assert_eq!(octets, PAGE);
    for line in [
        "content-type: application/octet-stream\r\n",
        "x-content-type-options: nosniff\r\n",
        "content-disposition: attachment; filename=\"f_hre _ plan_a__1_.html\"; \
         filename*=utf-8''f%c3%a4hre%20%e2%80%93%20plan%3ba%3d%271%27.html\r\n",
    ] {
        assert!(head.contains(line), "{line} in {head}");
    }
    let capitals = path.to_uppercase().replace("/API/FILES", "/api/files");
    assert_eq!(get_octets(station.port, &capitals).1, PAGE);
    let other = format!("/api/files/{}", "0".repeat(64));
    assert_eq!(get(station.port, &other).status, 404);
    for none in [
        "/api/files/abc",
        "/api/files/..%2F..%2Fetc",
        "/api/files/%00",
    ] {
        assert_eq!(get(station.port, none).status, 400, "{none}");
    }
}

#[test]
fn what_is_there_is_listed_and_deleted() {
    let station = StandIn::start();
    let list = json(&get(station.port, "/api/files"));
    assert_eq!(list["files"][0]["name"], NAME);
    assert_eq!(list["files"][0]["direction"], "received");
    let delete = |hash: &str, direction: &str| {
        let body = format!(r#"{{"hash":"{hash}","direction":"{direction}"}}"#);
        let lines = [&*host(station.port), "Content-Type: application/json"];
        send(station.port, "POST", "/api/files/delete", &lines, &body).status
    };
    let hash = hash_in_hex(came().hash());
    assert_eq!(delete(&hash, "received"), 200);
    assert_eq!(delete(&hash, "sent"), 404);
    assert_eq!(delete("abc", "received"), 400);
    assert_eq!(delete(&hash, "both"), 422);
}

#[test]
fn guests_get_no_file_and_put_none_there() {
    let access = Access {
        password_hash: hash_password("open sesame, please").expect("a hash"),
        guest: true,
    };
    let station = StandIn::with(WebConfig {
        access: Some(access),
        ..config()
    });
    let path = format!("/api/files/{}", hash_in_hex(came().hash()));
    for path in [&*path, "/api/files"] {
        let answer = get(station.port, path);
        assert_eq!(answer.status, 403, "{path}");
        assert!(!answer.body.contains("alert"), "{}", answer.body);
    }
    assert_eq!(put(station.port, "name=a", &[], "x").status, 403);
}
