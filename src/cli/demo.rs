//! `demo`: the whole job on an invented room. Simulated sensors publish to a real broker,
//! the real daemon is subscribed to it, and a fast clock lets two nights pass in about
//! two minutes. Everything it makes lies in one folder.

mod page;

use super::run::runtime;
use super::{Answer, Failure, Outcome, print};
use crate::clock::Clock;
use crate::config;
use crate::daemon::{self, Observed};
use crate::demo::broker::DemoBroker;
use crate::demo::{nights, publisher};
use crate::engine::Engine;
use crate::engine::alarm::{AlarmKey, AlarmState, Priority};
use crate::engine::event::{Command, LetterKind};
use crate::engine::rules::Site;
use crate::notify::letter::Letter;
use crate::store::{Inbox, InboxKind, StoreError};
use crate::units::Timestamp;
use chrono::{TimeDelta, Timelike};
use clap::Args;
use std::collections::BTreeSet;
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};

#[derive(Args)]
pub(super) struct Demo {
    /// Where the config, the store and the letters go; made anew.
    #[arg(long, value_name = "FOLDER", default_value = "traywarden-demo")]
    folder: PathBuf,
    /// Simulated seconds in a real one.
    #[arg(long, default_value_t = publisher::DEMO_SPEED)]
    speed: f64,
    /// The port of 127.0.0.1 on which the demo's own broker listens; 0: any that is free.
    #[arg(long, default_value_t = 0)]
    port: u16,
}

impl Demo {
    pub(super) fn run(self) -> Outcome {
        if !(self.speed.is_finite() && (1.0..=5000.0).contains(&self.speed)) {
            return Err(Failure::Usage(format!("--speed must be between 1 and 5000, not {}", self.speed)));
        }
        let story = nights::demo();
        let letters = self.folder.join("letters");
        fresh_folder(&self.folder)?;
        let broker =
            DemoBroker::start(self.port, &self.folder).map_err(|error| Failure::Sentence(error.to_string()))?;
        print(&format!("A broker on 127.0.0.1:{}: {}.", broker.port, broker.what()))?;
        let port = broker.port;
        // Relative paths are taken from where the settings lie, so the folder can be moved.
        let page = page_address(config::USUAL_PAGE)
            .map_err(|error| Failure::Sentence(format!("no port of 127.0.0.1 is free for the demo's page: {error}")))?;
        let text = format!("{}\n[page]\nlisten = \"{page}\"\n", story.config_text(port, "traywarden.db", "letters"));
        let config_file = self.folder.join("traywarden.toml");
        std::fs::write(&config_file, &text).map_err(Failure::system(format!("write {}", config_file.display())))?;
        let config = config::parse(&text, "the demo's settings", &self.folder)?;
        let minutes = story.span.num_seconds() as f64 / self.speed / 60.0;
        let minutes = if minutes < 1.5 { "a minute".to_owned() } else { format!("{minutes:.0} minutes") };
        print(&format!(
            "Saltmarsh Lane, an invented room: two racks, a tank, nobody there at night.\n\
             Two nights pass in about {minutes}. Letters become files in {}.\n\
             The round sheet, as long as it plays: http://{page}/\n",
            letters.display()
        ))?;
        let mut account = Commentary {
            site: config.rules.site.clone(),
            next_line: None,
            letters: Vec::new(),
            unanswered: BTreeSet::new(),
        };
        runtime()?.block_on(self.play(&story, config, port, &mut account))?;
        drop(broker);
        let nights = self.folder.join("nights.html");
        std::fs::write(&nights, page::page(&account.site, &account.letters))
            .map_err(Failure::system(format!("write {}", nights.display())))?;
        print(&closing_lines(&this_program(), &self.folder, account.letters.len()))?;
        Ok(Answer::Yes)
    }

    async fn play(
        &self,
        story: &crate::demo::story::Story,
        config: config::Config,
        port: u16,
        account: &mut Commentary,
    ) -> Result<(), Failure> {
        let begin = tokio::time::Instant::now();
        let clock = Clock::fast(story.starts_at, self.speed);
        let (connected, wait_connected) = oneshot::channel();
        let mut connected = Some(connected);
        let (reported, _) = watch::channel(None);
        let sensors = async {
            // Readings published before anybody listens would be lost, as in a real room.
            if wait_connected.await.is_err() {
                return Err(Failure::Sentence("the daemon stopped before it was connected".into()));
            }
            publisher::publish(story, "127.0.0.1", port, begin, self.speed, &reported)
                .await
                .map_err(|error| Failure::Sentence(error.to_string()))?;
            // The last letters are on their way.
            tokio::time::sleep(Duration::from_secs_f64((150.0 / self.speed).max(0.12))).await;
            Ok(())
        };
        let (ended, stop) = mpsc::unbounded_channel();
        let (answers, mut to_answer) = mpsc::unbounded_channel();
        let store = config.store.path.clone();
        // The grower answers the first reminder, the way the `alarms` verb does.
        let grower = tokio::spawn(async move {
            while let Some((at, alarm)) = to_answer.recv().await {
                if let Err(error) = acknowledge(&store, at, alarm) {
                    eprintln!("note: the grower could not answer: {error}");
                }
            }
        });
        let mut observer = |happening: Observed<'_>| {
            if matches!(happening, Observed::BrokerUp)
                && let Some(connected) = connected.take()
            {
                let _ = connected.send(());
            }
            account.tell(&happening);
            if let Observed::Letter(letter) = &happening
                && letter.subject.starts_with("Still:")
            {
                for alarm in std::mem::take(&mut account.unanswered) {
                    let _ = answers.send((letter.at, alarm));
                }
            }
        };
        let daemon = daemon::run(config, clock, stop, &mut observer);
        let sensors = async {
            let outcome = sensors.await;
            let _ = ended.send(daemon::Leave::Stop);
            outcome
        };
        let (watched, published) = tokio::join!(daemon, sensors);
        grower.abort();
        watched?;
        published
    }
}

/// Where the demo's page is served: at the usual address, or at any free port where the watch of
/// a real room, or something else, has that.
fn page_address(usual: SocketAddr) -> std::io::Result<SocketAddr> {
    let free = TcpListener::bind(usual).or_else(|_| TcpListener::bind((usual.ip(), 0)))?;
    free.local_addr()
}

/// What to look at now: each line can be pasted into a shell and runs, from any folder.
fn closing_lines(program: &Path, folder: &Path, letters: usize) -> String {
    let folder = std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned());
    let word = |path: &Path| in_a_shell(&path.display().to_string());
    let (program, settings) = (word(program), word(&folder.join("traywarden.toml")));
    format!(
        "\nThat was two nights and {letters} letters. Open them in a browser:\n\n\
         \x20   {page}\n\n\
         Or paste, one line each:\n\n\
         \x20   {program} --config {settings} now\n\
         \x20   {program} --config {settings} history rack-b --since \"2026-03-03 17:00\" --until \"2026-03-04 09:00\" --chart {chart}\n\
         \x20   {program} --config {settings} alarms table\n\n\
         Your own room begins with a broker your sensors speak to; this hears them and writes the settings:\n\n\
         \x20   {program} listen --to my-room.toml",
        page = folder.join("nights.html").display(),
        chart = word(&folder.join("rack-b.png")),
    )
}

/// As it has to be typed: the bare name where the shell finds this very program by it.
fn this_program() -> PathBuf {
    let Ok(program) = std::env::current_exe() else { return PathBuf::from("traywarden") };
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path).map(|folder| folder.join("traywarden")).find(|found| found.is_file());
    let same = |found: &PathBuf| found.canonicalize().is_ok_and(|found| found == program);
    if found.as_ref().is_some_and(same) { PathBuf::from("traywarden") } else { program }
}

/// In quotes where a shell would part it.
fn in_a_shell(word: &str) -> String {
    let plain = |letter: char| letter.is_ascii_alphanumeric() || "/._-+:@".contains(letter);
    if word.chars().all(plain) { word.to_owned() } else { format!("'{}'", word.replace('\'', "'\\''")) }
}

/// As wide as "Tue 17:04 ".
const BESIDE_THE_TIME: &str = "          ";

/// The plain account on the terminal.
struct Commentary {
    site: Site,
    next_line: Option<Timestamp>,
    letters: Vec<Letter>,
    unanswered: BTreeSet<AlarmKey>,
}

impl Commentary {
    fn tell(&mut self, happening: &Observed<'_>) {
        if let Observed::Alarm(change, _) = happening {
            if (change.state, change.priority) == (AlarmState::Unacknowledged, Priority::Now) {
                self.unanswered.insert(change.key.clone());
            } else {
                self.unanswered.remove(&change.key);
            }
        }
        let line = match happening {
            Observed::Alarm(change, text) => {
                let what = match (change.state, change.priority) {
                    (AlarmState::Unacknowledged, Priority::Now) => "ALARM",
                    (AlarmState::Unacknowledged, Priority::NextRound) => "for the next round",
                    (AlarmState::Unacknowledged, Priority::Digest) => "for the digest",
                    (AlarmState::ReturnedUnacknowledged | AlarmState::Normal, _) => "over",
                    (AlarmState::Acknowledged, _) => "the grower has seen it",
                    (AlarmState::Shelved | AlarmState::OutOfService, _) => "silenced",
                };
                format!("{}  {what}: {}", self.time(change.at), begins(text))
            }
            Observed::Letter(letter) => {
                self.letters.push((*letter).clone());
                let kind = match letter.kind {
                    LetterKind::Alarm => "letter now",
                    LetterKind::Evening => "letter of the evening",
                    LetterKind::Over => "letter that it is over",
                    LetterKind::Round => "letter for the round",
                    LetterKind::Digest => "daily digest",
                };
                format!("{}  {kind}: \"{}\"", self.time(letter.at), letter.subject)
            }
            Observed::BrokerDown(error) => format!("{BESIDE_THE_TIME}the broker: {error}"),
            Observed::Time(engine) => match self.progress(engine) {
                Some(line) => line,
                None => return,
            },
            Observed::Ready { .. } | Observed::BrokerUp | Observed::Journal(..) => return,
        };
        // Losing the terminal must not stop the watch.
        let _ = print(&set_beside_its_time(&line, super::show::columns()));
    }

    /// A line every three hours of the room's time.
    fn progress(&mut self, engine: &Engine) -> Option<String> {
        let now = engine.now();
        if self.next_line.is_some_and(|next| now < next) {
            return None;
        }
        let local = now.with_timezone(&self.site.time_zone);
        let past = TimeDelta::minutes(i64::from(local.hour() % 3) * 60 + i64::from(local.minute()));
        self.next_line = Some(now - past + TimeDelta::hours(3));
        let snapshot = engine.snapshot();
        let mut parts: Vec<String> = snapshot
            .places
            .iter()
            .map(|place| {
                let air = super::show::temperature(&self.site, place.temperature);
                format!("{} {air} {}", place.name, super::show::percent(place.humidity))
            })
            .collect();
        parts.extend(
            snapshot.reservoirs.iter().map(|tank| format!("{} {}", tank.name, super::show::percent(tank.percent))),
        );
        Some(format!("{}  {}", self.time(now), parts.join(" | ")))
    }

    fn time(&self, at: Timestamp) -> String {
        at.with_timezone(&self.site.time_zone).format("%a %H:%M").to_string()
    }
}

/// "Tue 17:04  what was said", in lines of `width` columns that leave the time alone.
fn set_beside_its_time(line: &str, width: usize) -> String {
    let (time, words) = line.split_at_checked(BESIDE_THE_TIME.len()).unwrap_or((BESIDE_THE_TIME, line));
    let mut set = String::new();
    super::show::wrapped(&mut set, words, BESIDE_THE_TIME, width);
    format!("{time}{}", set.trim())
}

/// Its first two sentences: the whole of it stands in the letters.
fn begins(text: &str) -> &str {
    text.match_indices(". ").nth(1).map_or(text, |(end, _)| &text[..=end])
}

fn acknowledge(store: &Path, at: Timestamp, alarm: AlarmKey) -> Result<(), StoreError> {
    let command = Command::Acknowledge { alarm, by: "the grower".to_owned(), grade: None };
    // A command of ours always has a JSON form.
    let body = serde_json::to_string(&command).unwrap_or_default();
    Inbox::open(store)?.put(at, InboxKind::Command, &body)?;
    Ok(())
}

fn fresh_folder(folder: &Path) -> Result<(), Failure> {
    // Only what an earlier demo made is taken away.
    for name in [
        "traywarden.db",
        "traywarden.db-wal",
        "traywarden.db-shm",
        "traywarden.toml",
        "nights.html",
        "mosquitto.conf",
        "mosquitto.log",
    ] {
        let _ = std::fs::remove_file(folder.join(name));
    }
    if let Ok(letters) = std::fs::read_dir(folder.join("letters")) {
        for letter in letters.flatten().filter(|letter| letter.path().extension().is_some_and(|ending| ending == "eml"))
        {
            let _ = std::fs::remove_file(letter.path());
        }
    }
    std::fs::create_dir_all(folder.join("letters")).map_err(Failure::system(format!("make {}", folder.display())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_happens_is_set_beside_its_time() {
        let set = set_beside_its_time("Tue 17:04  over: A3 overdue: back to normal after 2 minutes.", 40);
        assert_eq!(set, "Tue 17:04 over: A3 overdue: back to\n          normal after 2 minutes.");
    }

    #[test]
    fn the_page_takes_a_free_port_where_its_usual_one_is_taken() {
        let taken = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let usual = taken.local_addr().expect("it is bound");
        let page = page_address(usual).expect("another free port");
        assert_ne!(page, usual);
        drop(taken);
        assert_eq!(page_address(usual).expect("it is free again"), usual);
    }

    #[test]
    fn closing_lines_can_be_pasted_as_they_stand() {
        let lines = closing_lines(Path::new("/opt/my tools/traywarden"), Path::new("/tmp/a demo"), 9);
        let pasted = "    '/opt/my tools/traywarden' --config '/tmp/a demo/traywarden.toml' now";
        assert!(lines.lines().any(|line| line == pasted), "{lines}");
        assert!(!lines.contains("FILE"), "{lines}");
        assert_eq!(in_a_shell("it's"), "'it'\\''s'");
    }
}
