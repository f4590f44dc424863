//! Pairing a phone: a link that works once and for ten minutes, a page with one button
//! behind it, and a secret that then only the phone has. The page does nothing until the
//! button is pressed: what looks at links by itself uses none up.

use super::Desk;
use super::forms::Fields;
use super::frame;
use super::gate;
use super::reply::{self, HttpReply};
use super::secrets;
use crate::clock::Clock;
use crate::store::{Paired, Phones};
use chrono::TimeDelta;
use hyper::StatusCode;
use maud::{Markup, html};
use std::net::IpAddr;

/// A link works for so long.
pub(crate) const LINK_WORKS_FOR: TimeDelta = TimeDelta::minutes(10);
/// A phone's name is no longer.
const LONGEST_NAME: usize = 30;

/// The page behind a link.
pub(super) fn ask(desk: &Desk, query: &Fields, peer: IpAddr) -> HttpReply {
    let code = query.get("code").unwrap_or_default();
    if let Some(refusal) = too_many(desk, peer) {
        return refusal;
    }
    let offered =
        Phones::open(&desk.store).and_then(|phones| phones.offered(&secrets::hashed(code), Clock::system().now()));
    match offered {
        Ok(true) => reply::page(StatusCode::OK, frame::bare("Pair this phone", form(code, "", None))),
        Ok(false) => {
            failed(desk, peer);
            no_link()
        }
        Err(error) => unreadable(&error),
    }
}

/// The button was pressed.
pub(super) fn pair(desk: &Desk, fields: &Fields, peer: IpAddr) -> HttpReply {
    let code = fields.get("code").unwrap_or_default();
    let name = fields.get("name").unwrap_or_default();
    if let Some(refusal) = too_many(desk, peer) {
        return refusal;
    }
    let fits = !name.is_empty() && name.chars().count() <= LONGEST_NAME && !name.chars().any(char::is_control);
    if !fits {
        let why = "Write whose phone it is, in thirty letters or fewer.";
        return reply::page(StatusCode::BAD_REQUEST, frame::bare("Pair this phone", form(code, name, Some(why))));
    }
    let Some(secret) = secrets::secret() else {
        return reply::line(
            StatusCode::SERVICE_UNAVAILABLE,
            "This machine has no randomness to give just now; try again.\n",
        );
    };
    let paired = Phones::open(&desk.store).and_then(|mut phones| {
        phones.pair(&secrets::hashed(code), name, &secrets::hashed(&secret), Clock::system().now())
    });
    match paired {
        Ok(Paired::Yes) => {
            tracing::info!(name, "a phone was paired");
            reply::with_cookie(reply::see("/"), &gate::cookie(&secret))
        }
        Ok(Paired::NameTaken) => {
            let why = "Another phone has that name. Give this one another, such as \"Ada's second\".";
            reply::page(StatusCode::CONFLICT, frame::bare("Pair this phone", form(code, name, Some(why))))
        }
        Ok(Paired::NoSuchLink) => {
            failed(desk, peer);
            no_link()
        }
        Err(error) => unreadable(&error),
    }
}

fn form(code: &str, name: &str, why: Option<&str>) -> Markup {
    html! {
        p { "It may then open the round sheet until it is unpaired. What is ticked on it carries its name." }
        @if let Some(why) = why { p.late { (why) } }
        form.fields method="post" action="/pair" {
            input type="hidden" name="code" value=(code);
            label { "Whose phone is it?" input name="name" required maxlength=(LONGEST_NAME) autocomplete="given-name" value=(name); }
            button.seen { "Pair it" }
        }
    }
}

fn no_link() -> HttpReply {
    let sheet = html! {
        p { "This link was used already, or is older than ten minutes." }
        p { "On the machine that watches, run " code { "traywarden pair" } " for a new one." }
    };
    reply::page(StatusCode::GONE, frame::bare("This link pairs no phone", sheet))
}

fn unreadable(error: &crate::store::StoreError) -> HttpReply {
    tracing::warn!(%error, "cannot pair a phone");
    let sheet = html! { p { "No phone can be paired just now: " (error.to_string()) } };
    reply::page(StatusCode::SERVICE_UNAVAILABLE, frame::bare("Not paired", sheet))
}

fn too_many(desk: &Desk, peer: IpAddr) -> Option<HttpReply> {
    desk.failures().is_too_many(peer, tokio::time::Instant::now()).then(|| {
        let sheet = html! { p { "Too many links were tried from this phone. Wait ten minutes." } };
        reply::page(StatusCode::TOO_MANY_REQUESTS, frame::bare("Not paired", sheet))
    })
}

fn failed(desk: &Desk, peer: IpAddr) {
    desk.failures().count(peer, tokio::time::Instant::now());
}
