//! `backup`: a copy of the store, whole and compact, while the daemon runs or not.

use super::{Answer, Outcome, print, settings};
use crate::store;
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub struct Backup {
    /// Where the copy goes. A file that is there already is replaced when the copy is complete.
    file: PathBuf,
}

impl Backup {
    pub fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        store::backup(&config.store.path, &self.file)?;
        print(&format!("Copied to {}.", self.file.display()))?;
        Ok(Answer::Yes)
    }
}
