//! How a watch ends: what waits is written down and acknowledged, and the store is closed so
//! that the next one finds it well.

use super::keeper;
use super::ledger::Written;
use super::{Daemon, Kept, Leave, Turn};
use std::time::Duration;
use tokio::sync::mpsc;

/// Long enough to write down everything and say goodbye; systemd waits 90 s.
const FAREWELL: Duration = Duration::from_secs(20);

impl Daemon<'_> {
    /// Writes down what waits, acknowledges it, says goodbye. Gives back what the next
    /// watch of this process goes on with.
    pub(super) async fn farewell(mut self, mut written: mpsc::UnboundedReceiver<Written>, turn: &Turn) -> Kept {
        let state = match turn {
            Turn::Leave(Leave::Stop) => Some(sd_notify::NotifyState::Stopping),
            // After "stopping" systemd would not let it go on.
            Turn::Leave(Leave::Reload { .. }) => Some(sd_notify::NotifyState::Reloading),
            Turn::Again { .. } => None,
        };
        if let Some(state) = state {
            let _ = sd_notify::notify(&[state]);
        }
        self.finish(&mut written).await;
        if self.ledger.unsaved() > 0 {
            tracing::error!(readings = self.ledger.unsaved(), "readings could not be saved");
        }
        let state = self.state_at_the_end(turn);
        self.link.close().await;
        self.trouble.clear();
        let now = self.clock.now();
        let mut keeper = keeper::lock(&self.keeper);
        if let Some(state) = state {
            keeper.keep_state(&state);
        }
        if let Err(error) = keeper.close_well(now, turn.moves_run()) {
            tracing::error!(%error, "the store could not be closed in good order");
        }
        let claim = keeper.take_claim();
        drop(keeper);
        Kept { clock: self.clock, claim, page: self.page, reload: self.reload }
    }

    /// Writes down what waits. Whether nothing waits any more.
    pub(super) async fn finish(&mut self, written: &mut mpsc::UnboundedReceiver<Written>) -> bool {
        let finish = async {
            while !self.ledger.is_empty() {
                self.flush(true);
                let Some(done) = written.recv().await else {
                    break;
                };
                let failed = done.error.is_some();
                self.settle(done);
                if failed {
                    break;
                }
            }
        };
        if tokio::time::timeout(FAREWELL, finish).await.is_err() {
            tracing::warn!("the store did not finish in time");
        }
        self.ledger.is_empty()
    }
}
