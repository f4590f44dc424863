//! Handing over what was ticked, and saying what became of it. A tick lies in the store's
//! inbox before anything is said of it, under a key by which it counts once: a phone on bad
//! Wi-Fi may send it again as often as it likes, also after a restart.

use super::Desk;
use super::frame::sealed;
use super::gate::Guest;
use crate::clock::Clock;
use crate::report::formatted;
use crate::store::{Inbox, InboxFate, InboxKind, InboxOutcome, StoreError};
use maud::{Markup, html};
use std::time::Duration;

/// The daemon is told at once and commits at once; it is looked for often, and for so long.
const LOOK_AGAIN_AFTER: Duration = Duration::from_millis(25);
/// See [`LOOK_AGAIN_AFTER`]: five seconds in all.
const LOOKS: u32 = 200;
/// More things than this are not done at one go.
const MOST_AT_ONCE: usize = 200;

/// Puts every body into the inbox under the form's key, rings the daemon, and waits a while
/// for its answers. Returns the inbox's numbers.
///
/// # Errors
/// When the inbox cannot be written: nothing was ticked then.
pub(super) async fn hand_over(
    desk: &Desk,
    kind: InboxKind,
    bodies: &[String],
    key: &str,
) -> Result<Vec<i64>, StoreError> {
    let mut inbox = Inbox::open(&desk.store)?;
    let now = Clock::system().now();
    let mut numbers = Vec::new();
    for (index, body) in bodies.iter().take(MOST_AT_ONCE).enumerate() {
        numbers.push(inbox.put_once(now, kind, body, &format!("{key}.{index}"))?);
    }
    desk.nudge.notify_one();
    for _ in 0..LOOKS {
        let mut waits = false;
        for number in &numbers {
            waits |= inbox.fate(*number)? == Some(InboxFate::Waits);
        }
        if !waits {
            break;
        }
        tokio::time::sleep(LOOK_AGAIN_AFTER).await;
    }
    Ok(numbers)
}

/// The inbox's numbers in an address.
pub(super) fn in_address(back: &str, numbers: &[i64]) -> String {
    let (page, part) = back.split_once('#').map_or((back, None), |(page, part)| (page, Some(part)));
    let numbers: Vec<String> = numbers.iter().map(i64::to_string).collect();
    let sign = if page.contains('?') { '&' } else { '?' };
    let part = part.map_or_else(String::new, |part| format!("#{part}"));
    format!("{page}{sign}told={}{part}", numbers.join("."))
}

/// What became of the ticks that an address names, in the strip above the sheet.
pub(super) fn reported(desk: &Desk, guest: &Guest, nonce: &str, numbers: &str) -> Markup {
    let numbers: Vec<i64> = numbers.split('.').take(MOST_AT_ONCE).filter_map(|number| number.parse().ok()).collect();
    let Ok(inbox) = Inbox::open(&desk.store) else { return html! {} };
    let fates: Vec<InboxFate> = numbers.iter().filter_map(|number| inbox.fate(*number).ok().flatten()).collect();
    if fates.is_empty() {
        return html! {};
    }
    let mut waits = 0;
    let mut refused: Vec<String> = Vec::new();
    let mut notes: Vec<String> = Vec::new();
    let mut entries = Vec::new();
    for fate in &fates {
        match fate {
            InboxFate::Waits => waits += 1,
            InboxFate::Answered { answer, entry } => {
                entries.extend(*entry);
                match InboxOutcome::of_answer(answer) {
                    InboxOutcome::Refused(why) if !refused.contains(&why) => refused.push(why),
                    InboxOutcome::Taken { notes: known, .. } if !known.is_empty() && !notes.contains(&known) => {
                        notes.push(known);
                    }
                    _ => {}
                }
            }
        }
    }
    let taken = fates.len() - waits - fates.iter().filter(|fate| is_refused(fate)).count();
    let done = written(desk, &entries);
    html! {
        div.reported class=(if refused.is_empty() { "reported-well" } else { "reported-ill" }) {
            @if waits > 0 { p { "It lies safe, but the watch is busy and has not written it down yet." } }
            @for why in refused { p { strong { "Not written down. " } (why) } }
            @if taken > 0 {
                p {
                    strong { "Written down" @if done.words.is_empty() { "." } @else { ": " } }
                    (done.words)
                    @for note in &notes { " " (note) }
                }
            }
            @if !done.can_go_back.is_empty() { (take_back(guest, nonce, &done.can_go_back)) }
        }
    }
}

fn is_refused(fate: &InboxFate) -> bool {
    matches!(fate, InboxFate::Answered { answer, .. } if matches!(InboxOutcome::of_answer(answer), InboxOutcome::Refused(_)))
}

/// What some entries say, and which of them can still be taken back.
struct WrittenEntries {
    words: String,
    can_go_back: Vec<i64>,
}

fn written(desk: &Desk, entries: &[i64]) -> WrittenEntries {
    const SAID: usize = 3;
    let since = Clock::system().now() - chrono::TimeDelta::hours(1);
    let lines = desk.read(|reader| reader.journal(since)).unwrap_or_default();
    let of: Vec<_> = lines.iter().filter(|line| entries.contains(&line.number)).collect();
    let mut words: Vec<String> =
        of.iter().take(SAID).map(|line| formatted::done_to(&desk.rules, &line.entry.did)).collect();
    if of.len() > SAID {
        words.push(format!("and {} more", of.len() - SAID));
    }
    let mut words = words.join("; ");
    if !words.is_empty() {
        words.push('.');
    }
    let stands = |line: &&&crate::store::JournalLine| {
        line.struck_by.is_none() && !matches!(line.entry.did, crate::journal::Did::Strike { .. })
    };
    WrittenEntries { words, can_go_back: of.iter().filter(stands).map(|line| line.number).collect() }
}

fn take_back(guest: &Guest, nonce: &str, entries: &[i64]) -> Markup {
    let numbers: Vec<String> = entries.iter().map(i64::to_string).collect();
    let numbers = numbers.join(".");
    html! {
        form method="post" action="/strike" data-tap {
            (sealed(guest, &super::forms::key(nonce, &format!("told {numbers}"))))
            input type="hidden" name="back" value="/";
            input type="hidden" name="entries" value=(numbers);
            button.quiet-button { "Take it back" }
        }
    }
}
