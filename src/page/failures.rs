//! Who has failed to pair of late: an address that fails too often is answered no more.

use std::collections::HashMap;
use std::net::IpAddr;
use std::time::Duration;
use tokio::time::Instant;

/// After so many failures an address is answered no more for a while. Own default: a code
/// cannot be guessed in a lifetime; this keeps the log and the flash quiet.
const MOST_FAILURES: u32 = 10;
/// See [`MOST_FAILURES`].
const FAILURES_FORGOTTEN_AFTER: Duration = Duration::from_secs(600);

/// Who has failed of late, and how often.
#[derive(Debug, Default)]
pub(super) struct Failures(HashMap<IpAddr, (u32, Instant)>);

impl Failures {
    /// Whether an address has failed too often.
    pub(super) fn is_too_many(&mut self, address: IpAddr, now: Instant) -> bool {
        self.0.retain(|_, (_, since)| now.duration_since(*since) < FAILURES_FORGOTTEN_AFTER);
        self.0.get(&address).is_some_and(|(count, _)| *count >= MOST_FAILURES)
    }

    /// One more.
    pub(super) fn count(&mut self, address: IpAddr, now: Instant) {
        // A local network has no more phones than this; beyond it nobody new is counted.
        const MOST_KNOWN: usize = 1_000;
        if self.0.len() < MOST_KNOWN || self.0.contains_key(&address) {
            self.0.entry(address).or_insert((0, now)).0 += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_failures_close_the_door_for_ten_minutes_and_only_for_one_address() {
        let mut failures = Failures::default();
        let now = tokio::time::Instant::now();
        let (one, other) = (IpAddr::from([10, 0, 0, 1]), IpAddr::from([10, 0, 0, 2]));
        for _ in 0..MOST_FAILURES {
            assert!(!failures.is_too_many(one, now));
            failures.count(one, now);
        }
        assert!(failures.is_too_many(one, now));
        assert!(!failures.is_too_many(other, now));
        assert!(!failures.is_too_many(one, now + FAILURES_FORGOTTEN_AFTER));
    }
}
