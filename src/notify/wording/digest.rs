//! What stands in the daily letter: the night in three sentences, then places,
//! reservoirs, trays, alarms, sensors, and what nobody watched.

use super::account_words;
use super::answering;
use super::blocks::{Block, Blocks, Urgency};
use super::digest_alarms::{self, alarm_blocks, standing_blocks};
use super::digest_trays::{due_blocks, harvest_blocks, named_tasks, overdue_blocks, tray_blocks};
use super::letterhead::{masthead, subject, subject_of};
use super::sensor_words::doubt;
use super::situation_words;
use super::speech::{Speech, ascii, capital, count, list, percent, shortened, the};
use crate::engine::alarm::{AlarmChange, Priority};
use crate::engine::letters::digest::{DigestFacts, PlaceDay, ReservoirDay, SensorDay, SurfaceDay};
use crate::engine::letters::situation::Situation;
use crate::notify::wording::picture_name;
use chrono::TimeDelta;

/// What cannot be known before the first tray is told.
const NO_JOURNAL: &str = "No tray is in your journal. Air, cold, heat and water are watched all the same, and for mold an \
     open tray of the kind that molds soonest is assumed in each place. Stages, drying and what is due cannot be known: write \
     down what grows, such as traywarden log sow K12 rack-a broccoli 24g x4, or on the round sheet.";
/// Less than this outside the band is not worth a word: three minutes.
const WORTH_SAYING_HOURS: f64 = 0.05;
/// A site's name in the subject leaves room for the night.
const SITE_IN_SUBJECT: usize = 20;

/// The whole letter. `pictures` are the names of those at hand.
pub(crate) fn blocks(day: &DigestFacts, speech: &Speech, pictures: &[&str]) -> Blocks {
    let mut blocks = Vec::new();
    if day.late {
        blocks.push(Block::Paragraph(format!(
            "This letter is late: the watch was off at {}, when it is usually written.",
            super::speech::wall_time(speech.site.digest_at)
        )));
    }
    blocks.push(Block::Paragraph(three_sentences(day, speech)));
    if day.no_journal {
        blocks.push(Block::Paragraph(NO_JOURNAL.to_owned()));
    }
    blocks.extend(due_blocks(day, speech));
    blocks.extend(overdue_blocks(day, speech));
    blocks.extend(standing_blocks(day, speech));
    blocks.extend(place_blocks(day, speech, pictures));
    blocks.extend(reservoir_blocks(day, speech));
    blocks.extend(tray_blocks(day, speech));
    blocks.extend(harvest_blocks(day, speech));
    blocks.extend(alarm_blocks(day, speech));
    blocks.extend(account_words::blocks(day, speech));
    blocks.extend(sensor_blocks(day));
    blocks.extend(answering::in_digest(speech, !day.standing.is_empty()));
    let urgent = first_standing(day).is_some_and(|change| change.priority == Priority::Now);
    if !day.places.is_empty() {
        blocks.push(Block::Small(
            "Hours outside are counted against what the trays there ask for at their stage. \
             The letter says what the air has allowed; what the trays made of it, only a look can tell."
                .to_owned(),
        ));
    }
    Blocks {
        subject: subject_line(day, speech),
        masthead: masthead(speech),
        lead: lead(day, speech),
        urgency: match (urgent, day.standing.is_empty()) {
            (true, _) => Urgency::Urgent,
            (false, false) => Urgency::Due,
            (false, true) => Urgency::Calm,
        },
        blocks,
    }
}

/// The day, and what is open; whose it is stands beside the sender, and in a quiet subject.
fn subject_line(day: &DigestFacts, speech: &Speech) -> String {
    let date = day.date.format("%a %-d %b");
    if day.standing.is_empty() {
        let site = shortened(&ascii(&speech.site.name), SITE_IN_SUBJECT);
        return subject(&format!("{site} {date}:"), &headline(day, speech), 1);
    }
    subject_of(&format!("{date}:"), &day.standing, speech)
}

/// The night in four words, for the subject.
fn headline(day: &DigestFacts, speech: &Speech) -> String {
    if day.unwatched_hours >= 1.0 {
        return format!("unwatched for {:.0} h", day.unwatched_hours);
    }
    if day.places.iter().all(|place| place.hours_known < WORTH_SAYING_HOURS) && !day.places.is_empty() {
        return if day.places.iter().all(rows_missing) { "no readings" } else { "hardly any readings" }.to_owned();
    }
    digest_alarms::all_over(day, speech).unwrap_or_else(|| "a quiet night".to_owned())
}

/// The first line: what to do today.
fn lead(day: &DigestFacts, speech: &Speech) -> String {
    if let Some(situation) = day.standing.first()
        && let Some(first) = situation.first().filter(|change| change.priority != Priority::Digest)
    {
        return situation_words::action(situation, first, speech);
    }
    match named_tasks(day, speech).as_slice() {
        [] => "Nothing is due today.".to_owned(),
        tasks => format!("Today: {}.", list(tasks, 3)),
    }
}

fn three_sentences(day: &DigestFacts, speech: &Speech) -> String {
    let mut sentences = vec![digest_alarms::sentence(day, speech), air_sentence(&day.places)];
    if day.unwatched_hours >= WORTH_SAYING_HOURS {
        sentences.push(format!(
            "For {} nobody watched: the watch was off or had no connection, and what happened then is not in these numbers.",
            super::speech::hours(day.unwatched_hours)
        ));
    } else {
        sentences.push(water_sentence(day, speech));
    }
    sentences.retain(|sentence| !sentence.is_empty());
    sentences.join(" ")
}

fn is_blind(place: &PlaceDay) -> bool {
    place.hours_known < WORTH_SAYING_HOURS
}

fn air_sentence(places: &[PlaceDay]) -> String {
    let kept: Vec<&PlaceDay> = places.iter().filter(|place| !place.empty).collect();
    let blind: Vec<String> = kept.iter().filter(|place| is_blind(place)).map(|place| place.name.clone()).collect();
    let outside: Vec<String> = kept
        .iter()
        .filter(|place| !trouble(place).is_empty())
        .map(|place| format!("{} was {}", place.name, list(&trouble(place), 4)))
        .collect();
    match (kept.is_empty(), blind.is_empty(), outside.is_empty()) {
        (true, ..) => "No trays are standing anywhere.".to_owned(),
        (_, false, _) if kept.iter().any(|place| is_blind(place) && !rows_missing(place)) => {
            format!("There are hardly any readings from {}.", list(&blind, 3))
        }
        (_, false, _) => format!("There are no readings from {}.", list(&blind, 3)),
        (_, _, true) => "The air stayed within what the trays ask for.".to_owned(),
        _ => format!("{}.", list(&outside, 3)),
    }
}

fn water_sentence(day: &DigestFacts, speech: &Speech) -> String {
    let formatted: Vec<String> = day
        .reservoirs
        .iter()
        .filter_map(|tank| {
            let (best, early, late) = tank.empty_at?;
            Some(format!("{} lasts until about {}", the(&tank.name), speech.as_sure_as(best, late - early)))
        })
        .collect();
    if formatted.is_empty() { String::new() } else { format!("{}.", capital(&list(&formatted, 3))) }
}

fn trouble(place: &PlaceDay) -> Vec<String> {
    [
        (place.hours_warm, "too warm"),
        (place.hours_cold, "too cold"),
        (place.hours_damp, "too damp"),
        (place.hours_dry, "too dry"),
    ]
    .into_iter()
    .filter(|(hours, _)| *hours >= WORTH_SAYING_HOURS)
    .map(|(hours, what)| format!("{what} for {}", short_hours(hours)))
    .collect()
}

/// "2.5 h", "20 min".
fn short_hours(hours: f64) -> String {
    if hours < 0.95 { format!("{:.0} min", hours * 60.0) } else { format!("{hours:.1} h").replace(".0 h", " h") }
}

fn first_standing(day: &DigestFacts) -> Option<&AlarmChange> {
    day.standing.first().and_then(Situation::first)
}

fn place_blocks(day: &DigestFacts, speech: &Speech, pictures: &[&str]) -> Vec<Block> {
    let mut blocks = Vec::new();
    for place in &day.places {
        blocks.push(Block::Heading(place.name.clone()));
        let rows: Vec<Vec<String>> = [
            place.temperature.map(|span| {
                air_row(
                    &format!("Temperature, {}", speech.site.units.degree_sign()),
                    span,
                    |value| format!("{:.1}", speech.site.units.degrees(value) + 0.0),
                    warmth(place),
                )
            }),
            place.humidity.map(|span| air_row("Humidity, %", span, |value| format!("{value:.0}"), dampness(place))),
            place.vpd.map(|span| air_row(&deficit_head(place), span, |value| format!("{value:.2}"), String::new())),
        ]
        .into_iter()
        .flatten()
        .collect();
        if rows.is_empty() {
            blocks.push(Block::Paragraph(format!("No readings since {}.", speech.day_and_clock(day.from))));
        } else {
            blocks
                .push(Block::Table { head: ["", "low", "mean", "high", "outside"].map(str::to_owned).to_vec(), rows });
        }
        if let Some(asks) = band(place, speech) {
            blocks.push(Block::Small(asks));
        }
        for surface in place.surfaces.iter().filter(|surface| surface.hours_damp >= WORTH_SAYING_HOURS) {
            blocks.push(Block::Small(surface_line(surface)));
        }
        let whole = (day.until - day.from).num_minutes() as f64 / 60.0;
        if !rows_missing(place) && place.hours_known + 0.5 < whole {
            blocks.push(Block::Small(format!(
                "Readings cover {} of {} hours.",
                short_hours(place.hours_known).trim_end_matches(" h"),
                whole.round()
            )));
        }
        let name = picture_name(&place.id);
        if pictures.contains(&name.as_str()) {
            blocks.push(Block::Picture {
                name,
                shows: format!("Temperature and humidity in {} over the last day", place.name),
            });
        }
    }
    blocks
}

fn rows_missing(place: &PlaceDay) -> bool {
    place.temperature.is_none() && place.humidity.is_none()
}

fn air_row(
    name: &str,
    (low, mean, high): (f64, f64, f64),
    formatted: impl Fn(f64) -> String,
    outside: String,
) -> Vec<String> {
    vec![
        name.to_owned(),
        formatted(low),
        formatted(mean),
        formatted(high),
        if outside.is_empty() { "-".to_owned() } else { outside },
    ]
}

fn warmth(place: &PlaceDay) -> String {
    outside(&[(place.hours_warm, "warm"), (place.hours_cold, "cold")])
}

fn dampness(place: &PlaceDay) -> String {
    outside(&[(place.hours_damp, "damp"), (place.hours_dry, "dry")])
}

fn outside(kinds: &[(f64, &str)]) -> String {
    kinds
        .iter()
        .filter(|(hours, _)| *hours >= WORTH_SAYING_HOURS)
        .map(|(hours, what)| format!("{} {what}", short_hours(*hours)))
        .collect::<Vec<_>>()
        .join(", ")
}

fn band(place: &PlaceDay, speech: &Speech) -> Option<String> {
    if place.empty {
        return Some("No tray stands there.".to_owned());
    }
    let [cold, warm, dry, damp] = place.band;
    let asked: Vec<String> = [
        between(cold.map(|value| speech.temperature(value)), warm.map(|value| speech.temperature(value))),
        between(dry.map(percent), damp.map(percent)).map(|range| format!("{range} humidity")),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!asked.is_empty()).then(|| format!("The trays there ask for {}; alarms begin farther out.", asked.join(" and ")))
}

fn between(low: Option<String>, high: Option<String>) -> Option<String> {
    match (low, high) {
        (Some(low), Some(high)) => {
            // "18 to 24 °C", the unit once.
            let unit = high.split_once(' ').map(|(_, unit)| unit.to_owned()).unwrap_or_default();
            let low = low.strip_suffix(&unit).map(|bare| bare.trim_end().to_owned()).unwrap_or(low);
            Some(format!("{low} to {high}"))
        }
        (Some(low), None) => Some(format!("at least {low}")),
        (None, Some(high)) => Some(format!("at most {high}")),
        (None, None) => None,
    }
}

fn reservoir_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    if day.reservoirs.is_empty() {
        return Vec::new();
    }
    let facts = day.reservoirs.iter().map(|tank| (tank.name.clone(), reservoir_line(tank, speech))).collect();
    vec![Block::Heading("Water".to_owned()), Block::Facts(facts)]
}

fn reservoir_line(tank: &ReservoirDay, speech: &Speech) -> String {
    let off = tank.usable_accuracy.map_or(String::new(), |off| format!(" (give or take {})", speech.volume(off)));
    let level = match (tank.usable, tank.percent) {
        (Some(usable), Some(share)) => {
            format!("{} usable{off}, {}.", speech.volume(usable.max(0.0)), percent(share.max(0.0)))
        }
        (Some(usable), None) => format!("{} usable{off}.", speech.volume(usable.max(0.0))),
        _ => "Level not known.".to_owned(),
    };
    let mut moved = vec![format!("{} drawn", speech.volume(tank.drawn.max(0.0)))];
    if tank.added > 0.05 {
        moved.push(format!("{} added", speech.volume(tank.added)));
    }
    let forecast = match tank.empty_at {
        _ if tank.at_the_inlet => " At the pump inlet.".to_owned(),
        Some((best, early, late)) if late - early > TimeDelta::hours(1) => format!(
            " At the pump inlet {}, between {} and {}.",
            speech.as_sure_as(best, late - early),
            speech.as_sure_as(early, late - early),
            speech.as_sure_as(late, late - early)
        ),
        Some((best, ..)) => format!(" At the pump inlet {}.", speech.day_and_clock(best)),
        None if tank.usable.is_some() => " No draw that can be measured.".to_owned(),
        None => String::new(),
    };
    let unshown = tank.unshown_since.map_or(String::new(), |since| {
        format!(
            " None of the waterings logged since {} was seen in it: were they given by hand, or does the pump not run?",
            speech.day_and_clock(since)
        )
    });
    format!("{level} {}.{forecast}{unshown}", capital(&moved.join(", ")))
}

fn sensor_blocks(day: &DigestFacts) -> Vec<Block> {
    let mut facts: Vec<(String, String)> =
        day.sensors.iter().map(|sensor| (sensor.id.clone(), sensor_line(sensor))).collect();
    if day.strays > 0 {
        facts.push((
            "Strays".to_owned(),
            format!(
                "{} neither of a sensor in the settings nor an entry for the journal; \"traywarden now\" shows what.",
                count(i64::from(day.strays), "message")
            ),
        ));
    }
    if day.astray > 0 {
        facts.push((
            "Journal".to_owned(),
            format!(
                "{} sent to a site that nobody watches, so nothing was taken; \"traywarden now\" names the site.",
                if day.astray == 1 { "An entry was".to_owned() } else { format!("{} entries were", day.astray) }
            ),
        ));
    }
    if day.given_up > 0 {
        facts.push((
            "Broker".to_owned(),
            format!(
                "{} was too large to be taken, and everything that waited at the broker then is lost. See who sends so \
                 much, and set message_size_limit in the broker.",
                if day.given_up == 1 { "A message".to_owned() } else { format!("Each of {} messages", day.given_up) }
            ),
        ));
    }
    if day.lost_readings > 0 {
        let lost = count(day.lost_readings.cast_signed(), "reading");
        facts.push((
            "Not saved".to_owned(),
            format!("{lost} could not be saved. The watch judged them; history lacks them."),
        ));
    }
    if facts.is_empty() {
        Vec::new()
    } else {
        vec![Block::Heading("Sensors to look at".to_owned()), Block::Facts(facts)]
    }
}

fn surface_line(surface: &SurfaceDay) -> String {
    let damp = format!("The air on the {} had 80 % or more for {}", surface.on, short_hours(surface.hours_damp));
    if surface.hours_wet >= WORTH_SAYING_HOURS {
        let wet = short_hours(surface.hours_wet);
        format!("{damp}, {wet} of it below the dew point: conditions allowed water to settle there.")
    } else {
        format!("{damp}, never below the dew point.")
    }
}

/// "VPD ± 0.08, kPa": at night the band is a good part of the figure.
fn deficit_head(place: &PlaceDay) -> String {
    match place.vpd_accuracy {
        Some(accuracy) => format!("VPD ± {accuracy:.2}, kPa"),
        None => "VPD, kPa".to_owned(),
    }
}

fn sensor_line(sensor: &SensorDay) -> String {
    let mut formatted = Vec::new();
    if sensor.saturated_hours >= WORTH_SAYING_HOURS {
        formatted.push(format!(
            "its hygrometer was saturated for {}: the air was at least as damp as it said, or the element is wet, and \
             it reads high for hours after",
            super::speech::hours(sensor.saturated_hours)
        ));
    }
    if sensor.uncorrected_hours >= WORTH_SAYING_HOURS {
        formatted.push(format!(
            "not corrected for warm air for {}: the thermometer it leans on was silent",
            super::speech::hours(sensor.uncorrected_hours)
        ));
    }
    if sensor.silent_hours >= WORTH_SAYING_HOURS {
        formatted.push(format!("counted as silent for {}", super::speech::hours(sensor.silent_hours)));
    }
    if sensor.refused > 0 {
        let why =
            sensor.reasons.first().map(|(word, _)| format!(", mostly because {}", doubt(word))).unwrap_or_default();
        formatted.push(format!(
            "{} of {} refused{why}",
            sensor.refused,
            u64::from(sensor.refused) + u64::from(sensor.believed)
        ));
    }
    if formatted.is_empty() {
        formatted.push(format!("{} believed", count(i64::from(sensor.believed), "reading")));
    }
    format!("{}: {}.", sensor.place, formatted.join("; "))
}
