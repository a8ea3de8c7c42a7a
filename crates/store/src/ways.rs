//! By which way each station was last reached: read from the talks that are kept.

use dunlin_clock::WallTime;
use dunlin_station::CallSign;
use rusqlite::Row;

use crate::read::{list, most, parsed};
use crate::{Store, StoreError};

/// The way by which a station was last reached on a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptWay {
    /// The name of the port: numbers may differ from run to run.
    pub port_name: String,
    /// The station.
    pub to: CallSign,
    /// Digipeaters, in order.
    pub via: Vec<CallSign>,
    /// When it was last heard in a talk by this way.
    pub last: WallTime,
}

impl Store {
    /// The way by which each station was last reached on each port, the newest first; `limit`
    /// talks are looked at, and never more than [`MOST_ANSWERED`](crate::MOST_ANSWERED).
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn ways(&self, limit: usize) -> Result<Vec<KeptWay>, StoreError> {
        let sql = "SELECT ports.name AS port_name, talks.remote, talks.via,
                runs.began_wall_ms + talks.last_heard_ms AS last
            FROM talks JOIN runs USING (run) JOIN ports USING (run, port)
            WHERE talks.last_heard_ms IS NOT NULL ORDER BY talks.row DESC LIMIT ?1";
        let all = self.list(sql, &[&most(limit)], way)?;
        let mut latest: Vec<KeptWay> = Vec::new();
        for way in all {
            let same = |w: &KeptWay| w.port_name == way.port_name && w.to == way.to;
            if !latest.iter().any(same) {
                latest.push(way);
            }
        }
        Ok(latest)
    }
}

fn way(row: &Row<'_>) -> rusqlite::Result<KeptWay> {
    Ok(KeptWay {
        port_name: row.get("port_name")?,
        to: parsed(row, "remote")?,
        via: list(row, "via")?,
        last: WallTime(row.get("last")?),
    })
}
