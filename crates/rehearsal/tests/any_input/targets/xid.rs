//! The information field of XID: what is read and written again reads the same.

use dunlin_ax25::wire::xid::Parameters;

use super::could_steer;

pub fn run(octets: &[u8]) {
    match Parameters::decode(octets) {
        Ok(parameters) => {
            let written = parameters.encode();
            assert_eq!(Parameters::decode(&written), Ok(parameters));
            assert!(parameters.n1 != Some(0) && parameters.n2 != Some(0));
            assert!(parameters.k.is_none_or(|k| (1..=127).contains(&k)));
        }
        Err(error) => assert!(!could_steer(&error.to_string())),
    }
}
