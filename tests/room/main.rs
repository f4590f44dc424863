//! The invented room itself: its physics is sane, its chance comes from one
//! seed, each story's truth holds, and its messages reach a real broker. What
//! the engine makes of the stories is tested in `tests/stories`.
//!
//! To rehearse the stories with the binary:
//! `CAPTURES=/tmp/nights cargo test --test room captures`, then
//! `traywarden rehearse --config /tmp/nights/NAME.toml --capture /tmp/nights/NAME.ndjson`.

mod broker;
mod physics;

use std::collections::BTreeSet;
use std::path::Path;
use traywarden::demo::nights;
use traywarden::demo::story::{Story, TrueHarm};

fn every_story() -> Vec<Story> {
    nights::all().into_iter().chain([nights::demo()]).collect()
}

/// Writes NAME.ndjson and NAME.toml of every story into a folder.
fn write_captures(folder: &Path) {
    std::fs::create_dir_all(folder).expect("the folder for captures");
    for story in every_story() {
        let lines: Vec<String> = story.capture().collect();
        std::fs::write(folder.join(format!("{}.ndjson", story.name)), lines.join("\n") + "\n").expect("writable");
        let store = folder.join(format!("{}.db", story.name));
        let config = story.config_text(1883, &store.to_string_lossy(), &folder.join("letters").to_string_lossy());
        std::fs::write(folder.join(format!("{}.toml", story.name)), config).expect("writable");
    }
}

#[test]
fn captures_and_configs_can_be_written_for_rehearse() {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let folder = std::env::var("CAPTURES").map_or(scratch.path().to_owned(), Into::into);
    write_captures(&folder);
    for story in every_story() {
        let text = std::fs::read_to_string(folder.join(format!("{}.ndjson", story.name))).expect("written");
        let mut before = String::new();
        for line in text.lines() {
            let line: serde_json::Value = serde_json::from_str(line).expect("one JSON object a line");
            let at = line["tst"].as_str().expect("tst is text");
            let at = chrono::DateTime::parse_from_str(at, "%Y-%m-%dT%H:%M:%S%.6f%z").expect("local time with offset");
            let at = at.to_utc().to_rfc3339();
            assert!(before <= at, "{}: {before} stands before {at}", story.name);
            before = at;
            assert!(line["topic"].is_string() && line["payload"].is_string() && line["qos"] == 1);
        }
    }
}

#[test]
fn a_capture_line_is_what_the_design_shows() {
    let line = nights::demo().capture().find(|line| line.contains("demo/rack-a/air")).expect("Rack A speaks");
    let start = r#"{"tst":"2026-03-03T17:00:"#;
    let middle = r#"-0600","topic":"demo/rack-a/air","qos":1,"retain":0,"payload":"{\"temperature\":"#;
    assert!(line.starts_with(start) && line.contains(middle), "{line}");
}

#[test]
fn the_configs_of_all_stories_are_accepted() {
    for story in every_story() {
        let text = story.config_text(1884, "/nowhere/it \"is\".db", "/nowhere/letters");
        let parsed = traywarden::config::parse(&text, story.name, Path::new("/nowhere"));
        let config = parsed.unwrap_or_else(|problems| panic!("{}:\n{problems}", story.name));
        assert_eq!(config.broker.port, 1884);
        let topics: BTreeSet<&str> = story.devices.iter().map(|device| device.topic.as_str()).collect();
        let listened: BTreeSet<&str> = config.topics.sensors.keys().map(String::as_str).collect();
        assert_eq!(topics, listened, "{}", story.name);
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    for story in every_story().into_iter().filter(|story| story.span < chrono::TimeDelta::hours(48)) {
        let (once, again) = (story.play(), story.play());
        assert!(once == again, "{}", story.name);
        let mut other = story.clone();
        other.seed += 1;
        assert!(once.messages != other.play().messages, "{}", story.name);
    }
}

#[test]
fn names_and_seeds_are_used_once() {
    let stories = every_story();
    let names: BTreeSet<&str> = stories.iter().map(|story| story.name).collect();
    let seeds: BTreeSet<u64> = stories.iter().map(|story| story.seed).collect();
    assert_eq!((names.len(), seeds.len()), (stories.len(), stories.len()));
}

#[test]
fn harm_comes_where_a_story_says_so_and_every_alarm_is_wanted_before_it() {
    for story in every_story() {
        let truths = story.play().truths;
        let harm = story.harm_begins(&truths);
        assert_eq!(harm.is_some(), story.expected.harm.is_some(), "{}: {harm:?}", story.name);
        for due in &story.expected.must {
            assert!(story.starts_at <= due.not_before && due.not_before < due.by, "{}", story.name);
            assert!(due.by <= story.ends_at(), "{} ends before {}", story.name, due.by);
            // The demo's harm is the tank's; its fan is another matter.
            if let Some(harm) = harm.filter(|_| due.wakes) {
                assert!(due.by < harm, "{}: wanted by {}, harm at {harm}", story.name, due.by);
            }
        }
        for never in &story.expected.never {
            let both = story.expected.must.iter().any(|due| {
                due.any_of.contains(&never.kind) && (never.subject.is_none() || never.subject == due.subject)
            });
            assert!(!both, "{}: {} both must and must not come", story.name, never.kind.word());
        }
    }
}

#[test]
fn the_tank_that_runs_dry_does_so_in_the_small_hours() {
    for (name, from, until) in [
        ("tank-dry-overnight", "2026-03-04T08:30:00Z", "2026-03-04T12:30:00Z"),
        ("demo", "2026-03-05T09:45:00Z", "2026-03-05T12:45:00Z"),
    ] {
        let story = nights::named(name).expect("the story");
        assert_eq!(story.expected.harm, Some(TrueHarm::TankAtInlet));
        let harm = story.harm_begins(&story.play().truths).expect("it runs dry").to_rfc3339();
        assert!(from <= harm.as_str() && harm.as_str() <= until, "{name}: {harm}");
    }
}

#[test]
fn calm_stories_stay_in_the_air_trays_like() {
    let calm =
        ["calm-week", "calm-week-untold", "spring-forward", "fall-back", "forgotten-under-cover", "held-and-twice"];
    for name in calm {
        let story = nights::named(name).expect("the story");
        for truth in story.play().truths {
            for air in &truth.places {
                assert!((19.0..24.0).contains(&air.temperature), "{name} {}: {air:?}", truth.at);
                assert!((38.0..66.0).contains(&air.humidity), "{name} {}: {air:?}", truth.at);
            }
            assert!(truth.driest_ml.is_none_or(|ml| ml > 200.0), "{name} {}: {:?}", truth.at, truth.driest_ml);
            assert!(truth.tank_depth > 60.0, "{name} {}: {}", truth.at, truth.tank_depth);
        }
    }
}
