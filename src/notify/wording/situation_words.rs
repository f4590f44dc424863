//! What a situation says as a whole: alarms of one cause share a headline, a deed and a word
//! of caution.

use super::alarm_reported;
use super::alarm_words::words;
use super::blocks::Block;
use super::sentences::short;
use super::speech::{Speech, capital, list};
use crate::engine::alarm::{AlarmChange, AlarmState, Evidence};
use crate::engine::letters::situation::Situation;

/// The shortest form of a situation: the same trouble in several places is said once.
pub(super) fn headline(situation: &Situation, speech: &Speech) -> String {
    let Some(first) = situation.first() else { return String::new() };
    let headline = words(first, speech).headline;
    match (place(&first.evidence), places(situation)) {
        (Some(own), several) if several.len() > 1 => {
            let short_names: Vec<String> = several.iter().map(|name| short(name)).collect();
            headline.replacen(&short(own), &list(&short_names, 3), 1)
        }
        _ => headline,
    }
}

/// What to do and by when, in every place that has the same trouble.
pub(super) fn action(situation: &Situation, first: &AlarmChange, speech: &Speech) -> String {
    let action = alarm_reported::action(first, &words(first, speech), speech);
    match (place(&first.evidence), places(situation)) {
        (Some(own), several) if several.len() > 1 => action.replacen(own, &list(&several, 3), 1),
        _ => action,
    }
}

/// The places that a situation is about, each once, by name.
fn places(situation: &Situation) -> Vec<String> {
    let mut names: Vec<String> =
        situation.alarms.iter().filter_map(|change| place(&change.evidence)).map(str::to_owned).collect();
    names.sort();
    names.dedup();
    names
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
    let mut what: Vec<String> = situation.alarms.iter().map(|change| words(change, speech).what).collect();
    what.dedup();
    what.join(" ")
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
        facts.push(("what", what(situation, speech)));
        facts.push(("since", alarm_reported::since(first, &top, speech)));
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
    facts.extend(unseen.map(|change| ("answer", format!("traywarden alarms acknowledge {}", change.key.id()))));
    let headline = if situation.is_over() { format!("{}, over", top.name) } else { headline(situation, speech) };
    (capital(&headline), facts)
}
