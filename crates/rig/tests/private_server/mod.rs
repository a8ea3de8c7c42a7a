//! A PulseAudio server of a test's own: its socket, settings and home lie in a directory that
//! goes away with it, so it neither sees nor disturbs the server of whoever runs the tests.

use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// A running server. Ends when dropped.
pub struct PrivateServer {
    child: Child,
    dir: TempDir,
}

impl PrivateServer {
    /// Starts a server with a silent device for each name in `sinks`; what is played to `x`
    /// can be heard from `x.monitor`. Like every server since version 14 it moves streams whose
    /// device is gone to another device, unless they forbid it.
    pub fn start(sinks: &[&str]) -> Self {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let socket = dir.path().join("native");
        let mut command = Command::new("pulseaudio");
        command
            .args([
                "-n",
                "--daemonize=no",
                "--use-pid-file=no",
                "--exit-idle-time=-1",
            ])
            .args([
                "--disallow-exit",
                "--log-level=error",
                "--log-target=stderr",
            ])
            .arg("-L")
            .arg(format!(
                "module-native-protocol-unix auth-anonymous=1 socket={}",
                socket.display()
            ))
            .env_remove("PULSE_SERVER")
            .env_remove("DBUS_SESSION_BUS_ADDRESS")
            .env("HOME", dir.path())
            .env("XDG_RUNTIME_DIR", dir.path())
            .env("PULSE_RUNTIME_PATH", dir.path().join("pulse"))
            .stdin(Stdio::null())
            .stdout(Stdio::null());
        for sink in sinks {
            command.arg("-L").arg(null_sink(sink));
        }
        let child = command
            .spawn()
            .expect("this test needs the program pulseaudio (Debian package pulseaudio)");
        let server = PrivateServer { child, dir };
        server.wait_until_it_answers();
        server
    }

    /// For the environment variable `PULSE_SERVER`.
    pub fn address(&self) -> String {
        format!("unix:{}", self.socket().display())
    }

    fn socket(&self) -> PathBuf {
        self.dir.path().join("native")
    }

    fn wait_until_it_answers(&self) {
        let limit = Instant::now() + Duration::from_secs(30);
        while !self.socket().exists() || self.control(&["info"]).is_none() {
            assert!(
                Instant::now() < limit,
                "the private sound server does not answer"
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Runs `pactl` on this server; `None` if it failed.
    pub fn control(&self, arguments: &[&str]) -> Option<String> {
        control(&self.address(), arguments)
    }
}

impl Drop for PrivateServer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The module that makes a silent device called `name`. Without `norewinds` it renders two
/// seconds ahead while idle, and what is played next comes that much later, with a gap.
pub fn null_sink(name: &str) -> String {
    format!("module-null-sink sink_name={name} rate=48000 channels=2 norewinds=1")
}

/// Runs `pactl` on the server at `address`; `None` if it failed.
pub fn control(address: &str, arguments: &[&str]) -> Option<String> {
    let output = Command::new("pactl")
        .args(arguments)
        .env("PULSE_SERVER", address)
        .output()
        .expect("this test needs the program pactl (Debian package pulseaudio-utils)");
    output
        .status
        .success()
        .then(|| String::from_utf8_lossy(&output.stdout).into_owned())
}
