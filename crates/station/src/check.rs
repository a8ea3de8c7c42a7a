//! What the engine refuses in a configuration. The `plan` crate finds these and more, with
//! the place in the file; this holds for whoever builds a configuration by hand.

use dunlin_ax25::wire::MAX_REPEATERS;
use dunlin_modem::Line;

use crate::config::{
    Beacon, ConfigError, CrossingRule, NodeRule, Partner, PortConfig, StationConfig,
};
use crate::event::PortId;
use crate::gate::Medium;
use crate::port::MOST_LINES;

impl StationConfig {
    /// Whether a station can be made of this.
    ///
    /// # Errors
    /// The first [`ConfigError`].
    pub fn check(&self) -> Result<(), ConfigError> {
        if self.ports.is_empty() || self.ports.len() > 255 {
            return Err(ConfigError::Ports(self.ports.len()));
        }
        self.ports.iter().try_for_each(check_port)?;
        for (i, rule) in self.crossings.iter().enumerate() {
            self.check_crossing(rule, &self.crossings[..i])?;
        }
        self.node
            .iter()
            .try_for_each(|node| self.check_node(node))?;
        let (Some(mail), node) = (&self.mail, &self.node) else {
            return Ok(());
        };
        check_share("mail", mail.most_share)?;
        // They call, and are called, by the call sign of the node.
        let answers = |p: &Partner| node.as_ref().is_some_and(|n| n.ports.contains(&p.port));
        match node.is_some() && mail.partners.iter().all(answers) {
            true => Ok(()),
            false => Err(ConfigError::Mail),
        }
    }

    fn check_node(&self, node: &NodeRule) -> Result<(), ConfigError> {
        let exists = |id: &PortId| usize::from(id.0) < self.ports.len();
        let all_exist = node.ports.iter().chain(&node.onward).all(exists);
        if node.ports.is_empty() || !all_exist {
            return Err(ConfigError::NodePorts);
        }
        check_share("the node", node.most_share)?;
        for port in &node.ports {
            let config = &self.ports[usize::from(port.0)];
            let mut rules = self.crossings.iter();
            let taken = rules.any(|r| r.from == *port && r.call == node.call);
            if config.call == node.call || taken {
                return Err(ConfigError::CallTwice(node.call, config.name.clone()));
            }
        }
        Ok(())
    }

    fn check_crossing(
        &self,
        rule: &CrossingRule,
        earlier: &[CrossingRule],
    ) -> Result<(), ConfigError> {
        let port = |id: PortId| self.ports.get(usize::from(id.0));
        let (Some(from), Some(_)) = (port(rule.from), port(rule.to)) else {
            return Err(ConfigError::CrossingPorts(rule.name.clone()));
        };
        if rule.from == rule.to {
            return Err(ConfigError::CrossingPorts(rule.name.clone()));
        }
        check_share(&rule.name, rule.most_share)?;
        let twice = earlier
            .iter()
            .any(|r| r.from == rule.from && r.call == rule.call);
        if from.call == rule.call || twice {
            return Err(ConfigError::CallTwice(rule.call, from.name.clone()));
        }
        Ok(())
    }
}

fn check_share(name: &str, share: f64) -> Result<(), ConfigError> {
    match share > 0.0 && share <= 1.0 {
        true => Ok(()),
        false => Err(ConfigError::Share(name.to_owned(), share.to_string())),
    }
}

/// A figure: what it is, its value, the lowest and highest allowed, and these in words.
type Figure = (&'static str, f64, f64, f64, &'static str);

fn check_port(port: &PortConfig) -> Result<(), ConfigError> {
    let real = port.gate.real_radio || port.gate.needs_proof;
    if port.medium == Medium::Frames && real {
        return Err(ConfigError::RadioWithoutModem(port.name.clone()));
    }
    let figures = of_timing(port).into_iter().chain(of_frames(port));
    let figures = figures.chain(of_gate(port));
    let of_beacons = port.beacons.iter().flat_map(of_beacon);
    for (what, value, low, high, allowed) in figures.chain(of_beacons) {
        if !(low..=high).contains(&value) {
            return Err(ConfigError::OutOfRange {
                port: port.name.clone(),
                what,
                value: value.to_string(),
                allowed,
            });
        }
    }
    check_lines(port)
}

/// What is listened to besides must be possible and new.
fn check_lines(port: &PortConfig) -> Result<(), ConfigError> {
    let lines: Vec<Line> = port.lines().collect();
    let no_modem = port.medium != Medium::Sound;
    for (n, line) in lines.iter().enumerate().skip(1) {
        if n >= MOST_LINES || no_modem || lines[..n].contains(line) {
            return Err(ConfigError::Line {
                port: port.name.clone(),
                line: line.to_string(),
            });
        }
    }
    Ok(())
}

fn of_timing(port: &PortConfig) -> [Figure; 6] {
    let t = &port.timing;
    let longest = t.longest_transmission.as_secs_f64();
    [
        ("persistence", t.persistence, 0.01, 1.0, "0.01 to 1"),
        (
            "slot time, s",
            t.slot_time.as_secs_f64(),
            0.01,
            10.0,
            "0.01 to 10",
        ),
        (
            "key-up delay, s",
            t.key_up_delay.as_secs_f64(),
            0.0,
            10.0,
            "0 to 10",
        ),
        ("tail, s", t.tail.as_secs_f64(), 0.0, 10.0, "0 to 10"),
        (
            "idle check, s",
            t.idle_check.as_secs_f64(),
            1.0,
            86_400.0,
            "1 to 86400",
        ),
        ("longest transmission, s", longest, 1.0, 600.0, "1 to 600"),
    ]
}

/// A window of the key-down limits can hold no more than itself, and must hold one whole
/// transmission.
fn of_gate(port: &PortConfig) -> [Figure; 6] {
    let (gate, limits) = (&port.gate, &port.gate.limits);
    let single = limits.single.as_secs_f64();
    let ten = limits.ten_minutes.as_secs_f64();
    let at_least = "that of one transmission to 600";
    let of_hour = "that of ten minutes to 3600";
    [
        (
            "key-down limit of one transmission, s",
            single,
            2.0,
            600.0,
            "2 to 600",
        ),
        (
            "key-down limit in ten minutes, s",
            ten,
            single,
            600.0,
            at_least,
        ),
        (
            "key-down limit in an hour, s",
            limits.hour.as_secs_f64(),
            ten,
            3600.0,
            of_hour,
        ),
        (
            "time between identifications, s",
            gate.identify_every.as_secs_f64(),
            30.0,
            3600.0,
            "30 to 3600",
        ),
        (
            "wait before an alarm, s",
            gate.wait_alarm.as_secs_f64(),
            1.0,
            86_400.0,
            "1 to 86400",
        ),
        (
            "settling time, s",
            gate.settle.as_secs_f64(),
            0.0,
            3600.0,
            "0 to 3600",
        ),
    ]
}

fn of_frames(port: &PortConfig) -> [Figure; 4] {
    let length = port.info_length as f64;
    let follow = f64::from(port.follow_most_hz);
    // What was heard may be the second input's, whose receiver has a dial of its own.
    let one_sound = port.medium == Medium::Sound && !port.second_input;
    let most = match port.line.is_searched() && one_sound {
        true => 100.0,
        false => 0.0,
    };
    [
        (
            "bound of following, Hz",
            follow,
            0.0,
            most,
            "0 to 100 for a mode that looks for its tones on one sound input, else 0",
        ),
        ("window", f64::from(port.window), 1.0, 64.0, "1 to 64"),
        ("information length, octets", length, 1.0, 256.0, "1 to 256"),
        ("retries", f64::from(port.retries), 1.0, 50.0, "1 to 50"),
    ]
}

fn of_beacon(beacon: &Beacon) -> [Figure; 3] {
    let interval = beacon.interval.as_secs_f64();
    let repeaters = beacon.via.len() as f64;
    [
        (
            "interval of a beacon, s",
            interval,
            1.0,
            1e7,
            "1 to 10000000",
        ),
        (
            "length of a beacon, octets",
            beacon.text.len() as f64,
            0.0,
            256.0,
            "0 to 256",
        ),
        (
            "digipeaters of a beacon",
            repeaters,
            0.0,
            MAX_REPEATERS as f64,
            "0 to 8",
        ),
    ]
}
