//! What the daily letter says of trays: what is due with its grams and waterings, what is
//! past its stage or was not looked at, what was cut and what was lost.

use super::blocks::Block;
use super::crop_words::standing;
use super::speech::{Speech, capital, count, list, shortened};
use crate::engine::letters::digest::{DigestFacts, Due, TrayDay};
use crate::engine::watch::trays::harvests::{Cut, ExpectedYield};
use crate::engine::watch::trays::thermal::PLAN_TEMPERATURE;
use crate::engine::watch::trays::tray::Stage;

/// Less than this behind or ahead of a room at 21 °C is not worth a line, in days.
const WORTH_SAYING_DAYS: f64 = 0.5;

/// What is due today by the trays' names alone; the letter says more of each below.
pub(super) fn named_tasks(day: &DigestFacts, speech: &Speech) -> Vec<String> {
    tasks_of(day, speech, 0, |_, tray| tray.tray.clone())
}

/// What is due on the day `ahead` days from now; what is overdue counts as today's.
fn tasks(day: &DigestFacts, speech: &Speech, ahead: i64) -> Vec<String> {
    tasks_of(day, speech, ahead, |due, tray| match due {
        Due::Harvest => format!(
            "{} ({}{}, {}, {})",
            tray.tray,
            times(tray.count),
            tray.crop,
            tray.place,
            expectation(&tray.expected, speech)
        ),
        Due::Unweight | Due::Light => named(tray),
    })
}

fn tasks_of(day: &DigestFacts, speech: &Speech, ahead: i64, name: impl Fn(Due, &TrayDay) -> String) -> Vec<String> {
    let today = speech.local(speech.now).date_naive();
    let mut tasks = Vec::new();
    for (due, verb) in [(Due::Unweight, "take the weight off"), (Due::Light, "uncover"), (Due::Harvest, "cut")] {
        let trays: Vec<String> = day
            .trays
            .iter()
            .filter(|tray| {
                tray.due.iter().any(|(what, at)| {
                    let days = (speech.local(*at).date_naive() - today).num_days();
                    *what == due && (days == ahead || (ahead == 0 && days < 0))
                })
            })
            .map(|tray| name(due, tray))
            .collect();
        if !trays.is_empty() {
            tasks.push(format!("{verb} {}", list(&trays, 6)));
        }
    }
    tasks
}

/// "K12 (4 x broccoli, Rack B)".
fn named(tray: &TrayDay) -> String {
    format!("{} ({}{}, {})", tray.tray, times(tray.count), tray.crop, tray.place)
}

fn times(trays: u32) -> String {
    if trays > 1 { format!("{trays} x ") } else { String::new() }
}

/// "usually 350 to 550 g", "1.6 to 1.7 kg by your last 5 cuts".
fn expectation(expected: &ExpectedYield, speech: &Speech) -> String {
    let range = speech.site.units.weight_range(expected.from, expected.to);
    match expected.own_cuts {
        0 => format!("usually {range}"),
        cuts => format!("{range} by your last {cuts} cuts"),
    }
}

pub(super) fn due_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    let mut facts: Vec<(String, String)> = [("Today", 0), ("Tomorrow", 1)]
        .into_iter()
        .filter_map(|(name, ahead)| {
            let tasks = tasks(day, speech, ahead);
            (!tasks.is_empty()).then(|| (name.to_owned(), format!("{}.", capital(&tasks.join("; ")))))
        })
        .collect();
    if let Some(water) = day.water {
        let each = water.ml_each.map_or(String::new(), |ml| format!("{} each, ", speech.site.units.pour(ml)));
        let trays = count(i64::from(water.trays), "tray");
        let line = format!("{trays} in light, twice: {each}{} in all over the day.", speech.volume(water.litres));
        facts.push(("Water".to_owned(), line));
    }
    if day.mist > 0 {
        facts.push(("Mist".to_owned(), format!("{} under cover, twice.", count(i64::from(day.mist), "tray"))));
    }
    for (tray, since) in day.trays.iter().filter_map(|tray| Some((tray, tray.unseen_since?))) {
        let line = format!("Under the cover of {}: no look logged since {}.", named(tray), speech.day_and_clock(since));
        facts.push(("Look".to_owned(), line));
    }
    if facts.is_empty() { Vec::new() } else { vec![Block::Heading("Due".to_owned()), Block::Facts(facts)] }
}

/// Trays that stand longer in their stage than it should last.
pub(super) fn overdue_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    let facts: Vec<(String, String)> = day
        .trays
        .iter()
        .filter_map(|tray| {
            let due = speech.day(tray.overdue?);
            let task = match tray.stage {
                Stage::Soak => format!("sown {due}"),
                Stage::Germination | Stage::Blackout => format!("uncovered {due}"),
                Stage::Light | Stage::Ready => format!("cut by {due}"),
            };
            let crop = format!("{}{}, {}", times(tray.count), tray.crop, tray.place);
            Some((tray.tray.clone(), format!("{crop}: should have been {task}. Do it, or log it if it is done.")))
        })
        .collect();
    headed("Past their stage", facts)
}

/// What was cut since the letter before, and what was lost in a week.
pub(super) fn harvest_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    let mut blocks = headed("Cut since the last letter", day.cuts.iter().map(|cut| cut_line(cut, speech)).collect());
    let lost = day.losses.iter();
    blocks.extend(headed(
        "Lost in the last seven days, as logged",
        lost.map(|(reason, trays)| (capital(reason.word()), format!("{}.", count(i64::from(*trays), "tray"))))
            .collect(),
    ));
    blocks
}

fn cut_line(cut: &Cut, speech: &Speech) -> (String, String) {
    let crop = format!("{}{}", times(cut.trays), cut.crop);
    let line = match cut.grams {
        None => format!("{crop}: not weighed."),
        Some(grams) if cut.trays > 1 => {
            let each = speech.site.units.weight(grams / f64::from(cut.trays));
            format!("{crop}: {}, {each} a tray.", speech.site.units.weight(grams))
        }
        Some(grams) => format!("{crop}: {}.", speech.site.units.weight(grams)),
    };
    (cut.tray.clone(), line)
}

fn headed(heading: &str, facts: Vec<(String, String)>) -> Vec<Block> {
    if facts.is_empty() { Vec::new() } else { vec![Block::Heading(heading.to_owned()), Block::Facts(facts)] }
}

pub(super) fn tray_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    if day.trays.is_empty() {
        return Vec::new();
    }
    let rows = day
        .trays
        .iter()
        .map(|tray| {
            vec![
                shortened(&format!("{} {}{}", tray.tray, times(tray.count), tray.crop), 28),
                shortened(&tray.place, 14),
                standing(tray.stage).to_owned(),
                tray.day.to_string(),
            ]
        })
        .collect();
    let mut blocks = vec![
        Block::Heading("Trays".to_owned()),
        Block::Table { head: ["", "place", "stage", "day"].map(str::to_owned).to_vec(), rows },
    ];
    let moved: Vec<String> = day.trays.iter().filter_map(pace).collect();
    if !moved.is_empty() {
        blocks.push(Block::Small(format!(
            "By warmth, against a room at {}: {}. The plan stays as it is; look before you cut.",
            speech.temperature(PLAN_TEMPERATURE),
            list(&moved, 6)
        )));
    }
    blocks
}

/// "R7 is 0.8 days behind".
fn pace(tray: &TrayDay) -> Option<String> {
    let behind = tray.warmth.days_behind().filter(|days| days.abs() >= WORTH_SAYING_DAYS)?;
    let side = if behind > 0.0 { "behind" } else { "ahead" };
    Some(format!("{} is {:.1} days {side}", tray.tray, behind.abs()).replace("1.0 days", "a day"))
}
