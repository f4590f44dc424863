//! The minute: believed readings of a channel gathered into means, so that every
//! watch judges the same steady numbers once a minute, however often sensors speak.

use crate::quality::judgement::Reading;
use crate::reading::ChannelId;
use crate::rules::Rules;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// One channel's running minute and its newest finished one.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Minutes {
    /// Readings closer together than this arrived bunched.
    bunched_within: TimeDelta,
    /// A mean is fresh for so long.
    keeps: TimeDelta,
    sum: f64,
    count: u32,
    last_at: Option<Timestamp>,
    newest: Option<(Timestamp, f64)>,
}

impl Minutes {
    /// An empty window for a channel.
    pub fn new(rules: &Rules, channel: ChannelId) -> Self {
        let every = rules.sensor(rules.channel(channel).sensor).every;
        let keeps = (every * 5 / 2).max(TimeDelta::minutes(3));
        Minutes { bunched_within: every / 4, keeps, sum: 0.0, count: 0, last_at: None, newest: None }
    }

    /// Takes in a believed reading of the present.
    pub fn take(&mut self, at: Timestamp, reading: &Reading) {
        // A backlog without times of measuring arrives bunched at "now"; only its newest
        // value speaks for the present.
        let bunched = self.last_at.is_some_and(|last| at - last < self.bunched_within);
        if bunched && self.count > 0 {
            self.sum = reading.value();
            self.count = 1;
        } else {
            self.sum += reading.value();
            self.count += 1;
        }
        self.last_at = Some(at);
    }

    /// Ends the minute at `at` and gives its mean, if anything was believed in it.
    pub fn end(&mut self, at: Timestamp) -> Option<f64> {
        if self.count == 0 {
            return None;
        }
        let mean = self.sum / f64::from(self.count);
        self.sum = 0.0;
        self.count = 0;
        self.newest = Some((at, mean));
        Some(mean)
    }

    /// The newest minute mean, while it is fresh enough to speak for the present:
    /// two and a half intervals, at least three minutes. Own default.
    pub fn fresh(&self, at: Timestamp) -> Option<f64> {
        let (when, mean) = self.newest?;
        (at - when <= self.keeps).then_some(mean)
    }

    /// The newest minute mean, while it is not older than that.
    pub fn within(&self, at: Timestamp, age: TimeDelta) -> Option<f64> {
        self.newest.filter(|(when, _)| at - *when <= age).map(|(_, mean)| mean)
    }

    /// The newest minute mean, however old.
    pub fn newest(&self) -> Option<(Timestamp, f64)> {
        self.newest
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Flag;

    fn second(second: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + TimeDelta::seconds(second)
    }

    /// Of a sensor that should speak every twenty seconds: when it was heard, and its value.
    fn heard(readings: &[(i64, f64)]) -> Minutes {
        let (bunched_within, keeps) = (TimeDelta::seconds(5), TimeDelta::minutes(3));
        let mut minutes = Minutes { bunched_within, keeps, sum: 0.0, count: 0, last_at: None, newest: None };
        for (at, value) in readings {
            minutes.take(second(*at), &Reading::passed_by_quality(ChannelId(0), second(*at), *value, Flag::Good));
        }
        minutes
    }

    #[test]
    fn of_a_backlog_that_comes_at_once_only_the_newest_speaks_for_the_present() {
        assert_eq!(heard(&[(0, 20.0), (1, 21.0), (2, 25.0)]).end(second(60)), Some(25.0));
        let mut minutes = heard(&[(58, 20.0)]);
        minutes.end(second(60));
        minutes.take(second(61), &Reading::passed_by_quality(ChannelId(0), second(61), 22.0, Flag::Good));
        assert_eq!(minutes.end(second(120)), Some(22.0), "what was counted in the last minute is not this one's");
    }

    #[test]
    fn a_minute_is_the_mean_of_what_was_believed_in_it() {
        let mut minutes = heard(&[(0, 20.0), (20, 21.0), (40, 25.0)]);
        assert_eq!(minutes.end(second(60)), Some(22.0));
        assert_eq!(minutes.end(second(120)), None);
        assert_eq!(minutes.newest(), Some((second(60), 22.0)));
    }
}
