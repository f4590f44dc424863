//! `log`: one entry into the journal, handed to the daemon through the store, so that it
//! works without the broker too.

use super::{Answer, Failure, Outcome, print, settings, when};
use crate::clock::Clock;
use crate::config::Config;
use crate::journal::Entry;
use crate::store::{Inbox, InboxKind, Reader, Store};
use crate::units::Timestamp;
use chrono::SecondsFormat;
use clap::Args;
use serde_json::{Map, Value};
use std::path::Path;
use std::time::Duration;

/// The daemon looks every second and commits at once, so its answer is looked for often,
/// and for eight seconds in all.
const LOOK_AGAIN_AFTER: Duration = Duration::from_millis(100);
/// See [`LOOK_AGAIN_AFTER`].
const LOOKS: u32 = 80;

#[derive(Args)]
pub struct Log {
    /// What was done: sow, unweight, uncover, light, water, mist, refill, move, look, harvest, discard, note, strike.
    did: Option<String>,
    /// The rest as key=value, such as tray=K12 place=rack-b crop=broccoli count=4, or blend.kale=8.
    facts: Vec<String>,
    /// When it was done, if not just now: "08:00", "2026-03-02 08:00", "3 h" ago, or RFC 3339.
    #[arg(long)]
    at: Option<String>,
    /// Who did it.
    #[arg(long)]
    by: Option<String>,
    /// The whole entry as one JSON object instead.
    #[arg(long, conflicts_with_all = ["did", "at", "by"])]
    json: Option<String>,
    /// List the journal instead.
    #[arg(long, conflicts_with_all = ["did", "json"])]
    list: bool,
}

impl Log {
    pub fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        if self.list {
            return list(&config);
        }
        let entry = self.entry(&config)?;
        let body = serde_json::to_string(&entry).map_err(|error| Failure::Sentence(error.to_string()))?;
        hand_over(&config, InboxKind::Journal, &body)
    }

    fn entry(&self, config: &Config) -> Result<Entry, Failure> {
        let value = match (&self.json, &self.did) {
            (Some(json), _) => serde_json::from_str(json)
                .map_err(|error| Failure::Usage(format!("the entry is no JSON object: {error}")))?,
            (None, Some(did)) => Value::Object(self.object(did, config)?),
            (None, None) => {
                return Err(Failure::Usage(
                    "say what was done, for example: traywarden log water place=rack-a ml_per_tray=118".into(),
                ));
            }
        };
        serde_json::from_value(value).map_err(|error| {
            Failure::Usage(format!("that entry makes no sense: {error}. For example: traywarden log sow tray=K12 place=rack-b crop=broccoli"))
        })
    }

    fn object(&self, did: &str, config: &Config) -> Result<Map<String, Value>, Failure> {
        let mut entry = Map::new();
        entry.insert("did".into(), Value::from(did));
        for fact in &self.facts {
            let Some((key, value)) = fact.split_once('=') else {
                return Err(Failure::Usage(format!("\"{fact}\" is no key=value, such as tray=K12")));
            };
            // Names that look like numbers stay names.
            let named = matches!(
                key,
                "tray" | "place" | "crop" | "seed_lot" | "medium" | "note" | "text" | "photo" | "reservoir" | "reason"
            );
            let number = value.parse::<f64>().ok().filter(|number| !named && number.is_finite());
            let value = match number {
                Some(number) if number.fract() == 0.0 && number.abs() < 1e15 => Value::from(number as i64),
                Some(number) => Value::from(number),
                None => Value::from(value),
            };
            match key.split_once('.') {
                Some((group, inner)) => {
                    let group = entry.entry(group).or_insert_with(|| Value::Object(Map::new()));
                    if let Some(group) = group.as_object_mut() {
                        group.insert(inner.to_owned(), value);
                    }
                }
                None => {
                    entry.insert(key.to_owned(), value);
                }
            }
        }
        if let Some(at) = &self.at {
            let at = when::instant(at, config.rules.site.time_zone, Clock::system().now())?;
            entry.insert("at".into(), Value::from(at.to_rfc3339_opts(SecondsFormat::Millis, true)));
        }
        if let Some(by) = &self.by {
            entry.insert("by".into(), Value::from(by.as_str()));
        }
        Ok(entry)
    }
}

/// Puts an item into the daemon's inbox and waits for its answer.
pub fn hand_over(config: &Config, kind: InboxKind, body: &str) -> Outcome {
    if !config.store.path.exists() {
        // The first entries may be written before the daemon first runs.
        let (store, _) = Store::open(&config.store.path, &config.rules, Clock::system().now())?;
        store.close()?;
    }
    let mut inbox = Inbox::open(&config.store.path)?;
    let id = inbox.put(Clock::system().now(), kind, body)?;
    for _ in 0..LOOKS {
        if let Some(answer) = inbox.answer(id)? {
            return match answer.strip_prefix("refused: ") {
                Some(why) => {
                    print(&format!("Refused. {why}"))?;
                    Ok(Answer::No)
                }
                None if answer.is_empty() || answer == "taken" => {
                    print("Taken.")?;
                    Ok(Answer::Yes)
                }
                None => {
                    print(&format!("Taken. {answer}"))?;
                    Ok(Answer::Yes)
                }
            };
        }
        std::thread::sleep(LOOK_AGAIN_AFTER);
    }
    print("Left for the daemon, which does not answer just now; it takes it when it runs.")?;
    Ok(Answer::Yes)
}

fn list(config: &Config) -> Outcome {
    let reader = Reader::open(&config.store.path, &config.rules)?;
    for line in reader.journal(Timestamp::UNIX_EPOCH)? {
        let body = serde_json::to_string(&line.entry).map_err(|error| Failure::Sentence(error.to_string()))?;
        let fate = match (&line.refused, line.struck_by) {
            (Some(why), _) => format!("  refused: {why}"),
            (None, Some(by)) => format!("  struck out by {by}"),
            _ => String::new(),
        };
        print(&format!("{:>5}  {}  {body}{fate}", line.number, super::show::local_date(&config.rules.site, line.at)))?;
    }
    Ok(Answer::Yes)
}
