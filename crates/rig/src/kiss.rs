//! KISS in both directions: [`Controller`] uses a hardware controller on a serial line or a
//! network address; [`KissServer`] lets other programs of the shack use our ports.
//!
//! The octets themselves are the affair of [`dunlin_framing::kiss`]. Here are the links, the
//! limits, and what a person must be told. One thread serves each controller, one each
//! server; neither waits for the driver, and the driver never waits for them.

mod allowance;
mod controller;
mod excerpt;
mod keeper;
mod link;
mod server;
mod settings;
mod usb;
mod wake;
mod watch;

pub use controller::{
    Controller, ControllerCounts, ControllerError, ControllerEvent, ControllerSink, SendError,
    Ticket,
};
pub use server::{
    KissServer, ServerCounts, ServerError, ServerEvent, ServerLimits, ServerSettings, ServerSink,
};
pub use settings::{ControllerPort, ControllerSettings, FlowControl, Link, SettingsFault};
pub use usb::UsbIdentity;
