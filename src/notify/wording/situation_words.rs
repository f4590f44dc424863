//! What a situation says as a whole: alarms of one cause share a headline, what to do and a word
//! of caution. What is told of one place stands for others only where it is true of them.

use super::alarm_reported;
use super::alarm_words::words;
use super::blocks::Block;
use super::sentences::{AlarmWords, short};
use super::speech::{Speech, capital, list};
use super::{air_words, overdue_words, tank_words};
use crate::engine::alarm::{AlarmChange, AlarmKind, AlarmState, Evidence};
use crate::engine::letters::situation::{Cause, Situation};
use chrono::TimeDelta;

/// Places whose hours lie closer together than this are told with one hour, in hours.
const ONE_HOUR: f64 = 1.0;
/// Sensors that fell silent within this fell silent together.
const TOGETHER: TimeDelta = TimeDelta::minutes(15);
/// More than this of names in a subject, and the rest is counted.
const NAMES_IN_SUBJECT: usize = 22;

/// The shortest form of a situation: the same trouble in several places is said once.
pub(super) fn headline(situation: &Situation, speech: &Speech) -> String {
    let Some(first) = situation.first() else { return String::new() };
    if let Some(headline) = overdue_words::headline_of_several(&situation.alike().collect::<Vec<_>>()) {
        return headline;
    }
    let words = words(first, speech);
    let headline = match (place(&first.evidence), places(situation)) {
        (Some(own), several) if several.len() > 1 => {
            let short_names: Vec<String> = several.iter().map(|name| short(name)).collect();
            words.headline.replacen(&short(own), &list(&short_names, 3), 1)
        }
        _ => words.headline,
    };
    headline + &words.figures
}

/// The same for a subject line: what and where, and the figures apart.
pub(super) fn short_headline(situation: &Situation, speech: &Speech) -> (String, String) {
    let Some(first) = situation.first() else { return Default::default() };
    if let Some(headline) = overdue_words::headline_of_several(&situation.alike().collect::<Vec<_>>()) {
        return (headline, String::new());
    }
    let words = words(first, speech);
    let several = places(situation);
    let headline = match place(&first.evidence) {
        Some(own) if several.len() > 1 => words.headline.replacen(&short(own), &in_a_subject(&short(own), &several), 1),
        _ => words.headline,
    };
    (headline, words.figures)
}

/// What it is called, for a subject line: "Rack A, Rack B temperature".
pub(super) fn short_name(situation: &Situation, speech: &Speech) -> String {
    let Some(first) = situation.first() else { return String::new() };
    if let Some(name) = overdue_words::name_of_several(&situation.alike().collect::<Vec<_>>()) {
        return name;
    }
    let name = words(first, speech).name;
    let several = names_of(&situation.alike().collect::<Vec<_>>());
    match place(&first.evidence) {
        Some(own) if several.len() > 1 => name.replacen(&short(own), &in_a_subject(&short(own), &several), 1),
        _ => name,
    }
}

fn in_a_subject(own: &str, several: &[String]) -> String {
    let names = several.iter().map(|name| short(name)).collect::<Vec<_>>().join(", ");
    if names.len() <= NAMES_IN_SUBJECT { names } else { format!("{own} and {} more", several.len() - 1) }
}

/// What to do and by when, in every place that has the same trouble.
pub(super) fn action(situation: &Situation, first: &AlarmChange, speech: &Speech) -> String {
    alarm_reported::action(first, &ordered(situation, first, speech), speech)
}

/// What to do in every place that has the same trouble, by no hour.
pub(super) fn order(situation: &Situation, first: &AlarmChange, speech: &Speech) -> String {
    alarm_reported::order(&ordered(situation, first, speech))
}

/// The words of the first, with what to do for all that are like it.
fn ordered(situation: &Situation, first: &AlarmChange, speech: &Speech) -> AlarmWords {
    let top = words(first, speech);
    let alike: Vec<&AlarmChange> = situation.alike().collect();
    // Damp, dew and mold are three faces of one air, and moving it helps against each.
    let names = match situation.cause {
        Cause::Damp(_) => names_of(&situation.alarms.iter().collect::<Vec<_>>()),
        _ => names_of(&alike),
    };
    if (alike.len() < 2 && names.len() < 2) || alike.iter().all(|change| words(change, speech).easing) {
        return top;
    }
    let action = match &first.evidence {
        Evidence::Dryness { .. } => {
            let each: Vec<String> = alike.iter().filter_map(|change| dry_trays(&change.evidence)).collect();
            format!("Water {} from below", list(&each, each.len()))
        }
        Evidence::Mold { .. } => {
            let mut trays: Vec<String> = alike.iter().flat_map(|change| moldy_trays(&change.evidence)).collect();
            trays.dedup();
            format!("Look at {} and dry the air: fan on, vent open, no misting", list(&trays, 6))
        }
        Evidence::Silent { all: false, blind, .. } if *blind => {
            format!("Look at {} yourself, then at their sensors: power, battery, network", list(&names, 3))
        }
        Evidence::Silent { all: false, .. } => {
            format!("Look at the sensors of {}: power, battery, network", list(&names, 3))
        }
        Evidence::Stage { .. } => overdue_words::action_of_several(&alike),
        _ => match place(&first.evidence) {
            Some(own) => top.action.replacen(own, &list(&names, 3), 1),
            None => top.action.clone(),
        },
    };
    AlarmWords { action, ..top }
}

fn dry_trays(evidence: &Evidence) -> Option<String> {
    match evidence {
        Evidence::Dryness { place, trays, .. } if trays.is_empty() => Some(format!("the trays in {place}")),
        Evidence::Dryness { place, trays, .. } => Some(format!("{} in {place}", list(trays, 4))),
        _ => None,
    }
}

fn moldy_trays(evidence: &Evidence) -> Vec<String> {
    match evidence {
        Evidence::Mold { place, trays, .. } if trays.is_empty() => vec![format!("the trays in {place}")],
        Evidence::Mold { trays, .. } => trays.clone(),
        _ => Vec::new(),
    }
}

/// The places of which the headline of the first is true, each once, by name.
fn places(situation: &Situation) -> Vec<String> {
    let Some(first) = situation.first() else { return Vec::new() };
    let told: Vec<&AlarmChange> = situation.alike().filter(|change| is_true_of(first, change)).collect();
    names_of(&told)
}

fn names_of(alarms: &[&AlarmChange]) -> Vec<String> {
    let mut names: Vec<String> =
        alarms.iter().filter_map(|change| place(&change.evidence)).map(str::to_owned).collect();
    names.sort();
    names.dedup();
    names
}

/// What the headline says of the one, with its hour, is so of the other.
fn is_true_of(one: &AlarmChange, other: &AlarmChange) -> bool {
    match (&one.evidence, &other.evidence) {
        (Evidence::Dryness { hours, .. }, Evidence::Dryness { hours: others, .. }) => (hours - others).abs() < ONE_HOUR,
        (
            Evidence::Silent { last_heard, blind, .. },
            Evidence::Silent { last_heard: others, blind: other_blind, .. },
        ) => {
            let together = match (last_heard, others) {
                (Some(one), Some(other)) => (*one - *other).abs() < TOGETHER,
                (None, None) => true,
                _ => false,
            };
            blind == other_blind && together
        }
        _ => true,
    }
}

/// The place an alarm of the air is about.
fn place(evidence: &Evidence) -> Option<&str> {
    match evidence {
        Evidence::Air { place, .. }
        | Evidence::Condensation { place, .. }
        | Evidence::Mold { place, .. }
        | Evidence::Dryness { place, .. }
        | Evidence::Silent { place, .. } => Some(place),
        _ => None,
    }
}

/// What each of its alarms says, each sentence once.
pub(super) fn what(situation: &Situation, speech: &Speech) -> String {
    let lost = situation.alarms.iter().any(|change| change.key.kind == AlarmKind::ReservoirLeak);
    let mut told: Vec<String> = Vec::new();
    let mut kinds: Vec<AlarmKind> = Vec::new();
    for change in &situation.alarms {
        let kind = change.key.kind;
        if kinds.contains(&kind) {
            continue;
        }
        let alike: Vec<&AlarmChange> = situation.alarms.iter().filter(|other| other.key.kind == kind).collect();
        let together = air_words::what_of_several(&alike, speech);
        if let Some(sentence) = together.or_else(|| overdue_words::what_of_several(&alike, speech)) {
            kinds.push(kind);
            told.push(sentence);
            continue;
        }
        let beside = if lost { tank_words::beside_a_loss(change, speech) } else { None };
        told.push(beside.unwrap_or_else(|| words(change, speech).what));
    }
    told.retain(|sentence| !sentence.is_empty());
    told.dedup();
    told.join(" ")
}

/// Since when the first of its alarms, or one like it, holds.
pub(super) fn since(situation: &Situation, first: &AlarmChange, speech: &Speech) -> String {
    let since = situation.alike().map(|change| change.since).min().unwrap_or(first.since);
    alarm_reported::since(&AlarmChange { since, ..first.clone() }, &words(first, speech), speech)
}

/// Where the cause usually lies. What befalls several racks of one air at once lies in what they share.
pub(super) fn look_first(situation: &Situation, speech: &Speech) -> Option<String> {
    let first = situation.first()?;
    let look = words(first, speech).look_first;
    if look.is_empty() {
        return None;
    }
    let names = places(situation);
    Some(if names.len() > 1 {
        format!("{} at once: at what they share. {look}", list(&names, 3))
    } else {
        look.to_owned()
    })
}

/// Who has answered, and when.
pub(super) fn seen(situation: &Situation, speech: &Speech) -> Option<String> {
    let seen = situation.alarms.iter().find(|change| change.state == AlarmState::Acknowledged)?;
    let who = seen.by.as_deref().map(str::trim).filter(|who| !who.is_empty()).unwrap_or("Somebody");
    Some(format!("{who} has answered at {}.", speech.clock(seen.answered_at.unwrap_or(seen.at))))
}

/// One word of caution for all of them.
pub(super) fn caution(situations: &[Situation], speech: &Speech) -> Option<Block> {
    let cautions = cautions(situations.iter().flat_map(|situation| &situation.alarms), speech);
    (!cautions.is_empty()).then_some(Block::Small(cautions))
}

/// The cautions of some alarms, each once.
pub(super) fn cautions<'a>(alarms: impl Iterator<Item = &'a AlarmChange>, speech: &Speech) -> String {
    let mut cautions: Vec<&str> = alarms.filter_map(|change| words(change, speech).caution).collect();
    cautions.sort_unstable();
    cautions.dedup();
    cautions.join(" ")
}

/// As a list shows it, with how to answer at a shell.
pub(super) fn listed(situation: &Situation, speech: &Speech) -> (String, Vec<(&'static str, String)>) {
    let Some(first) = situation.first() else { return (String::new(), Vec::new()) };
    let top = words(first, speech);
    let mut facts = Vec::new();
    if situation.is_over() {
        let over: Vec<String> = situation.alarms.iter().map(|change| words(change, speech).over).collect();
        let ended = situation.alarms.iter().filter_map(|change| change.returned_at).max().unwrap_or(first.at);
        facts.push((
            "over",
            format!("{} Since {}; nobody has said yet that they saw it.", over.join(" "), speech.clock(ended)),
        ));
    } else {
        facts.push(("do", action(situation, first, speech)));
        facts.extend(look_first(situation, speech).map(|look| ("look first", look)));
        facts.push(("what", what(situation, speech)));
        facts.push(("since", since(situation, first, speech)));
        facts.push(("otherwise", alarm_reported::otherwise(first, &top, speech)));
        facts.extend(seen(situation, speech).map(|seen| ("seen", seen)));
        let cautions = caution(std::slice::from_ref(situation), speech);
        if let Some(Block::Small(caution)) = cautions {
            facts.push(("mind", caution));
        }
    }
    let unseen =
        |change: &&AlarmChange| matches!(change.state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged);
    let unseen = situation.alarms.iter().filter(unseen);
    facts.extend(unseen.map(|change| ("answer", alarm_reported::acknowledge(change))));
    let headline = if situation.is_over() { format!("{}, over", top.name) } else { headline(situation, speech) };
    (capital(&headline), facts)
}
