//! What stands in a letter about alarms, in the letter before a round, and in
//! a test letter.

use super::alarm_reported;
use super::alarm_words::{AlarmWords, words};
use super::answering;
use super::blocks::{Block, Blocks, Tone};
use super::speech::{Speech, ascii, capital, list, shortened, span};
use crate::engine::alarm::{AlarmChange, AlarmState, Priority};
use crate::engine::event::Occasion;

/// A subject line stays under 60 characters.
const SUBJECT: usize = 59;

/// The letter that goes now.
pub(crate) fn alarm(alarms: &[(Occasion, AlarmChange)], speech: &Speech) -> Blocks {
    let Some((occasion, first)) = alarms.first() else {
        return nothing(speech, "A letter without an alarm: nothing to do.");
    };
    let top = words(first, speech);
    let over = alarms.iter().all(|(occasion, _)| *occasion == Occasion::Returned);
    let lead = if over {
        let names: Vec<String> = alarms.iter().map(|(_, change)| words(change, speech).name).collect();
        format!("Nothing to do: {} {} back to normal.", list(&names, 3), if names.len() == 1 { "is" } else { "are" })
    } else {
        alarm_reported::action(first, &top, speech)
    };
    let mut blocks = Vec::new();
    for (place, (occasion, change)) in alarms.iter().enumerate() {
        if alarms.len() > 1 {
            blocks.push(Block::Heading(format!("{}. {}", place + 1, heading(*occasion, &words(change, speech)))));
        }
        blocks.extend(section(*occasion, change, speech, alarms.len() > 1));
    }
    blocks.extend(answering::how(alarms.iter().map(|(_, change)| change), speech));
    Blocks {
        subject: subject(&prefix(*occasion, first), &subject_headline(*occasion, &top), alarms.len()),
        masthead: masthead(speech),
        lead,
        tone: match (over, first.priority) {
            (true, _) => Tone::Calm,
            (false, Priority::Now) => Tone::Urgent,
            (false, _) => Tone::Due,
        },
        blocks,
    }
}

/// The letter sent just before a round.
pub(crate) fn round(alarms: &[(Occasion, AlarmChange)], speech: &Speech) -> Blocks {
    let Some((_, first)) = alarms.first() else {
        return nothing(speech, "Nothing waits for your round.");
    };
    let at = speech.clock(first.next_round.max(speech.now));
    let open: Vec<_> = alarms.iter().filter(|(occasion, _)| *occasion != Occasion::Returned).collect();
    let tasks: Vec<String> = open.iter().map(|(_, change)| capital(&words(change, speech).action)).collect();
    let mut blocks = Vec::new();
    let lead = match tasks.as_slice() {
        [] => format!("On your {at} round: nothing waits any more."),
        [one] => format!("On your {at} round: {}.", uncapital(one)),
        many => {
            blocks.push(Block::Points(many.iter().map(|task| format!("{task}.")).collect()));
            format!("On your {at} round, {} things to see to:", many.len())
        }
    };
    for (place, (occasion, change)) in alarms.iter().enumerate() {
        let top = words(change, speech);
        if alarms.len() > 1 {
            blocks.push(Block::Heading(format!("{}. {}", place + 1, heading(*occasion, &top))));
        }
        blocks.extend(section(*occasion, change, speech, false));
    }
    blocks.extend(answering::how(alarms.iter().map(|(_, change)| change), speech));
    let top = words(first, speech);
    Blocks {
        subject: subject(&format!("{at} round: "), &top.headline, alarms.len()),
        masthead: masthead(speech),
        lead,
        tone: Tone::Due,
        blocks,
    }
}

/// A letter that says only that letters arrive.
pub(crate) fn test(speech: &Speech) -> Blocks {
    Blocks {
        subject: ascii(&shortened(&format!("Test letter from {}", ascii(&speech.site.name)), SUBJECT)),
        masthead: masthead(speech),
        lead: "Nothing to do: this is a test letter, and it has arrived.".to_owned(),
        tone: Tone::Calm,
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

/// The line above every letter: whose and when.
pub(crate) fn masthead(speech: &Speech) -> String {
    format!("{} · {}", speech.site.name, speech.local(speech.now).format("%a %-d %b %H:%M"))
}

/// Prefix, headline and "+ 2 more", under 60 ASCII characters. What is cut is the headline.
pub(crate) fn subject(prefix: &str, headline: &str, alarms: usize) -> String {
    let more = if alarms > 1 { format!(" + {} more", alarms - 1) } else { String::new() };
    let prefix = ascii(prefix);
    let room = SUBJECT.saturating_sub(prefix.len() + 1 + more.len());
    format!("{prefix} {}{more}", shortened(&ascii(headline), room))
}

fn section(occasion: Occasion, change: &AlarmChange, speech: &Speech, with_action: bool) -> Vec<Block> {
    let words = words(change, speech);
    let mut facts = Vec::new();
    let mut fact = |name: &str, value: String| facts.push((name.to_owned(), value));
    if occasion == Occasion::Returned {
        fact("Now", words.over.clone());
        fact(
            "Lasted",
            format!(
                "{}, from {} to {}.",
                span(change.at - change.since),
                speech.clock(change.since),
                speech.clock(change.at)
            ),
        );
    } else {
        if with_action {
            fact("Do", alarm_reported::action(change, &words, speech));
        }
        match occasion {
            Occasion::Escalated => fact("New", "This was in an earlier letter and has become more urgent.".to_owned()),
            Occasion::Reminder(number) => fact("Again", format!("Nobody has answered yet; this is reminder {number}.")),
            _ => {}
        }
        fact("What", words.what.clone());
        fact("Since", alarm_reported::since(change, &words, speech));
        fact("Otherwise", alarm_reported::otherwise(change, &words, speech));
    }
    if change.state == AlarmState::Acknowledged {
        fact(
            "Seen",
            format!(
                "{}.",
                change.by.as_deref().map_or("Somebody has answered".to_owned(), |who| format!("{who} has answered"))
            ),
        );
    }
    if let Some(caution) = words.caution
        && occasion != Occasion::Returned
    {
        fact("Mind", caution.to_owned());
    }
    vec![Block::Facts(facts)]
}

fn prefix(occasion: Occasion, change: &AlarmChange) -> String {
    match (occasion, change.priority) {
        (Occasion::Returned, _) => "Over:".to_owned(),
        (Occasion::Reminder(_), Priority::Now) => "Still:".to_owned(),
        (_, Priority::Now) => "Now:".to_owned(),
        (_, Priority::NextRound) => "Next round:".to_owned(),
        (_, Priority::Digest) => "Note:".to_owned(),
    }
}

fn subject_headline(occasion: Occasion, words: &AlarmWords) -> String {
    if occasion == Occasion::Returned { format!("{} back to normal", words.name) } else { words.headline.clone() }
}

fn heading(occasion: Occasion, words: &AlarmWords) -> String {
    match occasion {
        Occasion::Returned => format!("{}: back to normal", words.name),
        _ => words.headline.clone(),
    }
}

fn nothing(speech: &Speech, lead: &str) -> Blocks {
    Blocks {
        subject: subject("Note:", &speech.site.name, 1),
        masthead: masthead(speech),
        lead: lead.to_owned(),
        tone: Tone::Calm,
        blocks: Vec::new(),
    }
}

/// A sentence that continues another starts small, unless its first word is a name in capitals.
fn uncapital(sentence: &str) -> String {
    let mut letters = sentence.chars();
    match letters.next() {
        Some(first) => first.to_lowercase().chain(letters).collect(),
        None => String::new(),
    }
}
