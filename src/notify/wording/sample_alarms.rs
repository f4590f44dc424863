//! An invented site, and an alarm of every kind there.

use super::*;
use crate::engine::alarm::{AlarmKey, AlarmKind, AlarmState, Evidence, Harm, Priority};
use crate::engine::event::AtStake;
use crate::engine::physics::infection::PathogenName;
use crate::engine::rules::{BandOverride, Place};
use crate::engine::watch::band::CropAtStage;
use crate::engine::watch::trays::tray::Stage;
use crate::reading::Quantity;
use crate::units::UnitSystem;
use chrono::TimeDelta;

/// Local times of the invented site, Central Standard Time: UTC-6.
pub(super) fn at(local: &str) -> Timestamp {
    format!("{local}:00-06:00").parse().expect("a time like 2026-03-03T22:10")
}

pub(super) fn site(units: UnitSystem) -> Site {
    let time = |hour, minute| chrono::NaiveTime::from_hms_opt(hour, minute, 0).unwrap();
    Site {
        name: "Saltmarsh Lane".into(),
        time_zone: chrono_tz::America::Chicago,
        units,
        rounds: vec![time(7, 0), time(19, 0)],
        round_letter_before: TimeDelta::minutes(30),
        look_within: TimeDelta::hours(36),
        digest_at: time(6, 30),
        asleep: Some((time(22, 0), time(6, 0))),
        evening_letter_before: TimeDelta::hours(1),
        wake_if: 0.2,
        come_within: TimeDelta::minutes(45),
    }
}

pub(super) fn rules(units: UnitSystem) -> Rules {
    let place =
        |id: &str, name: &str| Place { id: id.into(), name: name.into(), inside: None, band: BandOverride::default() };
    Rules {
        site: site(units),
        places: vec![place("rack-a", "Rack A"), place("rack-b", "Rack B")],
        sensors: vec![],
        channels: vec![],
        reservoirs: vec![],
        crops: Default::default(),
        alarms: Default::default(),
    }
}

pub(super) fn change(kind: AlarmKind, subject: &str, evidence: Evidence) -> AlarmChange {
    AlarmChange {
        at: at("2026-03-03T22:10"),
        key: AlarmKey { kind, subject: subject.into() },
        since: at("2026-03-03T21:40"),
        state: AlarmState::Unacknowledged,
        before: AlarmState::Normal,
        priority: Priority::Now,
        harm: Some(Harm {
            early: at("2026-03-04T02:50"),
            likely: at("2026-03-04T03:40"),
            late: at("2026-03-04T05:10"),
        }),
        chance: 0.97,
        times: 1,
        next_round: at("2026-03-04T07:00"),
        evidence,
        numbers_are_past: false,
        easing: false,
        by: None,
        answered_at: None,
        returned_at: None,
        grade: None,
    }
}

pub(super) fn tank_low() -> AlarmChange {
    change(
        AlarmKind::ReservoirLow,
        "tank",
        Evidence::Reservoir {
            reservoir: "Tank".into(),
            usable: 4.1,
            percent: 18.0,
            draw: Some(0.75),
            empty_at: Some((at("2026-03-04T03:40"), at("2026-03-04T02:50"), at("2026-03-04T04:45"))),
            to_fill: 18.3,
            waterings: 0.0,
        },
    )
}

pub(super) fn air(kind: AlarmKind, quantity: Quantity, value: f64, limit: f64, worst: f64) -> AlarmChange {
    change(
        kind,
        "rack-a",
        Evidence::Air {
            place: "Rack A".into(),
            quantity,
            value,
            limit,
            worst,
            crops: vec![CropAtStage { crop: "broccoli".into(), stage: Stage::Light }],
            dew_point: Some(17.8),
            dew_point_accuracy: Some(0.7),
            accuracy: 3.0,
        },
    )
}

/// Every kind once, with evidence that fits it.
pub(super) fn every_kind() -> Vec<AlarmChange> {
    let trays = || vec!["K12".into(), "K13".into()];
    let level = |kind, usable, percent, draw| {
        let evidence = Evidence::Reservoir {
            reservoir: "Tank".into(),
            usable,
            percent,
            draw,
            empty_at: None,
            to_fill: 22.4,
            waterings: 0.0,
        };
        change(kind, "tank", evidence)
    };
    vec![
        air(AlarmKind::AirTooWarm, Quantity::Temperature, 31.4, 28.0, 32.1),
        air(AlarmKind::AirTooCold, Quantity::Temperature, 11.2, 15.0, 11.2),
        air(AlarmKind::AirTooDamp, Quantity::Humidity, 84.2, 70.0, 86.0),
        air(AlarmKind::AirTooDry, Quantity::Humidity, 39.7, 40.0, 31.0),
        change(
            AlarmKind::Condensation,
            "rack-a",
            Evidence::Condensation {
                place: "Rack A".into(),
                dew_point: 17.8,
                surface: 16.2,
                accuracy: 0.8,
                on: Some("window".into()),
            },
        ),
        change(
            AlarmKind::MoldPressure,
            "rack-b",
            Evidence::Mold {
                place: "Rack B".into(),
                trays: trays(),
                pressure: 82.0,
                hours: 9.0,
                between: (7.0, 10.5),
                needed: 11.0,
                pathogen: PathogenName::BotrytisCinerea,
            },
        ),
        change(
            AlarmKind::DryOut,
            "rack-b",
            Evidence::Dryness {
                place: "Rack B".into(),
                trays: trays(),
                hours: 5.5,
                watered: Some(at("2026-03-02T18:50")),
                not_shown: None,
                unlogged: false,
            },
        ),
        change(
            AlarmKind::DryOut,
            "rack-b",
            Evidence::Dryness {
                place: "Rack B".into(),
                trays: vec!["K12".into()],
                hours: 24.0,
                watered: Some(at("2026-03-02T07:10")),
                not_shown: Some(at("2026-03-02T18:50")),
                unlogged: false,
            },
        ),
        change(
            AlarmKind::DryOut,
            "rack-b",
            Evidence::Dryness {
                place: "Rack B".into(),
                trays: trays(),
                hours: 24.0,
                watered: Some(at("2026-03-02T18:50")),
                not_shown: None,
                unlogged: false,
            },
        ),
        change(
            AlarmKind::StageOverdue,
            "K12",
            Evidence::Stage {
                tray: "K12".into(),
                place: "Rack B".into(),
                crop: "broccoli".into(),
                stage: Stage::Blackout,
                due: at("2026-03-03T08:00"),
            },
        ),
        tank_low(),
        level(AlarmKind::ReservoirEmpty, 0.0, 0.0, Some(0.75)),
        change(
            AlarmKind::ReservoirLeak,
            "tank",
            Evidence::Leak {
                reservoir: "Tank".into(),
                draw: 2.3,
                expected: 0.4,
                lost: 3.1,
                sudden_minutes: None,
                usable: 9.0,
            },
        ),
        change(
            AlarmKind::SensorSilent,
            "rack-a-air",
            Evidence::Silent {
                place: "Rack A".into(),
                last_heard: Some(at("2026-03-03T21:38")),
                every: TimeDelta::seconds(30),
                blind: true,
                all: false,
            },
        ),
        change(
            AlarmKind::SensorStuck,
            "rack-a-air",
            Evidence::Stuck { place: "Rack A".into(), quantity: Quantity::Humidity, value: 65.0 },
        ),
        change(
            AlarmKind::SensorImplausible,
            "rack-a-air",
            Evidence::Implausible { place: "Rack A".into(), refused: 57, heard: 60, reason: "fault-code" },
        ),
        change(
            AlarmKind::SensorDrift,
            "rack-a-air",
            Evidence::Drift {
                place: "Rack A".into(),
                peer: "rack-a-top".into(),
                quantity: Quantity::Temperature,
                difference: -3.2,
            },
        ),
        change(AlarmKind::BrokerLost, "site", Evidence::Broker),
        change(
            AlarmKind::BrokerLost,
            "site",
            Evidence::Contested { times: 4, client_id: "traywarden-saltmarsh-lane".into() },
        ),
        change(
            AlarmKind::MailFailing,
            "site",
            Evidence::Mail { waiting: 2, error: "mail.saltmarsh.example:465 could not be reached".into() },
        ),
        change(
            AlarmKind::StoreFailing,
            "site",
            Evidence::Store {
                error: "database or disk is full".into(),
                at_stake: AtStake { unsaved: 412, lost: 0, without_past: false },
            },
        ),
        change(
            AlarmKind::StoreFailing,
            "site",
            Evidence::StoreHurt { what: "somebody cut the store's file off while the watch ran".into() },
        ),
        change(AlarmKind::ClockStepped, "site", Evidence::Clock { by: TimeDelta::minutes(131) }),
    ]
}
