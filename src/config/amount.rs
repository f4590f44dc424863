//! The words of a settings file: spans, lengths, volumes, temperatures, times of
//! day and units, each with its unit written out. Each function takes one TOML
//! value and gives what it means or says what is wanted.

use super::Unit;
use super::file::Complaint;
use crate::reading::Quantity;
use chrono::{NaiveDate, NaiveTime, TimeDelta};
use toml::de::DeValue;

/// A text with something in it.
pub(super) fn text<'d>(value: &'d DeValue<'d>) -> Result<&'d str, Complaint> {
    match value.as_str().map(str::trim) {
        None => Err(Complaint::new("a text in quotes is wanted")),
        Some("") => Err(Complaint::new("must not be empty")),
        Some(text) if text.chars().any(char::is_control) => {
            Err(Complaint::new("must not hold line breaks or other control characters"))
        }
        Some(text) => Ok(text),
    }
}

/// The name by which config, topics and JSON call a thing.
pub(super) fn identifier(value: &DeValue<'_>) -> Result<String, Complaint> {
    let found = value.as_str().ok_or_else(|| Complaint::new("a text in quotes is wanted"))?;
    let plain = |character: char| character.is_ascii_alphanumeric() || matches!(character, '-' | '_' | '.');
    if found.is_empty() || found.len() > 64 || !found.chars().all(plain) {
        let complaint = Complaint::new("an id is 1 to 64 letters, digits, hyphens, underscores or points");
        let proposed = topic_word(found);
        return Err(if proposed.is_empty() { complaint } else { complaint.hint(format!("write \"{proposed}\"")) });
    }
    if found == "site" {
        return Err(Complaint::new("\"site\" means the whole site in alarms; choose another id"));
    }
    Ok(found.to_owned())
}

/// A name as one level of a topic: lower case, letters, digits and single
/// hyphens, nothing else. Empty when nothing is left of it.
pub(super) fn topic_word(name: &str) -> String {
    let mut word = String::new();
    for character in name.chars() {
        if character.is_ascii_alphanumeric() {
            word.push(character.to_ascii_lowercase());
        } else if !word.is_empty() && !word.ends_with('-') {
            word.push('-');
        }
    }
    word.trim_end_matches('-').to_owned()
}

/// `true` or `false`.
pub(super) fn truth(value: &DeValue<'_>) -> Result<bool, Complaint> {
    value.as_bool().ok_or_else(|| Complaint::new("true or false is wanted, without quotes"))
}

/// A finite number without a unit, within bounds.
pub(super) fn number_between(from: f64, to: f64) -> impl Fn(&DeValue<'_>) -> Result<f64, Complaint> {
    move |value| {
        let number = plain_number(value).ok_or_else(|| Complaint::new("a number without quotes is wanted"))?;
        within(number, from, to, "")
    }
}

/// A span such as "30 s", "5 min", "2 h" or "400 days", within bounds.
pub(super) fn span_between(from: TimeDelta, to: TimeDelta) -> impl Fn(&DeValue<'_>) -> Result<TimeDelta, Complaint> {
    move |value| {
        let found = span(value)?;
        if found < from || found > to {
            return Err(Complaint::new(format!(
                "a span between {} and {} is wanted",
                span_words(from),
                span_words(to)
            )));
        }
        Ok(found)
    }
}

fn span(value: &DeValue<'_>) -> Result<TimeDelta, Complaint> {
    let example =
        |number: f64| Complaint::new("a span needs a unit").hint(format!("write \"{number} s\" or \"{number} min\""));
    if let Some(number) = plain_number(value) {
        return Err(example(number));
    }
    let found = value.as_str().ok_or_else(|| Complaint::new("a span is wanted, such as \"30 s\" or \"5 min\""))?;
    let (number, unit) = split(found).ok_or_else(|| {
        Complaint::new("a span is one number and a unit").hint("write \"30 s\", \"5 min\", \"2 h\" or \"400 days\"")
    })?;
    let seconds = match unit {
        "" => return Err(example(number)),
        "s" | "sec" | "second" | "seconds" => 1.0,
        "min" | "minute" | "minutes" => 60.0,
        "h" | "hour" | "hours" => 3600.0,
        "d" | "day" | "days" => 86_400.0,
        "week" | "weeks" => 7.0 * 86_400.0,
        _ => {
            let units = ["s", "min", "h", "days", "weeks"];
            return Err(Complaint::new(format!("\"{unit}\" is no unit of time here")).did_you_mean(unit, units));
        }
    };
    let milliseconds = (number * seconds * 1000.0).round();
    if !(0.0..=1e15).contains(&milliseconds) {
        return Err(Complaint::new("a span cannot be negative or longer than a lifetime"));
    }
    Ok(TimeDelta::milliseconds(milliseconds as i64))
}

fn span_words(span: TimeDelta) -> String {
    let seconds = span.num_seconds();
    match seconds {
        0 => "0 s".to_owned(),
        _ if seconds % 86_400 == 0 => format!("{} days", seconds / 86_400),
        _ if seconds % 3600 == 0 => format!("{} h", seconds / 3600),
        _ if seconds % 60 == 0 => format!("{} min", seconds / 60),
        _ => format!("{seconds} s"),
    }
}

/// A length such as "400 mm", "40 cm" or "15.7 in", in millimetres, within bounds in millimetres.
pub(super) fn length_between(from: f64, to: f64) -> impl Fn(&DeValue<'_>) -> Result<f64, Complaint> {
    move |value| within(length(value)?, from, to, " mm")
}

fn length(value: &DeValue<'_>) -> Result<f64, Complaint> {
    let example =
        |number: f64| Complaint::new("a length needs a unit").hint(format!("write \"{number} mm\" or \"{number} in\""));
    if let Some(number) = plain_number(value) {
        return Err(example(number));
    }
    let found =
        value.as_str().ok_or_else(|| Complaint::new("a length is wanted, such as \"400 mm\" or \"15.7 in\""))?;
    let (number, unit) = split(found)
        .ok_or_else(|| Complaint::new("a length is one number and a unit").hint("write \"400 mm\" or \"15.7 in\""))?;
    if unit.is_empty() {
        return Err(example(number));
    }
    match length_unit_mm(unit) {
        Some(millimetres) => Ok(number * millimetres),
        None => Err(Complaint::new(format!("\"{unit}\" is no unit of length here"))
            .did_you_mean(unit, ["mm", "cm", "m", "in", "ft"])),
    }
}

/// One inch is 25.4 mm exactly (NIST SP 811).
fn length_unit_mm(unit: &str) -> Option<f64> {
    Some(match unit {
        "mm" | "millimetre" | "millimetres" | "millimeter" | "millimeters" => 1.0,
        "cm" | "centimetre" | "centimetres" | "centimeter" | "centimeters" => 10.0,
        "m" | "metre" | "metres" | "meter" | "meters" => 1000.0,
        "in" | "inch" | "inches" => 25.4,
        "ft" | "foot" | "feet" => 304.8,
        _ => return None,
    })
}

/// A volume such as "20 L" or "5 gal", in litres; one US gallon is 3.785411784 L exactly (NIST SP 811).
pub(super) fn volume(value: &DeValue<'_>) -> Result<f64, Complaint> {
    let complaint = || Complaint::new("a volume is one number and a unit").hint("write \"20 L\" or \"5 gal\"");
    let (number, unit) = value.as_str().and_then(split).ok_or_else(complaint)?;
    let litres = match unit {
        "L" | "l" | "litre" | "litres" | "liter" | "liters" => 1.0,
        "gal" | "gallon" | "gallons" => 3.785_411_784,
        _ => return Err(complaint()),
    };
    within(number * litres, 0.0, 100_000.0, " L")
}

/// An air temperature in degrees Celsius: "18 Cel", "64 F", or a plain number of degrees Celsius.
pub(super) fn air_temperature(value: &DeValue<'_>) -> Result<f64, Complaint> {
    let wanted = || Complaint::new("a temperature is wanted, such as 18 (degrees Celsius), \"18 Cel\" or \"64 F\"");
    let (number, unit) = match plain_number(value) {
        Some(number) => (number, "Cel"),
        None => value.as_str().and_then(split).ok_or_else(wanted)?,
    };
    let celsius = match unit {
        "Cel" | "C" | "°C" => number,
        "F" | "°F" => (number - 32.0) / 1.8,
        "K" => number - 273.15,
        _ => return Err(wanted()),
    };
    within(celsius, -10.0, 45.0, " degrees Celsius").map_err(|complaint| {
        if unit == "Cel" && (45.0..=113.0).contains(&number) {
            complaint.hint(format!("if Fahrenheit is meant, write \"{number} F\""))
        } else {
            complaint
        }
    })
}

/// A relative humidity in per cent: 60, "60 %" or "60 %RH".
pub(super) fn air_humidity(value: &DeValue<'_>) -> Result<f64, Complaint> {
    let wanted = || Complaint::new("a relative humidity is wanted, such as 60 (per cent) or \"60 %RH\"");
    let number = match plain_number(value) {
        Some(number) => number,
        None => match value.as_str().and_then(split).ok_or_else(wanted)? {
            (number, "%" | "%RH") => number,
            _ => return Err(wanted()),
        },
    };
    within(number, 0.0, 100.0, " %")
}

/// A difference of a quantity (an accuracy, a step, an offset): a plain number in
/// the quantity's own unit, or a text with a unit.
pub(super) fn difference_between(
    quantity: Quantity,
    from: f64,
    to: f64,
) -> impl Fn(&DeValue<'_>) -> Result<f64, Complaint> {
    move |value| {
        let own = quantity.unit();
        let wanted = || Complaint::new(format!("a number is wanted, in {own}, or with its unit in quotes"));
        let number = match plain_number(value) {
            Some(number) => number,
            None => {
                let (number, unit) = value.as_str().and_then(split).ok_or_else(wanted)?;
                number
                    * match quantity {
                        Quantity::Temperature => match unit {
                            "Cel" | "C" | "°C" | "K" => 1.0,
                            "F" | "°F" => 5.0 / 9.0,
                            _ => return Err(wanted()),
                        },
                        Quantity::Humidity | Quantity::Filling => match unit {
                            "%" | "%RH" => 1.0,
                            _ => return Err(wanted()),
                        },
                        Quantity::Distance | Quantity::Depth => length_unit_mm(unit).ok_or_else(wanted)?,
                        Quantity::Volume => match unit {
                            "L" | "l" => 1.0,
                            "gal" => 3.785_411_784,
                            _ => return Err(wanted()),
                        },
                    }
            }
        };
        within(number, from, to, &format!(" {own}"))
    }
}

/// A day such as "2026-11-25", quoted or as TOML's own date.
pub(super) fn day(value: &DeValue<'_>) -> Result<NaiveDate, Complaint> {
    let written = match value {
        DeValue::Datetime(found) => found.to_string(),
        other => other.as_str().unwrap_or_default().to_owned(),
    };
    written.parse().map_err(|_| Complaint::new("a day is wanted, such as \"2026-11-25\""))
}

/// A time of day such as "07:00".
pub(super) fn time_of_day(value: &DeValue<'_>) -> Result<NaiveTime, Complaint> {
    let wanted = || Complaint::new("a time of day between \"00:00\" and \"23:59\" is wanted, in quotes");
    let found = value.as_str().ok_or_else(wanted)?;
    let (hour, minute) = found.trim().split_once(':').ok_or_else(wanted)?;
    let digits = |part: &str| part.len() <= 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    if minute.len() != 2 || !digits(hour) || !digits(minute) {
        return Err(wanted());
    }
    let hour: u32 = hour.parse().map_err(|_| wanted())?;
    let minute: u32 = minute.parse().map_err(|_| wanted())?;
    NaiveTime::from_hms_opt(hour, minute, 0).ok_or_else(wanted)
}

/// A JSON Pointer (RFC 6901, section 3) to something inside a message.
pub(super) fn pointer(value: &DeValue<'_>) -> Result<String, Complaint> {
    let found =
        value.as_str().ok_or_else(|| Complaint::new("a JSON Pointer in quotes is wanted, such as \"/humidity\""))?;
    if found.is_empty() {
        return Err(Complaint::new("an empty pointer means the whole message")
            .hint("leave pointer out when the message is one bare number"));
    }
    if !found.starts_with('/') {
        return Err(
            Complaint::new("a JSON Pointer starts with \"/\"").hint(format!("write \"/{}\"", found.replace('.', "/")))
        );
    }
    let escapes_are_whole = found.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
    if !escapes_are_whole {
        return Err(Complaint::new("in a JSON Pointer \"~\" is written \"~0\", and a \"/\" inside a name \"~1\""));
    }
    Ok(found.to_owned())
}

/// The topic of a device: no wildcard, nothing that a broker refuses (MQTT 3.1.1, section 4.7).
pub(super) fn topic(value: &DeValue<'_>) -> Result<String, Complaint> {
    let found = text(value)?;
    if found.contains(['+', '#']) {
        return Err(Complaint::new("a topic of one device is wanted; \"+\" and \"#\" are wildcards")
            .hint("give each device its own [[sensor]] with its whole topic"));
    }
    if found.starts_with('$') {
        return Err(Complaint::new("topics that begin with \"$\" belong to the broker"));
    }
    if found.len() > 1024 {
        return Err(Complaint::new("a topic of at most 1024 bytes is wanted"));
    }
    Ok(found.to_owned())
}

/// A unit that fits a quantity.
pub(super) fn unit_of(quantity: Quantity) -> impl Fn(&DeValue<'_>) -> Result<Unit, Complaint> {
    move |value| {
        let found = text(value)?;
        let word = match found {
            "C" | "°C" | "celsius" | "Celsius" => "Cel",
            "°F" | "fahrenheit" | "Fahrenheit" => "F",
            "l" | "litre" | "litres" => "L",
            "inch" | "inches" => "in",
            other => other,
        };
        let fitting = units_fitting(quantity).iter().find(|(known, _)| *known == word);
        fitting.map(|(_, unit)| *unit).ok_or_else(|| {
            Complaint::new(format!("this unit does not fit {}", quantity.word()))
                .hint(format!("write the unit the device sends: {}", units_words(quantity)))
        })
    }
}

/// The units that fit a quantity, as a list in words.
pub(super) fn units_words(quantity: Quantity) -> String {
    let words: Vec<String> = units_fitting(quantity).iter().map(|(word, _)| format!("\"{word}\"")).collect();
    words.join(", ")
}

fn units_fitting(quantity: Quantity) -> &'static [(&'static str, Unit)] {
    match quantity {
        Quantity::Temperature => &[("Cel", Unit::Celsius), ("F", Unit::Fahrenheit), ("K", Unit::Kelvin)],
        Quantity::Humidity => &[("%RH", Unit::PercentHumidity), ("%", Unit::PercentHumidity), ("/", Unit::Ratio)],
        Quantity::Distance | Quantity::Depth => {
            &[("mm", Unit::Millimetre), ("cm", Unit::Centimetre), ("m", Unit::Metre), ("in", Unit::Inch)]
        }
        Quantity::Volume => &[("L", Unit::Litre), ("gal", Unit::UsGallon)],
        Quantity::Filling => &[("%", Unit::Percent), ("/", Unit::Ratio)],
    }
}

fn plain_number(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok()? as f64,
        DeValue::Float(float) => float.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// Splits "400 mm" into 400 and "mm". `None` when it does not begin with a finite number.
fn split(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let end = text
        .find(|character: char| !(character.is_ascii_digit() || matches!(character, '.' | '-' | '+')))
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let number: f64 = number.parse().ok()?;
    number.is_finite().then_some((number, unit.trim()))
}

fn within(number: f64, from: f64, to: f64, unit: &str) -> Result<f64, Complaint> {
    if (from..=to).contains(&number) {
        Ok(number)
    } else {
        Err(Complaint::new(format!("between {from} and {to}{unit} is wanted")))
    }
}
