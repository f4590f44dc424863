//! What waits to be written down, and the one writer. Records gather for a few seconds
//! and are committed together; an alarm, a letter or a journal entry is committed at
//! once. Only when a commit has returned are its messages acknowledged to the broker
//! and its mails handed to the postman.
//!
//! Unless the store fails. Nothing waits for it longer than [`PATIENCE`]: then messages are
//! acknowledged and mails go out unwritten, because a broker that gets no answer sends
//! nothing more, and a watch that hears nothing is none. The records stay here, each with
//! its own time, and are written when the store works again. Where they become too many
//! the oldest readings go, whole messages at a time, and are counted.

use super::deliveries::Forgotten;
use super::keeper::{self, Keeper, News};
use crate::engine::event::{Effect, What};
use crate::intake::mqtt::Receipt;
use crate::notify::post::Posted;
use crate::store::{EngineState, Record, StoreError};
use crate::units::Timestamp;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Instant;

/// How long a failing or stalled store may hold up what was heard. Two commits of the
/// ordinary pace; another program that holds the file is waited for half as long.
const PATIENCE: Duration = Duration::from_secs(10);
/// The loop turns at least every second; three are a machine that was busy.
const LOOP_TURNS_WITHIN: Duration = Duration::from_secs(3);
/// Records kept while the store does not commit: four hours of a large room (30 values
/// every ten seconds), and some 20 MiB. Own choice.
const MOST_WAITING: usize = 50_000;
/// Entries from people kept while the store does not commit; they are never given up, so no
/// more are taken. A year of a busy room; own choice.
const MOST_ENTRIES: usize = 5_000;
/// Commit at once when so many records wait, so that a backlog flows.
const FULL: usize = 2_000;
/// The most that one commit takes, so that what gathered in a long failure is written in parts.
const MOST_A_COMMIT: usize = 10_000;
/// Commit at once when so many messages wait to be acknowledged: mosquitto sends no more
/// than 20 ahead (max_inflight_messages, its default), so nothing else would come before
/// the few seconds are over, and a backlog would drain at four messages a second.
const BROKER_MAY_WAIT: usize = 20;

/// One batch on its way to the disk.
pub(crate) struct Batch {
    /// When it was sent off.
    at: Timestamp,
    records: Vec<Waiting>,
    forgotten: Forgotten,
    /// What the engine remembers once all of them are on the disk, every now and then.
    state: Option<EngineState>,
}

/// A record, and which message it came in: what one message said stays or goes together.
struct Waiting {
    record: Record,
    message: Option<u64>,
}

/// What came of a commit.
pub(super) struct Written {
    records: Vec<Waiting>,
    /// Marks the store was to forget; they come back where the commit failed.
    pub forgotten: Forgotten,
    /// What else came of it.
    pub(crate) news: News,
    /// Why it failed, if it did. The records wait for the next try.
    pub error: Option<StoreError>,
}

/// What may leave for the world.
#[derive(Default)]
pub(super) struct Released {
    /// Messages to acknowledge.
    pub(crate) receipts: Vec<Receipt>,
    /// Letters to send.
    pub posted: Vec<Posted>,
}

/// What waits to be written down.
pub(crate) struct Ledger {
    waiting: VecDeque<Waiting>,
    to_release: Released,
    on_its_way: Released,
    messages: u64,
    urgent: bool,
    writing_since: Option<Instant>,
    failing_since: Option<Instant>,
    /// When [`Ledger::overdue`] was asked last.
    looked: Option<Instant>,
    /// Records on their way, which are in no queue of ours.
    writing: usize,
    jobs: std::sync::mpsc::Sender<Batch>,
    lost: u64,
    /// So many records may wait before the oldest are looked for.
    most: usize,
}

impl Ledger {
    /// Starts the writer. What it has written comes out of the receiver.
    pub(super) fn start(keeper: Arc<Mutex<Keeper>>) -> (Ledger, mpsc::UnboundedReceiver<Written>) {
        let (jobs, to_write) = std::sync::mpsc::channel::<Batch>();
        let (done, written) = mpsc::unbounded_channel();
        std::thread::spawn(move || {
            while let Ok(Batch { at, mut records, forgotten, state }) = to_write.recv() {
                let outcome = {
                    let mut records: Vec<&mut Record> = records.iter_mut().map(|it| &mut it.record).collect();
                    let mut keeper = keeper::lock(&keeper);
                    let committed = keeper.commit(at, &mut records, &forgotten);
                    if let (Ok(News { opened: None, .. }), Some(state)) = (&committed, &state) {
                        keeper.keep_state(state);
                    }
                    committed
                };
                let (news, error) = match outcome {
                    Ok(news) => (news, None),
                    Err(error) => (News::default(), Some(error)),
                };
                if done.send(Written { records, forgotten, news, error }).is_err() {
                    return;
                }
            }
        });
        (Ledger::of(jobs), written)
    }

    fn of(jobs: std::sync::mpsc::Sender<Batch>) -> Ledger {
        Ledger {
            waiting: VecDeque::new(),
            to_release: Released::default(),
            on_its_way: Released::default(),
            messages: 0,
            urgent: false,
            writing_since: None,
            failing_since: None,
            looked: None,
            writing: 0,
            jobs,
            lost: 0,
            most: MOST_WAITING,
        }
    }

    /// A message begins; what it says is added with the number.
    pub(super) fn next_message(&mut self) -> u64 {
        self.messages += 1;
        self.messages
    }

    /// Adds a record. `urgent`: an alarm, a letter or a person hangs on it.
    pub(super) fn add(&mut self, record: Record, message: Option<u64>, urgent: bool) {
        let letters = record.letters.iter();
        let posted = letters.flat_map(|(letter, parcels)| parcels.iter().map(|it| Posted::of(letter, it.clone())));
        self.to_release.posted.extend(posted);
        self.waiting.push_back(Waiting { record, message });
        self.urgent |= urgent;
        if self.waiting.len() > self.most {
            self.give_up_oldest();
        }
    }

    /// A message to acknowledge with the next commit.
    pub(super) fn acknowledge_with_next(&mut self, receipt: Receipt) {
        self.to_release.receipts.push(receipt);
    }

    /// Nothing waits and nothing is on its way.
    pub(super) fn is_empty(&self) -> bool {
        self.waiting.is_empty() && self.to_release.receipts.is_empty() && self.writing_since.is_none()
    }

    /// A commit has been on its way for longer than anybody waits.
    pub(super) fn is_stalled(&self, now: Instant) -> bool {
        self.writing_since.is_some_and(|since| now - since >= PATIENCE)
    }

    /// Neither fails the store nor does it stall, as far as it was asked.
    pub(super) fn is_being_written(&self, now: Instant) -> bool {
        self.failing_since.is_none() && !self.is_stalled(now)
    }

    /// Readings that are in memory alone.
    pub(crate) fn unsaved(&self) -> u64 {
        self.waiting.iter().filter(|waiting| is_reading(&waiting.record)).count() as u64 + self.writing as u64
    }

    /// Readings given up since the store failed.
    pub(super) fn lost(&self) -> u64 {
        self.lost
    }

    /// Another entry from people can be kept. A store that works always has room.
    pub(super) fn has_room_for_entries(&self) -> bool {
        let is_entry = |waiting: &&Waiting| matches!(waiting.record.event.what, What::Journal { .. });
        self.failing_since.is_none() || self.waiting.iter().filter(is_entry).count() < MOST_ENTRIES
    }

    /// Starts a commit if one is wanted and none is on its way. `due`: the few seconds are
    /// over. A store that fails is only asked when it is due. `state` is asked for where the
    /// store will have everything the engine has taken in.
    pub(super) fn flush(
        &mut self,
        now: Instant,
        at: Timestamp,
        due: bool,
        forgotten: impl FnOnce() -> Forgotten,
        state: impl FnOnce() -> Option<EngineState>,
    ) {
        let full = self.waiting.len() >= FULL || self.to_release.receipts.len() >= BROKER_MAY_WAIT;
        let wanted = due || (self.failing_since.is_none() && (self.urgent || full));
        if self.writing_since.is_some() || !wanted {
            return;
        }
        let forgotten = forgotten();
        if self.waiting.is_empty() && self.to_release.receipts.is_empty() && forgotten.is_empty() {
            return;
        }
        let some = self.waiting.len().min(MOST_A_COMMIT);
        let records: Vec<Waiting> = self.waiting.drain(..some).collect();
        // An acknowledgement or a mail must not overtake its record.
        if self.waiting.is_empty() {
            self.on_its_way = std::mem::take(&mut self.to_release);
            self.urgent = false;
            // A backlog gives back the room it took.
            self.waiting.shrink_to(FULL);
        }
        let state = self.waiting.is_empty().then(state).flatten();
        self.writing = records.iter().filter(|waiting| is_reading(&waiting.record)).count();
        // The writer only ends when the ledger does.
        self.writing_since = self.jobs.send(Batch { at, records, forgotten, state }).is_ok().then_some(now);
    }

    /// Takes note of what the writer did. Gives what may leave: what is written, and, when
    /// the store fails, the mails that must go out unwritten.
    pub(super) fn settle(&mut self, now: Instant, written: &mut Written) -> Released {
        self.writing_since = None;
        self.writing = 0;
        let released = std::mem::take(&mut self.on_its_way);
        if written.error.is_none() {
            self.failing_since = None;
            return released;
        }
        self.failing_since.get_or_insert(now);
        for waiting in written.records.drain(..).rev() {
            self.waiting.push_front(waiting);
        }
        let Released { mut receipts, posted } = released;
        receipts.append(&mut self.to_release.receipts);
        self.to_release.receipts = receipts;
        if self.waiting.len() > self.most {
            self.give_up_oldest();
        }
        // An unsaved alarm is better than a saved silence.
        Released { receipts: Vec::new(), posted }
    }

    /// What has waited for the store for longer than anything may. Asked in every turn of the
    /// loop: where it was not asked for a while this process did not run, and its writer
    /// could not write.
    pub(super) fn overdue(&mut self, now: Instant) -> Released {
        let away = self.looked.replace(now).map_or(Duration::ZERO, |looked| now.saturating_duration_since(looked));
        if away > LOOP_TURNS_WITHIN
            && let Some(since) = &mut self.writing_since
        {
            *since += away;
        }
        let since = self.failing_since.into_iter().chain(self.writing_since).min();
        if since.is_none_or(|since| now - since < PATIENCE) {
            return Released::default();
        }
        let mut released = std::mem::take(&mut self.on_its_way);
        let to_release = std::mem::take(&mut self.to_release);
        released.receipts.extend(to_release.receipts);
        released.posted.extend(to_release.posted);
        released
    }

    /// The store works again, and what it missed was told.
    pub(super) fn forget_losses(&mut self) {
        self.lost = 0;
    }

    /// Makes room for a tenth more: the oldest messages of which nothing but readings came.
    /// Alarms, letters and what people did stay.
    fn give_up_oldest(&mut self) {
        let too_many = self.waiting.len() - MOST_WAITING * 9 / 10;
        let mut kept: Vec<u64> =
            self.waiting.iter().filter(|it| is_precious(&it.record)).filter_map(|it| it.message).collect();
        kept.sort_unstable();
        let mut left = too_many;
        let mut last = None;
        let mut lost = 0;
        self.waiting.retain(|waiting| {
            let stays = is_precious(&waiting.record)
                || waiting.message.is_some_and(|message| kept.binary_search(&message).is_ok())
                // A message is not torn where the count ends.
                || (left == 0 && (waiting.message.is_none() || waiting.message != last));
            if !stays {
                left = left.saturating_sub(1);
                last = waiting.message;
                lost += u64::from(is_reading(&waiting.record));
            }
            stays
        });
        self.lost += lost;
        // Where alarms and letters alone are more than that, they are not looked through again for each.
        self.most = MOST_WAITING.max(self.waiting.len() + MOST_WAITING / 10);
    }
}

fn is_reading(record: &Record) -> bool {
    matches!(record.event.what, What::Reading(_) | What::NoValue(_))
}

/// Somebody was told, or did something, or will ask.
fn is_precious(record: &Record) -> bool {
    !matches!(
        record.event.what,
        What::Reading(_)
            | What::NoValue(_)
            | What::Garbled { .. }
            | What::Tick
            | What::BrokerUp
            | What::BrokerDown
            | What::StoreFailed { .. }
    ) || !record.letters.is_empty()
        || !record.outcomes.is_empty()
        || !record.parcels.is_empty()
        || record.inbox.is_some()
        || record.effects.iter().any(|effect| !matches!(effect, Effect::Judged(_)))
}

#[cfg(test)]
mod tests;
