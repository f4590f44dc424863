//! What the season asks of the engine: what a letter is, which chance is stated, which
//! forecast is printed. The one place that changes when the engine's own words do.

use crate::harm::Hazard;
use std::collections::BTreeMap;
use traywarden::engine::alarm::{AlarmKey, AlarmKind, AlarmState, Priority};
use traywarden::engine::event::{LetterFacts, LetterKind, Occasion};
use traywarden::engine::letters::snapshot::Snapshot;
use traywarden::units::Timestamp;

/// What a letter asks of who gets it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Letter {
    /// Come: something new, or more urgent than was told.
    Call,
    /// Nobody has answered a call.
    Reminder,
    /// It is over.
    Over,
    /// For the evening, before people sleep.
    Evening,
    /// For the round.
    Round,
    /// The daily one.
    Digest,
}

/// What a letter is.
pub fn letter(facts: &LetterFacts) -> Letter {
    let any = |wanted: fn(Occasion) -> bool| facts.alarms().any(|(occasion, _)| wanted(occasion));
    match facts.kind {
        LetterKind::Digest => Letter::Digest,
        LetterKind::Round => Letter::Round,
        LetterKind::Alarm if any(|occasion| matches!(occasion, Occasion::Raised | Occasion::Escalated)) => Letter::Call,
        LetterKind::Alarm => Letter::Reminder,
        LetterKind::Evening => Letter::Evening,
        LetterKind::Over => Letter::Over,
    }
}

/// What a letter is about; for a call only what it calls for, not what it says besides.
pub fn about(facts: &LetterFacts) -> Vec<AlarmKey> {
    let calls = letter(facts) == Letter::Call;
    let urgent = |occasion: Occasion| !calls || matches!(occasion, Occasion::Raised | Occasion::Escalated);
    let named = facts.alarms().filter(|(occasion, _)| urgent(*occasion)).map(|(_, change)| change.key.clone());
    let digest = facts.digest.iter().flat_map(|digest| digest.raised.iter().chain(&digest.standing));
    let digest = digest.flat_map(|situation| &situation.alarms);
    named.chain(digest.map(|change| change.key.clone())).chain(overdue_in(facts)).collect()
}

/// A digest that asks for what was due on a day before has told that a tray is overdue.
fn overdue_in(facts: &LetterFacts) -> impl Iterator<Item = AlarmKey> {
    let trays = facts.digest.iter().flat_map(|digest| digest.trays.iter().map(|tray| (digest.until, tray)));
    let late = trays.filter(|(written, tray)| tray.due.iter().any(|(_, due)| *due < *written));
    late.map(|(_, tray)| AlarmKey { kind: AlarmKind::StageOverdue, subject: tray.tray.clone() })
}

/// The largest chance of harm, 0 to 1, of what a letter is about, and when that harm comes: early,
/// likely, late.
pub fn chance(facts: &LetterFacts) -> (f64, Option<[Timestamp; 3]>) {
    let about = about(facts);
    let named = facts.alarms().map(|(_, change)| change).filter(|change| about.contains(&change.key));
    let most = named.max_by(|a, b| a.chance.total_cmp(&b.chance));
    let harm = most.and_then(|change| change.harm).map(|harm| [harm.early, harm.likely, harm.late]);
    (most.map_or(0.0, |change| change.chance), harm)
}

/// The chance the engine states that this hazard does harm before the next round: the largest
/// of what is open.
pub fn stated_chance(snapshot: &Snapshot, hazard: Hazard) -> f64 {
    let open = snapshot.alarms.iter().filter(|change| holds(change.state));
    let of_it = open.filter(|change| Hazard::stated_by(change.key.kind) == hazard);
    of_it.map(|change| change.chance).fold(0.0, f64::max)
}

/// The engine names something open that leads to this hazard.
pub fn names(snapshot: &Snapshot, hazard: Hazard) -> bool {
    open(snapshot).any(|(kind, _)| Hazard::stated_by(kind) == hazard)
}

fn open(snapshot: &Snapshot) -> impl Iterator<Item = (AlarmKind, Priority)> {
    snapshot.alarms.iter().filter(|change| holds(change.state)).map(|change| (change.key.kind, change.priority))
}

fn holds(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

/// The interval printed for when the tank is empty.
pub fn tank_empty(snapshot: &Snapshot) -> Option<(Timestamp, Timestamp)> {
    snapshot.reservoirs.iter().find_map(|tank| tank.empty_at).map(|(_, early, late)| (early, late))
}

/// The earliest and, once the engine gives one, the latest time at which a place's trays are
/// told to be too dry.
pub fn dry_out(snapshot: &Snapshot) -> BTreeMap<String, (Timestamp, Option<Timestamp>)> {
    let dry = snapshot.alarms.iter().filter(|change| change.key.kind == AlarmKind::DryOut);
    dry.filter_map(|change| Some((change.key.subject.clone(), (change.harm?.early, change.harm.map(|harm| harm.late)))))
        .collect()
}

/// The share of truths an interval of the engine's claims to hold: from a tenth to nine tenths.
pub const CLAIMED: f64 = 0.8;
