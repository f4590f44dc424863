//! The bytes of a mail to what matters of it: who says to have written it, which letter it
//! names, whether a program wrote it, and the writer's own words. Pure.

use super::written;
use crate::marks;
use crate::units::Timestamp;
use mail_parser::{HeaderValue, Message, MessageParser};
use std::hash::{DefaultHasher, Hash, Hasher};

/// A thread longer than this names its first letters twice.
const MOST_NAMES: usize = 100;
/// A mail full of codes is no answer.
const MOST_CODES: usize = 20;

/// What matters of a mail.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Reply {
    /// Its own Message-ID, or a name made of its bytes.
    pub message_id: String,
    /// The address it says it comes from, in small letters; `None`: none, or several.
    pub sender: Option<String>,
    /// Message-IDs it answers, without brackets: In-Reply-To, then References.
    pub names: Vec<String>,
    /// What looks like a letter's code, in the subject.
    pub(super) codes_in_subject: Vec<String>,
    /// The same in the body.
    pub(super) codes_in_body: Vec<String>,
    /// Why it is the work of a program, if it is (RFC 3834 section 2).
    pub(super) automatic: Option<&'static str>,
    /// When it says it was written.
    pub date: Option<Timestamp>,
    /// The first paragraph of the writer's own.
    pub written: Vec<String>,
}

/// Reads a mail, or only its headers. `None`: it is no mail.
pub(super) fn read(bytes: &[u8]) -> Option<Reply> {
    let message = MessageParser::default().parse(bytes)?;
    let mut names = ids(message.in_reply_to());
    names.extend(ids(message.references()));
    names.truncate(MOST_NAMES);
    let body = body(&message);
    Some(Reply {
        message_id: message.message_id().map_or_else(|| name_of(bytes), str::to_owned),
        sender: sender(&message),
        names,
        codes_in_subject: marks::codes_in(message.subject().unwrap_or_default(), MOST_CODES),
        codes_in_body: marks::codes_in(&body, MOST_CODES),
        automatic: automatic(&message),
        date: message.date().and_then(|date| Timestamp::from_timestamp(date.to_timestamp(), 0)),
        written: written::first_paragraph(&body),
    })
}

fn name_of(bytes: &[u8]) -> String {
    let mut hasher = DefaultHasher::new();
    bytes.hash(&mut hasher);
    format!("nameless-{:016x}", hasher.finish())
}

fn ids(value: &HeaderValue<'_>) -> Vec<String> {
    match value {
        HeaderValue::Text(id) => vec![id.to_string()],
        HeaderValue::TextList(ids) => ids.iter().map(ToString::to_string).collect(),
        _ => Vec::new(),
    }
}

fn sender(message: &Message<'_>) -> Option<String> {
    let from: Vec<_> = message.from()?.iter().filter_map(|from| from.address()).collect();
    match from.as_slice() {
        [one] => Some(one.trim().to_lowercase()),
        _ => None,
    }
}

/// RFC 3834 section 2 names what must not be answered; a report on delivery (RFC 3464) has a
/// type of its own.
fn automatic(message: &Message<'_>) -> Option<&'static str> {
    for (name, value) in message.headers_raw() {
        let (name, value) = (name.to_ascii_lowercase(), value.trim().to_ascii_lowercase());
        match name.as_str() {
            "auto-submitted" if !(value == "no" || value.starts_with("no;") || value.starts_with("no ")) => {
                return Some("Auto-Submitted");
            }
            "precedence" if ["bulk", "junk", "list"].iter().any(|word| value.starts_with(word)) => {
                return Some("Precedence");
            }
            "return-path" if value == "<>" => return Some("an empty Return-Path"),
            "content-type" if value.starts_with("multipart/report") => return Some("a report"),
            _ if name.starts_with("list-") => return Some("a mailing list"),
            _ => {}
        }
    }
    None
}

/// The plain text, or the HTML as text where there is no other, or nothing in it.
fn body(message: &Message<'_>) -> String {
    let plain = message.text_bodies().find(|part| part.is_text() && !part.is_text_html());
    let plain = plain.and_then(|part| part.text_contents()).unwrap_or_default();
    if !written::first_paragraph(plain).is_empty() {
        return plain.to_owned();
    }
    let html = message.html_bodies().find(|part| part.is_text_html()).and_then(|part| part.text_contents());
    match html {
        // The code of a letter may stand in the quoted part only.
        Some(html) => format!("{}\n{}", written::text_of_html(html), quoted(html)),
        None => plain.to_owned(),
    }
}

/// All of the HTML once more, as a quote.
fn quoted(html: &str) -> String {
    let text = mail_parser::decoders::html::html_to_text(html);
    text.lines().map(|line| format!("> {line}\n")).collect()
}
