//! Every sentence a grower reads about alarms and letters. Pure: facts in, words
//! out. What is, since when, what harm comes and when, what to do.
//!
//! In reading order: `alarm_words` (what a kind says; `air_words`, `tank_words`, `sensor_words` and
//! `watch_words` have its sentences), `alarm_reported` (when, and by whom), `situation_words` (what
//! alarms of one cause say together), `changed_words` (what is new since the last letter),
//! `alarm_letter` and `digest` (what stands in a letter), `letterhead` (what stands above it),
//! `answering` (how to answer), `blocks` (a letter before it is set), `plain` and `html` (the two ways
//! to set it), `speech` (numbers).

mod account_words;
mod air_words;
mod alarm_letter;
mod alarm_words;
mod answering;
mod at_work;
mod blocks;
mod by_mail;
mod changed_words;
mod crop_words;
mod digest;
mod digest_alarms;
mod digest_trays;
mod entry_echo;
mod entry_words;
mod guard_words;
mod held_up;
mod html;
mod letterhead;
mod overdue_words;
mod plain;
mod rationale;
mod refusals;
mod sensor_words;
mod sentences;
mod situation_words;
mod slip;
mod tank_words;
pub(crate) mod speech;
mod alarm_reported;
mod watch_words;

#[cfg(test)]
mod sample_alarms;
#[cfg(test)]
mod samples;
#[cfg(test)]
mod tests;

pub use by_mail::{Answering, ByMail, Proposal};
pub use guard_words::{GuardCall, GuardWhy};

use crate::config::GuardSettings;
use crate::engine::Engine;
use crate::engine::alarm::{AlarmChange, AlarmKind};
use crate::engine::event::{Command, CommandRefusal, EntryNote, EntryRefusal, LetterFacts, LetterKind};
use crate::engine::letters::situation::Situation;
use crate::engine::rules::{Rules, Site};
use crate::engine::watch::band::CropAtStage;
use crate::journal::Entry;
use crate::notify::letter::{Letter, Picture};
use crate::notify::message::fingerprint;
use crate::notify::post::Posted;
use crate::units::{Timestamp, UnitSystem};
pub use rationale::{Rationale, raised_after, rationale};
pub use slip::{Slip, headline, name, slip};
use speech::Speech;

/// One alarm in one short paragraph, as JSON, the lamp and the terminal show it.
pub fn alarm_text(change: &AlarmChange, site: &Site) -> String {
    alarm_reported::paragraph(change, &Speech::new(site, change.at))
}

/// A kind of alarm as people say it: "air too warm".
pub fn kind(kind: AlarmKind) -> String {
    account_words::name(kind)
}

/// What stands in a place, as a terminal and JSON show it: "broccoli in light".
pub fn crops(crops: &[CropAtStage]) -> Vec<String> {
    crop_words::crops_at_stage(crops)
}

/// Alarms of one cause as a terminal lists them: a headline, and names with what belongs to them.
pub fn situation(situation: &Situation, site: &Site) -> (String, Vec<(&'static str, String)>) {
    let at = situation.alarms.iter().map(|change| change.at).max().unwrap_or_default();
    situation_words::listed(situation, &Speech::new(site, at))
}

/// What the watch says as it begins, a line of the log each: what it watches, and what it
/// cannot while no tray is in the journal.
pub(crate) fn at_work(rules: &Rules, engine: &Engine) -> Vec<String> {
    at_work::lines(rules, engine)
}

/// What the grower should know about a journal entry that was taken.
fn entry_note(note: &EntryNote, rules: &Rules) -> String {
    entry_words::note(note, rules)
}

/// What was understood of a journal entry; empty where nothing was there to change. `trays`: how
/// many trays the one it is about stands for.
pub(crate) fn entry_understood(entry: &Entry, rules: &Rules, trays: Option<u32>, notes: &[EntryNote]) -> String {
    let nothing_changed = notes.iter().any(|note| matches!(note, EntryNote::NoTrayThere { .. }));
    if nothing_changed { String::new() } else { entry_echo::entry(entry, rules, trays) }
}

/// What the grower should know about a journal entry that was taken, empty if nothing.
pub(crate) fn entry_notes(notes: &[EntryNote], rules: &Rules) -> String {
    notes.iter().map(|note| entry_note(note, rules)).collect::<Vec<_>>().join(" ")
}

/// Why a reading or message was refused, after "because" or a colon; `word`: the stable one.
pub fn refusal(word: &str) -> &'static str {
    sensor_words::doubt(word)
}

/// What was understood of an answer to an alarm.
pub(crate) fn command_taken(command: &Command, site: &Site, now: Timestamp) -> String {
    entry_echo::command(command, &Speech::new(site, now))
}

/// Why a journal entry was not taken, and what to do about it.
pub fn entry_refused(refusal: &EntryRefusal, units: UnitSystem) -> String {
    refusals::entry(refusal, units)
}

/// Why an answer to an alarm changed nothing, and what to do about it.
pub fn command_refused(refusal: &CommandRefusal) -> String {
    refusals::command(refusal)
}

/// What whoever sent an entry to a site that nobody watches is told; sites as in topics.
pub(crate) fn of_another_site(ours: &str, theirs: &str) -> String {
    refusals::of_another_site(ours, theirs)
}

/// The words of a letter. A picture is shown beside the place for which
/// [`picture_name`] gives its name; others are left out.
pub fn letter(facts: &LetterFacts, rules: &Rules, pictures: Vec<Picture>, answering: &Answering) -> Letter {
    let speech = Speech::new(&rules.site, facts.at).answered(answering);
    let known: Vec<&str> = pictures.iter().map(|picture| picture.name.as_str()).collect();
    let blocks = match (facts.kind, facts.digest.as_deref()) {
        (LetterKind::Digest, Some(day)) => digest::blocks(day, &speech, &known),
        (LetterKind::Round, _) => alarm_letter::round(&facts.situations, &facts.no_longer, &speech),
        (LetterKind::Evening, _) => alarm_letter::evening(&facts.situations, &facts.no_longer, &speech),
        (LetterKind::Over, _) => alarm_letter::over(&facts.situations, &facts.no_longer, &speech),
        _ => alarm_letter::call(&facts.situations, &facts.no_longer, &speech),
    };
    let html = html::page(&blocks);
    let pictures = pictures.into_iter().filter(|picture| blocks.shows(&picture.name)).collect();
    Letter {
        id: facts.id.clone(),
        kind: facts.kind,
        at: facts.at,
        answers: facts.answers.clone(),
        text: plain::text(&blocks),
        html,
        subject: blocks.subject,
        pictures,
    }
}

/// A letter that says only that letters arrive. `id` must be new for each.
pub(crate) fn test_letter(id: String, site: &Site, at: Timestamp) -> Letter {
    bare(id, None, at, alarm_letter::test(&Speech::new(site, at)))
}

/// The answer to a reply: each of its lines with what was noted, or why it was not taken.
pub(crate) fn reply_letter(
    id: String,
    reported: &[(String, Result<String, String>)],
    site: &Site,
    at: Timestamp,
    answering: &Answering,
) -> Letter {
    bare(id, None, at, answering::reply(reported, &Speech::new(site, at).answered(answering)))
}

/// What the guard of a site writes. `broken` is why the broker was lost, `answers` the
/// guard's letter that this one ends.
pub(crate) fn guard_letter(
    call: &GuardCall,
    guard: &GuardSettings,
    broken: &str,
    answers: Option<String>,
    at: Timestamp,
) -> Letter {
    let site = guard_words::site(guard);
    let ends = matches!(call, GuardCall::Back { .. } | GuardCall::DigestCame { .. });
    let id = format!("guard-{}-{}", guard.site, at.timestamp_millis());
    bare(id, answers.filter(|_| ends), at, guard_words::blocks(call, guard, broken, &Speech::new(&site, at)))
}

/// A letter of the guard that says only that its letters arrive.
pub(crate) fn guard_test_letter(guard: &GuardSettings, at: Timestamp) -> Letter {
    let site = guard_words::site(guard);
    let id = format!("guard-test-{}", at.timestamp_millis());
    bare(id, None, at, guard_words::test(guard, &Speech::new(&site, at)))
}

fn bare(id: String, answers: Option<String>, at: Timestamp, blocks: blocks::Blocks) -> Letter {
    Letter {
        id,
        kind: LetterKind::Alarm,
        at,
        answers,
        text: plain::text(&blocks),
        html: html::page(&blocks),
        subject: blocks.subject,
        pictures: Vec::new(),
    }
}

/// One letter for several that were held up: sorted, the newest first, at least two.
pub fn held_up(held: &[Posted], site: &Site, now: Timestamp) -> Letter {
    let blocks = held_up::blocks(held, &Speech::new(site, now));
    let keys: Vec<&str> = held.iter().map(|posted| posted.parcel.key.letter.as_str()).collect();
    Letter {
        // The same letters give the same id, whoever asks.
        id: format!("held-up-{}-{:016x}", now.format("%Y-%m-%dT%H:%MZ"), fingerprint(&keys.join("\n"))),
        kind: LetterKind::Alarm,
        at: now,
        answers: None,
        text: plain::text(&blocks),
        html: html::page(&blocks),
        subject: blocks.subject,
        pictures: Vec::new(),
    }
}

/// What the chart of this place is called inside a digest.
pub(crate) fn picture_name(place_id: &str) -> String {
    let safe: String = place_id
        .chars()
        .map(|letter| if letter.is_ascii_alphanumeric() || letter == '-' { letter } else { '-' })
        .collect();
    format!("air-{safe}.png")
}
