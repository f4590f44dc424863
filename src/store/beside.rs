//! The names of the files that stand beside the store.

use std::path::{Path, PathBuf};

/// `path` with something appended to its name.
pub(super) fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}
