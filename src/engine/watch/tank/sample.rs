//! A tank for the tests of this room: a hundred litres, of which the pump reaches all.

use super::known::{TankWatch, Use};
use crate::physics::tank_geometry::Shape;
use crate::quality::judge::STUCK_ALONE;
use crate::reading::{ChannelId, Quantity, SensorId};
use crate::rules::{Channel, Reservoir};
use crate::units::Timestamp;
use alloc::borrow::ToOwned;
use alloc::vec::Vec;
use chrono::TimeDelta;
use core::ops::RangeInclusive;

/// So many minutes after the watch began.
pub(super) fn minute(minute: i64) -> Timestamp {
    let begin = Timestamp::from_timestamp(1_772_601_000, 0).expect("a time");
    begin + TimeDelta::minutes(minute)
}

/// A watch that has heard nothing yet.
pub(super) fn tank() -> TankWatch {
    let gauge = Channel {
        sensor: SensorId(0),
        quantity: Quantity::Volume,
        accuracy: 0.0,
        gain: 1.0,
        offset: 0.0,
        resolution: 0.0,
        ceiling: 100.0,
        calibrated: None,
    };
    let reservoir = Reservoir {
        id: "tank".to_owned(),
        name: "Tank".to_owned(),
        feeds: Vec::new(),
        sensor: SensorId(0),
        channel: ChannelId(0),
        shape: Shape::Box { length: 1000.0, width: 1000.0, height: 100.0 },
        echo: None,
        sensor_height_mm: 0.0,
        pump_inlet_mm: 0.0,
        low_percent: 20.0,
    };
    TankWatch::new(&reservoir, &gauge, minute(0))
}

/// It waters so many trays, and no round has begun lately.
pub(super) fn waters(trays: u32) -> Use {
    Use { trays: Some(trays), places: 1, round_at: None, asleep_since: None, flat_since: None, odd_after: STUCK_ALONE }
}

/// It hears a level every minute.
pub(super) fn hears(tank: &mut TankWatch, minutes: RangeInclusive<i64>, litres: impl Fn(i64) -> f64) {
    for at in minutes {
        tank.minute(minute(at), Some(litres(at)));
    }
}
