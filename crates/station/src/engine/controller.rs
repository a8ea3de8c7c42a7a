//! Ports without a modem: frames in, frames out, no sound. Either a controller of their own
//! carries the frames, or a simulated band.

use dunlin_clock::Instant;

use super::{Output, Station};
use crate::event::{PortId, Urgency};
use crate::gate::Medium;
use crate::port::address;
use crate::rejects::RejectKind;

/// Longest frame that a controller's port takes in, octets; the KISS paper (Chepponis and
/// Karn, 1987, section 5) asks for at least 1024.
const LONGEST: usize = 2048;

impl Station {
    /// A controller or a simulated band has heard a frame.
    pub(super) fn frame_without_sound(&mut self, now: Instant, port: PortId, octets: &[u8]) {
        let config = self.config.ports.get(usize::from(port.0));
        let Some(medium) = config.map(|c| c.medium).filter(|m| *m != Medium::Sound) else {
            return; // A driver's mistake; the port hears by itself, or not at all.
        };
        if octets.len() > LONGEST {
            let text = format!(
                "{} octets were handed over at once; {LONGEST} are taken at most",
                octets.len()
            );
            let kind = RejectKind::TooLong;
            return self.reject(now, port, kind, Some(Urgency::Plain), text);
        }
        let span = match medium {
            Medium::Frames => {
                let lasted = self.channel(port).transmitter.airtime_of_frame(octets);
                (now - lasted, now)
            }
            Medium::Controller | Medium::Sound => self.channel(port).reckon_heard(now, octets),
        };
        if address::is_structurally_valid(octets) {
            self.frame(now, port, octets, span, None);
        } else {
            let reason = "the controller handed over octets that are no AX.25 frame";
            self.unreadable(port, reason, span, None);
            let text = format!("{reason} ({} of them)", octets.len());
            self.reject(now, port, RejectKind::NoAddress, None, text);
        }
    }

    /// A simulated band of frames is occupied from now on, or clear.
    pub(super) fn band_carrier(&mut self, now: Instant, port: PortId, on: bool) {
        let config = self.config.ports.get(usize::from(port.0));
        if config.is_some_and(|c| c.medium == Medium::Frames) {
            self.carrier(now, now, port, on);
        }
    }

    /// The frames of one transmission, in the form in which the port's medium takes them.
    /// `offset_hz` is where its tones go, if not where the port always has them.
    pub(super) fn carried(
        &mut self,
        port: PortId,
        frames: Vec<Vec<u8>>,
        offset_hz: Option<f32>,
    ) -> Output {
        let channel = self.channel(port);
        match channel.config.medium {
            Medium::Sound => {
                let transmitter = &channel.transmitter;
                let moved = offset_hz.and_then(|hz| transmitter.transmission_at(&frames, hz).ok());
                let samples = moved.unwrap_or_else(|| transmitter.transmission(&frames));
                Output::Transmit { port, samples }
            }
            Medium::Controller => Output::SendFrames {
                port,
                airtime: channel.transmitter.airtime(&frames),
                frames,
            },
            Medium::Frames => Output::OnBand {
                port,
                airtime: channel.transmitter.airtime(&frames),
                frames: channel.transmitter.timed(frames),
            },
        }
    }
}
