//! A `dunlin run` of its own process, and its API.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;

/// The program under test, with `arguments`, on the sound server at `server`.
pub fn dunlin(server: &str, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dunlin"));
    command
        .args(arguments)
        .env("PULSE_SERVER", server)
        .env("HOME", "/nonexistent");
    command
        .env_remove("XDG_RUNTIME_DIR")
        .env_remove("PULSE_RUNTIME_PATH");
    command
}

/// A station that runs until it is told to stop.
pub struct Running {
    child: Child,
    output: Arc<Mutex<String>>,
    /// Where the page is, `127.0.0.1:N`.
    pub address: String,
}

impl Running {
    /// Starts the station of `plan`; its journal goes beside `journal`.
    pub fn start(server: &str, plan: &Path, journal: &Path) -> Self {
        let plan = plan.to_str().expect("a plain path");
        let journal = journal.to_str().expect("a plain path");
        let mut child = dunlin(server, &["run", plan, "--port", "0", "--journal", journal])
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the program starts");
        let output = Arc::new(Mutex::new(String::new()));
        let mut lines = BufReader::new(child.stdout.take().expect("piped"));
        let kept = output.clone();
        std::thread::spawn(move || {
            let mut line = String::new();
            while lines.read_line(&mut line).is_ok_and(|n| n > 0) {
                kept.lock().expect("not poisoned").push_str(&line);
                line.clear();
            }
        });
        let mut running = Running {
            child,
            output,
            address: String::new(),
        };
        running.address = running.wait_for_page();
        running
    }

    fn wait_for_page(&mut self) -> String {
        let limit = Instant::now() + Duration::from_secs(60);
        loop {
            let output = self.output();
            let page = output.lines().find_map(|l| l.split_once("http://"));
            if let Some((_, rest)) = page {
                return rest.trim_end_matches('/').to_owned();
            }
            let ended = self.child.try_wait().expect("a child of ours");
            assert!(ended.is_none(), "it ended: {ended:?}\n{output}");
            assert!(Instant::now() < limit, "no page within a minute:\n{output}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// What it has printed so far.
    pub fn output(&self) -> String {
        self.output.lock().expect("not poisoned").clone()
    }

    /// The state of the station.
    pub fn snapshot(&self) -> Value {
        let (status, body) = self.request("GET", "/api/snapshot", "");
        assert_eq!(status, 200, "{body}");
        body["snapshot"].clone()
    }

    /// Gives a command; the answer, and whether it was carried out.
    pub fn command(&self, command: &Value) -> (u16, Value) {
        self.request("POST", "/api/command", &command.to_string())
    }

    /// Asks the API; status and answer.
    pub fn request(&self, method: &str, path: &str, body: &str) -> (u16, Value) {
        let (head, body) = self.exchange(method, path, body);
        let status = head
            .split(' ')
            .nth(1)
            .and_then(|s| s.parse().ok())
            .expect("a status");
        (
            status,
            serde_json::from_str(&body).unwrap_or_else(|e| panic!("{e}: {head}{body}")),
        )
    }

    /// The same; head and body of what comes back.
    pub fn exchange(&self, method: &str, path: &str, body: &str) -> (String, String) {
        let mut tcp = TcpStream::connect(&self.address).expect("the page is served");
        tcp.set_read_timeout(Some(Duration::from_secs(20)))
            .expect("a time limit");
        let address = &self.address;
        let length = body.len();
        write!(
            tcp,
            "{method} {path} HTTP/1.1\r\nHost: {address}\r\nContent-Type: application/json\r\n\
             Content-Length: {length}\r\nConnection: close\r\n\r\n{body}"
        )
        .expect("the request goes out");
        let mut answer = String::new();
        tcp.read_to_string(&mut answer).expect("an answer");
        let (head, body) = answer.split_once("\r\n\r\n").expect("head and body");
        (head.to_owned(), body.to_owned())
    }

    /// Asks it to stop, as Ctrl-C does, and waits for its end.
    pub fn stop(mut self) -> (ExitStatus, String) {
        let id = self.child.id().to_string();
        let sent = Command::new("kill")
            .args(["-INT", &id])
            .status()
            .expect("kill exists");
        assert!(sent.success(), "the signal is sent");
        let limit = Instant::now() + Duration::from_secs(60);
        loop {
            if let Some(status) = self.child.try_wait().expect("a child of ours") {
                // The rest of its output may still be on its way.
                std::thread::sleep(Duration::from_millis(200));
                return (status, self.output());
            }
            assert!(
                Instant::now() < limit,
                "it does not stop:\n{}",
                self.output()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
