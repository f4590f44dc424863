//! The store in the writer's hands: open, or not to be had. It is opened again when it
//! fails in a way that only opening mends (damage, an I/O error, a file that somebody
//! deleted or replaced), and for as long as it cannot be opened the watch goes on from
//! memory. A few megabytes are held back for the day the disk is full.

use super::deliveries::Forgotten;
use crate::engine::event::{Effect, What};
use crate::engine::rules::{Rules, Site};
use crate::journal::Did;
use crate::store::{
    Claim, EngineState, FileFound, Newest, Opening, Record, Reserve, Seal, SealFound, Store, StoreError, claim,
};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// A store that cannot be opened is tried again this often: opening reads the whole file.
const TRY_EVERY: Duration = Duration::from_secs(30);
/// A reserve that was given up is made anew this often, if the disk has room.
const RESERVE_EVERY: Duration = Duration::from_secs(60);
/// The newest position is noted apart from the store this often, and with every commit
/// that carries an alarm, a letter or an entry: 6 MB a day to the card. Own choice.
const NOTE_EVERY: Duration = Duration::from_secs(60);

/// The store, or why there is none.
pub(super) struct Keeper {
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
    /// It was opened at once: nobody has looked through it yet.
    unchecked: bool,
    why_not: Option<String>,
    /// Entries were numbered from 1 because nobody could read how many there are.
    numbered_anew: bool,
}

/// How the store was found when it was opened.
#[derive(Debug)]
pub(super) struct Opened {
    opening: Opening,
    /// What stood at its path, where we held it open before.
    found: FileFound,
    /// Where what was held open lies now.
    rescued: Option<PathBuf>,
    /// What it ends with, and what it was noted to hold.
    ends_early: Option<(Option<Timestamp>, Timestamp)>,
    /// It is not what was closed in good order, though nothing of ours wrote into it.
    changed: bool,
}

impl Opened {
    /// Writes into the log how the store was found.
    pub(super) fn report(&self) {
        match &self.opening {
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

    /// What a grower must know of it; `None`: nothing is gone.
    pub(crate) fn sentence(&self, site: &Site) -> Option<String> {
        let lies_at = self.rescued.as_ref().map(|path| path.display().to_string());
        match (&self.found, &self.opening, &self.ends_early) {
            (FileFound::Deleted, ..) => Some(match lies_at {
                Some(path) => {
                    format!("somebody deleted the store's file while the watch ran; it was put back at {path}")
                }
                None => "somebody deleted the store's file while the watch ran, and what was in it is gone".to_owned(),
            }),
            (FileFound::Replaced, ..) => Some(format!(
                "somebody put another file in the store's place while the watch ran; the watch goes on with that one, and \
                 what was in the old one {}",
                lies_at.map_or("is gone".to_owned(), |path| format!("lies at {path}"))
            )),
            (_, Opening::Damaged { set_aside, carried_over, .. }, _) => Some(format!(
                "the store was damaged; it lies at {} now, {carried_over} rows of it were carried over into a new one",
                set_aside.display()
            )),
            (_, _, Some((last, noted))) => Some(format!(
                "what was saved up to {} is not there any more: the store {}. The card may confirm what it does not keep, \
                 or somebody emptied the file or put an older copy in its place",
                local(site, *noted),
                last.map_or("is empty".to_owned(), |last| format!("ends at {}", local(site, last)))
            )),
            _ if self.changed => Some(
                "the store's file has changed while the watch was off, and nothing of traywarden wrote into it: a number \
                 in it may be wrong. Make a backup; if nobody touched the file, the card is failing"
                    .to_owned(),
            ),
            (FileFound::CutOff, ..) => Some("somebody cut the store's file off while the watch ran".to_owned()),
            _ => None,
        }
    }
}

/// What came of writing, beside the writing itself.
#[derive(Debug, Default)]
pub(super) struct News {
    /// The store was opened, and how it was found.
    pub opened: Option<Opened>,
    /// What is wrong though it was written: the disk is full but for the reserve.
    pub(super) warning: Option<String>,
}

impl Keeper {
    /// Opens the store if it can be. Without it, [`Keeper::why_not`] says why.
    ///
    /// # Errors
    /// Only when another daemon watches with this store.
    pub(super) fn open(
        path: &Path,
        rules: &Arc<Rules>,
        now: Timestamp,
        claim: Option<Claim>,
    ) -> Result<(Keeper, Option<Opened>), StoreError> {
        let mut keeper = Keeper {
            path: path.to_owned(),
            rules: Arc::clone(rules),
            store: None,
            claim,
            reserve: None,
            newest: Newest::beside(path),
            tried: None,
            reserve_tried: None,
            noted: None,
            reopen: false,
            unchecked: false,
            why_not: None,
            numbered_anew: false,
        };
        match keeper.try_open(now, FileFound::AsLeft, None) {
            Ok(opened) => Ok((keeper, Some(opened))),
            Err(watched @ StoreError::Watched { .. }) => Err(watched),
            Err(error) => {
                keeper.why_not = Some(error.to_string());
                Ok((keeper, None))
            }
        }
    }

    /// The store, if it is open.
    pub(super) fn store(&mut self) -> Option<&mut Store> {
        self.store.as_mut()
    }

    /// Why it is not open.
    pub(crate) fn why_not(&self) -> Option<&str> {
        self.why_not.as_deref()
    }

    /// Entries get numbers from 1 until the store is there; then they are moved behind its own.
    pub(super) fn number_anew(&mut self) {
        self.numbered_anew = true;
    }

    /// The store cannot be used after all.
    pub(super) fn close(&mut self, why: &StoreError) {
        self.store = None;
        self.why_not = Some(why.to_string());
    }

    /// It was opened at once and could not be read: opens it again, looking through it.
    pub(super) fn open_looking_through(&mut self, now: Timestamp) -> Result<Opened, StoreError> {
        self.store = None;
        self.try_open(now, FileFound::AsLeft, None)
    }

    /// The next commit opens another file, and everything goes there.
    pub(crate) fn move_to(&mut self, path: &Path) {
        self.store = None;
        self.claim = None;
        self.reserve = None;
        self.newest = Newest::beside(path);
        self.tried = None;
        path.clone_into(&mut self.path);
    }

    /// It was opened at once, and must be looked through while the watch runs. Says so once.
    pub(super) fn must_be_looked_through(&mut self) -> bool {
        std::mem::take(&mut self.unchecked)
    }

    /// The file is not sound: the next commit opens it anew.
    pub(super) fn open_anew(&mut self) {
        self.reopen = true;
    }

    /// For the next watch of this process.
    pub(super) fn take_claim(&mut self) -> Option<Claim> {
        self.claim.take()
    }

    /// Notes where the store ends, when that has changed otherwise than by writing.
    pub(super) fn note_end(&self) -> Result<(), StoreError> {
        if let Some(last) = self.store.as_ref().map(Store::last_position).transpose()?.flatten() {
            self.newest.note(last);
        }
        Ok(())
    }

    /// Keeps what the engine remembers beside the store, which has everything it came from.
    pub(super) fn keep_state(&self, state: &EngineState) {
        // A disk without room needs it for what is heard.
        let Some(store) = self.store.as_ref().filter(|_| self.reserve_tried.is_none()) else { return };
        if let Err(error) = store.keep_state(state) {
            tracing::warn!(%error, "what the engine remembers could not be kept");
        }
    }

    /// Closes the store in good order. `moves`: what was written since then belongs to a
    /// later time.
    pub(super) fn close_well(
        &mut self,
        now: Timestamp,
        moves: Option<(Timestamp, TimeDelta)>,
    ) -> Result<(), StoreError> {
        let Some(mut store) = self.store.take() else { return Ok(()) };
        if let Some((since, by)) = moves {
            store.move_forward(since, by)?;
        }
        let heard = store.heard_until(now)?;
        store.roll_up_minutes(heard)?;
        if let Some(last) = store.last_position()? {
            self.newest.note(last);
        }
        store.close()?;
        Seal::beside(&self.path).set();
        Ok(())
    }

    /// Writes all of it or nothing.
    pub(super) fn commit(
        &mut self,
        now: Timestamp,
        records: &mut [&mut Record],
        forgotten: &Forgotten,
    ) -> Result<News, StoreError> {
        let mut news = News::default();
        if self.store.as_mut().is_some_and(|store| store.found() != FileFound::AsLeft) {
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
            self.reserve_tried = Some(tokio::time::Instant::now());
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
                self.why_not = Some(error.to_string());
                Err(error)
            }
        }
    }

    fn write(&mut self, records: &[&mut Record], forgotten: &Forgotten) -> Result<(), StoreError> {
        match &mut self.store {
            Some(store) => {
                store.commit_and_forget(records.iter().map(|record| &**record), forgotten.all, &forgotten.marks)
            }
            None => Err(StoreError::Missing { path: self.path.clone() }),
        }
    }

    fn open_again(&mut self, now: Timestamp) -> Result<Opened, StoreError> {
        let found = self.store.as_mut().map_or(FileFound::AsLeft, Store::found);
        // What somebody took away is looked for at once, what fails by itself only now and then.
        if found == FileFound::AsLeft && self.tried.is_some_and(|tried| tried.elapsed() < TRY_EVERY) {
            let why = self.why_not.clone().unwrap_or_default();
            return Err(StoreError::NotYet { why });
        }
        // What somebody deleted is still there as long as it is held open.
        let rescued = self.store.take().and_then(|store| store.let_go(found, now));
        self.try_open(now, found, rescued).inspect_err(|error| self.why_not = Some(error.to_string()))
    }

    fn try_open(&mut self, now: Timestamp, found: FileFound, rescued: Option<PathBuf>) -> Result<Opened, StoreError> {
        let is_first = self.tried.replace(tokio::time::Instant::now()).is_none();
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
        let at_start = self.store.is_none() && found == FileFound::AsLeft;
        let seal = if at_start { Seal::beside(&self.path).find() } else { SealFound::None };
        let changed = seal == SealFound::Broken;
        // A watch does not wait for the whole file to be read. What is opened again for a reason is.
        let at_once = is_first && !changed;
        let opened = if at_once { Store::open_at_once } else { Store::open };
        let (store, opening) = opened(&self.path, &self.rules, now)?;
        self.unchecked = at_once && seal == SealFound::None && matches!(opening, Opening::Opened { .. });
        self.store = Some(store);
        self.reopen = false;
        self.why_not = None;
        if self.reserve.is_none() {
            self.reserve = Reserve::make(&self.path);
        }
        let last = self.store.as_ref().map(Store::last_position).transpose()?.flatten();
        let noted = self.newest.read().filter(|noted| last.is_none_or(|last| last < *noted));
        let ends_early = noted.map(|noted| (last.map(|(at, _)| at), noted.0));
        Ok(Opened { opening, found, rescued, ends_early, changed })
    }

    /// Tries to make a reserve that was given up anew, and says so while there is none.
    fn without_reserve(&mut self) -> Option<String> {
        let tried = self.reserve_tried?;
        if tried.elapsed() >= RESERVE_EVERY {
            self.reserve_tried = Some(tokio::time::Instant::now());
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
        // A tick has no row of its own.
        let Some(last) = records.iter().rfind(|record| !matches!(record.event.what, What::Tick)) else { return };
        let matters =
            records.iter().any(|record| record.effects.iter().any(|effect| !matches!(effect, Effect::Judged(_))));
        if matters || self.noted.is_none_or(|noted| noted.elapsed() >= NOTE_EVERY) {
            self.noted = Some(tokio::time::Instant::now());
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
    if let Some(entry) = record.inbox.as_mut().and_then(|answer| answer.entry.as_mut()) {
        *entry += last;
    }
    for effect in &mut record.effects {
        if let Effect::EntryTaken { number, .. } | Effect::EntryRefused { number, .. } = effect {
            *number += last;
        }
    }
}

/// With the date: it may lie days back.
fn local(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%-d %B %H:%M").to_string()
}

/// The keeper, also after a writer has panicked: SQLite has rolled back then.
pub(super) fn lock(keeper: &Mutex<Keeper>) -> std::sync::MutexGuard<'_, Keeper> {
    keeper.lock().unwrap_or_else(PoisonError::into_inner)
}
