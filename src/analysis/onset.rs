//! When the trouble likely began, reckoned back from the day mold was seen, and what fell
//! into that time. An assumption; `report` tells it as one.

use super::lives::Life;
use super::stages::{DAMP_FROM, holes};
use super::walk::{LivedStep, STEP, Walked};
use crate::engine::physics::infection::botrytis_growth;
use crate::engine::rules::PlaceId;
use crate::journal::{Did, Loss};
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::TimeDelta;

/// When mold that was seen likely began.
#[derive(Clone, Debug, PartialEq)]
pub struct LikelyOnset {
    /// When mold was first said to be seen.
    pub seen_at: Timestamp,
    /// Not likely before.
    pub from: Timestamp,
    /// Not likely after.
    pub until: Timestamp,
    /// Mean temperature of the days before, Celsius; without data, the model's best.
    pub(crate) mean_celsius: f64,
    /// How fast a patch grows at most at that temperature, millimetres a day.
    pub(crate) growth_mm_a_day: f64,
    /// What fell into it, by when it began.
    pub(crate) suspects: Vec<(Timestamp, Suspect)>,
}

/// What fell into the time of a likely onset.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Suspect {
    /// In light the air stood at [`DAMP_FROM`] and more until then.
    Damp(Timestamp),
    /// It was still under its cover past the plan until then.
    OverdueCover(Timestamp),
    /// No watering was logged until then.
    NoWatering(Timestamp),
    /// Its air was not known until then.
    AirNotKnown(Timestamp),
    /// It was misted in light.
    Misted,
    /// It was moved to another place.
    Moved(PlaceId),
}

/// A patch this wide is seen at a look. Own default.
pub(crate) const SEEN_MM: f64 = 5.0;
/// Humidity at which grey mold grows best (Judet-Correia et al. 2010, as the Gropin database
/// of growth models gives it): the soonest a patch can be seen.
const BEST_HUMIDITY: f64 = 98.8;
/// The temperature it grows best at, Celsius, by the same model.
const BEST_CELSIUS: f64 = 21.4;
/// Sporulation can begin three days after contamination (INRAE e-phytia), and a patch may
/// go unseen for two more looks a day apart (own default).
const EARLIEST: TimeDelta = TimeDelta::days(5);
/// A damp spell shorter than this is not named. Own default.
const NAMED_FROM: TimeDelta = TimeDelta::hours(3);
/// A cover this little past its plan is a late round. Own default.
const OVERDUE_FROM: TimeDelta = TimeDelta::hours(12);
/// A pause between waterings up to this is a night. Own default.
const UNWATERED_FROM: TimeDelta = TimeDelta::hours(18);

/// The window and what fell into it, if mold was seen.
pub fn onset(life: &Life, walked: &Walked) -> Option<LikelyOnset> {
    let seen_at = seen_at(life)?;
    let temperatures: Vec<f64> = walked
        .slots
        .iter()
        .filter(|slot| slot.at >= seen_at - EARLIEST && slot.at < seen_at)
        .filter_map(|slot| slot.air.map(|air| air.0))
        .collect();
    let mean_celsius = if temperatures.is_empty() {
        BEST_CELSIUS
    } else {
        temperatures.iter().sum::<f64>() / temperatures.len() as f64
    };
    let growth_mm_a_day = botrytis_growth(Celsius(mean_celsius), RelativeHumidity(BEST_HUMIDITY)).max(1.0);
    let soonest = TimeDelta::minutes((SEEN_MM / growth_mm_a_day * 1440.0) as i64);
    let from = (seen_at - EARLIEST).max(walked.sown_at);
    let until = (seen_at - soonest).max(from);
    let suspects = suspects(life, walked, from, until);
    Some(LikelyOnset { seen_at, from, until, mean_celsius, growth_mm_a_day, suspects })
}

/// When mold was first said to be seen.
fn seen_at(life: &Life) -> Option<Timestamp> {
    let says = |text: &str| {
        let text = text.to_lowercase();
        let denied = ["no mold", "no mould", "not mold", "no sign of mo"].iter().any(|no| text.contains(no));
        (text.contains("mold") || text.contains("mould")) && !denied
    };
    life.actions
        .iter()
        .find(|action| match &action.did {
            Did::Discard { reason: Loss::Mold, .. } => true,
            Did::Look { note: Some(text), .. } | Did::Note { text, .. } => says(text),
            _ => false,
        })
        .map(|action| action.at)
}

fn suspects(life: &Life, walked: &Walked, from: Timestamp, until: Timestamp) -> Vec<(Timestamp, Suspect)> {
    let overlaps = |begin: Timestamp, end: Timestamp| end > from && begin < until;
    let inside = |at: &Timestamp| (from..=until).contains(at);
    let mut suspects: Vec<(Timestamp, Suspect)> = Vec::new();
    for run in walked.slots.chunk_by(|one, next| damp_in_light(one) == damp_in_light(next)) {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
        let over = last.at + STEP;
        if damp_in_light(first) && overlaps(first.at, over) && over - first.at >= NAMED_FROM {
            suspects.push((first.at, Suspect::Damp(over)));
        }
    }
    let (due, off) = (walked.light_due_at, walked.uncovered_at());
    if off - due > OVERDUE_FROM && overlaps(due, off) {
        suspects.push((due, Suspect::OverdueCover(off)));
    }
    let waterings = [&walked.waterings[..], &[walked.until]].concat();
    for pair in waterings.windows(2) {
        if pair[1] - pair[0] > UNWATERED_FROM && overlaps(pair[0], pair[1]) {
            suspects.push((pair[0], Suspect::NoWatering(pair[1])));
        }
    }
    let unknown = holes(walked).into_iter().filter(|(begin, end)| overlaps(*begin, *end));
    suspects.extend(unknown.map(|(begin, end)| (begin, Suspect::AirNotKnown(end))));
    let in_light = |at: &Timestamp| walked.light_at.is_some_and(|lit| *at > lit);
    suspects.extend(walked.mistings.iter().filter(|at| inside(at) && in_light(at)).map(|at| (*at, Suspect::Misted)));
    let moves = life.stood.iter().skip(1).filter(|(at, _)| inside(at));
    suspects.extend(moves.map(|(at, place)| (*at, Suspect::Moved(*place))));
    suspects.sort_by_key(|(at, _)| *at);
    suspects
}

fn damp_in_light(slot: &LivedStep) -> bool {
    slot.open && slot.air.is_some_and(|air| air.1 >= DAMP_FROM)
}
