//! From what the engine says must be told to mails, and from the outbox to the mail server.

use super::{Daemon, Extras, Happening};
use crate::config::Mail as MailSettings;
use crate::engine::event::{Effect, Event, LetterFacts, LetterKind, What};
use crate::engine::letters::digest::{DigestFacts, PlaceDay};
use crate::engine::rules::Rules;
use crate::marks::MarkKey;
use crate::notify::letter::{Letter, Mail, Picture};
use crate::notify::message::{self, Sender};
use crate::notify::outbox::Settled;
use crate::notify::postman::{Postman, PostmanError};
use crate::notify::wording::{self, Answering, ByMail};
use crate::report;
use crate::store::{MailOutcome, Reader, Record};
use tokio::sync::mpsc;

impl Daemon<'_> {
    pub(super) fn write_letter(&mut self, facts: &LetterFacts) -> (Letter, Vec<Mail>) {
        let pictures = if facts.kind == LetterKind::Digest { self.pictures(facts) } else { Vec::new() };
        let letter = wording::letter(facts, &self.rules, pictures, &self.answering(facts));
        (self.witness)(Happening::Letter(&letter));
        tracing::info!(letter = letter.id, subject = letter.subject, "letter");
        let mails = addressed(&letter, &self.config.mail, &self.rules.site.name, &self.marks);
        (letter, mails)
    }

    /// How this letter may be answered, and, for a digest, what became of replies.
    fn answering(&self, facts: &LetterFacts) -> Answering {
        let mail = &self.config.mail;
        let by_mail = mail.answers.as_ref().map(|answers| ByMail {
            address: answers.reply_to.clone().unwrap_or_else(|| mail.from.clone()),
            code: self.marks.code(&facts.id),
        });
        let refused = facts.digest.as_ref().filter(|_| by_mail.is_some()).map_or(0, |day| {
            Reader::open(&self.config.store.path, &self.rules)
                .and_then(|reader| reader.refused_replies(day.from, facts.at))
                .unwrap_or_default()
        });
        Answering { by_mail, refused, deaf: self.deaf.clone() }
    }

    /// A letter that was decided before the last stop but never written down.
    pub(super) fn write_letter_again(&mut self, facts: &LetterFacts) {
        let (at, seq) = self.clock.stamp();
        let mut record = Record::of(Event { at, what: What::Tick }, seq, vec![Effect::Letter(facts.clone())]);
        record.letters.push(self.write_letter(facts));
        self.ledger.add(record, true);
    }

    fn pictures(&self, facts: &LetterFacts) -> Vec<Picture> {
        let Some(digest) = &facts.digest else {
            return Vec::new();
        };
        Reader::open(&self.config.store.path, &self.rules)
            .map(|reader| day_pictures(&reader, &self.rules, digest))
            .unwrap_or_default()
    }

    pub(super) fn send_next(&mut self, sent: &mpsc::UnboundedSender<(String, Result<(), PostmanError>)>) {
        if self.sending {
            return;
        }
        while let Some(id) = self.outbox.take(self.clock.now()) {
            let Some((mail, _)) = self.mails.get(&id).cloned() else {
                continue;
            };
            self.sending = true;
            let postman = Postman::new(&self.config.mail);
            let sent = sent.clone();
            tokio::spawn(async move {
                let outcome = postman.try_once(&mail).await;
                // Nobody listens any more only when the daemon ends.
                let _ = sent.send((id, outcome));
            });
            return;
        }
    }

    pub(super) fn posted(&mut self, id: &str, outcome: Result<(), PostmanError>) {
        self.sending = false;
        let now = self.clock.now();
        let settled =
            self.outbox.settle(id, now, outcome.as_ref().copied().map_err(|error| (error.kind, error.text.as_str())));
        let letter = self.mails.get(id).map(|(mail, _)| mail.letter.clone()).unwrap_or_default();
        let error = outcome.err().map(|error| error.text).unwrap_or_default();
        let message_id = id.to_owned();
        let failed =
            |not_before| MailOutcome::Failed { message_id: message_id.clone(), error: error.clone(), not_before };
        let (what, mail) = match settled {
            Settled::Sent => {
                self.stamp_digest(&letter);
                self.mails.remove(id);
                self.outbox.forget(id);
                (What::LetterSent { letter }, MailOutcome::Sent { message_id: message_id.clone() })
            }
            Settled::Again { not_before, .. } => {
                (What::LetterFailed { letter, error: error.clone() }, failed(Some(not_before)))
            }
            Settled::Failed { .. } => (What::LetterFailed { letter, error: error.clone() }, failed(None)),
            Settled::Unknown => return,
        };
        if !error.is_empty() {
            tracing::warn!(mail = id, error, "the letter did not leave");
        }
        self.happen(what, Extras { mails: vec![mail], ..Extras::default() });
    }
}

/// The charts of a digest, one a place that has data.
pub fn day_pictures(reader: &Reader, rules: &Rules, digest: &DigestFacts) -> Vec<Picture> {
    let draw = |day: &PlaceDay| {
        let place = rules.place_named(&day.id)?;
        let chart = report::place_day(reader, rules, place, digest.from, digest.until, day.band).ok()?;
        let png = crate::chart::day_chart(&chart).ok()?;
        Some(Picture { name: wording::picture_name(&day.id), png })
    };
    digest.places.iter().filter_map(draw).collect()
}

/// A letter's mails; a recipient that no mail server would take is logged and left out.
pub fn addressed(letter: &Letter, settings: &MailSettings, site: &str, marks: &MarkKey) -> Vec<Mail> {
    message::mails(letter, settings, Sender::of(settings, site, marks))
        .into_iter()
        .filter_map(|mail| mail.inspect_err(|error| tracing::error!(%error, "a mail could not be made")).ok())
        .collect()
}

/// Letter ids begin with their kind; digests may grow too old to send, alarms may not.
pub(super) fn kind_of(letter: &str) -> LetterKind {
    if letter.starts_with("digest") {
        LetterKind::Digest
    } else if letter.starts_with("round") {
        LetterKind::Round
    } else {
        LetterKind::Alarm
    }
}
