//! What has changed since the last letter, in its own numbers: values, forecasts that moved, and what
//! it named and this one does not.

use super::alarm_reported;
use super::alarm_words::{dry_at, words};
use super::blocks::Block;
use super::speech::{Speech, capital, hours_of, list, percent, the};
use crate::engine::alarm::{AlarmChange, AlarmKind, AlarmState, Evidence};
use crate::engine::letters::situation::Situation;
use crate::reading::Quantity;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// A forecast that moved by less is the same forecast. Own default.
const MOVED: TimeDelta = TimeDelta::hours(1);
/// And so is one that moved by less than this share of what was left then. Own default.
const MOVED_SHARE: i32 = 4;

/// The facts of a situation that only mean something beside the last letter.
pub(super) fn facts(situation: &Situation, speech: &Speech) -> Vec<(String, String)> {
    let changed = changed(situation, speech).map(|sentence| ("Changed".to_owned(), sentence));
    let moved = moved(situation, speech).map(|sentence| ("Forecast".to_owned(), sentence));
    changed.into_iter().chain(moved).collect()
}

/// The number that tells most of an alarm, as part of a sentence: "Rack A", "was", "is", "11.2 °C".
struct Figure {
    whose: String,
    was: &'static str,
    is: &'static str,
    value: String,
}

/// Each value as it was told and as it is.
fn changed(situation: &Situation, speech: &Speech) -> Option<String> {
    let last = situation.reported.iter().map(|reported| reported.at).max()?;
    let (mut moved, mut stood, mut joined) = (Vec::new(), Vec::new(), Vec::new());
    let mut told_at = Vec::new();
    for change in &situation.alarms {
        let Some(reported) = situation.reported_of(&change.key) else {
            joined.push(words(change, speech).name);
            continue;
        };
        let (Some(before), Some(now)) = (figure(reported, speech), figure(change, speech)) else { continue };
        if before.value == now.value {
            stood.push(format!("{} {} {}", now.whose, now.is, now.value));
        } else {
            let then = if told_at.contains(&reported.at) {
                String::new()
            } else {
                format!(" at {}", speech.clock(reported.at))
            };
            told_at.push(reported.at);
            moved.push(format!("{} {} {}{then}, {} {} now", now.whose, now.was, before.value, now.is, now.value));
        }
    }
    joined.dedup();
    let since = speech.clock(last);
    let mut sentences = Vec::new();
    if !moved.is_empty() {
        sentences.push(format!("{}.", capital(&moved.join("; "))));
    }
    match (stood.is_empty(), moved.is_empty()) {
        (false, true) => sentences.push(format!("Nothing since {since}: {}.", stood.join("; "))),
        (false, false) => sentences.push(format!("As it was: {}.", stood.join("; "))),
        (true, true) if joined.is_empty() => sentences.push(format!("Nothing that is measured, since {since}.")),
        (true, _) => {}
    }
    if !joined.is_empty() {
        sentences.push(format!("New since {since}: {}.", list(&joined, 4)));
    }
    Some(sentences.join(" "))
}

fn figure(change: &AlarmChange, speech: &Speech) -> Option<Figure> {
    let figure = |whose: String, was, is, value| Some(Figure { whose, was, is, value });
    match &change.evidence {
        Evidence::Air { place, quantity, value, .. } => {
            let value = if *quantity == Quantity::Humidity { percent(*value) } else { speech.temperature(*value) };
            figure(place.clone(), "was at", "is at", value)
        }
        Evidence::Condensation { place, dew_point, surface, on, .. } => {
            let thing = on.as_ref().map_or(format!("a cold surface in {place}"), |on| format!("the {on} at {place}"));
            let (cold, dew) = (speech.temperature(*surface), speech.temperature(*dew_point));
            figure(thing, "was at", "is at", format!("{cold}, the dew point at {dew}"))
        }
        Evidence::Mold { place, pressure, hours, needed, .. } => {
            figure(place.clone(), "had", "has", format!("{}, pressure {pressure:.0} of 100", hours_of(*hours, *needed)))
        }
        Evidence::Reservoir { reservoir, to_fill, .. } if change.key.kind == AlarmKind::ReservoirEmpty => {
            figure(the(reservoir), "took", "takes", format!("{} to fill", speech.volume_to_a_tenth(*to_fill)))
        }
        Evidence::Reservoir { reservoir, usable, .. } => {
            let level = format!("{} of usable water", speech.volume_to_a_tenth(usable.max(0.0)));
            figure(the(reservoir), "had", "has", level)
        }
        Evidence::Leak { reservoir, sudden_minutes: Some(_), usable, .. } => {
            let left = format!("{} above the pump inlet", speech.volume_to_a_tenth(usable.max(0.0)));
            figure(the(reservoir), "had", "has", left)
        }
        Evidence::Leak { reservoir, lost, .. } => {
            figure(the(reservoir), "had lost", "has lost", speech.volume_to_a_tenth(*lost))
        }
        Evidence::Stuck { place, quantity, value } => {
            let value = match quantity {
                Quantity::Temperature => speech.temperature(*value),
                Quantity::Humidity | Quantity::Filling => percent(*value),
                Quantity::Distance | Quantity::Depth | Quantity::Volume => speech.volume_to_a_tenth(*value),
            };
            figure(format!("the sensor of {}", the(place)), "said", "says", value)
        }
        Evidence::Silent { place, all: false, .. } => {
            figure(format!("the sensor of {}", the(place)), "was", "is", "silent".to_owned())
        }
        _ => None,
    }
}

/// Hours that moved by much since they were told.
fn moved(situation: &Situation, speech: &Speech) -> Option<String> {
    let mut sentences = Vec::new();
    let mut kinds = Vec::new();
    for change in &situation.alarms {
        // Of places that are alike, the most urgent one's hour is the letter's.
        if kinds.contains(&change.key.kind) {
            continue;
        }
        kinds.push(change.key.kind);
        let Some(reported) = situation.reported_of(&change.key) else { continue };
        let (then, told) = (speech.clock(reported.at), hour(reported));
        match (told, hour(change)) {
            (Some(told), Some(now)) if has_moved(reported.at, told, now) => sentences.push(format!(
                "It has moved: {} was told at {then} for about {}; it is about {} now.",
                of(change),
                speech.clock(told),
                speech.clock(now)
            )),
            (Some(told), None) if told > change.at && change.harm.is_some() => sentences.push(format!(
                "It has moved: {} was told at {then} for about {}; more likely it does not come to that now.",
                of(change),
                speech.clock(told)
            )),
            _ => {}
        }
    }
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

/// What a forecast is of.
fn of(change: &AlarmChange) -> &'static str {
    match change.evidence {
        Evidence::Reservoir { .. } => "the empty tank",
        Evidence::Dryness { .. } => "the dry tray",
        _ => "harm",
    }
}

/// The hour that a letter gives for it, if it gives one.
fn hour(change: &AlarmChange) -> Option<Timestamp> {
    match &change.evidence {
        Evidence::Reservoir { empty_at: Some((best, ..)), .. } => Some(*best),
        Evidence::Dryness { hours, .. } => Some(dry_at(change, *hours)),
        _ => change.harm.filter(|harm| harm.has_likely()).map(|harm| harm.likely),
    }
}

fn has_moved(told_at: Timestamp, told: Timestamp, now: Timestamp) -> bool {
    let by = (now - told).abs();
    by >= MOVED && by * MOVED_SHARE >= (told - told_at).abs()
}

/// What the last letter named and this one does not.
pub(super) fn no_longer(no_longer: &[AlarmChange], speech: &Speech) -> Vec<Block> {
    if no_longer.is_empty() {
        return Vec::new();
    }
    let facts = no_longer.iter().map(|change| {
        let words = words(change, speech);
        let by = change.by.as_deref().map(|who| format!(" by {who}")).unwrap_or_default();
        match change.state {
            AlarmState::Normal | AlarmState::ReturnedUnacknowledged => {
                let ended = change.returned_at.unwrap_or(change.at);
                ("Over".to_owned(), format!("{}, since {}. {}", words.name, speech.clock(ended), words.over))
            }
            AlarmState::Shelved => ("Silenced".to_owned(), format!("{}{by}.", words.name)),
            AlarmState::OutOfService => ("Left out".to_owned(), format!("{}, out of service{by}.", words.name)),
            AlarmState::Unacknowledged | AlarmState::Acknowledged => {
                let otherwise = alarm_reported::otherwise(change, &words, speech);
                ("Still so".to_owned(), format!("{}{}. {otherwise}", capital(&words.headline), words.figures))
            }
        }
    });
    vec![Block::Heading("Told before".to_owned()), Block::Facts(facts.collect())]
}
