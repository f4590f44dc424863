//! What the store alone knows of a tray, as a sheet: its life, its air stage by stage, what
//! was done, which alarms held, where the data has holes. What its sisters lived through and
//! what differs is for the trace to add.

use super::beyond::{Side, beyond, holds};
use super::history::{self, Subject};
use super::lives::{Deed, End, Fate, Life};
use super::sheet::{Sheet, SheetTable};
use super::{Series, step_for};
use crate::chart::Span;
use crate::engine::rules::Rules;
use crate::journal::{Did, Loss};
use crate::reading::Quantity;
use crate::store::{Reader, StoreError};
use crate::units::{Celsius, Timestamp, UnitSystem};
use chrono::TimeDelta;

/// A gap longer than this is told as a hole. Own default.
const HOLE: TimeDelta = TimeDelta::minutes(30);
/// More holes than these are counted, not told. Own default.
const MOST_HOLES: usize = 12;
/// Alarms that began this long before a tray was sown can hold in its life.
const ALARMS_BEFORE: TimeDelta = TimeDelta::days(60);

const CAUTION: &str = "Computed from the air of the place and from your log, not measured inside the tray. It says what \
     the conditions were, not what grew there: look at the tray. Moldy trays: isolate, do not taste, discard by your own \
     food-safety plan. This is no food-safety record.";

/// The sheet about a tray; `None`: the subject is no tray.
///
/// # Errors
/// When the store cannot be read.
pub fn of_tray(
    reader: &Reader,
    rules: &Rules,
    lives: &[Life],
    subject: &Subject,
    now: Timestamp,
) -> Result<Option<Sheet>, StoreError> {
    let Some(life) = subject.tray() else { return Ok(None) };
    let (from, until) = (life.tray.sown_at, life.until(now).min(now));
    let series = subject.series(reader, rules, from, until, step_for(from, until))?;
    let named: Vec<(String, Series)> = series.iter().map(|series| (life.tray.name.clone(), series.clone())).collect();
    let bands = subject.bands(rules, lives, from, until);
    let mut chart = history::chart(rules, String::new(), &named, &bands, (from, until));
    chart.stages = subject.stages(from, until);
    chart.nights = history::nights(rules, from, until);
    chart.lanes = subject.lanes(rules, lives, from, until);
    let alarms = subject.alarms(rules, &reader.alarm_changes(from - ALARMS_BEFORE)?, from, until);
    let mut held: Vec<_> = alarms.iter().flat_map(|lane| &lane.happenings).collect();
    held.sort_by_key(|alarm| alarm.at);
    let told = |at: Timestamp| local(rules, at);
    let alarm_lines = held.iter().map(|alarm| match alarm.until.filter(|over| *over < until) {
        Some(over) => format!("{}, {} to {}", alarm.word, told(alarm.at), told(over)),
        None => format!("{}, from {} to the end", alarm.word, told(alarm.at)),
    });
    let minutes = subject.series(reader, rules, from, until, TimeDelta::minutes(1))?;
    let lists = vec![
        (
            "What was done".to_owned(),
            life.deeds.iter().filter(|deed| deed.at <= until).map(|deed| said_deed(rules, deed)).collect(),
        ),
        ("Alarms".to_owned(), alarm_lines.collect()),
        ("Holes in the data".to_owned(), holes(rules, &minutes, (from, until))),
    ];
    let tables = vec![stage_table(rules, &chart.stages, &minutes)];
    chart.lanes.extend(alarms);
    Ok(Some(Sheet {
        masthead: format!("{}, made {}", rules.site.name, local(rules, now)),
        title: format!("Tray {}, {}", life.tray.name, life.tray.crop),
        facts: facts(rules, life, now),
        differences: Vec::new(),
        beside: String::new(),
        chart,
        tables,
        lists,
        caution: CAUTION.to_owned(),
    }))
}

/// Who it is, where it stood, from when to when and how it ended: a line each.
pub fn facts(rules: &Rules, life: &Life, now: Timestamp) -> Vec<String> {
    let tray = &life.tray;
    let mut who = vec![if tray.count == 1 { "1 tray".to_owned() } else { format!("{} trays", tray.count) }];
    who.extend(tray.seed_grams.map(|grams| format!("{grams} g of seed a tray")));
    who.extend(life.sowing.seed_lot.as_ref().map(|lot| format!("seed lot {lot}")));
    who.extend(life.sowing.medium.as_ref().map(|medium| format!("on {medium}")));
    let mut stood: Vec<String> = Vec::new();
    for (since, place) in &life.stood {
        let name = &rules.place(*place).name;
        stood.push(if stood.is_empty() { name.clone() } else { format!("from {} {name}", local(rules, *since)) });
    }
    let end = life.end.as_ref().filter(|end| end.at <= now).map_or_else(
        || format!("grows, day {}, {}", tray.day(now), life.stage_at(now).word()),
        |end| said_end(rules, end),
    );
    vec![who.join(", "), stood.join(", "), format!("Sown {}; {end}", local(rules, tray.sown_at))]
}

fn said_end(rules: &Rules, end: &End) -> String {
    let at = local(rules, end.at);
    match &end.fate {
        Fate::Harvested { grams: Some(grams), .. } => format!("cut {at}, {grams} g"),
        Fate::Harvested { grams: None, .. } => format!("cut {at}, not weighed"),
        Fate::Discarded { reason, share, .. } => {
            let share = share.map(|share| format!(", {share} % of it")).unwrap_or_default();
            format!("thrown away {at}: {}{share}", said_loss(*reason))
        }
    }
}

fn said_loss(reason: Loss) -> &'static str {
    match reason {
        Loss::Mold => "mold",
        Loss::DampingOff => "damping-off",
        Loss::Dry => "dry",
        Loss::Uneven => "uneven",
        Loss::Other => "another reason",
    }
}

/// One thing that was done, with when and by whom.
pub fn said_deed(rules: &Rules, deed: &Deed) -> String {
    let noted = |words: &str, note: &Option<String>| match note {
        Some(note) => format!("{words}: {note}"),
        None => words.to_owned(),
    };
    let what = match &deed.did {
        Did::Sow(_) => "sown".to_owned(),
        Did::Unweight(_) => "weight off".to_owned(),
        Did::Uncover(_) => "uncovered".to_owned(),
        Did::Light(_) => "put under light".to_owned(),
        Did::Water { ml_per_tray: Some(ml), .. } => format!("watered, {ml} ml a tray"),
        Did::Water { ml_per_tray: None, .. } => "watered".to_owned(),
        Did::Mist(_) => "misted".to_owned(),
        Did::Refill { .. } => "reservoir refilled".to_owned(),
        Did::Move { place, .. } => {
            let name = rules.place_named(place).map_or(place.as_str(), |place| &rules.place(place).name);
            format!("moved to {name}")
        }
        Did::Look { note, .. } => noted("looked at", note),
        Did::Harvest { grams, note, .. } => {
            noted(&grams.map_or("cut".to_owned(), |grams| format!("cut, {grams} g")), note)
        }
        Did::Discard { reason, note, .. } => noted(&format!("thrown away, {}", said_loss(*reason)), note),
        Did::Note { text, .. } => format!("note: {text}"),
        Did::Strike { entry, .. } => format!("entry {entry} struck out"),
    };
    let by = deed.by.as_ref().map(|by| format!(" ({by})")).unwrap_or_default();
    format!("{}: {what}{by}", local(rules, deed.at))
}

/// Hours, air and hours without data by stage, from series of minutes.
fn stage_table(rules: &Rules, stages: &[Span], minutes: &[Series]) -> SheetTable {
    let mut rows = vec![row("Hours", stages, |stage| hours(stage.until - stage.from))];
    for series in minutes {
        let within = |stage: &Span| -> Vec<_> {
            series.points.iter().filter(|point| (stage.from..stage.until).contains(&point.from)).copied().collect()
        };
        let (name, digits, us) = match (series.quantity, rules.site.units) {
            (Quantity::Temperature, UnitSystem::Us) => ("Temperature, °F", 1, true),
            (Quantity::Temperature, UnitSystem::Metric) => ("Temperature, °C", 1, false),
            (Quantity::Humidity, _) => ("Humidity, %", 0, false),
            _ => continue,
        };
        let said = |value: f64| {
            let value = if us { Celsius(value).to_fahrenheit() } else { value };
            format!("{value:.digits$}")
        };
        rows.push(row(&format!("{name}, mean"), stages, |stage| {
            let points = within(stage);
            let sum: f64 = points.iter().map(|point| point.mean).sum();
            if points.is_empty() { "-".to_owned() } else { said(sum / points.len() as f64) }
        }));
        rows.push(row("lowest to highest", stages, |stage| {
            let points = within(stage);
            let low = points.iter().map(|point| point.low).min_by(f64::total_cmp);
            let high = points.iter().map(|point| point.high).max_by(f64::total_cmp);
            low.zip(high).map_or("-".to_owned(), |(low, high)| format!("{} to {}", said(low), said(high)))
        }));
        rows.push(row("hours without data", stages, |stage| {
            let span = (stage.from, stage.until);
            hours(beyond(&within(stage), span, holds(rules, series), Side::Above, f64::INFINITY).unknown)
        }));
    }
    let head = [String::new()].into_iter().chain(stages.iter().map(|stage| stage.label.clone())).collect();
    SheetTable { heading: "Stage by stage".to_owned(), head, rows }
}

fn row(name: &str, stages: &[Span], cell: impl Fn(&Span) -> String) -> Vec<String> {
    [name.to_owned()].into_iter().chain(stages.iter().map(cell)).collect()
}

/// Where the first of the series has no data for long.
fn holes(rules: &Rules, minutes: &[Series], (from, until): (Timestamp, Timestamp)) -> Vec<String> {
    let Some(series) = minutes.first() else { return vec!["Nothing measures the air where it stood.".to_owned()] };
    let holds = holds(rules, series);
    let mut begins = from;
    let mut found: Vec<String> = Vec::new();
    for next in series.points.iter().map(|point| point.from).chain([until]) {
        if next - begins > HOLE {
            found.push(format!("{} to {}", local(rules, begins), local(rules, next)));
        }
        begins = next + holds;
    }
    let more = found.len().saturating_sub(MOST_HOLES);
    found.truncate(MOST_HOLES);
    if more > 0 {
        found.push(format!("and {more} more"));
    }
    found
}

fn hours(span: TimeDelta) -> String {
    format!("{:.1}", span.num_minutes() as f64 / 60.0)
}

fn local(rules: &Rules, at: Timestamp) -> String {
    at.with_timezone(&rules.site.time_zone).format("%a %-d %b %H:%M").to_string()
}

#[cfg(test)]
mod tests {
    use super::super::history::tests::store;
    use super::super::lives::lives;
    use super::super::sample::{at, journal, rules};
    use super::*;

    #[test]
    fn the_sheet_of_a_tray_tells_its_life_its_air_and_its_holes() {
        let rules = rules();
        let folder = tempfile::tempdir().expect("a folder");
        let reader = store(folder.path(), &rules);
        let all = lives(
            &rules,
            &journal(&[
                (
                    "2026-03-03 00:00",
                    r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","count":4,"seed_grams":24}"#,
                ),
                ("2026-03-03 06:00", r#"{"did":"unweight","tray":"K1"}"#),
                ("2026-03-03 12:00", r#"{"did":"uncover","tray":"K1","by":"Wren"}"#),
                ("2026-03-03 12:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
                ("2026-03-04 06:00", r#"{"did":"discard","tray":"K1","reason":"mold","share":30}"#),
            ]),
        );
        let subject = Subject::named(&rules, &all, "K1").expect("it was sown");
        let now = at("2026-03-05 00:00");
        let sheet = of_tray(&reader, &rules, &all, &subject, now).expect("it can be read").expect("a tray");
        assert_eq!(
            sheet.facts,
            [
                "4 trays, 24 g of seed a tray",
                "Rack A, from Tue 3 Mar 06:00 Rack B",
                "Sown Mon 2 Mar 18:00; thrown away Wed 4 Mar 00:00: mold, 30 % of it",
            ]
        );
        let table = &sheet.tables[0];
        assert_eq!(table.head, ["", "germination", "blackout", "light"]);
        let cells = |name: &str| table.rows.iter().find(|row| row[0] == name).map(|row| row[1..].join(" "));
        assert_eq!(cells("Hours").as_deref(), Some("6.0 6.0 18.0"));
        assert_eq!(cells("Humidity, %, mean").as_deref(), Some("50 50 70"));
        // The sensors fell silent at 23:50; what a reading every ten minutes leaves open is no data either.
        assert_eq!(sheet.lists[2].1, ["Tue 3 Mar 17:52 to Wed 4 Mar 00:00"]);
        assert_eq!(sheet.lists[0].1[2], "Tue 3 Mar 06:00: uncovered (Wren)");
        let earlier = of_tray(&reader, &rules, &all, &subject, at("2026-03-03 08:00"));
        assert_eq!(earlier.expect("it can be read").expect("a tray").lists[0].1.len(), 2);
        let rack = Subject::named(&rules, &all, "rack-a").expect("a place");
        assert_eq!(of_tray(&reader, &rules, &all, &rack, now).expect("it can be read"), None);
    }
}
