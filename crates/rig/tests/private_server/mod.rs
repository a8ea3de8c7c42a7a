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

/// Loads a sound interface that calls itself a USB device into the server at `address`: the
/// output `name`, and the input `name_in` that hears what the output plays.
#[allow(dead_code)] // Not every test needs one.
pub fn load_interface(address: &str, name: &str, serial: Option<&str>, sockets: &str) {
    let mut properties = format!(
        "device.bus=usb device.vendor.id=0d8c device.product.id=0013 \
         device.product.name=Codec device.bus_path=pci-0000:00:14.0-usb-0:{sockets}:1.0"
    );
    if let Some(serial) = serial {
        properties.push_str(&format!(" device.serial={serial}"));
    }
    let sink = format!("{} sink_properties=\"{properties}\"", null_sink(name));
    let source = format!(
        "module-remap-source source_name={name}_in master={name}.monitor \
         source_properties=\"{properties}\""
    );
    for module in [sink, source] {
        let (module, arguments) = module.split_once(' ').expect("it has arguments");
        control(address, &["load-module", module, arguments]).expect("the module loads");
    }
}

/// Takes all sound interfaces away from the server at `address`.
#[allow(dead_code)] // Not every test needs it.
pub fn unload_interfaces(address: &str) {
    // The inputs hang on the outputs and may be gone with them already.
    let _ = control(address, &["unload-module", "module-remap-source"]);
    control(address, &["unload-module", "module-null-sink"]).expect("the devices go");
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
