//! `now`: the room as it stands.

use super::show::{self, AsJson, table};
use super::{Answer, Outcome, present, print, settings};
use crate::clock::Clock;
use crate::engine::letters::digest::ReservoirDay;
use crate::engine::letters::snapshot::{PlaceNow, SensorNow, Snapshot, SurfaceNow};
use crate::engine::physics::surface::Surface;
use crate::engine::quality::saturation::Pinned;
use crate::engine::rules::{Rules, Site};
use crate::engine::watch::mold::Pressure;
use crate::notify::wording;
use crate::store::{GarbledLine, Trouble};
use crate::units::{Timestamp, UnitSystem};
use chrono::TimeDelta;
use serde_json::json;
use std::fmt::Write;
use std::path::Path;

/// Low-cost hygrometers drift by a quarter to half a per cent a year (from memory).
const CALIBRATION_KEEPS: TimeDelta = TimeDelta::days(366);

/// So many of the newest messages that were no readings are looked at, and so many kinds told.
const LOOKED_AT: u32 = 1000;
const MOST_REFUSED: usize = 5;

pub(super) fn run(path: &Path, shown: AsJson) -> Outcome {
    let config = settings(path)?;
    let site = &config.rules.site;
    let trouble = Trouble::read(&config.store.path, Clock::system().now());
    let present = match (present::open(&config), &trouble) {
        (Ok(present), _) => Some(present),
        // What the daemon says is all there is.
        (Err(_), Some(_)) => None,
        (Err(failure), None) => return Err(failure),
    };
    let snapshot = present.as_ref().map(|present| present.engine.snapshot());
    if shown.json {
        let mut json = snapshot.as_ref().map_or_else(|| json!({}), |snapshot| as_json(snapshot, site));
        json["store_failing"] = trouble.as_ref().map_or(serde_json::Value::Null, |trouble| json!(trouble));
        print(&json.to_string())?;
        return Ok(Answer::Yes);
    }
    if let Some(trouble) = &trouble {
        print(&trouble_text(trouble, site, show::columns()))?;
    } else if let Some(present) = &present {
        present::warn_if_quiet(present);
    }
    if let Some(snapshot) = &snapshot {
        let rules = &config.rules;
        let refused = present.as_ref().and_then(|present| present.reader.garbled(LOOKED_AT).ok());
        print(&as_text(snapshot, &refused.unwrap_or_default(), rules, show::columns(), trouble.is_none()))?;
    }
    Ok(Answer::Yes)
}

/// What the daemon says while its store fails, before how things stood when it still worked.
fn trouble_text(trouble: &Trouble, site: &Site, width: usize) -> String {
    let mut text = String::new();
    let mut formatted = format!(
        "Since {} nothing can be saved: {}. The watch goes on from memory: every reading is judged, and alarms come. ",
        show::local(site, trouble.since),
        trouble.error.trim_end_matches('.')
    );
    let _ = write!(formatted, "{} readings wait to be saved, {} are lost.", trouble.unsaved, trouble.lost);
    if trouble.without_past {
        formatted.push_str(" What was written before cannot be read: the watch knows no tray and no watering.");
    }
    show::wrapped(&mut text, &formatted, "", width);
    if trouble.alarms.is_empty() {
        text.push_str("\nNo alarm.\n");
    }
    for alarm in &trouble.alarms {
        let _ = writeln!(text, "\n{} ({}, {})", alarm.id, alarm.state, alarm.priority);
        show::wrapped(&mut text, &alarm.text, "  ", width);
    }
    text.push_str("\nWhat could be read of the store, as it stood then:\n");
    text
}

/// Short lines with a label each, so that they read alike on 80 columns and on a phone.
fn as_text(snapshot: &Snapshot, refused: &[GarbledLine], rules: &Rules, width: usize, with_alarms: bool) -> String {
    let site = &rules.site;
    let mut text = String::new();
    let head = format!(
        "{}, {}. Next round {}.",
        site.name,
        show::local(site, snapshot.at),
        show::local(site, snapshot.next_round)
    );
    show::wrapped(&mut text, &head, "", width);
    if !snapshot.broker_up {
        text.push_str("No connection to the broker.\n");
    }
    if with_alarms {
        text.push_str(&super::alarms::as_text(&snapshot.alarms, rules, width));
    }
    for place in &snapshot.places {
        let _ = writeln!(text, "\n{}", place.name);
        for (label, value) in place_lines(place, site) {
            show::labelled(&mut text, label, &value, width);
        }
    }
    for tank in &snapshot.reservoirs {
        let _ = writeln!(text, "\n{}", tank.name);
        show::labelled(&mut text, "usable", &format!("{}, {}", usable(tank, site), show::percent(tank.percent)), width);
        let empty = match tank.empty_at {
            Some((best, ..)) => show::local(site, best),
            None if tank.at_the_inlet => "now: the water is at the pump inlet".to_owned(),
            None => "no measurable draw".to_owned(),
        };
        show::labelled(&mut text, "dry", &empty, width);
    }
    for (index, paragraph) in explained(snapshot).into_iter().enumerate() {
        if index == 0 {
            text.push('\n');
        }
        show::wrapped(&mut text, paragraph, "", width);
    }
    let mut sensors = table(["SENSOR", "WHERE", "STATE"]);
    sensors.set_width(u16::try_from(width).unwrap_or(80));
    for sensor in &snapshot.sensors {
        sensors.add_row([sensor.id.clone(), sensor.place.clone(), state(sensor, snapshot.at, site)]);
    }
    let _ = writeln!(text, "\n{sensors}");
    text.push_str(&not_understood(refused, snapshot.at, site, width));
    text
}

fn place_lines(place: &PlaceNow, site: &Site) -> Vec<(&'static str, String)> {
    let mut lines = vec![(
        "air",
        match (place.temperature, place.humidity) {
            (None, None) => "not known".to_owned(),
            _ => format!("{}, {}", show::temperature(site, place.temperature), humidity(place)),
        },
    )];
    if place.deficit.is_some() {
        let deficit = place.deficit.map(|deficit| format!("{deficit:.2}"));
        lines.push(("VPD", give_or_take(deficit, place.deficit_accuracy, 2, " kPa")));
        lines.push(("dew point", dew_point(place, site)));
    }
    for found in &place.surfaces {
        lines.push(("on it", surface(found, site)));
    }
    if let Some(mold) = place.mold {
        let hours = mold.needed.map_or(String::new(), |needed| format!(", {} of {needed:.1} h", hours_allowed(&mold)));
        lines.push(("mold", format!("{:.0}{hours}", mold.pressure)));
    }
    let asked = asked_for(place, site);
    if !asked.is_empty() {
        lines.push(("asked for", asked));
    }
    lines.push((
        "trays",
        if place.crops.is_empty() { "none".to_owned() } else { wording::crops(&place.crops).join(", ") },
    ));
    lines
}

/// What the words above mean, each once, and only those that stand there.
fn explained(snapshot: &Snapshot) -> Vec<&'static str> {
    let any = |holds: fn(&PlaceNow) -> bool| snapshot.places.iter().any(holds);
    let mut formatted = Vec::new();
    if any(|place| place.deficit.is_some()) {
        formatted.push("VPD, the vapor pressure deficit, is how much more water the air could take up: low is damp, high is thirsty.");
    }
    if any(|place| place.deficit_accuracy.is_some()) {
        formatted.push("After ± stands what the sensors may be off by, as far as the settings state their accuracy.");
    }
    if any(|place| place.mold.is_some()) {
        formatted.push(
            "Mold is mold pressure: hours of wet leaves that conditions have allowed, of those infection needs. Computed \
             from room air and your log with field-crop disease models; not validated on microgreens; look at the tray.",
        );
    }
    formatted
}

/// Messages of the last day that were no readings, alike ones together.
fn not_understood(refused: &[GarbledLine], now: Timestamp, site: &Site, width: usize) -> String {
    let recent = refused.iter().filter(|line| now - line.at < TimeDelta::days(1));
    let mut kinds: Vec<(&GarbledLine, u32)> = Vec::new();
    for line in recent {
        match kinds.iter_mut().find(|(known, _)| known.topic == line.topic && known.reason == line.reason) {
            Some((_, times)) => *times += 1,
            None => kinds.push((line, 1)),
        }
    }
    if kinds.is_empty() {
        return String::new();
    }
    let mut text = String::from("\nNot understood since yesterday\n");
    for (line, times) in kinds.iter().take(MOST_REFUSED) {
        let why = match line.reason.as_str() {
            "unknown-topic" => "no sensor of the settings has this topic",
            "bad-entry" => "it was no entry for the journal",
            "other-site" => "nobody watches this site, so nothing was taken",
            other => wording::refusal(other),
        };
        let formatted: String =
            String::from_utf8_lossy(&line.payload).chars().filter(|sign| !sign.is_control()).take(40).collect();
        let topic = line.topic.escape_debug();
        show::wrapped(
            &mut text,
            &format!("{topic}: {why}; {times} times, last {}: {formatted}", show::local(site, line.at)),
            "  ",
            width,
        );
    }
    if kinds.len() > MOST_REFUSED {
        let _ = writeln!(text, "  and {} more", kinds.len() - MOST_REFUSED);
    }
    text
}

fn usable(tank: &ReservoirDay, site: &Site) -> String {
    let shown = show::volume(site, tank.usable);
    match (tank.usable_accuracy, shown.split_once(' ')) {
        (Some(off), Some((number, unit))) => {
            let off = show::volume(site, Some(off));
            format!("{number} ± {} {unit}", off.split(' ').next().unwrap_or_default())
        }
        _ => shown,
    }
}

/// "4.5", or "4.5 (0 to 9)" where the hygrometer's own error makes an hour or more of it.
fn hours_allowed(mold: &Pressure) -> String {
    let (least, most) = mold.between;
    if most - least < 1.0 {
        format!("{:.1}", mold.hours)
    } else {
        format!("{:.1} ({least:.0} to {most:.0})", mold.hours)
    }
}

fn humidity(place: &PlaceNow) -> String {
    let shown = show::percent(place.humidity);
    if place.at_least && place.humidity.is_some_and(|humidity| humidity < 99.5) {
        format!("at least {shown}")
    } else {
        shown
    }
}

fn give_or_take(value: Option<String>, accuracy: Option<f64>, decimals: usize, unit: &str) -> String {
    match (value, accuracy) {
        (None, _) => "-".to_owned(),
        (Some(value), None) => format!("{value}{unit}"),
        (Some(value), Some(accuracy)) => format!("{value} ± {accuracy:.decimals$}{unit}"),
    }
}

/// A temperature with its band, in the site's unit.
fn warmth(celsius: Option<f64>, accuracy: Option<f64>, site: &Site) -> String {
    let scale = if site.units == UnitSystem::Us { 1.8 } else { 1.0 };
    let shown = celsius.map(|celsius| format!("{:.1}", site.units.degrees(celsius)));
    give_or_take(shown, accuracy.map(|accuracy| accuracy * scale), 1, &format!(" {}", site.units.degree_sign()))
}

fn dew_point(place: &PlaceNow, site: &Site) -> String {
    warmth(place.dew_point, place.dew_point_accuracy, site)
}

/// A surface with a probe: how far from the dew point, and what that means.
fn surface(found: &SurfaceNow, site: &Site) -> String {
    let Some(surface) = found.surface else {
        return format!("{}: not known, a sensor is silent", found.on);
    };
    let (scale, unit) = if site.units == UnitSystem::Us { (1.8, " °F") } else { (1.0, " K") };
    let margin = Some(format!("{:.1}", surface.margin * scale));
    format!(
        "{}: {}, {} above the dew point, {}; {}",
        found.on,
        show::temperature(site, Some(surface.temperature.0)),
        give_or_take(margin, Some(surface.margin_accuracy * scale), 1, unit),
        show::percent(Some(surface.humidity.min(100.0))),
        surface_state(&surface)
    )
}

fn surface_state(surface: &Surface) -> &'static str {
    if surface.condenses() {
        "below the dew point: conditions allow water to settle"
    } else if surface.may_condense() {
        "above the dew point, but by less than the sensors may be off"
    } else if surface.is_damp() {
        "damp: 80 % or more, which matters when it lasts"
    } else {
        "dry"
    }
}

/// "heard 22:09", "silent since 21:02", and what else is to be known of it.
fn state(sensor: &SensorNow, now: Timestamp, site: &Site) -> String {
    let heard = match (sensor.last_believed, sensor.silent) {
        (Some(at), true) => format!("silent, last heard {}", show::local(site, at)),
        (Some(at), false) => format!("heard {}", show::local(site, at)),
        (None, true) => "silent, never heard".to_owned(),
        (None, false) => "not heard yet".to_owned(),
    };
    let pinned = match sensor.pinned {
        Pinned::No => None,
        Pinned::Since(since) => Some(format!("at the top of its scale since {}", show::local(site, since))),
        Pinned::Saturated(since) => {
            Some(format!("saturated since {}: at least so damp, or the element is wet", show::local(site, since)))
        }
        Pinned::Recovering(until) => {
            Some(format!("was saturated, may read high until about {}", show::local(site, until)))
        }
    };
    let uncorrected = sensor.uncorrected.then(|| "not corrected for warm air: its thermometer is silent".to_owned());
    let refused = (sensor.refused > 0).then(|| format!("{} refused", sensor.refused));
    let calibrated = sensor.calibrated.map(|date| {
        let old = now.with_timezone(&site.time_zone).date_naive() - date > CALIBRATION_KEEPS;
        format!("calibrated {date}{}", if old { ", over a year ago" } else { "" })
    });
    let more = [pinned, uncorrected, refused, calibrated].into_iter().flatten();
    std::iter::once(heard).chain(more).collect::<Vec<_>>().join("; ")
}

fn asked_for(place: &PlaceNow, site: &Site) -> String {
    let [low, high, damp_low, damp_high] = place.band;
    let temperature = match (low, high) {
        (None, None) => String::new(),
        (low, high) => format!("{} to {}", show::temperature(site, low), show::temperature(site, high)),
    };
    let humidity = match (damp_low, damp_high) {
        (None, None) => String::new(),
        (low, high) => format!("{} to {}", show::percent(low), show::percent(high)),
    };
    [temperature, humidity].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
}

fn as_json(snapshot: &Snapshot, site: &Site) -> serde_json::Value {
    json!({
        "at": show::instant(snapshot.at),
        "next_round": show::instant(snapshot.next_round),
        "broker": if snapshot.broker_up { "up" } else { "down" },
        "places": snapshot.places.iter().map(|place| json!({
            "id": place.id, "name": place.name,
            "temperature_celsius": show::rounded(place.temperature), "humidity_percent": show::rounded(place.humidity),
            "vpd_kilopascals": show::rounded(place.deficit), "dew_point_celsius": show::rounded(place.dew_point),
            "give_or_take": {
                "temperature_celsius": place.accuracy.temperature, "humidity_percent": place.accuracy.humidity,
                "vpd_kilopascals": show::rounded(place.deficit_accuracy),
                "dew_point_celsius": show::rounded(place.dew_point_accuracy),
            },
            "humidity_at_least": place.at_least,
            "surfaces": place.surfaces.iter().map(|found| json!({
                "on": found.on,
                "temperature_celsius": show::rounded(found.surface.map(|surface| surface.temperature.0)),
                "above_dew_point_kelvin": show::rounded(found.surface.map(|surface| surface.margin)),
                "give_or_take_kelvin": show::rounded(found.surface.map(|surface| surface.margin_accuracy)),
                "humidity_percent": show::rounded(found.surface.map(|surface| surface.humidity)),
                "condenses": found.surface.map(|surface| surface.condenses()),
                "may_condense": found.surface.map(|surface| surface.may_condense()),
                "damp": found.surface.map(|surface| surface.is_damp()),
            })).collect::<Vec<_>>(),
            "band": {"temperature": [place.band[0], place.band[1]], "humidity": [place.band[2], place.band[3]]},
            "mold_pressure": place.mold.map(|mold| json!({"pressure": show::rounded(Some(mold.pressure)),
                "hours_allowed": show::rounded(Some(mold.hours)),
                "hours_allowed_between": [show::rounded(Some(mold.between.0)), show::rounded(Some(mold.between.1))], "hours_needed": show::rounded(mold.needed)})),
            "trays": wording::crops(&place.crops), "empty": place.empty, "clash": place.clash,
        })).collect::<Vec<_>>(),
        "reservoirs": snapshot.reservoirs.iter().map(show::reservoir_json).collect::<Vec<_>>(),
        "sensors": snapshot.sensors.iter().map(|sensor| json!({
            "id": sensor.id, "where": sensor.place, "silent": sensor.silent, "refused": sensor.refused,
            "last_believed": sensor.last_believed.map(show::instant), "calibrated": sensor.calibrated.map(|date| date.to_string()),
            "saturation": sensor.pinned.word(), "uncorrected_echo": sensor.uncorrected,
        })).collect::<Vec<_>>(),
        "trays": snapshot.trays.iter().map(show::tray_json).collect::<Vec<_>>(),
        "alarms": snapshot.alarms.iter().map(|alarm| super::alarms::alarm_json(alarm, site)).collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Engine;
    use crate::engine::event::{Event, What};
    use crate::reading::{ChannelId, RawReading};
    use std::sync::Arc;

    fn present() -> (Snapshot, Rules) {
        let text = include_str!("../../config/traywarden.toml");
        let config = crate::config::parse(text, "room.toml", Path::new("/")).expect("the shipped example is right");
        let at = |minute| "2026-03-03T04:00:00Z".parse::<Timestamp>().expect("a time") + TimeDelta::minutes(minute);
        let mut engine = Engine::new(Arc::new(config.rules.clone()), at(0));
        engine.handle(Event { at: at(0), what: What::Started });
        for minute in 0..40 {
            for (channel, value) in [(0, 21.0), (1, 84.0), (2, 300.0)] {
                // The tank's gauge falls silent on the way.
                if channel < 2 || minute < 10 {
                    let value = value + f64::from(minute % 3) / 10.0;
                    let raw = RawReading::new(ChannelId(channel), value, None, false).expect("a value");
                    engine.handle(Event { at: at(i64::from(minute)), what: What::Reading(raw) });
                }
            }
            engine.handle(Event { at: at(i64::from(minute)), what: What::Tick });
        }
        (engine.snapshot(), config.rules)
    }

    #[test]
    fn the_room_fits_80_columns_and_a_phone_and_silence_is_said() {
        let (snapshot, rules) = present();
        let stray = |topic: &str, reason: &str| GarbledLine {
            at: snapshot.at,
            topic: topic.into(),
            reason: reason.into(),
            size: 3,
            payload: b"ERR".to_vec(),
        };
        let refused = [stray("loft/tank/distance", "not-a-number"), stray("loft/rack-z/air", "unknown-topic")];
        for width in [80, 40] {
            let text = as_text(&snapshot, &refused, &rules, width, true);
            for line in text.lines() {
                assert!(line.chars().count() <= width, "{width}: {line}\n{text}");
            }
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            for formatted in
                ["VPD, the vapor pressure deficit", "loft/rack-z/air: no sensor of the settings has this topic"]
            {
                assert!(words.contains(formatted), "{formatted}\n{text}");
            }
        }
        let text = as_text(&snapshot, &refused, &rules, 80, true);
        let tank = text.lines().find(|line| line.starts_with(" tank ")).unwrap_or_else(|| panic!("no tank in\n{text}"));
        assert!(tank.contains("silent, last heard"), "{tank}");
    }
}
