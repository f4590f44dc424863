//! Calls graded by the grower: how many there were of each kind, how many were right and
//! wrong, and how long an answer took. This is the monitoring and assessment that
//! ANSI/ISA-18.2 asks for (as open texts restate it), kept for a month.

use crate::alarm::{AlarmKey, AlarmKind};
use crate::event::Grade;
use crate::units::Timestamp;
use alloc::collections::{BTreeMap, VecDeque};
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// How long a call counts.
pub const KEPT: TimeDelta = TimeDelta::days(31);
/// So many wrong ones of a kind, and a change of the settings is proposed. Own default.
const DOUBTED_FROM: u32 = 3;

/// The calls of the last month.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct Account {
    kinds: BTreeMap<AlarmKind, VecDeque<Call>>,
}

/// One call, and what people said of it.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Call {
    /// When it was made.
    pub at: Timestamp,
    /// The alarm's subject: the id of a place, sensor or reservoir, or the site.
    pub subject: String,
    /// When somebody answered it.
    pub answered_at: Option<Timestamp>,
    /// What was said of it, and when.
    pub grade: Option<(Grade, Timestamp)>,
}

/// One kind of alarm over a month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KindAccount {
    /// The kind of alarm whose calls are counted.
    pub kind: AlarmKind,
    /// Calls, without reminders.
    pub calls: u32,
    /// Calls said to be right.
    pub right: u32,
    /// Calls said to be wrong.
    pub wrong: u32,
    /// Median time from a call to its answer, minutes; `None`: none was answered.
    pub answered_after_minutes: Option<i64>,
}

impl Account {
    /// An alarm called.
    pub(crate) fn called(&mut self, at: Timestamp, key: &AlarmKey) {
        let call = Call { at, subject: key.subject.clone(), answered_at: None, grade: None };
        self.remember(key.kind, call);
    }

    /// A call that was made before this account began, or is made now; the newest last.
    pub(crate) fn remember(&mut self, kind: AlarmKind, call: Call) {
        let calls = self.kinds.entry(kind).or_default();
        while calls.front().is_some_and(|first| call.at - first.at > KEPT) {
            calls.pop_front();
        }
        calls.push_back(call);
    }

    /// Somebody answered it.
    pub(crate) fn answered(&mut self, at: Timestamp, key: &AlarmKey) {
        if let Some(call) = self.last(key) {
            call.answered_at.get_or_insert(at);
        }
    }

    /// Somebody graded an alarm's call; the last word counts.
    pub(crate) fn graded(&mut self, at: Timestamp, key: &AlarmKey, grade: Grade) {
        if let Some(call) = self.last(key) {
            call.grade = Some((grade, at));
        }
    }

    /// Kinds that people said were wrong at least three times and more often than right in the
    /// month up to `at`, the last time since `from`.
    pub(crate) fn doubted(&self, from: Timestamp, at: Timestamp) -> Vec<KindAccount> {
        let said_lately = |kind: AlarmKind| {
            let calls = self.kinds.get(&kind).into_iter().flatten();
            calls.filter_map(|call| call.grade).any(|(grade, said)| grade == Grade::Wrong && said >= from && said <= at)
        };
        let mut doubted = self.month(at);
        doubted.retain(|kind| kind.wrong >= DOUBTED_FROM && kind.wrong > kind.right && said_lately(kind.kind));
        doubted
    }

    /// The calls of one kind in the month up to `at`, oldest first.
    pub(crate) fn of(&self, kind: AlarmKind, at: Timestamp) -> Vec<Call> {
        self.kinds.get(&kind).into_iter().flatten().filter(|call| at - call.at <= KEPT).cloned().collect()
    }

    /// The month up to `at`, kinds with calls only, in the order of the alarm table.
    pub(crate) fn month(&self, at: Timestamp) -> Vec<KindAccount> {
        let kinds = self.kinds.iter().map(|(kind, calls)| {
            let month: Vec<&Call> = calls.iter().filter(|call| at - call.at <= KEPT).collect();
            let graded =
                |grade| month.iter().filter(|call| call.grade.is_some_and(|(given, _)| given == grade)).count() as u32;
            let mut waits: Vec<i64> =
                month.iter().filter_map(|call| Some((call.answered_at? - call.at).num_minutes())).collect();
            waits.sort_unstable();
            KindAccount {
                kind: *kind,
                calls: month.len() as u32,
                right: graded(Grade::Right),
                wrong: graded(Grade::Wrong),
                answered_after_minutes: waits.get(waits.len() / 2).copied(),
            }
        });
        kinds.filter(|kind| kind.calls > 0).collect()
    }

    fn last(&mut self, key: &AlarmKey) -> Option<&mut Call> {
        self.kinds.get_mut(&key.kind)?.iter_mut().rev().find(|call| call.subject == key.subject)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::borrow::ToOwned;

    #[test]
    fn the_last_word_on_a_call_counts_and_a_month_later_it_is_forgotten() {
        let at = Timestamp::from_timestamp(1_772_600_000, 0).unwrap();
        let key = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".to_owned() };
        let mut account = Account::default();
        account.called(at, &key);
        account.answered(at + TimeDelta::minutes(9), &key);
        account.graded(at, &key, Grade::Right);
        account.graded(at + TimeDelta::hours(1), &key, Grade::Wrong);
        let month = account.month(at + TimeDelta::days(2));
        let found = month.first().map(|kind| (kind.calls, kind.right, kind.wrong, kind.answered_after_minutes));
        assert_eq!(found, Some((1, 0, 1, Some(9))));
        assert_eq!(account.month(at + TimeDelta::days(32)), []);
    }

    #[test]
    fn a_call_takes_the_place_of_those_that_nobody_counts_any_more() {
        let day = |day: i64| Timestamp::from_timestamp(1_772_600_000, 0).unwrap() + TimeDelta::days(day);
        let key = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".to_owned() };
        let mut account = Account::default();
        for at in [0, 1, 50, 51] {
            account.called(day(at), &key);
        }
        assert_eq!(account.kinds[&key.kind].len(), 2, "those of the first two days are gone");
    }

    #[test]
    fn three_wrong_ones_of_a_kind_are_doubted_once_and_not_where_more_were_right() {
        let hour = |hour: i64| Timestamp::from_timestamp(1_772_600_000, 0).unwrap() + TimeDelta::hours(hour);
        let key = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".to_owned() };
        let mut account = Account::default();
        for call in 0..3 {
            account.called(hour(call * 24), &key);
            account.graded(hour(call * 24 + 1), &key, Grade::Wrong);
        }
        assert_eq!(account.doubted(hour(48), hour(60)).len(), 1);
        assert_eq!(account.doubted(hour(50), hour(60)), [], "it was said in an earlier digest");
        for call in 3..6 {
            account.called(hour(call * 24), &key);
            account.graded(hour(call * 24 + 1), &key, Grade::Right);
        }
        assert_eq!(account.doubted(hour(48), hour(160)), [], "as many were right");
    }
}
