//! A plain HTTP client over a socket, small enough to send what no library would.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, TcpStream};
use std::time::Duration;

/// Status line and headers, lower-cased, and body of one exchange.
pub struct Response {
    pub status: u16,
    pub head: String,
    pub body: String,
}

/// Sends a request; `lines` are further header lines. HTTP/1.0 keeps bodies unchunked and
/// ends them with the connection (RFC 1945 section 7.2.2).
pub fn send(port: u16, method: &str, path: &str, lines: &[&str], body: &str) -> Response {
    let (mut reader, head) = begin(port, method, path, lines, body);
    let mut body = String::new();
    reader.read_to_string(&mut body).expect("a body");
    let status = head[9..12].parse().expect("a status");
    Response { status, head, body }
}

/// A GET with the proper Host whose answer is no text: head and body.
pub fn get_octets(port: u16, path: &str) -> (String, Vec<u8>) {
    let (mut reader, head) = begin(port, "GET", path, &[&host(port)], "");
    let mut body = Vec::new();
    reader.read_to_end(&mut body).expect("a body");
    (head, body)
}

/// A GET with the proper Host.
pub fn get(port: u16, path: &str) -> Response {
    send(port, "GET", path, &[&host(port)], "")
}

/// A command as a page sends it.
pub fn command(port: u16, json: &str) -> Response {
    let lines = [&*host(port), "Content-Type: application/json"];
    send(port, "POST", "/api/command", &lines, json)
}

pub fn host(port: u16) -> String {
    format!("Host: 127.0.0.1:{port}")
}

fn begin(
    port: u16,
    method: &str,
    path: &str,
    lines: &[&str],
    body: &str,
) -> (BufReader<TcpStream>, String) {
    let mut socket = TcpStream::connect(("127.0.0.1", port)).expect("a connection");
    let patience = Some(Duration::from_secs(20));
    socket.set_read_timeout(patience).expect("a timeout");
    let mut request = format!("{method} {path} HTTP/1.0\r\n");
    for line in lines {
        request.push_str(&format!("{line}\r\n"));
    }
    request.push_str(&format!("Content-Length: {}\r\n\r\n{body}", body.len()));
    // The far end may refuse and close before it has read all of a long body.
    let _ = socket.write_all(request.as_bytes());
    let mut reader = BufReader::new(socket);
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        let read = reader.read_line(&mut head).expect("a response");
        assert!(read > 0, "the response ended in its head: {head:?}");
    }
    (reader, head.to_lowercase())
}

/// One server-sent event.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Told {
    pub id: String,
    pub event: String,
    pub data: String,
}

/// An open stream of events.
pub struct Listening(BufReader<TcpStream>);

impl Listening {
    /// Opens the stream; `Err` holds the status if it is refused.
    pub fn open(port: u16, path: &str, lines: &[&str]) -> Result<Listening, u16> {
        let host = host(port);
        let all: Vec<&str> = [&*host].iter().chain(lines).copied().collect();
        let (reader, head) = begin(port, "GET", path, &all, "");
        let status = head[9..12].parse().expect("a status");
        if status != 200 {
            return Err(status);
        }
        assert!(head.contains("content-type: text/event-stream"), "{head}");
        Ok(Listening(reader))
    }

    /// The next event, "now" events included.
    pub fn next(&mut self) -> Told {
        let mut told = Told::default();
        loop {
            let mut line = String::new();
            let read = self.0.read_line(&mut line).expect("a line");
            assert!(read > 0, "the stream ended");
            match line.trim_end_matches(['\r', '\n']).split_once(": ") {
                Some(("id", id)) => told.id = id.into(),
                Some(("event", event)) => told.event = event.into(),
                Some(("data", data)) => told.data = data.into(),
                _ if line == "\n" && told != Told::default() => return told,
                _ => {}
            }
        }
    }

    /// The next event that is not "now".
    pub fn next_news(&mut self) -> Told {
        loop {
            let told = self.next();
            if told.event != "now" {
                return told;
            }
        }
    }

    /// Breaks the connection without a farewell.
    pub fn kill(self) {
        let _ = self.0.get_ref().shutdown(Shutdown::Both);
    }
}
