//! What a card may hold when the power is cut: what was flushed, and of the rest anything,
//! in any order, torn at sectors. Names in the folder are a file of their own: a new one is
//! there for certain only when the folder was flushed.

use crate::traced::Call;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use tempfile::TempDir;
use traywarden::random::SplitMix64;

/// A card writes whole sectors.
const SECTOR: usize = 512;

/// Whether a flush is confirmed that was not made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lies {
    Never,
    ThisTime,
}

#[derive(Clone, Debug)]
enum Change {
    Bytes { at: usize, bytes: Vec<u8> },
    Length(usize),
}

#[derive(Clone, Debug)]
enum NameChange {
    Is { name: String, file: usize },
    Gone { name: String },
}

#[derive(Debug, Default)]
struct File {
    kept: Vec<u8>,
    pending: Vec<Change>,
}

/// A card with one folder.
#[derive(Debug, Default)]
pub struct Card {
    files: Vec<File>,
    /// As the running system sees it.
    names: BTreeMap<String, usize>,
    kept_names: BTreeMap<String, usize>,
    pending_names: Vec<NameChange>,
}

/// For an image: in memory, where there is such a folder.
pub fn folder() -> TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

impl Card {
    /// Takes a call.
    pub fn takes(&mut self, call: &Call, lies: Lies) {
        match call {
            Call::Opened { name, emptied } => {
                let file = self.file(name);
                if *emptied {
                    self.files[file].pending.push(Change::Length(0));
                }
            }
            Call::Wrote { name, at, bytes } => {
                let file = self.file(name);
                self.files[file].pending.push(Change::Bytes { at: *at, bytes: bytes.clone() });
            }
            Call::Cut { name, length } => {
                let file = self.file(name);
                self.files[file].pending.push(Change::Length(*length));
            }
            Call::Removed { name } => {
                self.names.remove(name);
                self.pending_names.push(NameChange::Gone { name: name.clone() });
            }
            Call::Flushed { name } if lies == Lies::Never => {
                let file = self.file(name);
                let File { kept, pending } = &mut self.files[file];
                pending.drain(..).for_each(|change| change.apply(kept));
            }
            Call::FolderFlushed if lies == Lies::Never => {
                for change in self.pending_names.drain(..) {
                    change.apply(&mut self.kept_names);
                }
            }
            Call::Flushed { .. } | Call::FolderFlushed | Call::Acknowledged => {}
        }
    }

    fn file(&mut self, name: &str) -> usize {
        if let Some(file) = self.names.get(name) {
            return *file;
        }
        let file = self.files.len();
        self.files.push(File::default());
        self.names.insert(name.to_owned(), file);
        self.pending_names.push(NameChange::Is { name: name.to_owned(), file });
        file
    }

    /// Cuts the power now and writes what the card holds into `folder`. Says where the store lies.
    pub fn cut(&self, folder: &Path, random: &mut SplitMix64) -> PathBuf {
        // Of what was not flushed: nothing, all, or any part.
        let share = match random.whole() % 4 {
            0 => 0,
            1 => 100,
            _ => random.whole() % 101,
        };
        let keeps = |random: &mut SplitMix64| random.whole() % 100 < share;
        let mut names = self.kept_names.clone();
        for change in &self.pending_names {
            if keeps(random) {
                change.clone().apply(&mut names);
            }
        }
        for (name, file) in names {
            let File { kept, pending } = &self.files[file];
            let mut found = kept.clone();
            for change in pending {
                match change {
                    Change::Bytes { at, bytes } => {
                        for (nth, sector) in bytes.chunks(SECTOR).enumerate() {
                            if keeps(random) {
                                let part = Change::Bytes { at: at + nth * SECTOR, bytes: sector.to_vec() };
                                part.apply(&mut found);
                            }
                        }
                    }
                    Change::Length(_) if keeps(random) => change.clone().apply(&mut found),
                    Change::Length(_) => {}
                }
            }
            std::fs::write(folder.join(name), found).unwrap();
        }
        folder.join("traywarden.db")
    }
}

impl Change {
    fn apply(self, file: &mut Vec<u8>) {
        match self {
            Change::Bytes { at, bytes } => {
                file.resize(file.len().max(at + bytes.len()), 0);
                file[at..at + bytes.len()].copy_from_slice(&bytes);
            }
            Change::Length(length) => file.resize(length, 0),
        }
    }
}

impl NameChange {
    fn apply(self, names: &mut BTreeMap<String, usize>) {
        match self {
            NameChange::Is { name, file } => names.insert(name, file),
            NameChange::Gone { name } => names.remove(&name),
        };
    }
}
