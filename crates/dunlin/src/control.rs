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
use dunlin_station::{Command, Direction, TalkId};
use serde::{Deserialize, Serialize};

/// Longest question or answer, octets.
const MOST_OCTETS: u64 = 1 << 20;
/// Octets of a file that come behind a question or an answer, at most: as large as a plan allows files.
const MOST_FILE: u64 = 10_000_000;
/// Longest wait for the other side.
const PATIENCE: Duration = Duration::from_secs(3);
/// The same where a disk has to be waited for.
const PATIENCE_FOR_FILES: Duration = Duration::from_secs(30);
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
    /// The talks, their files, and the files that are kept.
    Files,
    /// Keep a file, to be offered in a talk, and reckon its time on the air there. Its octets come behind the question.
    PutFile {
        /// Its name, as it may be stored at the other end.
        name: String,
        /// The kind of media, as `image/png`.
        media: Option<String>,
        /// The talk.
        talk: TalkId,
        /// Octets of it.
        size: u64,
    },
    /// A file that has come. Its octets come behind the answer.
    FetchFile {
        /// Its SHA-256, in hex.
        hash: String,
    },
    /// Delete a file that is kept.
    DeleteFile {
        /// Its SHA-256, in hex.
        hash: String,
        /// Received, or kept to be offered.
        direction: Direction,
    },
    /// Offer, answer or stop a file of a talk.
    File {
        /// One of these three commands.
        command: Command,
    },
}

impl Request {
    /// Octets that come behind it.
    fn follow(&self) -> u64 {
        match self {
            Request::PutFile { size, .. } => *size,
            _ => 0,
        }
    }

    fn patience(&self) -> Duration {
        match self {
            Request::Why { .. }
            | Request::Ways { .. }
            | Request::Stop { .. }
            | Request::Start { .. } => PATIENCE,
            _ => PATIENCE_FOR_FILES,
        }
    }
}

/// What the station answers.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// It was done.
    pub done: bool,
    /// For people.
    pub text: String,
    /// The same for programs, where there is more to say.
    #[serde(default)]
    pub detail: serde_json::Value,
    /// How many octets come behind it.
    #[serde(default)]
    follow: u64,
    /// These.
    #[serde(skip)]
    pub octets: Vec<u8>,
}

impl Response {
    /// Not done, and why.
    pub fn refused(text: impl Into<String>) -> Response {
        Response {
            done: false,
            text: text.into(),
            ..Response::default()
        }
    }

    /// Done.
    pub fn done(text: impl Into<String>) -> Response {
        Response {
            done: true,
            text: text.into(),
            ..Response::default()
        }
    }

    /// Done, with more for programs.
    pub fn with(text: impl Into<String>, detail: serde_json::Value) -> Response {
        Response {
            detail,
            ..Response::done(text)
        }
    }
}

/// A question and where its answer goes.
#[derive(Debug)]
pub struct Asked {
    /// The question.
    pub request: Request,
    /// The octets that came behind it.
    pub octets: Vec<u8>,
    /// Its answer; if this is dropped, the asker is told that there is none.
    pub reply: mpsc::Sender<Response>,
}

/// Asks the station behind a socket.
///
/// # Errors
/// It does not answer.
pub fn ask(socket: &Path, request: &Request) -> Result<Response> {
    ask_with(socket, request, &[])
}

/// The same, with octets that come behind the question.
///
/// # Errors
/// It does not answer.
pub fn ask_with(socket: &Path, request: &Request, octets: &[u8]) -> Result<Response> {
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
    // A little longer than the station itself waits, so that what it says is heard.
    stream.set_read_timeout(Some(request.patience() + PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    let mut line = serde_json::to_vec(request)?;
    line.push(b'\n');
    stream.write_all(&line).with_context(silent)?;
    // A station that refuses early reads no more; its answer says why.
    let sent = stream.write_all(octets);
    let mut reader = BufReader::new(&stream);
    let answer = read_line(&mut reader).with_context(silent)?;
    let answer = serde_json::from_slice(&answer);
    let mut answer: Response = answer.context("the station's answer is not understood")?;
    if answer.done {
        sent.with_context(silent)?;
    }
    answer.octets = read_octets(&mut reader, answer.follow).with_context(silent)?;
    Ok(answer)
}

fn read_octets(reader: &mut impl Read, count: u64) -> Result<Vec<u8>> {
    if count > MOST_FILE {
        bail!("a file of {count} octets; at most {MOST_FILE} are taken");
    }
    let mut octets = vec![0; usize::try_from(count)?];
    reader.read_exact(&mut octets)?;
    Ok(octets)
}

fn read_line(reader: &mut impl BufRead) -> Result<Vec<u8>> {
    let mut line = Vec::new();
    reader.take(MOST_OCTETS).read_until(b'\n', &mut line)?;
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
    let mut reader = BufReader::new(stream);
    let Ok(line) = read_line(&mut reader) else {
        return; // Gone, or nothing asked.
    };
    let question = serde_json::from_slice(&line).map(|request: Request| {
        let octets = read_octets(&mut reader, request.follow());
        (request, octets)
    });
    let mut response = match question {
        Ok((request, Ok(octets))) => {
            let (reply, answers) = mpsc::channel();
            let patience = request.patience();
            deliver(Asked {
                request,
                octets,
                reply,
            });
            answers
                .recv_timeout(patience)
                .unwrap_or_else(|_| Response::refused("the station is too busy to answer"))
        }
        Ok((_, Err(error))) => Response::refused(format!("the file did not come whole: {error}")),
        Err(error) => Response::refused(format!("this question is not understood: {error}")),
    };
    response.follow = response.octets.len() as u64;
    if let Ok(mut line) = serde_json::to_vec(&response) {
        line.push(b'\n');
        // Who has gone needs no answer.
        let _ = stream
            .write_all(&line)
            .and_then(|()| stream.write_all(&response.octets));
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
    fn octets_go_behind_a_question_and_an_answer_and_too_many_are_refused() {
        let dir = tempfile::tempdir().expect("a directory");
        let socket = dir.path().join("control");
        listen(&socket, |asked| {
            let mut response = Response::done("");
            response.octets = asked.octets.iter().rev().copied().collect();
            let _ = asked.reply.send(response);
        })
        .expect("listens");
        let put = |size| Request::PutFile {
            name: "a".into(),
            media: None,
            talk: TalkId(1),
            size,
        };
        let octets: Vec<u8> = (0..100_000u32).map(|n| (n % 251) as u8).collect();
        let response = ask_with(&socket, &put(100_000), &octets).expect("answers");
        let back: Vec<u8> = octets.into_iter().rev().collect();
        assert_eq!(response.octets, back);
        let response = ask_with(&socket, &put(MOST_FILE + 1), b"abc").expect("answers");
        assert!(!response.done && response.text.contains("at most"));
    }

    #[test]
    fn what_is_not_understood_is_refused_and_silence_is_told() {
        let dir = tempfile::tempdir().expect("a directory");
        let socket = dir.path().join("control");
        assert!(ask(&socket, &Request::Why { port: None }).is_err());
        listen(&socket, |asked| drop(asked.reply)).expect("listens");
        let mut stream = UnixStream::connect(&socket).expect("connects");
        stream.write_all(b"{\"ask\": \"sing\"}\n").expect("sent");
        let line = read_line(&mut BufReader::new(&stream)).expect("a line");
        let response: Response = serde_json::from_slice(&line).expect("an answer");
        assert!(!response.done && response.text.contains("not understood"));
        let response = ask(&socket, &Request::Why { port: None }).expect("an answer");
        assert!(!response.done && response.text.contains("busy"));
    }
}
