//! A night judged again: under two sets of settings side by side, and by its minute means.

use std::path::Path;
use std::sync::Arc;
use traywarden::config::Config;
use traywarden::demo::nights;
use traywarden::demo::story::Story;
use traywarden::engine::Engine;
use traywarden::engine::event::{Event, LetterKind, What};
use traywarden::intake::payload::{Decoded, decode};
use traywarden::rehearse::beside::{Night, differences};
use traywarden::rehearse::recorded::{Grain, Recording, rehearse};
use traywarden::store::{Record, Store};

fn settings(story: &Story, more: &str) -> Config {
    let text = format!("{}\n{more}", story.config_text(1883, "/nowhere/traywarden.db", "/nowhere/letters"));
    traywarden::config::parse(&text, story.name, Path::new("/nowhere")).expect("the settings are right")
}

fn captured(story: &Story, folder: &Path) -> Recording {
    let path = folder.join("night.ndjson");
    std::fs::write(&path, story.capture().collect::<Vec<_>>().join("\n")).expect("writable");
    Recording::Capture(path)
}

/// The night as the daemon keeps it, its minutes rolled up.
fn stored(story: &Story, config: &Config, folder: &Path) -> impl Fn(Grain) -> Recording + use<> {
    let messages = story.play().messages;
    let (first, last) = (messages.first().expect("a message").at, messages.last().expect("a message").at);
    let path = folder.join("night.db");
    let (mut store, _) = Store::open(&path, &config.rules, first).expect("a store");
    let mut engine = Engine::new(Arc::new(config.rules.clone()), first);
    let (mut records, mut seq, mut number) = (Vec::new(), 0, 0);
    for message in messages {
        let events = match decode(&config.topics, &message.topic, &message.payload, message.retained, message.at) {
            Decoded::Events(events) => events,
            Decoded::Entry(entry) => {
                number += 1;
                vec![What::Journal { number, entry: *entry }]
            }
        };
        for what in events {
            let event = Event { at: message.at, what };
            let effects = engine.handle(event.clone());
            seq += 1;
            records.push(Record::of(event, seq, effects));
        }
    }
    store.commit(&records).expect("a commit");
    store.roll_up_minutes(last).expect("minute means");
    move |grain| Recording::Store { path: path.clone(), since: first, until: last + chrono::TimeDelta::hours(1), grain }
}

#[test]
fn two_settings_are_compared_alarm_by_alarm() {
    let story = nights::named("heater-out-winter").expect("a story");
    let folder = tempfile::tempdir().expect("a folder");
    let recording = captured(&story, folder.path());
    let (this, later) = (settings(&story, ""), settings(&story, "[alarm.air-too-cold]\non_delay = \"9 h\"\n"));
    fn reported<'a>(config: &'a Config, recording: &Recording) -> Night<'a> {
        let mut night = Night::new(&config.rules);
        rehearse(config, recording, &mut night).expect("a rehearsal");
        night
    }
    let (one, same, other) = (reported(&this, &recording), reported(&this, &recording), reported(&later, &recording));
    assert!(!one.episodes.is_empty());
    assert_eq!(differences(&one, &same), []);
    let found = differences(&one, &other);
    let cold = found
        .iter()
        .find(|difference| difference.this.as_ref().is_some_and(|mine| mine.alarm.kind.word() == "air-too-cold"))
        .expect("the cold is told at another time");
    let mine = cold.this.as_ref().expect("told");
    let letter = mine.reported.as_ref().expect("a letter told of it");
    assert_eq!(letter.kind, LetterKind::Alarm);
    match &cold.that {
        Some(theirs) => assert!(theirs.raised_at > mine.raised_at, "{cold:?}"),
        None => assert!(!other.episodes.iter().any(|episode| episode.alarm == mine.alarm)),
    }
}

#[test]
fn by_its_minutes_a_night_is_told_as_by_its_readings() {
    for name in ["fan-out-at-22", "fast-leak", "calm-week"] {
        let story = nights::named(name).expect("a story");
        let folder = tempfile::tempdir().expect("a folder");
        let config = settings(&story, "");
        let recording = stored(&story, &config, folder.path());
        let reported = |grain| {
            let mut night = Night::new(&config.rules);
            let summary = rehearse(&config, &recording(grain), &mut night).expect("a rehearsal");
            assert!(summary.readings.taken > 500, "{name}: {summary:?}");
            night
        };
        let (readings, minutes) = (reported(Grain::Readings), reported(Grain::Minutes));
        assert!(minutes.summary.readings.taken <= readings.summary.readings.taken);
        let kinds = |night: &Night<'_>| -> Vec<String> {
            let mut kinds: Vec<String> = night.episodes.iter().map(|episode| episode.alarm.id()).collect();
            kinds.sort();
            kinds.dedup();
            kinds
        };
        assert_eq!(kinds(&readings), kinds(&minutes), "{name}");
        for episode in &readings.episodes {
            let near = minutes
                .episodes
                .iter()
                .filter(|other| other.alarm == episode.alarm)
                .any(|other| (other.raised_at - episode.raised_at).abs() <= chrono::TimeDelta::minutes(10));
            assert!(near, "{name}: {episode:?}");
        }
    }
}

/// Records when the last letter was decided, beside the alarms' changes.
struct Latest(chrono::DateTime<chrono::Utc>);

impl traywarden::rehearse::Teller for &mut Latest {
    fn reported(
        &mut self,
        reported: traywarden::rehearse::Rehearsed<'_>,
    ) -> Result<(), traywarden::rehearse::RehearsalError> {
        let at = match reported {
            traywarden::rehearse::Rehearsed::Letter(facts) => facts.at,
            traywarden::rehearse::Rehearsed::Alarm(change) => change.at,
            traywarden::rehearse::Rehearsed::Refused { .. } => return Ok(()),
        };
        self.0 = self.0.max(at);
        Ok(())
    }

    fn ended(&mut self, _: &traywarden::rehearse::Summary) -> Result<(), traywarden::rehearse::RehearsalError> {
        Ok(())
    }
}

#[test]
fn no_letter_of_a_rehearsal_lies_beyond_the_time_it_was_asked_for() {
    let story = nights::named("fan-out-at-22").expect("a story");
    let folder = tempfile::tempdir().expect("a folder");
    let config = settings(&story, "");
    let recording = stored(&story, &config, folder.path())(Grain::Readings);
    let Recording::Store { path, since, until, grain } = recording else { unreachable!("it is a store") };
    let mut all = Latest(since);
    rehearse(&config, &Recording::Store { path: path.clone(), since, until, grain }, &mut all).expect("a rehearsal");
    assert!(all.0 > since, "the night has letters");
    // Asked for up to half a minute before its last word: whatever would come later is not known yet.
    let asked = all.0 - chrono::TimeDelta::seconds(30);
    let mut known = Latest(since);
    let summary = rehearse(&config, &Recording::Store { path, since, until: asked, grain }, &mut known).expect("one");
    assert!(known.0 <= asked, "told of {} when asked up to {asked}", known.0);
    assert!(summary.until <= asked.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true));
}
