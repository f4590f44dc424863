//! The room for programs that collect figures (OpenMetrics 1.0 text), and whether the watch
//! is well for whatever starts it anew. Pure: the snapshot in, text out.

use crate::engine::alarm::{AlarmKind, AlarmState, Evidence, Priority};
use crate::engine::letters::snapshot::Snapshot;
use crate::engine::rules::Site;
use crate::units::Timestamp;
use std::fmt::Write;
use std::time::Duration;

/// As OpenMetrics 1.0 asks for it.
pub(super) const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
/// The room is judged every minute; after three that were missed something hangs. Own default.
const JUDGED_WITHIN: Duration = Duration::from_secs(190);

/// A label and its value.
type Label<'a> = (&'static str, &'a str);

/// Every figure of the room, as OpenMetrics text.
pub(super) fn text(site: &Site, snapshot: &Snapshot) -> String {
    let mut text = Text(String::new());
    text.about("traywarden", "info", "Which program watches which site.");
    text.sample("traywarden_info", &[("version", env!("CARGO_PKG_VERSION")), ("site", &site.name)], 1.0);
    places(&mut text, snapshot);
    reservoirs(&mut text, snapshot);
    sensors(&mut text, snapshot);
    alarms(&mut text, snapshot);
    text.gauge("traywarden_trays_growing", "Trays that grow, each of a lot counted.");
    let growing: u32 = snapshot.growing.iter().map(|tray| tray.count).sum();
    text.sample("traywarden_trays_growing", &[], f64::from(growing));
    text.gauge("traywarden_broker_connected", "1 while there is a connection to the broker.");
    text.sample("traywarden_broker_connected", &[], truth(snapshot.broker_up));
    text.gauge("traywarden_judged_timestamp_seconds", "The time all of this is true for.");
    text.sample("traywarden_judged_timestamp_seconds", &[], seconds(snapshot.at));
    text.gauge("traywarden_next_round_timestamp_seconds", "When somebody is in the room next.");
    text.sample("traywarden_next_round_timestamp_seconds", &[], seconds(snapshot.next_round));
    text.0.push_str("# EOF\n");
    text.0
}

/// What is amiss with the watch itself, a sentence each; empty while it is well. `judged_ago`:
/// how long ago the room was last shown as judged.
pub(super) fn amiss(snapshot: &Snapshot, judged_ago: Duration) -> Vec<String> {
    let mut amiss = Vec::new();
    if judged_ago > JUDGED_WITHIN {
        amiss.push(format!("Nothing has been judged for {} s.", judged_ago.as_secs()));
    }
    if !snapshot.broker_up {
        amiss.push("There is no connection to the broker.".to_owned());
    }
    for alarm in &snapshot.alarms {
        let gone = matches!(alarm.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged);
        match alarm.key.kind {
            AlarmKind::MailFailing if !gone => amiss.push("Letters do not leave.".to_owned()),
            AlarmKind::StoreFailing if !gone && matches!(alarm.evidence, Evidence::Store { .. }) => {
                amiss.push("Readings are not being saved.".to_owned())
            }
            _ => {}
        }
    }
    amiss
}

fn places(text: &mut Text, snapshot: &Snapshot) {
    let of = |text: &mut Text, name: &str, help: &str, value: &dyn Fn(usize) -> Option<f64>| {
        text.gauge(name, help);
        for (index, place) in snapshot.places.iter().enumerate() {
            if let Some(value) = value(index) {
                text.sample(name, &[("place", &place.id)], value);
            }
        }
    };
    let place = |index: usize| &snapshot.places[index];
    of(text, "traywarden_air_temperature_celsius", "Air of a place, while it is fresh.", &|at| place(at).temperature);
    of(text, "traywarden_air_humidity_ratio", "Relative humidity of a place, 0 to 1.", &|at| {
        place(at).humidity.map(|percent| percent / 100.0)
    });
    of(text, "traywarden_air_vapor_pressure_deficit_pascals", "How much more water the air could take up.", &|at| {
        place(at).deficit.map(|kilopascals| kilopascals * 1000.0)
    });
    of(text, "traywarden_air_dew_point_celsius", "Dew point of the air of a place.", &|at| place(at).dew_point);
    of(
        text,
        "traywarden_mold_pressure_ratio",
        "Hours that conditions have allowed infection, of those it needs; field-crop models, not validated on microgreens.",
        &|at| place(at).mold.as_ref().map(|mold| mold.pressure / 100.0),
    );
}

fn reservoirs(text: &mut Text, snapshot: &Snapshot) {
    type Figure = fn(&crate::engine::letters::digest::ReservoirDay) -> Option<f64>;
    let all: [(&str, &str, Figure); 3] = [
        ("traywarden_reservoir_usable_litres", "Water above the pump inlet.", |tank| tank.usable),
        ("traywarden_reservoir_fill_ratio", "Share of the usable volume, 0 to 1.", |tank| {
            tank.percent.map(|percent| percent / 100.0)
        }),
        ("traywarden_reservoir_empty_timestamp_seconds", "When it reaches the pump inlet, at best guess.", |tank| {
            tank.empty_at.map(|(best, ..)| seconds(best))
        }),
    ];
    for (name, help, figure) in all {
        text.gauge(name, help);
        for tank in &snapshot.reservoirs {
            if let Some(value) = figure(tank) {
                text.sample(name, &[("reservoir", &tank.id)], value);
            }
        }
    }
}

fn sensors(text: &mut Text, snapshot: &Snapshot) {
    let heard = "traywarden_sensor_believed_timestamp_seconds";
    text.gauge(heard, "When a sensor last said something that was believed.");
    for sensor in &snapshot.sensors {
        if let Some(at) = sensor.last_believed {
            text.sample(heard, &[("sensor", &sensor.id)], seconds(at));
        }
    }
    text.gauge("traywarden_sensor_silent", "1 while a sensor has not spoken for longer than it may.");
    for sensor in &snapshot.sensors {
        text.sample("traywarden_sensor_silent", &[("sensor", &sensor.id)], truth(sensor.silent));
    }
    text.gauge("traywarden_sensor_refused", "Readings of a sensor refused since the last digest.");
    for sensor in &snapshot.sensors {
        text.sample("traywarden_sensor_refused", &[("sensor", &sensor.id)], f64::from(sensor.refused));
    }
}

fn alarms(text: &mut Text, snapshot: &Snapshot) {
    text.gauge("traywarden_alarm", "1 for each alarm that is not normal.");
    for alarm in &snapshot.alarms {
        let labels = [
            ("kind", alarm.key.kind.word()),
            ("about", alarm.key.subject.as_str()),
            ("state", alarm.state.word()),
            ("priority", alarm.priority.word()),
        ];
        text.sample("traywarden_alarm", &labels, 1.0);
    }
    // Written out when there is none, too: a figure that is missing says nothing.
    text.gauge("traywarden_alarms_holding", "Alarms whose condition holds and that nobody has silenced.");
    for priority in [Priority::Now, Priority::NextRound, Priority::Digest] {
        let holding = |state| matches!(state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
        let count = snapshot.alarms.iter().filter(|alarm| alarm.priority == priority && holding(alarm.state)).count();
        text.sample("traywarden_alarms_holding", &[("priority", priority.word())], count as f64);
    }
}

fn truth(holds: bool) -> f64 {
    if holds { 1.0 } else { 0.0 }
}

/// Seconds of the Unix epoch.
fn seconds(at: Timestamp) -> f64 {
    at.timestamp_millis() as f64 / 1000.0
}

/// Text that grows by one family of figures at a time.
struct Text(String);

impl Text {
    fn gauge(&mut self, name: &str, help: &str) {
        self.about(name, "gauge", help);
    }

    /// Writing to a string cannot fail.
    fn about(&mut self, name: &str, kind: &str, help: &str) {
        let _ = writeln!(self.0, "# TYPE {name} {kind}");
        let unit = ["celsius", "ratio", "pascals", "litres", "seconds"].into_iter().find(|unit| name.ends_with(unit));
        if let Some(unit) = unit {
            let _ = writeln!(self.0, "# UNIT {name} {unit}");
        }
        let _ = writeln!(self.0, "# HELP {name} {help}");
    }

    fn sample(&mut self, name: &str, labels: &[Label<'_>], value: f64) {
        self.0.push_str(name);
        for (index, (label, written)) in labels.iter().enumerate() {
            let written = written.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n");
            let _ = write!(self.0, "{}{label}=\"{written}\"", if index == 0 { '{' } else { ',' });
        }
        let _ = writeln!(self.0, "{} {value}", if labels.is_empty() { "" } else { "}" });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Engine;
    use crate::engine::event::{Event, What};
    use std::path::Path;
    use std::sync::Arc;

    fn room() -> (Site, Snapshot) {
        let text = include_str!("../../config/traywarden.toml").replace("Saltmarsh Lane", "Salt\\\"marsh");
        let rules = crate::config::parse(&text, "room.toml", Path::new("/")).expect("the example is right").rules;
        let at = "2026-03-03T17:00:00Z".parse().expect("a time");
        let mut engine = Engine::new(Arc::new(rules.clone()), at);
        engine.handle(Event { at, what: What::Started });
        engine.handle(Event { at, what: What::BrokerUp });
        (rules.site, engine.snapshot())
    }

    #[test]
    fn what_is_not_known_is_left_out_and_what_is_counted_is_there_when_it_is_none() {
        let (site, mut snapshot) = room();
        snapshot.places[0].temperature = Some(21.5);
        snapshot.places[0].humidity = Some(61.0);
        let text = text(&site, &snapshot);
        for line in [
            "traywarden_info{version=\"0.1.0\",site=\"Salt\\\"marsh\"} 1",
            "traywarden_air_temperature_celsius{place=\"rack-a\"} 21.5",
            "traywarden_air_humidity_ratio{place=\"rack-a\"} 0.61",
            "# UNIT traywarden_air_humidity_ratio ratio",
            "traywarden_alarms_holding{priority=\"now\"} 0",
            "traywarden_judged_timestamp_seconds 1772557200",
        ] {
            assert!(text.lines().any(|known| known == line), "{line} in\n{text}");
        }
        assert!(!text.contains("traywarden_air_dew_point_celsius{"), "{text}");
        assert!(text.ends_with("# EOF\n"));
    }

    #[test]
    fn the_watch_is_well_only_while_it_judges_hears_and_can_write() {
        let (_, mut snapshot) = room();
        let now = Duration::from_secs(20);
        assert!(amiss(&snapshot, now).is_empty());
        assert_eq!(amiss(&snapshot, Duration::from_secs(600)), ["Nothing has been judged for 600 s."]);
        snapshot.broker_up = false;
        assert_eq!(amiss(&snapshot, now), ["There is no connection to the broker."]);
    }
}
