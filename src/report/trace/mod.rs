//! The trace of a tray: the air it lived in from sowing to its end, stage by stage, beside
//! its healthy sisters, what differs most, and when the trouble likely began. Conditions,
//! never verdicts. `analysis` lives through the air again, sums it up, compares and reckons
//! back; this asks the store for what it needs, `words` says it and `sheet` sets it.

mod tray_sheet;
#[cfg(test)]
mod tests;
mod words;

pub use tray_sheet::sheet;
pub use words::text;

use super::alarms::{self, Episode};
use super::subject::HistorySubject;
use super::{formatted, known_air};
use crate::analysis::lives::{Action, End, Life, TrayFate, lives};
use crate::analysis::stages::{StageTrace, holes, stages};
use crate::analysis::walk::{AirStep, STEP, Walked};
use crate::analysis::{beside, onset};
use crate::engine::crop::closest_word;
use crate::engine::rules::Rules;
use crate::journal::Did;
use crate::store::{JournalLine, Reader, StoreError};
use crate::units::Timestamp;
use chrono::NaiveDate;
use serde::Serialize;

/// What stands under every trace: first what such figures cannot claim.
pub(crate) const CAUTION: &str = "Computed from room air and your log with field-crop disease models; not validated on \
     microgreens; look at the tray. Moldy trays: isolate, do not taste, discard by your own food-safety plan. This is \
     no food-safety record.";

/// Everything that is known of one tray. Celsius, per cent, kilopascals, hours, UTC.
#[derive(Clone, Debug, Serialize)]
pub struct Trace {
    /// The grower's name for it.
    pub tray: String,
    /// Crop, or the kinds of the blend.
    pub crop: String,
    /// How many trays alike stand under this name.
    pub count: u32,
    /// When it was sown.
    pub(crate) sown_at: Timestamp,
    /// When it ended, or until when it is told.
    pub until: Timestamp,
    /// `harvested`, `thrown away, mold`, `growing`.
    pub ended: String,
    /// Names of the places where it stood, each with since when.
    pub stood: Vec<(Timestamp, String)>,
    /// Its stages, in order.
    pub(crate) stages: Vec<StageTrace>,
    /// Its air in even steps; a step in which nothing was believed has `None`.
    pub series: Vec<AirStep>,
    /// The length of a step, seconds.
    pub(crate) step_s: i64,
    /// What was done to it, in words.
    pub events: Vec<(Timestamp, String)>,
    /// Refills of the reservoirs that feed its places.
    pub refills: Vec<Timestamp>,
    /// Alarms about it, its places, their sensors and reservoirs.
    pub alarms: Vec<Spoken>,
    /// Spans longer than half an hour in which its air was not known.
    pub(crate) holes: Vec<(Timestamp, Timestamp)>,
    /// The healthy trays it is held against.
    #[serde(rename = "sisters")]
    pub peers: Vec<String>,
    /// Their air at the same age, for a picture.
    pub(crate) envelope: Vec<beside::Envelope>,
    /// Every condition, with its sisters'.
    pub(crate) conditions: Vec<beside::Comparison>,
    /// The three causes that differ most in the direction that can harm, in sentences.
    pub differences: Vec<String>,
    /// How much the comparison is worth.
    pub beside: String,
    /// When the trouble likely began, if mold was seen.
    pub onset: Option<Onset>,
    /// What these figures are not.
    pub(crate) caution: &'static str,
}

/// An alarm and what was done about it.
#[derive(Clone, Debug, Serialize)]
pub struct Spoken {
    /// The kind's stable word.
    pub kind: &'static str,
    /// The id of what it is about.
    pub subject: String,
    /// When it spoke.
    pub at: Timestamp,
    /// When its condition was gone.
    pub over: Option<Timestamp>,
    /// Who answered it, or that it was answered.
    pub answered: Option<String>,
    /// The sentence people were shown.
    pub text: String,
}

/// When the trouble likely began.
#[derive(Clone, Debug, Serialize)]
pub struct Onset {
    /// When mold was seen.
    pub seen_at: Timestamp,
    /// Not likely before.
    pub from: Timestamp,
    /// Not likely after.
    pub until: Timestamp,
    /// What is assumed, and from where.
    pub(super) assumption: String,
    /// What fell into it, in sentences.
    pub events: Vec<String>,
}

/// Why there is no trace.
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    /// Nothing was sown under this name.
    #[error("no tray called \"{name}\" was ever sown{hint}")]
    Unknown {
        /// The name that was asked for.
        name: String,
        /// Names that are near, or nothing.
        hint: String,
    },
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The trace of the newest tray of this name, or of the one sown on a local day.
///
/// # Errors
/// When nothing was sown under that name, or the store cannot be read.
pub fn trace(
    reader: &Reader,
    rules: &Rules,
    tray: &str,
    sown_on: Option<NaiveDate>,
    now: Timestamp,
) -> Result<Trace, TraceError> {
    let journal = reader.journal(Timestamp::UNIX_EPOCH)?;
    let all = lives(rules, &journal);
    let zone = rules.site.time_zone;
    let meant = |life: &&Life| {
        let day = life.tray.sown_at.with_timezone(&zone).date_naive();
        life.tray.name == tray && sown_on.is_none_or(|wanted| wanted == day)
    };
    let Some(life) = all.iter().rev().find(meant) else {
        return Err(TraceError::Unknown { name: tray.to_owned(), hint: near(tray, sown_on, &all, zone) });
    };
    Ok(trace_of(reader, rules, &journal, life, now)?)
}

/// The trace of one life of this journal.
fn trace_of(
    reader: &Reader,
    rules: &Rules,
    journal: &[JournalLine],
    life: &Life,
    now: Timestamp,
) -> Result<Trace, StoreError> {
    let all = lives(rules, journal);
    let own = known_air::walked(reader, rules, life, now)?;
    let mut peers = Vec::new();
    for peer in all.iter().filter(|peer| peer.sown_by != life.sown_by && healthy(peer) && alike(life, peer)) {
        let other = known_air::walked(reader, rules, peer, now)?;
        if beside::comparable(&own, &other) {
            peers.push((peer.tray.name.clone(), other));
        }
    }
    let others: Vec<&Walked> = peers.iter().map(|(_, other)| other).collect();
    let conditions = beside::conditions(&own, &others);
    let reported = beside::reported(&conditions);
    let alarms = spoken(reader, rules, life, own.until)?;
    let holes = holes(&own);
    let onset = onset::onset(life, &own).map(|likely| words::onset(rules, &likely, &alarms));
    Ok(Trace {
        tray: life.tray.name.clone(),
        crop: life.tray.crop.clone(),
        count: life.tray.count,
        sown_at: life.tray.sown_at,
        until: own.until,
        ended: ended(life, now),
        stood: life.stood.iter().map(|(at, place)| (*at, rules.place(*place).name.clone())).collect(),
        stages: stages(rules, life, &own),
        series: own.steps(),
        step_s: STEP.num_seconds(),
        events: life
            .actions
            .iter()
            .filter(|action| action.at <= own.until)
            .map(|action| (action.at, done(rules, action)))
            .collect(),
        refills: refills(rules, life, journal, own.until),
        alarms,
        holes,
        differences: reported.iter().map(|faces| words::difference(faces)).collect(),
        beside: words::beside(peers.len(), &conditions),
        peers: peers.iter().map(|(name, _)| name.clone()).collect(),
        envelope: beside::envelope(&own, &others),
        conditions,
        onset,
        caution: CAUTION,
    })
}

fn done(rules: &Rules, action: &Action) -> String {
    let by = action.by.as_ref().map_or(String::new(), |by| format!(" ({by})"));
    formatted::done(rules, &action.did) + &by
}

/// Refills of the tanks that fed the place where it stood then.
fn refills(rules: &Rules, life: &Life, journal: &[JournalLine], until: Timestamp) -> Vec<Timestamp> {
    let of_ours = |reservoir: Option<&str>, at: Timestamp| {
        let mut meant = rules.reservoirs.iter().filter(|tank| reservoir.is_none_or(|id| tank.id == id));
        meant.any(|tank| rules.waters(tank, life.place_at(at)))
    };
    let taken = journal.iter().filter(|line| line.refused.is_none() && line.struck_by.is_none());
    taken
        .filter_map(|line| match &line.entry.did {
            Did::Refill { reservoir, .. } => Some((line.entry.at.unwrap_or(line.at), reservoir.as_deref())),
            _ => None,
        })
        .filter(|(at, _)| (life.tray.sown_at..=until).contains(at))
        .filter_map(|(at, reservoir)| of_ours(reservoir, at).then_some(at))
        .collect()
}

fn healthy(life: &Life) -> bool {
    !matches!(life.end, Some(End { fate: TrayFate::Discarded { .. }, .. }))
}

fn alike(one: &Life, other: &Life) -> bool {
    let kinds = |life: &Life| life.sowing.blend.keys().cloned().collect::<Vec<_>>();
    one.tray.figures.name == other.tray.figures.name && kinds(one) == kinds(other)
}

fn ended(life: &Life, now: Timestamp) -> String {
    match life.end.as_ref().filter(|end| end.at <= now).map(|end| &end.fate) {
        None => "growing".to_owned(),
        Some(TrayFate::Harvested { .. }) => "harvested".to_owned(),
        Some(TrayFate::Discarded { reason, .. }) => format!("thrown away, {}", formatted::loss(*reason)),
    }
}

fn near(name: &str, sown_on: Option<NaiveDate>, all: &[Life], zone: chrono_tz::Tz) -> String {
    let same: Vec<String> = all
        .iter()
        .filter(|life| sown_on.is_some() && life.tray.name == name)
        .map(|life| life.tray.sown_at.with_timezone(&zone).date_naive().to_string())
        .collect();
    if !same.is_empty() {
        return format!(" on that day; it was sown on {}", same.join(", "));
    }
    let names = all.iter().map(|life| life.tray.name.as_str());
    closest_word(name, names).map_or_else(String::new, |near| format!("; did you mean \"{near}\"?"))
}

/// Alarms that held in its life about it or what surrounded it then, with what was answered.
fn spoken(reader: &Reader, rules: &Rules, life: &Life, until: Timestamp) -> Result<Vec<Spoken>, StoreError> {
    let subject = HistorySubject::of_life(life);
    let concerns = |episode: &Episode| {
        let mut spells = episode.held.iter().map(|(since, over)| (*since, over.unwrap_or(until)));
        spells.any(|spell| subject.is_meant(rules, &episode.key.subject, spell))
    };
    let reported = |episode: Episode| Spoken {
        kind: episode.key.kind.word(),
        at: episode.spoke_at,
        over: episode.over_at(),
        answered: episode.answers.first().map(|(_, by, _)| by.clone()),
        text: episode.text,
        subject: episode.key.subject,
    };
    Ok(alarms::read(reader, life.tray.sown_at, until)?.into_iter().filter(concerns).map(reported).collect())
}
