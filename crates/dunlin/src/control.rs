//! How other commands talk to a running station: one line of JSON to the socket in its state
//! directory, one line back. Whoever may write to that directory may ask.

use std::io::{BufRead, BufReader, ErrorKind, Read, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use anyhow::{Context, Result, bail};
use dunlin_clock::Duration;
use serde::{Deserialize, Serialize};

/// Longest question or answer, octets.
const MOST_OCTETS: u64 = 1 << 20;
/// Longest wait for the other side.
const PATIENCE: Duration = Duration::from_secs(3);
/// Questions answered at the same time.
const MOST_ASKERS: usize = 16;
/// Longest path of a socket that every Linux takes (sockaddr_un, unix(7)), octets.
const LONGEST_PATH: usize = 107;

/// What is asked of a running station. Ports by their names in the plan, in any case.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "snake_case", deny_unknown_fields)]
pub enum Request {
    /// What each port does, and why it does not transmit.
    Why {
        /// One port only.
        port: Option<String>,
    },
    /// By which ways a station can be reached.
    Ways {
        /// Its call sign.
        to: String,
    },
    /// Release every key and hold what is queued.
    Stop {
        /// One port only.
        port: Option<String>,
        /// Who asks.
        by: String,
        /// Why.
        why: String,
    },
    /// Allow again what was stopped.
    Start {
        /// One port only.
        port: Option<String>,
        /// Who asks.
        by: String,
    },
}

/// What the station answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// It was done.
    pub done: bool,
    /// For people.
    pub text: String,
    /// The same for programs, where there is more to say.
    #[serde(default)]
    pub detail: serde_json::Value,
}

impl Response {
    /// Not done, and why.
    pub fn refused(text: impl Into<String>) -> Response {
        Response {
            done: false,
            text: text.into(),
            detail: serde_json::Value::Null,
        }
    }

    /// Done.
    pub fn done(text: impl Into<String>) -> Response {
        Response {
            done: true,
            text: text.into(),
            detail: serde_json::Value::Null,
        }
    }
}

/// A question and where its answer goes.
#[derive(Debug)]
pub struct Asked {
    /// The question.
    pub request: Request,
    /// Its answer; if this is dropped, the asker is told that there is none.
    pub reply: mpsc::Sender<Response>,
}

/// Asks the station behind a socket.
///
/// # Errors
/// It does not answer.
pub fn ask(socket: &Path, request: &Request) -> Result<Response> {
    let silent = || {
        format!(
            "the station does not answer at {}; if it hangs, cut the power of its radios first, \
             then end its process",
            socket.display()
        )
    };
    let mut stream = match UnixStream::connect(socket) {
        Err(error) if error.kind() == ErrorKind::PermissionDenied => bail!(
            "you may not ask the station at {}: it belongs to another user. Try with sudo, or as \
             that user",
            socket.display()
        ),
        other => other.with_context(silent)?,
    };
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut line = serde_json::to_vec(request)?;
    line.push(b'\n');
    stream.write_all(&line).with_context(silent)?;
    let answer = read_line(&stream).with_context(silent)?;
    serde_json::from_slice(&answer).context("the station's answer is not understood")
}

fn read_line(stream: &UnixStream) -> Result<Vec<u8>> {
    let mut line = Vec::new();
    BufReader::new(stream.take(MOST_OCTETS)).read_until(b'\n', &mut line)?;
    if !line.ends_with(b"\n") {
        bail!("the line has no end");
    }
    Ok(line)
}

/// Listens on `socket` and hands every question to `deliver`, until the program ends.
///
/// # Errors
/// The socket cannot be made.
pub fn listen(socket: &Path, deliver: impl Fn(Asked) + Send + Sync + 'static) -> Result<()> {
    if socket.as_os_str().len() > LONGEST_PATH {
        bail!(
            "the path {} is too long for a socket ({LONGEST_PATH} octets at most); name a shorter \
             place with --state",
            socket.display()
        );
    }
    // What an earlier run left; the lock says that it is over.
    let _ = std::fs::remove_file(socket);
    let listener = UnixListener::bind(socket)
        .with_context(|| format!("cannot listen at {}", socket.display()))?;
    let deliver = Arc::new(deliver);
    let askers = Arc::new(AtomicUsize::new(0));
    let serve = move || {
        for stream in listener.incoming() {
            let Ok(stream) = stream else {
                // Out of file handles, most likely: not again at once.
                std::thread::sleep(Duration::from_millis(100));
                continue;
            };
            if askers.fetch_add(1, Ordering::Relaxed) >= MOST_ASKERS {
                askers.fetch_sub(1, Ordering::Relaxed);
                continue;
            }
            let (deliver, waiting) = (deliver.clone(), askers.clone());
            let askers = waiting.clone();
            let answer = move || {
                answer(&stream, &*deliver);
                askers.fetch_sub(1, Ordering::Relaxed);
            };
            let named = std::thread::Builder::new().name("dunlin-asked".into());
            if named.spawn(answer).is_err() {
                // Without a thread the stream is closed, which the asker sees.
                waiting.fetch_sub(1, Ordering::Relaxed);
            }
        }
    };
    std::thread::Builder::new()
        .name("dunlin-control".into())
        .spawn(serve)
        .context("no thread for the control socket")?;
    Ok(())
}

fn answer(mut stream: &UnixStream, deliver: &dyn Fn(Asked)) {
    let _ = stream.set_read_timeout(Some(PATIENCE));
    let _ = stream.set_write_timeout(Some(PATIENCE));
    let response = match read_line(stream).map(|line| serde_json::from_slice(&line)) {
        Ok(Ok(request)) => {
            let (reply, answers) = mpsc::channel();
            deliver(Asked { request, reply });
            answers
                .recv_timeout(PATIENCE)
                .unwrap_or_else(|_| Response::refused("the station is too busy to answer"))
        }
        Ok(Err(error)) => Response::refused(format!("this question is not understood: {error}")),
        Err(_) => return, // Gone, or nothing asked.
    };
    if let Ok(mut line) = serde_json::to_vec(&response) {
        line.push(b'\n');
        let _ = stream.write_all(&line); // Who has gone needs no answer.
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_question_reaches_the_station_and_its_answer_comes_back() {
        let dir = tempfile::tempdir().expect("a directory");
        let socket = dir.path().join("control");
        listen(&socket, |asked| {
            let text = format!("{:?}", asked.request);
            let _ = asked.reply.send(Response::done(text));
        })
        .expect("listens");
        let request = Request::Why {
            port: Some("VHF".into()),
        };
        let response = ask(&socket, &request).expect("answers");
        assert!(response.done && response.text.contains("VHF"));
    }

    #[test]
    fn what_is_not_understood_is_refused_and_silence_is_told() {
        let dir = tempfile::tempdir().expect("a directory");
        let socket = dir.path().join("control");
        assert!(ask(&socket, &Request::Why { port: None }).is_err());
        listen(&socket, |asked| drop(asked.reply)).expect("listens");
        let mut stream = UnixStream::connect(&socket).expect("connects");
        stream.write_all(b"{\"ask\": \"sing\"}\n").expect("sent");
        let line = read_line(&stream).expect("a line");
        let response: Response = serde_json::from_slice(&line).expect("an answer");
        assert!(!response.done && response.text.contains("not understood"));
        let response = ask(&socket, &Request::Why { port: None }).expect("an answer");
        assert!(!response.done && response.text.contains("busy"));
    }
}
