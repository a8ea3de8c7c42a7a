//! How often somebody may try a password: each address by itself with a growing pause, and
//! all together. Time comes in as a value, so that tests need not wait.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

/// Wrong tries from one address before it has to pause.
const FREE: u32 = 3;
/// Longest pause of one address.
const LONGEST: Duration = Duration::from_secs(15 * 60);
/// Wrong tries from everywhere before everybody has to pause.
const FREE_FOR_ALL: u32 = 30;
/// Longest pause of everybody; short, so that nobody can lock the operator out for long.
const LONGEST_FOR_ALL: Duration = Duration::from_secs(10);
/// After so long without a wrong try all is forgotten.
const FORGET: Duration = Duration::from_secs(60 * 60);
/// Addresses remembered.
const MOST: usize = 1000;

#[derive(Clone, Copy, Debug)]
struct Tries {
    wrong: u32,
    last: Instant,
}

impl Tries {
    fn pause(self, free: u32, longest: Duration) -> Duration {
        match self.wrong.checked_sub(free) {
            None => Duration::ZERO,
            Some(over) => Duration::from_secs(1 << over.min(20)).min(longest),
        }
    }

    /// How long to wait still.
    fn left(self, now: Instant, free: u32, longest: Duration) -> Duration {
        let pause = self.pause(free, longest);
        (self.last + pause).saturating_duration_since(now)
    }
}

/// The tries that were not (yet) right.
#[derive(Debug, Default)]
pub(crate) struct Throttle {
    by_address: BTreeMap<IpAddr, Tries>,
    all: Option<Tries>,
}

impl Throttle {
    /// Counts a try as wrong before it is looked at, so that many at once gain nothing.
    ///
    /// # Errors
    /// How long to wait, if it is too early.
    pub(crate) fn enter(&mut self, now: Instant, address: IpAddr) -> Result<(), Duration> {
        let key = network(address);
        let fresh = |tries: &Tries| now.saturating_duration_since(tries.last) < FORGET;
        self.by_address.retain(|_, tries| fresh(tries));
        self.all = self.all.filter(fresh);
        let own = self.by_address.get(&key);
        let mut wait = own.map_or(Duration::ZERO, |tries| tries.left(now, FREE, LONGEST));
        if let (Some(all), false) = (self.all, address.is_loopback()) {
            wait = wait.max(all.left(now, FREE_FOR_ALL, LONGEST_FOR_ALL));
        }
        if !wait.is_zero() {
            return Err(wait);
        }
        if self.by_address.len() >= MOST && !self.by_address.contains_key(&key) {
            let oldest = self.by_address.iter().min_by_key(|(_, tries)| tries.last);
            let oldest = oldest.map(|(address, _)| *address);
            oldest.map(|address| self.by_address.remove(&address));
        }
        let none = Tries {
            wrong: 0,
            last: now,
        };
        for tries in [
            self.by_address.entry(key).or_insert(none),
            self.all.get_or_insert(none),
        ] {
            tries.wrong = tries.wrong.saturating_add(1);
            tries.last = now;
        }
        Ok(())
    }

    /// The last try from there was right.
    pub(crate) fn forgive(&mut self, address: IpAddr) {
        self.by_address.remove(&network(address));
        if let Some(all) = &mut self.all {
            all.wrong = all.wrong.saturating_sub(1);
        }
    }
}

/// Whoever has one IPv6 address usually has the 64 bits of its network (RFC 4291 section 2.5.4).
fn network(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(address) => {
            let bits = u128::from(address) & !u128::from(u64::MAX);
            IpAddr::V6(Ipv6Addr::from(bits))
        }
        v4 => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(text: &str) -> IpAddr {
        text.parse().expect("an address")
    }

    #[test]
    fn the_pause_of_an_address_doubles_up_to_its_limit_and_is_forgotten() {
        let mut throttle = Throttle::default();
        let mut now = Instant::now();
        let there = address("192.0.2.7");
        let mut pauses = Vec::new();
        for _ in 0..16 {
            throttle.enter(now, there).expect("waited long enough");
            let pause = throttle.enter(now, there).err().unwrap_or_default();
            pauses.push(pause.as_secs());
            now += pause;
            if pause.is_zero() {
                // That second try was let in and counted.
                continue;
            }
        }
        assert_eq!(
            &pauses[..4],
            [0, 1, 2, 4],
            "two at first, then one at a time"
        );
        assert_eq!(pauses.last(), Some(&900));
        assert!(throttle.enter(now, address("192.0.2.8")).is_ok());
        now += FORGET;
        assert!(throttle.enter(now, there).is_ok());
        assert!(throttle.enter(now, there).is_ok());
    }

    #[test]
    fn many_addresses_together_have_to_pause_but_not_this_machine() {
        let mut throttle = Throttle::default();
        let now = Instant::now();
        for n in 0..30 {
            throttle
                .enter(now, address(&format!("192.0.2.{n}")))
                .expect("its first try");
        }
        assert!(throttle.enter(now, address("192.0.2.99")).is_err());
        assert!(throttle.enter(now, address("127.0.0.1")).is_ok());
    }

    #[test]
    fn one_ipv6_network_counts_as_one_address_and_a_right_try_is_forgiven() {
        let mut throttle = Throttle::default();
        let now = Instant::now();
        for n in 1..=3 {
            throttle
                .enter(now, address(&format!("2001:db8::{n}")))
                .expect("free");
        }
        assert!(throttle.enter(now, address("2001:db8::ffff")).is_err());
        assert!(throttle.enter(now, address("2001:db8:0:1::1")).is_ok());
        throttle.forgive(address("2001:db8::1"));
        assert!(throttle.enter(now, address("2001:db8::ffff")).is_ok());
    }

    #[test]
    fn what_is_remembered_has_a_limit() {
        let mut throttle = Throttle::default();
        let mut now = Instant::now();
        for n in 0..2000_u32 {
            now += Duration::from_secs(11) / 8;
            let _ = throttle.enter(now, IpAddr::from(n.to_be_bytes()));
        }
        assert!(throttle.by_address.len() <= MOST);
    }
}
