//! `now`: the room as it stands.

use super::show::{self, AsJson, table};
use super::{Answer, Outcome, print, room, settings};
use crate::engine::rules::Site;
use crate::engine::snapshot::{PlaceNow, Snapshot};
use crate::notify::wording;
use serde_json::json;
use std::fmt::Write;
use std::path::Path;

pub fn run(path: &Path, shown: AsJson) -> Outcome {
    let config = settings(path)?;
    let room = room::open(&config)?;
    let snapshot = room.engine.snapshot();
    let site = &config.rules.site;
    if shown.json {
        print(&as_json(&snapshot, site).to_string())?;
    } else {
        room::warn_if_quiet(&room);
        print(&as_text(&snapshot, site))?;
    }
    Ok(Answer::Yes)
}

fn as_text(snapshot: &Snapshot, site: &Site) -> String {
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
                show::percent(place.humidity),
                place.deficit.map_or("-".to_owned(), |deficit| format!("{deficit:.2} kPa")),
                show::temperature(site, place.dew_point),
                place.mold.map_or("-".to_owned(), |mold| match mold.needed {
                    Some(needed) => format!("{:.0}: {:.1} of {needed:.1} h", mold.pressure, mold.hours),
                    None => format!("{:.0}", mold.pressure),
                }),
                asked_for(place, site),
                if place.empty { "none".to_owned() } else { place.trays.join(", ") },
            ]);
        }
        let _ = writeln!(text, "\n{air}");
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
            water.add_row([tank.name.clone(), show::volume(site, tank.usable), show::percent(tank.percent), empty]);
        }
        let _ = writeln!(text, "\n{water}");
    }
    let mut sensors = table(["SENSOR", "WHERE", "LAST BELIEVED", "REFUSED"]);
    for sensor in &snapshot.sensors {
        let last = sensor.last_believed.map_or("never".to_owned(), |at| show::local(site, at));
        let last = if sensor.silent { format!("{last}, silent") } else { last };
        sensors.add_row([sensor.id.clone(), sensor.place.clone(), last, sensor.refused.to_string()]);
    }
    let _ = writeln!(text, "\n{sensors}");
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
            "band": {"temperature": [place.band[0], place.band[1]], "humidity": [place.band[2], place.band[3]]},
            "mold_pressure": place.mold.map(|mold| json!({"pressure": show::rounded(Some(mold.pressure)),
                "hours_allowed": show::rounded(Some(mold.hours)), "hours_needed": show::rounded(mold.needed)})),
            "trays": place.trays, "empty": place.empty, "clash": place.clash,
        })).collect::<Vec<_>>(),
        "reservoirs": snapshot.reservoirs.iter().map(show::reservoir_json).collect::<Vec<_>>(),
        "sensors": snapshot.sensors.iter().map(|sensor| json!({
            "id": sensor.id, "where": sensor.place, "silent": sensor.silent, "refused": sensor.refused,
            "last_believed": sensor.last_believed.map(show::instant),
        })).collect::<Vec<_>>(),
        "trays": snapshot.trays.iter().map(show::tray_json).collect::<Vec<_>>(),
        "alarms": snapshot.alarms.iter().map(|alarm| super::alarms::alarm_json(alarm, site)).collect::<Vec<_>>(),
    })
}
