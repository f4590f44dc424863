//! When the trouble likely began, reckoned back from the day mold was seen, and what fell
//! into that time. An assumption, told as one.

use super::figures::DAMP_FROM;
use super::walk::Walked;
use super::{Onset, Spoken, words};
use crate::engine::physics::infection::botrytis_growth;
use crate::engine::rules::Rules;
use crate::journal::{Did, Loss};
use crate::report::lives::Life;
use crate::report::lot_air::STEP;
use crate::report::said;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::TimeDelta;

/// A patch this wide is seen at a look. Own default.
const SEEN_MM: f64 = 5.0;
/// Humidity at which grey mold grows best (Judet-Correia et al. 2010 by the Gropin database,
/// SCIENCE.md 3.3): the soonest a patch can be seen.
const BEST_HUMIDITY: f64 = 98.8;
/// Sporulation can begin three days after contamination (INRAE e-phytia), and a patch may
/// go unseen for two more looks a day apart (own default).
const EARLIEST: TimeDelta = TimeDelta::days(5);
/// A damp spell shorter than this is not named. Own default.
const NAMED_FROM: TimeDelta = TimeDelta::hours(3);

/// The window, if mold was seen.
pub fn onset(
    rules: &Rules,
    life: &Life,
    walked: &Walked,
    alarms: &[Spoken],
    holes: &[(Timestamp, Timestamp)],
) -> Option<Onset> {
    let seen_at = seen_at(life)?;
    let temperatures: Vec<f64> = walked
        .slots
        .iter()
        .filter(|slot| slot.at >= seen_at - EARLIEST && slot.at < seen_at)
        .filter_map(|slot| slot.air.map(|air| air.0))
        .collect();
    // Without data, the model's own best temperature.
    let mean =
        if temperatures.is_empty() { 21.4 } else { temperatures.iter().sum::<f64>() / temperatures.len() as f64 };
    let a_day = botrytis_growth(Celsius(mean), RelativeHumidity(BEST_HUMIDITY)).max(1.0);
    let soonest = TimeDelta::minutes((SEEN_MM / a_day * 1440.0) as i64);
    let from = (seen_at - EARLIEST).max(walked.sown_at);
    let until = (seen_at - soonest).max(from);
    Some(Onset {
        seen_at,
        from,
        until,
        assumption: format!(
            "Assumed: grey mold grows at most {a_day:.1} mm a day at {} (B. cinerea, Judet-Correia et al. 2010), a patch \
             of 5 mm is seen; sporulation can begin 3 days after contamination (INRAE e-phytia), and it may go unseen \
             for 2 days more. No study of this was made on microgreens.",
            rules.site.units.temperature(mean)
        ),
        events: events(rules, life, walked, alarms, holes, (from, until)),
    })
}

/// When mold was first said to be seen.
fn seen_at(life: &Life) -> Option<Timestamp> {
    let says = |text: &str| {
        let text = text.to_lowercase();
        let denied = ["no mold", "no mould", "not mold", "no sign of mo"].iter().any(|no| text.contains(no));
        (text.contains("mold") || text.contains("mould")) && !denied
    };
    life.deeds
        .iter()
        .find(|deed| match &deed.did {
            Did::Discard { reason: Loss::Mold, .. } => true,
            Did::Look { note: Some(text), .. } | Did::Note { text, .. } => says(text),
            _ => false,
        })
        .map(|deed| deed.at)
}

fn events(
    rules: &Rules,
    life: &Life,
    walked: &Walked,
    alarms: &[Spoken],
    holes: &[(Timestamp, Timestamp)],
    (from, until): (Timestamp, Timestamp),
) -> Vec<String> {
    let mut events: Vec<(Timestamp, String)> = Vec::new();
    let span = |one: Timestamp, other: Timestamp| {
        format!("{}, for {}", said::local(&rules.site, one), said::between(one, other))
    };
    for run in walked.slots.chunk_by(|one, next| damp(one) == damp(next)) {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
        let over = last.at + STEP;
        let light = first.open && damp(first);
        if light && over > from && first.at < until && over - first.at >= NAMED_FROM {
            events.push((first.at, format!("{}: the air stood at {DAMP_FROM:.0} % and more", span(first.at, over))));
        }
    }
    let (due, off) = (walked.light_due_at, walked.uncovered_at());
    if off - due > TimeDelta::hours(12) && off > from && due < until {
        events.push((due, format!("{}: still under its cover, past the plan", span(due, off))));
    }
    let waterings = [&walked.waterings[..], &[walked.until]].concat();
    for pair in waterings.windows(2) {
        if pair[1] - pair[0] > TimeDelta::hours(18) && pair[1] > from && pair[0] < until {
            events.push((pair[0], format!("{}: no watering logged", span(pair[0], pair[1]))));
        }
    }
    for (one, other) in holes.iter().filter(|(one, other)| *other > from && *one < until) {
        events.push((*one, format!("{}: its air was not known", span(*one, *other))));
    }
    for at in walked
        .mistings
        .iter()
        .filter(|at| (from..=until).contains(*at) && walked.light_at.is_some_and(|lit| **at > lit))
    {
        events.push((*at, format!("{}: misted", said::local(&rules.site, *at))));
    }
    for (at, place) in life.stood.iter().skip(1).filter(|(at, _)| (from..=until).contains(at)) {
        events.push((*at, format!("{}: moved to {}", said::local(&rules.site, *at), rules.place(*place).name)));
    }
    for alarm in alarms.iter().filter(|alarm| (from..=until).contains(&alarm.at)) {
        events.push((alarm.at, format!("{}: alarm. {}", said::local(&rules.site, alarm.at), words::cause(alarm))));
    }
    events.sort_by_key(|(at, _)| *at);
    events.into_iter().map(|(_, event)| event).collect()
}

fn damp(slot: &super::walk::Slot) -> bool {
    slot.air.is_some_and(|air| air.1 >= DAMP_FROM)
}
