//! Points in time as people type them: "24 h" ago, "06:00", "2026-03-03 17:00", or RFC 3339.

use super::Failure;
use crate::engine::calendar::local_instant;
use crate::units::Timestamp;
use chrono::{NaiveDate, NaiveDateTime, NaiveTime, TimeDelta};

/// A point in time. A bare span means so long before `now`; times without an offset are local.
pub(super) fn instant(text: &str, zone: chrono_tz::Tz, now: Timestamp) -> Result<Timestamp, Failure> {
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
pub(super) fn span(text: &str) -> Result<TimeDelta, Failure> {
    crate::typed::span::span(text).ok_or_else(|| {
        Failure::Usage(format!(
            "\"{}\" is no time: write a span such as \"24 h\" or \"7 days\", a time such as \"06:00\" or \
             \"2026-03-03 17:00\", or RFC 3339",
            text.trim()
        ))
    })
}
