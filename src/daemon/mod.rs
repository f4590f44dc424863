//! Wiring, and the one loop: wait for a message, an answer, a deadline or a signal; let
//! the engine take it in; write down what it says; tell who must be told.
//!
//! The engine decides, the shells do. Nothing in here judges a value.

mod deliveries;
mod farewell;
mod gate;
mod hearing;
mod keeper;
mod lamp;
mod ledger;
mod letters;
mod neighbours;
mod proposals;
mod replies;
mod saving;
mod signs;
mod start;
mod tidying;

pub use letters::day_pictures;
pub use start::run;

use self::proposals::Proposals;
use crate::beat;
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::Engine;
use crate::engine::alarm::AlarmChange;
use crate::engine::event::{AtStake, Effect, Event, What};
use crate::engine::rules::Rules;
use crate::intake::mqtt::{ConnectError, FromBroker, Link};
use crate::journal::{Did, Entry};
use crate::marks::MarkKey;
use crate::notify::letter::{Letter, Parcel};
use crate::notify::post::{Post, Tried};
use crate::notify::wording;
use crate::page::Page;
use crate::store::{
    Claim, InboxAnswer, InboxOutcome, Record, Rejected, StoreError, StoredOutcome, TakenIn, TroubleFile,
};
use crate::units::Timestamp;
use chrono::TimeDelta;
use deliveries::Deliveries;
use gate::EntryGate;
use keeper::Keeper;
use ledger::{Ledger, Written};
use neighbours::{Ear, Neighbours};
use std::path::PathBuf;
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
/// What the engine remembers is kept beside the store this often: half a megabyte for a large
/// room, and what a start after a kill lives through at most.
const KEEP_STATE_EVERY: TimeDelta = TimeDelta::hours(1);
/// A clock that is set forward so soon after the start had not been set before: what was
/// written since the start belongs to the new time.
const CLOCK_UNSET_FOR: TimeDelta = TimeDelta::hours(1);
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
        /// What we wanted of the system, as an infinitive.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Why the daemon is asked to leave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Leave {
    /// For good, as far as it knows.
    Stop,
    /// To be started again at once, under new settings. It leaves as soon as nothing would be
    /// lost by it.
    Reload {
        /// Where they keep the store.
        store: PathBuf,
    },
}

/// What the daemon tells whoever started it, besides the log.
#[derive(Debug)]
pub enum Observed<'a> {
    /// The store is open and the past lived through.
    Ready {
        /// Events lived through.
        events: u64,
    },
    /// Connected, or connected again.
    BrokerUp,
    /// The connection to the broker broke or could not be made, and why.
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
pub(crate) struct Daemon<'w> {
    config: Config,
    rules: Arc<Rules>,
    clock: Clock,
    engine: Engine,
    keeper: Arc<Mutex<Keeper>>,
    /// When this watch began.
    began: Timestamp,
    ledger: Ledger,
    deliveries: Deliveries,
    link: Link,
    posts: Vec<Post>,
    broker_up: bool,
    marks: MarkKey,
    /// Since when the mailbox of answers cannot be read, and why.
    deaf: Option<(Timestamp, String)>,
    next_entry: i64,
    entry_gate: EntryGate,
    neighbours: Neighbours,
    /// Apart from that of our own entries, which must not suffer.
    astray_gate: EntryGate,
    /// Since when the store fails, as it was told last.
    store_failing: Option<Failing>,
    /// Nobody could open the store when this watch began.
    without_store: bool,
    /// Nor read what was written before.
    without_past: bool,
    /// Nothing else can mend what happened than living through the past anew.
    again: bool,
    /// New settings wait until nothing is in memory alone.
    reload: Option<Leave>,
    trouble: TroubleFile,
    /// Hours since the file was looked through for damage.
    unchecked_hours: u32,
    inbox_unread: bool,
    inbox_taken: i64,
    next_tidy: Timestamp,
    next_state: Timestamp,
    /// The stamp of what the engine took in last.
    taken_in: Option<TakenIn>,
    /// The store has everything the engine has heard, or will have with the next commit.
    state_is_stored: bool,
    page: Option<Page>,
    /// Something was shown that the store may not have yet: what was ticked is read there.
    shown_unwritten: bool,
    /// Shared with the task that beats, so that a line is written only when it changes.
    beat_missed: Arc<AtomicBool>,
    proposals: Proposals,
    observer: &'w mut dyn FnMut(Observed<'_>),
}

/// How a watch ends.
enum Turn {
    /// For whoever asked.
    Leave(Leave),
    /// To live through the past anew, in the same process.
    Again {
        /// The clock was set by so much.
        step: Option<TimeDelta>,
        /// What was written since then moves along.
        moves: Option<(Timestamp, TimeDelta)>,
    },
}

impl Turn {
    fn moves_run(&self) -> Option<(Timestamp, TimeDelta)> {
        match self {
            Turn::Again { moves, .. } => *moves,
            Turn::Leave(_) => None,
        }
    }
}

/// What the next watch of this process goes on with.
struct Kept {
    clock: Clock,
    claim: Option<Claim>,
    page: Option<Page>,
    reload: Option<Leave>,
}

/// A store that fails, as it was told last.
struct Failing {
    since: Timestamp,
    error: String,
    reported: AtStake,
    reported_at: Timestamp,
}

/// What the shells add to an event for safe-keeping.
#[derive(Default)]
struct Extras {
    rejected: Option<Rejected>,
    delivery: Option<crate::store::StoredDelivery>,
    message: Option<u64>,
    inbox: Option<i64>,
    letters: Vec<(Letter, Vec<Parcel>)>,
    outcomes: Vec<StoredOutcome>,
}

impl Daemon<'_> {
    async fn live(
        mut self,
        stop: &mut mpsc::UnboundedReceiver<Leave>,
        mut from_broker: mpsc::Receiver<FromBroker>,
        mut written: mpsc::UnboundedReceiver<Written>,
        mut answers: replies::Listening,
        mut ear: Ear,
    ) -> (Turn, Kept) {
        let (tried, mut from_posts) = mpsc::unbounded_channel::<Tried>();
        // A fast clock wants its letters in its own time.
        let quicker = self.clock.speed().clamp(1.0, 50.0);
        let mut commit = tokio::time::interval(COMMIT_EVERY.div_f64(quicker));
        let mut look = tokio::time::interval(LOOK_EVERY.div_f64(quicker.min(10.0)));
        let mut watchdog = watchdog();
        let nudge = self.page.as_ref().map(Page::nudge).unwrap_or_default();
        let mut beat = tokio::time::interval(beat::EVERY);
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
        let turn = loop {
            if let Some(turn) = self.wants_to_turn()
                && self.finish(&mut written).await
            {
                break turn;
            }
            self.flush(false);
            self.let_go_of_what_waited();
            self.begin_tries(&tried);
            let wake = self.next_wake();
            tokio::select! {
                biased;
                leave = stop.recv() => match leave {
                    Some(Leave::Reload { store }) => self.reload(store),
                    // Whoever could ask is gone.
                    Some(Leave::Stop) | None => break Turn::Leave(Leave::Stop),
                },
                Some(done) = written.recv() => self.settle(done),
                Some((key, outcome)) = from_posts.recv() => self.tried(&key, &outcome),
                // This loop lives, so the watch does: a store that stalls does not end it.
                _ = watchdog.tick() => {
                    let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
                }
                _ = commit.tick() => {
                    if let Some(by) = self.clock.look_at_wall()
                        && let Some(turn) = self.clock_was_set(by)
                    {
                        break turn;
                    }
                    self.flush(true);
                    self.show_trouble();
                }
                _ = look.tick() => {
                    self.read_inbox();
                    self.tell_astray();
                }
                () = nudge.notified() => self.read_inbox(),
                _ = beat.tick() => self.beat(),
                reported = answers.next() => self.take_from_answers(reported),
                overheard = ear.next() => self.take_overheard(overheard),
                () = tokio::time::sleep(wake) => self.wake(),
                message = from_broker.recv() => match message {
                    Some(message) => {
                        if matches!(message, FromBroker::Up { .. } | FromBroker::Down { .. }) {
                            ear.watch_is_up(matches!(message, FromBroker::Up { .. }), tokio::time::Instant::now());
                        }
                        self.take_from_broker(message);
                    }
                    None => break Turn::Leave(Leave::Stop),
                },
            }
        };
        let kept = self.farewell(written, &turn).await;
        (turn, kept)
    }

    /// What the loop would end for, where the store works: what waits in memory alone is
    /// nowhere else, because the broker has been answered.
    fn wants_to_turn(&self) -> Option<Turn> {
        if !self.ledger.is_being_written(tokio::time::Instant::now()) {
            return None;
        }
        let again = self.again.then_some(Turn::Again { step: None, moves: None });
        self.reload.clone().map(Turn::Leave).or(again)
    }

    /// New settings are there. Where the store fails they wait for it, or for the one they name.
    fn reload(&mut self, store: PathBuf) {
        if !self.ledger.is_being_written(tokio::time::Instant::now()) || self.without_store {
            if store == self.config.store.path {
                tracing::warn!(
                    readings = self.ledger.unsaved(),
                    "the new settings wait until the store can save what is in memory; until then the old ones hold"
                );
            } else {
                tracing::warn!(store = %store.display(), "what is in memory goes to the store of the new settings");
                keeper::lock(&self.keeper).move_to(&store);
            }
        }
        self.reload = Some(Leave::Reload { store });
        self.flush(true);
    }

    /// The clock was set and has stood by it. Forward it is followed, and time that nobody
    /// watched lies between; back, or so soon after the start that it had not been set
    /// before, what was written under the wrong one is moved and lived through anew.
    fn clock_was_set(&mut self, by: TimeDelta) -> Option<Turn> {
        let forward = by > TimeDelta::zero();
        let unset_before = self.clock.now() - self.began < CLOCK_UNSET_FOR;
        let can_move = !self.without_store && self.store_failing.is_none();
        if can_move && (!forward || unset_before) {
            tracing::warn!(
                seconds = by.num_seconds(),
                "the clock was set; what was written under the wrong one moves along"
            );
            return Some(Turn::Again { step: Some(by), moves: forward.then_some((self.began, by)) });
        }
        if forward {
            tracing::warn!(seconds = by.num_seconds(), "the clock was set");
            self.clock.follow_forward(by);
            self.happen(What::ClockStepped { by }, Extras::default());
        }
        // Back, with a store that cannot be moved now: time goes on as it was until it can.
        None
    }

    fn next_wake(&self) -> Duration {
        let due = self.engine.next_deadline().min(self.next_tidy);
        self.clock.until(self.next_try().map_or(due, |next| next.min(due)))
    }

    fn wake(&mut self) {
        if self.engine.next_deadline() <= self.clock.now() {
            self.happen(What::Tick, Extras::default());
            self.show();
            (self.observer)(Observed::Time(&self.engine));
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
        self.taken_in = Some((at, seq));
        let event = Event { at, what };
        let effects = self.engine.handle(event.clone());
        let mut record = Record::of(event, seq, effects);
        record.rejected = extras.rejected;
        record.delivery = extras.delivery;
        record.letters = extras.letters;
        record.outcomes = extras.outcomes;
        let mut urgent = false;
        let understood = match &record.event.what {
            What::Command(command) => wording::command_taken(command, &self.rules.site, at),
            _ => String::from("taken"),
        };
        self.proposals.look_for(&record.event.what, &self.engine, &self.config);
        let mut outcome = InboxOutcome::Taken { understood, notes: String::new() };
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
                    (self.observer)(Observed::Alarm(change, &text));
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
                        outcome = InboxOutcome::Taken {
                            understood: wording::entry_understood(entry, &self.rules, trays_meant, note),
                            notes: wording::entry_notes(note, &self.rules),
                        };
                    }
                    urgent = true;
                }
                Effect::EntryRefused { why, .. } => {
                    let why = wording::entry_refused(why, self.rules.site.units);
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
            let taken = matches!(outcome, InboxOutcome::Taken { .. });
            let words = outcome.words();
            let words = words.as_str();
            if extras.inbox.is_none() {
                self.answer_sender(Some(*number), taken, words);
            }
            tracing::info!(refused = (!taken).then_some(words), "journal entry");
            (self.observer)(Observed::Journal(entry, if taken { Ok(()) } else { Err(words) }));
        }
        let entry = match (&record.event.what, &outcome) {
            (What::Journal { number, .. }, InboxOutcome::Taken { .. }) => Some(*number),
            _ => None,
        };
        record.inbox = extras.inbox.map(|id| InboxAnswer { id, answer: outcome.to_answer(), entry });
        urgent |= record.inbox.is_some() || !record.outcomes.is_empty();
        let nothing =
            matches!(record.event.what, What::Tick) && record.effects.is_empty() && record.outcomes.is_empty();
        if !nothing {
            self.ledger.add(record, extras.message, urgent);
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
}

fn watchdog() -> tokio::time::Interval {
    let every = sd_notify::watchdog_enabled().map_or(Duration::from_secs(10), |limit| limit / 3);
    let mut ticks = tokio::time::interval(every.max(Duration::from_millis(100)));
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    ticks
}
