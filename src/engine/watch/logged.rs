//! What the journal means for the watches over water and leaves.

use crate::alarm::AlarmKind;
use crate::rules::PlaceId;
use crate::units::Timestamp;
use crate::watch::Watches;
use crate::watch::seen::Seen;
use crate::watch::trays::Logged;
use crate::watch::trays::notes::EntryNote;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// What is told within this after it was done is done by whoever knows what was told before it. Own
/// default.
const AT_ONCE: TimeDelta = TimeDelta::minutes(30);
/// A watering told later than this after it was done cannot be looked for in the tank: of a
/// day it knows the level. Own default.
const OF_THE_DAY: TimeDelta = TimeDelta::hours(24);

impl Watches {
    /// What an entry means for the watches over water and leaves.
    pub(crate) fn logged(&mut self, seen: &Seen<'_>, when: Timestamp, logged: Logged) {
        match logged {
            Logged::Refill { reservoir } => {
                let only_one = self.tanks.len() == 1;
                for (tank, known) in self.tanks.iter_mut().zip(&seen.rules.reservoirs) {
                    if reservoir.as_ref().map_or(only_one, |id| *id == known.id) {
                        tank.refilled(seen.at);
                    }
                }
            }
            Logged::Water { trays, ml } => {
                let stands: Vec<PlaceId> =
                    trays.iter().filter_map(|name| seen.trays.get(name)).map(|tray| tray.place).collect();
                for (tank, known) in self.tanks.iter_mut().zip(&seen.rules.reservoirs) {
                    if stands.iter().any(|place| seen.rules.waters(known, *place)) {
                        tank.watered(when);
                    }
                }
                self.watch_for(seen, when, &trays, ml);
                for tray in trays.iter().filter_map(|name| seen.trays.get(name)) {
                    self.growing.dryout.watered(seen.at, seen.rules.site.time_zone, tray, when, ml);
                }
            }
            Logged::Mist { trays } => {
                for tray in trays.iter().filter_map(|name| seen.trays.get(name)) {
                    self.growing.mold.misted(tray);
                }
            }
            Logged::Nothing => {}
        }
    }

    /// A watering of the last day, from the one tank that feeds its trays, should show there.
    fn watch_for(&mut self, seen: &Seen<'_>, when: Timestamp, trays: &[String], ml: Option<f64>) {
        if seen.at - when > OF_THE_DAY {
            return;
        }
        for (watch, known) in self.waterings.iter_mut().zip(&seen.rules.reservoirs) {
            let from_here: Vec<(String, u32)> = trays
                .iter()
                .filter_map(|name| seen.trays.get(name))
                .filter(|tray| seen.rules.waters(known, tray.place))
                .map(|tray| (tray.name.clone(), tray.count))
                .collect();
            let denied_before = from_here.iter().any(|(name, _)| {
                let place = seen.trays.get(name).map(|tray| seen.rules.place(tray.place).id.as_str());
                let standing = place.and_then(|id| seen.alarms.find(AlarmKind::DryOut, id));
                // Of whoever has not been told the log knows no more than before.
                let told = standing.is_some_and(|alarm| alarm.is_active() && alarm.is_known(when));
                told && seen.at - when <= AT_ONCE && self.growing.dryout.is_doubted(name)
            });
            if denied_before {
                watch.believe();
                for (name, _) in &from_here {
                    self.growing.dryout.believe(name);
                }
            }
            if !from_here.is_empty() {
                watch.logged(seen.at, when, &from_here, ml);
            }
        }
    }

    /// Places whose trays now ask for air that cannot be had together.
    pub(crate) fn clashes(&mut self, seen: &Seen<'_>) -> Vec<EntryNote> {
        let before: Vec<Option<String>> = self.places.iter().map(|place| place.demand.clash.clone()).collect();
        self.look_up_demands(seen);
        let changed = self.places.iter().zip(before).filter(|(place, before)| place.demand.clash != *before);
        changed
            .filter_map(|(place, _)| {
                let tray = place.demand.clash.clone()?;
                Some(EntryNote::BandsClash { place: seen.rules.place(place.place).id.clone(), tray })
            })
            .collect()
    }
}
