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
    let story = nights::named("fan-out-at-22").expect("a story");
    let folder = tempfile::tempdir().expect("a folder");
    let recording = captured(&story, folder.path());
    let (this, later) = (settings(&story, ""), settings(&story, "[alarm.air-too-damp]\non_delay = \"3 h\"\n"));
    fn reported<'a>(config: &'a Config, recording: &Recording) -> Night<'a> {
        let mut night = Night::new(&config.rules);
        rehearse(config, recording, &mut night).expect("a rehearsal");
        night
    }
    let (one, same, other) = (reported(&this, &recording), reported(&this, &recording), reported(&later, &recording));
    assert!(!one.episodes.is_empty());
    assert_eq!(differences(&one, &same), []);
    let found = differences(&one, &other);
    let damp = found
        .iter()
        .find(|difference| difference.this.as_ref().is_some_and(|mine| mine.alarm.kind.word() == "air-too-damp"))
        .expect("the damp air is told at another time");
    let mine = damp.this.as_ref().expect("told");
    let letter = mine.reported.as_ref().expect("a letter told of it");
    assert_eq!(letter.kind, LetterKind::Alarm);
    match &damp.that {
        Some(theirs) => assert!(theirs.raised_at > mine.raised_at, "{damp:?}"),
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
