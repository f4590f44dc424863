//! Wiring, and the one loop: wait for a message, an answer, a deadline or a signal; let
//! the engine take it in; write down what it says; tell who must be told.
//!
//! The engine decides, the shells do. Nothing in here judges a value.

mod ledger;

use crate::clock::Clock;
use crate::config::{Config, Mail as MailSettings};
use crate::engine::Engine;
use crate::engine::alarm::AlarmChange;
use crate::engine::event::{Command, Effect, Event, LetterFacts, LetterKind, What};
use crate::engine::rules::Rules;
use crate::intake::mqtt::{self, ConnectError, Delivery, FromBroker, Link};
use crate::intake::payload::{self, Heard};
use crate::journal::Entry;
use crate::notify::letter::{Letter, Mail, Picture};
use crate::notify::outbox::{Outbox, Settled};
use crate::notify::postman::{Postman, PostmanError};
use crate::notify::{annunciator, message, wording};
use crate::rebuild;
use crate::report;
use crate::store::{InboxAnswer, InboxKind, MailOutcome, Opening, Reader, Record, Rejected, Store, StoreError, claim};
use crate::units::Timestamp;
use chrono::TimeDelta;
use ledger::{Ledger, Written};
use std::collections::{HashMap, HashSet};
use std::future::Future;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::mpsc;

/// Readings are committed this often; RELIABILITY.md 3.2 and DEPENDENCIES.md C5 weigh
/// what a power cut may cost against what the flash wears.
const COMMIT_EVERY: Duration = Duration::from_secs(5);
/// Who an entry is by that came over the broker without a name.
const BY_BROKER: &str = "MQTT";
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
    outbox: Outbox,
    mails: HashMap<String, (Mail, LetterKind)>,
    sending: bool,
    told_unwritten: Vec<String>,
    next_entry: i64,
    store_failing: bool,
    store_was_damaged: bool,
    inbox_unread: bool,
    inbox_taken: i64,
    next_tidy: Timestamp,
    witness: &'w mut dyn FnMut(Happening<'_>),
}

/// Runs until `stop` is done, and says what it was done for. `witness` hears what happens.
///
/// # Errors
/// When the store or the broker's settings cannot be used. A broker or a mail server
/// that is away is no error; it is waited for.
pub async fn run(
    config: Config,
    mut clock: Clock,
    stop: impl Future<Output = Leave>,
    witness: &mut dyn FnMut(Happening<'_>),
) -> Result<Leave, DaemonError> {
    let rules = Arc::new(config.rules.clone());
    if let Some(folder) = config.store.path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder)
            .map_err(|source| DaemonError::System { doing: "make the store's folder", source })?;
    }
    let _claim = claim(&config.store.path)?;
    let (store, opening) = Store::open(&config.store.path, &rules, clock.now())?;
    report_opening(&opening);
    let reader = Reader::open(&config.store.path, &rules)?;
    clock.continue_after(store.last_position()?);
    let rebuilt = rebuild::rebuild(&rules, &reader, clock.now())?;
    let known: HashSet<String> =
        reader.letters(clock.now() - TimeDelta::days(2))?.into_iter().map(|letter| letter.id).collect();
    drop(reader);
    let unwritten: Vec<LetterFacts> = rebuilt
        .letters
        .into_iter()
        .filter(|facts| facts.kind == LetterKind::Alarm && !known.contains(&facts.id))
        .filter(|facts| still_holds(&rebuilt.engine, facts))
        .collect();
    let mut outbox = Outbox::default();
    let mut mails = HashMap::new();
    for waiting in store.waiting_mails(clock.now() + TimeDelta::days(60))? {
        let kind = kind_of(&waiting.mail.letter);
        outbox.restore(&waiting.mail.message_id, kind, waiting.decided_at, waiting.tries, clock.now());
        mails.insert(waiting.mail.message_id.clone(), (waiting.mail, kind));
    }
    let next_entry = store.next_journal_number()?;
    let store = Arc::new(Mutex::new(store));
    let (ledger, written) = Ledger::start(Arc::clone(&store));
    let mut topics: Vec<String> = config.topics.sensors.keys().cloned().collect();
    topics.push(config.topics.journal.clone());
    let (link, from_broker) = mqtt::connect(&config.broker, topics)?;
    let next_tidy = clock.now() + TIDY_EVERY;
    let mut daemon = Daemon {
        rules,
        clock,
        engine: rebuilt.engine,
        store,
        ledger,
        link,
        outbox,
        mails,
        sending: false,
        told_unwritten: Vec::new(),
        next_entry,
        store_failing: false,
        store_was_damaged: false,
        inbox_unread: true,
        inbox_taken: 0,
        next_tidy,
        witness,
        config,
    };
    (daemon.witness)(Happening::Ready { events: rebuilt.events });
    daemon.happen(What::Started, Extras::default());
    if let Opening::Damaged { set_aside, carried_over, .. } = &opening {
        let error = format!(
            "the store was damaged; it lies at {} now, {carried_over} rows of it were carried over into a new one",
            set_aside.display()
        );
        daemon.store_was_damaged = true;
        daemon.happen(What::StoreFailed { error }, Extras::default());
    }
    for facts in unwritten {
        daemon.write_letter_again(&facts);
    }
    daemon.announce_standing();
    daemon.live(stop, from_broker, written).await
}

/// What the shells add to an event for safe-keeping.
#[derive(Default)]
struct Extras {
    rejected: Option<Rejected>,
    delivery: Option<crate::store::Delivery>,
    inbox: Option<i64>,
    mails: Vec<MailOutcome>,
}

impl Daemon<'_> {
    async fn live(
        mut self,
        stop: impl Future<Output = Leave>,
        mut from_broker: mpsc::Receiver<FromBroker>,
        mut written: mpsc::UnboundedReceiver<Written>,
    ) -> Result<Leave, DaemonError> {
        tokio::pin!(stop);
        let (sent, mut from_postman) = mpsc::unbounded_channel();
        // A fast clock wants its letters in its own time.
        let quicker = self.clock.speed().clamp(1.0, 50.0);
        let mut commit = tokio::time::interval(COMMIT_EVERY.div_f64(quicker));
        let mut look = tokio::time::interval(LOOK_EVERY.div_f64(quicker.min(10.0)));
        let mut watchdog = watchdog();
        let mut writing_since: Option<tokio::time::Instant> = None;
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
        let leave = loop {
            self.ledger.flush(false);
            self.send_next(&sent);
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
                Some((id, outcome)) = from_postman.recv() => self.posted(&id, outcome),
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
        let mail = if self.sending { None } else { self.outbox.next_at() };
        let due = mail.map_or(self.engine.next_deadline(), |mail| mail.min(self.engine.next_deadline()));
        self.clock.until(due.min(self.next_tidy))
    }

    fn wake(&mut self) {
        if self.engine.next_deadline() <= self.clock.now() {
            self.happen(What::Tick, Extras::default());
            (self.witness)(Happening::Time(&self.engine));
        }
        if self.next_tidy <= self.clock.now() {
            self.tidy();
        }
    }

    /// Lets something happen: stamps it, lets the engine take it in, gathers what is to
    /// be written down, and tells the lamp and the log.
    fn happen(&mut self, what: What, extras: Extras) {
        let (at, seq) = self.clock.stamp();
        let event = Event { at, what };
        let effects = self.engine.handle(event.clone());
        let mut record = Record::of(event, seq, effects);
        record.rejected = extras.rejected;
        record.delivery = extras.delivery;
        record.mails = extras.mails;
        let mut urgent = false;
        let mut answer = String::from("taken");
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
                    (self.witness)(Happening::Alarm(change, &text));
                    let announced = annunciator::announcement(change, &self.rules.site, &self.config.broker.site_topic);
                    self.link.publish_retained(announced.topic, announced.payload);
                    record.alarm_texts.push(text);
                    urgent = true;
                }
                Effect::Letter(facts) => {
                    record.letters.push(self.write_letter(facts));
                    urgent = true;
                }
                Effect::EntryTaken { note, .. } => {
                    answer = note.iter().map(wording::entry_note).collect::<Vec<_>>().join(" ");
                    urgent = true;
                }
                Effect::EntryRefused { why, .. } | Effect::CommandRefused { why } => {
                    answer = format!("refused: {why}");
                    urgent = true;
                }
            }
        }
        record.effects = effects;
        if let What::Journal { number, entry } = &record.event.what {
            let refused = answer.strip_prefix("refused: ");
            if extras.inbox.is_none() {
                self.answer_sender(Some(*number), refused.is_none(), refused.unwrap_or(&answer));
            }
            tracing::info!(refused, "journal entry");
            (self.witness)(Happening::Journal(entry, refused.map_or(Ok(()), Err)));
        }
        record.inbox = extras.inbox.map(|id| InboxAnswer { id, answer });
        urgent |= record.inbox.is_some() || !record.mails.is_empty();
        let nothing = matches!(record.event.what, What::Tick) && record.effects.is_empty();
        if !nothing {
            self.ledger.add(record, urgent);
        }
    }

    fn take_from_broker(&mut self, message: FromBroker) {
        match message {
            FromBroker::Up { session_present } => {
                if !session_present {
                    self.ledger.forget_deliveries();
                    if let Err(error) = ledger::lock(&self.store).forget_deliveries() {
                        tracing::warn!(%error, "could not forget old deliveries");
                    }
                }
                tracing::info!(session_present, "connected to the broker");
                (self.witness)(Happening::BrokerUp);
                self.happen(What::BrokerUp, Extras::default());
            }
            FromBroker::Down { error } => {
                tracing::warn!(%error, "no connection to the broker");
                (self.witness)(Happening::BrokerDown(&error));
                self.happen(What::BrokerDown, Extras::default());
            }
            FromBroker::SubscribeRefused { topics } => {
                let topics = topics.join(", ");
                tracing::error!(topics, "the broker refuses these topics; check its access control");
                (self.witness)(Happening::BrokerDown(&format!("the broker refuses to let us listen to {topics}")));
            }
            FromBroker::Delivery(delivery) => self.delivery(delivery),
        }
    }

    fn delivery(&mut self, delivery: Delivery) {
        let acknowledged = delivery.receipt.packet_id != 0;
        let mut hasher = DefaultHasher::new();
        (&delivery.topic, &delivery.payload).hash(&mut hasher);
        let mark = crate::store::Delivery { packet_id: delivery.receipt.packet_id, hash: hasher.finish() };
        let repeated = acknowledged && delivery.duplicate && {
            let known = || ledger::lock(&self.store).knows_delivery(mark.packet_id, mark.hash).unwrap_or(false);
            self.ledger.holds(mark) || known()
        };
        if repeated {
            self.ledger.acknowledge_with_next(delivery.receipt);
            return;
        }
        let now = self.clock.now();
        let heard = payload::decode(&self.config.topics, &delivery.topic, &delivery.payload, delivery.retained, now);
        let mut mark = acknowledged.then_some(mark);
        match heard {
            Heard::Said(said) => {
                if delivery.topic == self.config.topics.journal
                    && let Some(why) = payload::why_no_entry(&delivery.payload, delivery.retained)
                    && !said.is_empty()
                {
                    self.answer_sender(None, false, &why);
                }
                for what in said {
                    let rejected = matches!(what, What::Garbled { .. })
                        .then(|| Rejected { topic: delivery.topic.clone(), payload: delivery.payload.clone() });
                    self.happen(what, Extras { rejected, delivery: mark.take(), ..Extras::default() });
                }
            }
            Heard::Entry(mut entry) => {
                // A button says no name; that it came by the broker is what we know.
                entry.by.get_or_insert_with(|| BY_BROKER.to_owned());
                let number = self.take_number();
                self.happen(What::Journal { number, entry: *entry }, Extras { delivery: mark, ..Extras::default() });
            }
        }
        if acknowledged {
            self.ledger.acknowledge_with_next(delivery.receipt);
        }
    }

    /// Tells whoever sent a journal entry over the broker what became of it.
    fn answer_sender(&self, entry: Option<i64>, taken: bool, answer: &str) {
        let body = serde_json::json!({ "entry": entry, "taken": taken, "answer": answer });
        self.link.answer(format!("{}/answer", self.config.topics.journal), body.to_string());
    }

    fn take_number(&mut self) -> i64 {
        let number = self.next_entry;
        self.next_entry += 1;
        number
    }

    /// What `log` and `alarms` have put in.
    fn read_inbox(&mut self) {
        let items = {
            // While a commit is on its way the inbox can wait.
            let Ok(mut store) = self.store.try_lock() else {
                return;
            };
            // What was put in while no daemon ran changes nothing any more.
            match store.changed_outside() {
                Ok(changed) if changed || self.inbox_unread => match store.inbox() {
                    Ok(items) => items,
                    Err(error) => {
                        tracing::warn!(%error, "the inbox could not be read; it is looked at again");
                        self.inbox_unread = true;
                        return;
                    }
                },
                Ok(_) | Err(_) => return,
            }
        };
        self.inbox_unread = false;
        // What was taken but is not committed yet stands in the inbox still.
        let newest = items.iter().map(|item| item.id).max().unwrap_or(0);
        let taken = self.inbox_taken;
        self.inbox_taken = taken.max(newest);
        let items = items.into_iter().filter(|item| item.id > taken);
        for item in items {
            let extras = Extras { inbox: Some(item.id), ..Extras::default() };
            match item.kind {
                InboxKind::Journal => match serde_json::from_str::<Entry>(&item.body) {
                    Ok(entry) => {
                        let number = self.take_number();
                        self.happen(What::Journal { number, entry }, extras);
                    }
                    Err(error) => self.answer(item.id, &format!("refused: {error}")),
                },
                InboxKind::Command => match serde_json::from_str::<Command>(&item.body) {
                    Ok(command) => self.happen(What::Command(command), extras),
                    Err(error) => self.answer(item.id, &format!("refused: {error}")),
                },
            }
        }
    }

    fn answer(&mut self, id: i64, answer: &str) {
        let reply = InboxAnswer { id, answer: answer.to_owned() };
        if let Err(error) = ledger::lock(&self.store).answer_inbox(&reply, self.clock.now()) {
            tracing::warn!(%error, "could not answer an inbox item");
        }
    }

    fn settle(&mut self, mut done: Written) {
        let mails = self.ledger.settle(&mut done, &mut self.told_unwritten);
        match &done.error {
            None => {
                self.link.acknowledge(done.receipts);
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
        for mail in mails {
            let kind = kind_of(&mail.letter);
            self.outbox.put(&mail.message_id, kind, self.clock.now());
            self.mails.insert(mail.message_id.clone(), (mail, kind));
        }
    }

    fn write_letter(&mut self, facts: &LetterFacts) -> (Letter, Vec<Mail>) {
        let pictures = if facts.kind == LetterKind::Digest { self.pictures(facts) } else { Vec::new() };
        let letter = wording::letter(facts, &self.rules, pictures);
        (self.witness)(Happening::Letter(&letter));
        tracing::info!(letter = letter.id, subject = letter.subject, "letter");
        let mails = addressed(&letter, &self.config.mail, &self.rules.site.name);
        (letter, mails)
    }

    /// A letter that was decided before the last stop but never written down.
    fn write_letter_again(&mut self, facts: &LetterFacts) {
        let (at, seq) = self.clock.stamp();
        let mut record = Record::of(Event { at, what: What::Tick }, seq, vec![Effect::Letter(facts.clone())]);
        record.letters.push(self.write_letter(facts));
        self.ledger.add(record, true);
    }

    fn pictures(&self, facts: &LetterFacts) -> Vec<Picture> {
        let Some(digest) = &facts.digest else {
            return Vec::new();
        };
        Reader::open(&self.config.store.path, &self.rules)
            .map(|reader| day_pictures(&reader, &self.rules, digest))
            .unwrap_or_default()
    }

    fn announce_standing(&mut self) {
        for change in self.engine.snapshot().alarms {
            let announced = annunciator::announcement(&change, &self.rules.site, &self.config.broker.site_topic);
            self.link.publish_retained(announced.topic, announced.payload);
        }
    }

    fn send_next(&mut self, sent: &mpsc::UnboundedSender<(String, Result<(), PostmanError>)>) {
        if self.sending {
            return;
        }
        while let Some(id) = self.outbox.take(self.clock.now()) {
            let Some((mail, _)) = self.mails.get(&id).cloned() else {
                continue;
            };
            self.sending = true;
            let postman = Postman::new(&self.config.mail);
            let sent = sent.clone();
            tokio::spawn(async move {
                let outcome = postman.try_once(&mail).await;
                // Nobody listens any more only when the daemon ends.
                let _ = sent.send((id, outcome));
            });
            return;
        }
    }

    fn posted(&mut self, id: &str, outcome: Result<(), PostmanError>) {
        self.sending = false;
        let now = self.clock.now();
        let settled =
            self.outbox.settle(id, now, outcome.as_ref().copied().map_err(|error| (error.kind, error.text.as_str())));
        let letter = self.mails.get(id).map(|(mail, _)| mail.letter.clone()).unwrap_or_default();
        let error = outcome.err().map(|error| error.text).unwrap_or_default();
        let message_id = id.to_owned();
        let failed =
            |not_before| MailOutcome::Failed { message_id: message_id.clone(), error: error.clone(), not_before };
        let (what, mail) = match settled {
            Settled::Sent => {
                self.mails.remove(id);
                self.outbox.forget(id);
                (What::LetterSent { letter }, MailOutcome::Sent { message_id: message_id.clone() })
            }
            Settled::Again { not_before, .. } => {
                (What::LetterFailed { letter, error: error.clone() }, failed(Some(not_before)))
            }
            Settled::Failed { .. } => (What::LetterFailed { letter, error: error.clone() }, failed(None)),
            Settled::Unknown => return,
        };
        if !error.is_empty() {
            tracing::warn!(mail = id, error, "the letter did not leave");
        }
        self.happen(what, Extras { mails: vec![mail], ..Extras::default() });
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

/// The charts of a digest, one a place that has data.
pub fn day_pictures(reader: &Reader, rules: &Rules, digest: &crate::engine::digest::DigestFacts) -> Vec<Picture> {
    let draw = |day: &crate::engine::digest::PlaceDay| {
        let place = rules.place_named(&day.id)?;
        let chart = report::place_day(reader, rules, place, digest.from, digest.until, day.band).ok()?;
        let png = crate::chart::day_chart(&chart).ok()?;
        Some(Picture { name: wording::picture_name(&day.id), png })
    };
    digest.places.iter().filter_map(draw).collect()
}

/// A letter's mails; a recipient that no mail server would take is logged and left out.
pub fn addressed(letter: &Letter, settings: &MailSettings, site: &str) -> Vec<Mail> {
    message::mails(letter, settings, site)
        .into_iter()
        .filter_map(|mail| mail.inspect_err(|error| tracing::error!(%error, "a mail could not be made")).ok())
        .collect()
}

fn still_holds(engine: &Engine, facts: &LetterFacts) -> bool {
    let standing = engine.snapshot().alarms;
    facts.alarms.iter().any(|(_, told)| standing.iter().any(|now| now.key == told.key && now.since == told.since))
}

/// Letter ids begin with their kind; digests may grow too old to send, alarms may not.
fn kind_of(letter: &str) -> LetterKind {
    if letter.starts_with("digest") {
        LetterKind::Digest
    } else if letter.starts_with("round") {
        LetterKind::Round
    } else {
        LetterKind::Alarm
    }
}

fn watchdog() -> tokio::time::Interval {
    let every = sd_notify::watchdog_enabled().map_or(Duration::from_secs(10), |limit| limit / 3);
    let mut ticks = tokio::time::interval(every.max(Duration::from_millis(100)));
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    ticks
}

fn report_opening(opening: &Opening) {
    match opening {
        Opening::Created => tracing::info!("a new store was made"),
        Opening::Opened { stopped_well: true } => tracing::info!("the store is as it was left"),
        Opening::Opened { stopped_well: false } => {
            tracing::warn!("the daemon was killed or the power was cut; everything committed is there");
        }
        Opening::Upgraded { from } => tracing::info!(from, "the store was brought up to date"),
        Opening::Damaged { set_aside, what, carried_over } => tracing::error!(
            set_aside = %set_aside.display(), what, carried_over, "the store was damaged; a new one was begun"
        ),
    }
}
