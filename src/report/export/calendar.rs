//! What is due for each growing tray as a calendar for a phone: iCalendar, RFC 5545,
//! written out here. Checked against Python's icalendar in tests/reference. (The Rust
//! library of that name, 0.17, reads the system clock and draws a new UID for every
//! reminder, so that each export would differ from the one before; and it leaves NAME
//! unescaped.)

use crate::analysis::lives::{End, Life, TrayFate, lives, struck_out};
use crate::engine::letters::digest::Due;
use crate::engine::rules::Rules;
use crate::store::JournalLine;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::fmt::Write;

/// What the calendar is made of beside the trays.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edition {
    /// When it is made.
    pub now: Timestamp,
    /// Grows with every change of the journal: of two editions a phone keeps the higher.
    /// The number of the newest journal entry serves.
    pub revision: i64,
    /// Ring so long before each thing that is due; `None`: never.
    pub remind: Option<TimeDelta>,
}

/// The calendar's bytes. An event a thing that is due and not done: weight off, uncover,
/// cut. Its UID is made of the tray, its sowing and the thing, so that importing a later
/// edition moves it instead of doubling it. What lay ahead of a tray when it ended, or when
/// its sowing was struck out, in the last month is in it as cancelled.
pub fn calendar(rules: &Rules, journal: &[JournalLine], edition: Edition) -> String {
    let lives = lives(rules, journal);
    let mut lines = ContentLines(String::new());
    lines.raw("BEGIN:VCALENDAR");
    lines.raw("VERSION:2.0");
    lines.raw(concat!("PRODID:-//traywarden//traywarden ", env!("CARGO_PKG_VERSION"), "//EN"));
    lines.raw("CALSCALE:GREGORIAN");
    let name = format!("{}: trays", rules.site.name);
    // RFC 7986, and what was in use before it.
    lines.text("NAME", &name);
    lines.text("X-WR-CALNAME", &name);
    for life in &lives {
        for (due, at) in plan(life) {
            match life.end.as_ref() {
                None => event(&mut lines, rules, life, (due, at), None, edition),
                Some(end) if end.at < at && edition.now - end.at < CANCELLED_FOR => {
                    event(&mut lines, rules, life, (due, at), Some(called_off(rules, end)), edition);
                }
                Some(_) => {}
            }
        }
    }
    for (life, struck_at) in struck_out(rules, journal) {
        // Sown again with the same name and time, only the rest was corrected.
        let lives_on = lives.iter().any(|other| uid(other, "") == uid(&life, ""));
        if lives_on || edition.now - struck_at >= CANCELLED_FOR {
            continue;
        }
        for due in plan(&life) {
            event(&mut lines, rules, &life, due, Some("This sowing was struck out.".to_owned()), edition);
        }
    }
    lines.raw("END:VCALENDAR");
    lines.0
}

/// A phone that is shown the calendar once a month still hears of a cancelled cut. Own default.
const CANCELLED_FOR: TimeDelta = TimeDelta::days(31);
/// How long an event is drawn on the phone. Own default.
const PEOPLE_IN_THE_ROOM: TimeDelta = TimeDelta::minutes(15);
/// RFC 5545, 3.1: a line should not be longer, without its end.
const LINE_OCTETS: usize = 75;

/// What the tray's stage and plan still ask for.
fn plan(life: &Life) -> Vec<(Due, Timestamp)> {
    let tray = &life.tray;
    let mut plan = Vec::new();
    let covered = tray.light_at.is_none();
    if covered && tray.unweighted_at.is_none() {
        plan.extend(tray.weight_off_at().map(|at| (Due::Unweight, at)));
    }
    if covered {
        plan.push((Due::Light, tray.light_due_at()));
    }
    plan.push((Due::Harvest, tray.harvest_from()));
    plan
}

fn event(
    lines: &mut ContentLines,
    rules: &Rules,
    life: &Life,
    (due, at): (Due, Timestamp),
    called_off: Option<String>,
    edition: Edition,
) {
    let tray = &life.tray;
    let (what, word) = match due {
        Due::Unweight => ("Weight off", "weight-off"),
        Due::Light => ("Uncover, to the light", "light"),
        Due::Harvest => ("Cut", "harvest"),
    };
    let trays = if tray.count == 1 { String::new() } else { format!(", {} trays", tray.count) };
    lines.raw("BEGIN:VEVENT");
    lines.text("UID", &uid(life, word));
    lines.raw(&format!("DTSTAMP:{}", utc(edition.now)));
    lines.raw(&format!("SEQUENCE:{}", edition.revision.clamp(0, i64::from(i32::MAX))));
    lines.raw(&format!("DTSTART:{}", utc(at)));
    lines.raw(&format!("DTEND:{}", utc(at + PEOPLE_IN_THE_ROOM)));
    lines.text("SUMMARY", &format!("{what}: {} ({}{trays})", tray.name, tray.crop));
    lines.text("LOCATION", &rules.place(tray.place).name);
    lines.text("DESCRIPTION", called_off.as_ref().unwrap_or(&description(rules, life, due)));
    // A reminder takes nobody's time from a calendar that others book.
    lines.raw("TRANSP:TRANSPARENT");
    lines.raw(if called_off.is_some() { "STATUS:CANCELLED" } else { "STATUS:CONFIRMED" });
    if let (Some(before), None) = (edition.remind, &called_off) {
        lines.raw("BEGIN:VALARM");
        lines.raw("ACTION:DISPLAY");
        lines.text("DESCRIPTION", &format!("{what}: {}", tray.name));
        lines.raw(&format!("TRIGGER:-PT{}M", before.num_minutes().max(0)));
        lines.raw("END:VALARM");
    }
    lines.raw("END:VEVENT");
}

fn local_day(rules: &Rules, at: Timestamp) -> String {
    at.with_timezone(&rules.site.time_zone).format("%a %-d %b").to_string()
}

fn called_off(rules: &Rules, end: &End) -> String {
    let how = if matches!(end.fate, TrayFate::Harvested { .. }) { "Harvested" } else { "Discarded" };
    format!("{how} {}, so this is called off.", local_day(rules, end.at))
}

fn description(rules: &Rules, life: &Life, due: Due) -> String {
    let tray = &life.tray;
    let mut words = format!("Sown {}.", local_day(rules, tray.sown_at));
    match due {
        Due::Harvest => {
            // Into a string: cannot fail.
            let _ = write!(words, " Usually cut until {}.", local_day(rules, tray.harvest_to()));
        }
        Due::Light if tray.weight_off_at().is_some() && tray.unweighted_at.is_none() => {
            words.push_str(" The weight should be off by then.");
        }
        Due::Unweight | Due::Light => {}
    }
    words.push_str(" Planned from the crop's usual days; the tray itself knows better.");
    words
}

/// RFC 7986 asks for UIDs that name nobody and nothing but themselves; ours name the tray.
fn uid(life: &Life, word: &str) -> String {
    let mut name = String::new();
    for byte in life.tray.name.bytes() {
        if byte.is_ascii_alphanumeric() {
            name.push(char::from(byte));
        } else {
            let _ = write!(name, "_{byte:02x}");
        }
    }
    format!("{name}-{}-{word}@traywarden", life.tray.sown_at.timestamp())
}

fn utc(at: Timestamp) -> String {
    at.format("%Y%m%dT%H%M%SZ").to_string()
}

/// Content lines, folded and ended as RFC 5545, 3.1 asks.
struct ContentLines(String);

impl ContentLines {
    /// A property of type TEXT, escaped (RFC 5545, 3.3.11). Control characters, which have
    /// no place in it, are left out.
    fn text(&mut self, property: &str, words: &str) {
        let mut line = format!("{property}:");
        for character in words.chars() {
            match character {
                '\\' | ';' | ',' => line.extend(['\\', character]),
                '\n' => line.push_str("\\n"),
                character if character.is_control() => {}
                character => line.push(character),
            }
        }
        self.raw(&line);
    }

    fn raw(&mut self, line: &str) {
        let mut octets = 0;
        for character in line.chars() {
            if octets + character.len_utf8() > LINE_OCTETS {
                self.0.push_str("\r\n ");
                octets = 1;
            }
            self.0.push(character);
            octets += character.len_utf8();
        }
        self.0.push_str("\r\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, journal, rules};

    fn edition(now: &str) -> Edition {
        Edition { now: at(now), revision: 7, remind: None }
    }

    fn of(entries: &[(&str, &str)], now: &str) -> String {
        calendar(&rules(), &journal(entries), edition(now))
    }

    fn values<'a>(text: &'a str, property: &str) -> Vec<&'a str> {
        let begins = format!("{property}:");
        text.split("\r\n").filter_map(|line| line.strip_prefix(begins.as_str())).collect()
    }

    const SOWN: (&str, &str) =
        ("2026-03-02 14:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","count":4}"#);

    #[test]
    fn a_covered_tray_has_three_things_ahead_on_its_crops_days() {
        let text = of(&[SOWN], "2026-03-02 15:00");
        let lives = lives(&rules(), &journal(&[SOWN]));
        let figures = &lives[0].tray.figures;
        let day = |day: f64| utc(at("2026-03-02 14:00") + TimeDelta::minutes((day * 1440.0) as i64));
        let planned = [figures.weight_off_day.expect("under weight"), figures.light_day, figures.harvest_day_from];
        assert_eq!(values(&text, "DTSTART"), planned.map(day));
        assert_eq!(values(&text, "SUMMARY")[2], "Cut: K1 (broccoli\\, 4 trays)");
        assert_eq!(values(&text, "LOCATION"), ["Rack A"; 3]);
    }

    #[test]
    fn what_is_done_leaves_and_what_stays_keeps_its_uid() {
        let before = of(&[SOWN], "2026-03-02 15:00");
        let moved = ("2026-03-06 14:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#);
        let after = of(&[SOWN, ("2026-03-06 14:00", r#"{"did":"uncover","tray":"K1"}"#), moved], "2026-03-06 15:00");
        assert_eq!(values(&after, "UID"), values(&before, "UID")[2..]);
        assert_eq!(values(&after, "LOCATION"), ["Rack B"]);
    }

    #[test]
    fn the_same_name_sown_again_is_another_event() {
        let again = [
            SOWN,
            ("2026-03-04 14:00", r#"{"did":"discard","tray":"K1"}"#),
            ("2026-03-04 15:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
        ];
        let text = of(&again, "2026-03-04 16:00");
        let mut uids = values(&text, "UID");
        assert_eq!(values(&text, "STATUS"), [["CANCELLED"; 3], ["CONFIRMED"; 3]].concat());
        uids.sort_unstable();
        uids.dedup();
        assert_eq!(uids.len(), 6);
    }

    #[test]
    fn a_struck_sowing_is_called_off_unless_it_was_only_corrected() {
        let strike = ("2026-03-02 15:00", r#"{"did":"strike","entry":1}"#);
        let text = of(&[SOWN, strike], "2026-03-02 16:00");
        assert_eq!(values(&text, "STATUS"), ["CANCELLED"; 3]);
        assert_eq!(values(&text, "UID"), values(&of(&[SOWN], "2026-03-02 14:30"), "UID"));
        assert_eq!(values(&of(&[SOWN, strike], "2026-05-02 16:00"), "STATUS"), [""; 0]);
        let corrected = r#"{"did":"sow","tray":"K1","place":"rack-b","crop":"radish","at":"2026-03-02T14:00:00Z"}"#;
        let text = of(&[SOWN, strike, ("2026-03-02 15:05", corrected)], "2026-03-02 16:00");
        assert!(!text.contains("CANCELLED") && text.contains("radish"), "{text}");
    }

    #[test]
    fn lines_fold_at_75_octets_between_characters_and_unfold_to_the_same() {
        let mut lines = ContentLines(String::new());
        let words = "Ä;,\\\u{7}\n✂".repeat(30);
        lines.text("SUMMARY", &words);
        assert!(lines.0.split("\r\n").all(|line| line.len() <= 75), "{}", lines.0);
        assert!(lines.0.split("\r\n").any(|line| line.len() > 70), "{}", lines.0);
        let unfolded = lines.0.replace("\r\n ", "");
        assert_eq!(unfolded, format!("SUMMARY:{}\r\n", "Ä\\;\\,\\\\\\n✂".repeat(30)));
    }

    #[test]
    fn the_same_trays_give_the_same_bytes() {
        assert_eq!(of(&[SOWN], "2026-03-02 15:00"), of(&[SOWN], "2026-03-02 15:00"));
    }
}
