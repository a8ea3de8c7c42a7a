//! What a controller needs to know, checked as a whole.

use std::fmt;
use std::path::PathBuf;

use dunlin_clock::Duration;
use dunlin_framing::kiss::{Command, KissPort, encode, ten_ms_units, wire_persistence};
use thiserror::Error;

/// Who says when a serial line may send on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FlowControl {
    /// Nobody; KISS as published ([K] section 2: no hardware handshake).
    #[default]
    Off,
    /// The lines RTS and CTS.
    RtsCts,
}

/// How a controller is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Link {
    /// A serial line, 8 data bits, no parity, 1 stop bit.
    Serial {
        /// Its path. A name below `/dev/serial/by-id` or `/dev/serial/by-path` stays the
        /// same when devices are plugged in another order.
        device: PathBuf,
        /// Its speed in baud.
        baud: u32,
        /// Whether the controller may hold us up.
        flow_control: FlowControl,
    },
    /// An address on a network, `host:port`.
    Tcp {
        /// The address.
        host_port: String,
    },
}

impl fmt::Display for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Link::Serial { device, .. } => write!(f, "{}", device.display()),
            Link::Tcp { host_port } => f.write_str(host_port),
        }
    }
}

/// One port of a controller: a radio.
#[derive(Clone, Debug, PartialEq)]
pub struct ControllerPort {
    /// Its number inside the controller, 0 to 15; the high nibble of KISS.
    pub number: u8,
    /// Time from key down to data; 0 to 2550 ms.
    pub key_up_delay: Duration,
    /// Chance to send in a free slot; above 0, up to 1.
    pub persistence: f64,
    /// Slot time; 10 to 2550 ms.
    pub slot_time: Duration,
    /// Time to hold the key behind a frame; up to 2550 ms. `None` leaves it to the
    /// controller, for the paper calls this parameter obsolete.
    pub tail: Option<Duration>,
    /// Send without heed of what is heard.
    pub full_duplex: bool,
}

/// A whole controller.
#[derive(Clone, Debug, PartialEq)]
pub struct ControllerSettings {
    /// Where it is.
    pub link: Link,
    /// The ports of it that are used, at least one.
    pub ports: Vec<ControllerPort>,
    /// Ask the controller to say when a frame has left the transmitter (command C of the
    /// multi-drop paper). Plain KISS controllers do not know it: off unless the handbook
    /// says otherwise.
    pub acknowledged: bool,
}

/// Settings with which no controller can be opened.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("the KISS controller at {link}: {what}")]
pub struct SettingsFault {
    /// Where the controller is.
    pub link: String,
    /// What is wrong, and what would be right.
    pub what: String,
}

impl ControllerSettings {
    /// Looks whether a controller can be opened with these.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn check(&self) -> Result<(), SettingsFault> {
        let faults = [self.link_fault(), self.ports_fault()];
        match faults.into_iter().flatten().next() {
            None => Ok(()),
            Some(what) => Err(SettingsFault {
                link: self.link.to_string(),
                what,
            }),
        }
    }

    fn link_fault(&self) -> Option<String> {
        match &self.link {
            Link::Serial { device, baud, .. } => {
                if !device.is_absolute() {
                    return Some("give the whole path of the serial line, from / on".into());
                }
                (!(300..=4_000_000).contains(baud))
                    .then(|| format!("{baud} Bd is no speed of a serial line; 300 to 4000000 are"))
            }
            Link::Tcp { host_port } => {
                let whole = host_port.rsplit_once(':').is_some_and(|(host, port)| {
                    !host.is_empty() && port.parse::<u16>().is_ok_and(|port| port > 0)
                });
                (!whole).then(|| {
                    format!(
                        "'{host_port}' is no network address; write host:port, as 10.0.0.5:8100"
                    )
                })
            }
        }
    }

    fn ports_fault(&self) -> Option<String> {
        if self.ports.is_empty() {
            return Some("no port of it is used; name at least one".into());
        }
        for (at, port) in self.ports.iter().enumerate() {
            if self.ports[..at].iter().any(|p| p.number == port.number) {
                return Some(format!("port {} is named twice", port.number));
            }
            if let Some(what) = port.fault() {
                return Some(format!("port {}: {what}", port.number));
            }
        }
        None
    }

    /// The frames that set all parameters of all ports, in the order of [K] section 4.
    pub(crate) fn parameters(&self) -> Vec<u8> {
        self.ports
            .iter()
            .flat_map(ControllerPort::parameters)
            .collect()
    }
}

impl ControllerPort {
    fn fault(&self) -> Option<String> {
        if let Err(fault) = KissPort::new(self.number) {
            return Some(fault.to_string());
        }
        let times = [
            ("key-up delay", Some(self.key_up_delay)),
            ("slot time", Some(self.slot_time)),
            ("tail", self.tail),
        ];
        for (name, time) in times {
            if time.is_some_and(|t| ten_ms_units(t).is_none()) {
                return Some(format!(
                    "the {name} is above 2550 ms, the most that KISS can say"
                ));
            }
        }
        if self.slot_time.is_zero() {
            return Some("the slot time is 0; at least 10 ms are needed".into());
        }
        let chance = self.persistence > 0.0 && self.persistence <= 1.0;
        (!chance).then(|| {
            format!(
                "the persistence is {}; it lies above 0 and up to 1",
                self.persistence
            )
        })
    }

    fn parameters(&self) -> Vec<u8> {
        let Ok(number) = KissPort::new(self.number) else {
            return Vec::new(); // `check` has refused it.
        };
        let time = |t| ten_ms_units(t).unwrap_or(u8::MAX);
        let values = [
            Some((Command::KeyUpDelay, time(self.key_up_delay))),
            Some((Command::Persistence, wire_persistence(self.persistence))),
            Some((Command::SlotTime, time(self.slot_time))),
            self.tail.map(|tail| (Command::Tail, time(tail))),
            Some((Command::FullDuplex, u8::from(self.full_duplex))),
        ];
        let sent = values.into_iter().flatten();
        sent.flat_map(|(command, value)| encode(number, command, &[value]))
            .collect()
    }
}

/// The parameters as they were really sent, for the log.
impl fmt::Display for ControllerPort {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |t| u32::from(ten_ms_units(t).unwrap_or(u8::MAX)) * 10;
        let wire = wire_persistence(self.persistence);
        write!(
            f,
            "port {}: key-up delay {} ms, persistence {:.3}, slot time {} ms",
            self.number,
            ms(self.key_up_delay),
            (f64::from(wire) + 1.0) / 256.0,
            ms(self.slot_time),
        )?;
        if let Some(tail) = self.tail {
            write!(f, ", tail {} ms", ms(tail))?;
        }
        f.write_str(if self.full_duplex {
            ", full duplex"
        } else {
            ""
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn port() -> ControllerPort {
        ControllerPort {
            number: 0,
            key_up_delay: Duration::from_millis(300),
            persistence: 0.1,
            slot_time: Duration::from_millis(105),
            tail: None,
            full_duplex: false,
        }
    }

    fn settings(ports: Vec<ControllerPort>) -> ControllerSettings {
        let link = Link::Tcp {
            host_port: "127.0.0.1:8100".into(),
        };
        ControllerSettings {
            link,
            ports,
            acknowledged: false,
        }
    }

    #[test]
    fn parameters_are_those_of_the_paper() {
        // [K] section 4: 30 units of 10 ms; P = 25 for 0.1; slot time rounded up to 110 ms.
        let mut second = port();
        second.number = 12;
        second.tail = Some(Duration::from_millis(50));
        second.full_duplex = true;
        let one = [
            0xC0, 0x01, 30, 0xC0, 0xC0, 0x02, 25, 0xC0, 0xC0, 0x03, 11, 0xC0, 0xC0, 0x05, 0, 0xC0,
        ];
        let two = [
            0xC0, 0xC1, 30, 0xC0, 0xC0, 0xC2, 25, 0xC0, 0xC0, 0xC3, 11, 0xC0, 0xC0, 0xC4, 5, 0xC0,
            0xC0, 0xC5, 1, 0xC0,
        ];
        let line = settings(vec![port(), second.clone()]).parameters();
        assert_eq!(line, [&one[..], &two].concat());
        assert_eq!(
            second.to_string(),
            "port 12: key-up delay 300 ms, persistence 0.102, slot time 110 ms, tail 50 ms, \
             full duplex"
        );
    }

    #[test]
    fn each_fault_has_its_sentence() {
        let fault = |change: &dyn Fn(&mut ControllerSettings)| {
            let mut settings = settings(vec![port()]);
            change(&mut settings);
            settings.check().expect_err("a fault").what
        };
        assert_eq!(settings(vec![port()]).check(), Ok(()));
        assert!(fault(&|s| s.ports.clear()).contains("at least one"));
        assert!(fault(&|s| s.ports.push(port())).contains("named twice"));
        assert!(fault(&|s| s.ports[0].number = 16).contains("0 to 15"));
        assert!(fault(&|s| s.ports[0].key_up_delay = Duration::from_secs(3)).contains("2550 ms"));
        assert!(fault(&|s| s.ports[0].slot_time = Duration::ZERO).contains("at least 10 ms"));
        assert!(fault(&|s| s.ports[0].persistence = 0.0).contains("above 0"));
        assert!(fault(&|s| s.ports[0].persistence = f64::NAN).contains("above 0"));
        let tcp = |text: &str| Link::Tcp {
            host_port: text.into(),
        };
        for text in ["", "radio", ":8100", "radio:", "radio:0", "radio:99999"] {
            assert!(
                fault(&|s| s.link = tcp(text)).contains("host:port"),
                "{text}"
            );
        }
        let serial = |device: &str, baud| Link::Serial {
            device: device.into(),
            baud,
            flow_control: FlowControl::Off,
        };
        assert!(fault(&|s| s.link = serial("ttyS0", 9600)).contains("whole path"));
        assert!(fault(&|s| s.link = serial("/dev/ttyS0", 0)).contains("no speed"));
    }
}
