//! A span of time as people type it.

use chrono::TimeDelta;

/// A span such as "90 min", "24 h" or "7 days"; `None` when it is none, or longer than a century.
pub fn span(text: &str) -> Option<TimeDelta> {
    let text = text.trim();
    let split = text.find(|letter: char| !(letter.is_ascii_digit() || letter == '.')).unwrap_or(text.len());
    let (number, unit) = text.split_at(split);
    let seconds = match unit.trim() {
        "s" => 1.0,
        "m" | "min" | "minutes" | "minute" => 60.0,
        "h" | "hour" | "hours" => 3600.0,
        "d" | "day" | "days" => 86_400.0,
        "w" | "week" | "weeks" => 604_800.0,
        _ => return None,
    };
    let number = number.parse::<f64>().ok().filter(|number| number * seconds < 3.2e9)?;
    Some(TimeDelta::milliseconds((number * seconds * 1000.0) as i64))
}
