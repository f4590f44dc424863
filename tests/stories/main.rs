//! Invented nights, played by simulated physics that knows nothing of the engine, run
//! through the rehearsal. Each story says what a good watch makes of it; the test
//! prints every promise that was not kept.

use chrono::{DateTime, Utc};
use serde_json::Value;
use std::path::Path;
use traywarden::demo::nights;
use traywarden::demo::story::{Must, Story};
use traywarden::intake::payload;
use traywarden::rehearse::Rehearsal;
use traywarden::rehearse::printed::Printed;

fn reported(story: &Story) -> Vec<Value> {
    let text = story.config_text(1883, "/nowhere/traywarden.db", "/nowhere/letters");
    let config = traywarden::config::parse(&text, story.name, Path::new("/nowhere"))
        .unwrap_or_else(|problems| panic!("the config of {}:\n{problems}", story.name));
    let mut out = Vec::new();
    let mut rehearsal = Rehearsal::new(&config, Printed::new(&config.rules, &mut out, true));
    for message in story.play().messages {
        let (topic, bytes) = (&message.topic, &message.payload);
        let decoded = payload::decode(&config.topics, topic, bytes, message.retained, message.at);
        rehearsal.decoded(message.at, decoded).expect("memory can be written");
    }
    rehearsal.finish().expect("memory can be written");
    let text = String::from_utf8(out).expect("JSON is UTF-8");
    if let Ok(folder) = std::env::var("STORIES") {
        std::fs::create_dir_all(&folder).expect("the folder for stories");
        std::fs::write(Path::new(&folder).join(format!("{}.ndjson", story.name)), &text).expect("writable");
    }
    text.lines().map(|line| serde_json::from_str(line).expect("a JSON line")).collect()
}

fn time(value: &Value) -> DateTime<Utc> {
    value["at"].as_str().expect("every line has its time").parse().expect("RFC 3339")
}

fn kept(lines: &[Value], due: &Must) -> Result<(), String> {
    let raised = lines.iter().filter(|line| {
        line["event"] == "alarm"
            && matches!(line["state"].as_str(), Some("unacknowledged" | "acknowledged"))
            && due.any_of.iter().any(|kind| line["kind"] == kind.word())
            && due.subject.as_ref().is_none_or(|subject| line["subject"] == subject.as_str())
            && (!due.wakes || line["priority"] == "now")
    });
    let times: Vec<DateTime<Utc>> = raised.map(time).collect();
    let kinds: Vec<&str> = due.any_of.iter().map(|kind| kind.word()).collect();
    match times.iter().find(|at| **at >= due.not_before) {
        Some(at) if *at <= due.by => Ok(()),
        Some(at) => Err(format!("{kinds:?} about {:?} came at {at}, wanted by {}", due.subject, due.by)),
        None => Err(format!(
            "{kinds:?} about {:?} never came{}; wanted between {} and {} (too early: {times:?})",
            due.subject,
            if due.wakes { " as `now`" } else { "" },
            due.not_before,
            due.by
        )),
    }
}

fn broken_promises(story: &Story) -> Vec<String> {
    let lines = reported(story);
    let mut broken: Vec<String> = story.expected.must.iter().filter_map(|due| kept(&lines, due).err()).collect();
    for never in &story.expected.never {
        let came = lines.iter().find(|line| {
            line["event"] == "alarm"
                && line["kind"] == never.kind.word()
                && never.subject.as_ref().is_none_or(|subject| line["subject"] == subject.as_str())
        });
        if let Some(line) = came {
            broken.push(format!("must not come: {} {} {}", line["at"], line["kind"], line["text"]));
        }
    }
    if story.expected.nobody_woken {
        for line in lines.iter().filter(|line| line["event"] == "letter" && line["letter"] == "alarm") {
            broken.push(format!("woke somebody: {} {}", line["at"], line["subject"]));
        }
    }
    broken
}

#[test]
fn every_story_is_told_as_a_good_watch_would() {
    let only = std::env::var("STORY").ok();
    let mut all = Vec::new();
    for story in nights::all().iter().filter(|story| only.as_deref().is_none_or(|name| name == story.name)) {
        let broken = broken_promises(story);
        println!("{:<28} {}", story.name, if broken.is_empty() { "kept" } else { "BROKEN" });
        for promise in &broken {
            println!("    {promise}");
        }
        all.extend(broken.into_iter().map(|promise| format!("{}: {promise}", story.name)));
    }
    assert!(all.is_empty(), "{} promises broken:\n{}", all.len(), all.join("\n"));
}
