//! `rehearse`: a recorded night through the present settings.

use super::{Answer, Failure, Outcome, settings, when};
use crate::clock::Clock;
use crate::rehearse;
use clap::Args;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub struct Rehearse {
    /// A recording: one JSON object a line, as `mosquitto_sub -F %j` prints it.
    #[arg(long, value_name = "FILE", required_unless_present = "store", conflicts_with = "store")]
    capture: Option<PathBuf>,
    /// A store of the daemon.
    #[arg(long, value_name = "DB")]
    store: Option<PathBuf>,
    /// From when, with --store: "30 days" ago, "2026-03-03 17:00", or RFC 3339.
    #[arg(long, default_value = "30 days")]
    since: String,
    /// Until when, with --store.
    #[arg(long, default_value = "now")]
    until: String,
    /// Print one JSON object a line.
    #[arg(long)]
    json: bool,
}

impl Rehearse {
    pub fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let out = BufWriter::new(std::io::stdout().lock());
        match (&self.capture, &self.store) {
            (Some(capture), _) => rehearse::capture(&config, capture, out, self.json)?,
            (None, Some(store)) => {
                let now = Clock::system().now();
                let zone = config.rules.site.time_zone;
                let since = when::instant(&self.since, zone, now)?;
                let until = when::instant(&self.until, zone, now)?;
                rehearse::store(&config, store, since, until, out, self.json)?
            }
            (None, None) => return Err(Failure::Usage("say what to rehearse: --capture FILE or --store DB".into())),
        };
        Ok(Answer::Yes)
    }
}
