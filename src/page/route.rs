//! From a request to its answer: through the gate, along a fixed table of addresses. No
//! address leads to a file.

use super::forms::{self, Fields, Units};
use super::frame::{self, Framed, Way};
use super::gate::{self, Door, Guest};
use super::reply::{self, HttpReply};
use super::round_sheet::{self, Setting};
use super::{Desk, Shown, journal, live, metrics, pairing, posted, room, round, secrets, sow, tray};
use crate::config::MetricsFor;
use crate::engine::letters::snapshot::Snapshot;
use crate::engine::rules::Rules;
use crate::store::{InboxKind, StoreError};
use http_body_util::{BodyExt, Limited};
use hyper::body::Incoming;
use hyper::header::{self, HeaderMap};
use hyper::{Method, Request, StatusCode};
use maud::{Markup, html};
use serde::Serialize;
use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Bytes of a form: a whole rack's worth is a tenth of it.
const LARGEST_FORM: usize = 16 * 1024;
/// Time for a form to arrive.
const FORM_WITHIN: Duration = Duration::from_secs(10);
/// Longer addresses than ours are no addresses of ours.
const LONGEST_ADDRESS: usize = 2_048;

/// The answer to one request.
pub(super) async fn answer(
    desk: &Arc<Desk>,
    request: Request<Incoming>,
    peer: IpAddr,
    is_live: &AtomicBool,
) -> HttpReply {
    if !gate::is_local(peer) {
        return reply::line(StatusCode::FORBIDDEN, "This page is for the local network only.\n");
    }
    if !gate::is_our_name(request.headers(), &desk.names) {
        return reply::line(
            StatusCode::MISDIRECTED_REQUEST,
            "This machine is not known by that name. Ask for it by its address, or add the name to [page] names.\n",
        );
    }
    if request.uri().path_and_query().is_none_or(|address| address.as_str().len() > LONGEST_ADDRESS) {
        return reply::line(StatusCode::URI_TOO_LONG, "There is no such page.\n");
    }
    match (request.method(), request.uri().path()) {
        (&Method::GET, "/sheet.css") => return reply::fixed("text/css; charset=utf-8", frame::style()),
        (&Method::GET, "/sheet.js") => return reply::fixed("text/javascript; charset=utf-8", frame::SCRIPT),
        (&Method::GET, "/sign.svg") => return reply::fixed("image/svg+xml", frame::SIGN),
        _ => {}
    }
    if matches!(request.uri().path(), "/metrics" | "/health") && request.method() == Method::GET {
        return figures(desk, request.headers(), request.uri().path(), peer);
    }
    if request.uri().path() == "/pair" {
        return pair(desk, request, peer).await;
    }
    let guest = match gate::door(desk, request.headers(), peer) {
        Door::Open(guest) => guest,
        Door::Unpaired => return unpaired(),
    };
    let (parts, body) = request.into_parts();
    let reply = match parts.method {
        Method::GET => {
            let query = Fields::read(parts.uri.query().unwrap_or_default().as_bytes());
            if parts.uri.path() == "/live" {
                is_live.store(true, Ordering::Relaxed);
                return live::live(desk);
            }
            get(desk, &guest, parts.uri.path(), &query).await
        }
        Method::POST => match form(&parts.headers, body).await {
            Ok(fields) => post(desk, &guest, parts.uri.path(), &fields).await,
            Err(refusal) => refusal,
        },
        _ => reply::line(StatusCode::METHOD_NOT_ALLOWED, "A page is asked for with GET, a form sent with POST.\n"),
    };
    reply::with_cookie(reply, &guest.cookie())
}

/// The room for programs, which carry no cookie: for this machine, or for the local network
/// where the settings say so.
fn figures(desk: &Desk, headers: &HeaderMap, path: &str, peer: IpAddr) -> HttpReply {
    if desk.metrics == MetricsFor::ThisMachine && !gate::is_here(headers, peer) {
        return reply::line(
            StatusCode::FORBIDDEN,
            "Figures are for the watch's own machine. For others: [page] metrics = \"local network\".\n",
        );
    }
    let shown = desk.now();
    if path == "/metrics" {
        return reply::text(StatusCode::OK, metrics::KIND, metrics::text(&desk.rules.site, &shown.snapshot));
    }
    let amiss = metrics::amiss(&shown.snapshot, shown.since.elapsed());
    let (status, words) = match amiss.as_slice() {
        [] => (StatusCode::OK, "The watch is well.".to_owned()),
        amiss => (StatusCode::SERVICE_UNAVAILABLE, amiss.join("\n")),
    };
    reply::text(status, "text/plain; charset=utf-8", words + "\n")
}

async fn get(desk: &Desk, guest: &Guest, path: &str, query: &Fields) -> HttpReply {
    let shown = desk.now();
    let nonce = secrets::secret().unwrap_or_default();
    let reported = query.get("told").map_or_else(|| html! {}, |numbers| posted::reported(desk, guest, &nonce, numbers));
    let framed = match path {
        "/" => round_page(desk, guest, &shown, &nonce, reported),
        "/rack" => match rack_page(desk, guest, &shown, &nonce, query.get("id").unwrap_or_default(), reported) {
            Some(framed) => framed,
            None => return nothing_there(),
        },
        "/room" => room_page(desk, &shown, reported),
        "/journal" => journal_page(desk, guest, &nonce, query, reported),
        "/sow" => sow_page(desk, guest, &shown, &nonce, query, reported, false),
        "/tray" => match tray_page(desk, &shown, query.get("name").unwrap_or_default()).await {
            Ok(framed) => framed,
            Err(why) => {
                return reply::page(
                    StatusCode::NOT_FOUND,
                    frame::bare(
                        "No sheet",
                        html! {
                            p { (why) }
                            p { a.big href="/room" { "To the room" } }
                        },
                    ),
                );
            }
        },
        _ => return nothing_there(),
    };
    reply::page(StatusCode::OK, frame::frame(&desk.rules, &shown, guest, framed))
}

fn sheet(desk: &Desk, shown: &Shown) -> (round::RoundSheet, Option<StoreError>) {
    let from = round::Round::at_hand(&desk.rules.site, shown.snapshot.at).from;
    let (journal, error) = match desk.read(|reader| reader.journal(from)) {
        Ok(journal) => (journal, None),
        Err(error) => (Vec::new(), Some(error)),
    };
    (round::sheet(&desk.rules, &shown.snapshot, &journal), error)
}

fn round_page(desk: &Desk, guest: &Guest, shown: &Shown, nonce: &str, reported: Markup) -> Framed<'static> {
    let (sheet, error) = sheet(desk, shown);
    let setting = Setting { rules: &desk.rules, guest, back: "/", nonce };
    let markup = html! {
        (unread(error))
        (round_sheet::round(&setting, &sheet, &round_sheet::pinned(&desk.rules, &shown.snapshot.alarms)))
    };
    Framed { way: Way::Round, title: "Round", reported, sheet: markup, live: true }
}

fn rack_page(
    desk: &Desk,
    guest: &Guest,
    shown: &Shown,
    nonce: &str,
    id: &str,
    reported: Markup,
) -> Option<Framed<'static>> {
    let place = desk.rules.place_named(id)?;
    let (sheet, error) = sheet(desk, shown);
    let name = desk.rules.place(place).name.clone();
    let back = round_sheet::rack_address(id);
    let setting = Setting { rules: &desk.rules, guest, back: &back, nonce };
    let trays: Vec<String> =
        sheet.racks.iter().find(|rack| rack.id == id).map_or_else(Vec::new, |rack| rack.trays.clone());
    let about = |subject: &str| subject == id || trays.iter().any(|tray| tray == subject);
    // The whole slip: what is answered here is answered everywhere.
    let mut pinned = round_sheet::pinned(&desk.rules, &shown.snapshot.alarms);
    pinned.retain(|situation| situation.alarms.iter().any(|alarm| about(&alarm.key.subject)));
    let markup = html! {
        (unread(error))
        @match sheet.racks.iter().find(|rack| rack.id == id) {
            Some(rack) => (round_sheet::one_rack(&setting, rack, &pinned)),
            None => { h1 { (name) } p.quiet { "No tray stands here. " a href="/sow" { "Sow one" } "." } },
        }
    };
    Some(Framed { way: Way::Round, title: "Rack", reported, sheet: markup, live: true })
}

fn room_page(desk: &Desk, shown: &Shown, reported: Markup) -> Framed<'static> {
    let sheet = match desk.day(shown.snapshot.at) {
        Ok(day) => room::room(&desk.rules, &shown.snapshot, &day),
        Err(error) => {
            html! { h1 { "The room" } p.late { "The last day cannot be shown just now: " (error.to_string()) } }
        }
    };
    Framed { way: Way::Room, title: "Room", reported, sheet, live: true }
}

fn journal_page(desk: &Desk, guest: &Guest, nonce: &str, query: &Fields, reported: Markup) -> Framed<'static> {
    let before = query.get("before").and_then(|before| before.parse().ok()).unwrap_or(i64::MAX);
    let setting = Setting { rules: &desk.rules, guest, back: "/journal", nonce };
    let sheet = match desk.read(|reader| reader.journal_before(before, journal::LINES)) {
        Ok(lines) => journal::journal(&setting, &lines),
        Err(error) => unread(Some(error)),
    };
    Framed { way: Way::Journal, title: "Journal", reported, sheet, live: false }
}

fn sow_page(
    desk: &Desk,
    guest: &Guest,
    shown: &Shown,
    nonce: &str,
    fields: &Fields,
    reported: Markup,
    reckon: bool,
) -> Framed<'static> {
    let setting = Setting { rules: &desk.rules, guest, back: "/sow", nonce };
    let sheet = sow::sow(&setting, &shown.snapshot, fields, reckon);
    Framed { way: Way::Sow, title: "Sow", reported, sheet, live: false }
}

/// A tray's sheet is made on another thread: a long life takes a moment.
async fn tray_page(desk: &Desk, shown: &Shown, name: &str) -> Result<Framed<'static>, String> {
    let (store, rules, name, now) = (desk.store.clone(), Arc::clone(&desk.rules), name.to_owned(), shown.snapshot.at);
    let made = tokio::task::spawn_blocking(move || tray::tray(&store, &rules, &name, now)).await;
    let sheet = made.map_err(|_| "The sheet could not be made.".to_owned())??;
    Ok(Framed { way: Way::Room, title: "Tray", reported: html! {}, sheet, live: false })
}

/// Whoever is not paired may ask for this, and nothing else.
async fn pair(desk: &Desk, request: Request<Incoming>, peer: IpAddr) -> HttpReply {
    let (parts, body) = request.into_parts();
    match parts.method {
        Method::GET => pairing::ask(desk, &Fields::read(parts.uri.query().unwrap_or_default().as_bytes()), peer),
        Method::POST => match form(&parts.headers, body).await {
            Ok(fields) => pairing::pair(desk, &fields, peer),
            Err(refusal) => refusal,
        },
        _ => reply::line(StatusCode::METHOD_NOT_ALLOWED, "A link is opened with GET, its button sends POST.\n"),
    }
}

fn unread(error: Option<StoreError>) -> Markup {
    html! {
        @if let Some(error) = error {
            p.late { "What was ticked cannot be shown just now: " (error.to_string()) }
        }
    }
}

async fn post(desk: &Desk, guest: &Guest, path: &str, fields: &Fields) -> HttpReply {
    let sealed = fields.get("form").is_some_and(|form| form == guest.form_token());
    let Some(key) = fields.key().filter(|_| sealed) else {
        return refused(
            StatusCode::FORBIDDEN,
            "/",
            "This form was not shown to you by this page, or is too old. Open the sheet again.",
        );
    };
    if path == "/reckon" {
        let shown = desk.now();
        let framed = sow_page(desk, guest, &shown, &secrets::secret().unwrap_or_default(), fields, html! {}, true);
        return reply::page(StatusCode::OK, frame::frame(&desk.rules, &shown, guest, framed));
    }
    let (kind, bodies) = match asked(&desk.rules, &desk.now().snapshot, path, fields, &guest.name) {
        Some(Ok(asked)) => asked,
        Some(Err(why)) => return refused(StatusCode::BAD_REQUEST, fields.back(), &why),
        None => return nothing_there(),
    };
    match posted::hand_over(desk, kind, &bodies, key).await {
        Ok(numbers) => reply::see(&posted::in_address(fields.back(), &numbers)),
        Err(error) => refused(
            StatusCode::SERVICE_UNAVAILABLE,
            fields.back(),
            &format!("Nothing was written down, because the store cannot be written: {error}"),
        ),
    }
}

/// What a form sent to `path` puts into the inbox; `None`: no form of ours goes there.
///
/// # Errors
/// A sentence, where it says something that cannot be read.
pub(super) fn asked(
    rules: &Rules,
    snapshot: &Snapshot,
    path: &str,
    fields: &Fields,
    by: &str,
) -> Option<Result<(InboxKind, Vec<String>), String>> {
    let entries = match path {
        "/did" => forms::did(rules, snapshot, fields, by),
        "/sow" => sow::entry(fields, Units(rules.site.units), by).map(|entry| vec![entry]),
        "/strike" => forms::strikes(fields, by),
        "/answer" => {
            let commands = forms::answer(fields, by).and_then(|all| all.iter().map(to_json).collect());
            return Some(commands.map(|bodies| (InboxKind::Command, bodies)));
        }
        _ => return None,
    };
    let bodies = entries.and_then(|all| all.iter().map(to_json).collect());
    Some(bodies.map(|bodies| (InboxKind::Journal, bodies)))
}

fn to_json(asked: &impl Serialize) -> Result<String, String> {
    serde_json::to_string(asked).map_err(|error| error.to_string())
}

/// Reads a form that comes from a page of ours.
async fn form(headers: &HeaderMap, body: Incoming) -> Result<Fields, HttpReply> {
    if !gate::comes_from_us(headers) {
        return Err(reply::line(StatusCode::FORBIDDEN, "This form was sent from another site.\n"));
    }
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    if !kind.starts_with("application/x-www-form-urlencoded") {
        return Err(reply::line(StatusCode::UNSUPPORTED_MEDIA_TYPE, "This is no form of ours.\n"));
    }
    match tokio::time::timeout(FORM_WITHIN, Limited::new(body, LARGEST_FORM).collect()).await {
        Ok(Ok(whole)) => Ok(Fields::read(&whole.to_bytes())),
        Ok(Err(error)) if error.is::<http_body_util::LengthLimitError>() => {
            Err(reply::line(StatusCode::PAYLOAD_TOO_LARGE, "This form is larger than any of ours.\n"))
        }
        Ok(Err(_)) => Err(reply::line(StatusCode::BAD_REQUEST, "The form did not arrive whole.\n")),
        Err(_) => Err(reply::line(StatusCode::REQUEST_TIMEOUT, "The form did not arrive in time.\n")),
    }
}

fn refused(status: StatusCode, back: &str, why: &str) -> HttpReply {
    let sheet = html! {
        p.late { (why) }
        p { a.big href=(back) { "Back to the sheet" } }
    };
    reply::page(status, frame::bare("Not written down", sheet))
}

fn nothing_there() -> HttpReply {
    let sheet = html! { p { "There is no such sheet." } p { a.big href="/" { "To the round" } } };
    reply::page(StatusCode::NOT_FOUND, frame::bare("Nothing there", sheet))
}

fn unpaired() -> HttpReply {
    let sheet = html! {
        p { "This phone is not paired with the watch, so it is shown nothing." }
        p { "On the machine that watches, run " code { "traywarden pair" } " and open its link, or point this phone's camera at its code." }
        p { "If it is paired and you came here by a link: " a.big href="/" { "open the sheet" } }
    };
    reply::page(StatusCode::UNAUTHORIZED, frame::bare("Not paired", sheet))
}
