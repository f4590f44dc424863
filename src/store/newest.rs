//! The newest position, noted apart from the store. What was flushed must be there at the
//! next start; a card that confirms a flush it has not made, a store that was emptied or an
//! old copy put in its place shows by ending before what is noted here. It cannot be
//! prevented, but it can be said.

use super::beside::with_suffix;
use super::opening::sync_folder_of;
use crate::units::Timestamp;
use std::fs::OpenOptions;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Milliseconds since 1970 and the number within the millisecond, in one line of fixed width.
const WIDTH: usize = 32;

/// The note beside a store.
#[derive(Debug)]
pub struct Newest {
    path: PathBuf,
}

impl Newest {
    /// The note of the store at `store`.
    pub fn beside(store: &Path) -> Newest {
        Newest { path: with_suffix(store, ".newest") }
    }

    /// What was noted last; `None` where nothing readable is.
    pub fn read(&self) -> Option<(Timestamp, u32)> {
        let text = std::fs::read_to_string(&self.path).ok()?;
        let (at, seq) = text.trim().split_once(' ')?;
        Some((Timestamp::from_timestamp_millis(at.parse().ok()?)?, seq.trim().parse().ok()?))
    }

    /// Notes a position that was committed. A note that cannot be made is none: the store
    /// itself says what is wrong with the disk.
    pub fn note(&self, (at, seq): (Timestamp, u32)) {
        let line = format!("{} {seq}", at.timestamp_millis());
        let line = format!("{line:<width$}\n", width = WIDTH - 1);
        let write = || {
            // In place: a full disk has room for what is there already.
            let is_new = !self.path.exists();
            let file = OpenOptions::new().create(true).truncate(false).write(true).open(&self.path)?;
            file.write_all_at(line.as_bytes(), 0)?;
            file.sync_data()?;
            if is_new { sync_folder_of(&self.path) } else { Ok(()) }
        };
        if let Err(error) = write() {
            tracing::debug!(%error, "the newest position could not be noted");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_noted_is_read_again_also_after_a_shorter_note() {
        let folder = tempfile::tempdir().unwrap();
        let newest = Newest::beside(&folder.path().join("room.db"));
        assert_eq!(newest.read(), None);
        for position in [(1_772_560_800_000, 12), (7, 0)] {
            let position = (Timestamp::from_timestamp_millis(position.0).unwrap(), position.1);
            newest.note(position);
            assert_eq!(newest.read(), Some(position));
        }
    }
}
