//! What has changed since the last letter, in its own numbers: values, forecasts that moved, and what
//! it named and this one does not.

use super::alarm_reported;
use super::alarm_words::{dry_at, words};
use super::blocks::Block;
use super::speech::{NOW, Speech, capital, hours_of, list, percent, span, the};
use crate::engine::alarm::{AlarmChange, AlarmKind, AlarmState, Evidence};
use crate::engine::letters::situation::{Occasion, Situation, urgency};
use crate::reading::Quantity;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// A forecast that moved by less is the same forecast. Own default.
const MOVED: TimeDelta = TimeDelta::hours(1);
/// And so is one that moved by less than this share of what was left then. Own default.
const MOVED_SHARE: i32 = 4;
/// Less than this is no water left, hours.
const DRY_HOURS: f64 = 0.1;

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
    /// What follows the value, once: " of usable water".
    of: &'static str,
}

/// Each value as it was told and as it is.
fn changed(situation: &Situation, speech: &Speech) -> Option<String> {
    let last = situation.reported.iter().map(|reported| reported.at).max()?;
    let (mut moved, mut stood, mut joined) = (Vec::new(), Vec::new(), Vec::new());
    let mut told_at = Vec::new();
    let mut alarms: Vec<&AlarmChange> = situation.alarms.iter().collect();
    alarms.sort_by_key(|change| (change.key.kind, change.key.subject.as_str()));
    // A loss tells the level too.
    let lost = alarms.iter().any(|change| change.key.kind == AlarmKind::ReservoirLeak);
    for change in alarms {
        let told_with_the_loss = lost && change.key.kind == AlarmKind::ReservoirLow;
        let Some(reported) = situation.reported_of(&change.key) else {
            joined.push(words(change, speech).name);
            continue;
        };
        let (Some(before), Some(now)) = (figure(reported, speech), figure(change, speech)) else { continue };
        if told_with_the_loss {
            continue;
        }
        if before.value == now.value {
            stood.push(format!("{} {} {}{}", now.whose, now.is, now.value, now.of));
        } else {
            let then = if told_at.contains(&reported.at) {
                String::new()
            } else {
                format!(" at {}", speech.clock(reported.at))
            };
            told_at.push(reported.at);
            let was = format!("{} {} {}{}{then}", now.whose, now.was, before.value, now.of);
            moved.push(format!("{was}, {} {} now", now.is, now.value));
        }
    }
    joined.dedup();
    let since = speech.clock(last);
    let mut sentences = Vec::new();
    if !moved.is_empty() {
        sentences.push(format!("{}.", capital(&moved.join("; "))));
        if !stood.is_empty() {
            sentences.push(format!("As it was: {}.", stood.join("; ")));
        }
    }
    if !joined.is_empty() {
        sentences.push(format!("New since {since}: {}.", list(&joined, 4)));
    }
    // Where a letter says again what was said, it says too that nothing has moved.
    if sentences.is_empty() && matches!(situation.occasion, Occasion::Reminder(_) | Occasion::AfterRound) {
        sentences.push(match stood.as_slice() {
            [] => format!("Nothing that is measured, since {since}."),
            stood => format!("Nothing since {since}: {}.", stood.join("; ")),
        });
    }
    (!sentences.is_empty()).then(|| sentences.join(" "))
}

fn figure(change: &AlarmChange, speech: &Speech) -> Option<Figure> {
    let figure = |whose: String, was, is, value, of| Some(Figure { whose, was, is, value, of });
    match &change.evidence {
        Evidence::Air { place, quantity, value, .. } => {
            let value = if *quantity == Quantity::Humidity { percent(*value) } else { speech.temperature(*value) };
            figure(place.clone(), "was at", "is at", value, "")
        }
        Evidence::Condensation { place, dew_point, surface, on, .. } => {
            let thing = on.as_ref().map_or(format!("a cold surface in {place}"), |on| format!("the {on} at {place}"));
            let (cold, dew) = (speech.temperature(*surface), speech.temperature(*dew_point));
            figure(thing, "was at", "is at", format!("{cold} (dew point {dew})"), "")
        }
        Evidence::Mold { place, pressure, hours, needed, .. } => {
            let value = format!("{} (pressure {pressure:.0} of 100)", hours_of(*hours, *needed));
            figure(place.clone(), "had", "has", value, "")
        }
        Evidence::Dryness { place, hours, .. } => {
            let left = (dry_at(change, *hours) - change.at).max(TimeDelta::zero());
            let value = if *hours < DRY_HOURS { "no water".to_owned() } else { format!("water for {}", span(left)) };
            figure(place.clone(), "had", "has", value, "")
        }
        Evidence::Reservoir { reservoir, to_fill, .. } if change.key.kind == AlarmKind::ReservoirEmpty => {
            figure(the(reservoir), "took", "takes", speech.volume(*to_fill), " to fill")
        }
        Evidence::Reservoir { reservoir, usable, .. } => {
            let level = speech.volume_to_a_tenth(usable.max(0.0));
            figure(the(reservoir), "had", "has", level, " of usable water")
        }
        Evidence::Leak { reservoir, usable, .. } => {
            let left = speech.volume_to_a_tenth(usable.max(0.0));
            figure(the(reservoir), "had", "has", left, " above the pump inlet")
        }
        Evidence::Stuck { place, quantity, value } => {
            let value = match quantity {
                Quantity::Temperature => speech.temperature(*value),
                Quantity::Humidity | Quantity::Filling => percent(*value),
                Quantity::Distance | Quantity::Depth | Quantity::Volume => speech.volume_to_a_tenth(*value),
            };
            figure(format!("the sensor of {}", the(place)), "said", "says", value, "")
        }
        Evidence::Silent { place, all: false, .. } => {
            figure(format!("the sensor of {}", the(place)), "was", "is", "silent".to_owned(), "")
        }
        _ => None,
    }
}

/// Hours that moved by much since they were told.
fn moved(situation: &Situation, speech: &Speech) -> Option<String> {
    let mut sentences = Vec::new();
    let mut kinds = Vec::new();
    for change in &situation.alarms {
        let kind = change.key.kind;
        // Of places that are alike, the most urgent one's hour is the letter's: now, and then.
        if kinds.contains(&kind) {
            continue;
        }
        kinds.push(kind);
        let of_kind = situation.reported.iter().filter(|reported| reported.key.kind == kind);
        let Some(reported) = of_kind.min_by_key(|reported| urgency(reported)) else { continue };
        let Some(told) = hour(reported).filter(|told| *told > change.at + NOW) else { continue };
        let was = format!("It has moved: {} was told at {} for", of(change), speech.clock(reported.at));
        let was = format!("{was} about {}", speech.clock(told));
        match hour(change) {
            Some(now) if !has_moved(reported.at, told, now) => {}
            Some(now) if now <= change.at + NOW => sentences.push(format!("{was}; it is there now.")),
            Some(now) => sentences.push(format!("{was}; it is about {} now.", speech.clock(now))),
            None if change.harm.is_some() => {
                sentences.push(format!("{was}; more likely it does not come to that now."));
            }
            None => {}
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
