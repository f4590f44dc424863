//! The answers' thread, as the loop hears it. What it tells is taken in in `letters`.

use crate::answers::{Answers, FromAnswers, Work, start};
use crate::config::Config;
use crate::marks::MarkKey;
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
