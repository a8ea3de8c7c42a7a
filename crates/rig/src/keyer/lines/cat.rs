//! Commands to the radio over its serial port, given octet by octet in the plan.

use std::time::Duration;

use super::{Line, OpenError, serial};

/// How long a port may not take the command. Less than the station's patience.
const LONGEST_WRITE: Duration = Duration::from_millis(50);

/// A radio that is keyed by command.
pub(super) struct Cat {
    port: serial2::SerialPort,
    device: String,
    key: Vec<u8>,
    release: Vec<u8>,
}

impl Cat {
    pub(super) fn open(
        device: &str,
        baud: u32,
        key: &[u8],
        release: &[u8],
    ) -> Result<Self, OpenError> {
        let mut port = serial::open(device, Some(baud))?;
        // Some radios can be set to key while RTS or DTR is on. A pseudo-terminal has neither.
        let _ = port.set_rts(false);
        let _ = port.set_dtr(false);
        port.set_write_timeout(LONGEST_WRITE)
            .map_err(|e| OpenError::Unusable(format!("{device} takes no time limit: {e}")))?;
        Ok(Cat {
            port,
            device: device.into(),
            key: key.into(),
            release: release.into(),
        })
    }
}

impl Line for Cat {
    fn set(&mut self, down: bool) -> Result<String, String> {
        let device = &self.device;
        let command = if down { &self.key } else { &self.release };
        // Answers of the radio are not read, and must not pile up.
        let _ = self.port.discard_input_buffer();
        self.port
            .write_all(command)
            .map_err(|e| format!("{device} does not take the command ({e}): is it plugged in?"))?;
        Ok(format!(
            "{} octets to {} were written to {device}; the radio's answer is not read",
            command.len(),
            if down { "key" } else { "release" }
        ))
    }
}
