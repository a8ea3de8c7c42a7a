//! Pins of a GPIO chip by the kernel's character device.

use std::path::Path;

use gpiocdev::Request;
use gpiocdev::line::Value;
use gpiocdev::request::Config;

use super::node::{self, Kind};
use super::{Line, OpenError, Sense};

/// One pin, held.
pub(super) struct Pin {
    request: Request,
    name: String,
    offset: u32,
}

impl Pin {
    /// A keying pin. It is released by the very request that takes it.
    pub(super) fn output(
        port: &str,
        chip: &str,
        offset: u32,
        inverted: bool,
    ) -> Result<Self, OpenError> {
        let mut config = Config::default();
        config.with_line(offset).as_output(Value::Inactive);
        Pin::take(config, chip, offset, inverted, &format!("keys {port}"))
    }

    /// A sensing pin.
    pub(super) fn input(chip: &str, offset: u32, inverted: bool) -> Result<Self, OpenError> {
        let mut config = Config::default();
        config.with_line(offset).as_input();
        Pin::take(config, chip, offset, inverted, "senses the channel")
    }

    fn take(
        mut config: Config,
        chip: &str,
        offset: u32,
        inverted: bool,
        purpose: &str,
    ) -> Result<Self, OpenError> {
        let unusable = |text: String| OpenError::Unusable(text);
        // The node itself is opened only to see what is wrong with it, in our own words; the
        // lock is let go again, for other ports may use other pins of the chip.
        drop(node::open(Kind::Gpio, chip)?);
        if inverted {
            config.as_active_low();
        }
        let mut builder = Request::from_config(config);
        builder
            .on_chip(Path::new(chip))
            .with_consumer(format!("dunlin: {purpose}"));
        let request = builder.request().map_err(|e| match in_use(chip, offset) {
            Some(by) => OpenError::Taken(format!(
                "pin {offset} of {chip} is in use by {by}. Choose another pin, or free this one"
            )),
            None => unusable(format!("pin {offset} of {chip} cannot be had: {e}")),
        })?;
        Ok(Pin {
            request,
            name: format!("pin {offset} of {chip}"),
            offset,
        })
    }

    fn value(&self) -> Result<Value, String> {
        self.request
            .value(self.offset)
            .map_err(|e| format!("{} cannot be read: {e}", self.name))
    }
}

/// Who uses a pin, by the name that the user gave to the kernel.
fn in_use(chip: &str, offset: u32) -> Option<String> {
    let info = gpiocdev::Chip::from_path(chip)
        .ok()?
        .line_info(offset)
        .ok()?;
    info.used.then(|| match info.consumer.as_str() {
        "" => "another program".into(),
        name => format!("'{name}'"),
    })
}

impl Line for Pin {
    fn set(&mut self, down: bool) -> Result<String, String> {
        let wanted = if down { Value::Active } else { Value::Inactive };
        self.request
            .set_value(self.offset, wanted)
            .map_err(|e| format!("{} cannot be set: {e}", self.name))?;
        let word = if down { "keyed" } else { "released" };
        match self.value()? == wanted {
            true => Ok(format!("{} was set and reads back as {word}", self.name)),
            false => Err(format!(
                "{} was set to {word} and reads back as the opposite: is something else driving \
                 it?",
                self.name
            )),
        }
    }
}

impl Sense for Pin {
    fn busy(&mut self) -> Result<Option<bool>, String> {
        Ok(Some(self.value()? == Value::Active))
    }
}
