//! From what the engine says must be told to parcels, and from the queues to who is told.

use super::{Daemon, Extras, Observed};
use crate::answers::{FromAnswers, ReplyAnswer};
use crate::engine::alarm::AlarmChange;
use crate::engine::event::{Effect, Event, LetterFacts, LetterKind, What};
use crate::engine::letters::digest::{DigestFacts, PlaceDay};
use crate::engine::rules::Rules;
use crate::notify::carrier::Refused;
use crate::notify::letter::{CarrierName, Letter, Parcel, ParcelKey, Picture};
use crate::notify::message::{self, Answered, Sender};
use crate::notify::post::{ParcelFate, ParcelOutcome, Post, Posted, Tried};
use crate::notify::wording::{self, Answering, ByMail};
use crate::report;
use crate::store::{Reader, Record, StoredOutcome, WaitingParcel};
use crate::units::Timestamp;
use tokio::sync::mpsc;

impl Daemon<'_> {
    pub(super) fn write_letter(&mut self, facts: &LetterFacts) -> (Letter, Vec<Parcel>) {
        let pictures = if facts.kind == LetterKind::Digest { self.pictures(facts) } else { Vec::new() };
        let letter = wording::letter(facts, &self.rules, pictures, &self.answering(facts));
        (self.observer)(Observed::Letter(&letter));
        tracing::info!(letter = letter.id, subject = letter.subject, "letter");
        let parcels = self.posts.iter().flat_map(|post| post.letter(&letter)).collect();
        (letter, parcels)
    }

    /// How a letter may be answered.
    pub(super) fn by_mail(&self, letter: &str) -> Answering {
        let mail = &self.config.mail;
        let by_mail = mail.answers.as_ref().map(|answers| ByMail {
            address: answers.reply_to.clone().unwrap_or_else(|| mail.from.clone()),
            code: self.marks.code(letter),
        });
        Answering { by_mail, ..Answering::default() }
    }

    /// The same, and, for a digest, what became of replies.
    fn answering(&self, facts: &LetterFacts) -> Answering {
        let answering = Answering { proposals: self.proposals.found(), ..self.by_mail(&facts.id) };
        let Some(day) = facts.digest.as_ref().filter(|_| answering.by_mail.is_some()) else { return answering };
        let refused = Reader::open(&self.config.store.path, &self.rules)
            .and_then(|reader| reader.refused_replies(day.from, facts.at))
            .unwrap_or_default();
        Answering { refused, deaf: self.deaf.clone(), ..answering }
    }

    /// A letter that was decided before the last stop but never written down.
    pub(super) fn write_letter_again(&mut self, facts: &LetterFacts) {
        let (at, seq) = self.clock.stamp();
        let mut record = Record::of(Event { at, what: What::Tick }, seq, vec![Effect::Letter(facts.clone())]);
        let letter = self.write_letter(facts);
        record.letters.push(letter);
        self.ledger.add(record, None, true);
    }

    fn pictures(&self, facts: &LetterFacts) -> Vec<Picture> {
        let Some(digest) = &facts.digest else {
            return Vec::new();
        };
        Reader::open(&self.config.store.path, &self.rules)
            .map(|reader| day_pictures(&reader, &self.rules, digest))
            .unwrap_or_default()
    }

    /// Tells lamps at once, written down or not: an unsaved alarm is better than a saved silence.
    pub(super) fn announce(&mut self, change: &AlarmChange, record: &mut Record) {
        for post in &mut self.posts {
            if let Some(parcel) = post.alarm(change) {
                record.parcels.push(parcel.clone());
                record.outcomes.extend(post.put(Posted::alarm(change, parcel)).into_iter().map(outcome));
            }
        }
    }

    /// Says again how every alarm stands: whoever kept it may have forgotten.
    pub(super) fn announce_standing(&mut self) {
        for change in self.engine.snapshot().alarms {
            for post in &mut self.posts {
                if let Some(parcel) = post.alarm(&change) {
                    post.put(Posted::alarm(&change, parcel));
                }
            }
        }
    }

    /// Hands a letter that may go out to its carrier.
    pub(super) fn put(&mut self, posted: Posted) {
        if let Some(post) = self.posts.iter_mut().find(|post| post.carrier() == posted.parcel.key.carrier) {
            post.put(posted);
        }
    }

    /// What waits in the store goes to its carrier's queue.
    pub(super) fn take_up(posts: &mut [Post], waiting: Vec<WaitingParcel>, now: Timestamp) {
        for WaitingParcel { parcel, tries, decided_at, kind, subject, text, tells } in waiting {
            let posted = Posted { parcel, kind, at: decided_at, subject, text };
            if let Some(post) = posts.iter_mut().find(|post| post.carrier() == posted.parcel.key.carrier) {
                post.restore(posted, tries, tells, now);
            }
        }
    }

    /// Every carrier begins what is due on it.
    pub(super) fn begin_tries(&mut self, tried: &mpsc::UnboundedSender<Tried>) {
        let now = self.clock.now();
        let may = [CarrierName::Mail, CarrierName::Lamp].map(|carrier| (carrier, self.may_try(carrier)));
        for post in &mut self.posts {
            if may.contains(&(post.carrier(), true)) {
                post.begin(now, tried);
            }
        }
    }

    /// When a try is to begin on any carrier.
    pub(super) fn next_try(&self) -> Option<Timestamp> {
        let now = self.clock.now();
        self.posts.iter().filter(|post| self.may_try(post.carrier())).filter_map(|post| post.next_at(now)).min()
    }

    /// Whether a try can come to anything: a clock before 1970 can check no certificate, and
    /// without a broker no lamp hears.
    fn may_try(&self, carrier: CarrierName) -> bool {
        match carrier {
            CarrierName::Mail => crate::clock::since_1970().is_some(),
            CarrierName::Lamp => self.broker_up,
        }
    }

    /// The broker is there again: lamps can hear.
    pub(super) fn lamps_can_hear(&mut self) {
        let now = self.clock.now();
        for post in self.posts.iter_mut().filter(|post| post.carrier() == CarrierName::Lamp) {
            post.try_all_now(now);
        }
    }

    /// A try has ended.
    pub(super) fn tried(&mut self, key: &ParcelKey, result: &Result<(), Refused>) {
        let now = self.clock.now();
        let Some(post) = self.posts.iter_mut().find(|post| post.carrier() == key.carrier) else { return };
        let Some((parcel, letters)) = post.settle(key, now, result) else { return };
        if let Err(refused) = result {
            let carrier = key.carrier.word();
            tracing::warn!(carrier, letter = key.letter, recipient = key.recipient, error = %refused, "the letter did not leave");
        }
        let arrived = parcel.fate == ParcelFate::Sent;
        self.note(key.carrier, outcome(parcel), letters, result);
        if arrived && key.carrier == CarrierName::Mail {
            self.gather_held_up(now);
        }
    }

    /// Writes down how a try ended; of letters the engine hears too.
    fn note(
        &mut self,
        carrier: CarrierName,
        outcome: StoredOutcome,
        letters: Vec<String>,
        result: &Result<(), Refused>,
    ) {
        let mut outcomes = vec![outcome];
        if carrier != CarrierName::Mail {
            self.happen(What::Tick, Extras { outcomes, ..Extras::default() });
            return;
        }
        for letter in letters {
            let what = match result {
                Ok(()) => {
                    self.stamp_digest(&letter);
                    What::LetterSent { letter }
                }
                Err(refused) => What::LetterFailed { letter, error: refused.text.clone() },
            };
            self.happen(what, Extras { outcomes: std::mem::take(&mut outcomes), ..Extras::default() });
        }
    }

    /// After an outage: what waited for long is told in one letter.
    fn gather_held_up(&mut self, now: Timestamp) {
        for place in 0..self.posts.len() {
            for (recipient, held) in self.posts[place].held_up(now) {
                let letter = wording::held_up(&held, &self.rules.site, now);
                let parcel =
                    self.posts[place].letter(&letter).into_iter().find(|parcel| parcel.key.recipient == recipient);
                let Some(parcel) = parcel else { continue };
                tracing::info!(letter = letter.id, recipient, letters = held.len(), "told in one letter");
                let reported = self.posts[place].gather(parcel.key.clone(), &held);
                let outcomes = reported.into_iter().map(outcome).collect();
                self.happen(
                    What::Tick,
                    Extras { letters: vec![(letter, vec![parcel])], outcomes, ..Extras::default() },
                );
            }
        }
    }
}

fn outcome(parcel: ParcelOutcome) -> StoredOutcome {
    let ParcelOutcome { key, fate } = parcel;
    match fate {
        ParcelFate::Sent => StoredOutcome::Sent(key),
        ParcelFate::Refused { error, again } => StoredOutcome::Failed { key, error, not_before: again },
        ParcelFate::ToldBy { letter } => StoredOutcome::ToldBy { key, letter },
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

impl Daemon<'_> {
    pub(super) fn take_from_answers(&mut self, reported: FromAnswers) {
        match reported {
            FromAnswers::Reading => {
                tracing::info!("replies are read");
                self.deaf = None;
            }
            FromAnswers::Deaf(why) => {
                tracing::warn!(why, "replies are not read");
                let since = self.deaf.take().map_or(self.clock.now(), |(since, _)| since);
                self.deaf = Some((since, why));
            }
            FromAnswers::Answer(answer) => self.write_answer(answer),
        }
    }

    fn write_answer(&mut self, answer: ReplyAnswer) {
        let (at, seq) = self.clock.stamp();
        let letter =
            wording::reply_letter(answer.id.clone(), &answer.reported, &self.rules.site, at, &self.by_mail(&answer.id));
        let sender = Sender::of(&self.config.mail, &self.rules.site.name, &self.marks);
        let answered = Answered { message_id: answer.reply, thread: answer.thread };
        match message::mail(&letter, &answer.to, sender, Some(&answered)) {
            Ok(mail) => {
                tracing::info!(letter = letter.id, "a reply is answered");
                let mut record = Record::of(Event { at, what: What::Tick }, seq, Vec::new());
                record.letters.push((letter, vec![mail]));
                self.ledger.add(record, None, true);
            }
            Err(error) => tracing::error!(%error, "a reply could not be answered"),
        }
    }
}
