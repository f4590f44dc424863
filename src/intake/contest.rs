//! Notices that somebody else uses our client id. A broker lets an id in once: the newer
//! client throws the older one out (MQTT 3.1.1, MQTT-3.1.4-2), ours comes back and throws
//! the other out, and so on, and each takes messages that were meant for the other.

use std::time::Duration;
use tokio::time::Instant;

/// Thrown out so often ...
const TIMES: usize = 4;
/// ... within this, with no trouble to get in again, is no accident. Own default.
const WITHIN: Duration = Duration::from_secs(10 * 60);
/// Left alone for so long it is over. Own default.
const OVER_AFTER: Duration = Duration::from_secs(15 * 60);

/// How often the broker has thrown us out of a connection that stood.
#[derive(Debug, Default)]
pub(super) struct Contest {
    thrown_out: Vec<Instant>,
    reported: bool,
}

impl Contest {
    /// The broker closed a connection that stood. Says how often it did lately, once, when
    /// that is too often.
    pub(super) fn thrown_out(&mut self, now: Instant) -> Option<u32> {
        self.thrown_out.retain(|before| now - *before <= OVER_AFTER);
        self.thrown_out.push(now);
        let lately = self.thrown_out.iter().filter(|before| now - **before <= WITHIN).count();
        if self.reported || lately < TIMES {
            return None;
        }
        self.reported = true;
        u32::try_from(lately).ok()
    }

    /// The broker could not be reached: it is down or the network is, and nobody throws us out.
    pub(super) fn unreachable(&mut self) {
        if !self.reported {
            self.thrown_out.clear();
        }
    }

    /// Whether what was told is over. True once.
    pub(super) fn is_over(&mut self, now: Instant) -> bool {
        let over = self.reported && self.thrown_out.iter().all(|before| now - *before > OVER_AFTER);
        if over {
            *self = Contest::default();
        }
        over
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(count: u64) -> Duration {
        Duration::from_secs(count * 60)
    }

    #[test]
    fn the_fourth_time_in_ten_minutes_is_told_once_and_its_end_too() {
        let (mut contest, start) = (Contest::default(), tokio::time::Instant::now());
        let reported: Vec<Option<u32>> = (0..6).map(|nth| contest.thrown_out(start + minutes(nth))).collect();
        assert_eq!(reported, [None, None, None, Some(4), None, None]);
        assert!(!contest.is_over(start + minutes(20)));
        assert!(contest.is_over(start + minutes(21)));
        assert!(!contest.is_over(start + minutes(22)), "once");
    }

    #[test]
    fn a_broker_that_restarts_or_a_network_that_comes_and_goes_is_no_contest() {
        let (mut contest, start) = (Contest::default(), tokio::time::Instant::now());
        for nth in 0..20 {
            assert_eq!(contest.thrown_out(start + Duration::from_secs(nth)), None);
            contest.unreachable();
        }
        for nth in 0..20 {
            assert_eq!(contest.thrown_out(start + minutes(60 + 4 * nth)), None, "seldom enough");
        }
    }
}
