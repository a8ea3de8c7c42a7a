//! A SigMF archive: a tar with the samples and a JSON text that says what they are (SigMF
//! specification; which keys must be there, and the folder in the archive, from memory).

use serde_json::json;

use super::{Recording, civil, tar};

/// Version of the specification to which the text holds.
const VERSION: &str = "1.0.0";

/// The whole archive of a recording of this name.
pub(super) fn archive(recording: &Recording, name: &str) -> Vec<u8> {
    let meta = json!({
        "global": {
            "core:datatype": "rf32_le",
            "core:sample_rate": recording.rate_hz,
            "core:num_channels": 1,
            "core:version": VERSION,
            "core:description": format!("what the port {} heard last", recording.port_name),
            "core:recorder": concat!("Dunlin ", env!("CARGO_PKG_VERSION")),
        },
        "captures": [{
            "core:sample_start": 0,
            "core:datetime": civil(recording.began),
        }],
        "annotations": [],
    });
    let mut meta = format!("{meta:#}").into_bytes();
    meta.push(b'\n');
    let mut samples = Vec::with_capacity(recording.samples.len() * 4);
    super::add_samples(&mut samples, &recording.samples);
    let seconds = recording.began.0.div_euclid(1000);
    let mut archive = tar::Archive::new(seconds.unsigned_abs());
    archive.folder(&format!("{name}/"));
    archive.file(&format!("{name}/{name}.sigmf-meta"), &meta);
    archive.file(&format!("{name}/{name}.sigmf-data"), &samples);
    archive.end()
}
