//! A sum over the whole file, taken when it is closed in good order and compared when it is
//! opened again: SQLite notices a broken page, but not a number in it that has changed. A
//! verb that writes while no daemon runs breaks the seal on purpose.

use super::beside::with_suffix;
use std::hash::{DefaultHasher, Hasher};
use std::io::Read;
use std::path::{Path, PathBuf};

/// How a seal is found at a start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SealFound {
    /// None: the daemon was killed, a verb wrote, or another version of the program sealed it.
    None,
    /// The file is byte for byte what was closed in good order.
    Whole,
    /// The file is not what was sealed.
    Broken,
}

/// The seal of one store.
#[derive(Debug)]
pub struct Seal {
    store: PathBuf,
    path: PathBuf,
}

impl Seal {
    /// The seal beside the store at `store`.
    pub fn beside(store: &Path) -> Seal {
        Seal { store: store.to_owned(), path: with_suffix(store, ".seal") }
    }

    /// Seals the file as it lies. Only when nobody has it open.
    pub fn set(&self) {
        let sealed = sum(&self.store).and_then(|sum| std::fs::write(&self.path, sum));
        if let Err(error) = sealed {
            tracing::debug!(%error, "the store could not be sealed");
        }
    }

    /// Somebody is about to write.
    pub(super) fn take_off(&self) {
        // Mostly there is none.
        let _ = std::fs::remove_file(&self.path);
    }

    /// How the file is found, and takes the seal off. Only before anybody opens the file:
    /// closing it here would drop SQLite's locks.
    pub(crate) fn find(&self) -> SealFound {
        let Ok(sealed) = std::fs::read_to_string(&self.path) else { return SealFound::None };
        self.take_off();
        // A log beside it means that somebody went on writing.
        let written_on = with_suffix(&self.store, "-wal").metadata().is_ok_and(|log| log.len() > 0);
        let same_build = sealed.starts_with(&format!("{} ", env!("CARGO_PKG_VERSION")));
        match sum(&self.store) {
            Ok(sum) if same_build && !written_on => {
                if sum == sealed {
                    SealFound::Whole
                } else {
                    SealFound::Broken
                }
            }
            _ => SealFound::None,
        }
    }
}

/// Version, length and sum. Another version may sum otherwise and is not compared.
fn sum(path: &Path) -> std::io::Result<String> {
    let mut file = std::fs::File::open(path)?;
    let mut hasher = DefaultHasher::new();
    let mut block = vec![0; 1 << 16];
    let mut bytes = 0;
    loop {
        let read = file.read(&mut block)?;
        if read == 0 {
            return Ok(format!("{} {bytes} {:016x}\n", env!("CARGO_PKG_VERSION"), hasher.finish()));
        }
        bytes += read;
        hasher.write(&block[..read]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_changed_byte_breaks_the_seal_once() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path().join("room.db");
        let seal = Seal::beside(&store);
        let mut bytes = vec![7; 200_000];
        std::fs::write(&store, &bytes).unwrap();
        assert_eq!(seal.find(), SealFound::None, "none was set");
        seal.set();
        assert_eq!(seal.find(), SealFound::Whole);
        seal.set();
        bytes[150_000] ^= 1;
        std::fs::write(&store, &bytes).unwrap();
        assert_eq!(seal.find(), SealFound::Broken);
        assert_eq!(seal.find(), SealFound::None, "it is said once");
    }
}
