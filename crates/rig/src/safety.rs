//! What must hold before an output device is opened at all, and what people are told.

use std::fmt;

use thiserror::Error;

/// How a port's transmitter is keyed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keying {
    /// Nothing keys: receive only, or a cable between sound devices.
    None,
    /// The radio keys itself when it hears sound.
    Vox,
}

impl fmt::Display for Keying {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Keying::None => "none",
            Keying::Vox => "vox",
        })
    }
}

/// Why no output device may be opened.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum TransmitRefusal {
    /// A call sign that no administration can have given.
    #[error(
        "port {port}: {call} begins with Q, a series that is never allocated, so it cannot key a \
         real radio. If this output is a cable or a loop in the sound server with no radio on \
         it, write `loop = true`; otherwise write your own call sign"
    )]
    InventedCall {
        /// The port.
        port: String,
        /// The call sign.
        call: String,
    },
    /// Sound would be played to a device with neither keying nor a loop.
    #[error(
        "port {port}: it has an output but `key = \"none\"`, so nothing would key the radio. Take \
         the output away to receive only, write `key = \"vox\"`, or `loop = true` for a cable"
    )]
    NothingKeys {
        /// The port.
        port: String,
    },
}

/// Whether a port may open its output device. `calls` are all call signs under which the port
/// could send; `looped` is the plan's word that no radio hangs on the device.
///
/// The ITU's table of international call sign series allocates none that begins with Q (Radio
/// Regulations, Appendix 42): Q codes would be mistaken for calls.
///
/// # Errors
/// The first reason why not.
pub fn may_transmit<'a>(
    port: &str,
    calls: impl IntoIterator<Item = &'a str>,
    keying: Keying,
    looped: bool,
) -> Result<(), TransmitRefusal> {
    if looped {
        return Ok(());
    }
    for call in calls {
        if call.starts_with(['Q', 'q']) {
            return Err(TransmitRefusal::InventedCall {
                port: port.into(),
                call: call.into(),
            });
        }
    }
    match keying {
        Keying::None => Err(TransmitRefusal::NothingKeys { port: port.into() }),
        Keying::Vox => Ok(()),
    }
}

/// What people must read before a port that can transmit starts.
pub fn cautions(port: &str, keying: Keying, looped: bool) -> Vec<String> {
    if looped {
        return vec![format!(
            "Port {port} is marked as a loop: make sure that no radio hangs on its output."
        )];
    }
    if keying == Keying::None {
        return Vec::new();
    }
    vec![
        format!("Port {port} keys its radio by sound (vox)."),
        "  Any sound on that device keys the radio: give Dunlin a device of its own, and keep \
         other programs, system sounds and notifications off it."
            .into(),
        "  A radio that stays keyed overheats and blocks the channel. Set the radio's own time-out \
         timer; know how to cut its power."
            .into(),
        "  First try on a dummy load, at low power, and watch the radio while it sends.".into(),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_invented_call_opens_an_output_only_on_a_loop() {
        let refused = may_transmit("VHF", ["QA1SKY"], Keying::Vox, false);
        assert!(matches!(refused, Err(TransmitRefusal::InventedCall { .. })));
        assert!(may_transmit("VHF", ["QA1SKY"], Keying::None, true).is_ok());
        // One invented call among several is enough to refuse.
        assert!(may_transmit("VHF", ["1X1ABC", "QM3BAR"], Keying::Vox, false).is_err());
    }

    #[test]
    fn an_output_that_nothing_keys_is_refused() {
        let refused = may_transmit("VHF", ["1X1ABC"], Keying::None, false);
        assert!(matches!(refused, Err(TransmitRefusal::NothingKeys { .. })));
        assert!(may_transmit("VHF", ["1X1ABC"], Keying::Vox, false).is_ok());
    }

    #[test]
    fn vox_comes_with_the_cautions() {
        let text = cautions("VHF", Keying::Vox, false).join("\n");
        for word in ["vox", "dummy load", "time-out", "stays keyed"] {
            assert!(text.contains(word), "{word} is missing in {text}");
        }
        assert!(cautions("VHF", Keying::None, true)[0].contains("no radio"));
        assert!(cautions("VHF", Keying::None, false).is_empty());
    }
}
