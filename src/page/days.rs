//! The last day of every place and tank in half hours, and since when each is well. Made of
//! the store once in five minutes at most, whoever looks: fifty lines are not read anew for
//! every phone.

use crate::engine::alarm::AlarmState;
use crate::engine::rules::Rules;
use crate::reading::Quantity;
use crate::report;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// Made anew after this. Own default: a line of half hours changes no faster.
const KEPT_FOR: TimeDelta = TimeDelta::minutes(5);
/// A day is drawn in half hours.
const STEP: TimeDelta = TimeDelta::minutes(30);
/// So far back is looked for when something was last not well.
const LOOKED_BACK: TimeDelta = TimeDelta::days(7);

/// Half-hour means by the id of the place or tank and the quantity.
type DayLines = BTreeMap<(String, &'static str), Vec<(Timestamp, f64)>>;

/// The day of the room.
#[derive(Clone, Debug)]
pub(super) struct RoomDay {
    /// Where the lines begin.
    pub from: Timestamp,
    /// Where they end.
    pub until: Timestamp,
    /// The length of a step.
    pub step: TimeDelta,
    lines: DayLines,
    over: BTreeMap<String, Timestamp>,
    watched_since: Option<Timestamp>,
}

impl RoomDay {
    /// The day that ends at `now`.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub(super) fn read(reader: &Reader, rules: &Rules, now: Timestamp) -> Result<RoomDay, StoreError> {
        let from = now - TimeDelta::days(1);
        let places = rules.places.iter().map(|place| &place.id);
        let tanks = rules.reservoirs.iter().map(|tank| &tank.id);
        let mut lines = DayLines::new();
        for id in places.chain(tanks) {
            for series in report::series(reader, rules, id, from, now, STEP)? {
                let points = series.points.iter().map(|point| (point.from, point.mean)).collect();
                // Of several sensors the first, as in the digest.
                lines.entry((id.clone(), series.quantity.word())).or_insert(points);
            }
        }
        let mut over = BTreeMap::new();
        for change in reader.alarm_changes(now - LOOKED_BACK)? {
            let was_held = matches!(change.before, AlarmState::Unacknowledged | AlarmState::Acknowledged);
            if was_held && matches!(change.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged) {
                over.insert(change.key.subject, change.at);
            }
        }
        let watched_since = reader.readings_span()?.map(|(first, _)| first).filter(|first| *first > now - LOOKED_BACK);
        Ok(RoomDay { from, until: now, step: STEP, lines, over, watched_since })
    }

    /// Whether it is still good enough at `now`.
    pub(super) fn is_fresh(&self, now: Timestamp) -> bool {
        (now - self.until).abs() < KEPT_FOR
    }

    /// The means of one quantity.
    pub(super) fn line(&self, id: &str, quantity: Quantity) -> Option<&[(Timestamp, f64)]> {
        self.lines.get(&(id.to_owned(), quantity.word())).map(Vec::as_slice)
    }

    /// Since when nothing was told of what is `here`, which its trays and sensors are too; `None`:
    /// for as long as is looked back.
    pub(super) fn well_since(&self, here: impl Fn(&str) -> bool) -> Option<Timestamp> {
        let over = self.over.iter().filter(|(subject, _)| here(subject)).map(|(_, at)| *at);
        over.max().or(self.watched_since)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::at;

    #[test]
    fn a_place_is_well_since_the_last_of_its_trays_and_sensors_was_over() {
        let day = RoomDay {
            from: at("2026-03-02 12:00"),
            until: at("2026-03-03 12:00"),
            step: STEP,
            lines: DayLines::new(),
            over: BTreeMap::from([
                ("rack-a".to_owned(), at("2026-03-03 08:00")),
                ("K4".to_owned(), at("2026-03-03 09:00")),
                ("K5".to_owned(), at("2026-03-03 10:00")),
            ]),
            watched_since: Some(at("2026-03-01 08:00")),
        };
        assert_eq!(day.well_since(|id| id == "rack-a" || id == "K4"), Some(at("2026-03-03 09:00")));
        assert_eq!(day.well_since(|id| id == "rack-b"), Some(at("2026-03-01 08:00")));
    }
}
