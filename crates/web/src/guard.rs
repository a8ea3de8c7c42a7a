//! Who may ask at all: only pages and programs of this machine that meant this address.
//!
//! A web page from elsewhere can make a browser send requests to the loopback address. Two
//! checks keep it out. `Host` must be the loopback address with our port, so that a name of
//! somebody else that was pointed to 127.0.0.1 fails (RFC 9110 section 7.2 says what Host
//! is). `Origin`, which browsers set on every POST (Fetch standard, "append a request
//! `Origin` header"), must be our own; a program without a browser sends none.

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::StatusCode;
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};

use crate::api::refused;

/// Longest request body, octets.
const LONGEST_BODY: usize = 64 << 10;

const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// Puts the checks before every route and the protecting headers on every answer.
pub(crate) fn guarded(app: Router, port: u16) -> Router {
    app.layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(port, check))
}

async fn check(State(port): State<u16>, request: Request, next: Next) -> Response {
    let mut response = match objection(request.headers(), request.uri().host(), port) {
        Some(sentence) => refused(StatusCode::FORBIDDEN, &sentence),
        None => next.run(request).await.into_response(),
    };
    for (name, value) in HEADERS {
        let value = HeaderValue::from_static(value);
        response.headers_mut().insert(name, value);
    }
    response
}

/// Why a request is not let in, if it is not.
fn objection(headers: &HeaderMap, uri_host: Option<&str>, port: u16) -> Option<String> {
    let text = |name: HeaderName| {
        let mut values = headers.get_all(name).iter();
        let first = values.next();
        let only = first.filter(|_| values.next().is_none());
        (first.is_some(), only.and_then(|value| value.to_str().ok()))
    };
    let names = ["127.0.0.1", "localhost", "[::1]"];
    let ours = |given: &str, scheme: &str| {
        names
            .iter()
            .any(|name| given.eq_ignore_ascii_case(&format!("{scheme}{name}:{port}")))
    };
    let (_, host) = text(header::HOST);
    // A proxy's absolute form names a host in the request line too; we are no proxy.
    if !host.is_some_and(|host| ours(host, "")) || uri_host.is_some() {
        return Some(format!(
            "this address answers only as 127.0.0.1:{port} or localhost:{port}; \
             open http://127.0.0.1:{port}/ instead"
        ));
    }
    let (sent, origin) = text(header::ORIGIN);
    if sent && !origin.is_some_and(|origin| ours(origin, "http://")) {
        return Some("another page asked for this; only the station's own page may".into());
    }
    let (_, site) = text(HeaderName::from_static("sec-fetch-site"));
    if site.is_some_and(|site| site == "cross-site") && !is_opening_the_page(headers) {
        return Some("another site asked for this; only the station's own page may".into());
    }
    None
}

/// A link on some page that opens ours in a tab is fine: the page is all it gets.
fn is_opening_the_page(headers: &HeaderMap) -> bool {
    let mode = headers.get("sec-fetch-mode");
    mode.is_some_and(|mode| mode.as_bytes() == b"navigate")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(pairs: &[(&'static str, &str)]) -> bool {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(*name, value.parse().expect("a header value"));
        }
        objection(&headers, None, 4711).is_none()
    }

    #[test]
    fn only_loopback_hosts_with_our_port_get_in() {
        for host in [
            "127.0.0.1:4711",
            "localhost:4711",
            "LocalHost:4711",
            "[::1]:4711",
        ] {
            assert!(ask(&[("host", host)]), "{host}");
        }
        for host in [
            "127.0.0.1",
            "127.0.0.1:80",
            "127.0.0.1.x.test:4711",
            "x.test:4711",
            "",
        ] {
            assert!(!ask(&[("host", host)]), "{host}");
        }
        assert!(!ask(&[]));
        assert!(!ask(&[("host", "localhost:4711"), ("host", "x.test")]));
    }

    #[test]
    fn only_our_own_origin_gets_in() {
        let with = |origin| ask(&[("host", "localhost:4711"), ("origin", origin)]);
        assert!(with("http://localhost:4711"));
        assert!(with("http://127.0.0.1:4711"));
        for origin in [
            "null",
            "https://localhost:4711",
            "http://localhost:4712",
            "http://x.test",
        ] {
            assert!(!with(origin), "{origin}");
        }
    }

    #[test]
    fn another_site_may_open_the_page_but_not_read_from_it() {
        let host = ("host", "localhost:4711");
        let cross = ("sec-fetch-site", "cross-site");
        assert!(!ask(&[host, cross]));
        assert!(!ask(&[host, cross, ("sec-fetch-mode", "cors")]));
        assert!(ask(&[host, cross, ("sec-fetch-mode", "navigate")]));
        assert!(ask(&[host, ("sec-fetch-site", "same-origin")]));
    }
}
