//! What waits to be written down, and the one writer. Records gather for a few seconds
//! and are committed together; an alarm, a letter or a journal entry is committed at
//! once. Only when a commit has returned are its messages acknowledged to the broker
//! and its mails handed to the postman.

use crate::intake::mqtt::Receipt;
use crate::notify::letter::{Letter, Parcel, ParcelKey};
use crate::notify::post::Posted;
use crate::store::{Delivery, Record, Store, StoreError};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::mpsc;

/// Records kept while the store cannot commit: about an hour of a large room. Beyond
/// it the oldest readings go; alarms and letters never wait for the store.
const MOST_WAITING: usize = 100_000;
/// Commit at once when so many records wait, so that a backlog flows.
const FULL: usize = 2_000;
/// Commit at once when so many messages wait to be acknowledged: mosquitto sends no more
/// than 20 ahead (max_inflight_messages, its default), so nothing else would come before
/// the few seconds are over, and a backlog would drain at four messages a second.
const BROKER_MAY_WAIT: usize = 20;

/// One batch on its way to the disk.
struct Batch {
    records: Vec<Record>,
    receipts: Vec<Receipt>,
}

/// What came of a commit.
pub struct Written {
    records: Vec<Record>,
    /// Messages that are safe now.
    pub receipts: Vec<Receipt>,
    /// Letters that may go out now.
    pub posted: Vec<Posted>,
    /// Why it failed, if it did. The records wait for the next try.
    pub error: Option<StoreError>,
}

/// What waits to be written down.
pub struct Ledger {
    waiting: Vec<Record>,
    receipts: Vec<Receipt>,
    urgent: bool,
    writing: bool,
    unwritten: HashMap<(u16, u64), u32>,
    jobs: std::sync::mpsc::Sender<Batch>,
    /// Records given up because the store would not take them for too long.
    pub given_up: u64,
}

impl Ledger {
    /// Starts the writer. What it has written comes out of the receiver.
    pub fn start(store: Arc<Mutex<Store>>) -> (Ledger, mpsc::UnboundedReceiver<Written>) {
        let (jobs, to_write) = std::sync::mpsc::channel::<Batch>();
        let (done, written) = mpsc::unbounded_channel();
        std::thread::spawn(move || {
            while let Ok(batch) = to_write.recv() {
                let outcome = lock(&store).commit(&batch.records);
                let posted = match &outcome {
                    Ok(()) => posted(&batch.records),
                    Err(_) => Vec::new(),
                };
                let Batch { records, receipts } = batch;
                if done.send(Written { records, receipts, posted, error: outcome.err() }).is_err() {
                    return;
                }
            }
        });
        let ledger = Ledger {
            waiting: Vec::new(),
            receipts: Vec::new(),
            urgent: false,
            writing: false,
            unwritten: HashMap::new(),
            jobs,
            given_up: 0,
        };
        (ledger, written)
    }

    /// Adds a record. `urgent`: an alarm, a letter or a person hangs on it.
    pub fn add(&mut self, record: Record, urgent: bool) {
        if let Some(delivery) = record.delivery {
            *self.unwritten.entry((delivery.packet_id, delivery.hash)).or_default() += 1;
        }
        self.waiting.push(record);
        self.urgent |= urgent;
    }

    /// A message to acknowledge with the next commit.
    pub fn acknowledge_with_next(&mut self, receipt: Receipt) {
        self.receipts.push(receipt);
    }

    /// The message is here already, only not written yet.
    pub fn holds(&self, delivery: Delivery) -> bool {
        self.unwritten.contains_key(&(delivery.packet_id, delivery.hash))
    }

    /// The broker has forgotten us: packet ids begin anew.
    pub fn forget_deliveries(&mut self) {
        self.unwritten.clear();
    }

    /// Nothing waits and nothing is on its way.
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty() && self.receipts.is_empty() && !self.writing
    }

    /// A commit is on its way.
    pub fn is_writing(&self) -> bool {
        self.writing
    }

    /// Starts a commit if one is wanted and none is on its way. `due`: the few seconds are over.
    pub fn flush(&mut self, due: bool) {
        let full = self.waiting.len() >= FULL || self.receipts.len() >= BROKER_MAY_WAIT;
        let wanted = due || self.urgent || full;
        if self.writing || !wanted || (self.waiting.is_empty() && self.receipts.is_empty()) {
            return;
        }
        let batch = Batch { records: std::mem::take(&mut self.waiting), receipts: std::mem::take(&mut self.receipts) };
        self.urgent = false;
        // The writer only ends when the ledger does.
        self.writing = self.jobs.send(batch).is_ok();
    }

    /// Takes note of what the writer did. Gives the letters to send: those that are written,
    /// and, when the store fails, those that must go out unwritten.
    pub fn settle(&mut self, written: &mut Written, told_unwritten: &mut Vec<ParcelKey>) -> Vec<Posted> {
        self.writing = false;
        if written.error.is_none() {
            for delivery in written.records.iter().filter_map(|record| record.delivery) {
                let key = (delivery.packet_id, delivery.hash);
                if let Some(count) = self.unwritten.get_mut(&key) {
                    *count -= 1;
                    if *count == 0 {
                        self.unwritten.remove(&key);
                    }
                }
            }
            let mut posted = std::mem::take(&mut written.posted);
            posted.retain(|posted| !told_unwritten.contains(&posted.parcel.key));
            return posted;
        }
        // An unsaved alarm is better than a saved silence.
        let mut posted = posted(&written.records);
        posted.retain(|posted| !told_unwritten.contains(&posted.parcel.key));
        told_unwritten.extend(posted.iter().map(|posted| posted.parcel.key.clone()));
        let mut again = std::mem::take(&mut written.records);
        again.append(&mut self.waiting);
        let mut receipts = std::mem::take(&mut written.receipts);
        receipts.append(&mut self.receipts);
        self.receipts = receipts;
        self.waiting = again;
        if self.waiting.len() > MOST_WAITING {
            let before = self.waiting.len();
            self.waiting.retain(|record| record.delivery.is_none() || !record.letters.is_empty());
            self.receipts.clear();
            self.unwritten.clear();
            self.given_up += (before - self.waiting.len()) as u64;
        }
        posted
    }
}

/// The store, also after a writer has panicked: SQLite has rolled back then.
pub fn lock(store: &Mutex<Store>) -> std::sync::MutexGuard<'_, Store> {
    store.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The letters of these records. What lamps are told has gone out already, and a letter
/// that tells of others is in its queue.
fn posted(records: &[Record]) -> Vec<Posted> {
    let posted = |(letter, parcels): &(Letter, Vec<Parcel>)| -> Vec<Posted> {
        parcels.iter().map(|parcel| Posted::of(letter, parcel.clone())).collect()
    };
    records.iter().flat_map(|record| &record.letters).flat_map(posted).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_that_waits_for_its_answer_is_answered_at_once() {
        let (jobs, batches) = std::sync::mpsc::channel();
        let mut ledger = Ledger {
            waiting: Vec::new(),
            receipts: Vec::new(),
            urgent: false,
            writing: false,
            unwritten: HashMap::new(),
            jobs,
            given_up: 0,
        };
        for packet_id in 1..20 {
            ledger.acknowledge_with_next(Receipt { epoch: 1, packet_id });
            ledger.flush(false);
        }
        assert!(!ledger.is_writing(), "a calm room is written down every few seconds");
        ledger.acknowledge_with_next(Receipt { epoch: 1, packet_id: 20 });
        ledger.flush(false);
        assert_eq!(batches.try_recv().expect("a commit is on its way").receipts.len(), 20);
    }
}
