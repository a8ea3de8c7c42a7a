//! The lines themselves. Each is opened by name, locked against others, and set; each says
//! honestly how it knows what it says.

mod cat;
mod gpio;
mod hid;
mod node;
mod serial;

use std::cell::RefCell;
use std::rc::Rc;

use super::settings::{KeyLine, KeyerSettings, SenseLine};
pub use serial::{ModemLines, SerialKey, SerialSense};

/// A line that keys.
pub trait Line {
    /// Keys or releases. Says how it is known that this is so now.
    ///
    /// # Errors
    /// Why it is not.
    fn set(&mut self, down: bool) -> Result<String, String>;
}

/// A line that tells whether the radio's channel is busy.
pub trait Sense {
    /// Whether it is; `None` while that is not known.
    ///
    /// # Errors
    /// Why the line cannot be read.
    fn busy(&mut self) -> Result<Option<bool>, String>;
}

/// Why a line could not be opened: a sentence that says what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OpenError {
    /// Another program has it. It may let go soon.
    Taken(String),
    /// Anything else.
    Unusable(String),
}

impl OpenError {
    /// The sentence.
    pub fn sentence(self) -> String {
        match self {
            OpenError::Taken(text) | OpenError::Unusable(text) => text,
        }
    }
}

/// All that one keyer holds.
pub struct Held {
    /// What keys.
    pub line: Box<dyn Line>,
    /// What tells that the channel is busy.
    pub sense: Option<Box<dyn Sense>>,
}

/// Opens what `settings` name. The key is not touched yet, except that opening a serial
/// port raises RTS and DTR for an instant: the kernel does that, and nothing in between.
///
/// # Errors
/// The first thing that cannot be had.
pub fn open(settings: &KeyerSettings) -> Result<Held, OpenError> {
    let mut shared = Shared::default();
    Ok(Held {
        line: shared.line(settings)?,
        sense: match &settings.sense {
            Some(sense) => Some(shared.sense(sense)?),
            None => None,
        },
    })
}

/// Devices by which a port both keys and senses are opened once.
#[derive(Default)]
struct Shared {
    serial: Option<(String, Rc<serial2::SerialPort>)>,
    hid: Option<(String, Rc<RefCell<hid::Codec>>)>,
}

impl Shared {
    fn line(&mut self, settings: &KeyerSettings) -> Result<Box<dyn Line>, OpenError> {
        Ok(match &settings.line {
            KeyLine::None | KeyLine::Vox | KeyLine::Controller => Box::new(Nothing),
            KeyLine::Serial {
                device,
                line,
                inverted,
                opposed,
            } => {
                let port = self.serial(device)?;
                Box::new(SerialKey::new(port, device, *line, *inverted, *opposed))
            }
            KeyLine::Gpio {
                chip,
                line,
                inverted,
            } => Box::new(gpio::Pin::output(&settings.port, chip, *line, *inverted)?),
            KeyLine::Hid {
                device,
                pin,
                inverted,
            } => Box::new(hid::HidKey::new(self.hid(device)?, *pin, *inverted)),
            KeyLine::Cat {
                device,
                baud,
                key,
                release,
            } => Box::new(cat::Cat::open(device, *baud, key, release)?),
        })
    }

    fn sense(&mut self, sense: &SenseLine) -> Result<Box<dyn Sense>, OpenError> {
        Ok(match sense {
            SenseLine::Serial {
                device,
                line,
                inverted,
            } => Box::new(SerialSense::new(self.serial(device)?, *line, *inverted)),
            SenseLine::Gpio {
                chip,
                line,
                inverted,
            } => Box::new(gpio::Pin::input(chip, *line, *inverted)?),
            SenseLine::Hid {
                device,
                pin,
                inverted,
            } => Box::new(hid::HidSense::new(self.hid(device)?, *pin, *inverted)),
        })
    }

    fn serial(&mut self, device: &str) -> Result<Rc<serial2::SerialPort>, OpenError> {
        if let Some((name, port)) = &self.serial
            && name == device
        {
            return Ok(port.clone());
        }
        let port = Rc::new(serial::open(device, None)?);
        self.serial = Some((device.into(), port.clone()));
        Ok(port)
    }

    fn hid(&mut self, device: &str) -> Result<Rc<RefCell<hid::Codec>>, OpenError> {
        if let Some((name, codec)) = &self.hid
            && name == device
        {
            return Ok(codec.clone());
        }
        let codec = Rc::new(RefCell::new(hid::Codec::open(device)?));
        self.hid = Some((device.into(), codec.clone()));
        Ok(codec)
    }
}

/// Of a port that only senses.
struct Nothing;

impl Line for Nothing {
    fn set(&mut self, _down: bool) -> Result<String, String> {
        Ok("nothing to prove: this port has no keying line".into())
    }
}
