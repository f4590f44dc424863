//! A condition that holds and is not an alarm yet: how long it has been seen to hold.

use crate::units::Timestamp;
use chrono::TimeDelta;

/// What was pending when nobody could tell is taken up again within this. Own default.
const PENDING_KEEPS: TimeDelta = TimeDelta::hours(1);

/// A condition on its way to an alarm. Only time in which it was seen counts towards the
/// delay, but a gap in the data, a restart or a shelf does not begin it anew.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Pending {
    since: Timestamp,
    /// How long it was seen to hold, up to `seen_from`.
    held: TimeDelta,
    /// Since when it is seen without a gap; `None`: nobody can tell at present.
    seen_from: Option<Timestamp>,
    /// The last time anybody could tell.
    known_at: Timestamp,
    /// How long it must hold.
    settles_in: TimeDelta,
}

impl Pending {
    /// It begins to be seen.
    pub(super) fn begins(at: Timestamp, settles_in: TimeDelta) -> Pending {
        Pending { since: at, held: TimeDelta::zero(), seen_from: Some(at), known_at: at, settles_in }
    }

    /// Since when it holds.
    pub(super) fn since(&self) -> Timestamp {
        self.since
    }

    /// It is still the same, and not one that was lost sight of for too long.
    pub(super) fn goes_on(&self, at: Timestamp) -> bool {
        self.seen_from.is_some() || at - self.known_at <= PENDING_KEEPS
    }

    /// It is seen to hold.
    pub(super) fn seen(self, at: Timestamp, settles_in: TimeDelta) -> Pending {
        Pending { seen_from: self.seen_from.or(Some(at)), settles_in, ..self }
    }

    /// When it will have held for long enough; `None` while nobody can tell.
    pub(super) fn due_at(&self) -> Option<Timestamp> {
        Some(self.seen_from? + (self.settles_in - self.held))
    }

    /// Nobody can tell from now on.
    pub(super) fn freeze(&mut self, at: Timestamp) {
        if let Some(from) = self.seen_from.take() {
            self.held += (at - from).max(TimeDelta::zero());
            self.known_at = at;
        }
    }
}
