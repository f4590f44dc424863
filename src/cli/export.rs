//! `export`: copies for other programs and for people, as CSV, SQLite, iCalendar or a page
//! to print. A copy appears under its name only when it is whole.

use super::file::{Replace, part_of};
use super::{Answer, Failure, Outcome, settings, when};
use crate::clock::Clock;
use crate::config::Config;
use crate::report::export::calendar::{Edition, calendar};
use crate::report::export::table::{ExportSpan, ExportTable};
use crate::report::export::{csv, record, record_page, sqlite};
use crate::store::Reader;
use crate::units::Timestamp;
use chrono::TimeDelta;
use clap::{Args, ValueEnum};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Export {
    /// What to copy.
    what: Exported,
    /// The file to write; "-" is standard output.
    #[arg(long, value_name = "FILE")]
    to: PathBuf,
    #[command(flatten)]
    replace: Replace,
    /// From when: "30 days" ago, "2026-03-03 17:00", or RFC 3339. All there is if not said;
    /// for the record the last 30 days.
    #[arg(long)]
    since: Option<String>,
    /// Until when, in the same forms.
    #[arg(long, default_value = "now")]
    until: String,
    /// In the calendar: let the phone ring so long before, such as "30 min".
    #[arg(long, value_name = "SPAN")]
    remind: Option<String>,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Exported {
    /// Every reading as heard and believed, as CSV.
    Readings,
    /// Minute means, as CSV.
    Minutes,
    /// What was done, as CSV.
    Journal,
    /// Every change of every alarm, as CSV.
    Alarms,
    /// These four as tables of one SQLite file.
    Sqlite,
    /// What is due for each growing tray, as iCalendar for a phone.
    Calendar,
    /// The air of each place day by day, to print and sign. No food-safety instrument.
    Record,
}

/// A record covers this much if nothing is said. Own default.
const RECORD_SPAN: TimeDelta = TimeDelta::days(30);

impl Export {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let zone = config.rules.site.time_zone;
        let now = Clock::system().now();
        let until = when::instant(&self.until, zone, now)?;
        let since = match &self.since {
            Some(since) => when::instant(since, zone, now)?,
            None if self.what == Exported::Record => until - RECORD_SPAN,
            None => Timestamp::UNIX_EPOCH,
        };
        if until <= since {
            return Err(Failure::Usage("--until must lie after --since".into()));
        }
        let remind = self.remind.as_deref().map(when::span).transpose()?;
        let reader = Reader::open(&config.store.path, &config.rules)?;
        let span = ExportSpan { since, until, rules: &config.rules };
        if self.to.as_os_str() == "-" {
            return match self.what {
                Exported::Sqlite => Err(Failure::Usage("an SQLite file needs a name: --to FILE".into())),
                what => {
                    let mut out = BufWriter::new(std::io::stdout().lock());
                    write(what, &reader, span, now, remind, &mut out)?;
                    out.flush().map_err(Failure::system("write to standard output"))?;
                    Ok(Answer::Yes)
                }
            };
        }
        refuse_the_store(&config, &self.to)?;
        self.replace.fill(&self.to, |file| {
            if self.what == Exported::Sqlite {
                // SQLite takes an empty file for a new one.
                return Ok(sqlite::write(&reader, &reader.moment()?, span, &part_of(&self.to))?);
            }
            let mut out = BufWriter::new(file);
            write(self.what, &reader, span, now, remind, &mut out)?;
            out.flush().map_err(Failure::system(format!("write {}", self.to.display())))
        })?;
        eprintln!("Written to {}.", self.to.display());
        Ok(Answer::Yes)
    }
}

fn write(
    what: Exported,
    reader: &Reader,
    span: ExportSpan<'_>,
    now: Timestamp,
    remind: Option<TimeDelta>,
    out: &mut impl Write,
) -> Result<(), Failure> {
    let text = match what {
        Exported::Readings => return Ok(csv::write(ExportTable::Readings, reader, &reader.moment()?, span, out)?),
        Exported::Minutes => return Ok(csv::write(ExportTable::Minutes, reader, &reader.moment()?, span, out)?),
        Exported::Journal => return Ok(csv::write(ExportTable::Journal, reader, &reader.moment()?, span, out)?),
        Exported::Alarms => return Ok(csv::write(ExportTable::Alarms, reader, &reader.moment()?, span, out)?),
        Exported::Sqlite => return Err(Failure::Usage("an SQLite file needs a name: --to FILE".into())),
        Exported::Calendar => {
            let lines = reader.journal(Timestamp::UNIX_EPOCH)?;
            let revision = lines.last().map_or(0, |line| line.number);
            calendar(span.rules, &lines, Edition { now, revision, remind })
        }
        Exported::Record => {
            let record = record::gather(reader, span.rules, span.since, span.until)?;
            record_page::page(span.rules, &record, now)?
        }
    };
    out.write_all(text.as_bytes()).map_err(Failure::system("write the export"))
}

/// The copy must not be written over what it is a copy of.
fn refuse_the_store(config: &Config, to: &Path) -> Result<(), Failure> {
    let store = &config.store.path;
    let beside = ["", "-wal", "-shm", ".part"].map(|ending| with_ending(store, ending));
    let same = |one: &Path, other: &Path| match (one.canonicalize(), other.canonicalize()) {
        (Ok(one), Ok(other)) => one == other,
        _ => one == other,
    };
    if beside.iter().any(|file| same(file, to)) {
        return Err(Failure::Usage(format!("{} belongs to the store itself; give --to another name", to.display())));
    }
    Ok(())
}

fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_export_never_goes_over_the_store() {
        let example = crate::config::parse(crate::config::example(), "example.toml", Path::new("/"));
        let config = example.expect("the example is right");
        let store = &config.store.path;
        for ending in ["", "-wal", "-shm"] {
            assert!(refuse_the_store(&config, &with_ending(store, ending)).is_err(), "{ending}");
        }
        assert!(refuse_the_store(&config, &with_ending(store, ".csv")).is_ok());
    }
}
