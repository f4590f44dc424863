//! `now`: the room as it stands.

use super::show::{self, AsJson, table};
use super::{Answer, Outcome, present, print, settings};
use crate::clock::Clock;
use crate::engine::letters::digest::ReservoirDay;
use crate::engine::letters::snapshot::{PlaceNow, SensorNow, Snapshot};
use crate::engine::physics::surface::Surface;
use crate::engine::quality::saturation::Pinned;
use crate::engine::rules::Site;
use crate::engine::watch::mold::Pressure;
use crate::notify::wording;
use crate::store::Trouble;
use crate::units::UnitSystem;
use chrono::TimeDelta;
use serde_json::json;
use std::fmt::Write;
use std::path::Path;

/// Low-cost hygrometers drift by a quarter to half a per cent a year (from memory).
const CALIBRATION_KEEPS: TimeDelta = TimeDelta::days(366);

pub fn run(path: &Path, shown: AsJson) -> Outcome {
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
        print(&trouble_text(trouble, site))?;
    } else if let Some(present) = &present {
        present::warn_if_quiet(present);
    }
    if let Some(snapshot) = &snapshot {
        print(&as_text(snapshot, site, trouble.is_none()))?;
    }
    Ok(Answer::Yes)
}

/// What the daemon says while its store fails, before how things stood when it still worked.
fn trouble_text(trouble: &Trouble, site: &Site) -> String {
    let mut text = format!(
        "Since {} nothing can be saved: {}.\nThe watch goes on from memory: every reading is judged, and alarms come. ",
        show::local(site, trouble.since),
        trouble.error.trim_end_matches('.')
    );
    let _ = write!(text, "{} readings wait to be saved, {} are lost.", trouble.unsaved, trouble.lost);
    if trouble.without_past {
        text.push_str("\nWhat was written before cannot be read: the watch knows no tray and no watering.");
    }
    if trouble.alarms.is_empty() {
        text.push_str("\n\nNo alarm.");
    }
    for alarm in &trouble.alarms {
        let _ = write!(text, "\n\n{} ({}, {})\n  {}", alarm.id, alarm.state, alarm.priority, alarm.text);
    }
    text.push_str("\n\nWhat could be read of the store, as it stood then:\n");
    text
}

fn as_text(snapshot: &Snapshot, site: &Site, with_alarms: bool) -> String {
    let mut text = format!(
        "{}, {}. Next round {}.\n",
        site.name,
        show::local(site, snapshot.at),
        show::local(site, snapshot.next_round)
    );
    if !snapshot.broker_up {
        text.push_str("No connection to the broker.\n");
    }
    if !snapshot.places.is_empty() {
        let mut air = table(["PLACE", "AIR", "HUMIDITY", "VPD", "DEW POINT", "MOLD PRESSURE", "ASKED FOR", "TRAYS"]);
        for place in &snapshot.places {
            air.add_row([
                place.name.clone(),
                show::temperature(site, place.temperature),
                humidity(place),
                give_or_take(place.deficit.map(|deficit| format!("{deficit:.2}")), place.deficit_accuracy, 2, " kPa"),
                dew_point(place, site),
                place.mold.map_or("-".to_owned(), |mold| match mold.needed {
                    Some(needed) => format!("{:.0}: {} of {needed:.1} h", mold.pressure, hours_allowed(&mold)),
                    None => format!("{:.0}", mold.pressure),
                }),
                asked_for(place, site),
                if place.empty { "none".to_owned() } else { place.trays.join(", ") },
            ]);
        }
        let _ = writeln!(text, "\n{air}");
    }
    if snapshot.places.iter().any(|place| place.deficit_accuracy.is_some()) {
        text.push_str("After ± stands what the sensors may be off by, as far as the settings state their accuracy.\n");
    }
    if snapshot.places.iter().any(|place| !place.surfaces.is_empty()) {
        let _ = writeln!(text, "\n{}", surfaces(snapshot, site));
    }
    if snapshot.places.iter().any(|place| place.mold.is_some()) {
        text.push_str(
            "Mold pressure: hours of wet leaves that conditions have allowed, of those infection needs. Computed from \
             room air and your log with field-crop disease models; not validated on microgreens; look at the tray.\n",
        );
    }
    if !snapshot.reservoirs.is_empty() {
        let mut water = table(["RESERVOIR", "USABLE", "FULL", "AT THE PUMP INLET"]);
        for tank in &snapshot.reservoirs {
            let empty = tank.empty_at.map_or("no measurable draw".to_owned(), |(best, ..)| show::local(site, best));
            water.add_row([tank.name.clone(), usable(tank, site), show::percent(tank.percent), empty]);
        }
        let _ = writeln!(text, "\n{water}");
    }
    let mut sensors = table(["SENSOR", "WHERE", "LAST BELIEVED", "REFUSED", "CALIBRATED", "STATE"]);
    for sensor in &snapshot.sensors {
        let last = sensor.last_believed.map_or("never".to_owned(), |at| show::local(site, at));
        let last = if sensor.silent { format!("{last}, silent") } else { last };
        let calibrated = sensor.calibrated.map_or("-".to_owned(), |date| {
            let today = snapshot.at.with_timezone(&site.time_zone).date_naive();
            let old = today - date > CALIBRATION_KEEPS;
            if old { format!("{date}, over a year ago") } else { date.to_string() }
        });
        let refused = sensor.refused.to_string();
        sensors.add_row([sensor.id.clone(), sensor.place.clone(), last, refused, calibrated, state(sensor, site)]);
    }
    let _ = writeln!(text, "\n{sensors}");
    if !with_alarms {
        return text;
    }
    if snapshot.alarms.is_empty() {
        text.push_str("\nNo alarm.\n");
    }
    for alarm in &snapshot.alarms {
        let _ = writeln!(
            text,
            "\n{} ({}, {})\n  {}",
            alarm.key.id(),
            alarm.state.word(),
            alarm.priority.word(),
            wording::alarm_text(alarm, site)
        );
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

/// Surfaces with a probe: how far from the dew point, and how damp the air on them is.
fn surfaces(snapshot: &Snapshot, site: &Site) -> String {
    let mut lines = table(["SURFACE", "WHERE", "TEMPERATURE", "ABOVE DEW POINT", "HUMIDITY THERE", "STATE"]);
    for place in &snapshot.places {
        for found in &place.surfaces {
            let Some(surface) = found.surface else {
                lines.add_row([found.on.as_str(), &place.name, "-", "-", "-", "not known: a sensor is silent"]);
                continue;
            };
            let scale = if site.units == UnitSystem::Us { 1.8 } else { 1.0 };
            let unit = if site.units == UnitSystem::Us { " °F" } else { " K" };
            lines.add_row([
                found.on.clone(),
                place.name.clone(),
                show::temperature(site, Some(surface.temperature.0)),
                give_or_take(
                    Some(format!("{:.1}", surface.margin * scale)),
                    Some(surface.margin_accuracy * scale),
                    1,
                    unit,
                ),
                show::percent(Some(surface.humidity.min(100.0))),
                surface_state(&surface).to_owned(),
            ]);
        }
    }
    lines.to_string()
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

fn state(sensor: &SensorNow, site: &Site) -> String {
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
    [pinned, uncorrected].into_iter().flatten().collect::<Vec<_>>().join("; ")
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
            "trays": place.trays, "empty": place.empty, "clash": place.clash,
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
