//! What each kind of alarm says: what is, what harm comes, what to do. One
//! `match` arm a kind of evidence; when and to whom is told by its neighbours.

use super::sentences::{AlarmWords, short};
use super::speech::{Speech, capital, count, hours, hours_of, list, percent, percent_beside, the};
use crate::engine::alarm::{AlarmChange, AlarmKind, Evidence};
use crate::engine::physics::dryness::HORIZON_HOURS;
use crate::engine::physics::infection::PathogenName;
use crate::engine::watch::band::CropAtStage;
use crate::engine::watch::trays::tray::Stage;
use crate::reading::{BelievedAs, Quantity};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// With more left than this nobody fears for the pump yet, litres. Own default.
const LEFT_FOR_THE_PUMP: f64 = 4.0;

/// The caution of everything that speaks of mold (WHO Guidelines for Indoor Air Quality: Dampness and Mould, 2009).
pub(crate) const MOLD_CAUTION: &str = "Computed from room air and your log with field-crop disease models; \
not validated on microgreens; look at the tray.";
const MAINS_CAUTION: &str = "Water and mains do not mix: do not touch wet plugs or pumps; \
switch off at the breaker first, and leave wet wiring to a licensed electrician.";
const HEATER_CAUTION: &str = "A heater that trips its breaker is work for a licensed electrician.";

/// The sentences for this alarm as it stands.
pub(crate) fn words(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    let words = words_of_now(change, speech);
    match over_without_numbers(change) {
        Some(over) => AlarmWords { over, ..words },
        None => words,
    }
}

/// What is said of an end that gave no numbers: those at hand are of before.
fn over_without_numbers(change: &AlarmChange) -> Option<String> {
    if !change.numbers_are_past {
        return None;
    }
    match &change.evidence {
        Evidence::Air { place, .. } | Evidence::Condensation { place, .. } | Evidence::Mold { place, .. } => {
            Some(format!("Nothing stands in {place} any more that asks for it."))
        }
        Evidence::Dryness { place, .. } => {
            Some(format!("By the air and your log, the trays in {place} have water again, or have moved on."))
        }
        Evidence::Reservoir { reservoir, .. } => Some(format!("{} is not judged any more.", capital(&the(reservoir)))),
        _ => None,
    }
}

fn words_of_now(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    match &change.evidence {
        Evidence::Air { place, quantity, value, limit, worst, crops, dew_point, dew_point_accuracy, accuracy } => air(
            change,
            speech,
            place,
            *quantity,
            [*value, *limit, *worst, *accuracy],
            crops,
            dew_point.zip(*dew_point_accuracy),
        ),
        Evidence::Condensation { place, dew_point, surface, accuracy, on } => {
            condensation(speech, place, [*dew_point, *surface, *accuracy], on.as_deref())
        }
        Evidence::Mold { place, trays, pressure, hours: had, between, needed, pathogen } => AlarmWords {
            headline: format!("{} mold conditions, {}", short(place), hours_of(*had, *needed)),
            name: format!("Mold conditions at {}", short(place)),
            action: format!(
                "Look at {} and dry the air: fan on, vent open, no misting",
                if trays.is_empty() { format!("the trays in {place}") } else { list(trays, 4) }
            ),
            what: format!(
                "In {place} conditions have allowed infection for {}{}; at this temperature about {} are needed \
                 (pressure {pressure:.0} of 100, model of {}).{}",
                hours(*had),
                between_hours(*between),
                hours(*needed),
                studied(*pathogen),
                concerned(trays)
            ),
            state: "Past half of what is needed",
            harm: "conditions suffice for infection",
            over: format!("The air in {place} allows no infection at the moment (pressure {pressure:.0} of 100)."),
            caution: Some(MOLD_CAUTION),
        },
        Evidence::Dryness { place, trays, hours: left, watered, not_shown, unlogged } => {
            let dry_at = change.at + TimeDelta::seconds((left.clamp(0.0, 10_000.0) * 3600.0) as i64);
            let which = if trays.is_empty() {
                format!("the trays in {place}")
            } else {
                format!("{} in {place}", list(trays, 4))
            };
            let beyond_sight = *left >= HORIZON_HOURS as f64;
            let has = if trays.len() == 1 { "has" } else { "have" };
            let logged = match (watered, not_shown) {
                (_, Some(at)) => format!(
                    " Your log has a watering {}, but the tank did not fall: look whether the pump runs.",
                    speech.day_and_clock(*at)
                ),
                // So much water is left that only missed waterings can be why it is told.
                (Some(at), None) if beyond_sight => format!(
                    " The last watering in your log was {}, and two usual ones have passed since; if they were done, log them.",
                    speech.day_and_clock(*at)
                ),
                (Some(at), None) if *unlogged => format!(
                    " The last watering in your log was {}, and a usual one has passed since: if it was done, log it.",
                    speech.day_and_clock(*at)
                ),
                (Some(at), None) => format!(" The last watering in your log was {}.", speech.day_and_clock(*at)),
                (None, None) if *unlogged => {
                    " Your log has neither their uncovering nor a watering: if they are open, log both.".to_owned()
                }
                (None, None) => " Your log has no watering for them.".to_owned(),
            };
            AlarmWords {
                headline: if *left < 0.1 {
                    format!("{} dry - water the trays", short(place))
                } else if beyond_sight {
                    format!("{} not watered - water", short(place))
                } else {
                    format!("{} dry by {} - water", short(place), speech.clock(dry_at))
                },
                name: format!("Water at {}", short(place)),
                action: format!("Water {which} from below"),
                what: if *left < 0.1 {
                    format!("By the air and your log, {which} should be dry now.{logged}")
                } else if beyond_sight {
                    format!("By the air and your log, {which} {has} water for a day or more.{logged}")
                } else {
                    format!("By the air and your log, {which} will be dry in about {}.{logged}", hours(*left))
                },
                state: "Drying out",
                harm: "the medium is dry and seedlings begin to wilt",
                over: if beyond_sight {
                    format!("By the air and your log, {which} {has} water for a day or more.")
                } else {
                    format!("By the air and your log, {which} {has} water for about {}.", hours(*left))
                },
                caution: None,
            }
        }
        Evidence::Stage { tray, place, crop, stage, due } => overdue(speech, tray, place, crop, *stage, *due),
        Evidence::Reservoir { reservoir, usable, percent: share, draw, empty_at, to_fill, waterings } => {
            reservoir_words(change, speech, reservoir, [*usable, *share, *to_fill, *waterings], *draw, *empty_at)
        }
        Evidence::Leak { reservoir, lost, sudden_minutes: Some(minutes), usable, draw, .. } => AlarmWords {
            headline: format!("{} lost {} at once - leak?", short(reservoir), speech.volume(*lost)),
            name: format!("Water lost from {}", short(reservoir)),
            action: format!("Look for water under {} and along the hoses, and close what leaks", the(reservoir)),
            what: format!(
                "{} lost {} within {}, and no watering in your log explains it. {}{} are left above the pump inlet.",
                capital(&the(reservoir)),
                speech.volume(*lost),
                count(*minutes, "minute"),
                if *draw > 0.1 { format!("It still loses {}. ", speech.flow(*draw)) } else { String::new() },
                speech.volume(*usable)
            ),
            state: "Lost",
            harm: if *usable > LEFT_FOR_THE_PUMP {
                "the water is on the floor"
            } else {
                "the water is on the floor and the pump may draw air"
            },
            over: format!("{} loses nothing more, or somebody has said where it went.", capital(&the(reservoir))),
            caution: Some(MAINS_CAUTION),
        },
        Evidence::Leak { reservoir, draw, expected, lost, usable, .. } => AlarmWords {
            headline: format!("{} losing {} - leak?", short(reservoir), speech.flow(*draw).replace(" an hour", "/h")),
            name: format!("{} losing water", short(reservoir)),
            action: format!("Look for water under {} and along the hoses, and close what leaks", the(reservoir)),
            what: format!(
                "{} loses {}; plants and pump explain {}. {} are gone since it began, {} are left above the pump inlet.",
                capital(&the(reservoir)),
                speech.flow(*draw),
                speech.flow(*expected),
                speech.volume(*lost),
                speech.volume(*usable)
            ),
            state: "Losing water",
            harm: if *usable > LEFT_FOR_THE_PUMP {
                "the water on the floor begins to do damage"
            } else {
                "the pump draws air and the water is on the floor"
            },
            over: format!("{} loses no more than plants and pump explain.", capital(&the(reservoir))),
            caution: Some(MAINS_CAUTION),
        },
        Evidence::Silent { .. } | Evidence::Stuck { .. } | Evidence::Implausible { .. } | Evidence::Drift { .. } => {
            super::sensor_words::words(change, speech)
        }
        Evidence::Broker
        | Evidence::Contested { .. }
        | Evidence::Mail { .. }
        | Evidence::Store { .. }
        | Evidence::StoreHurt { .. }
        | Evidence::Clock { .. } => super::watch_words::words(change, speech),
    }
}

fn air(
    change: &AlarmChange,
    speech: &Speech,
    place: &str,
    quantity: Quantity,
    [value, limit, worst, accuracy]: [f64; 4],
    crops: &[CropAtStage],
    dew_point: Option<(f64, f64)>,
) -> AlarmWords {
    let believed = quantity.believed_as();
    let formatted = |value: f64| match believed {
        BelievedAs::Temperature => speech.temperature(value),
        BelievedAs::Humidity => percent(value),
        BelievedAs::Volume => speech.volume(value),
    };
    let now = if believed == BelievedAs::Humidity { percent_beside(value, limit) } else { formatted(value) };
    let unit = if quantity == Quantity::Humidity { " humidity" } else { "" };
    let (state, action, harm, caution) = match change.key.kind {
        AlarmKind::AirTooCold => (
            "Too cold",
            format!("Warm {place}: close doors and vents, see whether the heater runs"),
            "the cold begins to hold the crop back",
            Some(HEATER_CAUTION),
        ),
        AlarmKind::AirTooDamp => (
            "Too damp",
            format!("Move air through {place}: fan on, vent open, no misting"),
            "conditions favor mold",
            Some(MOLD_CAUTION),
        ),
        AlarmKind::AirTooDry => (
            "Too dry",
            format!("Look at the trays in {place}: water from below where they feel light, turn the fan down"),
            "trays may run out of water",
            None,
        ),
        _ => (
            "Too warm",
            format!("Cool {place}: lamps off, door or vent open, see whether the fan runs"),
            "the heat begins to harm the crop",
            None,
        ),
    };
    let whose = match crops {
        [] => "the limit".to_owned(),
        crops => format!("the limit for {}", list(&crops_at_stage(crops), 3)),
    };
    let worst_formatted = if (worst - value).abs() < 0.05 {
        String::new()
    } else {
        format!(" The worst so far was {}.", formatted(worst))
    };
    let dew = match (quantity, dew_point) {
        (Quantity::Humidity, Some((dew_point, accuracy))) if change.key.kind == AlarmKind::AirTooDamp => {
            let off = speech.temperature_difference(accuracy);
            format!(" Anything colder than {} (give or take {off}) gets wet.", speech.temperature(dew_point))
        }
        _ => String::new(),
    };
    // Said only where it could turn the answer round.
    let band = if (value - limit).abs() < accuracy {
        let off = match believed {
            BelievedAs::Temperature => speech.temperature_difference(accuracy),
            BelievedAs::Humidity | BelievedAs::Volume => formatted(accuracy),
        };
        format!(" Give or take {off}, as good as the sensor is.")
    } else {
        String::new()
    };
    AlarmWords {
        headline: format!("{} {}, {} (limit {})", short(place), state.to_lowercase(), now, formatted(limit)),
        name: format!("{} {}", short(place), quantity.label()),
        action,
        what: format!("{place} is at {now}{unit}; {whose} is {}.{band}{worst_formatted}{dew}", formatted(limit)),
        state,
        harm,
        over: format!(
            "{place} is at {now}{unit}; {whose} is {}. The worst was {}.",
            formatted(limit),
            formatted(worst)
        ),
        caution,
    }
}

/// Said only where the hygrometer's own error makes an hour or more of it.
fn between_hours((least, most): (f64, f64)) -> String {
    if most - least < 1.0 {
        return String::new();
    }
    let least = if least < 0.5 { "none".to_owned() } else { hours(least) };
    format!(" (between {least} and {}, as good as the hygrometer is)", hours(most))
}

fn condensation(
    speech: &Speech,
    place: &str,
    [dew_point, surface, accuracy]: [f64; 3],
    on: Option<&str>,
) -> AlarmWords {
    let (dew, cold) = (speech.temperature(dew_point), speech.temperature(surface));
    let off = speech.temperature_difference(accuracy);
    let wet = surface <= dew_point;
    let thing = match on {
        Some(on) => format!("The {on} at {place}"),
        None => format!("A surface in {place}"),
    };
    AlarmWords {
        headline: match on {
            Some(on) => format!("{}: {} {} dew point", short(place), short(on), if wet { "below" } else { "near" }),
            None => format!("{}: surfaces {} dew point", short(place), if wet { "below" } else { "near" }),
        },
        name: format!("Dew at {}", short(place)),
        action: format!("Move air through {place} and warm it a little: fan on, vent open, no misting"),
        what: match on {
            Some(_) => format!(
                "{thing} is at {cold} and the air turns to dew at {dew} (give or take {off}, as good as the sensors \
                 are), so conditions allow water to settle on it."
            ),
            None if wet => format!(
                "A surface in {place} that is colder than the air by a few degrees, at {cold}, is below the dew point \
                 of {dew} (give or take {off}), so conditions allow water to settle on it."
            ),
            None => format!(
                "A surface in {place} that is colder than the air by a few degrees, at {cold}, is close to the dew \
                 point of {dew} (give or take {off}): water that has settled on it dries slowly."
            ),
        },
        state: "Below the dew point",
        harm: "leaves and covers stay wet and conditions favor mold",
        over: match on {
            None if wet => format!("The air in {place} is no damper than the trays there bear."),
            _ => format!("{thing} is at {cold}, the dew point at {dew}."),
        },
        caution: Some(MOLD_CAUTION),
    }
}

fn overdue(speech: &Speech, tray: &str, place: &str, crop: &str, stage: Stage, due: Timestamp) -> AlarmWords {
    let (task, action, harm) = match stage {
        Stage::Soak => ("sow", format!("Drain and sow {tray}"), "seed begins to spoil in the water"),
        Stage::Germination => {
            ("weight off", format!("Take the weight off {tray} in {place}"), "seedlings bend under the weight")
        }
        Stage::Blackout => (
            "uncover",
            format!("Uncover {tray} in {place} and bring it to the light"),
            "seedlings grow long and pale under the cover",
        ),
        Stage::Light | Stage::Ready => {
            ("cut", format!("Look at {tray} in {place} and cut it"), "the crop grows past its best")
        }
    };
    AlarmWords {
        headline: format!("{} overdue: {task} ({})", short(tray), short(place)),
        name: format!("{} overdue", short(tray)),
        action,
        what: format!(
            "{tray} ({crop}, in {place}) is still {}; by the crop table that should have ended {}. \
             If it is done, log it.",
            standing(stage),
            speech.day_and_clock(due)
        ),
        state: "Overdue",
        harm,
        over: format!("{tray} has moved on."),
        caution: None,
    }
}

/// Where a tray stands, after "is still".
pub(crate) fn standing(stage: Stage) -> &'static str {
    match stage {
        Stage::Soak => "soaking",
        Stage::Germination => "under weight",
        Stage::Blackout => "under cover",
        Stage::Light => "in light",
        Stage::Ready => "ready to cut",
    }
}

/// A pathogen by its Latin name, and the host it was studied on.
fn studied(pathogen: PathogenName) -> &'static str {
    match pathogen {
        PathogenName::AlternariaBrassicae => "Alternaria brassicae on oilseed rape",
        PathogenName::BotrytisCinerea => "Botrytis cinerea on strawberry",
        PathogenName::BremiaLactucae => "Bremia lactucae on lettuce",
        PathogenName::MycosphaerellaPinodes => "Mycosphaerella pinodes on pea",
    }
}

/// What stands in a place, each as "broccoli in light", in the order of a dictionary.
pub(crate) fn crops_at_stage(crops: &[CropAtStage]) -> Vec<String> {
    let mut words: Vec<String> = crops
        .iter()
        .map(|CropAtStage { crop, stage }| {
            let stage = if stage.covered() { Stage::Blackout } else { *stage };
            format!("{crop} {}", standing(stage))
        })
        .collect();
    words.sort();
    words.dedup();
    words
}

fn reservoir_words(
    change: &AlarmChange,
    speech: &Speech,
    reservoir: &str,
    [usable, share, to_fill, waterings]: [f64; 4],
    draw: Option<f64>,
    empty_at: Option<(Timestamp, Timestamp, Timestamp)>,
) -> AlarmWords {
    let empty = change.key.kind == AlarmKind::ReservoirEmpty;
    let refill = speech.volume(to_fill);
    let level = format!("{} of usable water, {}", speech.volume(usable.max(0.0)), percent(share.max(0.0)));
    let drawn = match draw {
        Some(draw) => format!(", and loses {}", speech.flow(draw)),
        None => ", and loses nothing that can be measured between waterings".to_owned(),
    };
    let drawn = if waterings > 0.05 {
        format!("{drawn}; waterings took {} in the last day", speech.volume(waterings))
    } else {
        drawn
    };
    let forecast = match empty_at {
        // A spread of minutes is no news; the pump's hour, not the slope, sets it then.
        Some((best, early, late)) if !empty && late - early < chrono::TimeDelta::minutes(30) => {
            format!(" If it goes on so, it reaches the pump inlet at {}.", speech.clock(best))
        }
        Some((best, early, late)) if !empty => format!(
            " If it goes on so, it reaches the pump inlet at {}, between {} and {}.",
            speech.clock(best),
            speech.clock(early),
            speech.clock(late)
        ),
        _ => String::new(),
    };
    let headline = match empty_at {
        _ if empty => format!("{} empty - refill {refill}", short(reservoir)),
        Some((best, ..)) => format!("{} empty by {} - refill {refill}", short(reservoir), speech.clock(best)),
        None => format!("{} low, {} - refill {refill}", short(reservoir), percent(share)),
    };
    AlarmWords {
        headline,
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
    }
}

fn concerned(trays: &[String]) -> String {
    match trays.len() {
        0 => {
            " No tray is in your journal: one of the kind that molds soonest is assumed to stand open there.".to_owned()
        }
        1..=4 => format!(" It concerns {}.", list(trays, 4)),
        many => format!(" It concerns {}, first {}.", count(many as i64, "tray"), list(&trays[..3], 3)),
    }
}
