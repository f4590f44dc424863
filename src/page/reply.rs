//! Answers: a status, headers that every answer carries, and a body that is written at once
//! or, for the live connection, piece by piece.

use http_body_util::combinators::UnsyncBoxBody;
use http_body_util::{BodyExt, Full};
use hyper::body::{Bytes, Frame};
use hyper::header::{self, HeaderValue};
use hyper::{HeaderMap, Response, StatusCode};
use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::sync::mpsc;

/// What goes back to the phone.
pub(super) type HttpReply = Response<UnsyncBoxBody<Bytes, Infallible>>;

/// Nothing from outside, nothing inline, no frame around it.
const CONTENT_POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; \
     connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// A page. It is made anew each time and must not be kept by anybody.
pub(super) fn page(status: StatusCode, markup: maud::Markup) -> HttpReply {
    bytes(status, "text/html; charset=utf-8", "no-store", Bytes::from(markup.into_string()))
}

/// A fixed thing whose address changes with it.
pub(super) fn fixed(kind: &'static str, text: &'static str) -> HttpReply {
    bytes(StatusCode::OK, kind, "public, max-age=31536000, immutable", Bytes::from_static(text.as_bytes()))
}

/// A refusal in a line, for whoever is no reader of pages.
pub(super) fn line(status: StatusCode, text: &'static str) -> HttpReply {
    bytes(status, "text/plain; charset=utf-8", "no-store", Bytes::from_static(text.as_bytes()))
}

/// Text for programs.
pub(super) fn text(status: StatusCode, kind: &'static str, text: String) -> HttpReply {
    bytes(status, kind, "no-store", Bytes::from(text))
}

/// To another page, asked for anew.
pub(super) fn see(address: &str) -> HttpReply {
    let mut reply = line(StatusCode::SEE_OTHER, "");
    if let Ok(address) = HeaderValue::from_str(address) {
        reply.headers_mut().insert(header::LOCATION, address);
    }
    reply
}

/// Events as they come, until the sender is dropped or the phone is gone.
pub(super) fn events(pieces: mpsc::Receiver<Bytes>) -> HttpReply {
    let mut reply = Response::new(Pieces(pieces).boxed_unsync());
    set_headers(reply.headers_mut(), "text/event-stream", "no-store");
    reply
}

/// The same answer with a cookie.
pub(super) fn with_cookie(mut reply: HttpReply, cookie: &str) -> HttpReply {
    if let Ok(cookie) = HeaderValue::from_str(cookie) {
        reply.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    reply
}

fn bytes(status: StatusCode, kind: &'static str, cache: &'static str, body: Bytes) -> HttpReply {
    let mut reply = Response::new(Full::new(body).boxed_unsync());
    *reply.status_mut() = status;
    set_headers(reply.headers_mut(), kind, cache);
    reply
}

fn set_headers(headers: &mut HeaderMap, kind: &'static str, cache: &'static str) {
    let all = [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, cache),
        (header::CONTENT_SECURITY_POLICY, CONTENT_POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // Not "no-referrer": with that, browsers send "Origin: null" with our own forms.
        (header::REFERRER_POLICY, "same-origin"),
        (header::X_FRAME_OPTIONS, "DENY"),
    ];
    for (name, value) in all {
        headers.insert(name, HeaderValue::from_static(value));
    }
}

/// A body that is handed over piece by piece.
struct Pieces(mpsc::Receiver<Bytes>);

impl hyper::body::Body for Pieces {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        self.0.poll_recv(context).map(|piece| piece.map(|bytes| Ok(Frame::data(bytes))))
    }
}
