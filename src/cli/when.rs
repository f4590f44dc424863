//! Points in time as people type them: "24 h" ago, "06:00", "2026-03-03 17:00", or RFC 3339.

use super::Failure;
use crate::engine::calendar::local_instant;
use crate::units::Timestamp;
use chrono::{NaiveDate, NaiveDateTime, NaiveTime, TimeDelta};

/// A point in time. A bare span means so long before `now`; times without an offset are local.
pub fn instant(text: &str, zone: chrono_tz::Tz, now: Timestamp) -> Result<Timestamp, Failure> {
    let text = text.trim();
    if text == "now" {
        return Ok(now);
    }
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    for format in ["%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"] {
        if let Ok(local) = NaiveDateTime::parse_from_str(text, format) {
            return Ok(local_instant(zone, local.date(), local.time()));
        }
    }
    if let Ok(date) = text.parse::<NaiveDate>() {
        return Ok(local_instant(zone, date, NaiveTime::MIN));
    }
    if let Ok(time) = NaiveTime::parse_from_str(text, "%H:%M") {
        return Ok(crate::engine::calendar::last_local(zone, time, now));
    }
    Ok(now - span(text)?)
}

/// A span such as "90 min", "24 h" or "7 days".
pub fn span(text: &str) -> Result<TimeDelta, Failure> {
    let text = text.trim();
    let split = text.find(|letter: char| !(letter.is_ascii_digit() || letter == '.')).unwrap_or(text.len());
    let (number, unit) = text.split_at(split);
    let seconds = match unit.trim() {
        "s" => 1.0,
        "m" | "min" | "minutes" | "minute" => 60.0,
        "h" | "hour" | "hours" => 3600.0,
        "d" | "day" | "days" => 86_400.0,
        "w" | "week" | "weeks" => 604_800.0,
        _ => 0.0,
    };
    match number.parse::<f64>() {
        Ok(number) if seconds > 0.0 && number * seconds < 3.2e9 => {
            Ok(TimeDelta::milliseconds((number * seconds * 1000.0) as i64))
        }
        _ => Err(Failure::Usage(format!(
            "\"{text}\" is no time: write a span such as \"24 h\" or \"7 days\", a time such as \"06:00\" or \
             \"2026-03-03 17:00\", or RFC 3339"
        ))),
    }
}
