//! What becomes of what was written, or was not: acknowledgements and mails that may leave,
//! and what is said of a store that fails, was damaged, or stands open again.

use super::Turn;
use super::keeper::{self, News};
use super::ledger::{Released, Written};
use super::tidying;
use super::{Daemon, Extras, Failing, KEEP_STATE_EVERY, TIDY_EVERY};
use crate::engine::event::{AtStake, What};
use crate::notify::wording;
use crate::store::{Depth, EngineState, Reader, Trouble, TroubleAlarm};
use chrono::TimeDelta;
use std::sync::Arc;

/// What hangs on a failing store is told anew this often, as long as it grows.
const TELL_STAKES_EVERY: TimeDelta = TimeDelta::minutes(10);
/// The whole file is looked through for damage this often, in hours.
const CHECK_EVERY: u32 = 24;

impl Daemon<'_> {
    pub(super) fn settle(&mut self, mut done: Written) {
        let released = self.ledger.settle(tokio::time::Instant::now(), &mut done);
        match done.error {
            None => self.saved(done.news),
            Some(error) => {
                self.deliveries.give_back(done.forgotten);
                self.tell_store_failing(error.to_string());
            }
        }
        self.release(released);
    }

    fn saved(&mut self, News { opened, warning }: News) {
        if self.shown_unwritten {
            self.show();
            self.shown_unwritten = !self.ledger.is_empty();
        }
        if let Some(how) = opened {
            // A watch that began without the store learns now what it holds.
            self.again |= self.without_store;
            // Another file may lack what the engine has heard.
            self.state_is_stored = false;
            self.tell_how_found(&how);
        }
        match warning {
            Some(warning) => self.tell_store_failing(warning),
            None => self.store_works(),
        }
    }

    fn store_works(&mut self) {
        let Some(failing) = self.store_failing.take() else { return };
        let lost = self.ledger.lost();
        tracing::info!(lost, "the store commits again");
        if lost > failing.reported.lost {
            let at_stake = AtStake { lost, ..AtStake::default() };
            self.happen(What::StoreFailed { error: failing.error, at_stake }, Extras::default());
        }
        self.ledger.forget_losses();
        self.happen(What::StoreRecovered, Extras::default());
    }

    /// Says what of the past is gone or was found elsewhere.
    pub(super) fn tell_how_found(&mut self, how: &keeper::Opened) {
        how.report();
        if let Some(what) = how.sentence(&self.rules.site) {
            self.happen(What::StoreHurt { what }, Extras::default());
        }
    }

    pub(super) fn flush(&mut self, due: bool) {
        let at = self.clock.now();
        self.state_is_stored &= self.ledger.lost() == 0;
        let is_due = self.state_is_stored && at >= self.next_state;
        let state = || EngineState::of(&self.engine, self.taken_in.filter(|_| is_due)?);
        let mut kept = false;
        let state = || state().inspect(|_| kept = true);
        self.ledger.flush(tokio::time::Instant::now(), at, due, || self.deliveries.take_forgotten(), state);
        if kept {
            self.next_state = at + KEEP_STATE_EVERY;
        }
    }

    /// What the engine remembers, where the store has everything it came from and a next
    /// start may go on from there.
    pub(super) fn state_at_the_end(&mut self, turn: &Turn) -> Option<EngineState> {
        self.state_is_stored &= self.ledger.lost() == 0 && self.ledger.is_empty();
        // A turn in the same process lives through the past anew, and means to.
        let stays = self.state_is_stored && matches!(turn, Turn::Leave(_));
        EngineState::of(&self.engine, self.taken_in.filter(|_| stays)?)
    }

    /// Nothing that was heard or must be told waits long for a store that fails or stalls.
    pub(super) fn let_go_of_what_waited(&mut self) {
        let now = tokio::time::Instant::now();
        let overdue = self.ledger.overdue(now);
        self.release(overdue);
        if self.ledger.is_stalled(now) && self.store_failing.is_none() {
            self.tell_store_failing(format!(
                "{}: the disk does not answer; see whether the card is failing",
                self.config.store.path.display()
            ));
        }
    }

    pub(super) fn tell_store_failing(&mut self, error: String) {
        let at_stake =
            AtStake { unsaved: self.ledger.unsaved(), lost: self.ledger.lost(), without_past: self.without_past };
        let now = self.clock.now();
        match &self.store_failing {
            None => tracing::error!(error, "the store does not commit"),
            // The first loss is news at once.
            Some(Failing { reported, .. }) if reported.lost == 0 && at_stake.lost > 0 => {
                tracing::error!(lost = at_stake.lost, "readings had to be given up");
            }
            Some(failing) if failing.reported == at_stake || now - failing.reported_at < TELL_STAKES_EVERY => return,
            Some(_) => {}
        }
        let since = self.store_failing.as_ref().map_or(now, |failing| failing.since);
        self.store_failing = Some(Failing { since, error: error.clone(), reported: at_stake, reported_at: now });
        self.happen(What::StoreFailed { error, at_stake }, Extras::default());
    }

    fn release(&mut self, Released { receipts, posted }: Released) {
        self.link.acknowledge(receipts);
        for posted in posted {
            self.put(posted);
        }
    }

    /// The verbs look into the store, which knows nothing of its own trouble; they find it
    /// in a file in memory.
    pub(super) fn show_trouble(&mut self) {
        let Some(failing) = &self.store_failing else { return self.trouble.clear() };
        let site = &self.rules.site;
        self.trouble.show(&Trouble {
            at: self.clock.now(),
            since: failing.since,
            error: failing.error.clone(),
            unsaved: self.ledger.unsaved(),
            lost: self.ledger.lost(),
            without_past: self.without_past,
            alarms: self
                .engine
                .snapshot()
                .alarms
                .iter()
                .map(|alarm| TroubleAlarm {
                    id: alarm.key.id(),
                    state: alarm.state.word().to_owned(),
                    priority: alarm.priority.word().to_owned(),
                    text: wording::alarm_text(alarm, site),
                })
                .collect(),
        });
    }

    pub(super) fn tidy(&mut self) {
        let now = self.clock.now();
        self.next_tidy = now + TIDY_EVERY;
        self.unchecked_hours += 1;
        let check = self.unchecked_hours >= CHECK_EVERY;
        if check {
            self.unchecked_hours = 0;
        }
        let (keeper, keep) = (Arc::clone(&self.keeper), self.config.store.keep_readings);
        let look_through = check.then(|| self.look_through(Depth::Quick));
        // On a thread of its own: retention may take its time, the loop may not.
        std::thread::spawn(move || {
            if let Err(error) = tidying::tidy(&keeper, now, keep) {
                tracing::warn!(%error, "could not tidy the store");
            }
            if let Some(look_through) = look_through {
                look_through();
            }
        });
    }

    /// Reads the whole file, on whatever thread has the time; where it is not sound, the next
    /// commit opens it anew.
    pub(super) fn look_through(&self, depth: Depth) -> impl FnOnce() + Send + use<> {
        let keeper = Arc::clone(&self.keeper);
        let (path, rules) = (self.config.store.path.clone(), Arc::clone(&self.rules));
        move || {
            if let Err(error) = Reader::open(&path, &rules).and_then(|reader| reader.check(depth)) {
                tracing::error!(%error, "the store was looked through and is not sound; it is opened anew");
                keeper::lock(&keeper).open_anew();
            }
        }
    }
}
