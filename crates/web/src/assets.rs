//! The page itself, embedded in the binary so that one file is the whole program.

use std::sync::Arc;

use axum::Router;
use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use crate::api::{Shared, refused};

/// Embeds the named files of the folder `page`.
macro_rules! page {
    ($($name:literal),+ $(,)?) => {
        &[$(($name, include_bytes!(concat!("../page/", $name)))),+]
    };
}

/// Name below `/assets/` and content of each file; a test compares it with the folder.
const FILES: &[(&str, &[u8])] = page![
    "alarms.js",
    "banner.js",
    "base.css",
    "block-details.js",
    "call-sign.js",
    "clock.js",
    "command.js",
    "connection.js",
    "crossings.js",
    "drafts.js",
    "files.js",
    "gate.css",
    "gate.js",
    "heard.js",
    "html.js",
    "index.html",
    "keys.js",
    "latest-frames.js",
    "log-in.html",
    "log-in.js",
    "look-back.js",
    "mail-ask.js",
    "mail-cost.js",
    "mail-formal.js",
    "mail-letter.js",
    "mail-radiogram.js",
    "mail-write.js",
    "mail.css",
    "mail.js",
    "main.js",
    "mark.svg",
    "mutes.js",
    "notes.js",
    "open-talk.js",
    "partners.js",
    "port-header.js",
    "rejects.js",
    "send-file.js",
    "shelf-list.js",
    "shelf.js",
    "station.js",
    "stop-bar.js",
    "stop.js",
    "store.js",
    "strip-layout.js",
    "strip.js",
    "strips.css",
    "strips.js",
    "tables.css",
    "talk-box.js",
    "talk-focus.js",
    "talks.css",
    "talks.js",
    "test-signals.js",
    "vendor/LICENSE-htm",
    "vendor/LICENSE-preact",
    "vendor/hooks.js",
    "vendor/htm.js",
    "vendor/preact.js",
    "view.js",
    "ways.js",
    "words.js",
];

pub(crate) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/", get(|| async { file("index.html") }))
        .route("/log-in", get(|| async { file("log-in.html") }))
        // Asked for by browsers where a document names no icon, such as the API's answers.
        .route("/favicon.ico", get(|| async { file("mark.svg") }))
        .route(
            "/assets/{*name}",
            get(|Path(name): Path<String>| async move { file(&name) }),
        )
}

fn file(name: &str) -> Response {
    match FILES.iter().find(|(known, _)| *known == name) {
        Some((_, octets)) => ([(header::CONTENT_TYPE, media_type(name))], *octets).into_response(),
        None => refused(StatusCode::NOT_FOUND, "the page has no such file"),
    }
}

fn media_type(name: &str) -> &'static str {
    match name.rsplit_once('.').map(|(_, extension)| extension) {
        Some("html") => "text/html; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("svg") => "image/svg+xml",
        _ => "text/plain; charset=utf-8",
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;
    use std::path::Path;

    use super::*;

    fn collect(folder: &Path, prefix: &str, into: &mut BTreeSet<String>) {
        for entry in std::fs::read_dir(folder).expect("the folder of the page") {
            let entry = entry.expect("an entry");
            let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
            if entry.path().is_dir() {
                collect(&entry.path(), &format!("{name}/"), into);
            } else if !name.ends_with(".md") && !name.ends_with(".d.ts") {
                into.insert(name);
            }
        }
    }

    #[test]
    fn every_file_of_the_page_is_embedded() {
        let mut there = BTreeSet::new();
        collect(
            &Path::new(env!("CARGO_MANIFEST_DIR")).join("page"),
            "",
            &mut there,
        );
        let embedded: BTreeSet<String> = FILES.iter().map(|(name, _)| (*name).into()).collect();
        assert_eq!(embedded, there);
    }

    #[test]
    fn every_file_has_a_media_type_of_its_own() {
        for (name, _) in FILES {
            let plain = media_type(name).starts_with("text/plain");
            assert_eq!(plain, name.contains("LICENSE"), "{name}");
        }
    }
}
