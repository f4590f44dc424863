//! What each kind of alarm says: what is, what harm comes, what to do. One
//! `match` arm a kind of evidence; when and to whom is told by its neighbours.

use super::overdue_words::Overdue;
use super::sentences::{AlarmWords, MOLD_CAUTION, short};
use super::speech::{Speech, capital, count, hours, hours_of, list, span, the};
use crate::engine::alarm::{AlarmChange, AlarmKind, Evidence};
use crate::engine::physics::dryness::HORIZON_HOURS;
use crate::engine::physics::infection::PathogenName;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// The sentences for this alarm as it stands.
pub(crate) fn words(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    let words = eased(change, words_of_now(change, speech));
    match over_without_numbers(change) {
        Some(over) => AlarmWords { over, ..words },
        None => words,
    }
}

/// A tank that was filled a minute ago and a sensor that speaks again are not told as empty and
/// silent until their alarm is over. Air says by its own numbers that it eases.
fn eased(change: &AlarmChange, words: AlarmWords) -> AlarmWords {
    let action = match &change.evidence {
        _ if !change.easing => return words,
        Evidence::Reservoir { .. } if change.key.kind == AlarmKind::ReservoirEmpty => {
            "If you switched the pump off, switch it on again".to_owned()
        }
        Evidence::Reservoir { reservoir, .. } => format!("See that the level of {} stays", the(reservoir)),
        Evidence::Silent { .. } => "See that it goes on speaking".to_owned(),
        _ => return words,
    };
    AlarmWords {
        headline: format!("{}: well again so far", words.name),
        figures: String::new(),
        action,
        what: format!("{} It is over when that has lasted.", words.over),
        state: "Open",
        easing: true,
        caution: None,
        ..words
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
        Evidence::Air { .. } => super::air_words::words(change, speech),
        Evidence::Condensation { place, dew_point, surface, accuracy, on } => {
            condensation(speech, place, [*dew_point, *surface, *accuracy], on.as_deref())
        }
        Evidence::Mold { place, trays, pressure, hours: had, between, needed, pathogen } => AlarmWords {
            headline: format!("{} mold conditions", short(place)),
            figures: if had < needed {
                format!(", {}", hours_of(*had, *needed))
            } else {
                format!(", all {} had", hours(*needed))
            },
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
            ..AlarmWords::default()
        },
        Evidence::Dryness { place, trays, hours: left, watered, not_shown, unlogged } => {
            let dry_at = dry_at(change, *left);
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
                    format!("{} dry", short(place))
                } else if beyond_sight {
                    format!("{} not watered", short(place))
                } else {
                    format!("{} dry by {}", short(place), speech.clock(dry_at))
                },
                figures: " - water".to_owned(),
                name: format!("Water at {}", short(place)),
                action: format!("Water {which} from below"),
                what: if *left < 0.1 {
                    format!("By the air and your log, {which} should be dry now.{logged}")
                } else if beyond_sight {
                    format!("By the air and your log, {which} {has} water for a day or more.{logged}")
                } else {
                    format!(
                        "By the air and your log, {which} will be dry in about {}.{logged}",
                        span(dry_at - change.at)
                    )
                },
                state: "Drying out",
                harm: "the medium is dry and seedlings begin to wilt",
                over: if beyond_sight {
                    format!("By the air and your log, {which} {has} water for a day or more.")
                } else {
                    format!("By the air and your log, {which} {has} water for about {}.", hours(*left))
                },
                ..AlarmWords::default()
            }
        }
        Evidence::Stage { tray, place, crop, stage, due } => {
            super::overdue_words::words(speech, &Overdue { tray, place, crop, stage: *stage, due: *due })
        }
        Evidence::Reservoir { .. } | Evidence::Leak { .. } => super::tank_words::words(change, speech),
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
        ..AlarmWords::default()
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

/// When the trays of a place are dry: the hour that is also given for the harm, so that a letter has
/// one.
pub(super) fn dry_at(change: &AlarmChange, hours_left: f64) -> Timestamp {
    let by_the_water = change.at + TimeDelta::seconds((hours_left.clamp(0.0, 10_000.0) * 3600.0) as i64);
    let harm = change.harm.filter(|harm| harm.has_likely() && harm.likely > change.at);
    harm.map_or(by_the_water, |harm| harm.likely)
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
