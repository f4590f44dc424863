//! Which readings are believed, and how far: fault codes, saturation, echoes through warm
//! air, probes on surfaces, and what a sensor may be off by.

use crate::night::sow;
use chrono::TimeDelta;
use std::path::Path;
use std::sync::Arc;
use traywarden::config::{self, Config};
use traywarden::engine::Engine;
use traywarden::engine::alarm::{AlarmChange, AlarmKind};
use traywarden::engine::event::{Doubt, Effect, Event, Judgement, What};
use traywarden::engine::letters::snapshot::{SensorNow, Snapshot};
use traywarden::engine::quality::saturation::Pinned;
use traywarden::journal::{Did, Entry};
use traywarden::reading::{ChannelId, Flag, Quantity, RawReading};
use traywarden::units::Timestamp;

const SITE: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "a1"
place = "rack-a"
topic = "loft/a1"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h" }
"#;

const PEER: &str = r#"
[[sensor]]
id = "a2"
place = "rack-a"
topic = "loft/a2"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h" }
"#;

/// A box of 600 by 400 mm: a quarter of a litre a millimetre.
fn tank(reads: &str) -> String {
    format!(
        "[[reservoir]]\nid = \"tank\"\ntopic = \"loft/tank\"\n\
         reads = {{ what = \"distance\", unit = \"mm\", sensor_height = \"600 mm\"{reads} }}\n\
         shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"500 mm\" }}\n"
    )
}

const WINDOW: &str = r#"
[[sensor]]
id = "pane"
place = "rack-a"
surface = "window"
topic = "loft/pane"
temperature = { pointer = "/t", unit = "Cel", accuracy = 0.5 }
"#;

struct Room {
    config: Config,
    engine: Engine,
    now: Timestamp,
    alarms: Vec<AlarmChange>,
}

type Spoken<'a> = (&'a str, Quantity, f64);

impl Room {
    fn new(more: &str) -> Room {
        Room::of(&format!("{SITE}{more}"))
    }

    /// Four trays of broccoli, sown six days ago on rack-a.
    fn of(site: &str) -> Room {
        let config = config::parse(site, "room", Path::new("/nowhere")).unwrap_or_else(|problems| panic!("{problems}"));
        let now = "2026-03-03T18:00:00Z".parse().expect("a time");
        let engine = Engine::new(Arc::new(config.rules.clone()), now);
        let mut room = Room { config, engine, now, alarms: Vec::new() };
        room.happens(What::BrokerUp);
        let entry = Entry { at: Some(room.now - TimeDelta::days(6)), by: None, did: sow("K12", "rack-a") };
        room.happens(What::Journal { number: 1, entry });
        room
    }

    fn happens(&mut self, what: What) -> Vec<Judgement> {
        let effects = self.engine.handle(Event { at: self.now, what });
        effects
            .into_iter()
            .filter_map(|effect| match effect {
                Effect::Judged(judgement) => Some(judgement),
                Effect::Alarm(change) => {
                    self.alarms.push(change);
                    None
                }
                _ => None,
            })
            .collect()
    }

    /// One message after another, all now.
    fn hears(&mut self, events: &[Spoken<'_>]) -> Vec<Judgement> {
        let rules = self.config.rules.clone();
        let channel = |sensor: &str, quantity: Quantity| {
            let mine = |channel: &traywarden::engine::rules::Channel| {
                channel.quantity == quantity && rules.sensor(channel.sensor).id == sensor
            };
            ChannelId(rules.channels.iter().position(mine).expect("a channel") as u16)
        };
        events
            .iter()
            .flat_map(|(sensor, quantity, value)| {
                let raw = RawReading::new(channel(sensor, *quantity), *value, None, false).expect("a number");
                self.happens(What::Reading(raw))
            })
            .collect()
    }

    /// Minutes pass; in each of them that is said. The last judgements.
    fn minutes<'a>(&mut self, count: i64, events: impl Fn(i64) -> Vec<Spoken<'a>>) -> Vec<Judgement> {
        let mut last = Vec::new();
        for minute in 0..count {
            self.now += TimeDelta::minutes(1);
            last = self.hears(&events(minute));
            self.happens(What::Tick);
        }
        last
    }

    fn now(&self) -> Snapshot {
        self.engine.snapshot()
    }

    fn sensor(&self, id: &str) -> SensorNow {
        self.now().sensors.into_iter().find(|sensor| sensor.id == id).expect("the sensor")
    }

    fn raised(&self, kind: AlarmKind) -> Vec<&AlarmChange> {
        self.alarms.iter().filter(|change| change.key.kind == kind).collect()
    }
}

/// Live air: never quite still.
fn air<'a>(sensor: &'a str, minute: i64, temperature: f64, humidity: f64) -> [Spoken<'a>; 2] {
    let wobble = (minute % 5) as f64 * 0.03;
    [(sensor, Quantity::Temperature, temperature + wobble), (sensor, Quantity::Humidity, humidity + wobble)]
}

fn pinned<'a>(sensor: &'a str, minute: i64, temperature: f64) -> [Spoken<'a>; 2] {
    let [warmth, _] = air(sensor, minute, temperature, 0.0);
    [warmth, (sensor, Quantity::Humidity, 100.0)]
}

#[test]
fn a_bus_without_its_probe_is_never_a_frosty_room() {
    let mut room = Room::new("");
    room.minutes(10, |minute| air("a1", minute, 21.0, 55.0).to_vec());
    for code in [0.0, -0.0625, -0.06, 85.0, -127.0, 127.94, -46.85, -45.0, 130.0, 150.0] {
        for _ in 0..3 {
            // A jump that stays is believed; a code never is.
            let last = room.minutes(1, |_| vec![("a1", Quantity::Temperature, code)]);
            assert_eq!(last[0].reason, Some(Doubt::FaultCode), "{code}");
            assert_eq!(last[0].believed, None, "{code}");
        }
    }
    room.minutes(20, |_| vec![("a1", Quantity::Temperature, 0.0)]);
    assert!(!room.raised(AlarmKind::SensorImplausible).is_empty());
    assert!(room.raised(AlarmKind::AirTooCold).is_empty());
}

#[test]
fn air_that_truly_falls_through_zero_is_believed() {
    let mut room = Room::new("");
    let last = room.minutes(240, |minute| air("a1", 0, 21.0 - minute as f64 * 0.1, 55.0).to_vec());
    assert!(last[0].believed.is_some_and(|reading| reading.value() < -2.0), "{last:?}");
    let zero = room.minutes(1, |_| vec![("a1", Quantity::Temperature, 0.0)]);
    assert!(zero[0].believed.is_some(), "{zero:?}");
}

#[test]
fn the_other_half_of_a_broken_frame_is_no_fog() {
    let mut room = Room::new("");
    room.minutes(10, |minute| air("a1", minute, 21.0, 90.0).to_vec());
    let frame = room.minutes(1, |_| vec![("a1", Quantity::Temperature, 130.0), ("a1", Quantity::Humidity, 100.0)]);
    assert_eq!(frame.iter().map(|half| half.reason).collect::<Vec<_>>(), [Some(Doubt::FaultCode); 2]);
    // Beside a temperature that can be, the same humidity is fog.
    let fog = room.minutes(1, |_| vec![("a1", Quantity::Temperature, 21.0), ("a1", Quantity::Humidity, 100.0)]);
    assert!(fog.iter().all(|half| half.believed.is_some()), "{fog:?}");
}

#[test]
fn a_tank_that_stands_at_999_mm_is_no_fault_code() {
    let mut room = Room::new(
        &tank("").replace("600 mm\" }", "1500 mm\" }").replace("height = \"500 mm\"", "height = \"1400 mm\""),
    );
    let last = room.minutes(3, |_| vec![("tank", Quantity::Distance, 999.0)]);
    assert!(last[0].believed.is_some(), "{last:?}");
    let none = room.minutes(1, |_| vec![("tank", Quantity::Distance, 9990.0)]);
    assert_eq!(none[0].reason, Some(Doubt::FaultCode), "999 from a gauge in centimetres");
}

#[test]
fn a_hygrometer_at_the_top_is_saturated_and_nothing_else() {
    let mut room = Room::new(PEER);
    room.minutes(60, |minute| [air("a1", minute, 21.0, 92.0), air("a2", minute, 21.0, 92.0)].concat());
    let both = |minute| [pinned("a1", minute, 21.0), air("a2", minute, 21.0, 88.0)].concat();
    room.minutes(60, both);
    assert!(matches!(room.sensor("a1").pinned, Pinned::Since(_)));
    assert!(room.now().places[0].at_least, "what is read is the least it can be");
    let last = room.minutes(20 * 60, both);
    assert_eq!((last[1].flag, last[1].reason), (Flag::Suspect, Some(Doubt::Saturated)));
    assert!(last[1].believed.is_some(), "it is used, as the least the air can be");
    assert!(matches!(room.sensor("a1").pinned, Pinned::Saturated(_)));
    let reported = room.engine.digest_facts(false).sensors;
    assert!(reported.iter().any(|sensor| sensor.id == "a1" && sensor.saturated_hours > 3.0), "{reported:?}");
    for kind in [AlarmKind::SensorStuck, AlarmKind::SensorImplausible, AlarmKind::SensorDrift] {
        assert!(room.raised(kind).is_empty(), "{kind:?}");
    }
    // Of a silent one it is not known any more; it is back before it is forgotten.
    room.minutes(20, |minute| air("a2", minute, 21.0, 88.0).to_vec());
    assert_eq!(room.sensor("a1").pinned, Pinned::No);
    room.minutes(1, both);
    // It comes down, reads high for hours, and is judged by nobody meanwhile.
    room.minutes(60, |minute| [air("a1", minute, 21.0, 97.0), air("a2", minute, 21.0, 80.0)].concat());
    assert!(matches!(room.sensor("a1").pinned, Pinned::Recovering(_)));
    assert!(!room.now().places[0].at_least);
    room.minutes(12 * 60, |minute| [air("a1", minute, 21.0, 81.0), air("a2", minute, 21.0, 80.0)].concat());
    assert_eq!(room.sensor("a1").pinned, Pinned::No);
    assert!(room.raised(AlarmKind::SensorDrift).is_empty());
}

#[test]
fn the_same_difference_below_the_top_is_drift() {
    let mut room = Room::new(PEER);
    room.minutes(21 * 60, |minute| [air("a1", minute, 21.0, 98.5), air("a2", minute, 21.0, 86.5)].concat());
    assert!(!room.raised(AlarmKind::SensorDrift).is_empty());
}

#[test]
fn a_device_that_froze_at_the_top_is_found_by_its_thermometer() {
    let mut room = Room::new("");
    room.minutes(13 * 60, |_| vec![("a1", Quantity::Temperature, 21.0), ("a1", Quantity::Humidity, 100.0)]);
    assert!(!room.raised(AlarmKind::SensorStuck).is_empty());
}

/// Speed of sound in dry air by CoolProp 8.0.0 (tests/reference/speed_of_sound.csv): what a
/// gauge that reckons with 20 °C says of water 400 mm away.
fn echo_of_400_mm(warm: bool) -> f64 {
    let (at_20, at_25) = (343.344, 346.251);
    if warm { 400.0 * at_20 / at_25 } else { 400.0 }
}

/// Two days of a lit day at 25 °C and a night at 20 °C over water that nobody draws.
fn two_days(room: &mut Room) -> (f64, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for half in 0..4 {
        let warm = half % 2 == 1;
        // An hour for the minute mean to follow is more than it needs.
        room.minutes(12 * 60, |minute| {
            let mut events = air("a1", 0, if warm { 25.0 } else { 20.0 }, 55.0).to_vec();
            let ripple = (minute % 3) as f64 * 0.15 - 0.15;
            events.push(("tank", Quantity::Distance, echo_of_400_mm(warm) + ripple));
            events
        });
        let litres = room.now().reservoirs[0].usable.expect("a level");
        (low, high) = (low.min(litres), high.max(litres));
    }
    (low, high)
}

#[test]
fn a_warm_day_over_still_water_draws_nothing_where_the_echo_is_corrected() {
    let mut corrected = Room::new(&tank(", temperature_from = \"a1\""));
    let (low, high) = two_days(&mut corrected);
    assert!(high - low < 0.1, "{low} to {high} L");
    // 200 mm of water, less the 20 mm below the pump inlet.
    assert!((high - 180.0 * 0.24).abs() < 0.1, "{high} L");
    let mut taken_as_it_comes = Room::new(&tank(""));
    let (low, high) = two_days(&mut taken_as_it_comes);
    assert!((high - low - 0.81).abs() < 0.05, "3.4 mm of a quarter litre: {} L", high - low);
}

#[test]
fn an_echo_whose_air_is_not_known_is_taken_as_it_comes_and_said_to_be_so() {
    let mut room = Room::new(&tank(", temperature_from = \"a1\", gauge_assumes = \"68 F\""));
    let echo = |_: i64| vec![("tank", Quantity::Distance, echo_of_400_mm(true))];
    let first = room.minutes(1, echo);
    assert_eq!((first[0].flag, first[0].reason), (Flag::Suspect, Some(Doubt::Uncorrected)));
    room.minutes(3, |minute| [air("a1", minute, 25.0, 55.0).to_vec(), echo(0)].concat());
    let known = room.minutes(30, echo);
    assert_eq!((known[0].flag, known[0].reason), (Flag::Good, None), "half an hour old is good enough");
    assert!((known[0].believed.expect("believed").value() - 200.0 * 0.24).abs() < 0.02, "{known:?}");
    let lost = room.minutes(2, echo);
    assert_eq!(lost[0].reason, Some(Doubt::Uncorrected));
    assert!((lost[0].believed.expect("believed").value() - 203.36 * 0.24).abs() < 0.02, "{lost:?}");
    assert!(room.sensor("tank").uncorrected);
    room.minutes(60, echo);
    let reported = room.engine.digest_facts(false).sensors;
    assert!(reported.iter().any(|sensor| sensor.id == "tank" && sensor.uncorrected_hours > 0.9), "{reported:?}");
    room.minutes(3, |minute| [air("a1", minute, 25.0, 55.0).to_vec(), echo(0)].concat());
    assert!(!room.sensor("tank").uncorrected);
}

#[test]
fn an_echo_that_comes_late_is_taken_as_it_came() {
    let mut room = Room::new(&tank(", temperature_from = \"a1\""));
    room.minutes(3, |minute| air("a1", minute, 25.0, 55.0).to_vec());
    let tank = room.config.rules.reservoirs[0].channel;
    let then = Some(room.now - TimeDelta::hours(3));
    let raw = RawReading::new(tank, echo_of_400_mm(true), then, false).expect("a number");
    let late = room.happens(What::Reading(raw));
    assert_eq!((late[0].flag, late[0].reason), (Flag::Suspect, Some(Doubt::Late)));
    assert!((late[0].believed.expect("it fills the history").value() - 203.36 * 0.24).abs() < 0.02, "{late:?}");
}

#[test]
fn what_a_gauge_may_be_off_by_is_told_in_litres_where_the_water_stands() {
    let mut room = Room::new(&tank(", accuracy = 5"));
    room.minutes(3, |_| vec![("tank", Quantity::Distance, 400.0)]);
    let off = room.now().reservoirs[0].usable_accuracy.expect("a level");
    assert!((off - 1.2).abs() < 1e-6, "5 mm of a quarter litre: {off}");
    // A drum on its side, half full, is as wide as it gets: 5 mm of 400 by 800 mm.
    let drum = tank("").replace(
        "kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"500 mm\"",
        "kind = \"lying-cylinder\", diameter = \"400 mm\", length = \"800 mm\"",
    );
    let mut room = Room::new(&drum);
    room.minutes(3, |_| vec![("tank", Quantity::Distance, 400.0)]);
    let half = room.now().reservoirs[0].usable_accuracy.expect("a level");
    room.minutes(10, |_| vec![("tank", Quantity::Distance, 560.0)]);
    let low = room.now().reservoirs[0].usable_accuracy.expect("a level");
    // At 40 mm it is 240 mm wide: twice the root of 200² - 160².
    assert!((half - 1.6).abs() < 0.01 && (low - 0.96).abs() < 0.06, "{half} {low}");
}

#[test]
fn a_probe_on_a_window_tells_of_the_window_and_not_of_the_air() {
    let mut room = Room::new(WINDOW);
    let events = |pane: f64| {
        move |minute| [air("a1", minute, 22.0, 60.0).to_vec(), vec![("pane", Quantity::Temperature, pane)]].concat()
    };
    room.minutes(120, events(16.0));
    let place = &room.now().places[0];
    assert!((place.temperature.expect("air") - 22.06).abs() < 0.2, "{place:?}");
    let window = place.surfaces[0].surface.expect("both are heard");
    // condensation.csv: 16 °C in 22 °C and 60 % stands 2.11 K above the dew point, at 87 %.
    assert!((window.margin - 2.1143).abs() < 0.15 && window.is_damp() && !window.condenses(), "{window:?}");
    assert!(room.raised(AlarmKind::Condensation).is_empty());
    room.minutes(240, events(12.0));
    let raised = room.raised(AlarmKind::Condensation);
    assert_eq!(raised.len(), 1, "{raised:?}");
    // What drips on leaves keeps them wet: harm from when they were so for as long as infection needs.
    let needed = place.mold.expect("a tray in light").needed.expect("22 °C suits the fungus");
    let wet_for = (raised[0].harm.expect("a probe knows").early - raised[0].since).num_minutes() as f64 / 60.0;
    // The early time is a little before what is published, as leaves are looked at every ten minutes.
    assert!((wet_for - 0.95 * needed).abs() < 0.2 && needed > 4.0, "{wet_for} {needed}");
    let day = &room.engine.digest_facts(false).places[0].surfaces[0];
    assert!((day.hours_wet - 4.0).abs() < 0.1 && (day.hours_damp - 6.0).abs() < 0.1, "{day:?}");
    assert!(room.raised(AlarmKind::SensorDrift).is_empty(), "a window is no sister of the air");
    // Without the window's probe the same air is dry enough for the assumed cold spot.
    let mut blind = Room::new("");
    blind.minutes(360, |minute| air("a1", minute, 22.0, 60.0).to_vec());
    assert!(blind.raised(AlarmKind::Condensation).is_empty());
}

#[test]
fn the_air_is_blind_without_its_own_sensor_whatever_the_window_says() {
    let mut room = Room::new(WINDOW);
    let pane = ("pane", Quantity::Temperature, 16.0);
    room.minutes(60, |minute| [air("a1", minute, 22.0, 60.0).to_vec(), vec![pane]].concat());
    room.minutes(30, |_| vec![pane]);
    let silent = room.raised(AlarmKind::SensorSilent);
    assert!(silent[0].harm.is_some(), "{silent:?}");
    assert_eq!(room.now().places[0].temperature, None);
}

#[test]
fn harm_may_begin_the_sooner_the_less_a_sensor_is_good_for() {
    let early = |accuracy: f64| {
        let site = SITE.replace(
            "{ pointer = \"/t\", unit = \"Cel\" }",
            &format!("{{ pointer = \"/t\", unit = \"Cel\", accuracy = {accuracy} }}"),
        );
        let mut room = Room::of(&site);
        room.minutes(90, |minute| air("a1", minute, 30.0, 50.0).to_vec());
        let warm = room.raised(AlarmKind::AirTooWarm);
        warm[0].harm.expect("a dose runs").early
    };
    let (poor, usual, good) = (early(2.0), early(0.5), early(0.1));
    assert!(poor < usual && usual < good, "{poor} {usual} {good}");
}

#[test]
fn a_tank_that_feeds_a_room_knows_of_the_waterings_of_the_racks_in_it() {
    let left = |feeds: &str| {
        let rack = SITE.replace("name = \"Rack A\"", "name = \"Rack A\"\ninside = \"room\"\n[[place]]\nid = \"room\"");
        let mut room = Room::of(&format!("{rack}{}feeds = [\"{feeds}\"]\n", tank("")));
        // Still for four hours; then a round of 40 minutes takes 4 L, logged tray by tray.
        let level = |minute: i64| vec![("tank", Quantity::Distance, 200.0 + minute as f64 * 0.4)];
        room.minutes(240, |minute| level(minute % 2));
        for part in 0..4 {
            let did = Did::Water {
                target: traywarden::journal::Target { tray: Some("K12".into()), place: None },
                ml_per_tray: Some(250.0),
            };
            room.happens(What::Journal { number: 2 + part, entry: Entry { at: None, by: None, did } });
            room.minutes(10, |minute| level(part * 10 + minute));
        }
        room.minutes(120, |minute| level(40 + minute % 2));
        room.now().reservoirs[0].clone()
    };
    assert_eq!(left("room"), left("rack-a"));
}
