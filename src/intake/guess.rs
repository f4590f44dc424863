//! What a topic seems to measure, from what it said in a minute: for each number in its
//! messages a quantity, a unit and the reason for taking it so. Pure, and only a proposal: a
//! grower reads it before any night is trusted to it.

use super::json::Json;
use super::senml::{self, StatedUnit, Value};
use super::survey::Surveyed;
use crate::config::{Locator, Unit};
use crate::reading::Quantity;
use crate::units::Timestamp;
use std::collections::BTreeMap;
use std::time::Duration;

/// What one topic seems to carry.
#[derive(Clone, Debug, PartialEq)]
pub struct TopicGuess {
    /// The topic whose messages were looked through.
    pub topic: String,
    /// How often it spoke; `None`: once, or only a retained message.
    pub every: Option<Duration>,
    /// The last message, shortened for showing.
    pub sample: String,
    /// What in it can be watched.
    pub found: Vec<Guessed>,
    /// A pointer to the time of measuring, if the message carries one.
    pub time: Option<String>,
    /// Why nothing in it can be watched, when nothing can.
    pub(crate) why_not: Option<String>,
}

/// A number that seems to be something we watch.
#[derive(Clone, Debug, PartialEq)]
pub struct Guessed {
    /// Where in the message the number stands.
    pub at: Locator,
    /// What it seems to be.
    pub quantity: Quantity,
    /// In which unit.
    pub unit: Unit,
    /// Why it is taken so.
    pub why: String,
}

/// Words by which devices call what they measure, in their topics and keys (common practice,
/// no source). The quantity of a level is settled by its unit.
fn names_of(quantity: Quantity) -> &'static [&'static str] {
    match quantity {
        Quantity::Temperature => {
            &["temperature", "temp", "tmp", "t", "celsius", "fahrenheit", "degc", "degf", "tempc", "tempf"]
        }
        Quantity::Humidity => &["humidity", "hum", "rh", "h", "relativehumidity"],
        Quantity::Distance => &["distance", "dist", "echo", "ultrasonic", "range"],
        Quantity::Depth => &["depth", "level", "waterlevel", "waterheight", "height"],
        Quantity::Volume => &["volume", "litres", "liters", "gallons", "gal"],
        Quantity::Filling => &["filling", "fill", "full", "percent", "percentfull"],
    }
}

/// Numbers about the device or of things we do not watch.
const OTHERS: [&str; 22] = [
    "battery",
    "batt",
    "bat",
    "voltage",
    "vcc",
    "rssi",
    "snr",
    "linkquality",
    "lqi",
    "uptime",
    "heap",
    "seq",
    "counter",
    "count",
    "id",
    "pressure",
    "co2",
    "light",
    "lux",
    "illuminance",
    "soil",
    "moisture",
];

/// What every topic seems to measure, in the order of their names.
pub fn guess(heard: &[Surveyed], now: Timestamp) -> Vec<TopicGuess> {
    let mut topics: BTreeMap<&str, Vec<&Surveyed>> = BTreeMap::new();
    for message in heard {
        topics.entry(&message.topic).or_default().push(message);
    }
    topics.into_iter().map(|(topic, messages)| of_topic(topic, &messages, now)).collect()
}

fn of_topic(topic: &str, messages: &[&Surveyed], now: Timestamp) -> TopicGuess {
    let texts: Vec<&str> = messages.iter().filter_map(|message| std::str::from_utf8(&message.payload).ok()).collect();
    let texts: Vec<&str> = texts.into_iter().map(str::trim).filter(|text| !text.is_empty()).collect();
    let mut guess = TopicGuess {
        topic: topic.to_owned(),
        every: interval(messages),
        sample: texts.last().map_or_else(String::new, |text| shortened(text)),
        found: Vec::new(),
        time: None,
        why_not: None,
    };
    if texts.is_empty() {
        guess.why_not = Some("its messages are empty or no text".to_owned());
        return guess;
    }
    let mut numbers: Vec<(Locator, Vec<f64>, Option<Unit>)> = Vec::new();
    for text in &texts {
        if let Ok(number) = serde_json::from_str::<f64>(text) {
            note(&mut numbers, Locator::Bare, number, None);
            continue;
        }
        let Some(tree) = Json::read(text) else { continue };
        match &tree {
            Json::Array(_) => {
                for record in senml::resolve(&tree, now).unwrap_or_default() {
                    let unit = match record.unit {
                        Some(StatedUnit::Known(unit, _)) => Some(unit),
                        Some(StatedUnit::Foreign) => continue,
                        None => None,
                    };
                    if let Value::Number(number) = record.value {
                        note(&mut numbers, Locator::Senml(record.name), number, unit);
                    }
                }
            }
            Json::Object(_) => walk(&tree, &mut String::new(), &mut numbers, &mut guess.time),
            _ => {}
        }
    }
    if numbers.is_empty() {
        guess.why_not = Some("there is no number in its messages, bare or in JSON".to_owned());
        return guess;
    }
    for (at, values, stated) in &numbers {
        guess.found.extend(of_number(topic, at, values, *stated, &guess.found));
    }
    if guess.found.is_empty() {
        let names: Vec<String> = numbers.iter().map(|(at, ..)| shown(at)).take(4).collect();
        guess.why_not = Some(format!("nothing in its name or in {} says what is measured", names.join(", ")));
    }
    guess
}

/// Gathers the values of one place in the messages.
fn note(numbers: &mut Vec<(Locator, Vec<f64>, Option<Unit>)>, at: Locator, number: f64, unit: Option<Unit>) {
    match numbers.iter_mut().find(|(known, ..)| *known == at) {
        Some((_, values, _)) => values.push(number),
        None => numbers.push((at, vec![number], unit)),
    }
}

fn walk(
    tree: &Json<'_>,
    pointer: &mut String,
    numbers: &mut Vec<(Locator, Vec<f64>, Option<Unit>)>,
    time: &mut Option<String>,
) {
    let Json::Object(members) = tree else { return };
    for (name, member) in members {
        let before = pointer.len();
        pointer.push('/');
        // RFC 6901, section 3.
        pointer.push_str(&name.replace('~', "~0").replace('/', "~1"));
        let is_time = matches!(&*levelled(name), "time" | "timestamp" | "ts" | "at" | "measuredat" | "datetime");
        match member {
            Json::Number(number) if is_time && *number > 1e9 => _ = time.get_or_insert_with(|| pointer.clone()),
            Json::Text(text) if is_time && text.parse::<Timestamp>().is_ok() => {
                time.get_or_insert_with(|| pointer.clone());
            }
            Json::Number(number) => note(numbers, Locator::Pointer(pointer.clone()), *number, None),
            Json::Object(_) => walk(member, pointer, numbers, time),
            _ => {}
        }
        pointer.truncate(before);
    }
}

/// What one number seems to be; `None`: nothing we watch, or nothing that can be told.
fn of_number(topic: &str, at: &Locator, values: &[f64], stated: Option<Unit>, before: &[Guessed]) -> Option<Guessed> {
    let own = match at {
        Locator::Bare => "",
        Locator::Pointer(name) | Locator::Senml(name) => name,
    };
    let own_words = words_of(own);
    if own_words.last().is_some_and(|last| OTHERS.contains(&last.as_str())) {
        return None;
    }
    let levels: Vec<Vec<String>> = topic.split('/').chain(own.split('/')).map(words_of).collect();
    let words: Vec<&str> = levels.iter().flatten().map(String::as_str).collect();
    // A letter that is not a level by itself is more often the name of a rack.
    let is_whole: Vec<bool> = levels.iter().flat_map(|level| level.iter().map(|_| level.len() == 1)).collect();
    // The nearest name counts first: "/air/temperature" before the topic's own words.
    let (quantity, nth) = words.iter().enumerate().rev().find_map(|(nth, word)| {
        if OTHERS.contains(word) {
            return Some(None);
        }
        let is_a_name = |quantity: &Quantity| names_of(*quantity).contains(word) && (word.len() > 1 || is_whole[nth]);
        Quantity::ALL.into_iter().find(is_a_name).map(|quantity| Some((quantity, nth)))
    })??;
    let word = words[nth];
    if before.iter().any(|found| found.quantity == quantity) {
        return None;
    }
    let (quantity, unit, because) = settle(quantity, &words, nth, values, stated)?;
    Some(Guessed { at: at.clone(), quantity, unit, why: format!("\"{word}\" in its name; {because}") })
}

/// The unit, by what is stated, by the name, or by what values there can be; `None` when the
/// values cannot be that quantity at all. The quantity is named by the `nth` of the words.
fn settle(
    quantity: Quantity,
    words: &[&str],
    nth: usize,
    values: &[f64],
    stated: Option<Unit>,
) -> Option<(Quantity, Unit, String)> {
    // An abbreviation is a unit only behind what it is a unit of: "rack-c/temperature" says
    // nothing of Celsius, "temp_deg_c" does.
    let behind = words[nth + 1..].iter().find(|word| !matches!(**word, "deg" | "degrees" | "value"));
    let said = |word: &str| word.len() > 3 || word == words[nth] || behind == Some(&word);
    let named = |wanted: &[&str]| words.iter().any(|word| wanted.contains(word) && said(word));
    let (low, high) = values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)));
    let range = if low == high { format!("{low}") } else { format!("{low} to {high}") };
    let by_name = |unit: Unit, word: &str| Some((quantity, unit, format!("the name says {word}")));
    let by_value = |unit: Unit, word: &str| Some((quantity, unit, format!("{range} fits {word}")));
    if let Some(unit) = stated {
        return Some((quantity, unit, "its record states the unit".to_owned()));
    }
    match quantity {
        Quantity::Temperature if named(&["f", "fahrenheit", "degf", "tempf"]) => {
            by_name(Unit::Fahrenheit, "Fahrenheit")
        }
        Quantity::Temperature if named(&["c", "celsius", "degc", "tempc"]) => by_name(Unit::Celsius, "Celsius"),
        Quantity::Temperature if low >= -30.0 && high <= 45.0 => by_value(Unit::Celsius, "degrees Celsius in a room"),
        Quantity::Temperature if low > 45.0 && high <= 115.0 => {
            by_value(Unit::Fahrenheit, "degrees Fahrenheit in a room")
        }
        Quantity::Temperature if low > 250.0 && high < 330.0 => by_value(Unit::Kelvin, "kelvin in a room"),
        Quantity::Humidity if high <= 1.0 && low >= 0.0 && values.iter().any(|value| value.fract() != 0.0) => {
            by_value(Unit::Ratio, "a share of 1")
        }
        Quantity::Humidity if low >= 0.0 && high <= 105.0 => by_value(Unit::PercentHumidity, "per cent"),
        Quantity::Distance | Quantity::Depth if named(&["percent", "pct"]) && low >= 0.0 && high <= 100.0 => {
            Some((Quantity::Filling, Unit::Percent, "the name says per cent".to_owned()))
        }
        Quantity::Distance | Quantity::Depth if named(&["mm", "millimetres", "millimeters"]) => {
            by_name(Unit::Millimetre, "millimetres")
        }
        Quantity::Distance | Quantity::Depth if named(&["cm", "centimetres", "centimeters"]) => {
            by_name(Unit::Centimetre, "centimetres")
        }
        Quantity::Distance | Quantity::Depth if named(&["in", "inch", "inches"]) => by_name(Unit::Inch, "inches"),
        Quantity::Distance | Quantity::Depth if named(&["m", "metres", "meters"]) => by_name(Unit::Metre, "metres"),
        Quantity::Distance | Quantity::Depth
            if low >= 0.0 && high <= 3.0 && values.iter().any(|v| v.fract() != 0.0) =>
        {
            by_value(Unit::Metre, "metres in a tank")
        }
        Quantity::Distance | Quantity::Depth if low >= 0.0 && high <= 100.0 => {
            by_value(Unit::Centimetre, "centimetres in a tank; it may be inches or per cent")
        }
        Quantity::Distance | Quantity::Depth if low >= 0.0 && high <= 5000.0 => {
            by_value(Unit::Millimetre, "millimetres in a tank")
        }
        Quantity::Volume if named(&["gal", "gallons"]) => by_name(Unit::UsGallon, "gallons"),
        Quantity::Volume if low >= 0.0 => by_value(Unit::Litre, "litres; it may be gallons"),
        Quantity::Filling if low >= 0.0 && high <= 1.0 && values.iter().any(|value| value.fract() != 0.0) => {
            by_value(Unit::Ratio, "a share of 1")
        }
        Quantity::Filling if low >= 0.0 && high <= 105.0 => by_value(Unit::Percent, "per cent"),
        _ => None,
    }
}

/// "loft/rack-a/airTemp_C" as "loft", "rack", "a", "air", "temp", "c".
fn words_of(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut was_small = false;
    for letter in name.chars() {
        let splits = !letter.is_alphanumeric() || (letter.is_uppercase() && was_small);
        if splits {
            words.push(String::new());
        }
        if letter.is_alphanumeric() {
            words.last_mut().into_iter().for_each(|word| word.extend(letter.to_lowercase()));
        }
        was_small = letter.is_lowercase();
    }
    words.retain(|word| !word.is_empty());
    words
}

fn levelled(name: &str) -> String {
    name.to_lowercase().replace(['_', '-', ' '], "")
}

/// The usual time between two messages, as devices are set: a whole number of seconds, and
/// of tens above a minute.
fn interval(messages: &[&Surveyed]) -> Option<Duration> {
    let fresh: Vec<Duration> = messages.iter().filter(|m| !m.retained).map(|m| m.after).collect();
    let mut gaps: Vec<f64> = fresh.windows(2).map(|pair| (pair[1].saturating_sub(pair[0])).as_secs_f64()).collect();
    gaps.sort_by(f64::total_cmp);
    let middle = *gaps.get(gaps.len() / 2)?;
    let step = if middle < 10.0 { 1.0 } else { 5.0 };
    Some(Duration::from_secs_f64((middle / step).round().max(1.0) * step))
}

/// A pointer or a name, for showing.
pub fn shown(at: &Locator) -> String {
    match at {
        Locator::Bare => "the bare number".to_owned(),
        Locator::Pointer(pointer) => pointer.escape_debug().to_string(),
        Locator::Senml(name) => format!("the record {}", name.escape_debug()),
    }
}

fn shortened(text: &str) -> String {
    let shown: String = text.chars().take(70).map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    if text.chars().count() > 70 { format!("{shown} ...") } else { shown }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::survey::said;

    fn events(messages: &[(u64, &str, &str)]) -> Vec<TopicGuess> {
        guess(&said(messages), "2026-03-03T04:00:00Z".parse().expect("a time"))
    }

    #[track_caller]
    fn finds(topic: &str, payload: &str, wanted: &[(&str, Quantity, Unit)]) {
        let found = events(&[(0, topic, payload)]);
        let found: Vec<(String, Quantity, Unit)> =
            found[0].found.iter().map(|found| (shown(&found.at), found.quantity, found.unit)).collect();
        let wanted: Vec<_> = wanted.iter().map(|(at, quantity, unit)| ((*at).to_owned(), *quantity, *unit)).collect();
        assert_eq!(found, wanted, "{topic} {payload}");
    }

    #[test]
    fn the_letter_of_a_rack_is_neither_a_unit_nor_a_quantity() {
        let of = |topic: &str, payload: &str| {
            let guess = guess(&said(&[(0, topic, payload)]), Timestamp::UNIX_EPOCH).remove(0);
            guess.found.into_iter().map(|found| (found.quantity, found.unit)).collect::<Vec<_>>()
        };
        let (warmth, celsius, fahrenheit) = (Quantity::Temperature, Unit::Celsius, Unit::Fahrenheit);
        assert_eq!(of("loft/rack-f/air", r#"{"temperature":21}"#), [(warmth, celsius)]);
        assert_eq!(of("loft/rack-c/air", r#"{"temperature":70}"#), [(warmth, fahrenheit)]);
        assert_eq!(of("loft/temperature/rack-f", "21"), [(warmth, celsius)]);
        assert_eq!(of("loft/air", r#"{"rack-f":{"temperature":21}}"#), [(warmth, celsius)]);
        assert_eq!(of("loft/in/tank/distance", "150"), [(Quantity::Distance, Unit::Millimetre)]);
        assert_eq!(of("loft/rack-h/weight", "50"), []);
        // Behind the quantity it is one.
        assert_eq!(of("loft/rack-c/airTemp_F", "41"), [(warmth, fahrenheit)]);
        assert_eq!(of("loft/air", r#"{"temp_deg_f":41}"#), [(warmth, fahrenheit)]);
        assert_eq!(of("loft/air/t", "21"), [(warmth, celsius)]);
        assert_eq!(of("loft/tank/distance_in", "41"), [(Quantity::Distance, Unit::Inch)]);
    }

    #[test]
    fn what_devices_usually_say_is_taken_for_what_it_is() {
        use Quantity::{Depth, Distance, Filling, Humidity, Temperature, Volume};
        let bare = "the bare number";
        finds("loft/rack-a/temperature", "21.4", &[(bare, Temperature, Unit::Celsius)]);
        finds("loft/rack-a/temperature", "70.5", &[(bare, Temperature, Unit::Fahrenheit)]);
        finds("loft/rack-a/temp_f", "40", &[(bare, Temperature, Unit::Fahrenheit)]);
        finds("loft/rack-a/humidity", "0.61", &[(bare, Humidity, Unit::Ratio)]);
        finds(
            "loft/rack-a/air",
            r#"{"temperature":21.4,"humidity":61,"battery":97,"linkquality":120}"#,
            &[("/temperature", Temperature, Unit::Celsius), ("/humidity", Humidity, Unit::PercentHumidity)],
        );
        finds(
            "loft/rack-a/state",
            r#"{"air":{"tempC":21.4,"RH":61},"soil":{"temperature":19}}"#,
            &[("/air/tempC", Temperature, Unit::Celsius), ("/air/RH", Humidity, Unit::PercentHumidity)],
        );
        finds("loft/tank/distance", "183", &[(bare, Distance, Unit::Millimetre)]);
        finds("loft/tank/distance_cm", "18.3", &[(bare, Distance, Unit::Centimetre)]);
        finds("loft/tank/level", r#"{"level_percent":61}"#, &[("/level_percent", Filling, Unit::Percent)]);
        finds("loft/tank/depth", r#"{"depth_in":7.2}"#, &[("/depth_in", Depth, Unit::Inch)]);
        finds("loft/tank/volume", "18", &[(bare, Volume, Unit::Litre)]);
        finds(
            "loft/pack",
            r#"[{"bn":"rack-a/","n":"temperature","u":"Cel","v":21.4},{"n":"humidity","u":"%RH","v":61}]"#,
            &[
                ("the record rack-a/temperature", Temperature, Unit::Celsius),
                ("the record rack-a/humidity", Humidity, Unit::PercentHumidity),
            ],
        );
    }

    #[test]
    fn what_cannot_be_told_says_why() {
        let why = |topic: &str, payload: &str| events(&[(0, topic, payload)])[0].why_not.clone().unwrap_or_default();
        assert_eq!(why("loft/door", "open"), "there is no number in its messages, bare or in JSON");
        assert_eq!(why("loft/fan", r#"{"rpm":1200}"#), "nothing in its name or in /rpm says what is measured");
        assert_eq!(why("loft/x", ""), "its messages are empty or no text");
        assert!(!why("loft/rack-a/temperature", "9000").is_empty(), "no room is that warm");
    }

    #[test]
    fn the_pace_is_the_usual_gap_and_the_time_of_measuring_is_found() {
        let air = r#"{"time":"2026-03-03T04:00:00Z","temperature":21}"#;
        let found = events(&[(0, "a/b", air), (30, "a/b", air), (61, "a/b", air), (62, "a/once", "1")]);
        assert_eq!(found[0].every, Some(Duration::from_secs(30)));
        assert_eq!(found[0].time.as_deref(), Some("/time"));
        assert_eq!(found[1].every, None);
        let numbers: Vec<String> = found[0].found.iter().map(|found| shown(&found.at)).collect();
        assert_eq!(numbers, ["/temperature"]);
    }
}
