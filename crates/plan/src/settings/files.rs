//! `[files]`.

use crate::measure::{MB, Number, OCTETS};
use crate::rule::Calls;
use crate::setting::{Preset, Setting};

settings! { FILES, "The settings of `[files]`.", "[files]":
    LARGEST_FILE: Number = Number { unit: &OCTETS, from: 0.0, to: 10_000_000.0 }, "largest_octets",
    Preset::Always("100000"),
    "Largest file that is taken over a talk, if a person wants it; 0 = none. At 1200 Bd 100000 octets take about \
     twenty minutes, at 300 Bd two and a half hours.";

    FILES_FROM: Calls = Calls { most: 64 }, "only_from", Preset::Always("[]"),
    "Stations whose offers of files you are asked about, whatever the SSID. Empty: everybody's. Nothing is ever \
     taken by itself.";

    FILES_MB: Number = Number { unit: &MB, from: 1.0, to: 1_000_000.0 }, "most_mb",
    Preset::Always("100"),
    "What all files of the station may take on the disk. Parts of files give way, the oldest first; whole files never.";
}
