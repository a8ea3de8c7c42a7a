//! The shelf of the station, for its operator: files are put there to be offered in talks, and those that have come are
//! fetched.
//!
//! Who keeps the files is behind the driver ([`Ask::Files`]); nothing is kept and nothing decided here. A file that
//! somebody sent is never shown by the browser: it goes out as a download of octets, whatever it says that it is.

use std::sync::Arc;
use std::time::Duration;

use axum::body::Bytes;
use axum::extract::rejection::{JsonRejection, QueryRejection};
use axum::extract::{DefaultBodyLimit, Extension, FromRequest, Path, Query, Request, State};
use axum::http::header::{self, HeaderMap};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use dunlin_mail::file::{HASH_OCTETS, Head, hash_in_hex, read_hash};
use dunlin_station::{Direction, TalkId};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use tokio::sync::OwnedSemaphorePermit;

use crate::Ask;
use crate::api::{Shared, refused, unreadable};
use crate::door::{Role, Visitor};
use crate::recording::body;

/// Octets of a file that is taken from a page, at most; the plan may set less.
const MOST_OCTETS: usize = 10_000_000;
/// Files that come or go at once. Each is in memory meanwhile.
pub(crate) const MOST_AT_ONCE: usize = 4;
/// How long a file may take from the page to here.
const PATIENCE: Duration = Duration::from_secs(60);

/// What the operator wants of the shelf.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileWish {
    /// What is there. Answered with [`FileReply::List`].
    List,
    /// Put this there, to be offered. Answered with [`FileReply::Put`].
    Put {
        /// Its name, as the page has it: not yet looked at.
        name: String,
        /// Its kind of media, as `image/png`, if it is known.
        media: Option<String>,
        /// The file itself.
        octets: Vec<u8>,
        /// The talk for which its time on the air is asked.
        talk: Option<TalkId>,
    },
    /// A file that has come. Answered with [`FileReply::Octets`].
    Fetch(
        /// Its SHA-256.
        [u8; HASH_OCTETS],
    ),
    /// Delete it. Answered with [`FileReply::Done`].
    Delete {
        /// Its SHA-256.
        hash: [u8; HASH_OCTETS],
        /// Received, or put there to be sent.
        direction: Direction,
    },
}

/// What is answered to a [`FileWish`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileReply {
    /// What is there.
    List(Vec<(Head, Direction)>),
    /// It is there, and may be offered.
    Put {
        /// What is to be said of it.
        head: Head,
        /// Its time on the air in the talk that was named.
        airtime: Option<Duration>,
    },
    /// A whole file.
    Octets(Head, Vec<u8>),
    /// It was done.
    Done,
}

/// Why something about files was not done. Each says what to do, where something can be done.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum FileRefusal {
    /// There is no such file.
    #[error("there is no such file here; it may have been deleted")]
    NotThere,
    /// Its name is not allowed, or it is empty.
    #[error("{0}")]
    NotAllowed(String),
    /// It is larger than is offered here.
    #[error("{0}")]
    TooLarge(String),
    /// The shelf is full.
    #[error("{0}")]
    NoRoom(String),
    /// It may not be: no files are kept, or the talk is over.
    #[error("{0}")]
    Refused(String),
    /// The shelf cannot be read or written. Says why.
    #[error("{0}")]
    Failed(String),
}

impl FileRefusal {
    fn status(&self) -> StatusCode {
        match self {
            FileRefusal::NotThere => StatusCode::NOT_FOUND,
            FileRefusal::NotAllowed(_) => StatusCode::BAD_REQUEST,
            FileRefusal::TooLarge(_) => StatusCode::PAYLOAD_TOO_LARGE,
            FileRefusal::NoRoom(_) => StatusCode::INSUFFICIENT_STORAGE,
            FileRefusal::Refused(_) => StatusCode::CONFLICT,
            FileRefusal::Failed(_) => StatusCode::SERVICE_UNAVAILABLE,
        }
    }
}

/// A file on the shelf, as the page has it.
#[derive(Debug, Serialize)]
struct ShelfFile<'a> {
    hash: String,
    name: &'a str,
    media: Option<&'a str>,
    size: u64,
    direction: Direction,
}

#[derive(Debug, Serialize)]
struct PutView<'a> {
    #[serde(flatten)]
    file: ShelfFile<'a>,
    /// ms; `null` = no talk was named.
    airtime_ms: Option<u64>,
}

#[derive(Debug, Serialize)]
struct ListView<'a> {
    files: Vec<ShelfFile<'a>>,
}

#[derive(Debug, Deserialize)]
struct Named {
    name: String,
    talk: Option<TalkId>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Doomed {
    hash: String,
    direction: Direction,
}

pub(crate) fn routes() -> Router<Arc<Shared>> {
    let long = DefaultBodyLimit::max(MOST_OCTETS);
    Router::new()
        .route("/api/files", get(list).merge(post(put).layer(long)))
        .route("/api/files/delete", post(delete))
        .route("/api/files/{hash}", get(fetch))
}

async fn list(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    match visitor.role {
        Role::Operator => answer(&shared, FileWish::List).await,
        _ => no_guests(),
    }
}

/// Takes a file; who may not command does not get here, as with every POST.
async fn put(
    State(shared): State<Arc<Shared>>,
    named: Result<Query<Named>, QueryRejection>,
    request: Request,
) -> Response {
    let Ok(Query(Named { name, talk })) = named else {
        let sentence = "a file is put here with ?name=map.png and, to hear its time on the air, &talk= and the \
                        number of a talk";
        return refused(StatusCode::BAD_REQUEST, sentence);
    };
    let Some(_seat) = seat(&shared) else {
        return too_many();
    };
    let said = request.headers().get(header::CONTENT_LENGTH);
    let said = said.and_then(|length| length.to_str().ok()?.parse().ok());
    if said.is_some_and(|length: usize| length > MOST_OCTETS) {
        return too_large();
    }
    let media = media(request.headers());
    let octets = match tokio::time::timeout(PATIENCE, Bytes::from_request(request, &())).await {
        Ok(Ok(octets)) => octets.to_vec(),
        Ok(Err(error)) if error.status() == StatusCode::PAYLOAD_TOO_LARGE => return too_large(),
        Ok(Err(_)) => {
            let sentence = "the file did not come whole; send it again";
            return refused(StatusCode::BAD_REQUEST, sentence);
        }
        Err(_) => {
            let sentence = "the file took too long to come; send it again";
            return refused(StatusCode::REQUEST_TIMEOUT, sentence);
        }
    };
    let wish = FileWish::Put {
        name,
        media,
        octets,
        talk,
    };
    answer(&shared, wish).await
}

async fn fetch(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    Path(hash): Path<String>,
) -> Response {
    if visitor.role != Role::Operator {
        return no_guests();
    }
    let Some(hash) = read_hash(&hash) else {
        return no_hash();
    };
    let Some(seat) = seat(&shared) else {
        return too_many();
    };
    match asked(&shared, FileWish::Fetch(hash)).await {
        Ok(FileReply::Octets(head, octets)) => download(&head, octets, seat),
        Ok(_) => unfit(),
        Err(response) => response,
    }
}

async fn delete(
    State(shared): State<Arc<Shared>>,
    body: Result<Json<Doomed>, JsonRejection>,
) -> Response {
    let Doomed { hash, direction } = match body {
        Ok(Json(doomed)) => doomed,
        Err(rejection) => return unreadable(&rejection),
    };
    match read_hash(&hash) {
        Some(hash) => answer(&shared, FileWish::Delete { hash, direction }).await,
        None => no_hash(),
    }
}

async fn answer(shared: &Shared, wish: FileWish) -> Response {
    match asked(shared, wish).await {
        Ok(FileReply::List(heads)) => {
            let files = heads.iter().map(|(head, direction)| view(head, *direction));
            let files = files.collect();
            Json(ListView { files }).into_response()
        }
        Ok(FileReply::Put { head, airtime }) => {
            let file = view(&head, Direction::Sent);
            let ms = |time: Duration| u64::try_from(time.as_millis()).unwrap_or(u64::MAX);
            let airtime_ms = airtime.map(ms);
            Json(PutView { file, airtime_ms }).into_response()
        }
        Ok(FileReply::Done) => Json("done").into_response(),
        Ok(FileReply::Octets(..)) => unfit(),
        Err(response) => response,
    }
}

/// The answer of the driver, or what the client is told instead.
async fn asked(shared: &Shared, wish: FileWish) -> Result<FileReply, Response> {
    let wish = Box::new(wish);
    let answer = shared.ask(|reply| Ask::Files { wish, reply }).await?;
    answer.map_err(|refusal| refused(refusal.status(), &refusal.to_string()))
}

/// A bug of whoever keeps the files.
fn unfit() -> Response {
    let sentence = "the shelf gave an answer that does not fit; try again";
    refused(StatusCode::INTERNAL_SERVER_ERROR, sentence)
}

fn view(head: &Head, direction: Direction) -> ShelfFile<'_> {
    ShelfFile {
        hash: hash_in_hex(head.hash()),
        name: head.name(),
        media: head.media(),
        size: head.size(),
        direction,
    }
}

/// The octets as a file to be kept. Its kind is that of any octets: what another station says of it is not believed.
/// The guard adds `nosniff`, without which browsers would guess.
fn download(head: &Head, octets: Vec<u8>, seat: OwnedSemaphorePermit) -> Response {
    let length = HeaderValue::from(octets.len());
    let mut response = body(octets, seat).into_response();
    let headers = response.headers_mut();
    let plain = HeaderValue::from_static("application/octet-stream");
    headers.insert(header::CONTENT_TYPE, plain);
    headers.insert(header::CONTENT_LENGTH, length);
    let safe = HeaderValue::from_static("attachment");
    let named = HeaderValue::try_from(disposition(head.name())).unwrap_or(safe);
    headers.insert(header::CONTENT_DISPOSITION, named);
    response
}

/// Content-Disposition (RFC 6266, section 4.3): the name in ASCII for old browsers, and as it is by the encoding of
/// RFC 8187, section 3.2.
fn disposition(name: &str) -> String {
    let plain = |c: char| match c {
        'a'..='z' | 'A'..='Z' | '0'..='9' | ' ' | '.' | '-' | '_' => c,
        _ => '_',
    };
    let plain: String = name.chars().map(plain).collect();
    let mut whole = String::new();
    for octet in name.bytes() {
        match octet {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'.' | b'-' | b'_' => {
                whole.push(char::from(octet));
            }
            _ => whole.push_str(&format!("%{octet:02X}")),
        }
    }
    format!("attachment; filename=\"{plain}\"; filename*=UTF-8''{whole}")
}

/// The kind of media in a request, without its parameters. One that could not be said over the air counts as none: a file
/// needs none.
fn media(headers: &HeaderMap) -> Option<String> {
    let said = headers.get(header::CONTENT_TYPE)?.to_str().ok()?;
    let kind = said.split(';').next()?.trim();
    let fits = Head::new("a", Some(kind), 1, [0; HASH_OCTETS]).is_ok();
    fits.then(|| kind.to_owned())
}

fn seat(shared: &Shared) -> Option<OwnedSemaphorePermit> {
    shared.files.clone().try_acquire_owned().ok()
}

fn too_many() -> Response {
    let sentence = "other files come or go at this moment; try again in a few seconds";
    refused(StatusCode::SERVICE_UNAVAILABLE, sentence)
}

fn too_large() -> Response {
    let sentence = format!("the file has more than {MOST_OCTETS} octets, which nobody offers here");
    refused(StatusCode::PAYLOAD_TOO_LARGE, &sentence)
}

fn no_hash() -> Response {
    let sentence = "a file is named by its SHA-256: 64 digits of 0 to 9 and a to f";
    refused(StatusCode::BAD_REQUEST, sentence)
}

fn no_guests() -> Response {
    let sentence = "guests see which files go over talks, and get none; log in to fetch them";
    refused(StatusCode::FORBIDDEN, sentence)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_goes_into_the_header_as_it_is_and_does_no_harm_there() {
        assert_eq!(
            disposition("map of Lee Cove.png"),
            "attachment; filename=\"map of Lee Cove.png\"; filename*=UTF-8''map%20of%20Lee%20Cove.png"
        );
        assert_eq!(
            disposition("Fähre; x=\"1\".txt'%"),
            "attachment; filename=\"F_hre_ x__1_.txt__\"; \
             filename*=UTF-8''F%C3%A4hre%3B%20x%3D%221%22.txt%27%25"
        );
        assert_eq!(
            disposition("<img src=x onerror=\"f()\">.txt"),
            "attachment; filename=\"_img src_x onerror__f____.txt\"; \
             filename*=UTF-8''%3Cimg%20src%3Dx%20onerror%3D%22f%28%29%22%3E.txt"
        );
        let header = HeaderValue::try_from(disposition("a\r\nSet-Cookie: b"));
        assert!(header.is_ok(), "line breaks are gone");
    }

    #[test]
    fn a_kind_of_media_is_taken_if_it_can_be_said() {
        let of = |said: &'static str| {
            let pairs = [(header::CONTENT_TYPE, HeaderValue::from_static(said))];
            media(&HeaderMap::from_iter(pairs))
        };
        assert_eq!(of("image/png").as_deref(), Some("image/png"));
        assert_eq!(
            of("text/plain; charset=utf-8").as_deref(),
            Some("text/plain")
        );
        let long = "application/vnd.openxmlformats-officedocument.wordprocessingml.document";
        for none in ["", "png", "a/b/c", long] {
            assert_eq!(of(none), None, "{none}");
        }
        assert_eq!(media(&HeaderMap::new()), None);
    }
}
