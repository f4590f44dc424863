//! A tray held against its healthy sisters: conditions that can harm, how far each lies
//! from theirs, and an honest test of it.

use super::quantile::quantile;
use super::rank::holm;
use super::stages::{DAMP_FROM, longest, longest_gap};
use super::walk::{LivedStep, STEP, STEP_HOURS, Walked};
use crate::units::Timestamp;
use chrono::TimeDelta;
use serde::Serialize;

/// Fewer sisters than this are not tested: the rarest of five, this one counted, still has
/// a p of 0.4. Own default.
pub(crate) const FEWEST_PEERS: usize = 5;
/// A condition this many spreads above the sisters' median is told. Own default.
const REPORTED_FROM: f64 = 3.0;
/// So many causes are told; a longer list would accuse everything. Own default.
const REPORTED: usize = 3;
/// A sister must have lived in light this share of the tray's own time. Own default.
const LIGHT_SHARE: f64 = 0.75;
/// The median absolute deviation of a normal sample times this is its standard deviation
/// (P. J. Rousseeuw and C. Croux 1993, J. Am. Stat. Assoc. 88:1273, from memory).
const MAD_TO_DEVIATION: f64 = 1.4826;
/// Warmer than this under a cover goes with more disease (seed-house guide, secondary).
const WARM_UNDER_COVER: f64 = 24.0;

/// What is compared. More of each can harm; less of none is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Exposure {
    /// Hours past the plan until the cover came off.
    OverdueCover,
    /// Longest spell of damp air in light, hours.
    DampSpell,
    /// Hours of damp air in light.
    DampHours,
    /// Hours in light in which leaves stayed wet from misting.
    MistWet,
    /// Highest mold pressure.
    MoldPressure,
    /// Hours above 24 °C under the cover.
    WarmUnderCover,
    /// Hours above the alarm's limit in light.
    TooWarm,
    /// Hours below the alarm's limit.
    TooCold,
    /// Longest time without water in light, hours.
    WaterGap,
    /// Hours in which the water was used up by estimate.
    DryHours,
    /// Hours in which the air was not known.
    Unknown,
}

impl Exposure {
    const ALL: [Exposure; 11] = [
        Exposure::OverdueCover,
        Exposure::DampSpell,
        Exposure::DampHours,
        Exposure::MistWet,
        Exposure::MoldPressure,
        Exposure::WarmUnderCover,
        Exposure::TooWarm,
        Exposure::TooCold,
        Exposure::WaterGap,
        Exposure::DryHours,
        Exposure::Unknown,
    ];

    /// Sisters are taken to be at least this spread, so that a tiny spread accuses nobody:
    /// what a sensor's accuracy and the hour of a round can make of one. Own defaults.
    fn least_spread(self) -> f64 {
        match self {
            Exposure::OverdueCover | Exposure::WaterGap | Exposure::TooWarm | Exposure::TooCold => 4.0,
            Exposure::DampSpell | Exposure::DryHours | Exposure::Unknown => 2.0,
            // What one mist takes to dry at 22 °C and 60 % (a film of 0.1 mm by Penman-Monteith, own reckoning: 1.03 h).
            Exposure::MistWet => 1.0,
            Exposure::DampHours | Exposure::WarmUnderCover => 4.0,
            Exposure::MoldPressure => 10.0,
        }
    }
}

/// One condition of a tray beside its sisters'.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// The condition that is compared.
    pub measure: Exposure,
    /// This tray's: hours, or for mold pressure 0 to 100.
    pub value: f64,
    /// How many sisters it is held against.
    pub n: usize,
    /// Their median; `None` without sisters.
    pub median: Option<f64>,
    /// Their lower and upper quartile.
    pub(crate) quartiles: Option<(f64, f64)>,
    /// Their lowest and highest.
    pub(crate) range: Option<(f64, f64)>,
    /// Where it stands among all `n + 1`, 1 the highest.
    pub rank: usize,
    /// Spreads above the sisters' median; negative: below.
    pub effect: Option<f64>,
    /// Chance of standing this far to either side, as one of `n + 1` alike trays. `None`
    /// below five sisters.
    pub p: Option<f64>,
    /// The same corrected for the number of conditions compared (Holm 1979).
    pub(crate) p_corrected: Option<f64>,
}

/// The air of the sisters at one age, as quartiles: lower, median, upper.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Envelope {
    /// When the tray itself was of this age.
    pub at: Timestamp,
    /// Sisters whose air was known.
    pub n: usize,
    /// Celsius.
    pub temperature: [f64; 3],
    /// Per cent.
    pub humidity: [f64; 3],
}

/// A sister has lived long enough to be held against it.
pub(crate) fn comparable(own: &Walked, peer: &Walked) -> bool {
    let covered = peer.light_at.is_some() || peer.until >= peer.sown_at + (own.uncovered_at() - own.sown_at);
    let (mine, hers) = (light_age(own), light_age(peer));
    covered && hers.num_minutes() as f64 >= LIGHT_SHARE * mine.num_minutes() as f64
}

/// Every condition, counted in each sister up to the tray's own age in light.
pub(crate) fn conditions(own: &Walked, peers: &[&Walked]) -> Vec<Comparison> {
    let age = light_age(own);
    let mut all: Vec<Comparison> = Exposure::ALL
        .into_iter()
        .map(|measure| {
            let others: Vec<f64> = peers.iter().map(|peer| value(measure, peer, age)).collect();
            condition(measure, value(measure, own, age), &others)
        })
        .collect();
    let tested: Vec<f64> = all.iter().filter_map(|condition| condition.p).collect();
    for (condition, corrected) in all.iter_mut().zip(holm(&tested)) {
        condition.p_corrected = Some(corrected);
    }
    all
}

/// What its sisters' air was at the same age of the same half of life, under the cover or in
/// light, for each of its own steps in which at least one of them was known.
pub(crate) fn envelope(own: &Walked, peers: &[&Walked]) -> Vec<Envelope> {
    let uncovered = own.uncovered_at();
    let air_then = |at: Timestamp, peer: &Walked| {
        let lit = at >= uncovered;
        let then = if lit { peer.uncovered_at() + (at - uncovered) } else { peer.sown_at + (at - own.sown_at) };
        if !lit && then >= peer.uncovered_at() {
            return None;
        }
        let next = peer.slots.partition_point(|slot| slot.at <= then);
        let slot = peer.slots.get(next.checked_sub(1)?)?;
        slot.air.filter(|_| then - slot.at < STEP)
    };
    let quartiles = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        [quantile(&values, 0.25), quantile(&values, 0.5), quantile(&values, 0.75)]
    };
    let step = |slot: &LivedStep| {
        let known: Vec<(f64, f64)> = peers.iter().filter_map(|peer| air_then(slot.at, peer)).collect();
        (!known.is_empty()).then(|| Envelope {
            at: slot.at,
            n: known.len(),
            temperature: quartiles(known.iter().map(|air| air.0).collect()),
            humidity: quartiles(known.iter().map(|air| air.1).collect()),
        })
    };
    own.slots.iter().filter_map(step).collect()
}

/// What a condition is a face of: damp air shows as hours, as a spell and as mold pressure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum CommonCause {
    Damp,
    Mist,
    Cover,
    Warm,
    Cold,
    Water,
    Unknown,
}

impl Exposure {
    fn cause(self) -> CommonCause {
        match self {
            // Under a cover too long is warm under the cover too.
            Exposure::OverdueCover | Exposure::WarmUnderCover => CommonCause::Cover,
            Exposure::DampSpell | Exposure::DampHours | Exposure::MoldPressure => CommonCause::Damp,
            Exposure::MistWet => CommonCause::Mist,
            Exposure::TooWarm => CommonCause::Warm,
            Exposure::TooCold => CommonCause::Cold,
            Exposure::WaterGap | Exposure::DryHours => CommonCause::Water,
            Exposure::Unknown => CommonCause::Unknown,
        }
    }
}

/// The conditions that differ most in the direction that can harm, at most three causes,
/// each with the faces it shows, the farthest out first.
pub fn reported(conditions: &[Comparison]) -> Vec<Vec<&Comparison>> {
    let beyond = |condition: &&Comparison| {
        condition.effect.is_some_and(|effect| effect >= REPORTED_FROM)
            && condition.range.is_some_and(|(_, high)| condition.value > high)
    };
    let mut out: Vec<&Comparison> = conditions.iter().filter(beyond).collect();
    out.sort_by(|one, other| other.effect.unwrap_or(0.0).total_cmp(&one.effect.unwrap_or(0.0)));
    let dry_air = !out.iter().any(|one| matches!(one.measure, Exposure::DampSpell | Exposure::DampHours));
    let misted = out.iter().any(|one| one.measure == Exposure::MistWet);
    // Mold pressure without damp air beside a wet tray came of the mist.
    let cause = |one: &Comparison| match one.measure {
        Exposure::MoldPressure if dry_air && misted => CommonCause::Mist,
        measure => measure.cause(),
    };
    let mut reported: Vec<Vec<&Comparison>> = Vec::new();
    for one in out {
        match reported.iter_mut().find(|faces| cause(faces[0]) == cause(one)) {
            Some(faces) => faces.push(one),
            None => reported.push(vec![one]),
        }
    }
    reported.truncate(REPORTED);
    reported
}

fn condition(measure: Exposure, value: f64, others: &[f64]) -> Comparison {
    let mut sorted = others.to_vec();
    sorted.sort_by(f64::total_cmp);
    let some = !sorted.is_empty();
    let median = some.then(|| quantile(&sorted, 0.5));
    Comparison {
        measure,
        value,
        n: sorted.len(),
        median,
        quartiles: some.then(|| (quantile(&sorted, 0.25), quantile(&sorted, 0.75))),
        range: sorted.first().copied().zip(sorted.last().copied()),
        rank: 1 + sorted.iter().filter(|other| **other > value).count(),
        effect: median.map(|median| {
            let mut off: Vec<f64> = sorted.iter().map(|other| (other - median).abs()).collect();
            off.sort_by(f64::total_cmp);
            (value - median) / (MAD_TO_DEVIATION * quantile(&off, 0.5)).max(measure.least_spread())
        }),
        p: (sorted.len() >= FEWEST_PEERS).then(|| two_sided(value, &sorted)),
        p_corrected: None,
    }
}

/// One tray against `n` alike ones: were all `n + 1` drawn from one urn, each would be as
/// likely to be this one, so the chance of a value at least this high is its share of the
/// `n + 1`, ties counted against it. Both sides: twice the smaller, at most 1. It is the
/// exact permutation test of the difference of means, 1 against n (checked against scipy).
pub(super) fn two_sided(value: f64, others: &[f64]) -> f64 {
    let as_high = 1 + others.iter().filter(|other| **other >= value).count();
    let as_low = 1 + others.iter().filter(|other| **other <= value).count();
    (2.0 * as_high.min(as_low) as f64 / (others.len() + 1) as f64).min(1.0)
}

fn light_age(walked: &Walked) -> TimeDelta {
    walked.until - walked.uncovered_at()
}

fn value(measure: Exposure, walked: &Walked, age: TimeDelta) -> f64 {
    let light_from = walked.uncovered_at();
    let light_until = (light_from + age).min(walked.until);
    let cut = |from: Timestamp, until: Timestamp| -> &[LivedStep] {
        let first = walked.slots.partition_point(|slot| slot.at < from);
        let last = walked.slots.partition_point(|slot| slot.at < until);
        &walked.slots[first..last.max(first)]
    };
    let light = cut(light_from, light_until);
    let covered = cut(walked.sown_at, light_from);
    let whole = cut(walked.sown_at, light_until);
    let hours = |slots: &[LivedStep], holds: &dyn Fn(&LivedStep) -> bool| {
        slots.iter().filter(|slot| holds(slot)).count() as f64 * STEP_HOURS
    };
    let damp = |slot: &LivedStep| slot.air.is_some_and(|air| air.1 >= DAMP_FROM);
    match measure {
        Exposure::OverdueCover => ((light_from - walked.light_due_at).num_minutes() as f64 / 60.0).max(0.0),
        Exposure::DampSpell => longest(light, damp),
        Exposure::DampHours => hours(light, &damp),
        Exposure::MistWet => hours(light, &|slot| slot.misted),
        Exposure::MoldPressure => light.iter().map(|slot| slot.pressure).fold(0.0, f64::max),
        Exposure::WarmUnderCover => hours(covered, &|slot| slot.air.is_some_and(|air| air.0 > WARM_UNDER_COVER)),
        Exposure::TooWarm => {
            hours(light, &|slot| slot.air.zip(slot.too_warm).is_some_and(|(air, limit)| air.0 > limit))
        }
        Exposure::TooCold => {
            hours(whole, &|slot| slot.air.zip(slot.too_cold).is_some_and(|(air, limit)| air.0 < limit))
        }
        Exposure::WaterGap => {
            if walked.waterings.is_empty() {
                0.0
            } else {
                longest_gap(&walked.waterings, light_from, light_until)
            }
        }
        Exposure::DryHours => hours(light, &|slot| slot.dry),
        Exposure::Unknown => hours(whole, &|slot| slot.air.is_none()),
    }
}
