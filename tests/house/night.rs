//! The stage: an invented room whose air and water a timetable sets, minute by minute,
//! and everything the engine said of it as lines of local time.

use chrono::{NaiveDateTime, TimeDelta, TimeZone};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use traywarden::config::Config;
use traywarden::engine::Engine;
use traywarden::engine::alarm::{AlarmChange, AlarmKey};
use traywarden::engine::event::{Command, Effect, Event, Occasion, What};
use traywarden::journal::{Did, Entry, Sowing};
use traywarden::notify::wording;
use traywarden::reading::{ChannelId, Quantity, RawReading};
use traywarden::store::{Record, Store};
use traywarden::units::Timestamp;

const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
rounds = ["07:00", "19:00"]
[broker]
url = "mqtt://127.0.0.1"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
folder = "/nowhere"
digest_at = "06:30"
[[place]]
id = "rack-a"
name = "Rack A"
[[place]]
id = "rack-b"
name = "Rack B"
"#;

/// A room that a timetable plays with.
pub struct Night {
    config: Config,
    engine: Engine,
    now: Timestamp,
    entries: i64,
    speaks: BTreeMap<String, (f64, f64)>,
    reported: Vec<String>,
    records: Vec<Record>,
}

impl Night {
    /// Rack A has the sensors `a1` and `a2`, Rack B has `b1`, the tank has a gauge `tank`;
    /// all speak once a minute, and all is well. `local` is `2026-03-03 17:00`.
    pub fn begins(local: &str) -> Night {
        Night::with_racks(local, &[("a1", "rack-a"), ("a2", "rack-a"), ("b1", "rack-b")], "")
    }

    /// The same with these air sensors, and more of the config.
    pub fn with_racks(local: &str, sensors: &[(&str, &str)], more: &str) -> Night {
        let mut text = ROOM.to_owned() + more;
        for (id, place) in sensors {
            text += &format!(
                "[[sensor]]\nid = \"{id}\"\nplace = \"{place}\"\ntopic = \"loft/{id}\"\nevery = \"60 s\"\n\
                 temperature = {{ pointer = \"/t\", unit = \"Cel\" }}\nhumidity = {{ pointer = \"/h\", unit = \"%RH\" }}\n"
            );
        }
        text += "[[reservoir]]\nid = \"tank\"\nname = \"Tank\"\nfeeds = [\"rack-a\", \"rack-b\"]\ntopic = \"loft/tank\"\n\
                 every = \"60 s\"\nreads = { what = \"depth\", unit = \"mm\" }\n\
                 shape = { kind = \"box\", length = \"400 mm\", width = \"300 mm\", height = \"300 mm\" }\n\
                 pump_inlet = \"20 mm\"\n";
        let config = traywarden::config::parse(&text, "stage", Path::new("/nowhere"))
            .unwrap_or_else(|problems| panic!("the stage's config: {problems}"));
        let now = instant(local);
        let mut speaks: BTreeMap<String, (f64, f64)> =
            sensors.iter().map(|(id, _)| ((*id).to_owned(), (21.0, 50.0))).collect();
        speaks.insert("tank".into(), (250.0, 0.0));
        let engine = Engine::new(Arc::new(config.rules.clone()), now);
        let mut night = Night { config, engine, now, entries: 0, speaks, reported: Vec::new(), records: Vec::new() };
        night.happens(What::BrokerUp);
        night
    }

    /// From now on this sensor says so: degrees and per cent, or millimetres of water.
    pub fn says(&mut self, sensor: &str, first: f64, second: f64) -> &mut Night {
        self.speaks.insert(sensor.to_owned(), (first, second));
        self
    }

    /// From now on this sensor says nothing.
    pub fn is_silent(&mut self, sensor: &str) -> &mut Night {
        self.speaks.remove(sensor);
        self
    }

    /// Time goes on, and every sensor that speaks does, once a minute.
    pub fn until(&mut self, local: &str) -> &mut Night {
        self.until_instant(instant(local))
    }

    /// The same, to an instant.
    pub fn until_instant(&mut self, end: Timestamp) -> &mut Night {
        while self.now + TimeDelta::minutes(1) <= end {
            self.now += TimeDelta::minutes(1);
            let minute = self.now.timestamp() / 60;
            for index in 0..self.config.rules.channels.len() {
                let channel = self.config.rules.channel(ChannelId(index as u16));
                let Some((first, second)) = self.speaks.get(&self.config.rules.sensor(channel.sensor).id) else {
                    continue;
                };
                // Live air is never quite still.
                let value = match channel.quantity {
                    Quantity::Humidity => second + (minute % 7) as f64 * 0.05,
                    Quantity::Temperature => first + (minute % 5) as f64 * 0.02,
                    _ => first + (minute % 3) as f64 * 0.2,
                };
                let raw = RawReading::new(ChannelId(index as u16), value, None, false).expect("a plain number");
                self.happens(What::Reading(raw));
            }
            self.happens(What::Tick);
        }
        self
    }

    /// Nobody watches until then; then the daemon starts and is connected.
    pub fn off_until(&mut self, local: &str) -> &mut Night {
        self.now = instant(local);
        self.happens(What::Started).happens(What::BrokerUp)
    }

    /// Something happens now.
    pub fn happens(&mut self, what: What) -> &mut Night {
        let event = Event { at: self.now, what };
        let effects = self.engine.handle(event.clone());
        self.keep(event, &effects);
        for effect in effects {
            if let Some((at, line)) = line(&effect, self.now) {
                let local = at.with_timezone(&self.config.rules.site.time_zone);
                self.reported.push(format!("{} {line}", local.format("%d %H:%M")));
            }
        }
        self
    }

    fn keep(&mut self, event: Event, effects: &[Effect]) {
        let seq = self.records.iter().rev().take_while(|record| record.event.at == event.at).count() as u32;
        let mut record = Record::of(event, seq, effects.to_vec());
        for effect in effects {
            if let Effect::Letter(facts) = effect {
                let letter = wording::letter(facts, &self.config.rules, Vec::new(), &Default::default());
                record.letters.push((letter, Vec::new()));
            }
        }
        self.records.push(record);
    }

    /// Every letter so far, its subject and its text.
    pub fn letters(&self) -> Vec<(String, String)> {
        let letters = self.records.iter().flat_map(|record| &record.letters);
        letters.map(|(letter, _)| (letter.subject.clone(), letter.text.clone())).collect()
    }

    /// Everything so far in a store of its own, as the daemon would have written it.
    pub fn stored(&mut self, path: &Path) -> (Config, Store) {
        self.config.store.path = path.to_owned();
        let (mut store, _) = Store::open(path, &self.config.rules, self.now).expect("a new store opens");
        store.commit(&self.records).expect("the nights can be written");
        store.roll_up_minutes(self.now).expect("minutes can be rolled up");
        (self.config.clone(), store)
    }

    /// The engine, to be asked.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// The grower tells the journal.
    pub fn logs(&mut self, did: Did) -> &mut Night {
        self.entries += 1;
        let entry = Entry { at: None, by: None, did };
        self.happens(What::Journal { number: self.entries, entry })
    }

    /// The room as the verbs see it.
    pub fn snapshot(&self) -> traywarden::engine::letters::snapshot::Snapshot {
        self.engine.snapshot()
    }

    /// The digest as it would be written now.
    pub fn digest(&self) -> traywarden::engine::letters::digest::DigestFacts {
        self.engine.digest_facts(false)
    }

    /// How a standing alarm is told now.
    pub fn words(&self, id: &str) -> String {
        traywarden::notify::wording::alarm_text(&self.standing(id), &self.config.rules.site)
    }

    /// The alarm with this id that stands now.
    pub fn standing(&self, id: &str) -> AlarmChange {
        let standing = self.engine.snapshot().alarms.into_iter().find(|change| change.key.id() == id);
        standing.unwrap_or_else(|| panic!("{id} does not stand"))
    }

    /// The grower tells the journal what was done so many days ago.
    pub fn logs_of_days_ago(&mut self, days: i64, did: Did) -> &mut Night {
        self.logs_of(self.now - TimeDelta::days(days), did)
    }

    /// The grower tells the journal what was done then.
    pub fn logs_of(&mut self, at: Timestamp, did: Did) -> &mut Night {
        self.entries += 1;
        let entry = Entry { at: Some(at), by: None, did };
        self.happens(What::Journal { number: self.entries, entry })
    }

    /// The grower answers the alarm with this id.
    pub fn answers(&mut self, command: impl Fn(AlarmKey, String) -> Command, id: &str) -> &mut Night {
        let key = AlarmKey::from_id(id).expect("a kind and a subject");
        self.happens(What::Command(command(key, "Wren".into())))
    }

    /// When that is, for a shelf's end.
    pub fn at(local: &str) -> Timestamp {
        instant(local)
    }

    /// Everything said so far in which one of these stands: `day hour:minute what`.
    pub fn reported(&self, any_of: &[&str]) -> Vec<&str> {
        self.reported.iter().map(String::as_str).filter(|line| any_of.iter().any(|word| line.contains(word))).collect()
    }

    /// The trays that grow, and the stage each is in.
    pub fn trays(&self) -> Vec<String> {
        self.engine.trays().growing().map(|tray| format!("{} {}", tray.name, tray.stage(self.now).word())).collect()
    }
}

fn instant(local: &str) -> Timestamp {
    let local = NaiveDateTime::parse_from_str(local, "%Y-%m-%d %H:%M").expect("year-month-day hour:minute");
    chrono_tz::America::Chicago.from_local_datetime(&local).earliest().expect("no skipped hour").to_utc()
}

fn line(effect: &Effect, now: Timestamp) -> Option<(Timestamp, String)> {
    Some(match effect {
        Effect::Judged(_) => return None,
        Effect::Alarm(change) => {
            let line = format!("{} {} {}", change.key.id(), change.state.word(), change.priority.word());
            (change.at, line)
        }
        Effect::Letter(facts) => {
            let about: Vec<String> = facts
                .alarms()
                .map(|(occasion, change)| {
                    let occasion = match occasion {
                        Occasion::Raised => "raised".to_owned(),
                        Occasion::Escalated => "escalated".to_owned(),
                        Occasion::Reminder(number) => format!("reminder {number}"),
                        Occasion::AfterRound => "after a round".to_owned(),
                        Occasion::Returned => "returned".to_owned(),
                        Occasion::Waiting => "waiting".to_owned(),
                    };
                    format!("{occasion} {}", change.key.id())
                })
                .collect();
            let digest = facts.digest.as_ref().map(|digest| {
                let late = if digest.late { " late" } else { "" };
                format!(" of {}{late}, {:.1} h unwatched", digest.date, digest.unwatched_hours)
            });
            (facts.at, format!("LETTER {}{} {}", facts.kind.word(), digest.unwrap_or_default(), about.join(" + ")))
        }
        Effect::EntryTaken { number, note } => (now, format!("entry {number} taken {note:?}")),
        Effect::EntryRefused { number, why } => (
            now,
            format!("entry {number} refused: {}", wording::entry_refused(why, traywarden::units::UnitSystem::Metric)),
        ),
        Effect::CommandRefused { why } => (now, format!("command refused: {}", wording::command_refused(why))),
    })
}

/// Four trays of broccoli are sown, without a word on seed or medium.
pub fn sow(tray: &str, place: &str) -> Did {
    Did::Sow(Sowing {
        tray: tray.into(),
        place: place.into(),
        crop: Some("broccoli".into()),
        blend: Default::default(),
        count: 4,
        seed_grams: None,
        seed_lot: None,
        medium: None,
    })
}
