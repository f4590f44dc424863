//! The store in the writer's hands: open, or not to be had. It is opened again when it
//! fails in a way that only opening mends (damage, an I/O error, a file that somebody
//! deleted or replaced), and for as long as it cannot be opened the watch goes on from
//! memory. A few megabytes are held back for the day the disk is full.

use crate::engine::event::{Effect, What};
use crate::engine::rules::Rules;
use crate::journal::Did;
use crate::store::{Claim, Found, Newest, Opening, Record, Reserve, Store, StoreError, claim};
use crate::units::Timestamp;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

use super::deliveries::Forgotten;

/// A store that cannot be opened is tried again this often: opening reads the whole file.
const TRY_EVERY: Duration = Duration::from_secs(30);
/// A reserve that was given up is made anew this often, if the disk has room.
const RESERVE_EVERY: Duration = Duration::from_secs(60);
/// The newest position is noted apart from the store this often, and with every commit
/// that carries an alarm, a letter or an entry: 6 MB a day to the card. Own choice.
const NOTE_EVERY: Duration = Duration::from_secs(60);

/// The store, or why there is none.
pub struct Keeper {
    path: PathBuf,
    rules: Arc<Rules>,
    store: Option<Store>,
    claim: Option<Claim>,
    reserve: Option<Reserve>,
    newest: Newest,
    tried: Option<Instant>,
    reserve_tried: Option<Instant>,
    noted: Option<Instant>,
    reopen: bool,
    why_not: Option<String>,
    /// Entries were numbered from 1 because nobody could read how many there are.
    numbered_anew: bool,
}

/// What came of writing, beside the writing itself.
#[derive(Debug, Default)]
pub struct News {
    /// The store was opened, and how it was found.
    pub opened: Option<Opening>,
    /// What is wrong though it was written: the disk is full but for the reserve.
    pub warning: Option<String>,
}

impl Keeper {
    /// Opens the store if it can be. Without it, [`Keeper::why_not`] says why.
    ///
    /// # Errors
    /// Only when another daemon watches with this store.
    pub fn open(path: &Path, rules: &Arc<Rules>, now: Timestamp) -> Result<(Keeper, Option<Opening>), StoreError> {
        let mut keeper = Keeper {
            path: path.to_owned(),
            rules: Arc::clone(rules),
            store: None,
            claim: None,
            reserve: None,
            newest: Newest::beside(path),
            tried: None,
            reserve_tried: None,
            noted: None,
            reopen: false,
            why_not: None,
            numbered_anew: false,
        };
        match keeper.try_open(now) {
            Ok(opening) => Ok((keeper, Some(opening))),
            Err(watched @ StoreError::Watched { .. }) => Err(watched),
            Err(error) => {
                keeper.why_not = Some(error.to_string());
                Ok((keeper, None))
            }
        }
    }

    /// The store, if it is open.
    pub fn store(&mut self) -> Option<&mut Store> {
        self.store.as_mut()
    }

    /// Why it is not open.
    pub fn why_not(&self) -> Option<&str> {
        self.why_not.as_deref()
    }

    /// Entries get numbers from 1 until the store is there; then they are moved behind its own.
    pub fn number_anew(&mut self) {
        self.numbered_anew = true;
    }

    /// Writes all of it or nothing.
    pub fn commit(&mut self, now: Timestamp, records: &mut [&mut Record], forgotten: &Forgotten) -> Result<News, StoreError> {
        let mut news = News::default();
        if self.store.as_mut().is_some_and(|store| store.found() != Found::AsLeft) {
            self.reopen = true;
        }
        if self.store.is_none() || self.reopen {
            news.opened = Some(self.open_again(now)?);
        }
        if std::mem::take(&mut self.numbered_anew)
            && let Some(store) = &self.store
        {
            let last = store.next_journal_number()? - 1;
            records.iter_mut().for_each(|record| number_after(record, last));
        }
        let mut outcome = self.write(records, forgotten);
        if matches!(outcome, Err(StoreError::Full { .. }))
            && let Some(reserve) = self.reserve.take()
        {
            reserve.give_up();
            self.reserve_tried = Some(Instant::now());
            outcome = self.write(records, forgotten);
        }
        match outcome {
            Ok(()) => {
                self.note_newest(records);
                news.warning = self.without_reserve();
                Ok(news)
            }
            Err(error) => {
                self.reopen = !matches!(error, StoreError::Full { .. } | StoreError::Busy { .. });
                Err(error)
            }
        }
    }

    fn write(&mut self, records: &[&mut Record], forgotten: &Forgotten) -> Result<(), StoreError> {
        match &mut self.store {
            Some(store) => store.commit_and_forget(records.iter().map(|record| &**record), forgotten.all, &forgotten.marks),
            None => Err(StoreError::Missing { path: self.path.clone() }),
        }
    }

    fn open_again(&mut self, now: Timestamp) -> Result<Opening, StoreError> {
        if self.tried.is_some_and(|tried| tried.elapsed() < TRY_EVERY) {
            let why = self.why_not.clone().unwrap_or_default();
            return Err(StoreError::NotYet { why });
        }
        let found = self.store.as_mut().map(|store| store.found());
        if let (Some(found), Some(store)) = (found, self.store.take()) {
            // What somebody deleted is still there as long as it is held open.
            store.let_go(found, now);
        }
        self.try_open(now).inspect_err(|error| self.why_not = Some(error.to_string()))
    }

    fn try_open(&mut self, now: Timestamp) -> Result<Opening, StoreError> {
        self.tried = Some(Instant::now());
        if let Some(folder) = self.path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|source| StoreError::File {
                path: folder.to_owned(),
                doing: "made",
                source,
            })?;
        }
        if self.claim.is_none() {
            self.claim = Some(claim(&self.path)?);
        }
        let (store, opening) = Store::open(&self.path, &self.rules, now)?;
        self.store = Some(store);
        self.reopen = false;
        self.why_not = None;
        if self.reserve.is_none() {
            self.reserve = Reserve::make(&self.path);
        }
        Ok(opening)
    }

    /// Tries to make a reserve that was given up anew, and says so while there is none.
    fn without_reserve(&mut self) -> Option<String> {
        let tried = self.reserve_tried?;
        if tried.elapsed() >= RESERVE_EVERY {
            self.reserve_tried = Some(Instant::now());
            self.reserve = Reserve::make(&self.path);
        }
        if self.reserve.is_some() {
            self.reserve_tried = None;
            return None;
        }
        Some(format!(
            "{}: the disk is full. Readings are saved into the last megabytes, which were held back for this and last \
             some hours; free some space",
            self.path.display()
        ))
    }

    fn note_newest(&mut self, records: &[&mut Record]) {
        let Some(last) = records.last() else { return };
        let matters = records.iter().any(|record| record.effects.iter().any(|effect| !matches!(effect, Effect::Judged(_))));
        if matters || self.noted.is_none_or(|noted| noted.elapsed() >= NOTE_EVERY) {
            self.noted = Some(Instant::now());
            self.newest.note((last.event.at, last.seq));
        }
    }
}

/// Moves an entry's number, and those of the entries it names, behind what the store has.
fn number_after(record: &mut Record, last: i64) {
    if let What::Journal { number, entry } = &mut record.event.what {
        *number += last;
        if let Did::Strike { entry, .. } = &mut entry.did {
            *entry += last;
        }
    }
    for effect in &mut record.effects {
        if let Effect::EntryTaken { number, .. } | Effect::EntryRefused { number, .. } = effect {
            *number += last;
        }
    }
}

/// The keeper, also after a writer has panicked: SQLite has rolled back then.
pub fn lock(keeper: &Mutex<Keeper>) -> std::sync::MutexGuard<'_, Keeper> {
    keeper.lock().unwrap_or_else(PoisonError::into_inner)
}
