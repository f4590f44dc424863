//! The stories of Saltmarsh Lane: calm weeks and bad nights, each with what
//! ought to be noticed. One seed each, drawn once and not chosen by result.
//! How a story is played is in `story`.

use super::people::Habits;
use super::plan::{Breakage, Broken, Outside, PlacePlan, PlannedLot, RoomPlan, TIME_ZONE, TankPlan};
use super::room::TrueAir;
use super::sensors::{Ailment, Device, Measures, SensorTrouble};
use super::story::{Expected, Must, Never, Story, TrueHarm};
use crate::engine::alarm::AlarmKind::{self, *};
use crate::units::Timestamp;
use chrono::{Datelike, TimeDelta, TimeZone};

/// Every story, calm ones first.
pub fn all() -> Vec<Story> {
    let mut stories = calm();
    stories.extend(bad_air());
    stories.extend(bad_water());
    stories.extend(bad_sensors());
    stories.extend(looks_bad());
    stories
}

/// The story with this name.
pub fn named(name: &str) -> Option<Story> {
    all().into_iter().chain([demo()]).find(|story| story.name == name)
}

/// The two nights of the `demo` verb: Rack B's fan stops at 23:00 on the first,
/// on the second the tank runs toward empty before anybody comes.
pub fn demo() -> Story {
    let starts_at = local(2026, 3, 3, 17, 0);
    let mut story = base("demo", "Two nights: a fan stops, a sensor sleeps, the tank runs low.", 0x5a17, starts_at, 39);
    // Whatever broker ever hears them, they are nobody's real readings.
    for device in &mut story.devices {
        device.topic = device.topic.replacen("loft/", "demo/", 1);
    }
    story.habits.refill_every_days = 0;
    story.plan.tank.litres = 13.05;
    story.breakages = vec![breaks(Broken::Fan("rack-b".into()), local(2026, 3, 3, 23, 0), local(2026, 3, 4, 7, 12))];
    story.trouble("rack-a-air", Ailment::Silent, local(2026, 3, 4, 14, 0), local(2026, 3, 4, 16, 30));
    story.expected = Expected {
        harm: Some(TrueHarm::TankAtInlet),
        must: vec![
            due(&[AirTooDamp, MoldPressure], local(2026, 3, 3, 23, 0), local(2026, 3, 4, 3, 0)).wakes(),
            due(&[SensorSilent], local(2026, 3, 4, 14, 0), local(2026, 3, 4, 15, 30)).about("rack-a-air"),
            due(&[ReservoirLow, ReservoirEmpty], starts_at, local(2026, 3, 5, 3, 30)).about("tank").wakes(),
        ],
        never: vec![never_about(AirTooDamp, "rack-a"), never(AirTooCold), never(ReservoirLeak)],
        nobody_woken: false,
    };
    story
}

fn calm() -> Vec<Story> {
    let starts_at = local(2026, 3, 3, 17, 0);
    let mut week =
        base("calm-week", "Nothing breaks; two racks, every stage, the tank filled in time.", 101, starts_at, 168);
    week.quiet(&AlarmKind::ALL);
    let mut untold = base("calm-week-untold", "The same, and nobody tells the journal.", 102, starts_at, 168);
    untold.habits.keeps_journal = false;
    untold.quiet(&AlarmKind::ALL);
    let mut spring = base("spring-forward", "A calm night with 02:00 missing.", 103, local(2026, 3, 7, 17, 0), 40);
    spring.quiet(&AlarmKind::ALL);
    let mut autumn = base("fall-back", "A calm night with 01:00 twice.", 104, local(2026, 10, 31, 17, 0), 40);
    autumn.quiet(&AlarmKind::ALL);
    vec![week, untold, spring, autumn]
}

fn bad_air() -> Vec<Story> {
    let evening = local(2026, 3, 3, 17, 0);
    let mut fan_22 = base("fan-out-at-22", "Rack B's fan stops as the lights go out.", 201, evening, 16);
    fan_22.breakages = vec![breaks(Broken::Fan("rack-b".into()), local(2026, 3, 3, 22, 0), local(2026, 3, 4, 7, 15))];
    fan_22.expected = Expected {
        // As long as the published requirement of its trays' own model (6 h at 90 % and more).
        harm: Some(TrueHarm::DampFor(1, 90.0, 6)),
        must: vec![due(&[MoldPressure], local(2026, 3, 3, 22, 0), local(2026, 3, 4, 5, 30)).wakes()],
        never: vec![never_about(AirTooDamp, "rack-a"), never(ReservoirLeak), never(SensorSilent), never(SensorStuck)],
        nobody_woken: false,
    };
    let mut fan_02 =
        base("fan-out-at-02", "Rack B's fan stops in the small hours; the round is near.", 202, evening, 16);
    fan_02.breakages = vec![breaks(Broken::Fan("rack-b".into()), local(2026, 3, 4, 2, 0), local(2026, 3, 4, 7, 15))];
    fan_02.expected = Expected {
        harm: None,
        must: vec![due(&[AirTooDamp, MoldPressure, Condensation], local(2026, 3, 4, 2, 0), local(2026, 3, 4, 7, 0))],
        never: vec![never_about(AirTooDamp, "rack-a"), never(ReservoirLeak), never(SensorSilent), never(SensorStuck)],
        nobody_woken: false,
    };
    let mut cold =
        base("heater-out-winter", "The heater dies on a hard winter night.", 203, local(2026, 1, 14, 17, 0), 16);
    cold.plan.outside.mean = -4.0;
    cold.breakages = vec![breaks(Broken::Heater, local(2026, 1, 14, 20, 0), local(2026, 1, 15, 7, 30))];
    cold.expected = Expected {
        // Warm-loving seedlings are chilled below 8 °C (from memory); a few hours at 12 °C only slow them.
        harm: Some(TrueHarm::AirBelow(0, 8.0)),
        must: vec![due(&[AirTooCold], local(2026, 1, 14, 20, 0), local(2026, 1, 15, 4, 30)).wakes()],
        never: vec![never(AirTooWarm), never(ReservoirLeak), never(SensorStuck), never(SensorSilent)],
        nobody_woken: false,
    };
    let mut hot = base(
        "lights-stuck-hot-night",
        "The cooler dies and the lights stay on, in July.",
        204,
        local(2026, 7, 20, 17, 0),
        16,
    );
    let (from, until) = (local(2026, 7, 20, 21, 0), local(2026, 7, 21, 7, 30));
    hot.breakages = vec![
        breaks(Broken::Cooler, from, until),
        breaks(Broken::LightsStuckOn("rack-a".into()), from, until),
        breaks(Broken::LightsStuckOn("rack-b".into()), from, until),
    ];
    hot.expected = Expected {
        harm: Some(TrueHarm::AirAbove(0, 31.0)),
        must: vec![due(&[AirTooWarm], from, local(2026, 7, 21, 4, 15)).wakes()],
        never: vec![never(AirTooCold), never(ReservoirLeak), never(SensorStuck), never(SensorSilent)],
        nobody_woken: false,
    };
    let mut day = base("fan-out-by-day", "Rack A's fan stops under full light.", 205, local(2026, 3, 4, 5, 0), 15);
    // Lamps enough to harm what grows under them without the fan.
    day.plan.places[0].light_watts *= 1.4;
    day.breakages = vec![breaks(Broken::Fan("rack-a".into()), local(2026, 3, 4, 10, 0), local(2026, 3, 4, 19, 10))];
    day.expected = Expected {
        harm: Some(TrueHarm::AirAbove(0, 32.0)),
        must: vec![due(&[AirTooWarm], local(2026, 3, 4, 10, 0), local(2026, 3, 4, 12, 50)).wakes()],
        never: vec![never_about(AirTooWarm, "rack-b"), never(AirTooCold), never(ReservoirLeak), never(SensorStuck)],
        nobody_woken: false,
    };
    vec![fan_22, fan_02, cold, hot, day]
}

fn bad_water() -> Vec<Story> {
    let evening = local(2026, 3, 3, 17, 0);
    let mut slow = base("slow-leak", "A fitting weeps half a litre an hour.", 301, evening, 40);
    slow.habits.refill_every_days = 0;
    slow.plan.tank.litres = 32.0;
    slow.breakages = vec![breaks(Broken::Leak(0.5), local(2026, 3, 3, 20, 0), local(2026, 3, 5, 9, 0))];
    slow.expected = Expected {
        harm: Some(TrueHarm::LitresLost(10.0)),
        must: vec![due(&[ReservoirLeak], local(2026, 3, 3, 20, 0), local(2026, 3, 4, 20, 0)).about("tank")],
        never: air().chain([never(SensorStuck), never(SensorSilent)]).collect(),
        nobody_woken: false,
    };
    let mut fast = base("fast-leak", "A hose comes off at 23:00: two and a half litres an hour.", 302, evening, 15);
    fast.habits.refill_every_days = 0;
    fast.plan.tank.litres = 28.0;
    fast.breakages = vec![breaks(Broken::Leak(2.5), local(2026, 3, 3, 23, 0), local(2026, 3, 4, 8, 0))];
    fast.expected = Expected {
        harm: Some(TrueHarm::LitresLost(5.0)),
        must: vec![due(&[ReservoirLeak], local(2026, 3, 3, 23, 0), local(2026, 3, 4, 0, 55)).about("tank").wakes()],
        never: air().chain([never(SensorStuck), never(SensorSilent)]).collect(),
        nobody_woken: false,
    };
    let from = local(2026, 3, 2, 12, 0);
    let mut dry =
        base("tank-dry-overnight", "Nobody filled the tank; it reaches the inlet in the small hours.", 303, from, 45);
    dry.habits.refill_every_days = 0;
    dry.plan.tank.litres = 13.95;
    dry.expected = Expected {
        harm: Some(TrueHarm::TankAtInlet),
        must: vec![due(&[ReservoirLow, ReservoirEmpty], from, local(2026, 3, 4, 2, 0)).about("tank").wakes()],
        never: [AirTooWarm, AirTooCold, AirTooDamp, ReservoirLeak, SensorStuck, SensorSilent].map(never).into(),
        nobody_woken: false,
    };
    let mut float = base("stuck-float", "The gauge stands still while pump and plants draw.", 304, evening, 40);
    float.habits.refill_every_days = 0;
    float.trouble("tank", Ailment::Stuck, local(2026, 3, 3, 18, 0), local(2026, 3, 5, 9, 0));
    float.expected = Expected {
        harm: None,
        must: vec![due(&[SensorStuck], local(2026, 3, 3, 18, 0), local(2026, 3, 4, 19, 0)).about("tank")],
        never: air().chain([never(ReservoirLeak)]).collect(),
        nobody_woken: false,
    };
    vec![slow, fast, dry, float]
}

fn bad_sensors() -> Vec<Story> {
    let evening = local(2026, 3, 3, 17, 0);
    let morning = local(2026, 3, 4, 9, 0);
    let mut one =
        base("one-of-two-silent", "One of Rack A's two sensors dies; the other watches on.", 401, evening, 16);
    one.second_sensor();
    one.trouble("rack-a-air-2", Ailment::Silent, local(2026, 3, 3, 21, 0), morning);
    one.expected = Expected {
        must: vec![due(&[SensorSilent], local(2026, 3, 3, 21, 0), local(2026, 3, 4, 7, 0)).about("rack-a-air-2")],
        never: air().chain(water()).chain([never_about(SensorSilent, "rack-a-air"), never(SensorDrift)]).collect(),
        nobody_woken: true,
        ..Default::default()
    };
    let mut only =
        base("only-sensor-silent-evening", "Rack B's only sensor dies with the whole night ahead.", 402, evening, 16);
    only.trouble("rack-b-air", Ailment::Silent, local(2026, 3, 3, 20, 30), morning);
    only.expected = Expected {
        must: vec![
            // The evening letter tells it; one sensor that is silent in good air wakes nobody.
            due(&[SensorSilent], local(2026, 3, 3, 20, 30), local(2026, 3, 3, 21, 0)).about("rack-b-air"),
        ],
        never: air().chain(water()).chain([never_about(SensorSilent, "rack-a-air")]).collect(),
        ..Default::default()
    };
    let mut late = base("only-sensor-silent-late", "Rack B's only sensor dies after midnight.", 403, evening, 16);
    late.trouble("rack-b-air", Ailment::Silent, local(2026, 3, 4, 0, 40), morning);
    late.expected = Expected {
        must: vec![due(&[SensorSilent], local(2026, 3, 4, 0, 40), local(2026, 3, 4, 7, 0)).about("rack-b-air")],
        never: air().chain(water()).chain([never_about(SensorSilent, "rack-a-air")]).collect(),
        ..Default::default()
    };
    let mut none = base("all-sensors-silent", "Every sensor falls silent at 22:00.", 404, evening, 16);
    for id in ["rack-a-air", "rack-b-air", "tank"] {
        none.trouble(id, Ailment::Silent, local(2026, 3, 3, 22, 0), morning);
    }
    none.expected = Expected {
        // Until the morning that is a router far more often than harm: the digest tells it.
        must: vec![due(&[SensorSilent, BrokerLost], local(2026, 3, 3, 22, 0), local(2026, 3, 4, 2, 0))],
        never: air().chain(water()).collect(),
        ..Default::default()
    };
    let mut garbage = base("garbage-all-night", "Rack A's sensor sends nothing but garbage.", 405, evening, 16);
    garbage.trouble("rack-a-air", Ailment::Garbage { one_in: 1 }, local(2026, 3, 3, 20, 0), morning);
    garbage.expected = Expected {
        must: vec![
            due(&[SensorSilent, SensorImplausible], local(2026, 3, 3, 20, 0), local(2026, 3, 3, 23, 0))
                .about("rack-a-air"),
        ],
        never: air().chain(water()).collect(),
        ..Default::default()
    };
    let drift_from = local(2026, 3, 4, 0, 0);
    let mut drift =
        base("drifting-sister", "One of Rack A's two sensors reads damper by 4 % a day.", 406, evening, 144);
    drift.second_sensor();
    drift.trouble("rack-a-air-2", Ailment::Drift { temperature: 0.0, humidity: 4.0 }, drift_from, drift.ends_at());
    drift.expected = Expected {
        must: vec![due(&[SensorDrift], drift_from, local(2026, 3, 9, 0, 0))],
        never: water().chain([never(AirTooCold), never(AirTooDry), never(SensorSilent)]).collect(),
        nobody_woken: true,
        ..Default::default()
    };
    vec![one, only, late, none, garbage, drift]
}

/// Nights that look bad to a plain threshold and are not.
fn looks_bad() -> Vec<Story> {
    let evening = local(2026, 3, 3, 17, 0);
    let morning = local(2026, 3, 4, 9, 0);
    let (out, back) = (local(2026, 3, 4, 1, 0), local(2026, 3, 4, 4, 0));
    let mut backlog = base(
        "late-backlog",
        "No link from 01:00 to 04:00; a fan stood meanwhile, and is well when the past arrives.",
        501,
        evening,
        16,
    );
    backlog.breakages = vec![breaks(Broken::Fan("rack-b".into()), local(2026, 3, 4, 1, 5), local(2026, 3, 4, 2, 30))];
    for device in &mut backlog.devices {
        device.stamped = device.id == "rack-b-air";
    }
    for id in ["rack-a-air", "rack-b-air", "tank"] {
        backlog.trouble(id, Ailment::Backlog, out, back);
        backlog.trouble(id, Ailment::FaultCodes { one_in: 20 }, out, back);
    }
    backlog.expected = Expected {
        must: vec![due(&[SensorSilent, BrokerLost], out, local(2026, 3, 4, 3, 30))],
        never: air().chain(water()).collect(),
        ..Default::default()
    };
    let mut spikes =
        base("spikes-and-fault-codes", "One reading in 25 is a spike, one in 40 a fault code.", 502, evening, 16);
    for id in ["rack-a-air", "rack-b-air", "tank"] {
        spikes.trouble(id, Ailment::Spikes { one_in: 25 }, evening, morning);
        spikes.trouble(id, Ailment::FaultCodes { one_in: 40 }, evening, morning);
    }
    spikes.expected =
        Expected { never: air().chain(water()).chain([never(SensorSilent)]).collect(), ..Default::default() };
    let mut covered =
        base("covered-at-98", "A dark shelf of covered trays at 98 %, as it should be.", 503, evening, 36);
    covered.nursery();
    covered.quiet(&AlarmKind::ALL);
    let mut forgotten = base("forgotten-under-cover", "Tray A2 should have come to the light.", 504, evening, 40);
    forgotten.habits.forgotten = vec!["A2".into()];
    forgotten.expected = Expected {
        must: vec![due(&[StageOverdue], local(2026, 3, 4, 7, 0), local(2026, 3, 5, 7, 0)).about("A2")],
        never: air().chain(water()).collect(),
        nobody_woken: true,
        ..Default::default()
    };
    let mut clock =
        base("sensor-clock-wrong", "One sensor's clock loses three hours, another's wakes in 1976.", 505, evening, 16);
    for device in &mut clock.devices {
        device.stamped = device.id != "tank";
    }
    clock.trouble("rack-a-air", Ailment::ClockOff(TimeDelta::hours(-3)), local(2026, 3, 3, 20, 0), morning);
    clock.trouble("rack-b-air", Ailment::ClockOff(TimeDelta::days(-18_262)), local(2026, 3, 3, 20, 0), morning);
    clock.expected = Expected { never: air().chain(water()).collect(), ..Default::default() };
    let mut door =
        base("door-open-at-round", "The door stands open for ten minutes at the evening round.", 506, evening, 16);
    door.breakages = vec![breaks(Broken::Door, local(2026, 3, 3, 19, 3), local(2026, 3, 3, 19, 13))];
    door.quiet(&AlarmKind::ALL);
    let mut misting =
        base("misting", "Both racks are misted at the rounds; the air is damp for minutes.", 507, evening, 40);
    misting.habits.mists = vec!["rack-a".into(), "rack-b".into()];
    misting.quiet(&AlarmKind::ALL);
    let mut held = base(
        "held-and-twice",
        "The broker hands out a value nine days old, then everything comes twice.",
        508,
        evening,
        16,
    );
    held.trouble("rack-a-air", Ailment::Held(TrueAir { temperature: 34.5, humidity: 95.5 }), evening, morning);
    for id in ["rack-a-air", "rack-b-air", "tank"] {
        held.trouble(id, Ailment::Twice, evening, morning);
    }
    held.quiet(&AlarmKind::ALL);
    vec![backlog, spikes, covered, forgotten, clock, door, misting, held]
}

impl Story {
    fn trouble(&mut self, device: &str, what: Ailment, from: Timestamp, until: Timestamp) {
        for device in self.devices.iter_mut().filter(|d| d.id == device) {
            device.troubles.push(SensorTrouble { from, until, what: what.clone() });
        }
    }

    fn quiet(&mut self, kinds: &[AlarmKind]) {
        self.expected.never = kinds.iter().copied().map(never).collect();
        self.expected.nobody_woken = true;
    }

    fn second_sensor(&mut self) {
        self.devices.push(air_sensor("rack-a-air-2", "loft/rack-a/air-2", 0));
    }

    /// A dark shelf where covered trays stand in still, wet air.
    fn nursery(&mut self) {
        self.plan.places.push(PlacePlan {
            id: "nursery".into(),
            light_watts: 0.0,
            light_from: 0.0,
            light_until: 0.0,
            fan_flow: 0.0,
            gap_flow: 0.03,
            watered: false,
        });
        self.devices.push(air_sensor("nursery-air", "loft/nursery/air", 2));
        for (tray, age) in [("C1", 1), ("C2", 2)] {
            let mut lot = lot(tray, "nursery", "broccoli", age, self.starts_at);
            lot.count = 8;
            self.plan.lots.push(lot);
        }
    }
}

impl Must {
    fn about(mut self, subject: &str) -> Must {
        self.subject = Some(subject.to_owned());
        self
    }

    fn wakes(mut self) -> Must {
        self.wakes = true;
        self
    }
}

/// Two racks and a tank, nothing wrong, no expectation.
fn base(name: &'static str, about: &'static str, seed: u64, starts_at: Timestamp, hours: i64) -> Story {
    let rack = |id: &str| PlacePlan {
        id: id.to_owned(),
        light_watts: 240.0,
        light_from: 6.0,
        light_until: 22.0,
        fan_flow: 200.0,
        gap_flow: 2.5,
        watered: true,
    };
    let lots = [
        ("A1", "rack-a", "broccoli", 1),
        ("A2", "rack-a", "kale", 3),
        ("A3", "rack-a", "radish", 5),
        ("A4", "rack-a", "broccoli", 6),
        ("A5", "rack-a", "kale", 9),
        ("B1", "rack-b", "radish", 2),
        ("B2", "rack-b", "broccoli", 4),
        ("B3", "rack-b", "kale", 5),
        ("B4", "rack-b", "broccoli", 8),
        ("B5", "rack-b", "kale", 10),
    ];
    Story {
        name,
        about,
        seed,
        starts_at,
        span: TimeDelta::hours(hours),
        plan: RoomPlan {
            outside: season(starts_at.with_timezone(&TIME_ZONE).month()),
            heater_watts: 2500.0,
            cooler_watts: 3500.0,
            thermostat: 21.0,
            humidistat: 52.0,
            places: vec![rack("rack-a"), rack("rack-b")],
            tank: TankPlan { length: 400.0, width: 300.0, height: 300.0, pump_inlet: 20.0, litres: 26.0 },
            lots: lots.map(|(tray, place, crop, age)| lot(tray, place, crop, age, starts_at)).into(),
        },
        devices: vec![
            air_sensor("rack-a-air", "loft/rack-a/air", 0),
            air_sensor("rack-b-air", "loft/rack-b/air", 1),
            Device {
                id: "tank".into(),
                topic: "loft/tank/distance".into(),
                measures: Measures::Distance(350),
                every: TimeDelta::seconds(60),
                stamped: false,
                troubles: Vec::new(),
            },
        ],
        breakages: Vec::new(),
        habits: Habits::default(),
        expected: Expected::default(),
    }
}

fn air_sensor(id: &str, topic: &str, place: usize) -> Device {
    Device {
        id: id.to_owned(),
        topic: topic.to_owned(),
        measures: Measures::TrueAir(place),
        every: TimeDelta::seconds(30),
        stamped: false,
        troubles: Vec::new(),
    }
}

/// Sown at about half past seven, `age` days before the story; in light from day four on.
fn lot(tray: &str, place: &str, crop: &str, age: i64, starts_at: Timestamp) -> PlannedLot {
    let day = starts_at.with_timezone(&TIME_ZONE).date_naive() - TimeDelta::days(age);
    let sown = |day: chrono::NaiveDate| local(day.year(), day.month(), day.day(), 7, 20);
    let lit_at = (age >= 4).then(|| sown(day + TimeDelta::days(4)));
    let lit_at = lit_at.filter(|at| *at <= starts_at);
    PlannedLot {
        tray: tray.into(),
        place: place.into(),
        crop: crop.into(),
        count: 4,
        sown_at: sown(day),
        lit_at,
        water_ml: 700.0,
    }
}

/// Mean and swing by month for an inland northern town; rounded, from memory.
fn season(month: u32) -> Outside {
    let mean = match month {
        12 | 1 | 2 => -2.0,
        3 => 4.0,
        4 | 10 | 11 => 10.0,
        5 | 9 => 17.0,
        _ => 27.0,
    };
    Outside { mean, swing: 5.0, humidity: 68.0 }
}

fn local(year: i32, month: u32, day: u32, hour: u32, minute: u32) -> Timestamp {
    let local = TIME_ZONE.with_ymd_and_hms(year, month, day, hour, minute, 0);
    local.earliest().expect("the stories use no hour that summer time skips").to_utc()
}

fn breaks(what: Broken, from: Timestamp, until: Timestamp) -> Breakage {
    Breakage { from, until, what }
}

fn due(any_of: &[AlarmKind], not_before: Timestamp, by: Timestamp) -> Must {
    Must { any_of: any_of.to_vec(), subject: None, not_before, by, wakes: false }
}

fn never(kind: AlarmKind) -> Never {
    Never { kind, subject: None }
}

fn never_about(kind: AlarmKind, subject: &str) -> Never {
    Never { kind, subject: Some(subject.to_owned()) }
}

/// Nothing is wrong with the air.
fn air() -> impl Iterator<Item = Never> {
    [AirTooWarm, AirTooCold, AirTooDamp, AirTooDry, Condensation, MoldPressure].map(never).into_iter()
}

/// Nothing is wrong with the water.
fn water() -> impl Iterator<Item = Never> {
    [ReservoirLow, ReservoirEmpty, ReservoirLeak].map(never).into_iter()
}
