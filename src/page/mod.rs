//! The round sheet: a page for whoever stands at the racks with wet hands. It shows the
//! room as the engine last told it, and speaks to the daemon as the verbs do, through the
//! store's inbox; it judges nothing and writes no entry itself.
//!
//! It lives in a thread of its own with a runtime of its own, reads the store over its own
//! connection, and may fall over without the watch noticing more than a line.
//!
//! In reading order: this file is the daemon's end, `desk` what every answer is made from; `serve` takes connections and bounds
//! them, `gate` says who may, `route` finds the answer. `round` works out what a round has
//! to do (pure); `round_sheet`, `room`, `tray`, `journal` and `sow` set the five sheets
//! inside the `frame`; `forms` makes entries of what was ticked, `posted` hands them over. `metrics` is
//! the room for programs.

mod days;
mod desk;
mod failures;
mod forms;
mod frame;
mod gate;
mod journal;
pub mod link;
mod live;
mod metrics;
pub mod pairing;
mod posted;
pub(crate) mod qr;
mod reply;
mod room;
mod round;
mod round_sheet;
mod route;
pub(crate) mod secrets;
mod serve;
mod sow;
mod tray;

pub use desk::Desk;
pub use round_sheet::rack_address;
pub use serve::connection;

use crate::config::Config;
use crate::engine::letters::snapshot::Snapshot;
use crate::engine::rules::Rules;
use desk::Shown;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::sync::{Notify, watch};

/// The daemon's end of the page. When it is dropped, the page ends.
#[derive(Debug)]
pub struct Page {
    shown: watch::Sender<Shown>,
    nudge: Arc<Notify>,
}

impl Page {
    /// Starts serving, if the settings say so. An address that is taken is no error: it is
    /// tried again, and the watch goes on.
    pub fn start(config: &Config, snapshot: Snapshot) -> Option<Page> {
        config.page.listen?;
        let (page, desk) = Page::and_desk(config, snapshot);
        let spawned = std::thread::Builder::new().name("page".to_owned()).spawn(move || serve::thread(desk));
        if let Err(error) = spawned {
            tracing::error!(%error, "there is no page: its thread could not be started");
            return None;
        }
        Some(page)
    }

    /// The two ends, before anybody listens.
    pub fn and_desk(config: &Config, snapshot: Snapshot) -> (Page, Desk) {
        let (shown, receiver) =
            watch::channel(Shown { nth: 1, snapshot: Arc::new(snapshot), since: tokio::time::Instant::now() });
        let nudge = Arc::new(Notify::new());
        let listen = config.page.listen.unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], 0)));
        let desk = Desk::new(config, listen, receiver, Arc::clone(&nudge));
        (Page { shown, nudge }, desk)
    }

    /// Shows the room as it is now.
    pub(crate) fn show(&self, snapshot: Snapshot) {
        self.shown.send_modify(|shown| {
            shown.nth += 1;
            shown.snapshot = Arc::new(snapshot);
            shown.since = tokio::time::Instant::now();
        });
    }

    /// Rung when something was put into the inbox, so that a tap need not wait.
    pub(crate) fn nudge(&self) -> Arc<Notify> {
        Arc::clone(&self.nudge)
    }
}

/// What a form sent to `path` asks of the daemon, as the inbox holds it; `None`: no form of
/// ours goes there. Who sent it was asked before.
///
/// # Errors
/// A sentence, where it says something that cannot be read.
pub fn asked_by_form(
    rules: &Rules,
    snapshot: &Snapshot,
    path: &str,
    form: &[u8],
) -> Option<Result<Vec<String>, String>> {
    let asked = route::asked(rules, snapshot, path, &forms::Fields::read(form), gate::HERE)?;
    Some(asked.map(|(_, bodies)| bodies))
}
