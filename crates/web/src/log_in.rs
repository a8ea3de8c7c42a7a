//! Logging in and out, and who one is.

use std::sync::Arc;

use axum::extract::rejection::JsonRejection;
use axum::extract::{Extension, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use crate::api::{Shared, refused, unreadable};
use crate::door::{Denied, Role, Visitor};

pub(crate) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/log-in", post(log_in))
        .route("/api/log-out", post(log_out))
        .route("/api/visitor", get(visitor))
}

/// Name of the cookie. Under TLS the prefix makes browsers take it only from this host and
/// only encrypted (RFC 6265bis draft, section "The __Host- Prefix", from memory).
fn cookie_name(secure: bool) -> &'static str {
    match secure {
        true => "__Host-dunlin-session",
        false => "dunlin-session",
    }
}

/// The token in a request's cookies (RFC 6265 section 5.4), if it sends one.
pub(crate) fn token(headers: &HeaderMap, secure: bool) -> Option<String> {
    let lines = headers.get_all(header::COOKIE).iter();
    let pairs = lines.filter_map(|line| line.to_str().ok());
    let mut pairs = pairs.flat_map(|line| line.split(';'));
    pairs.find_map(|pair| match pair.trim().split_once('=') {
        Some((name, value)) if name == cookie_name(secure) => Some(value.to_owned()),
        _ => None,
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Password {
    password: String,
}

#[derive(Serialize)]
struct Who {
    role: Role,
    /// A password is set, so that one can log in and out.
    locked: bool,
}

async fn visitor(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    let locked = shared.door.is_locked();
    let role = visitor.role;
    Json(Who { role, locked }).into_response()
}

async fn log_in(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    body: Result<Json<Password>, JsonRejection>,
) -> Response {
    let password = match body {
        Ok(Json(body)) => body.password,
        Err(rejection) if rejection.status() == StatusCode::UNSUPPORTED_MEDIA_TYPE => {
            return unreadable(&rejection);
        }
        // The words of the rejection could quote the password.
        Err(rejection) => {
            let sentence = r#"this cannot be read; send {"password": "…"} as JSON"#;
            return refused(rejection.status(), sentence);
        }
    };
    match shared.door.admit(visitor.address, password).await {
        Ok(token) => with_cookie(&shared, &token, Role::Operator, ""),
        Err(denied) => deny(denied),
    }
}

async fn log_out(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    shared.door.leave(visitor.token.as_deref());
    let role = shared.door.role(None);
    with_cookie(&shared, "", role, "; Max-Age=0")
}

fn with_cookie(shared: &Shared, token: &str, role: Role, end: &str) -> Response {
    let secure = if shared.secure { "; Secure" } else { "" };
    let name = cookie_name(shared.secure);
    let cookie = format!("{name}={token}; Path=/; HttpOnly; SameSite=Strict{secure}{end}");
    let locked = shared.door.is_locked();
    let mut response = Json(Who { role, locked }).into_response();
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}

fn deny(denied: Denied) -> Response {
    let (status, sentence) = match denied {
        Denied::Wait(left) => {
            let seconds = left.as_millis().div_ceil(1000);
            let sentence = format!("too many wrong tries; wait {seconds} s, then try again");
            let mut response = refused(StatusCode::TOO_MANY_REQUESTS, &sentence);
            if let Ok(value) = HeaderValue::from_str(&seconds.to_string()) {
                response.headers_mut().insert(header::RETRY_AFTER, value);
            }
            return response;
        }
        Denied::Busy => (
            StatusCode::TOO_MANY_REQUESTS,
            "others are logging in at this moment; try again in some seconds",
        ),
        Denied::Wrong => (
            StatusCode::FORBIDDEN,
            "this is not the password; look at capitals and the keyboard's language, then try again",
        ),
        Denied::NoToken => (
            StatusCode::SERVICE_UNAVAILABLE,
            "the machine gives no random numbers, so nobody can log in; try again later",
        ),
        Denied::NoDoor => (
            StatusCode::CONFLICT,
            "this page has no password, so there is nothing to log in to; just open it",
        ),
    };
    refused(status, sentence)
}
