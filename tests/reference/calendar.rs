//! The calendar for a phone, read back by Python's icalendar, which knows RFC 5545 from
//! elsewhere than we do.

use super::live::ask_about;
use traywarden::analysis::lives::lives;
use traywarden::config;
use traywarden::engine::rules::Rules;
use traywarden::report::export::calendar::{Edition, calendar};
use traywarden::store::JournalLine;
use traywarden::units::Timestamp;

fn rules() -> Rules {
    let room = config::example().replacen(
        "name = \"Rack A\"",
        "name = \"Rack A; top, left\\\\ – äußerst naß, nahe dem Fenster\"",
        1,
    );
    config::parse(&room, "example.toml", std::path::Path::new("/")).expect("the example is right").rules
}

fn at(text: &str) -> Timestamp {
    text.parse().expect("RFC 3339")
}

fn journal(entries: &[(&str, &str)]) -> Vec<JournalLine> {
    let line = |(number, (reported, entry)): (i64, &(&str, &str))| JournalLine {
        number,
        at: at(reported),
        entry: serde_json::from_str(entry).expect("an entry"),
        refused: None,
        struck_by: None,
        note: Vec::new(),
    };
    (1..).zip(entries).map(line).collect()
}

fn read_back(lines: &[JournalLine], now: &str) -> Vec<serde_json::Value> {
    let rules = rules();
    let edition = Edition { now: at(now), revision: lines.len() as i64, remind: Some(chrono::TimeDelta::minutes(30)) };
    let text = calendar(&rules, lines, edition);
    let answer = ask_about("icalendar", &text);
    let events: Vec<serde_json::Value> =
        answer.lines().map(|line| serde_json::from_str(line).expect("a JSON object")).collect();
    for event in &events {
        assert_eq!(event["broken"], serde_json::json!([]), "{text}");
    }
    events
}

const SOWN: (&str, &str) = (
    "2026-03-02T14:00:00Z",
    r#"{"did":"sow","tray":"K1, \"the\" one\\; Größe für das Regal am langen Fenster zur Straße hin","place":"rack-a","crop":"broccoli","count":4}"#,
);
const NAME: &str = "K1, \"the\" one\\; Größe für das Regal am langen Fenster zur Straße hin";

#[test]
fn icalendar_reads_back_every_word_and_time() {
    let events = read_back(&journal(&[SOWN]), "2026-03-02T15:00:00Z");
    let words =
        |key: &str| events.iter().map(|event| event[key].as_str().expect("text").to_owned()).collect::<Vec<_>>();
    let summaries =
        ["Weight off", "Uncover, to the light", "Cut"].map(|what| format!("{what}: {NAME} (broccoli, 4 trays)"));
    assert_eq!(words("summary"), summaries);
    assert_eq!(words("location"), ["Rack A; top, left\\ – äußerst naß, nahe dem Fenster"; 3]);
    let figures = &lives(&rules(), &journal(&[SOWN]))[0].tray.figures;
    let days = [figures.weight_off_day.expect("under weight"), figures.light_day, figures.harvest_day_from];
    for (found, day) in words("starts").iter().zip(days) {
        let wanted = at("2026-03-02T14:00:00Z") + chrono::TimeDelta::minutes((day * 1440.0) as i64);
        assert_eq!(at(found), wanted);
    }
    assert_eq!(words("stamp"), ["2026-03-02T15:00:00+00:00"; 3]);
    assert_eq!(words("status"), ["CONFIRMED"; 3]);
    assert!(events.iter().all(|event| event["alarms"] == serde_json::json!(["-PT30M"])), "{events:?}");
}

#[test]
fn a_later_edition_replaces_events_and_calls_off_those_of_a_lost_tray() {
    let before = read_back(&journal(&[SOWN]), "2026-03-02T15:00:00Z");
    let lost = format!("{{\"did\":\"discard\",\"tray\":{NAME:?},\"reason\":\"mold\"}}");
    let after = read_back(&journal(&[SOWN, ("2026-03-03T14:00:00Z", &lost)]), "2026-03-03T15:00:00Z");
    let all =
        |events: &[serde_json::Value], key: &str| events.iter().map(|event| event[key].clone()).collect::<Vec<_>>();
    assert_eq!(all(&after, "uid"), all(&before, "uid"));
    assert_eq!(all(&after, "status"), ["CANCELLED"; 3]);
    let sequence = |events: &[serde_json::Value]| events[0]["sequence"].as_i64().expect("a number");
    assert!(sequence(&after) > sequence(&before));
}
