//! `rehearse`: a recorded night through the present settings, alone or beside others.

use super::show::{self, table};
use super::{Answer, Failure, Outcome, print, settings, when};
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::rules::Site;
use crate::rehearse::beside::{self, Difference, Night, RehearsedEpisode};
use crate::rehearse::printed::Printed;
use crate::rehearse::recorded::{Grain, Recording, rehearse};
use crate::rehearse::{RehearsalError, Summary};
use clap::Args;
use std::collections::BTreeSet;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Rehearse {
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
    /// With --store: by minute means instead of single readings. Faster, and reaches back
    /// beyond the readings that are kept; calibrations stay as they were then.
    #[arg(long, requires = "store")]
    minutes: bool,
    /// Other settings: show only what would have been told differently, and when.
    #[arg(long, value_name = "CONFIG")]
    beside: Option<PathBuf>,
    /// Print one JSON object a line.
    #[arg(long)]
    json: bool,
}

impl Rehearse {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let recording = self.recording(&config)?;
        if let Some(other) = &self.beside {
            return side_by_side([path, other], &config, &settings(other)?, &recording, self.json);
        }
        let out = BufWriter::new(std::io::stdout().lock());
        rehearse(&config, &recording, Printed::new(&config.rules, out, self.json))?;
        Ok(Answer::Yes)
    }

    fn recording(&self, config: &Config) -> Result<Recording, Failure> {
        match (&self.capture, &self.store) {
            (Some(capture), _) => Ok(Recording::Capture(capture.clone())),
            (None, Some(store)) => {
                let now = Clock::system().now();
                let zone = config.rules.site.time_zone;
                Ok(Recording::Store {
                    path: store.clone(),
                    since: when::instant(&self.since, zone, now)?,
                    until: when::instant(&self.until, zone, now)?,
                    grain: if self.minutes { Grain::Minutes } else { Grain::Readings },
                })
            }
            (None, None) => Err(Failure::Usage("say what to rehearse: --capture FILE or --store DB".into())),
        }
    }
}

/// Answers yes when both would have told the same.
fn side_by_side(
    paths: [&Path; 2],
    this: &Config,
    that: &Config,
    recording: &Recording,
    json: bool,
) -> Result<Answer, Failure> {
    let mut nights = [Night::new(&this.rules), Night::new(&that.rules)];
    let [mine, theirs] = &mut nights;
    let (one, other) = std::thread::scope(|threads| {
        let other = threads.spawn(|| rehearse(that, recording, theirs).map(|_| ()));
        let one: Result<(), RehearsalError> = rehearse(this, recording, mine).map(|_| ());
        (one, other.join())
    });
    one?;
    match other {
        Ok(done) => done?,
        Err(panic) => std::panic::resume_unwind(panic),
    }
    let [this_night, that_night] = &nights;
    let names = names(paths);
    let found = beside::differences(this_night, that_night);
    if json {
        let mut out = BufWriter::new(std::io::stdout().lock());
        beside::print_json(&mut out, [&names[0], &names[1]], [this_night, that_night])?;
    } else {
        print(&for_people(&this.rules.site, &names, [this_night, that_night], &found))?;
    }
    Ok(if found.is_empty() { Answer::Yes } else { Answer::No })
}

/// The file names, or the whole paths where these are the same.
fn names(paths: [&Path; 2]) -> [String; 2] {
    let short = paths.map(|path| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned());
    if short[0] == short[1] { paths.map(|path| path.display().to_string()) } else { short }
}

fn for_people(site: &Site, names: &[String; 2], nights: [&Night<'_>; 2], found: &[Difference]) -> String {
    let [this, that] = nights.map(|night| &night.summary);
    let mut sums = table(["", &names[0], &names[1]]);
    let mut row = |what: &str, count: &dyn Fn(&Summary) -> u64| {
        sums.add_row([what.to_owned(), count(this).to_string(), count(that).to_string()]);
    };
    row("readings taken", &|summary| summary.readings.taken);
    let letters: BTreeSet<&str> = this.letters.keys().chain(that.letters.keys()).copied().collect();
    for kind in letters {
        row(&format!("letters, {kind}"), &|summary| summary.letters.get(kind).copied().unwrap_or(0));
    }
    let kinds: BTreeSet<&str> = this.alarms.keys().chain(that.alarms.keys()).copied().collect();
    for kind in kinds {
        row(&format!("raised, {kind}"), &|summary| summary.alarms.get(kind).copied().unwrap_or(0));
    }
    let mut text = sums.to_string();
    if found.is_empty() {
        text.push_str("\n\nBoth would have told the same, at the same times.");
        return text;
    }
    text.push_str(&format!("\n\nWhat differs ({}):", found.len()));
    for difference in found {
        let alarm = [&difference.this, &difference.that].into_iter().flatten().next();
        let alarm = alarm.map_or(String::new(), |episode| episode.alarm.id());
        text.push_str(&format!("\n\n{}  {alarm}", show::local_date(site, difference.at())));
        for (name, episode) in names.iter().zip([&difference.this, &difference.that]) {
            text.push_str(&format!("\n  {name}: {}", reported(site, episode.as_ref())));
        }
    }
    text
}

fn reported(site: &Site, episode: Option<&RehearsedEpisode>) -> String {
    let Some(episode) = episode else {
        return "nothing.".to_owned();
    };
    let raised = format!("raised {}", show::local_date(site, episode.raised_at));
    match &episode.reported {
        Some(letter) => {
            format!("{raised}, {} letter {}: {}", letter.kind.word(), show::local_date(site, letter.at), letter.subject)
        }
        None => format!("{raised}, no letter but the digest's line: {}", episode.text),
    }
}
