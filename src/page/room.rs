//! The room: each place and each tank, whether it is well and since when, its day as a line,
//! what grows there, when a tank runs dry; and the sensors that do not speak.

use super::days::RoomDay;
use super::round_sheet::{air_now, rack_address};
use super::tray::tray_address;
use crate::chart::{DayLine, Measure, day_line};
use crate::engine::alarm::{AlarmChange, AlarmState};
use crate::engine::letters::digest::ReservoirDay;
use crate::engine::letters::snapshot::{PlaceNow, Snapshot};
use crate::engine::rules::{PlaceId, Rules, Site};
use crate::notify::wording;
use crate::reading::{BelievedAs, Quantity};
use crate::units::{Timestamp, UnitSystem};
use maud::{Markup, PreEscaped, html};

/// How a place or a tank stands.
enum Standing<'a> {
    /// Something holds there, or was silenced, the worst first.
    Reported(Vec<&'a AlarmChange>),
    /// Nothing does, since this moment; `None`: for as long as is looked back.
    Well(Option<Timestamp>),
    /// Nothing is heard from there.
    Unknown,
}

/// The whole room. `day` has the lines, and when each subject was last not well.
pub(super) fn room(rules: &Rules, snapshot: &Snapshot, day: &RoomDay) -> Markup {
    let site = &rules.site;
    let silent: Vec<_> = snapshot.sensors.iter().filter(|sensor| sensor.silent).collect();
    html! {
        div.title {
            h1 { "The room" }
            p.count { "Next round " (clock(site, snapshot.next_round)) "." }
        }
        @if !snapshot.broker_up { p.late { "No connection to the broker: what you see is from before." } }
        @for (index, place) in snapshot.places.iter().enumerate() {
            (place_in_room(rules, snapshot, day, place, PlaceId(index as u16)))
        }
        @for tank in &snapshot.reservoirs { (tank_in_room(rules, snapshot, day, tank)) }
        section.rack aria-label="Sensors" {
            div.rack-head { h2 { "Sensors" } }
            @match silent.len() {
                0 => p.detail { (snapshot.sensors.len()) " sensors, none of them silent." },
                _ => ul.plain {
                    @for sensor in silent {
                        li {
                            strong { (sensor.id) } " at " (sensor.place) " is silent"
                            @match sensor.last_believed {
                                Some(at) => { ", last heard " (clock(site, at)) "." },
                                None => ", and was never heard.",
                            }
                        }
                    }
                },
            }
        }
    }
}

fn place_in_room(rules: &Rules, snapshot: &Snapshot, day: &RoomDay, place: &PlaceNow, id: PlaceId) -> Markup {
    let site = &rules.site;
    let here = |subject: &str| {
        subject == place.id
            || rules.sensors.iter().any(|sensor| sensor.id == subject && sensor.place == Some(id))
            || snapshot.growing.iter().any(|tray| tray.name == subject && tray.place == id)
    };
    let trays: Vec<&str> =
        snapshot.growing.iter().filter(|tray| tray.place == id).map(|tray| tray.name.as_str()).collect();
    let is_known = place.temperature.is_some() || place.humidity.is_some();
    let [warm_low, warm_high, damp_low, damp_high] = place.band;
    html! {
        section.rack id=(place.id) aria-label=(place.name) {
            div.rack-head {
                h2 { a href=(rack_address(&place.id)) { (place.name) } }
                p.air { (air_now(site, place)) }
            }
            (standing(site, &standing_of(snapshot, day, here, is_known)))
            div.days {
                (drawn(rules, day, &place.id, Quantity::Temperature, (warm_low, warm_high)))
                (drawn(rules, day, &place.id, Quantity::Humidity, (damp_low, damp_high)))
            }
            @if trays.is_empty() {
                p.detail { "Nothing grows here." }
            } @else {
                p.tags { @for tray in trays { a href=(tray_address(tray)) { (tray) } " " } }
            }
        }
    }
}

fn tank_in_room(rules: &Rules, snapshot: &Snapshot, day: &RoomDay, tank: &ReservoirDay) -> Markup {
    let site = &rules.site;
    let volume = |litres: f64| {
        let (shown, unit) = site.units.volume(litres);
        format!("{shown:.1} {unit}")
    };
    let percent = tank.percent.map(|percent| format!(", {percent:.0} %")).unwrap_or_default();
    html! {
        section.rack id=(tank.id) aria-label=(tank.name) {
            div.rack-head {
                h2 { (tank.name) }
                p.air {
                    @match tank.usable {
                        Some(usable) => { (volume(usable)) (percent) },
                        None => "level not known",
                    }
                }
            }
            (standing(site, &standing_of(snapshot, day, |subject| subject == tank.id, tank.usable.is_some())))
            // The line counts as the heading does: what the pump can reach.
            div.days { (water_drawn(rules, day, &tank.id)) }
            p.detail {
                @match tank.empty_at {
                    Some((best, early, late)) => {
                        "Runs dry about " (clock(site, best)) ", between " (clock(site, early)) " and " (clock(site, late)) "."
                    },
                    None if tank.at_the_inlet => "The water is at the pump inlet: the pump draws air.",
                    None if tank.usable.is_none() => "When it runs dry is not known.",
                    None => "Nothing measurable is drawn from it.",
                }
            }
        }
    }
}

fn standing_of<'a>(snapshot: &'a Snapshot, day: &RoomDay, here: impl Fn(&str) -> bool, is_known: bool) -> Standing<'a> {
    let over = |alarm: &&AlarmChange| matches!(alarm.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged);
    let standing_here: Vec<&AlarmChange> =
        snapshot.alarms.iter().filter(|alarm| here(&alarm.key.subject) && !over(alarm)).collect();
    match (standing_here.is_empty(), is_known) {
        (false, _) => Standing::Reported(standing_here),
        (true, true) => Standing::Well(day.well_since(here)),
        (true, false) => Standing::Unknown,
    }
}

fn standing(site: &Site, standing: &Standing<'_>) -> Markup {
    html! {
        @match standing {
            Standing::Well(Some(since)) => p.well { "Well since " (clock(site, *since)) "." },
            Standing::Well(None) => p.well { "Well for a week or longer." },
            Standing::Unknown => p.detail { "Nothing is heard from here just now." },
            Standing::Reported(alarms) => {
                @for alarm in alarms {
                    p.late { (told(alarm, site)) }
                }
            },
        }
    }
}

/// One line of it. A headline that has its own hour needs no second one.
fn told(alarm: &AlarmChange, site: &Site) -> String {
    if matches!(alarm.state, AlarmState::Shelved | AlarmState::OutOfService) {
        return format!("Silenced: {}.", wording::name(alarm, site));
    }
    let headline = wording::headline(alarm, site);
    let since = clock(site, alarm.since);
    if headline.contains(" since ") { format!("{headline}.") } else { format!("{headline}, since {since}.") }
}

fn drawn(rules: &Rules, day: &RoomDay, id: &str, quantity: Quantity, band: (Option<f64>, Option<f64>)) -> Markup {
    day.line(id, quantity).map_or_else(Markup::default, |points| day_drawn(rules, day, points, quantity, band))
}

fn water_drawn(rules: &Rules, day: &RoomDay, id: &str) -> Markup {
    let reservoir = rules.reservoirs.iter().find(|reservoir| reservoir.id == id);
    let below = reservoir.map_or(0.0, |reservoir| reservoir.shape.litres(reservoir.pump_inlet_mm));
    let Some(points) = day.line(id, Quantity::Volume) else { return Markup::default() };
    day_drawn(rules, day, &usable(points, below), Quantity::Volume, (None, None))
}

/// What stands in a tank, without the litres that lie below the pump inlet.
fn usable(points: &[(Timestamp, f64)], below: f64) -> Vec<(Timestamp, f64)> {
    points.iter().map(|(at, litres)| (*at, (litres - below).max(0.0))).collect()
}

fn day_drawn(
    rules: &Rules,
    day: &RoomDay,
    points: &[(Timestamp, f64)],
    quantity: Quantity,
    band: (Option<f64>, Option<f64>),
) -> Markup {
    let line = day_line(&DayLine {
        measure: Measure::of(quantity.believed_as()),
        points,
        gap_after: day.step * 2,
        from: day.from,
        until: day.until,
        band,
        units: rules.site.units,
    });
    html! {
        @if let Some(line) = line {
            div { (PreEscaped(line)) p.range aria-hidden="true" { (range(rules.site.units, quantity, points)) } }
        }
    }
}

/// "67 to 72 °F", below a line.
fn range(units: UnitSystem, quantity: Quantity, points: &[(Timestamp, f64)]) -> String {
    let low = points.iter().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
    match quantity.believed_as() {
        BelievedAs::Temperature => {
            format!("{:.0} to {:.0} {} in 24 h", units.degrees(low), units.degrees(high), units.degree_sign())
        }
        BelievedAs::Humidity => format!("{low:.0} to {high:.0} % in 24 h"),
        BelievedAs::Volume => {
            format!("{:.1} to {:.1} {} in 24 h", units.volume(low).0, units.volume(high).0, units.volume(high).1)
        }
    }
}

fn clock(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%a %H:%M").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, rules};
    use crate::engine::alarm::{AlarmKey, AlarmKind, Evidence, Priority};

    #[test]
    fn the_line_of_a_tank_counts_from_the_pump_inlet_as_its_heading_does() {
        let points = [(at("2026-03-03 12:00"), 14.0), (at("2026-03-03 12:30"), 3.0)];
        let shown = range(UnitSystem::Metric, Quantity::Volume, &usable(&points, 4.0));
        assert_eq!(shown, "0.0 to 10.0 L in 24 h");
    }

    fn silent(state: AlarmState) -> AlarmChange {
        AlarmChange {
            at: at("2026-03-03 12:30"),
            key: AlarmKey { kind: AlarmKind::SensorSilent, subject: "rack-a-air".into() },
            since: at("2026-03-03 12:19"),
            state,
            before: AlarmState::Normal,
            priority: Priority::NextRound,
            harm: None,
            evidence: Evidence::Silent {
                place: "Rack A".into(),
                last_heard: Some(at("2026-03-03 12:04")),
                every: chrono::TimeDelta::seconds(30),
                blind: true,
                all: false,
            },
            next_round: at("2026-03-03 13:00"),
            times: 1,
            by: None,
            answered_at: None,
            returned_at: None,
            chance: 0.0,
            grade: None,
            numbers_are_past: false,
            easing: false,
        }
    }

    #[test]
    fn one_hour_is_told_of_a_silence_and_what_is_silenced_is_no_wellness() {
        let site = rules().site;
        assert_eq!(told(&silent(AlarmState::Unacknowledged), &site), "Rack A unwatched, no data since 06:04.");
        assert_eq!(told(&silent(AlarmState::Shelved), &site), "Silenced: Rack A sensor.");
    }
}
