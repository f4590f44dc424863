//! What one may ask an engine, now or of what was; asking changes nothing.

use super::Engine;
use crate::alarm::account::{Call, KindAccount};
use crate::alarm::cycle::Alarm;
use crate::alarm::{AlarmKind, AlarmState};
use crate::letters::digest::{self, DigestFacts};
use crate::letters::snapshot::{self, Snapshot};
use crate::rules::Rules;
use crate::units::Timestamp;
use crate::watch::seen::Seen;
use crate::watch::trays::Trays;
use alloc::sync::Arc;
use alloc::vec::Vec;

impl Engine {
    /// The rules it was made with; new ones need a new engine.
    pub fn rules(&self) -> &Arc<Rules> {
        &self.rules
    }

    /// The calls of the last month by kind, as people graded them.
    pub fn calls(&self) -> Vec<KindAccount> {
        self.account.month(self.now)
    }

    /// Kinds of calls that people have lately said were wrong, three times or more in a month.
    pub fn doubted(&self) -> Vec<KindAccount> {
        self.account.doubted(self.digest_from, self.now)
    }

    /// The calls of one kind in the last month, oldest first.
    pub fn calls_of(&self, kind: AlarmKind) -> Vec<Call> {
        self.account.of(kind, self.now)
    }

    /// The trays it knows.
    pub fn trays(&self) -> &Trays {
        &self.trays
    }

    /// The room now.
    pub fn snapshot(&self) -> Snapshot {
        let seen = seen!(self, &self.rules);
        let standing = self.standing(|alarm| alarm.state() != AlarmState::Normal);
        snapshot::of(&seen, &self.watches, self.next_round, standing)
    }

    /// The digest as it would be written now; changes nothing.
    pub fn digest_facts(&self, late: bool) -> DigestFacts {
        let seen = seen!(self, &self.rules);
        let alarms = digest::DigestAlarms {
            raised: self.raised_today.values().cloned().collect(),
            standing: self.standing(Alarm::is_active),
        };
        let calls = digest::Calls {
            month: self.account.month(self.now),
            doubted: self.account.doubted(self.digest_from, self.now),
        };
        let mut facts = digest::of(&seen, &self.watches, self.digest_from, late, (alarms, calls));
        for situation in &mut facts.standing {
            situation.reported = self.as_written(situation);
        }
        facts
    }

    /// The time of the newest event or deadline.
    pub fn now(&self) -> Timestamp {
        self.now
    }

    /// When to come back with a `Tick` if nothing else happens first.
    pub fn next_deadline(&self) -> Timestamp {
        self.wake_at
    }
}
