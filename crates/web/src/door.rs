//! Who is at the page: the operator, a guest who only looks on, or nobody known. Where no
//! password is set (only possible on the loopback address) everybody is the operator.

use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde::Serialize;
use tokio::sync::Semaphore;

use crate::Access;
use crate::password::is_password;
use crate::throttle::Throttle;

/// Log-ins at one time; the one unused for longest gives way.
const MOST_SESSIONS: usize = 32;
/// A log-in ends after so long without use. An open page uses it all the time.
const UNUSED: Duration = Duration::from_secs(12 * 3600);
/// And after so long in any case.
const LONGEST: Duration = Duration::from_secs(30 * 24 * 3600);
/// Passwords looked at together; each takes some 20 MB.
const AT_ONCE: usize = 2;

/// What somebody may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Sees and commands.
    Operator,
    /// Sees everything and commands nothing.
    Guest,
    /// Sees the log-in page.
    Nobody,
}

/// Who sent a request.
#[derive(Clone, Debug)]
pub(crate) struct Visitor {
    pub(crate) address: IpAddr,
    pub(crate) role: Role,
    pub(crate) token: Option<String>,
}

impl Visitor {
    /// For people: who asked.
    pub(crate) fn words(&self) -> String {
        match self.address {
            address if address.is_loopback() => "the page on this machine".into(),
            address => format!("the page, from {address}"),
        }
    }
}

/// Why somebody is not let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Denied {
    /// Too many wrong tries; wait so long.
    Wait(Duration),
    /// Others are being looked at.
    Busy,
    /// Not the password.
    Wrong,
    /// The system gives no random octets.
    NoToken,
    /// There is no password to give.
    NoDoor,
}

#[derive(Debug)]
struct Session {
    token: String,
    opened: Instant,
    used: Instant,
}

/// The door of the page.
#[derive(Debug)]
pub(crate) struct Door {
    access: Option<Access>,
    sessions: Mutex<Vec<Session>>,
    throttle: Mutex<Throttle>,
    looking: Semaphore,
}

impl Door {
    pub(crate) fn new(access: Option<Access>) -> Door {
        Door {
            access,
            sessions: Mutex::default(),
            throttle: Mutex::default(),
            looking: Semaphore::new(AT_ONCE),
        }
    }

    /// Whether there is a password at all.
    pub(crate) fn is_locked(&self) -> bool {
        self.access.is_some()
    }

    /// What the holder of this token may do; using it keeps it alive.
    pub(crate) fn role(&self, token: Option<&str>) -> Role {
        let Some(access) = &self.access else {
            return Role::Operator;
        };
        let now = Instant::now();
        let mut sessions = locked(&self.sessions);
        sessions.retain(|s| now < s.used + UNUSED && now < s.opened + LONGEST);
        let known = sessions.iter_mut();
        let known = token.and_then(|token| {
            let mut known = known;
            known.find(|session| is_same(&session.token, token))
        });
        match (known, access.guest) {
            (Some(session), _) => {
                session.used = now;
                Role::Operator
            }
            (None, true) => Role::Guest,
            (None, false) => Role::Nobody,
        }
    }

    /// Looks at a password; a token if it is right.
    pub(crate) async fn admit(&self, address: IpAddr, password: String) -> Result<String, Denied> {
        let access = self.access.as_ref().ok_or(Denied::NoDoor)?;
        let _turn = self.looking.try_acquire().map_err(|_| Denied::Busy)?;
        let entered = locked(&self.throttle).enter(Instant::now(), address);
        entered.map_err(Denied::Wait)?;
        let hash = access.password_hash.clone();
        let right = tokio::task::spawn_blocking(move || is_password(&password, &hash)).await;
        if !right.unwrap_or(false) {
            tracing::warn!("a wrong password was given to the page from {address}");
            return Err(Denied::Wrong);
        }
        locked(&self.throttle).forgive(address);
        let token = new_token().ok_or(Denied::NoToken)?;
        let now = Instant::now();
        let mut sessions = locked(&self.sessions);
        if sessions.len() >= MOST_SESSIONS {
            let oldest = (0..sessions.len()).min_by_key(|&at| sessions[at].used);
            oldest.map(|at| sessions.swap_remove(at));
        }
        sessions.push(Session {
            token: token.clone(),
            opened: now,
            used: now,
        });
        tracing::info!("somebody logged in to the page from {address}");
        Ok(token)
    }

    /// Ends a log-in.
    pub(crate) fn leave(&self, token: Option<&str>) {
        let Some(token) = token else { return };
        locked(&self.sessions).retain(|session| !is_same(&session.token, token));
    }
}

/// Compares in a time that does not depend on where two tokens differ.
fn is_same(one: &str, other: &str) -> bool {
    let pairs = one.bytes().zip(other.bytes());
    one.len() == other.len() && pairs.fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

/// 256 random bits of the operating system, in hex.
fn new_token() -> Option<String> {
    let mut octets = [0_u8; 32];
    getrandom::fill(&mut octets).ok()?;
    Some(octets.iter().map(|octet| format!("{octet:02x}")).collect())
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // No code panics while it holds one of these, and both are whole between statements.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
