//! The answers' thread, as the loop hears it. What it tells is taken in in `letters`.

use crate::answers::{Answers, FromAnswers, Work, start};
use crate::config::Config;
use crate::marks::MarkKey;
use tokio::sync::mpsc;

/// The thread, and what it tells; nothing where no mailbox is set.
pub(super) struct Listening {
    _thread: Option<Answers>,
    heard: Option<mpsc::UnboundedReceiver<FromAnswers>>,
}

impl Listening {
    /// Begins to read the mailbox of the settings. Without a thread the watch goes on.
    pub(super) fn begin(config: &Config, key: &MarkKey) -> Listening {
        let Some(settings) = config.mail.answers.clone() else { return Listening { _thread: None, heard: None } };
        let work = Work {
            settings,
            to: config.mail.to.clone(),
            places: config.rules.places.iter().map(|place| place.id.clone()).collect(),
            store: config.store.path.clone(),
            key: key.clone(),
        };
        match start(work) {
            Ok((thread, heard)) => Listening { _thread: Some(thread), heard: Some(heard) },
            Err(error) => {
                tracing::error!(%error, "replies are not read: the system gives no thread");
                Listening { _thread: None, heard: None }
            }
        }
    }

    /// The next thing told. Never ends where nothing is.
    pub(super) async fn next(&mut self) -> FromAnswers {
        if let Some(heard) = &mut self.heard {
            if let Some(next) = heard.recv().await {
                return next;
            }
            self.heard = None;
            return FromAnswers::Deaf("the part that reads them has stopped by a mistake of its own".to_owned());
        }
        std::future::pending().await
    }
}
