//! What is said of air outside the band of what grows in it: in one place, and in several at once.

use super::crop_words::crops_at_stage;
use super::sentences::{AlarmWords, MOLD_CAUTION, short};
use super::speech::{Speech, list, percent, percent_beside};
use crate::engine::alarm::{AlarmChange, AlarmKind, Evidence};
use crate::engine::watch::band::CropAtStage;
use crate::reading::{BelievedAs, Quantity};

/// At or below this the air is no longer cold but frosty, Celsius.
const FROST: f64 = 0.5;
/// A worst value that differs by less from the one of now is not worth a sentence: the deadbands of
/// the alarms, kelvin and per cent.
const WORST_KELVIN: f64 = 0.5;
const WORST_PERCENT: f64 = 3.0;

/// Common practice, no source: what makes the warmth of a room is fed through one plug.
const FIRST_IN_COLD: &str = "Is the heater warm? If not: thermostat (or its battery), plug, breaker, ground-fault \
outlet. Then doors, vents and windows.";
/// Common practice, no source.
const FIRST_IN_HEAT: &str = "Are lamps or heater on that should be off? A timer or thermostat may hang. Do fan and \
cooler run? If not: plug, breaker.";
const MAINS_CAUTION: &str = "Heaters, lamps and water do not mix: touch no wet plug. A breaker that trips again stays \
off, and what is behind it is work for a licensed electrician.";

/// The sentences of air that is too warm, cold, damp or dry.
pub(super) fn words(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    let Evidence::Air { place, quantity, value, limit, worst, crops, .. } = &change.evidence else {
        return AlarmWords::default();
    };
    let formatted = |value: f64| amount(*quantity, value, speech);
    let now = beside(*quantity, *value, *limit, speech);
    let unit = unit(*quantity);
    let (state, action, harm, look_first, caution) = match change.key.kind {
        AlarmKind::AirTooCold => (
            "Too cold",
            format!("Warm {place}: see whether the heater runs, close doors and vents"),
            if *value <= FROST { "the frost damages the crop" } else { "the cold begins to hold the crop back" },
            FIRST_IN_COLD,
            Some(MAINS_CAUTION),
        ),
        AlarmKind::AirTooDamp => (
            "Too damp",
            format!("Move air through {place}: fan on, vent open, no misting"),
            "conditions favor mold",
            "",
            Some(MOLD_CAUTION),
        ),
        AlarmKind::AirTooDry => (
            "Too dry",
            format!("Look at the trays in {place}: water from below where they feel light, turn the fan down"),
            "trays may run out of water",
            "",
            None,
        ),
        _ => (
            "Too warm",
            format!("Cool {place}: lamps and heater off, door or vent open, see whether the fan runs"),
            "the heat begins to harm the crop",
            FIRST_IN_HEAT,
            Some(MAINS_CAUTION),
        ),
    };
    let whose = limit_of(crops, *quantity);
    let of_this: &[&AlarmChange] = &[change];
    AlarmWords {
        headline: if is_inside(change.key.kind, *value, *limit) {
            format!("{} was {}, easing", short(place), state.to_lowercase())
        } else {
            format!("{} {}", short(place), state.to_lowercase())
        },
        figures: format!(", {now} (limit {})", formatted(*limit)),
        name: format!("{} {}", short(place), quantity.label()),
        action,
        look_first,
        what: format!("{place} is at {now}{unit}; {whose} is {}.{}", formatted(*limit), besides(of_this, speech)),
        state,
        harm,
        over: format!(
            "{place} is at {now}{unit}; {whose} is {}. The worst was {}.",
            formatted(*limit),
            formatted(*worst)
        ),
        caution,
        ..AlarmWords::default()
    }
}

/// The same trouble in several places in one sentence, where they are held to one limit.
pub(super) fn what_of_several(alarms: &[&AlarmChange], speech: &Speech) -> Option<String> {
    let [first, _, ..] = alarms else { return None };
    let mut alarms = alarms.to_vec();
    alarms.sort_by_key(|change| change.key.subject.as_str());
    let Evidence::Air { quantity, limit, .. } = &first.evidence else { return None };
    let mut each = Vec::new();
    let mut stands: Vec<CropAtStage> = Vec::new();
    for change in &alarms {
        match &change.evidence {
            Evidence::Air { place, quantity: other, value, limit: own, crops, .. }
                if other == quantity && own == limit =>
            {
                each.push((place, beside(*quantity, *value, *limit, speech)));
                stands.extend(crops.iter().cloned());
            }
            _ => return None,
        }
    }
    let values: Vec<String> = each
        .iter()
        .enumerate()
        .map(|(nth, (place, now))| match nth {
            0 => format!("{place} is at {now}{}", unit(*quantity)),
            _ => format!("{place} at {now}"),
        })
        .collect();
    let whose = limit_of(&stands, *quantity);
    let limit = amount(*quantity, *limit, speech);
    Some(format!("{}; {whose} is {limit}.{}", list(&values, values.len()), besides(&alarms, speech)))
}

/// Whose limit it is: what is under a cover is meant to be wet, and asks nothing of the room's
/// humidity.
fn limit_of(crops: &[CropAtStage], quantity: Quantity) -> String {
    let open = crops.iter().filter(|at| quantity != Quantity::Humidity || !at.stage.covered());
    match crops_at_stage(&open.cloned().collect::<Vec<_>>()).as_slice() {
        [] => "the limit".to_owned(),
        crops => format!("the limit for {}", list(crops, 3)),
    }
}

/// Inside the limit again, but not by as much as it takes to be over.
fn is_inside(kind: AlarmKind, value: f64, limit: f64) -> bool {
    match kind {
        AlarmKind::AirTooCold | AlarmKind::AirTooDry => value >= limit,
        _ => value <= limit,
    }
}

/// What stands after the values: how good they are, the worst of this episode, and what gets wet.
fn besides(alarms: &[&AlarmChange], speech: &Speech) -> String {
    let mut text = String::new();
    let several = alarms.len() > 1;
    let mut worst_of_all: Option<(f64, String)> = None;
    let mut wets: Option<(f64, f64)> = None;
    let mut unsure: Option<String> = None;
    let mut easing: Vec<String> = Vec::new();
    for change in alarms {
        let Evidence::Air { place, quantity, value, limit, worst, dew_point, dew_point_accuracy, accuracy, .. } =
            &change.evidence
        else {
            continue;
        };
        if is_inside(change.key.kind, *value, *limit) {
            easing.push(place.clone());
        }
        // Said only where it could turn the answer round.
        if (value - limit).abs() < *accuracy {
            let off = match quantity.believed_as() {
                BelievedAs::Temperature => speech.temperature_difference(*accuracy),
                BelievedAs::Humidity | BelievedAs::Volume => amount(*quantity, *accuracy, speech),
            };
            unsure.get_or_insert(format!(" Give or take {off}, as good as the sensor is."));
        }
        let least = if quantity.believed_as() == BelievedAs::Temperature { WORST_KELVIN } else { WORST_PERCENT };
        let beyond = (worst - limit).abs();
        if (worst - value).abs() >= least && worst_of_all.as_ref().is_none_or(|(most, _)| beyond > *most) {
            let formatted = amount(*quantity, *worst, speech);
            let whose = if several { format!(", in {place}") } else { String::new() };
            worst_of_all = Some((beyond, format!(" The worst so far was {formatted}{whose}.")));
        }
        if change.key.kind == AlarmKind::AirTooDamp
            && let Some(dew) = dew_point.zip(*dew_point_accuracy)
            && wets.is_none_or(|(most, _)| dew.0 > most)
        {
            wets = Some(dew);
        }
    }
    if !easing.is_empty() {
        let is = if easing.len() == 1 { "is" } else { "are" };
        let names = if several { list(&easing, easing.len()) } else { "It".to_owned() };
        text.push_str(&format!(" {names} {is} inside again, not yet by enough to call it over."));
    }
    text.extend(unsure);
    text.extend(worst_of_all.map(|(_, sentence)| sentence));
    text.extend(wets.map(|(dew_point, accuracy)| {
        let off = speech.temperature_difference(accuracy);
        format!(" Anything colder than {} (give or take {off}) gets wet.", speech.temperature(dew_point))
    }));
    text
}

fn unit(quantity: Quantity) -> &'static str {
    if quantity == Quantity::Humidity { " humidity" } else { "" }
}

fn beside(quantity: Quantity, value: f64, limit: f64, speech: &Speech) -> String {
    match quantity.believed_as() {
        BelievedAs::Humidity => percent_beside(value, limit),
        BelievedAs::Temperature | BelievedAs::Volume => amount(quantity, value, speech),
    }
}

fn amount(quantity: Quantity, value: f64, speech: &Speech) -> String {
    match quantity.believed_as() {
        BelievedAs::Temperature => speech.temperature(value),
        BelievedAs::Humidity => percent(value),
        BelievedAs::Volume => speech.volume(value),
    }
}
