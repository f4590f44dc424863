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

/// The calls of the last month.
#[derive(Clone, Debug, Default)]
pub struct Account {
    kinds: BTreeMap<AlarmKind, VecDeque<Call>>,
}

#[derive(Clone, Debug)]
struct Call {
    at: Timestamp,
    subject: String,
    answered_at: Option<Timestamp>,
    grade: Option<Grade>,
}

/// One kind of alarm over a month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KindAccount {
    /// The kind.
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
    pub fn called(&mut self, at: Timestamp, key: &AlarmKey) {
        let calls = self.kinds.entry(key.kind).or_default();
        while calls.front().is_some_and(|call| at - call.at > KEPT) {
            calls.pop_front();
        }
        calls.push_back(Call { at, subject: key.subject.clone(), answered_at: None, grade: None });
    }

    /// Somebody answered it.
    pub fn answered(&mut self, at: Timestamp, key: &AlarmKey) {
        if let Some(call) = self.last(key) {
            call.answered_at.get_or_insert(at);
        }
    }

    /// Somebody graded an alarm's call; the last word counts.
    pub fn graded(&mut self, key: &AlarmKey, grade: Grade) {
        if let Some(call) = self.last(key) {
            call.grade = Some(grade);
        }
    }

    /// The month up to `at`, kinds with calls only, in the order of the alarm table.
    pub fn month(&self, at: Timestamp) -> Vec<KindAccount> {
        let kinds = self.kinds.iter().map(|(kind, calls)| {
            let month: Vec<&Call> = calls.iter().filter(|call| at - call.at <= KEPT).collect();
            let graded = |grade| month.iter().filter(|call| call.grade == Some(grade)).count() as u32;
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
        account.graded(&key, Grade::Right);
        account.graded(&key, Grade::Wrong);
        let month = account.month(at + TimeDelta::days(2));
        let found = month.first().map(|kind| (kind.calls, kind.right, kind.wrong, kind.answered_after_minutes));
        assert_eq!(found, Some((1, 0, 1, Some(9))));
        assert_eq!(account.month(at + TimeDelta::days(32)), []);
    }
}
