//! Sample letters of an invented site.

use super::sample_alarms::{air, at, every_kind, rules, tank_low};
use super::*;
use crate::engine::alarm::account::KindAccount;
use crate::engine::alarm::{AlarmKind, AlarmState, Evidence, Harm, Priority};
use crate::engine::event::Occasion;
use crate::engine::letters::digest::{
    DigestFacts, Due, PlaceDay, ReservoirDay, SensorDay, SurfaceDay, TrayDay, WaterDue,
};
use crate::engine::letters::situation::{Situation, grouped};
use crate::engine::watch::trays::harvests::{Cut, ExpectedYield};
use crate::engine::watch::trays::thermal::Warmth;
use crate::engine::watch::trays::tray::Stage;
use crate::journal::Loss;
use crate::reading::Quantity;
use crate::units::UnitSystem;

pub(super) fn facts(kind: LetterKind, alarms: Vec<(Occasion, AlarmChange)>) -> LetterFacts {
    let at = alarms.iter().map(|(_, change)| change.at).max().unwrap_or(at("2026-03-03T22:10"));
    let situations = grouped(&rules(UnitSystem::Metric), alarms);
    LetterFacts { id: "letter-1".into(), at, kind, answers: None, situations, no_longer: vec![], digest: None }
}

pub(super) fn later(mut change: AlarmChange, at: Timestamp, state: AlarmState) -> AlarmChange {
    change.before = change.state;
    change.state = state;
    change.at = at;
    change
}

fn together(occasion: Occasion, alarms: Vec<AlarmChange>) -> Vec<Situation> {
    grouped(&rules(UnitSystem::Metric), alarms.into_iter().map(|change| (occasion, change)))
}

/// Three faces of one damp air, and a tank.
fn standing_in_the_morning() -> Vec<AlarmChange> {
    let at = at("2026-03-04T06:30");
    let faces = every_kind().into_iter().filter(|change| {
        matches!(change.key.kind, AlarmKind::AirTooDamp | AlarmKind::Condensation | AlarmKind::MoldPressure)
    });
    faces.chain([tank_low()]).map(|change| later(change, at, AlarmState::Unacknowledged)).collect()
}

fn warm_calls() -> KindAccount {
    KindAccount { kind: AlarmKind::AirTooWarm, calls: 4, right: 0, wrong: 3, answered_after_minutes: Some(11) }
}

fn digest(busy: bool) -> LetterFacts {
    let place = |id: &str, name: &str, hours_damp: f64| PlaceDay {
        id: id.into(),
        name: name.into(),
        temperature: Some((19.8, 21.4, 23.2)),
        humidity: Some((51.0, 58.2, 66.0 + hours_damp * 6.0)),
        vpd: Some((0.81, 1.07, 1.32)),
        vpd_accuracy: Some(0.08),
        hours_warm: 0.0,
        hours_cold: 0.0,
        hours_damp,
        hours_dry: 0.0,
        hours_known: if busy { 21.5 } else { 24.0 },
        band: [Some(18.0), Some(24.0), Some(40.0), Some(70.0)],
        empty: false,
        surfaces: if hours_damp > 0.0 {
            vec![SurfaceDay { on: "window".into(), hours_wet: 2.5, hours_damp: 7.0 }]
        } else {
            vec![]
        },
    };
    let tray = |tray: &str, count, crop: &str, place: &str, stage, day, due: Vec<(Due, Timestamp)>| TrayDay {
        tray: tray.into(),
        count,
        crop: crop.into(),
        place: place.into(),
        stage,
        day,
        due,
        overdue: None,
        unseen_since: None,
        warmth: Warmth::default(),
        expected: ExpectedYield { from: 350.0 * f64::from(count), to: 550.0 * f64::from(count), own_cuts: 0 },
    };
    let cut = |tray: &str, trays, grams| Cut {
        tray: tray.into(),
        crop: "radish".into(),
        trays,
        grams,
        at: at("2026-03-03T17:00"),
        reported_at: at("2026-03-03T17:02"),
    };
    let over = later(
        air(AlarmKind::AirTooDamp, Quantity::Humidity, 66.0, 70.0, 86.0),
        at("2026-03-04T01:30"),
        AlarmState::ReturnedUnacknowledged,
    );
    let day = DigestFacts {
        date: chrono::NaiveDate::from_ymd_opt(2026, 3, 4).unwrap(),
        from: at("2026-03-03T06:30"),
        until: at("2026-03-04T06:30"),
        late: busy,
        places: vec![
            place("rack-a", "Rack A", if busy { 3.2 } else { 0.0 }),
            PlaceDay { band: [Some(16.0), None, None, Some(75.0)], ..place("rack-b", "Rack B", 0.0) },
        ],
        reservoirs: vec![ReservoirDay {
            id: "tank".into(),
            name: "Tank".into(),
            usable: Some(14.2),
            at_the_inlet: false,
            usable_accuracy: Some(0.9),
            percent: Some(61.0),
            drawn: 8.1,
            added: if busy { 18.0 } else { 0.0 },
            empty_at: Some((at("2026-03-05T22:00"), at("2026-03-05T17:00"), at("2026-03-06T05:00"))),
            unshown_since: busy.then(|| at("2026-03-03T07:20")),
        }],
        no_journal: false,
        trays: vec![
            tray("K12", 4, "broccoli", "Rack B", Stage::Blackout, 3, vec![(Due::Light, at("2026-03-04T08:00"))]),
            tray("P3", 1, "pea", "Rack A", Stage::Light, 9, vec![(Due::Harvest, at("2026-03-05T08:00"))]),
            TrayDay {
                unseen_since: busy.then(|| at("2026-03-02T16:30")),
                warmth: Warmth { degree_hours: 600.0, planned_degree_hours: 800.0, known_hours: 48.0 },
                ..tray(
                    "R7",
                    2,
                    "radish",
                    "Rack B",
                    Stage::Germination,
                    1,
                    vec![(Due::Unweight, at("2026-03-05T08:00"))],
                )
            },
            TrayDay {
                overdue: busy.then(|| at("2026-03-02T08:00")),
                expected: ExpectedYield { from: 1600.0, to: 1720.0, own_cuts: 5 },
                ..tray("R2", 4, "radish", "Rack A", Stage::Ready, 12, vec![(Due::Harvest, at("2026-03-01T08:00"))])
            },
        ],
        water: Some(WaterDue { trays: 5, ml_each: (!busy).then_some(118.0), litres: 1.18 }),
        mist: if busy { 6 } else { 0 },
        cuts: if busy { vec![cut("R1", 2, Some(880.0)), cut("R0", 1, None)] } else { vec![] },
        losses: if busy { vec![(Loss::Mold, 3), (Loss::DampingOff, 1)] } else { vec![] },
        raised: if busy { together(Occasion::Returned, vec![over]) } else { vec![] },
        standing: if busy { together(Occasion::Waiting, standing_in_the_morning()) } else { vec![] },
        month_of_calls: if busy { vec![warm_calls()] } else { vec![] },
        doubted: if busy { vec![warm_calls()] } else { vec![] },
        sensors: if busy {
            vec![SensorDay {
                id: "rack-a-air".into(),
                place: "Rack A".into(),
                believed: 2511,
                refused: 42,
                reasons: vec![("fault-code", 40), ("spike", 2)],
                silent_hours: 0.7,
                saturated_hours: 8.2,
                uncorrected_hours: 0.0,
            }]
        } else {
            vec![]
        },
        unwatched_hours: if busy { 1.8 } else { 0.0 },
        strays: if busy { 12 } else { 0 },
        astray: if busy { 2 } else { 0 },
        given_up: 0,
        lost_readings: if busy { 31 } else { 0 },
    };
    let mut facts = facts(LetterKind::Digest, vec![]);
    facts.at = at("2026-03-04T06:30");
    facts.digest = Some(Box::new(day));
    facts
}

pub(super) fn samples() -> Vec<(&'static str, LetterFacts, UnitSystem)> {
    let kind = |wanted: AlarmKind| every_kind().into_iter().find(|change| change.key.kind == wanted).unwrap();
    let one = |occasion, change| facts(LetterKind::Alarm, vec![(occasion, change)]);
    let mut waits = kind(AlarmKind::MoldPressure);
    waits.priority = Priority::NextRound;
    waits.at = at("2026-03-04T06:30");
    waits.harm =
        Some(Harm { early: at("2026-03-04T10:00"), likely: at("2026-03-04T14:00"), late: at("2026-03-04T20:00") });
    let mut overdue = kind(AlarmKind::StageOverdue);
    overdue.priority = Priority::NextRound;
    overdue.at = at("2026-03-04T06:30");
    overdue.harm = None;
    let mut drift = kind(AlarmKind::SensorDrift);
    drift.priority = Priority::NextRound;
    drift.at = at("2026-03-04T06:30");
    drift.harm = None;
    let first_cold = kind(AlarmKind::AirTooCold);
    let mut second_cold = first_cold.clone();
    second_cold.key.subject = "rack-b".into();
    if let Evidence::Air { place, .. } = &mut second_cold.evidence {
        *place = "Rack B".into();
    }
    let mut cold = facts(
        LetterKind::Alarm,
        vec![(Occasion::Reminder(1), first_cold.clone()), (Occasion::Waiting, second_cold.clone())],
    );
    let mut before = first_cold;
    before.at = at("2026-03-03T21:50");
    if let Evidence::Air { value, .. } = &mut before.evidence {
        *value += 2.0;
    }
    for situation in &mut cold.situations {
        situation.reported = vec![before.clone()];
    }
    let mut unheard = kind(AlarmKind::SensorSilent);
    if let Evidence::Silent { all, .. } = &mut unheard.evidence {
        *all = true;
    }
    let mut sudden = kind(AlarmKind::ReservoirLeak);
    if let Evidence::Leak { sudden_minutes, .. } = &mut sudden.evidence {
        *sudden_minutes = Some(3);
    }
    vec![
        ("tank low", one(Occasion::Raised, tank_low()), UnitSystem::Metric),
        ("tank low in US units", one(Occasion::Raised, tank_low()), UnitSystem::Us),
        (
            "tank low, second reminder",
            one(Occasion::Reminder(2), later(tank_low(), at("2026-03-04T02:45"), AlarmState::Unacknowledged)),
            UnitSystem::Metric,
        ),
        (
            "tank filled again",
            facts(
                LetterKind::Over,
                vec![(
                    Occasion::Returned,
                    later(tank_low(), at("2026-03-03T22:55"), AlarmState::ReturnedUnacknowledged),
                )],
            ),
            UnitSystem::Metric,
        ),
        ("too warm", one(Occasion::Raised, kind(AlarmKind::AirTooWarm)), UnitSystem::Us),
        ("mold conditions", one(Occasion::Escalated, kind(AlarmKind::MoldPressure)), UnitSystem::Metric),
        ("leak", one(Occasion::Raised, kind(AlarmKind::ReservoirLeak)), UnitSystem::Us),
        ("blind", one(Occasion::Raised, kind(AlarmKind::SensorSilent)), UnitSystem::Metric),
        (
            "three at once",
            facts(
                LetterKind::Alarm,
                vec![
                    (Occasion::Raised, kind(AlarmKind::AirTooCold)),
                    (Occasion::Raised, tank_low()),
                    (Occasion::Waiting, kind(AlarmKind::SensorStuck)),
                ],
            ),
            UnitSystem::Metric,
        ),
        (
            "before the night",
            facts(LetterKind::Evening, vec![(Occasion::Waiting, tank_low()), (Occasion::Waiting, second_cold)]),
            UnitSystem::Us,
        ),
        ("two racks too cold, one of them told before", cold, UnitSystem::Metric),
        ("all at once", one(Occasion::Raised, unheard), UnitSystem::Metric),
        ("a sudden fall", one(Occasion::Raised, sudden), UnitSystem::Us),
        ("round of one", facts(LetterKind::Round, vec![(Occasion::Waiting, waits.clone())]), UnitSystem::Metric),
        (
            "round of three",
            facts(
                LetterKind::Round,
                vec![(Occasion::Waiting, overdue), (Occasion::Waiting, waits), (Occasion::Waiting, drift)],
            ),
            UnitSystem::Us,
        ),
        ("quiet digest", digest(false), UnitSystem::Us),
        ("busy late digest", digest(true), UnitSystem::Metric),
    ]
}
