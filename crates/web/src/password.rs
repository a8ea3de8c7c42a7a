//! The password of the page: kept only as an argon2id hash in PHC string form (RFC 9106, and
//! the "PHC string format" of the Password Hashing Competition), checked in constant time.

use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Argon2, Params};
use thiserror::Error;

/// Shortest password, characters. NIST SP 800-63B section 3.1.1.2 (from memory) asks for at
/// least eight; a page that can key a transmitter gets a little more.
const SHORTEST: usize = 10;
/// Longest password, octets; argon2's work hardly grows with it, but everything has a limit.
const LONGEST: usize = 1000;
/// Most memory that checking a hash may take, KiB, and most passes over it.
const MOST_MEMORY_KIB: u32 = 256 << 10;
const MOST_PASSES: u32 = 20;

/// Why a password or a hash cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum PasswordError {
    /// Too few characters.
    #[error("{0} characters are too few for a password of the page; take at least {SHORTEST}")]
    TooShort(usize),
    /// Too many octets.
    #[error("{0} octets are too many for a password; take at most {LONGEST}")]
    TooLong(usize),
    /// The system gives no random salt, or argon2 fails.
    #[error("no hash could be made: {0}")]
    Failed(String),
    /// Not the hash of a password.
    #[error(
        "the password hash of the page cannot be used ({0}); make a new one with \
         `dunlin password` and put the whole line that it prints into the station plan"
    )]
    BadHash(String),
}

/// The hash of a password, to be put into the station plan: argon2id with a random salt, in
/// PHC string form. It takes about 20 MB of memory for a moment.
///
/// # Errors
/// If the password is too short or too long, or the system gives no random octets.
pub fn hash_password(password: &str) -> Result<String, PasswordError> {
    let length = password.chars().count();
    if length < SHORTEST {
        return Err(PasswordError::TooShort(length));
    }
    if password.len() > LONGEST {
        return Err(PasswordError::TooLong(password.len()));
    }
    let failed = |error: &dyn std::fmt::Display| PasswordError::Failed(error.to_string());
    let mut salt = [0; 16];
    getrandom::fill(&mut salt).map_err(|error| failed(&error))?;
    let salt = SaltString::encode_b64(&salt).map_err(|error| failed(&error))?;
    let hash = Argon2::default().hash_password(password.as_bytes(), &salt);
    Ok(hash.map_err(|error| failed(&error))?.to_string())
}

/// Refuses what is no argon2 hash, or one that costs too much to check.
pub(crate) fn check_hash(hash: &str) -> Result<(), PasswordError> {
    let bad = |why: String| PasswordError::BadHash(why);
    let parsed = PasswordHash::new(hash).map_err(|error| bad(error.to_string()))?;
    if !parsed.algorithm.as_str().starts_with("argon2") || parsed.hash.is_none() {
        return Err(bad("it is no argon2 hash".into()));
    }
    let params = Params::try_from(&parsed).map_err(|error| bad(error.to_string()))?;
    if params.m_cost() > MOST_MEMORY_KIB || params.t_cost() > MOST_PASSES {
        return Err(bad("checking it would take too much memory or time".into()));
    }
    Ok(())
}

/// Whether this is the password. Takes tens of milliseconds; not for an async thread.
pub(crate) fn is_password(password: &str, hash: &str) -> bool {
    let Ok(hash) = PasswordHash::new(hash) else {
        return false;
    };
    let sound = password.len() <= LONGEST;
    sound
        && Argon2::default()
            .verify_password(password.as_bytes(), &hash)
            .is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_matches_its_own_hash_only_and_each_hash_has_a_salt_of_its_own() {
        let hash = hash_password("seagulls over Barra").expect("a hash");
        assert!(hash.starts_with("$argon2id$v=19$"), "{hash}");
        assert_eq!(check_hash(&hash), Ok(()));
        assert!(is_password("seagulls over Barra", &hash));
        assert!(!is_password("seagulls over barra", &hash));
        assert!(!is_password("", &hash));
        assert_ne!(hash_password("seagulls over Barra").as_ref(), Ok(&hash));
    }

    #[test]
    fn short_and_long_passwords_are_refused() {
        assert_eq!(hash_password("123456789"), Err(PasswordError::TooShort(9)));
        let long = "x".repeat(1001);
        assert_eq!(hash_password(&long), Err(PasswordError::TooLong(1001)));
    }

    #[test]
    fn what_is_no_affordable_argon2_hash_is_refused_with_what_to_do() {
        let huge = "$argon2id$v=19$m=4194304,t=2,p=1$YWJjZGVmZ2hpamtsbW5vcA$\
                    kqGbdfxZwDUqXNVEnd9Kk3cdO9LMLZgcJ3FvbTn5zXo";
        for bad in [
            "",
            "seagulls over Barra",
            "$argon2id$v=19$m=8,t=1,p=1",
            huge,
        ] {
            let error = check_hash(bad).expect_err(bad);
            assert!(error.to_string().contains("dunlin password"), "{error}");
        }
    }
}
