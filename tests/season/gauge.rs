//! Tanks watched by their gauge alone: how often a leak is told that is none, and how long a
//! leak of a litre an hour stays untold.

use crate::drawn::draft;
use crate::ordinary;
use crate::watched::{Reported, watch};
use chrono::TimeDelta;
use traywarden::demo::plan::{Breakage, Broken};
use traywarden::demo::sensors::Measures;
use traywarden::engine::alarm::AlarmKind;
use traywarden::random::SplitMix64;

/// Days a tank without a leak is watched.
pub const CALM_DAYS: u64 = 60;
/// Days a tank is watched before and after it begins to leak.
const DAYS_BEFORE: i64 = 3;
const DAYS_AFTER: i64 = 1;

/// Leaks told of a sound tank, by the alarms raised.
pub fn false_leaks(seed: u64, scatter_mm: f64) -> usize {
    let mut draft = draft(seed, CALM_DAYS, None);
    draft.devices.retain(|device| matches!(device.measures, Measures::Distance(_)));
    draft.scatter_mm = scatter_mm;
    let span = (draft.starts_at, draft.starts_at + TimeDelta::days(CALM_DAYS as i64));
    draft.people.lapses = ordinary::LAPSES;
    draft.broker_away = ordinary::live(seed, span, &mut draft.devices, &mut draft.people.quirks);
    leaks_raised(&watch(&draft.drawn()))
}

/// Leaks that were raised.
pub fn leaks_raised(reported: &Reported) -> usize {
    reported.raised.iter().filter(|(_, key, _)| key.kind == AlarmKind::ReservoirLeak).count()
}

/// Hours until a leak of a litre an hour is in a letter, with a gauge that scatters by
/// 1.2 mm; `None`: not within a day.
pub fn hours_until_told(seed: u64) -> Option<f64> {
    let mut draft = draft(seed, (DAYS_BEFORE + DAYS_AFTER) as u64, None);
    draft.devices.retain(|device| matches!(device.measures, Measures::Distance(_)));
    draft.scatter_mm = 1.2;
    draft.people.quirks.clear();
    let mut chance = SplitMix64::for_part(seed, "when it begins to leak");
    let until = draft.starts_at + TimeDelta::days(DAYS_BEFORE + DAYS_AFTER);
    let from = until - TimeDelta::days(DAYS_AFTER) - TimeDelta::minutes(chance.between(0.0, 1440.0) as i64);
    draft.breakages.push(Breakage { from, until, what: Broken::Leak(1.0) });
    let reported = watch(&draft.drawn());
    let first = reported.first_fitting(&[AlarmKind::ReservoirLeak], from)?;
    Some((first - from).num_minutes() as f64 / 60.0)
}
