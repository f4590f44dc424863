//! The round sheet: a page for whoever stands at the racks with wet hands. It shows the
//! room as the engine last told it, and speaks to the daemon as the verbs do, through the
//! store's inbox; it judges nothing and writes no entry itself.
//!
//! It lives in a thread of its own with a runtime of its own, reads the store over its own
//! connection, and may fall over without the watch noticing more than a line.
//!
//! In reading order: this file is the daemon's end; `serve` takes connections and bounds
//! them, `gate` says who may, `route` finds the answer. `round` works out what a round has
//! to do (pure); `round_sheet`, `room`, `tray`, `journal` and `sow` set the five sheets
//! inside the `frame`; `forms` makes entries of what was ticked, `posted` hands them over. `metrics` is
//! the room for programs.

mod days;
mod forms;
mod frame;
mod gate;
mod journal;
pub mod link;
mod live;
mod metrics;
pub mod pairing;
mod posted;
pub mod qr;
mod reply;
mod room;
mod round;
mod round_sheet;
mod route;
pub mod secrets;
mod serve;
mod sow;
mod tray;

pub use round_sheet::rack_address;
pub use serve::connection;

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
pub struct Shown {
    /// Which showing it is, from 1. Begins anew with the daemon.
    pub nth: u64,
    /// The room.
    pub snapshot: Arc<Snapshot>,
    /// When it was shown, by a stopwatch: the room's own time may run fast or be set.
    pub since: tokio::time::Instant,
}

/// The daemon's end of the page. When it is dropped, the page ends.
#[derive(Debug)]
pub struct Page {
    shown: watch::Sender<Shown>,
    nudge: Arc<Notify>,
}

/// What every answer is made from.
pub struct Desk {
    rules: Arc<Rules>,
    store: PathBuf,
    listen: SocketAddr,
    names: Vec<String>,
    metrics: MetricsFor,
    shown: watch::Receiver<Shown>,
    nudge: Arc<Notify>,
    reader: Mutex<Option<OpenReader>>,
    day: Mutex<Option<Arc<days::Day>>>,
    failures: Mutex<pairing::Failures>,
}

/// A connection to the store, and which file it is open on: a store that was set aside for
/// damage leaves its name to a new one.
struct OpenReader {
    file: u64,
    reader: Reader,
}

impl Page {
    /// Starts serving, if the settings say so. An address that is taken is no error: it is
    /// tried again, and the watch goes on.
    pub fn start(config: &Config, snapshot: Snapshot) -> Option<Page> {
        config.page.listen?;
        let (page, desk) = Page::and_desk(config, snapshot);
        let spawned = std::thread::Builder::new().name("page".to_owned()).spawn(move || serve::thread(desk));
        if let Err(error) = spawned {
            tracing::error!(%error, "there is no page: its thread could not be started");
            return None;
        }
        Some(page)
    }

    /// The two ends, before anybody listens.
    pub fn and_desk(config: &Config, snapshot: Snapshot) -> (Page, Desk) {
        let (shown, receiver) =
            watch::channel(Shown { nth: 1, snapshot: Arc::new(snapshot), since: tokio::time::Instant::now() });
        let nudge = Arc::new(Notify::new());
        let desk = Desk {
            rules: Arc::new(config.rules.clone()),
            store: config.store.path.clone(),
            listen: config.page.listen.unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], 0))),
            names: config.page.names.clone(),
            metrics: config.page.metrics,
            shown: receiver,
            nudge: Arc::clone(&nudge),
            reader: Mutex::new(None),
            day: Mutex::new(None),
            failures: Mutex::default(),
        };
        (Page { shown, nudge }, desk)
    }

    /// Shows the room as it is now.
    pub fn show(&self, snapshot: Snapshot) {
        self.shown.send_modify(|shown| {
            shown.nth += 1;
            shown.snapshot = Arc::new(snapshot);
            shown.since = tokio::time::Instant::now();
        });
    }

    /// Rung when something was put into the inbox, so that a tap need not wait.
    pub fn nudge(&self) -> Arc<Notify> {
        Arc::clone(&self.nudge)
    }
}

/// What a form sent to `path` asks of the daemon, as the inbox holds it; `None`: no form of
/// ours goes there. Who sent it was asked before.
///
/// # Errors
/// A sentence, where it says something that cannot be read.
pub fn asked_by_form(
    rules: &Rules,
    snapshot: &Snapshot,
    path: &str,
    form: &[u8],
) -> Option<Result<Vec<String>, String>> {
    let asked = forms::asked(rules, snapshot, path, &forms::Fields::read(form), gate::HERE)?;
    Some(asked.map(|(_, bodies)| bodies))
}

impl Desk {
    /// The room as it was last shown.
    fn now(&self) -> Shown {
        self.shown.borrow().clone()
    }

    /// The last day of the room, made anew where it is old.
    fn day(&self, now: Timestamp) -> Result<Arc<days::Day>, StoreError> {
        let mut kept = self.day.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(day) = kept.as_ref().filter(|day| day.is_fresh(now)) {
            return Ok(Arc::clone(day));
        }
        let day = Arc::new(self.read(|reader| days::Day::read(reader, &self.rules, now))?);
        *kept = Some(Arc::clone(&day));
        Ok(day)
    }

    /// Who has failed to pair of late.
    fn failures(&self) -> MutexGuard<'_, pairing::Failures> {
        self.failures.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Looks something up in the store, over the connection that is kept for it.
    fn read<T>(&self, look: impl FnOnce(&Reader) -> Result<T, StoreError>) -> Result<T, StoreError> {
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
