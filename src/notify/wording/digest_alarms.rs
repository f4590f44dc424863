//! What the daily letter says of alarms: how it names them in its subject and first sentence, those
//! that are open, and those that came or went. They are named and not counted: one cause is one
//! thing, however many alarms tell of it.

use super::alarm_reported;
use super::alarm_words::words;
use super::blocks::Block;
use super::changed_words;
use super::situation_words::{self, headline, short_headline, short_name};
use super::speech::{Speech, capital, list};
use crate::engine::alarm::AlarmState;
use crate::engine::letters::digest::DigestFacts;
use crate::engine::letters::situation::Situation;

/// More names than this, and the rest is counted.
const NAMED: usize = 4;

/// What came and is over, for a subject line; `None` where nothing is.
pub(super) fn all_over(day: &DigestFacts, speech: &Speech) -> Option<String> {
    let first = day.raised.first()?;
    let more = if day.raised.len() > 1 { format!(" + {} more", day.raised.len() - 1) } else { String::new() };
    Some(format!("{}, over{more}", short_name(first, speech)))
}

/// What is open and what is over, by name.
pub(super) fn sentence(day: &DigestFacts, speech: &Speech) -> String {
    let since = speech.day_and_clock(day.from);
    let over: Vec<String> =
        day.raised.iter().filter(|situation| situation.is_over()).flat_map(|over| names(over, speech)).collect();
    let over = (!over.is_empty()).then(|| format!("Over since {since}: {}.", list(&over, NAMED)));
    if day.standing.is_empty() {
        return match (over, day.raised.is_empty()) {
            (Some(over), _) => over,
            (None, true) => format!("Since {since} no alarm was raised."),
            (None, false) => "Nothing is open that nobody has silenced.".to_owned(),
        };
    }
    let open: Vec<String> = day.standing.iter().map(|situation| in_full(situation, speech)).collect();
    let open = format!("Open: {}.", list(&open, NAMED));
    over.map_or(open.clone(), |over| format!("{open} {over}"))
}

/// Its headline, and the names of what else shares its cause.
fn in_full(situation: &Situation, speech: &Speech) -> String {
    let alike: Vec<String> = situation.alike().map(|change| words(change, speech).name).collect();
    let others: Vec<String> = names(situation, speech).into_iter().filter(|name| !alike.contains(name)).collect();
    let headline = short_headline(situation, speech).0;
    if others.is_empty() { headline } else { format!("{headline} (with {})", list(&others, NAMED)) }
}

pub(super) fn standing_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    if day.standing.is_empty() {
        return Vec::new();
    }
    let mut blocks = vec![Block::Heading("Open alarms".to_owned())];
    let by_mail = speech.answering.is_some_and(|answering| answering.by_mail.is_some());
    for situation in &day.standing {
        let Some(first) = situation.first() else { continue };
        if day.standing.len() > 1 {
            blocks.push(Block::Heading(capital(&headline(situation, speech))));
        }
        let top = words(first, speech);
        let what = situation_words::what(situation, speech);
        let mut facts =
            vec![("What".to_owned(), format!("{what} {}", situation_words::since(situation, first, speech)))];
        facts.extend(changed_words::facts(situation, speech));
        facts.push(("Otherwise".to_owned(), alarm_reported::otherwise(first, &top, speech)));
        facts.push(("Do".to_owned(), situation_words::action(situation, first, speech)));
        facts.extend(situation_words::look_first(situation, speech).map(|look| ("Look first".to_owned(), look)));
        let unseen = situation.alarms.iter().find(|change| change.state == AlarmState::Unacknowledged);
        match (unseen, situation_words::seen(situation, speech)) {
            (Some(change), _) => {
                let how = if by_mail { "Reply \"seen\".".to_owned() } else { alarm_reported::acknowledge(change) };
                facts.push(("Answer".to_owned(), how));
            }
            (None, Some(seen)) => facts.push(("Seen".to_owned(), seen)),
            (None, None) => {}
        }
        blocks.push(Block::Facts(facts));
    }
    blocks.extend(situation_words::caution(&day.standing, speech));
    blocks
}

pub(super) fn alarm_blocks(day: &DigestFacts, speech: &Speech) -> Vec<Block> {
    if day.raised.is_empty() {
        return Vec::new();
    }
    let line = |situation: &Situation| {
        let since = situation.since().map(|since| speech.clock(since)).unwrap_or_default();
        (since, raised_line(situation, speech))
    };
    vec![Block::Heading("Alarms since yesterday".to_owned()), Block::Facts(day.raised.iter().map(line).collect())]
}

/// The names of its alarms, each once.
fn names(situation: &Situation, speech: &Speech) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for change in &situation.alarms {
        let name = words(change, speech).name;
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.sort();
    names
}

/// One cause in a line: what is over, with its names; or what is open.
fn raised_line(situation: &Situation, speech: &Speech) -> String {
    let Some(first) = situation.first() else { return String::new() };
    let who = first.by.as_deref().map(|who| format!(" by {who}")).unwrap_or_default();
    let names = list(&names(situation, speech), NAMED);
    match first.state {
        AlarmState::Normal | AlarmState::ReturnedUnacknowledged => {
            let ended = situation.alarms.iter().map(|change| change.returned_at.unwrap_or(change.at)).max();
            let ended = ended.map(|at| speech.clock(at)).unwrap_or_default();
            let unseen = situation.alarms.iter().any(|change| change.state == AlarmState::ReturnedUnacknowledged);
            let unseen = if unseen { ", not yet seen by anybody" } else { "" };
            let mut over: Vec<String> = situation.alarms.iter().map(|change| words(change, speech).over).collect();
            over.dedup();
            format!("{names}: over at {ended}{unseen}. {}", over.join(" "))
        }
        // Its figures of now stand above.
        AlarmState::Acknowledged => format!("{names}: open, seen{who}."),
        AlarmState::Unacknowledged => format!("{names}: open."),
        AlarmState::Shelved => format!("{names}: silenced for a time{who}."),
        AlarmState::OutOfService => format!("{names}: out of service{who}."),
    }
}
