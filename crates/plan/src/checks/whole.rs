//! Page, KISS server, journal, alarms and region.

use super::{Check, Say, View};
use crate::finding::Severity::{Attention, Hint, Stop};

fn is_loopback(address: &str) -> bool {
    address
        .parse::<std::net::IpAddr>()
        .is_ok_and(|ip| ip.is_loopback())
}

fn say(
    path: &str,
    what: &str,
    evidence: impl Into<String>,
    consequence: &'static str,
    remedy: &str,
) -> Say {
    Say {
        path: path.to_owned(),
        what: what.to_owned(),
        evidence: evidence.into(),
        consequence,
        remedy: remedy.to_owned(),
    }
}

fn page_open(view: &View<'_>) -> bool {
    !is_loopback(&view.plan.whole.page.address)
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "page-open",
        severity: Stop,
        reason: "Whoever reaches the page works the transmitter.",
        source: "this program's design",
        look: |view, out| {
            let page = &view.plan.whole.page;
            if page_open(view) && page.password_hash.is_none() {
                out.push(say(
                    "page.address",
                    "the page is on the network without a password",
                    format!("address = \"{}\"", page.address),
                    "Whoever reaches it works your transmitter.",
                    "Set password_hash (dunlin password), or address = \"127.0.0.1\".",
                ));
            }
        },
    },
    Check {
        id: "page-plain",
        severity: Attention,
        reason: "A password that goes over a network in the clear is everybody's.",
        source: "RFC 7617, section 4, says so of passwords over plain HTTP (from memory)",
        look: |view, out| {
            let page = &view.plan.whole.page;
            if page_open(view) && page.password_hash.is_some() && page.tls.is_none() {
                out.push(say(
                    "page.address",
                    "the password goes over the network without TLS",
                    "no tls_cert and tls_key",
                    "Who listens on the network learns it.",
                    "Set tls_cert and tls_key, or reach the page through a tunnel.",
                ));
            }
        },
    },
    Check {
        id: "guest-alone",
        severity: Hint,
        reason: "A guest view means something only beside a password.",
        source: "arithmetic",
        look: |view, out| {
            let page = &view.plan.whole.page;
            if page.guest && page.password_hash.is_none() {
                out.push(say(
                    "page.guest",
                    "a guest view without a password has no effect",
                    "guest = true, no password_hash",
                    "Everybody who reaches the page is the operator.",
                    "Set password_hash too.",
                ));
            }
        },
    },
    Check {
        id: "kiss-open",
        severity: Stop,
        reason: "KISS knows no password.",
        source: "KISS paper",
        look: |view, out| {
            let kiss = &view.plan.whole.kiss_server;
            if kiss.enabled && !is_loopback(&kiss.address) {
                out.push(say(
                    "kiss_server.address",
                    "the KISS server is on the network",
                    format!("address = \"{}\"", kiss.address),
                    "Whoever reaches it transmits with your radios.",
                    "Set address = \"127.0.0.1\" and use a tunnel.",
                ));
            }
        },
    },
    Check {
        id: "same-tcp-port",
        severity: Stop,
        reason: "One TCP port serves one thing.",
        source: "arithmetic",
        look: |view, out| {
            let whole = &view.plan.whole;
            if whole.kiss_server.enabled && whole.kiss_server.port == whole.page.port {
                out.push(say(
                    "kiss_server.port",
                    "page and KISS server want the same TCP port",
                    whole.page.port.to_string(),
                    "One of them cannot start.",
                    "Give them different ports.",
                ));
            }
        },
    },
    Check {
        id: "journal-large",
        severity: Attention,
        reason: "A full disk stops more than the journal.",
        source: "common practice, no source",
        look: |view, out| {
            let most = view.plan.whole.journal.most_mb;
            if most > 20_000.0 {
                out.push(say(
                    "journal.most_mb",
                    "the journal has next to no ceiling",
                    format!("{most} MB"),
                    "It can fill the disk of a small computer.",
                    "Take 500 MB; that is years of an ordinary station.",
                ));
            }
        },
    },
    Check {
        id: "unattended-no-alarm",
        severity: Hint,
        reason: "Nobody looks at the page of an unattended station.",
        source: "common practice, no source",
        look: |view, out| {
            let unattended = view
                .ports()
                .any(|port| port.devices.radio.is_some_and(|radio| radio.unattended));
            if unattended && view.plan.whole.alarm_command.is_empty() {
                out.push(say(
                    "alarm",
                    "an unattended station tells nobody of its alarms",
                    "unattended = true and no [alarm] command",
                    "A fault goes on until somebody looks.",
                    "Set command in [alarm] to what reaches you.",
                ));
            }
        },
    },
];
