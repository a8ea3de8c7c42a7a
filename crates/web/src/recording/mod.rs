//! The recording of the last minute of a port, as a file for other programs.

mod sigmf;
mod tar;
mod wav;

use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use dunlin_clock::WallTime;
use dunlin_station::PortId;
use serde::Deserialize;
use std::convert::Infallible;
use std::sync::Arc;
use tokio::sync::OwnedSemaphorePermit;

use crate::Ask;
use crate::api::{Shared, refused};

/// Recordings that are made at once. Each takes some 25 MB while it is sent.
pub(crate) const MOST_AT_ONCE: usize = 2;

/// What a port has heard lately.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Name of the port in the station plan.
    pub port_name: String,
    /// Samples per second.
    pub rate_hz: u32,
    /// Civil time of the first sample, as well as it is known.
    pub began: WallTime,
    /// Samples of -1 to 1, one channel, exactly as the modem got them.
    pub samples: Vec<f32>,
}

/// Which recording, and how.
#[derive(Debug, Deserialize)]
pub(crate) struct Wish {
    port: Option<u8>,
    #[serde(default, rename = "as")]
    form: String,
}

/// Octets that are handed out at a time.
const PIECE: usize = 64 << 10;

/// The last minute of a port as a WAV file or a SigMF archive.
pub(crate) async fn recording(
    State(shared): State<Arc<Shared>>,
    Query(wish): Query<Wish>,
) -> Response {
    let form: fn(&Recording, &str) -> Vec<u8> = match wish.form.as_str() {
        "wav" => |recording, _| wav::file(recording),
        "sigmf" => sigmf::archive,
        _ => return bad_wish(),
    };
    let Some(port) = wish.port.map(PortId) else {
        return bad_wish();
    };
    let Ok(seat) = shared.recordings.clone().try_acquire_owned() else {
        let sentence = "other recordings are being made; try again in a few seconds";
        return refused(StatusCode::SERVICE_UNAVAILABLE, sentence);
    };
    let recording = match shared.ask(|reply| Ask::Recording { port, reply }).await {
        Ok(Ok(recording)) => recording,
        Ok(Err(sentence)) => return refused(StatusCode::NOT_FOUND, &sentence),
        Err(response) => return response,
    };
    // Off the thread that serves everybody else.
    let made = tokio::task::spawn_blocking(move || {
        let name = name(&recording);
        (name.clone(), form(&recording, &name))
    });
    let Ok((name, octets)) = made.await else {
        return refused(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the recording could not be made",
        );
    };
    let (kind, ending) = match wish.form.as_str() {
        "wav" => ("audio/wav", "wav"),
        _ => ("application/x-tar", "sigmf"),
    };
    let offered = format!("attachment; filename=\"{name}.{ending}\"");
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CONTENT_DISPOSITION, offered.as_str()),
    ];
    (headers, body(octets, seat)).into_response()
}

/// The octets piece by piece. The seat is kept until the last has gone: who reads slowly keeps it, and the memory.
pub(crate) fn body(octets: Vec<u8>, seat: OwnedSemaphorePermit) -> Body {
    let pieces = futures_util::stream::unfold((octets, 0, seat), |(octets, at, seat)| async move {
        let end = octets.len().min(at + PIECE);
        let piece = octets[at..end].to_vec();
        let more = !piece.is_empty();
        more.then_some((Ok::<_, Infallible>(piece), (octets, end, seat)))
    });
    Body::from_stream(pieces)
}

fn bad_wish() -> Response {
    let sentence = "a recording is asked for with ?port=0&as=wav or ?port=0&as=sigmf, with the \
                    number of the port as the snapshot has it";
    refused(StatusCode::BAD_REQUEST, sentence)
}

/// Samples as 32-bit floating point, little-endian.
fn add_samples(octets: &mut Vec<u8>, samples: &[f32]) {
    octets.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
}

/// A name for the file, of letters, digits, '-' and '_': the port and the time of the first sample.
fn name(recording: &Recording) -> String {
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() || c == '-' {
            c
        } else {
            '_'
        }
    };
    let port: String = recording.port_name.chars().take(32).map(plain).collect();
    let time: String = civil(recording.began)
        .chars()
        .filter(|c| !"-:.".contains(*c))
        .collect();
    format!("{port}-{time}")
}

/// A time as ISO 8601 has it, in UTC with milliseconds: the civil calendar, counted in eras of 400
/// years (146 097 days) from 1 March of the year 0, so that a leap day is the last of its year.
fn civil(wall: WallTime) -> String {
    let (days, ms) = (wall.0.div_euclid(86_400_000), wall.0.rem_euclid(86_400_000));
    let shifted = days + 719_468; // From 1 March of the year 0 to 1 January 1970.
    let (era, day) = (shifted.div_euclid(146_097), shifted.rem_euclid(146_097));
    let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153; // From March on; months of 31, 30, 31, 30, 31 days repeat.
    let day = day - (153 * month + 2) / 5 + 1;
    let (month, next) = if month < 10 {
        (month + 3, 0)
    } else {
        (month - 9, 1)
    };
    let year = year + era * 400 + next;
    let (seconds, ms) = (ms / 1000, ms % 1000);
    let (hour, minute, second) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{ms:03}Z")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn civil_times_are_right_about_leap_days() {
        for (ms, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (951_782_400_123, "2000-02-29T00:00:00.123Z"),
            (1_709_251_199_999, "2024-02-29T23:59:59.999Z"),
            (1_800_000_000_000, "2027-01-15T08:00:00.000Z"),
            (4_107_542_399_000, "2100-02-28T23:59:59.000Z"),
            (4_107_542_400_000, "2100-03-01T00:00:00.000Z"),
        ] {
            assert_eq!(civil(WallTime(ms)), text);
        }
    }

    #[test]
    fn the_name_of_a_file_has_nothing_strange_in_it() {
        let recording = Recording {
            port_name: "../K\u{FC}ste \"2\"\r\n".into(),
            rate_hz: 48_000,
            began: WallTime(1_800_000_000_000),
            samples: Vec::new(),
        };
        assert_eq!(name(&recording), "___K_ste__2___-20270115T080000000Z");
    }
}
