//! One alarm as it is told: its words together with since when, how long there
//! is, who answered, and how to answer.

use super::alarm_words::words;
use super::sentences::AlarmWords;
use super::speech::{NOW, Speech, capital, span};
use crate::engine::alarm::{AlarmChange, AlarmKind, AlarmState, Harm, Priority, REPORTED_IN_THE_DIGEST};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Closer together than this, an early bound says nothing new.
const SAME_HOUR: TimeDelta = TimeDelta::minutes(10);

/// One alarm in one short paragraph.
pub(crate) fn paragraph(change: &AlarmChange, speech: &Speech) -> String {
    let words = words(change, speech);
    let mut sentences = vec![];
    match change.state {
        AlarmState::Unacknowledged => {
            if change.before == AlarmState::Unacknowledged {
                sentences.push(repriced(change, speech));
            }
            sentences.extend([
                words.what.clone(),
                since(change, &words, speech),
                otherwise(change, &words, speech),
                action(change, &words, speech),
            ]);
        }
        AlarmState::Acknowledged => {
            sentences.push(match change.before {
                AlarmState::Acknowledged => repriced(change, speech),
                _ => format!("Seen{} at {}.", by(change), speech.clock(answered_at(change))),
            });
            sentences.extend([
                words.what.clone(),
                since(change, &words, speech),
                otherwise(change, &words, speech),
                action(change, &words, speech),
            ]);
        }
        AlarmState::ReturnedUnacknowledged => {
            sentences.push(format!("{}: back to normal after {}.", words.name, span(ended_at(change) - change.since)));
            sentences.push(words.over.clone());
            sentences.push(format!("Nobody has said yet that they saw it: {}", acknowledge(change)));
        }
        AlarmState::Normal => {
            sentences.push(match change.before {
                // Somebody let it speak again, and it has nothing to say.
                AlarmState::Shelved | AlarmState::OutOfService => format!("{}: not silenced any more.", words.name),
                AlarmState::ReturnedUnacknowledged if change.by.as_deref() == Some(REPORTED_IN_THE_DIGEST) => {
                    format!("{}: over; the digest told of it.", words.name)
                }
                AlarmState::ReturnedUnacknowledged => format!("{}: over, and seen{}.", words.name, by(change)),
                _ => format!("{}: back to normal after {}.", words.name, span(ended_at(change) - change.since)),
            });
            sentences.push(words.over.clone());
            sentences.push("Nothing to do.".to_owned());
        }
        AlarmState::Shelved => {
            sentences.push(format!(
                "{}: silenced{} at {}; it speaks again by itself when that time is over.",
                words.name,
                by(change),
                speech.clock(answered_at(change))
            ));
            sentences.push(words.what.clone());
        }
        AlarmState::OutOfService => {
            sentences.push(format!(
                "{}: taken out of service{} at {}; it will not speak until it is put back.",
                words.name,
                by(change),
                speech.clock(answered_at(change))
            ));
            sentences.push(words.what.clone());
        }
    }
    if let Some(caution) = words.caution
        && matches!(change.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
    {
        sentences.push(caution.to_owned());
    }
    sentences.retain(|sentence| !sentence.is_empty());
    sentences.join(" ")
}

/// "Low since 22:10 (4 minutes)."
pub(crate) fn since(change: &AlarmChange, words: &AlarmWords, speech: &Speech) -> String {
    let times =
        if change.times > 1 { format!(", the {} time in this episode", ordinal(change.times)) } else { String::new() };
    let began = began_at(change);
    let lasted = change.at - began;
    let lasted = if lasted < TimeDelta::minutes(1) { String::new() } else { format!(" ({})", span(lasted)) };
    format!("{} since {}{lasted}{times}.", words.state, speech.clock(began))
}

/// An alarm about a tank that a round emptied waits until people have gone, and its harm is what it
/// tells of: it began when the tank ran empty.
fn began_at(change: &AlarmChange) -> Timestamp {
    let emptied = change.harm.filter(|_| change.key.kind == AlarmKind::ReservoirEmpty);
    emptied.map_or(change.since, |harm| harm.likely.min(change.since))
}

/// What happens if nobody does anything, and when.
pub(crate) fn otherwise(change: &AlarmChange, words: &AlarmWords, speech: &Speech) -> String {
    if words.easing {
        return "Nothing more is to be feared of it if it stays so.".to_owned();
    }
    let Some(harm) = change.harm else {
        return "No harm is in sight yet.".to_owned();
    };
    if !harm.has_likely() {
        let early = if harm.early <= change.at + NOW { "now".to_owned() } else { speech.clock(harm.early) };
        return format!("It may be that {} from {early} on; more likely it does not come to that.", words.harm);
    }
    let round = speech.clock(change.next_round);
    let against_round = if change.next_round <= change.at {
        String::new()
    } else if harm.likely < change.next_round {
        format!(", before the {round} round")
    } else if harm.early < change.next_round {
        format!("; the early time is before the {round} round")
    } else {
        format!(", after the {round} round")
    };
    if !words.unseen.is_empty() {
        return hidden(change, harm, words.unseen, &against_round, speech);
    }
    if harm.likely < change.at - NOW {
        let since = speech.clock(harm.likely);
        let since = if harm.early == harm.late {
            format!("So since {since}")
        } else {
            format!("Likely so since about {since}")
        };
        return format!("{since}: {}. It goes on unless something is done.", words.harm);
    }
    if harm.likely <= change.at + NOW {
        return format!("Unless something is done, {} from now on.", words.harm);
    }
    let early = perhaps_earlier(change, harm, speech);
    format!("Unless something is done, {} from about {}{early}{against_round}.", words.harm, speech.clock(harm.likely))
}

/// What nobody sees does no harm by itself: something else must go wrong meanwhile.
fn hidden(change: &AlarmChange, harm: Harm, unseen: &str, against_round: &str, speech: &Speech) -> String {
    let from = if harm.likely <= change.at + NOW {
        "from now on".to_owned()
    } else {
        let early = perhaps_earlier(change, harm, speech);
        format!("from about {}{early}{against_round}", speech.clock(harm.likely))
    };
    format!("{unseen}; harm could go unseen {from}.")
}

fn perhaps_earlier(change: &AlarmChange, harm: Harm, speech: &Speech) -> String {
    if harm.early <= change.at + NOW {
        ", perhaps already now".to_owned()
    } else if harm.likely - harm.early > SAME_HOUR {
        format!(", perhaps as early as {}", speech.clock(harm.early))
    } else {
        String::new()
    }
}

/// What to do, by no hour.
pub(crate) fn order(words: &AlarmWords) -> String {
    format!("{}.", capital(&words.action))
}

/// What to do and by when, a sentence that can stand first.
pub(crate) fn action(change: &AlarmChange, words: &AlarmWords, speech: &Speech) -> String {
    let until = match (change.priority, change.harm) {
        _ if words.easing => String::new(),
        (_, Some(harm)) if harm.early <= change.at + NOW => " now".to_owned(),
        (Priority::Digest, _) | (_, None) => String::new(),
        (_, Some(harm)) => format!(" before {}", speech.clock(harm.early)),
    };
    match words.action.split_once(": ") {
        Some((order, how)) => format!("{}{until}: {how}.", capital(order)),
        None => format!("{}{until}.", capital(&words.action)),
    }
}

/// The command that says that a person has seen it.
pub(crate) fn acknowledge(change: &AlarmChange) -> String {
    let id = change.key.id();
    // A grower may have put a space into a tray's name: the shell must see one word.
    let plain = id.chars().all(|letter| letter.is_alphanumeric() || "-_.:/".contains(letter));
    if plain {
        format!("traywarden alarms acknowledge {id}")
    } else {
        format!("traywarden alarms acknowledge '{}'", id.replace('\'', "'\\''"))
    }
}

fn repriced(change: &AlarmChange, speech: &Speech) -> String {
    match change.priority {
        Priority::Now => "It has become urgent.".to_owned(),
        Priority::NextRound => format!("It can wait for the {} round.", speech.clock(change.next_round)),
        Priority::Digest => "It is no longer pressing.".to_owned(),
    }
}

/// When it was over, which may be long before it is listed.
fn ended_at(change: &AlarmChange) -> Timestamp {
    change.returned_at.unwrap_or(change.at).max(change.since)
}

/// Where an alarm is listed, it was answered before now.
fn answered_at(change: &AlarmChange) -> Timestamp {
    change.answered_at.unwrap_or(change.at)
}

fn by(change: &AlarmChange) -> String {
    match change.by.as_deref().map(str::trim) {
        Some(who) if !who.is_empty() => format!(" by {who}"),
        _ => String::new(),
    }
}

fn ordinal(number: u32) -> String {
    let ending = match (number % 10, number % 100) {
        (1, rest) if rest != 11 => "st",
        (2, rest) if rest != 12 => "nd",
        (3, rest) if rest != 13 => "rd",
        _ => "th",
    };
    format!("{number}{ending}")
}
