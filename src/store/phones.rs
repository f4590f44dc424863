//! Phones that may open the page over the network, and links that pair one. The page and
//! the verb `pair` write here, each over a connection of its own; the daemon's writer
//! never waits for them longer than a row takes. Only hashes are kept: who reads the file
//! cannot open the page with it.

use super::error::{StoreError, explain};
use super::{opening, schema};
use crate::units::Timestamp;
use chrono::TimeDelta;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use std::path::{Path, PathBuf};

/// A visit is noted once an hour, not once a tap: flash wears.
const SEEN_EVERY: TimeDelta = TimeDelta::hours(1);

/// A phone that may open the page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Phone {
    /// Its row in the store.
    pub id: i64,
    /// Whose it is; entries made with it carry this name.
    pub name: String,
    /// When it was paired.
    pub(crate) paired_at: Timestamp,
    /// When it last opened the page, to the hour.
    pub seen_at: Timestamp,
}

/// What came of a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Paired {
    /// The phone is on the list.
    Yes,
    /// The link was used, is too old, or never was.
    NoSuchLink,
    /// Another phone has that name; the link still works.
    NameTaken,
}

/// The list of phones, and the links that add to it.
pub struct Phones {
    connection: Connection,
    path: PathBuf,
}

impl Phones {
    /// Opens the list in a store that the daemon has made and brought up to date.
    ///
    /// # Errors
    /// When there is no such store, or none of this version.
    pub fn open(path: &Path) -> Result<Phones, StoreError> {
        let path = path.to_owned();
        let (connection, version) = opening::beside_the_writer(&path)?;
        if version < schema::MIGRATIONS.len() {
            return Err(StoreError::Missing { path });
        }
        Ok(Phones { connection, path })
    }

    /// Every phone, in the order of pairing.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn list(&self) -> Result<Vec<Phone>, StoreError> {
        let read = || {
            let mut all =
                self.connection.prepare_cached("SELECT id, name, paired_at, seen_at FROM phone ORDER BY id")?;
            let rows = all.query_map([], phone)?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(explain(&self.path))
    }

    /// The phone whose secret has this hash; its visit is noted.
    ///
    /// # Errors
    /// When the store cannot be read. That a visit could not be noted is no error.
    pub fn known(&mut self, token_hash: &[u8], now: Timestamp) -> Result<Option<Phone>, StoreError> {
        let found = self
            .connection
            .query_row(
                "SELECT id, name, paired_at, seen_at FROM phone WHERE token_hash = ?1",
                params![token_hash],
                phone,
            )
            .optional()
            .map_err(explain(&self.path))?;
        if let Some(phone) = &found
            && (now - phone.seen_at).abs() >= SEEN_EVERY
        {
            let seen = params![phone.id, now.timestamp_millis()];
            let _ = self.connection.execute("UPDATE phone SET seen_at = ?2 WHERE id = ?1", seen);
        }
        Ok(found)
    }

    /// Keeps the hash of a link's secret until it is used or its time is over.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub(crate) fn offer(&mut self, code_hash: &[u8], now: Timestamp, until: Timestamp) -> Result<(), StoreError> {
        let put = || {
            self.connection.execute("DELETE FROM pairing WHERE until <= ?1", params![now.timestamp_millis()])?;
            self.connection.execute(
                "INSERT OR REPLACE INTO pairing (code_hash, until) VALUES (?1, ?2)",
                params![code_hash, until.timestamp_millis()],
            )
        };
        put().map(|_| ()).map_err(explain(&self.path))
    }

    /// Whether a link would still pair a phone. Asking does not use it up.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn offered(&self, code_hash: &[u8], now: Timestamp) -> Result<bool, StoreError> {
        self.connection
            .query_row(
                "SELECT count(*) > 0 FROM pairing WHERE code_hash = ?1 AND until > ?2",
                params![code_hash, now.timestamp_millis()],
                |row| row.get(0),
            )
            .map_err(explain(&self.path))
    }

    /// Uses a link up and adds the phone.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn pair(
        &mut self,
        code_hash: &[u8],
        name: &str,
        token_hash: &[u8],
        now: Timestamp,
    ) -> Result<Paired, StoreError> {
        let now = now.timestamp_millis();
        let mut pair = || {
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let used = transaction
                .execute("DELETE FROM pairing WHERE code_hash = ?1 AND until > ?2", params![code_hash, now])?;
            if used == 0 {
                return Ok(Paired::NoSuchLink);
            }
            let taken: bool = transaction.query_row(
                "SELECT count(*) > 0 FROM phone WHERE name = ?1 COLLATE NOCASE",
                params![name],
                |row| row.get(0),
            )?;
            if taken {
                return Ok(Paired::NameTaken);
            }
            transaction.execute(
                "INSERT INTO phone (name, token_hash, paired_at, seen_at) VALUES (?1, ?2, ?3, ?3)",
                params![name, token_hash, now],
            )?;
            transaction.commit()?;
            Ok(Paired::Yes)
        };
        pair().map_err(explain(&self.path))
    }

    /// Takes a phone off the list. `false`: there is none of this name.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub(crate) fn unpair(&mut self, name: &str) -> Result<bool, StoreError> {
        let gone = self.connection.execute("DELETE FROM phone WHERE name = ?1 COLLATE NOCASE", params![name]);
        gone.map(|rows| rows > 0).map_err(explain(&self.path))
    }
}

fn phone(row: &rusqlite::Row<'_>) -> rusqlite::Result<Phone> {
    let time = |index| Ok::<_, rusqlite::Error>(Timestamp::from_timestamp_millis(row.get(index)?).unwrap_or_default());
    Ok(Phone { id: row.get(0)?, name: row.get(1)?, paired_at: time(2)?, seen_at: time(3)? })
}
