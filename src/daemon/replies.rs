//! What the answers' thread tells: whether replies are read, and who must be answered.

use super::Daemon;
use crate::answers::{Answer, Answers, FromAnswers, Work, start};
use crate::config::Config;
use crate::engine::event::{Event, What};
use crate::marks::MarkKey;
use crate::notify::message::{self, Answered, Sender};
use crate::notify::wording;
use crate::store::Record;
use tokio::sync::mpsc;

/// The thread, and what it tells; nothing where no mailbox is set.
pub(super) struct Listening {
    _thread: Option<Answers>,
    reported: Option<mpsc::UnboundedReceiver<FromAnswers>>,
}

impl Listening {
    /// Begins to read the mailbox of the settings. Without a thread the watch goes on.
    pub(super) fn begin(config: &Config, key: &MarkKey) -> Listening {
        let Some(settings) = config.mail.answers.clone() else { return Listening { _thread: None, reported: None } };
        let work = Work {
            settings,
            to: config.mail.to.clone(),
            places: config.rules.places.iter().map(|place| place.id.clone()).collect(),
            store: config.store.path.clone(),
            key: key.clone(),
        };
        match start(work) {
            Ok((thread, reported)) => Listening { _thread: Some(thread), reported: Some(reported) },
            Err(error) => {
                tracing::error!(%error, "replies are not read: the system gives no thread");
                Listening { _thread: None, reported: None }
            }
        }
    }

    /// The next thing told. Never ends where nothing is.
    pub(super) async fn next(&mut self) -> FromAnswers {
        if let Some(reported) = &mut self.reported {
            if let Some(next) = reported.recv().await {
                return next;
            }
            self.reported = None;
            return FromAnswers::Deaf("the part that reads them has stopped by a mistake of its own".to_owned());
        }
        std::future::pending().await
    }
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

    fn write_answer(&mut self, answer: Answer) {
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
