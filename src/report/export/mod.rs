//! Copies for other programs and for people: tables as CSV or as one SQLite file, what
//! is due as a calendar, and a record of the air to print and sign. In reading order:
//! `table` says which columns there are, `csv` and `sqlite` write them, `calendar`,
//! `record` and `record_page` make the rest. What goes where is typed at `cli::export`.

pub mod calendar;
pub mod csv;
pub mod record;
pub(crate) mod record_page;
pub mod table;
pub mod sqlite;
#[cfg(test)]
mod tests;

use crate::store::StoreError;
use std::path::PathBuf;

/// Why an export could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The copy could not be written.
    #[error("the export cannot be written: {0}; check that there is room and that you may write there")]
    Write(#[from] std::io::Error),
    /// The copy could not be written as SQLite.
    #[error("{}: the export cannot be written: {source}; check that there is room and that you may write there", path.display())]
    Sqlite {
        /// The copy's file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// A picture in it could not be drawn.
    #[error("the export's chart cannot be drawn: {0}")]
    Chart(#[from] crate::chart::ChartError),
}
