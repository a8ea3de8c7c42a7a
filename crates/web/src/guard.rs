//! Who may ask at all: only pages and programs that meant this address, and of these only
//! those who may.
//!
//! A web page from elsewhere can make a browser send requests to us. Two checks keep it out.
//! `Host` must be an address or name of ours with our port, so that a name of somebody else
//! that was pointed here fails (RFC 9110 section 7.2 says what Host is). `Origin`, which
//! browsers set on every POST (Fetch standard, "append a request `Origin` header"), must be
//! our own; a program without a browser sends none.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use axum::Router;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Redirect, Response};

use crate::api::{Shared, refused};
use crate::door::{Role, Visitor};
use crate::log_in;

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

/// What everybody may see, to be able to log in. The files of the page hold nothing of the
/// station.
const OPEN: [&str; 5] = [
    "/log-in",
    "/api/log-in",
    "/api/log-out",
    "/api/visitor",
    "/favicon.ico",
];

/// The names under which the page may be reached.
#[derive(Debug)]
pub(crate) struct Names {
    address: SocketAddr,
    secure: bool,
    hosts: Vec<String>,
}

impl Names {
    pub(crate) fn new(address: SocketAddr, secure: bool, hosts: Vec<String>) -> Names {
        Names {
            address,
            secure,
            hosts,
        }
    }

    fn scheme(&self) -> &'static str {
        if self.secure { "https" } else { "http" }
    }

    /// Whether this is a name that the plan or the loopback address gives us.
    fn is_ours(&self, authority: &str) -> bool {
        let Some((name, port)) = self.split(authority) else {
            return false;
        };
        let here = port == self.address.port();
        let loopback = ["127.0.0.1", "localhost", "[::1]"];
        let own = loopback.iter().any(|own| name.eq_ignore_ascii_case(own))
            || ip(name) == Some(self.address.ip());
        let named = |host: &String| {
            host.eq_ignore_ascii_case(authority) || (here && host.eq_ignore_ascii_case(name))
        };
        (own && here) || self.hosts.iter().any(named)
    }

    /// Whether a request may be addressed so. Where all addresses of the machine are bound,
    /// any address in digits will do: only names can be pointed here by somebody else.
    fn is_addressed(&self, host: &str) -> bool {
        let digits = || {
            let split = self.split(host);
            split.is_some_and(|(name, port)| port == self.address.port() && ip(name).is_some())
        };
        self.is_ours(host) || (self.address.ip().is_unspecified() && digits())
    }

    /// Whether a page of this origin is ours: a name that is ours for certain, or the very
    /// one that was asked.
    fn is_origin(&self, origin: &str, host: &str) -> bool {
        let Some((scheme, authority)) = origin.split_once("://") else {
            return false;
        };
        // Under a name of the plan there may be a proxy before us that does the encryption.
        let proxy = self
            .hosts
            .iter()
            .any(|host| host.eq_ignore_ascii_case(authority));
        (scheme == self.scheme() || (proxy && scheme == "https"))
            && (authority.eq_ignore_ascii_case(host) || self.is_ours(authority))
    }

    /// Name and port; the scheme's own port if none is given.
    fn split<'a>(&self, authority: &'a str) -> Option<(&'a str, u16)> {
        match authority.rsplit_once(':') {
            Some((name, port)) if !port.ends_with(']') => Some((name, port.parse().ok()?)),
            _ => Some((authority, if self.secure { 443 } else { 80 })),
        }
    }

    fn advice(&self) -> String {
        let (scheme, port) = (self.scheme(), self.address.port());
        match self.address.ip() {
            ip if ip.is_loopback() => format!(
                "this address answers only as 127.0.0.1:{port} or localhost:{port}; \
                 open {scheme}://127.0.0.1:{port}/ instead"
            ),
            _ => {
                "the page does not answer to this name; open it by the machine's address in digits"
                    .into()
            }
        }
    }
}

/// An IP address as it stands in Host, IPv6 in brackets.
fn ip(name: &str) -> Option<IpAddr> {
    match name
        .strip_prefix('[')
        .and_then(|name| name.strip_suffix(']'))
    {
        Some(inner) => inner.parse().ok().filter(IpAddr::is_ipv6),
        None => name.parse().ok().filter(IpAddr::is_ipv4),
    }
}

struct Guard {
    names: Names,
    shared: Arc<Shared>,
}

/// Puts the checks before every route and the protecting headers on every answer.
pub(crate) fn guarded(app: Router, shared: Arc<Shared>, names: Names) -> Router {
    let guard = Arc::new(Guard { names, shared });
    app.layer(DefaultBodyLimit::max(LONGEST_BODY))
        .layer(middleware::from_fn_with_state(guard, check))
}

async fn check(
    State(guard): State<Arc<Guard>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    mut request: Request,
    next: Next,
) -> Response {
    let objection = objection(request.headers(), request.uri().host(), &guard.names);
    let mut response = match objection {
        Some(sentence) => refused(StatusCode::FORBIDDEN, &sentence),
        None => {
            let visitor = guard.visitor(from, request.headers());
            match turned_away(visitor.role, request.method(), request.uri().path()) {
                Some(response) => response,
                None => {
                    request.extensions_mut().insert(visitor);
                    next.run(request).await.into_response()
                }
            }
        }
    };
    for (name, value) in HEADERS {
        let value = HeaderValue::from_static(value);
        response.headers_mut().insert(name, value);
    }
    response
}

impl Guard {
    fn visitor(&self, from: SocketAddr, headers: &HeaderMap) -> Visitor {
        let token = log_in::token(headers, self.shared.secure);
        Visitor {
            address: from.ip().to_canonical(),
            role: self.shared.door.role(token.as_deref()),
            token,
        }
    }
}

/// What somebody who may not do this gets instead.
fn turned_away(role: Role, method: &Method, path: &str) -> Option<Response> {
    if role == Role::Operator || OPEN.contains(&path) || path.starts_with("/assets/") {
        return None;
    }
    match role {
        Role::Guest if method == Method::GET || method == Method::HEAD => None,
        Role::Guest => {
            let sentence =
                "guests see everything and command nothing; log in to command the station";
            Some(refused(StatusCode::FORBIDDEN, sentence))
        }
        _ if path == "/" => Some(Redirect::to("/log-in").into_response()),
        _ => {
            let sentence = "log in first: open /log-in and give the password of this station";
            Some(refused(StatusCode::UNAUTHORIZED, sentence))
        }
    }
}

/// Why a request is not let in, if it is not.
fn objection(headers: &HeaderMap, uri_host: Option<&str>, names: &Names) -> Option<String> {
    let text = |name: HeaderName| {
        let mut values = headers.get_all(name).iter();
        let first = values.next();
        let only = first.filter(|_| values.next().is_none());
        (first.is_some(), only.and_then(|value| value.to_str().ok()))
    };
    let (_, host) = text(header::HOST);
    // A proxy's absolute form names a host in the request line too; we are no proxy.
    let Some(host) = host.filter(|host| names.is_addressed(host) && uri_host.is_none()) else {
        return Some(names.advice());
    };
    let (sent, origin) = text(header::ORIGIN);
    if sent && !origin.is_some_and(|origin| names.is_origin(origin, host)) {
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
        ask_at("127.0.0.1:4711", false, &[], pairs)
    }

    fn ask_at(address: &str, secure: bool, hosts: &[&str], pairs: &[(&'static str, &str)]) -> bool {
        let hosts = hosts.iter().map(ToString::to_string).collect();
        let names = Names::new(address.parse().expect("an address"), secure, hosts);
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(*name, value.parse().expect("a header value"));
        }
        objection(&headers, None, &names).is_none()
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

    #[test]
    fn a_bound_address_and_the_names_of_the_plan_get_in() {
        let lan = |host| {
            ask_at(
                "192.0.2.9:4711",
                false,
                &["shack.example"],
                &[("host", host)],
            )
        };
        assert!(lan("192.0.2.9:4711") && lan("shack.example:4711") && lan("shack.example"));
        assert!(!lan("192.0.2.8:4711") && !lan("x.test:4711") && !lan("192.0.2.9"));
        let all = |host| ask_at("0.0.0.0:443", true, &[], &[("host", host)]);
        assert!(all("192.0.2.9") && all("192.0.2.9:443") && all("[2001:db8::1]"));
        assert!(!all("192.0.2.9:80") && !all("x.test") && !all("2001:db8::1"));
    }

    #[test]
    fn an_address_in_digits_is_an_origin_only_where_it_was_asked() {
        let with = |origin| {
            let pairs = [("host", "192.0.2.9:4711"), ("origin", origin)];
            ask_at("0.0.0.0:4711", false, &["shack.example"], &pairs)
        };
        assert!(with("http://192.0.2.9:4711"));
        assert!(!with("http://198.51.100.6:4711"));
        assert!(!with("https://192.0.2.9:4711"));
        assert!(with("https://shack.example"), "a proxy that encrypts");
    }

    #[test]
    fn who_may_what() {
        let turned = |role, method, path| turned_away(role, &method, path).map(|r| r.status());
        let post = Method::POST;
        assert_eq!(turned(Role::Operator, post.clone(), "/api/command"), None);
        assert_eq!(turned(Role::Guest, Method::GET, "/api/events"), None);
        assert_eq!(turned(Role::Guest, Method::GET, "/metrics"), None);
        let no = Some(StatusCode::FORBIDDEN);
        assert_eq!(turned(Role::Guest, post.clone(), "/api/command"), no);
        assert_eq!(turned(Role::Guest, Method::DELETE, "/anything"), no);
        let first = Some(StatusCode::UNAUTHORIZED);
        for path in [
            "/api/snapshot",
            "/api/events",
            "/metrics",
            "/api/command",
            "/x",
        ] {
            assert_eq!(turned(Role::Nobody, Method::GET, path), first, "{path}");
        }
        let to_log_in = Some(StatusCode::SEE_OTHER);
        assert_eq!(turned(Role::Nobody, Method::GET, "/"), to_log_in);
        assert_eq!(turned(Role::Nobody, post, "/api/log-in"), None);
    }
}
