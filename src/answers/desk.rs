//! Where replies are judged: from whom, to which letter, what they ask for. What they ask
//! goes into the store's inbox, and comes back with what the daemon says to it.

use super::asked::{Asked, asked};
use super::reply::Reply;
use crate::engine::alarm::AlarmKey;
use crate::engine::event::{Command, Grade};
use crate::marks::MarkKey;
use crate::store::{InboxKind, InboxOutcome, Replies, ReplyFate, SentMail, StoreError};
use crate::units::Timestamp;
use chrono::{SecondsFormat, TimeDelta};
use serde_json::Value;
use std::collections::BTreeSet;

/// A letter older than this is answered by its Message-ID only: codes are short.
const CODES_STAND: TimeDelta = TimeDelta::days(14);
/// RFC 3834 section 5 asks for a bound; this one is own choice.
const ANSWERS_AN_HOUR: u32 = 10;
/// A reply that was long on its way says itself when it was written.
const LATE: TimeDelta = TimeDelta::minutes(5);
/// One older than this, or from the future, has a wrong clock.
const TOO_OLD: TimeDelta = TimeDelta::hours(24);

/// Judges replies.
pub(super) struct ReplyDesk {
    replies: Replies,
    to: Vec<String>,
    places: BTreeSet<String>,
    key: MarkKey,
}

/// What is to be done about a mail whose headers were read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Heading {
    /// It concerns us: its body is wanted.
    Ours,
    /// Somebody else's mail, or a program's.
    NotOurs,
    /// It was refused, and that is counted.
    Refused,
}

/// A reply that was taken or not understood.
pub(super) struct Taken {
    reply: i64,
    /// The letter it answers.
    pub letter: SentMail,
    items: Vec<AskedItem>,
}

struct AskedItem {
    line: String,
    outcome: Result<AwaitedWord, String>,
}

/// What waits for the daemon's word.
struct AwaitedWord {
    numbers: Vec<i64>,
    /// That an alarm is over already is no reason to write to anybody.
    only_seen: bool,
}

/// How much of what goes into the inbox is a line's.
struct Share {
    bodies: usize,
    only_seen: bool,
}

/// Each line that somebody must be told something about, and what.
pub(super) type ReplyReport = Vec<(String, Result<String, String>)>;

impl ReplyDesk {
    /// A desk over an open store. `to`: the addresses answers are taken from.
    pub(super) fn new(replies: Replies, to: &[String], places: BTreeSet<String>, key: MarkKey) -> ReplyDesk {
        ReplyDesk { replies, to: to.iter().map(|address| address.to_lowercase()).collect(), places, key }
    }

    /// The store's end.
    pub(super) fn replies(&mut self) -> &mut Replies {
        &mut self.replies
    }

    /// Judges a mail by its headers. Mails of others are not read any further.
    pub(crate) fn heading(&mut self, reply: &Reply, at: Timestamp) -> Result<Heading, StoreError> {
        if reply.automatic.is_some() || self.replies.knows(&reply.message_id)? {
            return Ok(Heading::NotOurs);
        }
        let Some(sender) = &reply.sender else { return Ok(Heading::NotOurs) };
        if self.to.contains(sender) {
            return Ok(Heading::Ours);
        }
        if let Some(letter) = self.marked(reply, None, at)? {
            let number = self.replies.begin(at, &reply.message_id, sender)?;
            self.replies.settle(number, Some(&letter.letter), ReplyFate::Stranger, at, &[])?;
            return Ok(Heading::Refused);
        }
        Ok(Heading::NotOurs)
    }

    /// Takes a whole reply from an address we write to. `None`: it is no answer to us, or
    /// was refused.
    pub(super) fn take(&mut self, reply: &Reply, at: Timestamp) -> Result<Option<Taken>, StoreError> {
        let Some(sender) = &reply.sender else { return Ok(None) };
        let number = self.replies.begin(at, &reply.message_id, sender)?;
        let mut more = vec![("by", Value::from(sender.clone()))];
        if let Some(written_at) = reply.date.filter(|date| at - *date > LATE && at - *date < TOO_OLD) {
            more.push(("at", Value::from(written_at.to_rfc3339_opts(SecondsFormat::Millis, true))));
        }
        let lines = asked(&reply.written, |word| self.places.contains(word), &more);
        let Some(letter) = self.marked(reply, Some(sender), at)? else {
            let pretends = reply.names.iter().any(|name| looks_marked(name))
                || !reply.codes_in_subject.is_empty()
                || lines.first().is_some_and(|(_, asked)| asked.is_ok());
            if pretends {
                self.replies.settle(number, None, ReplyFate::NoMark, at, &[])?;
            } else {
                self.replies.forget(number)?;
            }
            return Ok(None);
        };
        let alarms = self.replies.alarms_of(&letter.letter)?;
        let mut bodies = Vec::new();
        let mut items: Vec<(String, Result<Share, String>)> = Vec::new();
        for (line, asked) in lines {
            let before = bodies.len();
            let outcome = asked.map(|asked| {
                bodies.extend(bodies_of(&asked, &alarms, sender, at));
                Share { bodies: bodies.len() - before, only_seen: matches!(asked, Asked::Seen { .. }) }
            });
            items.push((line, outcome));
        }
        let understood = items.first().is_some_and(|(_, outcome)| outcome.is_ok());
        let fate = if understood { ReplyFate::Taken } else { ReplyFate::NotUnderstood };
        let mut numbers = self.replies.settle(number, Some(&letter.letter), fate, at, &bodies)?.into_iter();
        let mut waiting = Vec::new();
        for (line, outcome) in items {
            let outcome = outcome.map(|Share { bodies, only_seen }| AwaitedWord {
                numbers: numbers.by_ref().take(bodies).collect(),
                only_seen,
            });
            waiting.push(AskedItem { line, outcome });
        }
        Ok(Some(Taken { reply: number, letter, items: waiting }))
    }

    /// Whether the daemon has said its word to everything a reply asked for.
    pub(super) fn is_answered(&self, taken: &Taken) -> Result<bool, StoreError> {
        for number in taken.items.iter().filter_map(|item| item.outcome.as_ref().ok()).flat_map(|wait| &wait.numbers) {
            if self.replies.answer(*number)?.is_none() {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// What has to be told: what was refused or not understood, and what the daemon noted.
    /// Empty when all went as it was meant.
    pub(super) fn reported(&self, taken: &Taken) -> Result<ReplyReport, StoreError> {
        let mut reported = Vec::new();
        if taken.items.is_empty() {
            reported.push((String::new(), Err("there was nothing in it".to_owned())));
        }
        for item in &taken.items {
            match &item.outcome {
                Err(why) => reported.push((item.line.clone(), Err(why.clone()))),
                Ok(waiting) => {
                    for number in &waiting.numbers {
                        let answer = self.replies.answer(*number)?.unwrap_or_default();
                        // What was understood as it was meant needs no mail.
                        match InboxOutcome::of_answer(&answer) {
                            InboxOutcome::Refused(_) if waiting.only_seen => {}
                            InboxOutcome::Refused(why) => reported.push((item.line.clone(), Err(why))),
                            InboxOutcome::Taken { notes, .. } if notes.is_empty() => {}
                            InboxOutcome::Taken { notes, .. } => reported.push((item.line.clone(), Ok(notes))),
                        }
                    }
                }
            }
        }
        Ok(reported)
    }

    /// The id of the letter that may answer this reply; `None` when there were too many.
    pub(super) fn letter_to(&mut self, taken: &Taken, at: Timestamp) -> Result<Option<String>, StoreError> {
        let ours = format!("answer-{}-{}", at.timestamp(), taken.reply);
        let letters = (taken.letter.letter.as_str(), ours.as_str());
        let may = self.replies.may_answer(taken.reply, at, at - TimeDelta::hours(1), ANSWERS_AN_HOUR, letters)?;
        Ok(may.then_some(ours))
    }

    /// The letter of ours whose mark this mail carries. `sender`: also look for the codes of
    /// letters to this address.
    fn marked(&self, reply: &Reply, sender: Option<&str>, at: Timestamp) -> Result<Option<SentMail>, StoreError> {
        if let Some(found) = self.replies.mail_of_ids(&reply.names)? {
            return Ok(Some(found));
        }
        let codes: Vec<&String> = reply.codes_in_subject.iter().chain(&reply.codes_in_body).collect();
        if codes.is_empty() {
            return Ok(None);
        }
        let recipients: Vec<&str> = match sender {
            Some(sender) => vec![sender],
            None => self.to.iter().map(String::as_str).collect(),
        };
        for recipient in recipients {
            for mail in self.replies.mails_to(recipient, at - CODES_STAND)? {
                if codes.contains(&&self.key.code(&mail.letter)) {
                    return Ok(Some(mail));
                }
            }
        }
        Ok(None)
    }
}

/// What goes into the inbox.
fn bodies_of(asked: &Asked, alarms: &[AlarmKey], by: &str, at: Timestamp) -> Vec<(InboxKind, String)> {
    let written = |kind: InboxKind, value: serde_json::Result<String>| value.ok().map(|body| (kind, body));
    match asked {
        Asked::Entry(entry) => written(InboxKind::Journal, serde_json::to_string(entry)).into_iter().collect(),
        Asked::Seen { worth_it } => alarms
            .iter()
            .map(|alarm| seen(alarm.clone(), by.to_owned(), *worth_it))
            .filter_map(|command| written(InboxKind::Command, serde_json::to_string(&command)))
            .collect(),
        Asked::Quiet(span) => alarms
            .iter()
            .map(|alarm| Command::Shelve { alarm: alarm.clone(), by: by.to_owned(), until: at + *span })
            .filter_map(|command| written(InboxKind::Command, serde_json::to_string(&command)))
            .collect(),
    }
}

/// The one place where a judgement becomes a command.
fn seen(alarm: AlarmKey, by: String, worth_it: Option<bool>) -> Command {
    let grade = worth_it.map(|worth_it| if worth_it { Grade::Right } else { Grade::Wrong });
    Command::Acknowledge { alarm, by, grade }
}

/// A Message-ID in the form of ours: 32 hexadecimal digits before the @.
fn looks_marked(name: &str) -> bool {
    name.split_once('@')
        .and_then(|(left, _)| left.rsplit_once('.'))
        .is_some_and(|(_, mark)| mark.len() == 32 && mark.bytes().all(|byte| byte.is_ascii_hexdigit()))
}
