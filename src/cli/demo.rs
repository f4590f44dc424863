//! `demo`: the whole job on an invented room. Simulated sensors publish to a real broker,
//! the real daemon is subscribed to it, and a fast clock lets two nights pass in about
//! two minutes. Everything it makes lies in one folder.

use super::run::runtime;
use super::{Answer, Failure, Outcome, print};
use crate::clock::Clock;
use crate::config;
use crate::daemon::{self, Happening};
use crate::demo::{broker, nights, publisher};
use crate::engine::Engine;
use crate::engine::alarm::{AlarmKey, AlarmState, Priority};
use crate::engine::event::{Command, LetterKind};
use crate::engine::rules::Site;
use crate::store::{Inbox, InboxKind, StoreError};
use crate::units::Timestamp;
use chrono::{TimeDelta, Timelike};
use clap::Args;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};

/// Where a broker usually listens.
const USUAL_PORT: u16 = 1883;

#[derive(Args)]
pub struct Demo {
    /// Where the config, the store and the letters go; made anew.
    #[arg(long, value_name = "FOLDER", default_value = "traywarden-demo")]
    folder: PathBuf,
    /// Simulated seconds in a real one.
    #[arg(long, default_value_t = publisher::DEMO_SPEED)]
    speed: f64,
    /// The port of a broker on this machine. If none listens there, one is started.
    #[arg(long, default_value_t = USUAL_PORT)]
    port: u16,
}

impl Demo {
    pub fn run(self) -> Outcome {
        if !(self.speed.is_finite() && (1.0..=5000.0).contains(&self.speed)) {
            return Err(Failure::Usage(format!("--speed must be between 1 and 5000, not {}", self.speed)));
        }
        let story = nights::demo();
        let letters = self.folder.join("letters");
        fresh_folder(&self.folder)?;
        let port = self.broker()?;
        // Relative paths are taken from where the settings lie, so the folder can be moved.
        let text = story.config_text(port, "traywarden.db", "letters");
        let config_file = self.folder.join("traywarden.toml");
        std::fs::write(&config_file, &text).map_err(Failure::system(format!("write {}", config_file.display())))?;
        let config = config::parse(&text, "the demo's settings", &self.folder)?;
        let minutes = (story.span.num_seconds() as f64 / self.speed / 60.0).max(0.1);
        print(&format!(
            "Saltmarsh Lane, an invented room: two racks, a tank, nobody there at night.\n\
             Two nights pass in about {minutes:.0} minutes. Letters become files in {}.\n",
            letters.display()
        ))?;
        let mut account = Account {
            site: config.rules.site.clone(),
            folder: letters.clone(),
            next_line: None,
            letters: 0,
            unanswered: BTreeSet::new(),
        };
        runtime()?.block_on(self.play(&story, config, port, &mut account))?;
        print(&format!(
            "\nThat was two nights and {} letters. Look at\n\
             \x20 the letters:  ls {}\n\
             \x20 the room:     traywarden --config {c} now\n\
             \x20 a night:      traywarden --config {c} history rack-b --since \"2026-03-03 17:00\" --until \"2026-03-04 09:00\" --chart rack-b.png\n\
             \x20 the settings: {c}\n\
             Then copy the settings, put in your own sensors, and start: traywarden --config FILE check",
            account.letters,
            letters.display(),
            c = config_file.display()
        ))?;
        Ok(Answer::Yes)
    }

    fn broker(&self) -> Result<u16, Failure> {
        if broker::find_broker(&format!("mqtt://127.0.0.1:{}", self.port)) {
            print(&format!("Using the broker that listens on 127.0.0.1:{}.", self.port))?;
            return Ok(self.port);
        }
        let started = broker::start_embedded(0).map_err(|error| Failure::Sentence(error.to_string()))?;
        print(&format!(
            "No broker on port {}, so a built-in test broker was started on 127.0.0.1:{} (it forgets everything \
             when it stops; a real room wants a real one).",
            self.port, started.port
        ))?;
        Ok(started.port)
    }

    async fn play(
        &self,
        story: &crate::demo::story::Story,
        config: config::Config,
        port: u16,
        account: &mut Account,
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
        let (ended, stop) = oneshot::channel::<()>();
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
        let mut observer = |happening: Happening<'_>| {
            if matches!(happening, Happening::BrokerUp)
                && let Some(connected) = connected.take()
            {
                let _ = connected.send(());
            }
            account.tell(&happening);
            if let Happening::Letter(letter) = &happening
                && letter.subject.starts_with("Still:")
            {
                for alarm in std::mem::take(&mut account.unanswered) {
                    let _ = answers.send((letter.at, alarm));
                }
            }
        };
        let daemon = daemon::run(
            config,
            clock,
            async {
                // A sender that was dropped asks for the end as well.
                let _ = stop.await;
                daemon::Leave::Stop
            },
            &mut observer,
        );
        let sensors = async {
            let outcome = sensors.await;
            let _ = ended.send(());
            outcome
        };
        let (watched, published) = tokio::join!(daemon, sensors);
        grower.abort();
        watched?;
        published
    }
}

/// The plain account on the terminal.
struct Account {
    site: Site,
    folder: PathBuf,
    next_line: Option<Timestamp>,
    letters: u32,
    unanswered: BTreeSet<AlarmKey>,
}

impl Account {
    fn tell(&mut self, happening: &Happening<'_>) {
        if let Happening::Alarm(change, _) = happening {
            if (change.state, change.priority) == (AlarmState::Unacknowledged, Priority::Now) {
                self.unanswered.insert(change.key.clone());
            } else {
                self.unanswered.remove(&change.key);
            }
        }
        let line = match happening {
            Happening::Alarm(change, text) => {
                let what = match (change.state, change.priority) {
                    (AlarmState::Unacknowledged, Priority::Now) => "ALARM",
                    (AlarmState::Unacknowledged, Priority::NextRound) => "for the next round",
                    (AlarmState::Unacknowledged, Priority::Digest) => "for the digest",
                    (AlarmState::ReturnedUnacknowledged | AlarmState::Normal, _) => "over",
                    (AlarmState::Acknowledged, _) => "the grower has seen it",
                    (AlarmState::Shelved | AlarmState::OutOfService, _) => "silenced",
                };
                format!("{}  {what}: {text}", self.time(change.at))
            }
            Happening::Letter(letter) => {
                self.letters += 1;
                let kind = match letter.kind {
                    LetterKind::Alarm => "letter now",
                    LetterKind::Round => "letter for the round",
                    LetterKind::Digest => "daily digest",
                };
                format!("{}  {kind} -> {}: \"{}\"", self.time(letter.at), self.folder.display(), letter.subject)
            }
            Happening::BrokerDown(error) => format!("               the broker: {error}"),
            Happening::Time(engine) => match self.progress(engine) {
                Some(line) => line,
                None => return,
            },
            Happening::Ready { .. } | Happening::BrokerUp | Happening::Journal(..) => return,
        };
        // Losing the terminal must not stop the watch.
        let _ = print(&line);
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

fn acknowledge(store: &Path, at: Timestamp, alarm: AlarmKey) -> Result<(), StoreError> {
    let command = Command::Acknowledge { alarm, by: "the grower".to_owned() };
    // A command of ours always has a JSON form.
    let body = serde_json::to_string(&command).unwrap_or_default();
    Inbox::open(store)?.put(at, InboxKind::Command, &body)?;
    Ok(())
}

fn fresh_folder(folder: &Path) -> Result<(), Failure> {
    // Only what an earlier demo made is taken away.
    for name in ["traywarden.db", "traywarden.db-wal", "traywarden.db-shm", "traywarden.toml"] {
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
