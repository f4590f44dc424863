//! When the guard must write: the watch is gone, is back, or its breakfast letter did not
//! come. Pure: time and news come in, calls come out.

use crate::config::GuardRules as Rules;
use crate::engine::calendar::local_instant;
use crate::notify::wording::{GuardCall as Call, GuardWhy as Why};
use crate::units::Timestamp;
use chrono::{NaiveDate, TimeDelta};

/// After connecting the broker hands out what it kept at once; a slow line takes longer.
const SETTLES: TimeDelta = TimeDelta::minutes(1);

/// What the guard hears.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum GuardNews {
    /// Connected to the broker.
    Connected,
    /// The connection to the broker is gone.
    Lost,
    /// What the watch, or the broker in its name, says of itself.
    Online(bool),
    /// The digest of this local date has left.
    Digest(NaiveDate),
}

/// The guard's whole memory.
#[derive(Clone, Debug)]
pub(super) struct AbsenceJudge {
    rules: Rules,
    connected_at: Option<Timestamp>,
    online: Option<bool>,
    unheard_since: Option<Timestamp>,
    told_gone: Option<Timestamp>,
    digest: Option<NaiveDate>,
    told_no_digest: Option<NaiveDate>,
}

impl AbsenceJudge {
    /// Begins at `at`, having heard nothing.
    pub(super) fn new(rules: Rules, at: Timestamp) -> AbsenceJudge {
        AbsenceJudge {
            rules,
            connected_at: None,
            online: None,
            unheard_since: Some(at),
            told_gone: None,
            digest: None,
            told_no_digest: None,
        }
    }

    /// Takes news in.
    pub(super) fn hear(&mut self, at: Timestamp, news: &GuardNews) -> Vec<Call> {
        match news {
            GuardNews::Connected => {
                self.connected_at = Some(at);
                // What was heard over another connection may have changed since.
                self.online = None;
            }
            GuardNews::Lost => self.connected_at = None,
            GuardNews::Online(online) => self.online = Some(*online),
            GuardNews::Digest(date) => self.digest = self.digest.max(Some(*date)),
        }
        let mut calls = Vec::new();
        if self.connected_at.is_some() && self.online == Some(true) {
            self.unheard_since = None;
            calls.extend(self.told_gone.take().map(|since| Call::Back { since }));
        } else {
            self.unheard_since.get_or_insert(at);
        }
        if let Some(date) = self.told_no_digest
            && self.digest >= Some(date)
        {
            self.told_no_digest = None;
            calls.push(Call::DigestCame { date });
        }
        calls.extend(self.due(at));
        calls
    }

    /// What is due at `at`.
    pub(super) fn due(&mut self, at: Timestamp) -> Vec<Call> {
        let mut calls = Vec::new();
        if let Some(since) = self.unheard_since
            && self.told_gone.is_none()
            && at - since >= self.rules.gone_after
        {
            self.told_gone = Some(since);
            calls.push(Call::Gone { since, why: self.why() });
        }
        let date = at.with_timezone(&self.rules.time_zone).date_naive();
        let missed = self.digest < Some(date) && self.told_no_digest < Some(date);
        if missed && self.digest_due(date).is_some_and(|due| at >= due) {
            self.told_no_digest = Some(date);
            calls.push(Call::NoDigest { date });
        }
        calls
    }

    /// When something may be due next, if no news comes.
    pub(super) fn next(&self, at: Timestamp) -> Timestamp {
        let gone = self.unheard_since.filter(|_| self.told_gone.is_none()).map(|since| since + self.rules.gone_after);
        let today = at.with_timezone(&self.rules.time_zone).date_naive();
        let digests = [Some(today), today.succ_opt()].into_iter().flatten().filter_map(|date| self.digest_due(date));
        let later = at + TimeDelta::hours(1);
        gone.into_iter().chain(digests).filter(|due| *due > at).min().unwrap_or(later).min(later)
    }

    /// When the missing digest of a date is told. Never while the watch is known to be gone
    /// or not heard: that is told already, or will be.
    fn digest_due(&self, date: NaiveDate) -> Option<Timestamp> {
        let settled = self.connected_at.filter(|_| self.unheard_since.is_none())? + SETTLES;
        Some(local_instant(self.rules.time_zone, date, self.rules.digest_by).max(settled))
    }

    fn why(&self) -> Why {
        match (self.connected_at, self.online) {
            (None, _) => Why::NoBroker,
            (Some(_), Some(_)) => Why::Offline,
            (Some(_), None) => Why::Unknown,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveTime;

    fn at(text: &str) -> Timestamp {
        format!("2026-03-0{text}:00Z").parse().unwrap()
    }

    fn date(day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 3, day).unwrap()
    }

    /// Chicago is six hours behind: 07:30 there is 13:30 UTC.
    fn judge(start: &str) -> AbsenceJudge {
        let rules = Rules {
            time_zone: chrono_tz::America::Chicago,
            gone_after: TimeDelta::minutes(10),
            digest_by: NaiveTime::from_hms_opt(7, 30, 0).unwrap(),
        };
        AbsenceJudge::new(rules, at(start))
    }

    fn well(start: &str) -> AbsenceJudge {
        let mut judge = judge(start);
        assert_eq!(judge.hear(at(start), &GuardNews::Connected), []);
        assert_eq!(judge.hear(at(start), &GuardNews::Online(true)), []);
        judge.hear(at(start), &GuardNews::Digest(date(3)));
        judge
    }

    #[test]
    fn a_watch_that_is_gone_is_told_once_after_ten_minutes_and_when_it_is_back() {
        let mut judge = well("3T20:00");
        assert_eq!(judge.hear(at("3T21:00"), &GuardNews::Online(false)), []);
        assert_eq!(judge.next(at("3T21:00")), at("3T21:10"));
        assert_eq!(judge.due(at("3T21:09")), []);
        assert_eq!(judge.due(at("3T21:10")), [Call::Gone { since: at("3T21:00"), why: Why::Offline }]);
        assert_eq!(judge.due(at("3T23:10")), []);
        assert_eq!(judge.hear(at("3T23:30"), &GuardNews::Online(true)), [Call::Back { since: at("3T21:00") }]);
        assert_eq!(judge.hear(at("3T23:31"), &GuardNews::Online(true)), []);
    }

    #[test]
    fn a_short_absence_is_nobodys_business() {
        let mut judge = well("3T20:00");
        judge.hear(at("3T21:00"), &GuardNews::Online(false));
        assert_eq!(judge.hear(at("3T21:09"), &GuardNews::Online(true)), []);
        assert_eq!(judge.hear(at("3T21:20"), &GuardNews::Lost), []);
        assert_eq!(judge.due(at("3T21:29")), []);
    }

    #[test]
    fn a_lost_broker_an_offline_watch_and_an_unknown_site_are_told_apart() {
        let mut lost = well("3T20:00");
        lost.hear(at("3T21:00"), &GuardNews::Lost);
        assert_eq!(lost.due(at("3T21:10")), [Call::Gone { since: at("3T21:00"), why: Why::NoBroker }]);
        // Back at the broker, but what the watch says must be heard anew.
        assert_eq!(lost.hear(at("3T21:20"), &GuardNews::Connected), []);
        assert_eq!(lost.hear(at("3T21:21"), &GuardNews::Online(true)), [Call::Back { since: at("3T21:00") }]);
        let mut unknown = judge("3T20:00");
        unknown.hear(at("3T20:01"), &GuardNews::Connected);
        assert_eq!(unknown.due(at("3T20:10")), [Call::Gone { since: at("3T20:00"), why: Why::Unknown }]);
    }

    #[test]
    fn a_breakfast_letter_that_does_not_come_is_told_once_a_day_and_when_it_comes() {
        let mut judge = well("3T20:00");
        assert_eq!(judge.due(at("4T13:29")), []);
        assert_eq!(judge.due(at("4T13:30")), [Call::NoDigest { date: date(4) }]);
        assert_eq!(judge.due(at("4T14:30")), []);
        assert_eq!(judge.hear(at("4T15:00"), &GuardNews::Digest(date(4))), [Call::DigestCame { date: date(4) }]);
        assert_eq!(judge.hear(at("5T12:31"), &GuardNews::Digest(date(5))), []);
        assert_eq!(judge.due(at("5T13:30")), []);
        assert_eq!(judge.due(at("6T13:30")), [Call::NoDigest { date: date(6) }]);
    }

    #[test]
    fn a_guard_that_starts_late_waits_for_what_the_broker_kept() {
        let mut judge = well("4T16:00");
        assert_eq!(judge.due(at("4T16:00")), []);
        judge.hear(at("4T16:00"), &GuardNews::Digest(date(4)));
        assert_eq!(judge.due(at("4T16:02")), []);
        let mut without = well("4T16:00");
        assert_eq!(without.next(at("4T16:00")), at("4T16:01"));
        assert_eq!(without.due(at("4T16:01")), [Call::NoDigest { date: date(4) }]);
    }

    #[test]
    fn while_the_watch_is_gone_its_missing_breakfast_letter_is_not_told_as_well() {
        let mut judge = well("4T10:00");
        judge.hear(at("4T13:00"), &GuardNews::Online(false));
        assert_eq!(judge.due(at("4T13:30")), [Call::Gone { since: at("4T13:00"), why: Why::Offline }]);
        assert_eq!(judge.due(at("4T14:00")), []);
    }
}
