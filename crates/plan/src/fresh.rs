//! New plans with remarks, for three common stations.

/// What a new plan is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fresh {
    /// Two radios by sound.
    TwoRadios,
    /// A KISS controller with two radios.
    KissController,
    /// Listening only, beside a controller that works the radio.
    ReceiveOnly,
}

const HEAD: &str = "\
# A station plan for Dunlin. Check it with `dunlin plan check`; every setting is explained by
# `dunlin plan explain`. Whatever is left out has a default that is safe on the air.

[station]
plan_version = 1
call = \"CALL\"
greeting = \"\"                # sent to everybody who connects
";

const TWO_RADIOS: &str = "
# VHF: FM, 1200 Bd.
[[port]]
name = \"VHF\"
mode = \"afsk1200\"
call = \"BASE-2\"             # each radio its own SSID
level_dbfs = -12            # set it with the deviation in view
key_up_delay_ms = 300       # begin here; shorten it while somebody reports

[port.sound]
input = \"pulse:VHF-INPUT\"   # names: dunlin run --list-devices
output = \"pulse:VHF-OUTPUT\"
channel = \"mono\"            # one device for both radios: \"left\" here, \"right\" below

[port.key]
method = \"serial\"           # or gpio, hid, cat, vox
device = \"/dev/serial/by-id/VHF-KEY\"
line = \"rts\"

[port.radio]
kind = \"vhf_fm\"             # or handheld, data_port
squelch = \"open\"

# HF: single sideband, 300 Bd. Nothing of VHF's is used here.
[[port]]
name = \"HF\"
mode = \"afsk300\"
level_dbfs = -15            # raise it until the radio's ALC just does not move

[port.sound]
input = \"pulse:HF-INPUT\"
output = \"pulse:HF-OUTPUT\"

[port.key]
method = \"serial\"
device = \"/dev/serial/by-id/HF-KEY\"
line = \"rts\"

[port.radio]
kind = \"hf_ssb\"
squelch = \"open\"
#dial_khz = 14103.0         # with sideband, plan check tells where the signal is
#sideband = \"lsb\"
";

const KISS: &str = "
# A KISS controller with two radios: the high nibble of KISS says which.
[[port]]
name = \"VHF\"
mode = \"afsk1200\"           # what the controller is set to
call = \"BASE-2\"

[port.controller]
link = \"serial\"             # or tcp, with address = \"host:port\"
device = \"/dev/serial/by-id/CONTROLLER\"
speed_baud = 9600           # what the controller is set to
flow_control = false        # true only if the controller's manual asks for it
number = 0

[[port]]
name = \"HF\"
mode = \"afsk300\"

[port.controller]
link = \"serial\"
device = \"/dev/serial/by-id/CONTROLLER\"
speed_baud = 9600
flow_control = false
number = 1
";

const RECEIVE: &str = "
# It only hears: a controller beside it works the radio. No output, no key, nothing is sent.
[[port]]
name = \"VHF\"
mode = \"afsk1200\"
transmit = false

[port.sound]
input = \"default\"           # the sound of the radio; names: dunlin run --list-devices
output = \"none\"
";

const TAIL: &str = "
[region]
name = \"REGION\"            # \"neutral\" or \"us-part97\"; your licence decides
";

impl Fresh {
    /// Every kind with its word.
    pub const ALL: [(&'static str, Fresh); 3] = [
        ("two-radios", Fresh::TwoRadios),
        ("kiss-controller", Fresh::KissController),
        ("receive-only", Fresh::ReceiveOnly),
    ];

    /// The plan as text. `call` is a call sign, `region` the name of a region that comes with
    /// the program; both are put in as they are.
    pub fn text(self, call: &str, region: &str) -> String {
        let body = match self {
            Fresh::TwoRadios => TWO_RADIOS,
            Fresh::KissController => KISS,
            Fresh::ReceiveOnly => RECEIVE,
        };
        let base = call.split('-').next().unwrap_or(call);
        // One port has BASE-2, so the station's own SSID must be another.
        let body = match call.ends_with("-2") && !call.ends_with("-12") {
            true => body.replace("BASE-2", &format!("{base}-3")),
            false => body.replace("BASE", base),
        };
        let head = HEAD.replace("CALL", call);
        format!("{head}{body}{}", TAIL.replace("REGION", region))
    }
}
