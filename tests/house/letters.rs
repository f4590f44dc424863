//! A night's letters as who was asleep reads them, one beside the last.

use crate::night::Night;
use traywarden::engine::event::Command;

fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// From midnight until half past seven both racks cool down, as the heater is out; the broker, the tank and the sensors are well.
fn cold_night() -> Night {
    let mut night = Night::begins("2026-03-03 17:00");
    let begins = Night::at("2026-03-04 00:00");
    night.until_instant(begins);
    for tens in 1..=45 {
        for sensor in ["a1", "a2", "b1"] {
            night.says(sensor, 21.0 - 0.5 * f64::from(tens), 50.0);
        }
        night.until_instant(begins + chrono::TimeDelta::minutes(10 * i64::from(tens)));
    }
    night
}

#[test]
fn a_cold_night_is_told_by_what_was_and_is_and_where_to_look_first() {
    let night = cold_night();
    let letters = night.letters();
    let reminder = letters.iter().find(|(subject, _)| subject.starts_with("Still:")).expect("nobody answered");
    let text = words(&reminder.1);
    assert!(text.contains("Changed Rack A was at ") && text.contains("; Rack B was at "), "{text}");
    assert!(text.contains("Look first") && text.contains("thermostat"), "{text}");
    let (subject, digest) = letters.iter().find(|(subject, _)| subject.starts_with("Wed")).expect("the digest");
    assert!(subject.starts_with("Wed 4 Mar: Rack A, Rack B too cold, act now"), "{subject}");
    let digest = words(digest);
    assert!(digest.contains("Open: Rack A, Rack B too cold.") && !digest.contains("alarm is open"), "{digest}");
    assert!(digest.contains("Changed Rack A was at "), "what the last letter of the night had: {digest}");
}

#[test]
fn the_letter_after_a_round_says_so_and_is_no_first_reminder() {
    let mut night = cold_night();
    night.until("2026-03-04 08:30");
    let letters = night.letters();
    let (subject, text) = letters.last().expect("letters");
    let text = words(text);
    assert!(subject.starts_with("Still:"), "{subject}");
    assert!(text.contains("Again Nobody has answered, nor at the round that was due since."), "{text}");
    assert!(text.contains("Changed ") && !text.contains("reminder 1"), "{text}");
}

#[test]
fn what_ended_between_two_letters_is_said_to_be_over_in_the_next() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.says("tank", 300.0, 0.0).until("2026-03-03 22:00").says("b1", 36.0, 50.0).until("2026-03-03 22:20");
    night.says("tank", 100.0, 0.0).until("2026-03-03 22:40").says("b1", 21.0, 50.0).until("2026-03-04 02:00");
    let letters = night.letters();
    let last_named = letters.iter().rposition(|(_, text)| text.contains("Too warm since")).expect("the heat was told");
    let next = words(&letters[last_named + 1].1);
    assert!(next.contains("TOLD BEFORE Over Rack B temperature, since 22:5"), "{next}");
    let after = letters.get(last_named + 2).map(|(_, text)| words(text)).unwrap_or_default();
    assert!(!after.contains("TOLD BEFORE"), "once is enough: {after}");
}

#[test]
fn what_only_the_digest_named_is_not_repeated_by_night() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.says("a1", 21.0, 78.0).says("a2", 21.0, 78.0).until("2026-03-04 22:00");
    assert!(night.letters().iter().any(|(_, text)| words(text).contains("Open: Rack A too damp")), "the digest");
    night.says("b1", 36.0, 50.0).until("2026-03-04 22:20");
    let (subject, text) = night.letters().last().expect("a call").clone();
    assert!(subject.starts_with("Now: Rack B too warm") && !text.contains("TOLD BEFORE"), "{subject} {text}");
}

#[test]
fn what_yesterdays_digest_had_open_is_told_as_over_by_todays() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-04 05:00").says("b1", 36.0, 50.0).until("2026-03-04 05:30");
    night.answers(|alarm, by| Command::Acknowledge { alarm, by, grade: None }, "air-too-warm:rack-b");
    night.until("2026-03-04 06:31");
    let open = night.letters().last().expect("the digest").clone();
    assert!(open.0.contains("Rack B too warm"), "{}", open.0);
    night.says("b1", 21.0, 50.0).until("2026-03-05 06:31");
    let (subject, text) = night.letters().last().expect("the next").clone();
    let text = words(&text);
    assert!(subject.contains("Rack B temperature, over"), "{subject}");
    assert!(text.contains("Over since yesterday 06:30: Rack B temperature."), "{text}");
}
