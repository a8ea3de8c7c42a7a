//! A frame and how it was heard, in the form in which it is merged, kept and printed.

use dunlin_clock::SampleRate;
use dunlin_modem::{Line, Mode};
use dunlin_station::port::ReceptionReport;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// A frame that was found in a recording.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// On which line it was heard: mode, symbol rate, tones.
    pub line: Line,
    /// First bit after the opening flag, samples of the recording.
    pub start: u64,
    /// Last bit of the closing flag, samples of the recording.
    pub end: u64,
    /// The octets without FCS.
    #[serde(with = "hexadecimal")]
    pub octets: Vec<u8>,
    /// Everything that was measured, under the names of the reception report; numbers are
    /// rounded, so that they survive being written and read.
    pub measured: Map<String, Value>,
}

impl Found {
    /// A frame that a receiver told, which began to listen at sample `from` of the recording.
    pub fn new(line: Line, octets: Vec<u8>, report: &ReceptionReport, from: u64) -> Self {
        let mut measured = match serde_json::to_value(report) {
            Ok(Value::Object(map)) => map,
            _ => Map::new(),
        };
        measured.remove("start");
        measured.remove("end");
        for (name, value) in &mut measured {
            round(value, if name == "confidence" { 6 } else { 3 });
        }
        Found {
            line,
            start: from + report.start.0,
            end: from + report.end.0,
            octets,
            measured,
        }
    }

    /// How it was sent.
    pub fn mode(&self) -> Mode {
        self.line.mode()
    }

    /// A figure of the report.
    pub fn figure(&self, name: &str) -> Option<f64> {
        self.measured.get(name)?.as_f64()
    }

    /// Bits that were turned for the frame check to be right; 0 for a frame read as it was.
    pub fn repaired_bits(&self) -> u64 {
        self.measured
            .get("repaired_bits")
            .and_then(Value::as_u64)
            .unwrap_or(0)
    }

    /// Where it begins, seconds of the recording.
    pub fn start_s(&self, rate: SampleRate) -> f64 {
        self.start as f64 / rate.hz_f64()
    }

    /// True for the same octets at the same place: they share at least half of the shorter one.
    /// A repeat begins where the first one ends, so it is never a copy.
    pub fn is_copy_of(&self, other: &Found) -> bool {
        let shared = self
            .end
            .min(other.end)
            .saturating_sub(self.start.max(other.start));
        let shorter =
            (self.end.saturating_sub(self.start)).min(other.end - other.start.min(other.end));
        self.octets == other.octets && 2 * shared > shorter
    }

    /// True if this copy says more than another: fewer repaired bits, then less noise.
    pub fn is_better_than(&self, other: &Found) -> bool {
        let snr = |f: &Found| f.figure("snr_db").unwrap_or(f64::NEG_INFINITY);
        let by_bits = other.repaired_bits().cmp(&self.repaired_bits());
        by_bits.then(snr(self).total_cmp(&snr(other))).is_gt()
    }
}

/// Rounds every number with a fraction in a value.
fn round(value: &mut Value, places: i32) {
    match value {
        Value::Number(n) if n.is_f64() => {
            let rounded = n.as_f64().map(|x| rounded(x, places));
            *value = rounded.map_or(Value::Null, Value::from);
        }
        Value::Array(list) => list.iter_mut().for_each(|v| round(v, places)),
        Value::Object(map) => map.values_mut().for_each(|v| round(v, places)),
        _ => {}
    }
}

/// A number with so many decimal places.
pub fn rounded(x: f64, places: i32) -> f64 {
    let scale = 10_f64.powi(places);
    // Adding zero makes a negative zero a plain one.
    (x * scale).round() / scale + 0.0
}

/// Lower-case hex of octets.
pub fn hex(octets: &[u8]) -> String {
    octets.iter().map(|o| format!("{o:02x}")).collect()
}

/// Octets as hex in JSON.
mod hexadecimal {
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(octets: &[u8], to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&super::hex(octets))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u8>, D::Error> {
        let text = String::deserialize(from)?;
        let digits: Option<Vec<u8>> = text
            .chars()
            .map(|c| c.to_digit(16).map(|d| d as u8))
            .collect();
        match digits {
            Some(digits) if digits.len() % 2 == 0 => {
                Ok(digits.chunks_exact(2).map(|d| d[0] << 4 | d[1]).collect())
            }
            _ => Err(D::Error::custom("octets that are not hex")),
        }
    }
}
