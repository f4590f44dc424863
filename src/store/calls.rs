//! The calls of the past and what people said of them, put together from alarms, letters and
//! answers: an engine that begins anew has lived through days of them, its account covers a
//! month.

use super::error::{StoreError, explain};
use super::read::Reader;
use crate::engine::alarm::account::Call;
use crate::engine::alarm::{AlarmKey, AlarmKind, AlarmState, Priority};
use crate::engine::event::{Command, Grade};
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::params;

/// A letter that calls leaves so near to when its alarm became urgent: the evening letter was the
/// call where it told of it as long ago, else the call gathers, and waits as long as the alarm eases.
const CALLED_WITHIN: TimeDelta = TimeDelta::minutes(20);

impl Reader {
    /// Calls made from `since` until before `until`, oldest first, with answers and grades of any
    /// time.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn calls(&self, since: Timestamp, until: Timestamp) -> Result<Vec<(AlarmKind, Call)>, StoreError> {
        let letters = self.calling_letters(since).map_err(explain(&self.path))?;
        let mut calls: Vec<(AlarmKey, Timestamp, Call)> = Vec::new();
        for line in self.alarm_changes(since)? {
            let of_episode =
                |(key, began, _): &&mut (AlarmKey, Timestamp, Call)| *key == line.key && *began == line.since;
            let known = calls.iter_mut().rev().find(of_episode);
            let urgent = line.priority == Priority::Now && line.state == AlarmState::Unacknowledged;
            match known {
                Some((.., call)) if line.state == AlarmState::Acknowledged => {
                    call.answered_at.get_or_insert(line.at);
                }
                None if urgent && line.at < until => {
                    let named =
                        |(key, at): &(AlarmKey, Timestamp)| *key == line.key && (*at - line.at).abs() <= CALLED_WITHIN;
                    if letters.iter().any(named) {
                        let call =
                            Call { at: line.at, subject: line.key.subject.clone(), answered_at: None, grade: None };
                        calls.push((line.key, line.since, call));
                    }
                }
                _ => {}
            }
        }
        for (at, key, grade) in self.grades(since).map_err(explain(&self.path))? {
            if let Some((.., call)) = calls.iter_mut().rev().find(|(known, _, call)| *known == key && call.at <= at) {
                call.answered_at.get_or_insert(at);
                call.grade = Some((grade, at));
            }
        }
        Ok(calls.into_iter().map(|(key, _, call)| (key.kind, call)).collect())
    }

    fn calling_letters(&self, since: Timestamp) -> rusqlite::Result<Vec<(AlarmKey, Timestamp)>> {
        let mut statement = self.connection.prepare_cached(
            "SELECT letter_alarm.kind, letter_alarm.subject, letter.at
               FROM letter JOIN letter_alarm ON letter_alarm.letter = letter.id
              WHERE letter.at >= ?1 AND letter.kind IN ('alarm', 'evening')",
        )?;
        let mut rows = statement.query(params![since.timestamp_millis()])?;
        let mut named = Vec::new();
        while let Some(row) = rows.next()? {
            let kind = AlarmKind::from_word(row.get_ref(0)?.as_str()?);
            let at = Timestamp::from_timestamp_millis(row.get(2)?);
            if let Some((kind, at)) = kind.zip(at) {
                named.push((AlarmKey { kind, subject: row.get(1)? }, at));
            }
        }
        Ok(named)
    }

    fn grades(&self, since: Timestamp) -> rusqlite::Result<Vec<(Timestamp, AlarmKey, Grade)>> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT at, body FROM event WHERE at >= ?1 AND kind = 'command' ORDER BY at, seq")?;
        let mut rows = statement.query(params![since.timestamp_millis()])?;
        let mut grades = Vec::new();
        while let Some(row) = rows.next()? {
            let at = Timestamp::from_timestamp_millis(row.get(0)?);
            let command = serde_json::from_str(row.get_ref(1)?.as_str()?).ok();
            if let (Some(at), Some(Command::Acknowledge { alarm, grade: Some(grade), .. })) = (at, command) {
                grades.push((at, alarm, grade));
            }
        }
        Ok(grades)
    }
}
