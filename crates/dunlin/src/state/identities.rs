//! What the sound devices of each port were when they were last used with the operator's
//! knowledge: another device under the same name is then refused.

use std::collections::BTreeMap;

use anyhow::Result;
use dunlin_rig::Identities;

use super::StateDir;

const NAME: &str = "devices.json";

/// The remembered devices, by the name of the port. A record that cannot be read is an error:
/// without it a wrong device would not be noticed.
///
/// # Errors
/// The record is damaged or cannot be read.
pub fn read_identities(state: &StateDir) -> Result<BTreeMap<String, Identities>> {
    Ok(state.read(NAME)?.unwrap_or_default())
}

/// Remembers the devices of one port.
///
/// # Errors
/// The record cannot be read or written.
pub fn write_identities(state: &StateDir, port: &str, found: &Identities) -> Result<()> {
    let mut all = read_identities(state)?;
    all.insert(port.to_owned(), found.clone());
    state.write(NAME, &all)
}
