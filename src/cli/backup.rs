//! `backup`: a copy of the store, whole and compact, while the daemon runs or not.

use super::file::Replace;
use super::{Answer, Outcome, print, settings};
use crate::store;
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Backup {
    /// Where the copy goes.
    file: PathBuf,
    #[command(flatten)]
    replace: Replace,
}

impl Backup {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        self.replace.may_write(&self.file)?;
        store::backup(&config.store.path, &self.file)?;
        print(&format!("Copied to {}.", self.file.display()))?;
        Ok(Answer::Yes)
    }
}
