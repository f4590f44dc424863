//! The live connection (server-sent events, WHATWG HTML): it says that the room changed,
//! never what changed. The phone then asks for its sheet anew, so that a slow one that
//! missed ten changes gets one whole sheet and not ten parts.

use super::Desk;
use super::reply::{self, HttpReply};
use hyper::body::Bytes;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// A line of nothing so often, so that a phone that has gone is noticed.
const SIGN_OF_LIFE: Duration = Duration::from_secs(15);
/// A phone that takes nothing for so long is let go.
const TAKES_NOTHING: Duration = Duration::from_secs(60);

/// Changes from now on, until the phone goes or the daemon does.
pub(super) fn live(desk: &Arc<Desk>) -> HttpReply {
    // Two wait at most: the next showing takes the place of one that was not fetched.
    let (pieces, receiver) = mpsc::channel::<Bytes>(2);
    let mut shown = desk.shown.clone();
    tokio::spawn(async move {
        let mut piece = format!("retry: 4000\ndata: {}\n\n", shown.borrow_and_update().nth);
        loop {
            let sent = tokio::time::timeout(TAKES_NOTHING, pieces.send(Bytes::from(piece))).await;
            if !matches!(sent, Ok(Ok(()))) {
                return;
            }
            piece = match tokio::time::timeout(SIGN_OF_LIFE, shown.changed()).await {
                Err(_) => ":\n\n".to_owned(),
                Ok(Ok(())) => format!("data: {}\n\n", shown.borrow_and_update().nth),
                Ok(Err(_)) => return,
            };
        }
    });
    reply::events(receiver)
}
