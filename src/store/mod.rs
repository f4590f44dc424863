//! What is written down: one SQLite file, one writer, any number of readers.
//!
//! The engine is a fold over events; the file holds every event in its order, so
//! that the same night can be lived through again, and beside it what came of
//! it: judgements, alarms, letters, the outbox, minute means. It never decides
//! anything. What each table and column means stands in `schema.rs`, and in the
//! file itself (`.schema` in any SQLite shell).
//!
//! **Durability.** WAL with `synchronous=FULL`: what [`Store::commit`] returned
//! for survives SIGKILL and a power cut (a card that lies about flushing is
//! beyond any software). **Order.** `(at, seq)` is one total order over readings
//! and events. **Locking.** One [`Store`] in one process; a [`Reader`] or
//! [`Inbox`] in any other. **Growth.** Readings are packed a day after they were heard, and
//! leave after a time; minute means, journal, alarms and letters stay. **Damage.** A damaged file is set aside and
//! what can be read of it is carried over; opening never refuses for damage.

mod backup;
mod beside;
mod calls;
mod claim;
mod delivered;
mod encode;
mod error;
mod history;
mod identity;
mod inbox;
mod minutes;
mod newest;
mod opening;
mod outbox;
mod packed;
mod packed_hours;
mod packed_minutes;
mod packing;
mod phones;
mod plain;
mod read;
mod redate;
mod reserve;
mod replies;
mod rollup;
mod salvage;
mod schema;
mod seal;
mod series;
mod state;
mod state_file;
mod stretches;
mod trouble;
mod write;
mod written;

pub use crate::engine::event::JournalLine;
pub use backup::backup;
pub use claim::{Claim, claim, is_watched};
pub use delivered::StoredDelivery;
pub use encode::{Encoded, SensorNames, Undecodable, decode, encode};
pub use error::StoreError;
pub use history::HistoryPoint;
pub use identity::FileFound;
pub use inbox::{Inbox, InboxAnswer, InboxFate, InboxItem, InboxKind, InboxOutcome};
pub use newest::Newest;
pub use opening::Opening;
pub use outbox::{LetterProgress, StoredOutcome, WaitingParcel};
pub use phones::{Paired, Phone, Phones};
pub use plain::{MinuteRow, ReadMoment, ReadingRow};
pub use read::{Depth, Reader, Replayed};
pub use redate::{MOVED, PutRight};
pub use replies::{MailboxPosition, Replies, ReplyFate, SentMail};
pub use reserve::Reserve;
pub use seal::{Seal, SealFound};
pub use state::{EngineState, KeptState, StateDoubt, TakenIn};
pub use state_file::StateFile;
pub use trouble::{Trouble, TroubleAlarm, TroubleFile};
pub use write::{Record, Rejected};
pub use written::{AlarmLine, Counts, GarbledLine, LetterLine};

use crate::engine::rules::Rules;
use crate::units::Timestamp;
use rusqlite::{Connection, OptionalExtension};
use std::path::{Path, PathBuf};

/// The one writer.
pub struct Store {
    connection: Connection,
    path: PathBuf,
    rules: Rules,
    series: series::SeriesOfChannels,
    seen_outside: i64,
    identity: Option<identity::Identity>,
    marks: delivered::Marks,
    packed_up_to: i64,
}

impl Store {
    /// Opens the file, making, upgrading or replacing it as needed; see [`Opening`].
    /// The file is checked from end to end, which takes about 3 ms a megabyte on a
    /// plain disk. `now` dates the name under which a damaged file is set aside.
    pub fn open(path: &Path, rules: &Rules, now: Timestamp) -> Result<(Store, Opening), StoreError> {
        Store::with(opening::open(path, now, true)?, path, rules)
    }

    /// The same without looking through the whole file, so that a watch begins at once: where
    /// the file is known to be as it was closed, or is looked through while the watch runs
    /// ([`Reader::check`]). A file of an older build is looked through all the same.
    pub fn open_at_once(path: &Path, rules: &Rules, now: Timestamp) -> Result<(Store, Opening), StoreError> {
        Store::with(opening::open(path, now, false)?, path, rules)
    }

    fn with(
        (connection, opening): (Connection, Opening),
        path: &Path,
        rules: &Rules,
    ) -> Result<(Store, Opening), StoreError> {
        let series = series::SeriesOfChannels::enter(&connection, rules).map_err(error::explain(path))?;
        let identity = identity::Identity::of(path);
        let marks = delivered::Marks::as_they_stand(&connection).map_err(error::explain(path))?;
        let packed_up_to = stretches::packed_up_to(&connection).map_err(error::explain(path))?;
        let mut store = Store {
            connection,
            path: path.to_owned(),
            rules: rules.clone(),
            series,
            seen_outside: 0,
            identity,
            marks,
            packed_up_to,
        };
        store.changed_outside()?;
        Ok((store, opening))
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The `(at, seq)` of the last thing written; the next event must come after it.
    pub fn last_position(&self) -> Result<Option<(Timestamp, u32)>, StoreError> {
        let last: Option<(i64, u32)> = self
            .connection
            .query_row(
                "SELECT at, seq FROM (SELECT * FROM (SELECT at, seq FROM reading ORDER BY at DESC, seq DESC LIMIT 1)
                           UNION ALL SELECT * FROM (SELECT at, seq FROM event ORDER BY at DESC, seq DESC LIMIT 1)
                           UNION ALL SELECT * FROM (SELECT at, seq FROM alarm ORDER BY at DESC, seq DESC LIMIT 1))
                  ORDER BY at DESC, seq DESC LIMIT 1",
                [],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()
            .map_err(self.explain())?;
        let last = self.packed_beyond(last).map_err(self.explain())?.or(last);
        Ok(last.and_then(|(at, seq)| Some((Timestamp::from_timestamp_millis(at)?, seq))))
    }

    /// The last packed reading, where it comes after `last`: the day after it was lost.
    fn packed_beyond(&self, last: Option<(i64, u32)>) -> rusqlite::Result<Option<(i64, u32)>> {
        let from = last.map_or(i64::MIN, |(at, _)| at);
        if stretches::next(&self.connection, from, i64::MAX)?.is_none() {
            return Ok(None);
        }
        let packed = stretches::last_before(&self.connection, i64::MAX)?;
        let packed = packed.and_then(|it| Some((it.at, u32::try_from(it.seq).ok()?)));
        Ok(packed.filter(|packed| last.is_none_or(|last| *packed > last)))
    }

    /// Messages that were committed and may be delivered again, the oldest first.
    pub fn deliveries(&self) -> Result<Vec<StoredDelivery>, StoreError> {
        delivered::read(&self.connection).map_err(self.explain())
    }

    /// The number the next journal entry gets; the first is 1.
    pub(crate) fn next_journal_number(&self) -> Result<i64, StoreError> {
        self.connection
            .query_row("SELECT coalesce(max(number), 0) + 1 FROM journal", [], |row| row.get(0))
            .map_err(self.explain())
    }

    /// Whether another process has written since this was last asked; if so, look into the inbox.
    pub(crate) fn changed_outside(&mut self) -> Result<bool, StoreError> {
        let version = self.connection.query_row("PRAGMA data_version", [], |row| row.get(0)).map_err(self.explain())?;
        let changed = version != self.seen_outside;
        self.seen_outside = version;
        Ok(changed)
    }

    /// Moves the write-ahead log into the file and cuts it to nothing. Nightly; a
    /// reader in the middle of a look-up makes it stop early, which does no harm.
    pub fn checkpoint(&mut self) -> Result<(), StoreError> {
        self.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).map_err(self.explain())
    }

    /// Notes that what comes next is a stop in good order, where the store is shared and
    /// cannot be closed.
    fn stop_well(&mut self) -> Result<(), StoreError> {
        opening::mark_stopped_well(&self.connection, true).map_err(self.explain())?;
        self.checkpoint()
    }

    /// Closes the file in good order, so that the next start needs only the quick
    /// check. Dropping a store is safe too.
    pub fn close(mut self) -> Result<(), StoreError> {
        self.stop_well()?;
        let Store { connection, path, .. } = self;
        connection.close().map_err(|(_, error)| error::explain(&path)(error))
    }

    /// Looks at what stands at the path. Costs one look-up in the folder.
    pub fn found(&mut self) -> FileFound {
        self.identity.as_mut().map_or(FileFound::AsLeft, |known| known.compared(&self.path))
    }

    /// Closes a store that is to be opened anew. What was deleted or replaced is still held
    /// open here, and is written out first: back to its place, or beside the new file.
    /// Returns where it lies.
    pub(crate) fn let_go(self, found: FileFound, now: Timestamp) -> Option<PathBuf> {
        identity::let_go(self.connection, self.path, found, now)
    }

    fn explain(&self) -> impl Fn(rusqlite::Error) -> StoreError + use<> {
        error::explain(&self.path)
    }
}

#[cfg(test)]
mod tests;
