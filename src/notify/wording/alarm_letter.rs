//! What stands in the letters of a conversation: a call and its reminder, the letter of the
//! evening, the letter before a round, the one that says it is over, and a test letter.
//! Alarms that share a cause share a block, and each letter has one word of caution.

use super::alarm_reported;
use super::alarm_words::words;
use super::answering;
use super::blocks::{Block, Blocks, Urgency};
use super::changed_words;
use super::letterhead::{SUBJECT, masthead, subject, subject_of};
use super::situation_words::{action, caution, headline, look_first, order, seen, since, what};
use super::speech::{Speech, ascii, capital, list, shortened, span, uncapital};
use crate::engine::alarm::AlarmChange;
use crate::engine::event::Occasion;
use crate::engine::letters::situation::Situation;

/// A call, or its reminder.
pub(crate) fn call(situations: &[Situation], no_longer: &[AlarmChange], speech: &Speech) -> Blocks {
    let Some((situation, first)) = leading(situations) else {
        return nothing(speech, "A letter without an alarm: nothing to do.");
    };
    let again = matches!(situation.occasion, Occasion::Reminder(_) | Occasion::AfterRound);
    let mut blocks = told_blocks(situations, no_longer, speech);
    blocks.extend(closing(situations, speech));
    Blocks {
        subject: subject_of(if again { "Still:" } else { "Now:" }, situations, speech),
        masthead: masthead(speech),
        lead: action(situation, first, speech),
        urgency: Urgency::Urgent,
        blocks,
    }
}

/// The letter before people sleep: what will need hands before the morning, and what cannot be
/// watched.
pub(crate) fn evening(situations: &[Situation], no_longer: &[AlarmChange], speech: &Speech) -> Blocks {
    let Some((situation, first)) = leading(situations) else {
        return nothing(speech, "Nothing is expected to need you tonight.");
    };
    let lead = format!("Before you go to bed: {}", uncapital(&order(situation, first, speech)));
    let mut blocks = told_blocks(situations, no_longer, speech);
    blocks.push(Block::Paragraph(
        "If nobody answers and harm becomes more likely than not, you are called in the night, as late as is safe."
            .to_owned(),
    ));
    blocks.extend(closing(situations, speech));
    Blocks {
        subject: subject_of("Tonight:", situations, speech),
        masthead: masthead(speech),
        lead,
        urgency: Urgency::Due,
        blocks,
    }
}

/// All of it is over.
pub(crate) fn over(situations: &[Situation], no_longer: &[AlarmChange], speech: &Speech) -> Blocks {
    let Some((_, first)) = leading(situations) else {
        return nothing(speech, "Nothing to do.");
    };
    let all: Vec<&AlarmChange> = situations.iter().flat_map(|situation| &situation.alarms).collect();
    let names: Vec<String> = all.iter().map(|change| words(change, speech).name).collect();
    let facts = all
        .iter()
        .map(|change| {
            let words = words(change, speech);
            let ended = change.returned_at.unwrap_or(change.at).max(change.since);
            let lasted = format!(
                "{} Its alarm stood for {}, from {} to {}.",
                words.over,
                span(ended - change.since),
                speech.clock(change.since),
                speech.clock(ended)
            );
            (words.name, lasted)
        })
        .collect();
    let mut blocks = vec![Block::Facts(facts)];
    blocks.extend(changed_words::no_longer(no_longer, speech));
    blocks.extend(closing(situations, speech));
    Blocks {
        subject: subject("Over:", &format!("{} back to normal", words(first, speech).name), all.len()),
        masthead: masthead(speech),
        lead: format!("Nothing to do. Back to normal: {}.", list(&names, 3)),
        urgency: Urgency::Calm,
        blocks,
    }
}

/// The letter sent just before a round.
pub(crate) fn round(situations: &[Situation], no_longer: &[AlarmChange], speech: &Speech) -> Blocks {
    let Some((_, first)) = leading(situations) else {
        return nothing(speech, "Nothing waits for your round.");
    };
    let at = speech.clock(first.next_round.max(speech.now));
    let tasks = situations.iter().filter_map(|situation| Some(order(situation, situation.first()?, speech)));
    let tasks: Vec<String> = tasks.collect();
    let mut blocks = Vec::new();
    let lead = match tasks.as_slice() {
        [one] => format!("On your {at} round: {}", uncapital(one)),
        many => {
            blocks.push(Block::Points(many.to_vec()));
            format!("On your {at} round, {} things to see to:", many.len())
        }
    };
    blocks.extend(told_blocks(situations, no_longer, speech));
    blocks.extend(closing(situations, speech));
    Blocks {
        subject: subject_of(&format!("{at} round:"), situations, speech),
        masthead: masthead(speech),
        lead,
        urgency: Urgency::Due,
        blocks,
    }
}

/// A letter that says only that letters arrive.
pub(crate) fn test(speech: &Speech) -> Blocks {
    Blocks {
        subject: ascii(&shortened(&format!("Test letter from {}", ascii(&speech.site.name)), SUBJECT)),
        masthead: masthead(speech),
        lead: "Nothing to do: this is a test letter, and it has arrived.".to_owned(),
        urgency: Urgency::Calm,
        blocks: vec![
            Block::Paragraph(
                "Alarms will reach you the same way. Two things are worth a minute now: \
                 let this sender ring your phone at night, and mark it as a sender you trust, \
                 so that no filter puts an alarm aside."
                    .to_owned(),
            ),
            Block::Paragraph(
                "The daily letter comes every morning, also when all is well. If it does not come, \
                 look at the machine: a dead watch cannot write."
                    .to_owned(),
            ),
        ],
    }
}

fn leading(situations: &[Situation]) -> Option<(&Situation, &AlarmChange)> {
    situations.first().and_then(|situation| Some((situation, situation.first()?)))
}

/// Each situation in a block, and one word of caution for all of them.
fn told_blocks(situations: &[Situation], no_longer: &[AlarmChange], speech: &Speech) -> Vec<Block> {
    let mut blocks = Vec::new();
    for (place, situation) in situations.iter().enumerate() {
        if situations.len() > 1 {
            blocks.push(Block::Heading(format!("{}. {}", place + 1, capital(&headline(situation, speech)))));
        }
        blocks.push(Block::Facts(told_facts(situation, speech, situations.len() > 1)));
    }
    blocks.extend(changed_words::no_longer(no_longer, speech));
    blocks.extend(caution(situations, speech));
    blocks
}

fn told_facts(situation: &Situation, speech: &Speech, with_action: bool) -> Vec<(String, String)> {
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut fact = |name: &str, value: String| facts.push((name.to_owned(), value));
    let Some(first) = situation.first() else { return Vec::new() };
    let top = words(first, speech);
    if with_action {
        fact("Do", action(situation, first, speech));
    }
    match situation.occasion {
        Occasion::Escalated => fact("New", "It was told before and has become more urgent.".to_owned()),
        Occasion::Reminder(number) => fact("Again", format!("Nobody has answered yet; this is reminder {number}.")),
        Occasion::AfterRound => fact(
            "Again",
            "Nobody has answered, nor at the round that was due since. This is told once more and not repeated."
                .to_owned(),
        ),
        _ => {}
    }
    if let Some(look) = look_first(situation, speech) {
        fact("Look first", look);
    }
    facts.extend(changed_words::facts(situation, speech));
    let mut fact = |name: &str, value: String| facts.push((name.to_owned(), value));
    fact("What", what(situation, speech));
    fact("Since", since(situation, first, speech));
    fact("Otherwise", alarm_reported::otherwise(first, &top, speech));
    if let Some(seen) = seen(situation, speech) {
        fact("Seen", seen);
    }
    facts
}

/// How to answer, once a letter: an answer is for everything in it.
fn closing(situations: &[Situation], speech: &Speech) -> Vec<Block> {
    answering::how(situations.iter().flat_map(|situation| &situation.alarms), speech)
}

fn nothing(speech: &Speech, lead: &str) -> Blocks {
    Blocks {
        subject: subject("Note:", &speech.site.name, 1),
        masthead: masthead(speech),
        lead: lead.to_owned(),
        urgency: Urgency::Calm,
        blocks: Vec::new(),
    }
}
