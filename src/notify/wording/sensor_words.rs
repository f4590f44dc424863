//! What is said of sensors that fell silent, got stuck, lie or disagree. None
//! of these says anything about the air: only about who watches it.

use super::sentences::{AlarmWords, short};
use super::speech::{Speech, capital, count, percent, span, the};
use crate::engine::alarm::{AlarmChange, Evidence};
use crate::reading::Quantity;
use crate::units::Timestamp;

/// The sentences of a sensor alarm.
pub(crate) fn words(change: &AlarmChange, speech: &Speech) -> AlarmWords {
    let sensor = change.key.subject.as_str();
    let device = device(sensor, place(&change.evidence));
    let named = capital(&device);
    match &change.evidence {
        Evidence::Stuck { place, quantity, value } => AlarmWords {
            headline: format!("{} sensor stuck", short(place)),
            figures: format!(" at {}", amount(speech, *quantity, *value)),
            name: format!("{} sensor", short(place)),
            action: format!("Look at {device}: unplug it for ten seconds, or breathe on it and see whether it moves"),
            what: format!(
                "{named} repeats {} without the smallest change; a live sensor always moves a little. \
                 Its {} is no longer believed.",
                amount(speech, *quantity, *value),
                quantity.label()
            ),
            state: "Stuck",
            harm: UNSEEN,
            unseen: NOT_SEEN,
            over: format!("{named} moves again."),
            ..AlarmWords::default()
        },
        Evidence::Implausible { place, refused, heard, reason } => AlarmWords {
            headline: format!("{} sensor sends bad values", short(place)),
            name: format!("{} sensor", short(place)),
            action: format!("Look at {device}: plug, cable, battery, water on it"),
            what: format!(
                "In the last hour {refused} of {} from {device} could not be believed, most of them because {}. \
                 Refused values are kept but never used.",
                count(i64::from(*heard), "message"),
                doubt(reason)
            ),
            state: "Not believable",
            harm: UNSEEN,
            unseen: NOT_SEEN,
            over: format!("{named} sends values that can be believed."),
            ..AlarmWords::default()
        },
        Evidence::Drift { place, peer, quantity, difference } => {
            let apart = match quantity {
                Quantity::Temperature => speech.temperature_difference(*difference),
                Quantity::Humidity => format!("{:.0} points of humidity", difference.abs()),
                Quantity::Distance | Quantity::Depth | Quantity::Volume | Quantity::Filling => {
                    format!("{:.1} {}", difference.abs(), quantity.unit())
                }
            };
            AlarmWords {
                headline: format!("{} sensors {apart} apart", short(place)),
                name: format!("{} sensors", short(place)),
                action: format!("Hang {sensor} and {peer} side by side for an hour and compare them with a third"),
                what: format!(
                    "In {place} sensors {sensor} and {peer} differ by {apart} on average. One of them may be wrong; \
                     which one cannot be told from here."
                ),
                state: "Apart",
                harm: "limits are judged by a number that may be wrong",
                over: format!("Sensors {sensor} and {peer} in {place} agree again."),
                ..AlarmWords::default()
            }
        }
        // Silent is the only evidence left that `alarm_words` sends here.
        evidence => silent(evidence, &device, speech),
    }
}

/// Every sensor at once is the router or the power, not thirty batteries.
fn nothing_heard(last_heard: Option<Timestamp>, speech: &Speech) -> AlarmWords {
    let since = last_heard.map_or(String::new(), |at| format!(" since {}", speech.clock(at)));
    AlarmWords {
        headline: format!("no sensor heard{since}"),
        figures: " - power or radio?".to_owned(),
        name: "All sensors".to_owned(),
        action: "See to power and network: whether the room has power, then whether its router runs".to_owned(),
        what: format!(
            "No sensor of the site has been heard{since}, though the broker is there: all at once is the power or the \
             radio of the room, hardly the sensors. Nothing is watched until they speak."
        ),
        // Of the alarm, which waits for its turns and begins anew after a restart; when it was last
        // heard is told beside it.
        state: "Counted as silent",
        harm: "without power fan, heater and pump stand still and nobody sees it",
        unseen: "If it is the power, fan, heater and pump stand still too, and nobody sees it",
        over: "The sensors speak again.".to_owned(),
        ..AlarmWords::default()
    }
}

const UNSEEN: &str = "harm could go on there unseen";
/// What is so from the first minute.
const NOT_SEEN: &str = "As long as it lasts nobody sees what happens there";

fn silent(evidence: &Evidence, device: &str, speech: &Speech) -> AlarmWords {
    let named = capital(device);
    let (place, last_heard, every, blind, all) = match evidence {
        Evidence::Silent { place, last_heard, every, blind, all } => {
            (place.as_str(), *last_heard, Some(*every), *blind, *all)
        }
        _ => (device, None, None, false, false),
    };
    if all {
        return nothing_heard(last_heard, speech);
    }
    let heard = match last_heard {
        Some(at) => format!("was last heard at {}", speech.clock(at)),
        None => "has not been heard since we listen".to_owned(),
    };
    let usual = every.map(|every| format!(" and should speak every {}", interval(every))).unwrap_or_default();
    AlarmWords {
        headline: format!("{} {}", short(place), if blind { "unwatched" } else { "sensor silent" }),
        figures: match (blind, last_heard) {
            (true, Some(at)) => format!(", no data since {}", speech.clock(at)),
            (false, Some(at)) => format!(" since {}", speech.clock(at)),
            (_, None) => ", never heard".to_owned(),
        },
        name: format!("{} sensor", short(place)),
        action: if blind {
            format!("Look at {} yourself, then at {device}: power, battery, network", the(place))
        } else {
            format!("Look at {device}: power, battery, network")
        },
        what: format!(
            "{named} {heard}{usual}. {}",
            if blind {
                format!("Nothing else measures {}: no alarm about it can come until it speaks.", the(place))
            } else {
                "Another sensor still watches there.".to_owned()
            }
        ),
        state: "Counted as silent",
        harm: UNSEEN,
        unseen: if blind { NOT_SEEN } else { "" },
        over: format!("{named} speaks again."),
        ..AlarmWords::default()
    }
}

/// Where a sensor hangs, as the evidence says.
fn place(evidence: &Evidence) -> &str {
    match evidence {
        Evidence::Silent { place, .. }
        | Evidence::Stuck { place, .. }
        | Evidence::Implausible { place, .. }
        | Evidence::Drift { place, .. } => place,
        _ => "",
    }
}

/// "sensor rack-a-air in Rack A"; a reservoir's gauge bears the reservoir's id,
/// so "sensor tank in Tank" would be said: "the gauge of the tank" is what it is.
fn device(sensor: &str, place: &str) -> String {
    let plain = |name: &str| name.to_lowercase().replace([' ', '_'], "-");
    if plain(sensor) == plain(place) || the(place) != place.trim() {
        format!("the gauge of {}", the(place))
    } else {
        format!("sensor {sensor} in {place}")
    }
}

/// "minute", "30 seconds": what follows "every".
fn interval(every: chrono::TimeDelta) -> String {
    match every.num_seconds() {
        seconds @ ..60 => count(seconds.max(1), "second"),
        60 => "minute".to_owned(),
        _ => span(every),
    }
}

fn amount(speech: &Speech, quantity: Quantity, value: f64) -> String {
    match quantity {
        Quantity::Temperature => speech.temperature(value),
        Quantity::Humidity | Quantity::Filling => percent(value),
        // A gauge's believed value is litres, whatever it measures.
        Quantity::Distance | Quantity::Depth | Quantity::Volume => speech.volume(value),
    }
}

/// The reason behind a stable word of `Doubt` or `Garbled`, after "because".
pub(crate) fn doubt(word: &str) -> &'static str {
    match word {
        "range" | "out-of-this-world" => "the value cannot be",
        "fault-code" => "it is the value probes give when they are not connected",
        "spike" => "it jumped and did not stay there",
        "rate" => "it changed faster than a room can",
        "flat-line" => "it does not move",
        "saturated" => "its hygrometer is saturated: it stands, or lately stood, at the top of its scale",
        "retained" => "its age is not known",
        "late" => "it came too late",
        "duplicate" => "it came twice",
        "uncorrected" => "the air its echo went through was not known",
        "empty" => "the message was empty",
        "too-large" => "the message was too long",
        "not-readable" => "the message could not be read",
        "field-missing" => "the value was not in the message",
        "not-a-number" => "it was no number",
        "wrong-unit" => "the unit does not fit",
        "too-many" => "there were too many messages",
        "no-value" | "missing" => "the sensor said that it has no value",
        _ => "they were not what this sensor should send",
    }
}
