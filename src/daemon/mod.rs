//! Wiring, and the one loop: wait for a message, an answer, a deadline or a signal; let
//! the engine take it in; write down what it says; tell who must be told.
//!
//! The engine decides, the shells do. Nothing in here judges a value.

mod gate;
mod hearing;
mod lamp;
mod ledger;
mod letters;
mod replies;
mod signs;
mod start;

pub use letters::day_pictures;
pub use start::run;

use crate::beat;
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::Engine;
use crate::engine::alarm::AlarmChange;
use crate::engine::event::{Effect, Event, What};
use crate::engine::rules::Rules;
use crate::intake::mqtt::{ConnectError, FromBroker, Link};
use crate::journal::{Did, Entry};
use crate::marks::MarkKey;
use crate::notify::letter::{Letter, Parcel, ParcelKey};
use crate::notify::post::{Post, Tried};
use crate::notify::wording;
use crate::page::Page;
use crate::store::{InboxAnswer, InboxOutcome, Outcome, Record, Rejected, Store, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use gate::EntryGate;
use ledger::{Ledger, Written};
use std::future::Future;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::mpsc;

/// Readings are committed this often; measurements of our own weigh
/// what a power cut may cost against what the flash wears.
const COMMIT_EVERY: Duration = Duration::from_secs(5);
/// The inbox of the verbs is looked at this often.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Minute means, retention and the log's checkpoint.
const TIDY_EVERY: TimeDelta = TimeDelta::hours(1);
/// A commit that takes longer than this is no sign of life.
const COMMIT_IS_STUCK: Duration = Duration::from_secs(45);
/// Long enough to write down everything and say goodbye; systemd waits 90 s.
const FAREWELL: Duration = Duration::from_secs(20);

/// Why the daemon could not start, or had to stop.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The store cannot be opened.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The broker settings cannot be used.
    #[error(transparent)]
    Connect(#[from] ConnectError),
    /// The system refuses something basic.
    #[error("cannot {doing}: {source}")]
    System {
        /// What.
        doing: &'static str,
        /// Why.
        source: std::io::Error,
    },
}

/// Why the daemon is asked to leave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Leave {
    /// For good, as far as it knows.
    Stop,
    /// To be started again at once, under new settings.
    Reload,
}

/// What the daemon tells whoever started it, besides the log.
#[derive(Debug)]
pub enum Happening<'a> {
    /// The store is open and the past lived through.
    Ready {
        /// Events lived through.
        events: u64,
    },
    /// Connected, or connected again.
    BrokerUp,
    /// Not connected.
    BrokerDown(&'a str),
    /// An alarm changed.
    Alarm(&'a AlarmChange, &'a str),
    /// A letter was decided.
    Letter(&'a Letter),
    /// A journal entry was taken or refused.
    Journal(&'a Entry, Result<(), &'a str>),
    /// A minute of the engine's time has passed.
    Time(&'a Engine),
}

/// What a daemon is made of.
pub struct Daemon<'w> {
    config: Config,
    rules: Arc<Rules>,
    clock: Clock,
    engine: Engine,
    store: Arc<Mutex<Store>>,
    ledger: Ledger,
    link: Link,
    posts: Vec<Post>,
    broker_up: bool,
    marks: MarkKey,
    /// Since when the mailbox of answers cannot be read, and why.
    deaf: Option<(Timestamp, String)>,
    told_unwritten: Vec<ParcelKey>,
    next_entry: i64,
    entry_gate: EntryGate,
    store_failing: bool,
    store_was_damaged: bool,
    inbox_unread: bool,
    inbox_taken: i64,
    next_tidy: Timestamp,
    page: Option<Page>,
    /// Something was shown that the store may not have yet: what was ticked is read there.
    shown_unwritten: bool,
    /// Shared with the task that beats, so that a line is written only when it changes.
    beat_missed: Arc<AtomicBool>,
    observer: &'w mut dyn FnMut(Happening<'_>),
}

/// What the shells add to an event for safe-keeping.
#[derive(Default)]
struct Extras {
    rejected: Option<Rejected>,
    delivery: Option<crate::store::Delivery>,
    inbox: Option<i64>,
    letters: Vec<(Letter, Vec<Parcel>)>,
    outcomes: Vec<Outcome>,
}

impl Daemon<'_> {
    async fn live(
        mut self,
        stop: impl Future<Output = Leave>,
        mut from_broker: mpsc::Receiver<FromBroker>,
        mut written: mpsc::UnboundedReceiver<Written>,
        mut answers: replies::Listening,
    ) -> Result<Leave, DaemonError> {
        tokio::pin!(stop);
        let (tried, mut from_posts) = mpsc::unbounded_channel::<Tried>();
        // A fast clock wants its letters in its own time.
        let quicker = self.clock.speed().clamp(1.0, 50.0);
        let mut commit = tokio::time::interval(COMMIT_EVERY.div_f64(quicker));
        let mut look = tokio::time::interval(LOOK_EVERY.div_f64(quicker.min(10.0)));
        let mut watchdog = watchdog();
        let nudge = self.page.as_ref().map(Page::nudge).unwrap_or_default();
        let mut beat = tokio::time::interval(beat::EVERY);
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut writing_since: Option<tokio::time::Instant> = None;
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
        let leave = loop {
            self.ledger.flush(false);
            self.begin_tries(&tried);
            writing_since = if self.ledger.is_writing() {
                writing_since.or_else(|| Some(tokio::time::Instant::now()))
            } else {
                None
            };
            let wake = self.next_wake();
            tokio::select! {
                biased;
                leave = &mut stop => break leave,
                Some(done) = written.recv() => self.settle(done),
                Some((key, outcome)) = from_posts.recv() => self.tried(&key, &outcome),
                _ = watchdog.tick() => {
                    if writing_since.is_none_or(|since| since.elapsed() < COMMIT_IS_STUCK) {
                        let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
                    }
                }
                _ = commit.tick() => {
                    if let Some(by) = self.clock.look_at_wall() {
                        tracing::warn!(seconds = by.num_seconds(), "the clock was set");
                        self.happen(What::ClockStepped { by }, Extras::default());
                    }
                    self.ledger.flush(true);
                }
                _ = look.tick() => self.read_inbox(),
                () = nudge.notified() => self.read_inbox(),
                _ = beat.tick() => self.beat(),
                reported = answers.next() => self.take_from_answers(reported),
                () = tokio::time::sleep(wake) => self.wake(),
                message = from_broker.recv() => match message {
                    Some(message) => self.take_from_broker(message),
                    None => break Leave::Stop,
                },
            }
        };
        self.farewell(written, leave).await?;
        Ok(leave)
    }

    fn next_wake(&self) -> Duration {
        let due = self.engine.next_deadline().min(self.next_tidy);
        self.clock.until(self.next_try().map_or(due, |next| next.min(due)))
    }

    fn wake(&mut self) {
        if self.engine.next_deadline() <= self.clock.now() {
            self.happen(What::Tick, Extras::default());
            self.show();
            (self.observer)(Happening::Time(&self.engine));
        }
        if self.next_tidy <= self.clock.now() {
            self.tidy();
        }
    }

    /// Lets something happen: stamps it, lets the engine take it in, gathers what is to
    /// be written down, and tells the lamp and the log.
    fn happen(&mut self, mut what: What, extras: Extras) {
        if let What::Journal { entry, .. } = &mut what {
            let growing: Vec<&str> = self.engine.trays().growing().map(|tray| tray.name.as_str()).collect();
            crate::typed::names::as_known(entry, &self.rules, &growing);
        }
        let trays_meant = self.trays_meant(&what);
        let (at, seq) = self.clock.stamp();
        let event = Event { at, what };
        let effects = self.engine.handle(event.clone());
        let mut record = Record::of(event, seq, effects);
        record.rejected = extras.rejected;
        record.delivery = extras.delivery;
        record.letters = extras.letters;
        record.outcomes = extras.outcomes;
        let mut urgent = false;
        let mut outcome = InboxOutcome::Taken(match &record.event.what {
            What::Command(command) => wording::command_taken(command, &self.rules.site, at),
            _ => String::from("taken"),
        });
        let effects = std::mem::take(&mut record.effects);
        for effect in &effects {
            match effect {
                Effect::Judged(_) => {}
                Effect::Alarm(change) => {
                    let text = wording::alarm_text(change, &self.rules.site);
                    tracing::warn!(
                        alarm = change.key.id(),
                        state = change.state.word(),
                        priority = change.priority.word(),
                        "{text}"
                    );
                    (self.observer)(Happening::Alarm(change, &text));
                    self.announce(change, &mut record);
                    record.alarm_texts.push(text);
                    urgent = true;
                }
                Effect::Letter(facts) => {
                    record.letters.push(self.write_letter(facts));
                    urgent = true;
                }
                Effect::EntryTaken { note, .. } => {
                    if let What::Journal { entry, .. } = &record.event.what {
                        outcome = InboxOutcome::Taken(wording::entry_taken(entry, &self.rules, trays_meant, note));
                    }
                    urgent = true;
                }
                Effect::EntryRefused { why, .. } => {
                    let why = wording::entry_refused(why);
                    record.refusal = Some(why.clone());
                    outcome = InboxOutcome::Refused(why);
                    urgent = true;
                }
                Effect::CommandRefused { why } => {
                    outcome = InboxOutcome::Refused(wording::command_refused(why));
                    urgent = true;
                }
            }
        }
        if effects.iter().any(|effect| !matches!(effect, Effect::Judged(_))) {
            self.show();
            self.shown_unwritten = true;
        }
        record.effects = effects;
        if let What::Journal { number, entry } = &record.event.what {
            let (taken, words) = match &outcome {
                InboxOutcome::Taken(known) => (true, known.as_str()),
                InboxOutcome::Refused(why) => (false, why.as_str()),
            };
            if extras.inbox.is_none() {
                self.answer_sender(Some(*number), taken, words);
            }
            tracing::info!(refused = (!taken).then_some(words), "journal entry");
            (self.observer)(Happening::Journal(entry, if taken { Ok(()) } else { Err(words) }));
        }
        let entry = match (&record.event.what, &outcome) {
            (What::Journal { number, .. }, InboxOutcome::Taken(_)) => Some(*number),
            _ => None,
        };
        record.inbox = extras.inbox.map(|id| InboxAnswer { id, answer: outcome.to_answer(), entry });
        urgent |= record.inbox.is_some() || !record.outcomes.is_empty();
        let nothing =
            matches!(record.event.what, What::Tick) && record.effects.is_empty() && record.outcomes.is_empty();
        if !nothing {
            self.ledger.add(record, urgent);
        }
    }

    /// How many trays the one that an entry is about stands for, before it is cut.
    fn trays_meant(&self, what: &What) -> Option<u32> {
        match what {
            What::Journal { entry: Entry { did: Did::Harvest { tray, .. }, .. }, .. } => {
                self.engine.trays().get(tray).map(|tray| tray.count)
            }
            _ => None,
        }
    }

    /// Lets the page know the room as it is.
    fn show(&self) {
        if let Some(page) = &self.page {
            page.show(self.engine.snapshot());
        }
    }

    fn settle(&mut self, mut done: Written) {
        let posted = self.ledger.settle(&mut done, &mut self.told_unwritten);
        match &done.error {
            None => {
                self.link.acknowledge(done.receipts);
                if self.shown_unwritten {
                    self.show();
                    self.shown_unwritten = !self.ledger.is_empty();
                }
                if std::mem::take(&mut self.store_failing) {
                    tracing::info!("the store commits again");
                    self.happen(What::StoreRecovered, Extras::default());
                }
            }
            Some(error) => {
                if !std::mem::replace(&mut self.store_failing, true) {
                    tracing::error!(%error, "the store does not commit");
                    self.happen(What::StoreFailed { error: error.to_string() }, Extras::default());
                }
            }
        }
        for posted in posted {
            self.put(posted);
        }
    }

    fn tidy(&mut self) {
        let now = self.clock.now();
        self.next_tidy = now + TIDY_EVERY;
        if std::mem::take(&mut self.store_was_damaged) {
            // It has been told; the new store works.
            self.happen(What::StoreRecovered, Extras::default());
        }
        let (store, keep) = (Arc::clone(&self.store), self.config.store.keep_readings);
        // On a thread of its own: retention may take its time, the loop may not.
        std::thread::spawn(move || {
            let outcome = (|| {
                ledger::lock(&store).roll_up_minutes(now)?;
                while ledger::lock(&store).forget(now, keep)? > 0 {}
                ledger::lock(&store).checkpoint()
            })();
            if let Err(error) = outcome {
                tracing::warn!(%error, "could not tidy the store");
            }
        });
    }

    /// Writes down what waits, acknowledges it, says goodbye.
    async fn farewell(
        mut self,
        mut written: mpsc::UnboundedReceiver<Written>,
        leave: Leave,
    ) -> Result<(), DaemonError> {
        let state = match leave {
            Leave::Stop => sd_notify::NotifyState::Stopping,
            // After "stopping" systemd would not let it go on.
            Leave::Reload => sd_notify::NotifyState::Reloading,
        };
        let _ = sd_notify::notify(&[state]);
        let finish = async {
            while !self.ledger.is_empty() {
                self.ledger.flush(true);
                let Some(done) = written.recv().await else {
                    break;
                };
                let failed = done.error.is_some();
                self.settle(done);
                if failed {
                    break;
                }
            }
        };
        if tokio::time::timeout(FAREWELL, finish).await.is_err() {
            tracing::warn!("the store did not finish in time; what is not written comes again from the broker");
        }
        self.link.close().await;
        let now = self.clock.now();
        let mut store = ledger::lock(&self.store);
        store.roll_up_minutes(now)?;
        store.stop_well()?;
        Ok(())
    }
}

fn watchdog() -> tokio::time::Interval {
    let every = sd_notify::watchdog_enabled().map_or(Duration::from_secs(10), |limit| limit / 3);
    let mut ticks = tokio::time::interval(every.max(Duration::from_millis(100)));
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    ticks
}
