//! `trace`: the air one tray lived in, beside its healthy sisters.

use super::file::Replace;
use super::{Answer, Failure, Outcome, print, settings};
use crate::analysis::lives::lives;
use crate::clock::Clock;
use crate::engine::rules::Rules;
use crate::report::sheet;
use crate::report::trace::{self, TraceError};
use crate::store::Reader;
use crate::units::Timestamp;
use chrono::NaiveDate;
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct TraceVerb {
    /// The tray's name.
    tray: String,
    /// The local day it was sown, where a name was used more than once; else the newest.
    #[arg(long, value_name = "DATE")]
    sown: Option<NaiveDate>,
    /// Also write one HTML file that needs nothing else: for a phone at the rack, for paper.
    #[arg(long, value_name = "FILE.html")]
    html: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
    /// Print JSON: Celsius, per cent, kilopascals, hours, UTC.
    #[arg(long)]
    json: bool,
}

impl TraceVerb {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let reader = Reader::open(&config.store.path, &config.rules)?;
        let now = Clock::system().now();
        let found = trace::trace(&reader, &config.rules, &self.tray, self.sown, now);
        if let (Ok(found), Some(file)) = (&found, &self.html) {
            self.replace.may_write(file)?;
            self.replace.write(file, sheet_of(&reader, &config.rules, found, now)?.as_bytes())?;
        }
        match found {
            Ok(trace) if self.json => {
                let text = serde_json::to_string(&trace)
                    .map_err(|error| Failure::Sentence(format!("cannot write the trace as JSON: {error}")))?;
                print(&text)?;
                Ok(Answer::Yes)
            }
            Ok(found) => {
                print(&trace::text(&found, &config.rules))?;
                Ok(Answer::Yes)
            }
            Err(TraceError::Store(error)) => Err(error.into()),
            Err(unknown) => Err(Failure::Sentence(unknown.to_string())),
        }
    }
}

fn sheet_of(reader: &Reader, rules: &Rules, found: &trace::Trace, now: Timestamp) -> Result<String, Failure> {
    let lives = lives(rules, &reader.journal(Timestamp::UNIX_EPOCH)?);
    let Some(made) = trace::sheet(reader, rules, &lives, found, now)? else {
        return Err(Failure::Sentence(format!(
            "the journal changed while the sheet of {} was made; try again",
            found.tray
        )));
    };
    Ok(sheet::html(&made)?)
}
