//! What a verb ends with: an answer, or why it could not do its work. And what nearly every
//! verb does: read the settings, print.

use crate::config::{self, Config};
use std::io::Write;
use std::path::Path;

/// Where the settings are if nobody says otherwise.
pub(super) const DEFAULT_CONFIG: &str = "/etc/traywarden/traywarden.toml";

/// What a verb ends with.
pub(super) type Outcome = Result<Answer, Failure>;

/// What a verb that did its work answers.
pub(super) enum Answer {
    /// Done, and the answer is yes, or there was nothing to ask.
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
    /// The store cannot be opened, read or written.
    #[error(transparent)]
    Store(#[from] crate::store::StoreError),
    /// The watch could not begin, or ended in trouble.
    #[error(transparent)]
    Daemon(#[from] crate::daemon::DaemonError),
    /// A rehearsal cannot be read or written.
    #[error(transparent)]
    Rehearsal(#[from] crate::rehearse::RehearsalError),
    /// An export cannot be made.
    #[error(transparent)]
    Export(crate::report::export::ExportError),
    /// A chart cannot be drawn.
    #[error("cannot draw the chart: {0}")]
    Chart(#[from] crate::chart::ChartError),
    /// The system refuses a file, a folder or a terminal.
    #[error("cannot {doing}: {source}")]
    System {
        /// What we wanted of the system, as an infinitive.
        doing: String,
        /// What the system said.
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
