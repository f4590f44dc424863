//! What a verb ends with: an answer, or why it could not do its work. And what nearly every
//! verb does: read the settings, print.

use crate::config::{self, Config};
use std::io::Write;
use std::path::Path;

/// Where the settings are if nobody says otherwise.
pub(super) const DEFAULT_CONFIG: &str = "/etc/traywarden/traywarden.toml";

/// What a verb ends with.
pub(super) type Outcome = Result<Answer, Failure>;

/// How it went.
pub(super) enum Answer {
    /// Done.
    Yes,
    /// Done, and the answer is no: nothing found, or refused.
    No,
}

/// Why a verb could not do its work.
#[derive(Debug, thiserror::Error)]
pub(super) enum Failure {
    /// The settings are wrong.
    #[error("{0}")]
    Config(#[from] config::Problems),
    /// What was typed makes no sense.
    #[error("{0}")]
    Usage(String),
    /// The store.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
    /// The daemon.
    #[error(transparent)]
    Daemon(#[from] crate::daemon::DaemonError),
    /// A rehearsal.
    #[error(transparent)]
    Rehearsal(#[from] crate::rehearse::RehearsalError),
    /// An export.
    #[error(transparent)]
    Export(crate::report::export::ExportError),
    /// A chart.
    #[error("cannot draw the chart: {0}")]
    Chart(#[from] crate::chart::ChartError),
    /// Anything of the system.
    #[error("cannot {doing}: {source}")]
    System {
        /// What.
        doing: String,
        /// Why.
        source: std::io::Error,
    },
    /// Anything else, as a sentence.
    #[error("{0}")]
    Sentence(String),
}

impl From<crate::report::export::ExportError> for Failure {
    fn from(error: crate::report::export::ExportError) -> Failure {
        match error {
            // So that a closed pipe is known for what it is.
            crate::report::export::ExportError::Write(source) => Failure::system("write the export")(source),
            other => Failure::Export(other),
        }
    }
}

impl Failure {
    pub(super) fn system(doing: impl Into<String>) -> impl FnOnce(std::io::Error) -> Failure {
        let doing = doing.into();
        move |source| Failure::System { doing, source }
    }
}

pub(super) fn settings(path: &Path) -> Result<Config, Failure> {
    Ok(config::load(path)?)
}

pub(super) fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{}", text.trim_end()).map_err(Failure::system("write to standard output"))
}
