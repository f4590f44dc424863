//! `trace`: the air one tray lived in, beside its healthy sisters.

use super::{Answer, Failure, Outcome, print, settings};
use crate::clock::Clock;
use crate::report::trace::{self, TraceError};
use crate::store::Reader;
use chrono::NaiveDate;
use clap::Args;
use std::path::Path;

#[derive(Args)]
pub struct Trace {
    /// The tray's name.
    tray: String,
    /// The local day it was sown, where a name was used more than once; else the newest.
    #[arg(long, value_name = "DATE")]
    sown: Option<NaiveDate>,
    /// Print JSON: Celsius, per cent, kilopascals, hours, UTC.
    #[arg(long)]
    json: bool,
}

impl Trace {
    pub fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let reader = Reader::open(&config.store.path, &config.rules)?;
        let now = Clock::system().now();
        match trace::trace(&reader, &config.rules, &self.tray, self.sown, now) {
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
