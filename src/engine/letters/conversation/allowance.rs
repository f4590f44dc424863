//! The bounds of a night, which keep a bad one from becoming a hundred letters: how many there
//! may be in a night, and when a call that nobody answered is repeated.

use crate::units::Timestamp;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Reminders of an unanswered call, counted from it; no more after the last. Own default.
pub(super) const REMINDERS: [TimeDelta; 3] = [TimeDelta::minutes(20), TimeDelta::hours(1), TimeDelta::hours(3)];
/// Letters of a night, the digest apart: with it they are six. Own default.
pub(super) const MOST_A_NIGHT: usize = 5;
/// Of these so many may be spent before a call for something worse, which must still find room.
pub(super) const BUT_FOR_A_CALL: usize = MOST_A_NIGHT - 1;
/// The same when a second, different harm begins sooner: with the digest they are ten.
const MOST_OF_TWO: usize = 9;
/// A night, and the day before it: letters that nobody answered count for so long.
const COUNTED: TimeDelta = TimeDelta::hours(24);

/// What has been written of late, against what may be.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Allowance {
    letters: Vec<Timestamp>,
    /// Somebody has answered the newest of them.
    answered: bool,
    last_call: Option<Timestamp>,
    /// Times for a reminder that have passed since the last call.
    reminders: usize,
    /// Of these, in how many one was written.
    repeated: u8,
}

impl Allowance {
    /// One more call may be written for the harm people know.
    pub(super) fn has_room(&self) -> bool {
        self.letters.len() < MOST_A_NIGHT
    }

    /// One more letter may be written that says again what was said.
    pub(super) fn has_room_to_repeat(&self) -> bool {
        self.letters.len() < BUT_FOR_A_CALL
    }

    /// One more letter may be written, though it be of a second harm, or of the end of all.
    pub(super) fn has_room_for_two(&self) -> bool {
        self.letters.len() < MOST_OF_TWO
    }

    /// A letter more was written.
    pub(super) fn count_one(&mut self, at: Timestamp) {
        self.letters.push(at);
        self.answered = false;
    }

    /// Somebody has answered.
    pub(super) fn answered(&mut self) {
        self.answered = true;
    }

    /// A round begins. Who has answered begins anew; who did not has had these letters.
    pub(super) fn round_begins(&mut self, at: Timestamp) {
        let answered = core::mem::take(&mut self.answered);
        self.letters.retain(|written| !answered && at - *written < COUNTED);
        self.last_call = None;
        self.reminders = 0;
        self.repeated = 0;
    }

    /// A call went out: its reminders are counted from here.
    pub(super) fn called(&mut self, at: Timestamp) {
        self.last_call = Some(at);
        self.reminders = 0;
        self.repeated = 0;
    }

    /// A letter that was no call turns out to be one, unless a later one is out.
    pub(super) fn counts_as_call(&mut self, written_at: Timestamp) {
        self.last_call = self.last_call.max(Some(written_at));
        self.reminders = 0;
        self.repeated = 0;
    }

    /// A call went out that is not repeated.
    pub(super) fn called_for_the_last_time(&mut self, at: Timestamp) {
        self.last_call = Some(at);
        self.reminders = REMINDERS.len();
    }

    /// A reminder's time has come, whether or not it is written.
    pub(super) fn take_reminder(&mut self) {
        self.reminders += 1;
    }

    /// A reminder is written; which one it is, from 1.
    pub(super) fn count_reminder(&mut self) -> u8 {
        self.repeated = self.repeated.saturating_add(1);
        self.repeated
    }

    /// Another reminder of the last call is to come, if nobody answers.
    pub(super) fn is_reminding(&self) -> bool {
        self.next_reminder().is_some()
    }

    /// When an unanswered call is repeated next.
    pub(super) fn next_reminder(&self) -> Option<Timestamp> {
        let last = self.last_call.filter(|_| self.has_room_to_repeat())?;
        REMINDERS.get(self.reminders).map(|after| last + *after)
    }
}
