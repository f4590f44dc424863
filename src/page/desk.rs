//! What every answer of the page is made from: the rules, the room as it was last shown, the
//! store over a connection of the page's own.

use super::days::RoomDay;
use super::failures::Failures;
use crate::config::{Config, MetricsFor};
use crate::engine::letters::snapshot::Snapshot;
use crate::engine::rules::Rules;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use std::net::SocketAddr;
use std::os::unix::fs::MetadataExt;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{Notify, watch};

/// The room as it was last shown, counted, so that a phone knows whether it has it.
#[derive(Clone, Debug)]
pub(super) struct Shown {
    /// Which showing it is, from 1. Begins anew with the daemon.
    pub nth: u64,
    /// The room as the daemon saw it at its last minute.
    pub snapshot: Arc<Snapshot>,
    /// When it was shown, by a stopwatch: the room's own time may run fast or be set.
    pub since: tokio::time::Instant,
}

/// What every answer is made from.
pub struct Desk {
    pub(super) rules: Arc<Rules>,
    pub(super) store: PathBuf,
    pub(super) listen: SocketAddr,
    pub(super) names: Vec<String>,
    pub(super) metrics: MetricsFor,
    pub(super) shown: watch::Receiver<Shown>,
    pub(super) nudge: Arc<Notify>,
    reader: Mutex<Option<OpenReader>>,
    day: Mutex<Option<Arc<RoomDay>>>,
    failures: Mutex<Failures>,
}

/// A connection to the store, and which file it is open on: a store that was set aside for
/// damage leaves its name to a new one.
struct OpenReader {
    file: u64,
    reader: Reader,
}

impl Desk {
    pub(super) fn new(config: &Config, listen: SocketAddr, shown: watch::Receiver<Shown>, nudge: Arc<Notify>) -> Desk {
        Desk {
            rules: Arc::new(config.rules.clone()),
            store: config.store.path.clone(),
            listen,
            names: config.page.names.clone(),
            metrics: config.page.metrics,
            shown,
            nudge,
            reader: Mutex::new(None),
            day: Mutex::new(None),
            failures: Mutex::default(),
        }
    }

    /// The room as it was last shown.
    pub(super) fn now(&self) -> Shown {
        self.shown.borrow().clone()
    }

    /// The last day of the room, made anew where it is old.
    pub(super) fn day(&self, now: Timestamp) -> Result<Arc<RoomDay>, StoreError> {
        let mut kept = self.day.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(day) = kept.as_ref().filter(|day| day.is_fresh(now)) {
            return Ok(Arc::clone(day));
        }
        let day = Arc::new(self.read(|reader| RoomDay::read(reader, &self.rules, now))?);
        *kept = Some(Arc::clone(&day));
        Ok(day)
    }

    /// Who has failed to pair of late.
    pub(super) fn failures(&self) -> MutexGuard<'_, Failures> {
        self.failures.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Looks something up in the store, over the connection that is kept for it.
    pub(super) fn read<T>(&self, look: impl FnOnce(&Reader) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let file = std::fs::metadata(&self.store).map_or(0, |file| file.ino());
        let mut kept = self.reader.lock().unwrap_or_else(PoisonError::into_inner);
        let open = match kept.take().filter(|open| open.file == file) {
            Some(open) => open,
            None => OpenReader { file, reader: Reader::open(&self.store, &self.rules)? },
        };
        // Not put back after an error: the next look opens it anew.
        let found = look(&open.reader)?;
        *kept = Some(open);
        Ok(found)
    }
}
