//! Figures of the running station in the text format of Prometheus, version 0.0.4
//! (prometheus.io, "Exposition formats", section "Text-based format").

use std::fmt::Write;

use dunlin_station::Snapshot;

use super::driver::{Delay, Delays};

/// What the driver knows of a port besides what the engine tells.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct PortFigures {
    /// Pieces of sound dropped.
    pub(crate) overruns: u64,
    /// Gaps in what was sent.
    pub(crate) underruns: u64,
    /// Times that the device was lost.
    pub(crate) losses: u64,
    /// Delays of keying.
    pub(crate) delays: Delays,
}

/// One line of figures to be: name, kind, help, and a value for each label.
struct Family<'a> {
    name: &'a str,
    kind: &'a str,
    help: &'a str,
}

/// One of the delays.
type DelayOf = fn(&Delays) -> Delay;

/// The whole text.
pub(crate) fn text(snapshot: &Snapshot, ports: &[PortFigures]) -> String {
    let mut text = String::new();
    let uptime = snapshot.now_ms as f64 / 1000.0;
    let family = Family {
        name: "dunlin_uptime_seconds",
        kind: "gauge",
        help: "Time since the station started.",
    };
    put(&mut text, &family, [(String::new(), uptime)]);
    of_engine(&mut text, snapshot);
    of_gates(&mut text, snapshot);
    of_driver(&mut text, snapshot, ports);
    text
}

fn of_engine(text: &mut String, snapshot: &Snapshot) {
    let by_port = |value: &dyn Fn(&dunlin_station::PortView) -> f64| -> Vec<(String, f64)> {
        let one = |p: &dunlin_station::PortView| (label(&[("port", &p.name)]), value(p));
        snapshot.ports.iter().map(one).collect()
    };
    let gauge = |name, help| Family {
        name,
        kind: "gauge",
        help,
    };
    let f = gauge("dunlin_channel_busy", "1 while data tones are heard.");
    put(text, &f, by_port(&|p| f64::from(u8::from(p.busy))));
    let f = gauge("dunlin_transmitting", "1 while the port transmits.");
    put(text, &f, by_port(&|p| f64::from(u8::from(p.transmitting))));
    let f = gauge("dunlin_queued_frames", "Frames that wait to be sent.");
    put(text, &f, by_port(&|p| p.queued as f64));
    let f = gauge(
        "dunlin_channel_share",
        "Share of ten minutes in which the channel was occupied.",
    );
    put(text, &f, by_port(&|p| f64::from(p.occupied)));
    let f = gauge(
        "dunlin_own_share",
        "Share of ten minutes in which this station transmitted.",
    );
    put(text, &f, by_port(&|p| f64::from(p.own_share)));
    let heard = snapshot.heard.len() as f64;
    let f = gauge(
        "dunlin_stations_heard",
        "Stations in the list of stations heard.",
    );
    put(text, &f, [(String::new(), heard)]);
    let f = gauge(
        "dunlin_talks",
        "Talks, ended ones included, that are shown.",
    );
    put(text, &f, [(String::new(), snapshot.talks.len() as f64)]);
    let f = gauge("dunlin_stopped", "1 if the whole station is stopped.");
    let stopped = snapshot.stops.iter().any(|stop| stop.port.is_none());
    put(text, &f, [(String::new(), f64::from(u8::from(stopped)))]);
    let f = gauge("dunlin_alarm", "1 for each alarm that holds.");
    let alarms = snapshot.alarms.iter().map(|alarm| {
        let kind = serde_json::to_string(&alarm.kind).unwrap_or_default();
        let port = alarm
            .port
            .and_then(|p| snapshot.ports.get(usize::from(p.0)));
        let port = port.map_or("", |p| p.name.as_str());
        let labels = label(&[("kind", kind.trim_matches('"')), ("port", port)]);
        (labels, f64::from(u8::from(alarm.active)))
    });
    put(text, &f, alarms);
}

fn of_gates(text: &mut String, snapshot: &Snapshot) {
    let name = |port: dunlin_station::PortId| {
        let port = snapshot.ports.get(usize::from(port.0));
        port.map_or(String::new(), |p| p.name.clone())
    };
    let conditions = snapshot.gates.iter().flat_map(|gate| {
        gate.conditions.iter().map(move |c| {
            let kind = serde_json::to_string(&c.condition).unwrap_or_default();
            let labels = [
                ("port", name(gate.port)),
                ("condition", kind.trim_matches('"').to_owned()),
            ];
            let labels: Vec<(&str, &str)> = labels.iter().map(|(k, v)| (*k, v.as_str())).collect();
            (label(&labels), f64::from(u8::from(c.open)))
        })
    });
    let family = Family {
        name: "dunlin_gate_open",
        kind: "gauge",
        help: "1 for each condition of the gate that is open.",
    };
    put(text, &family, conditions);
    let family = Family {
        name: "dunlin_key_down_seconds",
        kind: "gauge",
        help: "Time that the key was down in the last ten minutes and the last hour.",
    };
    let windows = snapshot.gates.iter().flat_map(|gate| {
        let of = |window: &str, ms: u64| {
            let labels = label(&[("port", &name(gate.port)), ("window", window)]);
            (labels, ms as f64 / 1000.0)
        };
        [
            of("10m", gate.key_down.ten_minutes_ms),
            of("1h", gate.key_down.hour_ms),
        ]
    });
    put(text, &family, windows);
}

fn of_driver(text: &mut String, snapshot: &Snapshot, ports: &[PortFigures]) {
    let by_port = |value: &dyn Fn(&PortFigures) -> f64| -> Vec<(String, f64)> {
        let names = snapshot.ports.iter().map(|p| label(&[("port", &p.name)]));
        names.zip(ports.iter().map(value)).collect()
    };
    let counter = |name, help| Family {
        name,
        kind: "counter",
        help,
    };
    let f = counter("dunlin_sound_overruns_total", "Pieces of sound dropped.");
    put(text, &f, by_port(&|p| p.overruns as f64));
    let f = counter("dunlin_sound_underruns_total", "Gaps in what was sent.");
    put(text, &f, by_port(&|p| p.underruns as f64));
    let f = counter(
        "dunlin_device_losses_total",
        "Times that the device was lost.",
    );
    put(text, &f, by_port(&|p| p.losses as f64));
    let delays: [(&str, &str, DelayOf); 2] = [
        (
            "dunlin_key_to_first_tone_seconds",
            "From the key down to the first sample out of the device.",
            |d| d.to_first_tone,
        ),
        (
            "dunlin_last_tone_to_release_seconds",
            "From the last sample out of the device to the key released.",
            |d| d.to_release,
        ),
    ];
    for (name, help, of) in delays {
        let family = Family {
            name,
            kind: "summary",
            help,
        };
        head(text, &family);
        for (port, figures) in snapshot.ports.iter().zip(ports) {
            let delay = of(&figures.delays);
            let labels = label(&[("port", &port.name)]);
            line(
                text,
                &format!("{name}_sum"),
                &labels,
                delay.sum.as_secs_f64(),
            );
            line(text, &format!("{name}_count"), &labels, delay.count as f64);
        }
    }
}

fn head(text: &mut String, family: &Family<'_>) {
    let Family { name, kind, help } = family;
    let _ = write!(text, "# HELP {name} {help}\n# TYPE {name} {kind}\n"); // A string cannot fail.
}

fn put(text: &mut String, family: &Family<'_>, values: impl IntoIterator<Item = (String, f64)>) {
    head(text, family);
    for (labels, value) in values {
        line(text, family.name, &labels, value);
    }
}

fn line(text: &mut String, name: &str, labels: &str, value: f64) {
    let _ = writeln!(text, "{name}{labels} {value}");
}

/// Labels in braces, their values escaped as the format asks.
fn label(pairs: &[(&str, &str)]) -> String {
    let escaped = |value: &str| {
        value
            .replace('\\', "\\\\")
            .replace('"', "\\\"")
            .replace('\n', "\\n")
    };
    let pairs: Vec<String> = pairs
        .iter()
        .map(|(name, value)| format!("{name}=\"{}\"", escaped(value)))
        .collect();
    format!("{{{}}}", pairs.join(","))
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_clock::Instant;
    use dunlin_station::Station;

    #[test]
    fn every_line_is_one_of_the_format() {
        let station = Station::new(crate::run::test_station("QA1SKY")).expect("a station");
        let snapshot = station.snapshot(Instant::from_secs(3));
        let text = text(&snapshot, &[PortFigures::default()]);
        assert!(text.ends_with('\n'));
        let mut typed = std::collections::BTreeSet::new();
        for line in text.lines() {
            if let Some(rest) = line.strip_prefix("# TYPE ") {
                let (name, kind) = rest.split_once(' ').expect("name and type");
                assert!(["gauge", "counter", "summary"].contains(&kind));
                assert!(typed.insert(name.to_owned()), "{name} twice");
            } else if !line.starts_with("# HELP ") {
                let (name, value) = line.rsplit_once(' ').expect("name and value");
                assert!(value.parse::<f64>().is_ok(), "{line}");
                let bare = name.split('{').next().unwrap_or_default();
                let family = bare.trim_end_matches("_sum").trim_end_matches("_count");
                assert!(typed.contains(family), "{line} has no type");
            }
        }
        assert!(text.contains("dunlin_uptime_seconds 3\n"), "{text}");
    }

    #[test]
    fn odd_names_are_escaped() {
        assert_eq!(label(&[("port", "a\"b\\c")]), "{port=\"a\\\"b\\\\c\"}");
    }
}
