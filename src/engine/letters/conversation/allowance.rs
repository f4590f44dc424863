//! The bounds of a night, which keep a bad one from becoming a hundred letters: how many there
//! may be from one round to the next, and when a call that nobody answered is repeated.

use crate::units::Timestamp;
use chrono::TimeDelta;

/// Reminders of an unanswered call, counted from it; no more after the last. Own default.
pub(super) const REMINDERS: [TimeDelta; 3] = [TimeDelta::minutes(20), TimeDelta::hours(1), TimeDelta::hours(3)];
/// Letters from one round to the next, that of the round and the digest apart: with these two
/// they are six. Own default.
pub(super) const MOST_A_NIGHT: usize = 4;
/// The same when a second, different harm begins sooner: with the two they are ten.
const MOST_OF_TWO: usize = 8;

/// What has been written since the last round, against what may be.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Allowance {
    letters: usize,
    last_call: Option<Timestamp>,
    reminders: usize,
}

impl Allowance {
    /// One more letter may be written of the harm people know.
    pub(super) fn has_room(&self) -> bool {
        self.letters < MOST_A_NIGHT
    }

    /// One more letter may be written, though it be of a second harm, or of the end of all.
    pub(super) fn has_room_for_two(&self) -> bool {
        self.letters < MOST_OF_TWO
    }

    /// A letter more was written.
    pub(super) fn count_one(&mut self) {
        self.letters += 1;
    }

    /// A call went out: its reminders are counted from here.
    pub(super) fn called(&mut self, at: Timestamp) {
        self.last_call = Some(at);
        self.reminders = 0;
    }

    /// A letter that was no call turns out to be one, unless a later one is out.
    pub(super) fn counts_as_call(&mut self, written_at: Timestamp) {
        self.last_call = self.last_call.max(Some(written_at));
        self.reminders = 0;
    }

    /// A call went out that is not repeated.
    pub(super) fn called_for_the_last_time(&mut self, at: Timestamp) {
        self.last_call = Some(at);
        self.reminders = REMINDERS.len();
    }

    /// A reminder's time has come; which one it is, whether or not it is written.
    pub(super) fn take_reminder(&mut self) -> u8 {
        self.reminders += 1;
        self.reminders as u8
    }

    /// Another reminder of the last call is to come, if nobody answers.
    pub(super) fn is_reminding(&self) -> bool {
        self.last_call.is_some() && self.reminders < REMINDERS.len()
    }

    /// When an unanswered call is repeated next.
    pub(super) fn next_reminder(&self) -> Option<Timestamp> {
        let last = self.last_call.filter(|_| self.has_room())?;
        REMINDERS.get(self.reminders).map(|after| last + *after)
    }
}
