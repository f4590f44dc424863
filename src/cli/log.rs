//! `log`: one entry into the journal, handed to the daemon through the store, so that it
//! works without the broker too.

use super::{Answer, Failure, Outcome, print, settings, when};
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::rules::Site;
use crate::journal::Entry;
use crate::notify::wording;
use crate::store::{Inbox, InboxKind, InboxOutcome, JournalLine, Reader, Store};
use crate::typed;
use crate::units::{Timestamp, tenths};
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

/// So many entries fill a terminal.
const LISTED: usize = 30;

#[derive(Args)]
pub(crate) struct Log {
    /// What was done: sow, unweight, uncover, light, water, mist, refill, move, look, harvest, discard, note, strike. Without it: examples of each.
    did: Option<String>,
    /// The rest, short (K12 rack-b broccoli 24g x6) or as key=value (tray=K12 count=6).
    facts: Vec<String>,
    /// When it was done, if not just now: "08:00", "2026-03-02 08:00", "3 h" ago, or RFC 3339.
    #[arg(long)]
    at: Option<String>,
    /// Who did it; without it the name you are logged in by.
    #[arg(long)]
    by: Option<String>,
    /// The whole entry as one JSON object instead.
    #[arg(long, conflicts_with_all = ["did", "at", "by"])]
    json: Option<String>,
    /// List the last entries with their numbers instead.
    #[arg(long, conflicts_with_all = ["did", "json"])]
    list: bool,
    /// With --list: the whole journal.
    #[arg(long, requires = "list")]
    all: bool,
}

impl Log {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        if self.list || self.did.as_deref() == Some("list") {
            return list(&config, self.all);
        }
        if self.did.is_none() && self.json.is_none() {
            print(&typed::entry::help())?;
            return Ok(Answer::Yes);
        }
        let entry = self.entry(&config)?;
        let body = serde_json::to_string(&entry).map_err(|error| Failure::Sentence(error.to_string()))?;
        hand_over(&config, InboxKind::Journal, &body, &wording::entry_understood(&entry, &config.rules, None, &[]))
    }

    fn entry(&self, config: &Config) -> Result<Entry, Failure> {
        let entry = match (&self.json, &self.did) {
            (Some(json), _) => typed::object::from_json(json),
            (None, did) => typed::object::from_object(self.object(did.as_deref().unwrap_or_default(), config)?),
        };
        entry.map_err(Failure::Usage)
    }

    fn object(&self, did: &str, config: &Config) -> Result<Map<String, Value>, Failure> {
        let is_place = |word: &str| config.rules.places.iter().any(|place| place.id.eq_ignore_ascii_case(word));
        let mut entry = typed::entry::entry(did, &self.facts, is_place).map_err(Failure::Usage)?;
        if let Some(at) = &self.at {
            let at = when::instant(at, config.rules.site.time_zone, Clock::system().now())?;
            entry.insert("at".into(), Value::from(at.to_rfc3339_opts(SecondsFormat::Millis, true)));
        }
        let by = self.by.clone().or_else(|| std::env::var("USER").ok()).filter(|by| !by.is_empty());
        if let Some(by) = by {
            entry.insert("by".into(), Value::from(by));
        }
        Ok(entry)
    }
}

/// Puts an item into the daemon's inbox and waits for its answer.
/// `understood`: what it says, for when the daemon does not answer.
pub(crate) fn hand_over(config: &Config, kind: InboxKind, body: &str, understood: &str) -> Outcome {
    if matches!(config.store.path.try_exists(), Ok(false)) {
        // The first entries may be written before the daemon first runs.
        let (store, _) = Store::open(&config.store.path, &config.rules, Clock::system().now())?;
        store.close()?;
    }
    let mut inbox = Inbox::open(&config.store.path)?;
    let id = inbox.put(Clock::system().now(), kind, body)?;
    for _ in 0..LOOKS {
        if let Some(answer) = inbox.answer(id)? {
            let outcome = InboxOutcome::of_answer(&answer);
            let words = outcome.words();
            return match outcome {
                InboxOutcome::Refused(why) => {
                    print(&format!("Refused. {why}"))?;
                    Ok(Answer::No)
                }
                InboxOutcome::Taken { .. } if words.is_empty() || words == "taken" => {
                    print("Taken.")?;
                    Ok(Answer::Yes)
                }
                InboxOutcome::Taken { .. } => {
                    print(&format!("Taken. {words}"))?;
                    Ok(Answer::Yes)
                }
            };
        }
        std::thread::sleep(LOOK_AGAIN_AFTER);
    }
    print(&format!("Left for the daemon, which does not answer just now; it takes it when it runs. {understood}"))?;
    Ok(Answer::Yes)
}

fn list(config: &Config, all: bool) -> Outcome {
    let reader = Reader::open(&config.store.path, &config.rules)?;
    let lines = reader.journal(Timestamp::UNIX_EPOCH)?;
    let skipped = if all { 0 } else { lines.len().saturating_sub(LISTED) };
    if skipped > 0 {
        print(&format!("{skipped} older entries: log --list --all"))?;
    }
    for line in &lines[skipped..] {
        print(&listed(line, &config.rules.site)?)?;
    }
    if lines.is_empty() {
        print("Nothing was logged yet. `traywarden log` shows how.")?;
    }
    Ok(Answer::Yes)
}

/// "   17  2026-03-02 08:00  Ada       sow tray=K12 place=rack-b ..".
fn listed(line: &JournalLine, site: &Site) -> Result<String, Failure> {
    let done = line.entry.at.unwrap_or(line.at);
    let body = serde_json::to_value(&line.entry).map_err(|error| Failure::Sentence(error.to_string()))?;
    let mut formatted = body["did"].as_str().unwrap_or_default().to_owned();
    for (key, value) in body.as_object().into_iter().flatten() {
        if matches!(key.as_str(), "did" | "at" | "by") {
            continue;
        }
        formatted.push_str(&match value {
            Value::String(text) if text.contains(' ') => format!(" {key}=\"{text}\""),
            Value::String(text) => format!(" {key}={text}"),
            Value::Object(kinds) => {
                let kinds =
                    kinds.iter().map(|(kind, grams)| format!("{kind}:{}g", tenths(grams.as_f64().unwrap_or_default())));
                format!(" {key}={}", kinds.collect::<Vec<_>>().join(","))
            }
            // To a tenth, which is what a scale or a jug shows.
            Value::Number(number) => format!(" {key}={}", number.as_f64().map_or_else(|| number.to_string(), tenths)),
            other => format!(" {key}={other}"),
        });
    }
    let fate = match (&line.refused, line.struck_by) {
        (Some(why), _) => format!("  (refused: {why})"),
        (None, Some(by)) => format!("  (struck out by {by})"),
        _ => String::new(),
    };
    let by = line.entry.by.as_deref().unwrap_or("-");
    Ok(format!("{:>5}  {}  {by:<8}  {formatted}{fate}", line.number, super::show::local_date(site, done)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_listed_entry_says_its_number_when_who_what_and_what_became_of_it() {
        let site = crate::config::parse(include_str!("../../config/traywarden.toml"), "room.toml", Path::new("/"))
            .expect("the shipped example is right")
            .rules
            .site;
        let entry = |text: &str| typed::object::from_json(text).expect("an entry");
        let line = |number, text: &str, refused: Option<&str>, struck_by| JournalLine {
            number,
            at: "2026-03-02T14:05:00Z".parse().expect("a time"),
            entry: entry(text),
            refused: refused.map(str::to_owned),
            struck_by,
            note: Vec::new(),
        };
        let sow = r#"{"did":"sow","by":"Ada","at":"2026-03-02T13:00:00Z","tray":"K12","place":"rack-a","blend":"kale,radish","seed_grams":24}"#;
        let listed = |line| listed(&line, &site).unwrap_or_else(|_| panic!("it can be listed"));
        assert_eq!(
            listed(line(1, sow, None, Some(3))),
            "    1  2026-03-02 07:00  Ada       sow blend=kale:12g,radish:12g count=1 place=rack-a seed_grams=24 tray=K12  (struck out by 3)"
        );
        assert_eq!(
            listed(line(2, r#"{"did":"look","tray":"Z9","note":"all even"}"#, Some("There is no tray."), None)),
            "    2  2026-03-02 08:05  -         look note=\"all even\" tray=Z9  (refused: There is no tray.)"
        );
    }
}
