//! What is said of a tank: its level and when it is empty, and water that is lost.

use super::sentences::{AlarmWords, short};
use super::speech::{Speech, capital, count, percent, the};
use crate::engine::alarm::{AlarmChange, AlarmKind, Evidence};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// With more left than this nobody fears for the pump yet, litres. Own default.
const LEFT_FOR_THE_PUMP: f64 = 4.0;
/// A loss beside what plants and pump explain that a gauge can tell from none, litres an hour. Own
/// default.
const STILL_LOSES: f64 = 0.4;
/// A smaller draw would be told as none, litres an hour.
const MEASURED: f64 = 0.02;
/// A spread of minutes is no news; the pump's hour, not the slope, sets it then.
const NO_SPREAD: TimeDelta = TimeDelta::minutes(30);

const MAINS_CAUTION: &str = "Water and mains do not mix: do not touch wet plugs or pumps; \
switch off at the breaker first, and leave wet wiring to a licensed electrician.";

/// The sentences of a level, an empty tank or a loss.
pub(super) fn words(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    match &change.evidence {
        Evidence::Reservoir { .. } => level(change, speech),
        Evidence::Leak { sudden_minutes: Some(minutes), .. } => sudden(change, *minutes, speech),
        _ => loss(change, speech),
    }
}

fn level(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    let Evidence::Reservoir { reservoir, usable, percent: share, draw, empty_at, to_fill, waterings } =
        &change.evidence
    else {
        return AlarmWords::default();
    };
    let empty = change.key.kind == AlarmKind::ReservoirEmpty;
    let refill = speech.volume(*to_fill);
    let level = format!("{} of usable water, {}", speech.volume(usable.max(0.0)), percent(share.max(0.0)));
    let drawn = match draw.filter(|draw| *draw >= MEASURED) {
        Some(draw) => format!(", and loses {}", speech.flow(draw)),
        None => ", and loses nothing that can be measured between waterings".to_owned(),
    };
    let drawn = if *waterings > 0.05 {
        format!("{drawn}; waterings took {} in the last day", speech.volume(*waterings))
    } else {
        drawn
    };
    let forecast = forecast(*empty_at, speech).map_or(String::new(), |sentence| format!(" {sentence}"));
    let headline = match empty_at {
        _ if empty => format!("{} empty", short(reservoir)),
        Some((best, ..)) if *best <= change.at => format!("{} empty about now", short(reservoir)),
        Some((best, ..)) => format!("{} empty by {}", short(reservoir), speech.clock(*best)),
        None => format!("{} low, {}", short(reservoir), percent(*share)),
    };
    AlarmWords {
        headline,
        figures: format!(" - refill {refill}"),
        name: format!("{} level", short(reservoir)),
        action: if empty {
            format!("Switch the pump off and fill {}: {refill} to the brim", the(reservoir))
        } else {
            format!("Fill {}: {refill} to the brim", the(reservoir))
        },
        what: if empty {
            format!(
                "The water in {} is at the pump inlet: the pump draws air. It takes {refill} to fill it.",
                the(reservoir)
            )
        } else {
            format!("{} has {level}{drawn}.{forecast}", capital(&the(reservoir)))
        },
        state: if empty { "Empty" } else { "Low" },
        harm: if empty {
            "the trays dry out and the pump wears itself out running dry"
        } else {
            "the pump draws air and the trays get no water"
        },
        over: format!("{} has {level}.", capital(&the(reservoir))),
        caution: empty.then_some(MAINS_CAUTION),
        ..AlarmWords::default()
    }
}

/// When the water is at the pump inlet, a sentence; `None` where no draw is measured.
fn forecast(empty_at: Option<(Timestamp, Timestamp, Timestamp)>, speech: &Speech) -> Option<String> {
    let (best, early, late) = empty_at?;
    Some(if late - early < NO_SPREAD {
        format!("If it goes on so, it reaches the pump inlet at {}.", speech.clock(best))
    } else {
        format!(
            "If it goes on so, it reaches the pump inlet at {}, between {} and {}.",
            speech.clock(best),
            speech.clock(early),
            speech.clock(late)
        )
    })
}

/// What a level adds where a loss is told beside it: the loss gives the rate, and what is left.
pub(super) fn beside_a_loss(change: &AlarmChange, speech: &Speech) -> Option<String> {
    match &change.evidence {
        Evidence::Reservoir { empty_at, .. } if change.key.kind == AlarmKind::ReservoirLow => {
            Some(forecast(*empty_at, speech).unwrap_or_default())
        }
        _ => None,
    }
}

fn sudden(change: &AlarmChange, minutes: i64, speech: &Speech) -> AlarmWords {
    let Evidence::Leak { reservoir, lost, usable, draw, expected, .. } = &change.evidence else {
        return AlarmWords::default();
    };
    let named = capital(&the(reservoir));
    let goes_on =
        if draw - expected > STILL_LOSES { format!(" It still loses {}.", speech.flow(*draw)) } else { String::new() };
    AlarmWords {
        headline: format!("{} lost {} at once", short(reservoir), speech.volume(*lost)),
        figures: " - leak?".to_owned(),
        name: format!("Water lost from {}", short(reservoir)),
        what: format!(
            "{named} lost {} within {}, and no watering in your log explains it.{goes_on} Left above the pump inlet: {}.",
            speech.volume(*lost),
            count(minutes, "minute"),
            speech.volume(*usable)
        ),
        state: "Lost",
        harm: if *usable > LEFT_FOR_THE_PUMP {
            "the water is on the floor"
        } else {
            "the water is on the floor and the pump may draw air"
        },
        over: format!("{named} loses nothing more, or somebody has said where it went."),
        ..of_a_leak(reservoir)
    }
}

fn loss(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    let Evidence::Leak { reservoir, draw, expected, lost, usable, .. } = &change.evidence else {
        return AlarmWords::default();
    };
    let named = capital(&the(reservoir));
    AlarmWords {
        headline: format!("{} losing {}", short(reservoir), speech.flow(*draw).replace(" an hour", "/h")),
        figures: " - leak?".to_owned(),
        name: format!("{} losing water", short(reservoir)),
        what: format!(
            "{named} loses {}; plants and pump explain {}. Gone since it began: {}. Left above the pump inlet: {}.",
            speech.flow(*draw),
            speech.flow(*expected),
            speech.volume(*lost),
            speech.volume(*usable)
        ),
        // It had begun before: so much had to be gone that it could be told from chance.
        state: "Sure of it",
        harm: if *usable > LEFT_FOR_THE_PUMP {
            "the water on the floor begins to do damage"
        } else {
            "the pump draws air and the water is on the floor"
        },
        over: format!("{named} loses no more than plants and pump explain."),
        ..of_a_leak(reservoir)
    }
}

fn of_a_leak(reservoir: &str) -> AlarmWords {
    AlarmWords {
        action: format!("Look for water under {} and along the hoses, and close what leaks", the(reservoir)),
        caution: Some(MAINS_CAUTION),
        ..AlarmWords::default()
    }
}
