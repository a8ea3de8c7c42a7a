//! What belongs to the station as a whole: `[page]`, `[kiss_server]`, `[journal]`, `[alarm]`
//! and `[region]`.

use super::MOST_PORTS;
use crate::measure::{DAYS, MB, Number};
use crate::rule::{Address, Whole, Words, YesNo};
use crate::setting::{Preset, Setting};
use crate::whole::{Command, Names, PasswordHash};

settings! { PAGE, "The settings of `[page]`.", "[page]":
    PAGE_ADDRESS: Address = Address { port: false }, "address", Preset::Always("\"127.0.0.1\""),
    "Address at which the page is served. 127.0.0.1 is this machine alone; any other needs \
     password_hash, or whoever reaches it works your transmitter.";

    PAGE_PORT: Whole = Whole { from: 0, to: 65_535 }, "port", Preset::Always("7317"),
    "TCP port of the page; 0 = any free one.";

    PASSWORD_HASH: PasswordHash = PasswordHash, "password_hash",
    Preset::Absent("no password is asked for, and the page is served to this machine alone"),
    "Hash of the operator's password (argon2id), never the password itself. `dunlin password` \
     makes it.";

    GUEST: YesNo = YesNo, "guest", Preset::Always("false"),
    "true = whoever has no password may look, and do nothing.";

    TLS_CERT: Words = FILE, "tls_cert", Preset::Absent("the page is served without TLS"),
    "File with the certificate chain (PEM). With it the page is served by TLS, so that a password \
     cannot be read on the network.";

    TLS_KEY: Words = FILE, "tls_key", Preset::Absent("the page is served without TLS"),
    "File with the private key of the certificate (PEM). Nobody but the station should be able to \
     read it.";
}

settings! { KISS_SERVER, "The settings of `[kiss_server]`.", "[kiss_server]":
    KISS_ENABLED: YesNo = YesNo, "enabled", Preset::Always("false"),
    "true = other programs of the shack use our ports as KISS over TCP. What they send passes the \
     same gate as everything else.";

    KISS_ADDRESS: Address = Address { port: false }, "address", Preset::Always("\"127.0.0.1\""),
    "Address at which it listens. KISS knows no password: whoever reaches this address can \
     transmit with your radios.";

    KISS_PORT: Whole = Whole { from: 1, to: 65_535 }, "port", Preset::Always("7318"),
    "TCP port at which it listens.";

    KISS_PORTS: Names = Names { most: MOST_PORTS }, "ports", Preset::Always("[]"),
    "Names of the ports that it offers, the first as KISS port 0. Empty: all, in the order of the \
     plan.";
}

settings! { JOURNAL, "The settings of `[journal]`.", "[journal]":
    MOST_MB: Number = Number { unit: &MB, from: 10.0, to: 1_000_000.0 }, "most_mb",
    Preset::Always("500"),
    "Ceiling for what the journal takes on the disk; the oldest is dropped for it.";

    KEEP_DAYS: Number = Number { unit: &DAYS, from: 1.0, to: 36_500.0 }, "keep_days",
    Preset::Always("400"),
    "Days after which entries are dropped. 400 keep a whole year to look back on.";

    TEXT_DAYS: Number = Number { unit: &DAYS, from: 1.0, to: 36_500.0 }, "text_days",
    Preset::Absent("texts are kept as long as their entries"),
    "Days after which the journal loses what talks and frames said, while who, when and how stays. \
     What is lost cannot be brought back; some licences want a log of what was said.";
}

settings! { ALARM, "The settings of `[alarm]`.", "[alarm]":
    ALARM_COMMAND: Command = Command { most: 32 }, "command", Preset::Always("[]"),
    "Program that is started for each alarm, with its arguments, as a list of texts; no shell is \
     asked. Empty: none.";
}

settings! { REGION, "The settings of `[region]`.", "[region]":
    REGION_NAME: Words = FILE, "name", Preset::Always("\"neutral\""),
    "Rules that checks hold the plan to: \"neutral\" = what the ITU wants everywhere; \"us-part97\" \
     = 47 CFR Part 97, dated in the file; or the path of a region file of your own, ending in \
     .toml. Your licence decides, not the file.";
}

const FILE: Words = Words {
    fewest: 1,
    most: 400,
    lines: false,
};
