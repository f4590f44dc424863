//! How `history` prints what was found: tables in the site's units and local time, CSV and
//! JSON in SI units and UTC, and how long a limit was passed, in sentences.

use super::super::show;
use super::part::Part;
use crate::analysis::beyond::{Beyond, LimitSide};
use crate::config::Config;
use crate::reading::{BelievedAs, Quantity};
use crate::units::UnitSystem;
use chrono::TimeDelta;
use serde_json::json;
use std::fmt::Write;

/// How long limits were passed, a sentence each.
pub(super) fn reported_beyond(config: &Config, parts: &[Part]) -> String {
    let mut text = String::new();
    for part in parts {
        for (side, limit, reported) in &part.beyond {
            let side = if *side == LimitSide::Above { "above" } else { "below" };
            let share = reported.beyond.num_seconds() as f64 / reported.known.num_seconds().max(1) as f64;
            let limit = with_unit(limit, part.series.quantity, config.rules.site.units);
            let _ = write!(text, "{}, {}: ", part.of, word(part.series.quantity));
            if reported.known.is_zero() {
                let _ = writeln!(text, "no data, so nobody can say how long it was {side} {limit}.");
                continue;
            }
            let _ = match reported.beyond.is_zero() {
                true => write!(text, "never {side} {limit} in the {} with data", duration(reported.known)),
                false => write!(
                    text,
                    "{} {side} {limit}, {:.0} % of the {} with data; longest without a break {}",
                    duration(reported.beyond),
                    share * 100.0,
                    duration(reported.known),
                    duration(reported.longest)
                ),
            };
            if reported.unknown >= TimeDelta::minutes(1) {
                let _ = write!(text, "; for {} more nobody can say: no data", duration(reported.unknown));
            }
            text.push_str(".\n");
        }
    }
    text
}

/// The limit as typed, with the site's unit where it was left out.
fn with_unit(limit: &str, quantity: Quantity, units: UnitSystem) -> String {
    if limit.ends_with(|sign: char| !sign.is_ascii_digit()) {
        return limit.to_owned();
    }
    let unit = match (quantity.believed_as(), units) {
        (BelievedAs::Temperature, UnitSystem::Us) => "°F",
        (BelievedAs::Temperature, UnitSystem::Metric) => "°C",
        (BelievedAs::Humidity, _) => "%",
        (BelievedAs::Volume, UnitSystem::Us) => "gal",
        (BelievedAs::Volume, UnitSystem::Metric) => "L",
    };
    format!("{limit} {unit}")
}

/// "40 min", "13 h 20 min".
fn duration(span: TimeDelta) -> String {
    let minutes = (span.num_seconds() + 30) / 60;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

fn unit(quantity: Quantity) -> &'static str {
    quantity.believed_as().unit_word()
}

/// The quantity as it is believed.
pub(super) fn word(quantity: Quantity) -> &'static str {
    quantity.believed_as().word()
}

/// As JSON, in SI units and UTC.
pub(super) fn as_json(parts: &[Part]) -> serde_json::Value {
    let beyond = |(side, limit, reported): &(LimitSide, String, Beyond)| {
        let side = if *side == LimitSide::Above { "above" } else { "below" };
        json!({
            side: limit, "minutes": reported.beyond.num_minutes(), "longest_minutes": reported.longest.num_minutes(),
            "minutes_with_data": reported.known.num_minutes(), "minutes_without_data": reported.unknown.num_minutes(),
        })
    };
    let all = parts.iter().map(|part| {
        let series = &part.series;
        json!({
            "of": part.of, "sensor": series.sensor, "quantity": word(series.quantity), "unit": unit(series.quantity),
            "step_s": series.step.num_seconds(),
            "beyond": part.beyond.iter().map(beyond).collect::<Vec<_>>(),
            "points": series.points.iter().map(|point| json!({
                "from": show::instant(point.from), "low": point.low, "mean": show::rounded(Some(point.mean)), "high": point.high, "n": point.n,
            })).collect::<Vec<_>>(),
        })
    });
    serde_json::Value::Array(all.collect())
}

/// As CSV, in SI units and UTC.
pub(super) fn as_csv(parts: &[Part]) -> String {
    let mut text = String::from("from,sensor,quantity,unit,low,mean,high,n,of\n");
    // RFC 4180: a field with a comma, a quote or a line break stands in quotes.
    let field = |text: &str| {
        if text.contains([',', '"', '\n', '\r']) {
            format!("\"{}\"", text.replace('"', "\"\""))
        } else {
            text.to_owned()
        }
    };
    for part in parts {
        let series = &part.series;
        for point in &series.points {
            let _ = writeln!(
                text,
                "{},{},{},{},{},{:.3},{},{},{}",
                show::instant(point.from),
                field(&series.sensor),
                word(series.quantity),
                unit(series.quantity),
                point.low,
                point.mean,
                point.high,
                point.n,
                field(&part.of)
            );
        }
    }
    text
}

/// As tables, in the site's units and local time.
pub(super) fn as_table(config: &Config, parts: &[Part]) -> String {
    let site = &config.rules.site;
    let mut text = String::new();
    for Part { of, series, .. } in parts.iter().filter(|part| !part.series.points.is_empty()) {
        let value = |value: f64| match series.quantity.believed_as() {
            BelievedAs::Temperature => show::temperature(site, Some(value)),
            BelievedAs::Humidity => show::percent(Some(value)),
            BelievedAs::Volume => show::volume(site, Some(value)),
        };
        let minutes = series.step.num_minutes();
        let whose = if *of == series.sensor { of.clone() } else { format!("{of} ({})", series.sensor) };
        let _ = writeln!(text, "{whose}, {}, steps of {minutes} min", word(series.quantity));
        let mut lines = show::table(["FROM", "LOW", "MEAN", "HIGH", "READINGS"]);
        for point in &series.points {
            lines.add_row([
                show::local_date(site, point.from),
                value(point.low),
                value(point.mean),
                value(point.high),
                point.n.to_string(),
            ]);
        }
        let _ = writeln!(text, "{lines}\n");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_and_a_duration_are_said_with_their_units() {
        assert_eq!(duration(TimeDelta::minutes(800)), "13 h 20 min");
        assert_eq!(with_unit("75", Quantity::Humidity, UnitSystem::Us), "75 %");
        assert_eq!(with_unit("80 F", Quantity::Temperature, UnitSystem::Us), "80 F");
    }
}
