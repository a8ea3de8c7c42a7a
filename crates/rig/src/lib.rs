//! The side of Dunlin that touches devices: sound devices of the sound server and of
//! the kernel, keying lines and the process that holds them, KISS controllers and clients. No
//! protocol and no signal logic lives here.
//!
//! A port of the station is one [`SoundPort`]: it tells what it hears as [`SoundEvent`]s and
//! plays whole transmissions. [`SoundDevice`] is the real one; a driver's tests bring their
//! own.
//!
//! Promises:
//! - A port uses the device that the plan names and no other. When it is gone, the port says
//!   so and tries again every few seconds; nothing is ever moved to another device.
//! - Every transmission is answered once: played to the end, or not, and why. "Played" comes
//!   after the device has put out the last sample, never before.
//! - Whether a port may transmit at all is decided before: without [`SoundSettings::output`]
//!   no output is opened.
//! - Silence is what a device gets when there is nothing to send, when the port is closed and
//!   when the program ends.

mod alsa;
mod cards;
mod channels;
mod device;
mod identity;
pub mod keyer;
pub mod kiss;
mod lookup;
mod player;
mod port;
mod resample;
mod server;
mod supervisor;

pub use device::{Channel, DeviceError, DeviceHost, DeviceInfo, DeviceName, NameError, Way};
pub use identity::{Identities, Identity, IdentityChanged, compare};
pub use lookup::{Listing, default_device, find, lasting_name, list_devices};
pub use port::{
    Counts, EventSink, OpenPort, SoundDevice, SoundEvent, SoundPort, SoundSettings, WaySettings,
};
