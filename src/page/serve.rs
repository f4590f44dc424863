//! Connections: taken, counted, timed and ended. What is slow, too large, too many or from
//! elsewhere is turned away here, before anything looks at what it says.
//!
//! hyper is used directly: a server around it that sets no timer leaves a connection whose
//! header never ends open for good.

use super::{Desk, route};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::pin::pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// Connections at once: a dozen phones with a live sheet and a page load each. Own default.
const MOST_CONNECTIONS: usize = 48;
/// Of them from one address, so that one phone cannot keep the others out. Own default.
const MOST_FROM_ONE: usize = 16;
/// Time for a request's header, and for the next request on an open connection.
const HEADER_WITHIN: Duration = Duration::from_secs(5);
/// Time for everything on one connection, unless it is a live one.
const DONE_WITHIN: Duration = Duration::from_secs(30);
/// A live connection is ended after so long; the phone begins a new one by itself.
const LIVE_FOR: Duration = Duration::from_secs(3600);
/// Bytes of a request's header.
const LARGEST_HEADER: usize = 16 * 1024;
/// Lines of a request's header.
const MOST_HEADERS: usize = 64;
/// An address that is taken is tried again so often.
const BIND_AGAIN_AFTER: Duration = Duration::from_secs(15);

/// The page's thread: serves until the daemon lets go of its end.
pub(super) fn thread(desk: Desk) {
    match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => {
            runtime.block_on(run(Arc::new(desk)));
            // What still reads the store for a sheet is not waited for.
            runtime.shutdown_background();
        }
        Err(error) => tracing::error!(%error, "there is no page: its runtime could not be started"),
    }
}

async fn run(desk: Arc<Desk>) {
    let mut left = desk.shown.clone();
    let gone = async move { while left.changed().await.is_ok() {} };
    let serving = async {
        let listener = bind(&desk).await;
        accept(desk, listener).await;
    };
    tokio::select! {
        () = gone => {}
        () = serving => {}
    }
}

async fn bind(desk: &Desk) -> TcpListener {
    let mut reported = false;
    loop {
        match TcpListener::bind(desk.listen).await {
            Ok(listener) => {
                let at = listener.local_addr().unwrap_or(desk.listen);
                tracing::info!("the round sheet is at http://{at}/");
                return listener;
            }
            Err(error) => {
                if !std::mem::replace(&mut reported, true) {
                    tracing::warn!(
                        address = %desk.listen, %error,
                        "the round sheet cannot be served there and is tried again; the watch goes on. Another \
                         program may have the port: set [page] listen to another one, or to \"off\""
                    );
                }
                tokio::time::sleep(BIND_AGAIN_AFTER).await;
            }
        }
    }
}

async fn accept(desk: Arc<Desk>, listener: TcpListener) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let guests = Guests::default();
    loop {
        let Ok((stream, peer)) = listener.accept().await else {
            // Out of file handles, most likely: what is open must end first.
            tokio::time::sleep(Duration::from_millis(200)).await;
            continue;
        };
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else { continue };
        let Some(guest) = guests.admit(peer.ip()) else { continue };
        let desk = Arc::clone(&desk);
        let _ = stream.set_nodelay(true);
        tokio::spawn(async move {
            connection(desk, stream, peer).await;
            drop((place, guest));
        });
    }
}

/// Answers what comes over one connection, until it ends or is ended.
pub async fn connection(desk: Arc<Desk>, stream: impl AsyncRead + AsyncWrite + Unpin, peer: SocketAddr) {
    let live = Arc::new(AtomicBool::new(false));
    let service = {
        let live = Arc::clone(&live);
        service_fn(move |request| {
            let (desk, live) = (Arc::clone(&desk), Arc::clone(&live));
            async move { Ok::<_, std::convert::Infallible>(route::answer(&desk, request, peer.ip(), &live).await) }
        })
    };
    let serving = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WITHIN)
        .max_buf_size(LARGEST_HEADER)
        .max_headers(MOST_HEADERS)
        .serve_connection(TokioIo::new(stream), service);
    let mut serving = pin!(serving);
    for limit in [DONE_WITHIN, LIVE_FOR] {
        match tokio::time::timeout(limit, serving.as_mut()).await {
            // Done, or broken off by the other side: both are the end of it.
            Ok(_) => return,
            Err(_) if live.load(Ordering::Relaxed) => {}
            Err(_) => return,
        }
    }
}

/// How many connections each address has.
#[derive(Clone, Default)]
struct Guests(Arc<Mutex<HashMap<IpAddr, usize>>>);

/// One connection of an address, counted until it is dropped.
struct CountedConnection(Guests, IpAddr);

impl Guests {
    fn admit(&self, address: IpAddr) -> Option<CountedConnection> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(address).or_insert(0);
        if *count >= MOST_FROM_ONE {
            return None;
        }
        *count += 1;
        Some(CountedConnection(self.clone(), address))
    }
}

impl Drop for CountedConnection {
    fn drop(&mut self) {
        let mut all = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.1) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.1);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_cannot_take_every_place_and_gets_its_own_back() {
        let guests = Guests::default();
        let (one, other) = (IpAddr::from([192, 168, 1, 5]), IpAddr::from([192, 168, 1, 6]));
        let held: Vec<CountedConnection> = (0..MOST_FROM_ONE).map_while(|_| guests.admit(one)).collect();
        assert_eq!(held.len(), MOST_FROM_ONE);
        assert!(guests.admit(one).is_none());
        assert!(guests.admit(other).is_some());
        drop(held);
        assert!(guests.admit(one).is_some());
        assert_eq!(guests.0.lock().unwrap().len(), 0, "nobody is remembered who has gone");
    }
}
