//! Commands as the page sends them, in JSON: what is read, written and read again is the same,
//! and a station answers whatever it says.

use dunlin_clock::Instant;
use dunlin_station::Command;

use super::station::station;

pub fn run(octets: &[u8]) {
    let Ok(command) = serde_json::from_slice::<Command>(octets) else {
        return;
    };
    let written = serde_json::to_vec(&command).expect("writes");
    let again: Command = serde_json::from_slice(&written).expect("reads what it wrote");
    assert_eq!(again, command);
    let mut station = station();
    if let Err(refusal) = station.command(Instant::from_secs(1), command) {
        assert!(!refusal.to_string().is_empty());
    }
    let mut outputs = 0;
    while station.poll().is_some() {
        outputs += 1;
    }
    assert!(outputs < 1000);
}
