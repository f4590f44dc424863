//! Rules for the tests of this room.

use crate::crop::CropTable;
use crate::rules::{Place, PlaceId, Rules, Site};
use crate::units::UnitSystem;
use crate::watch::trays::sowing::usual;
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::vec;
use alloc::vec::Vec;
use chrono::{NaiveTime, TimeDelta};

/// A tent in which a shelf with two trays' places stands, and a rack beside it.
pub(crate) fn rules() -> Rules {
    let place = |id: &str, inside: Option<u16>| Place {
        id: id.to_owned(),
        name: id.to_owned(),
        inside: inside.map(PlaceId),
        band: Default::default(),
    };
    Rules {
        site: Site {
            name: "Saltmarsh Lane".to_owned(),
            time_zone: chrono_tz::America::Chicago,
            units: UnitSystem::Metric,
            rounds: vec![NaiveTime::MIN],
            round_letter_before: TimeDelta::minutes(15),
            look_within: TimeDelta::hours(36),
            digest_at: NaiveTime::MIN,
            asleep: None,
            evening_letter_before: TimeDelta::hours(1),
            wake_if: 0.2,
            come_within: TimeDelta::minutes(45),
        },
        places: vec![place("tent", None), place("shelf", Some(0)), place("top", Some(1)), place("rack", None)],
        sensors: Vec::new(),
        channels: Vec::new(),
        reservoirs: Vec::new(),
        crops: CropTable { crops: [("broccoli".to_owned(), usual("broccoli"))].into(), aliases: BTreeMap::new() },
        alarms: BTreeMap::new(),
    }
}
