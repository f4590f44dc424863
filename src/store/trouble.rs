//! A store that cannot be written cannot say so. While it fails the daemon keeps what the
//! verbs would look for there, its standing alarms above all, in a file in memory
//! (systemd's RuntimeDirectory, else the folder for temporary files), and removes it when
//! the store works again.

use crate::units::Timestamp;
use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Write;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// It is written this often; somebody may look at any time.
const SHOW_EVERY: TimeDelta = TimeDelta::seconds(30);
/// What is older than this was left behind by a daemon that was killed.
const GOES_STALE: TimeDelta = TimeDelta::minutes(3);

/// What the daemon knows while its store fails.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trouble {
    /// When this was written.
    pub at: Timestamp,
    /// Since when the store fails.
    pub since: Timestamp,
    /// What is wrong with it.
    pub error: String,
    /// Readings in memory alone.
    pub(crate) unsaved: u64,
    /// Readings given up.
    pub lost: u64,
    /// What was written before cannot be read.
    pub(crate) without_past: bool,
    /// The alarms that stand.
    pub alarms: Vec<TroubleAlarm>,
}

/// An alarm that stands, in words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TroubleAlarm {
    /// Its id, "reservoir-empty:tank".
    pub id: String,
    /// Its state, as the lamp says it.
    pub state: String,
    /// Its priority, as the lamp says it.
    pub priority: String,
    /// The sentence.
    pub text: String,
}

/// The file, in the daemon's hands.
#[derive(Debug)]
pub struct TroubleFile {
    path: PathBuf,
    shown: Option<Timestamp>,
}

impl TroubleFile {
    /// The file of the store at `store`; none is written yet, and one left behind goes.
    pub fn of(store: &Path) -> TroubleFile {
        let folder = runtime_folder().unwrap_or_else(std::env::temp_dir);
        let mut file = TroubleFile { path: folder.join(name(store)), shown: Some(Timestamp::UNIX_EPOCH) };
        file.clear();
        file
    }

    /// Shows it, if a while has passed since it was last shown.
    pub(crate) fn show(&mut self, trouble: &Trouble) {
        if self.shown.is_some_and(|shown| (trouble.at - shown).abs() < SHOW_EVERY) {
            return;
        }
        self.shown = Some(trouble.at);
        let part = self.path.with_extension("part");
        let write = || -> std::io::Result<()> {
            let _ = std::fs::remove_file(&part);
            let mut file = std::fs::OpenOptions::new().create_new(true).write(true).mode(0o600).open(&part)?;
            file.write_all(&serde_json::to_vec(trouble)?)?;
            std::fs::rename(&part, &self.path)
        };
        if let Err(error) = write() {
            tracing::warn!(%error, path = %self.path.display(), "what is wrong with the store could not be shown to `now`");
        }
    }

    /// The store works.
    pub fn clear(&mut self) {
        if self.shown.take().is_some() {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

impl Trouble {
    /// What a running daemon says of the store at `store`; `None`: nothing is wrong, or no
    /// daemon runs.
    pub fn read(store: &Path, now: Timestamp) -> Option<Trouble> {
        let folders = runtime_folder().into_iter().chain([PathBuf::from("/run/traywarden"), std::env::temp_dir()]);
        folders.into_iter().find_map(|folder| {
            let path = folder.join(name(store));
            // In a folder for everybody, a word of somebody else's is no word.
            let owner = path.symlink_metadata().ok().filter(std::fs::Metadata::is_file)?.uid();
            let ours = [Path::new("/proc/self"), store, store.parent()?];
            if owner != 0 && !ours.iter().any(|path| path.metadata().is_ok_and(|file| file.uid() == owner)) {
                return None;
            }
            let trouble: Trouble = serde_json::from_slice(&std::fs::read(path).ok()?).ok()?;
            ((now - trouble.at).abs() < GOES_STALE).then_some(trouble)
        })
    }
}

fn runtime_folder() -> Option<PathBuf> {
    // systemd may name several, with colons between; the first is as good as any.
    let list = std::env::var("RUNTIME_DIRECTORY").ok()?;
    list.split(':').next().filter(|first| !first.is_empty()).map(PathBuf::from)
}

/// One name a store, the same for the daemon and for a verb in another folder.
fn name(store: &Path) -> String {
    let store = std::path::absolute(store).unwrap_or_else(|_| store.to_owned());
    let mut hasher = DefaultHasher::new();
    store.hash(&mut hasher);
    format!("traywarden-{:016x}.trouble", hasher.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trouble_is_found_by_the_stores_path_until_it_is_over_or_stale() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("room.db");
        let at: Timestamp = "2026-03-03T23:00:00Z".parse().unwrap();
        let trouble = Trouble {
            at,
            since: at,
            error: "the disk is full".into(),
            unsaved: 7,
            lost: 0,
            without_past: false,
            alarms: Vec::new(),
        };
        let mut file = TroubleFile::of(&store);
        assert_eq!(Trouble::read(&store, at), None);
        file.show(&trouble);
        assert_eq!(Trouble::read(&store, at), Some(trouble));
        assert_eq!(Trouble::read(&folder.path().join("other.db"), at), None);
        assert_eq!(Trouble::read(&store, at + TimeDelta::minutes(4)), None, "a killed daemon says nothing");
        file.clear();
        assert_eq!(Trouble::read(&store, at), None);
    }
}
