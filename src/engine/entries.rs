//! What the journal tells the engine: trays, and what was done to tanks, leaves and medium.

use super::Engine;
use super::alarm::AlarmKind;
use super::alarm::cycle::Alarm;
use super::event::{Effect, EntryNote};
use super::rules::PlaceId;
use super::tray::Logged;
use crate::journal::Entry;
use crate::units::Timestamp;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// A watering told later than this after it was done cannot be looked for in the tank.
/// Own default.
const OF_THE_PRESENT: TimeDelta = TimeDelta::minutes(30);

impl Engine {
    /// Takes in an entry that was told at `told_at`, before this engine began. Trays, cuts and
    /// waterings follow from it; a tank or leaves that were wet then are not wet now.
    pub fn remember(&mut self, told_at: Timestamp, number: i64, entry: &Entry) {
        if let Ok((_, logged)) = self.trays.take(&self.rules, told_at, number, entry) {
            self.demands_stale = true;
            if matches!(logged, Logged::Water { .. }) {
                self.logged(entry.at.unwrap_or(told_at), logged);
            }
        }
    }

    pub(super) fn journal(&mut self, number: i64, entry: &Entry, effects: &mut Vec<Effect>) {
        match self.trays.take(&self.rules, self.now, number, entry) {
            Ok((mut note, logged)) => {
                self.demands_stale = true;
                self.logged(entry.at.unwrap_or(self.now), logged);
                note.extend(self.clashes());
                effects.push(Effect::EntryTaken { number, note });
            }
            Err(why) => effects.push(Effect::EntryRefused { number, why }),
        }
    }

    /// What an entry means for the watches over water and leaves.
    fn logged(&mut self, when: Timestamp, logged: Logged) {
        match logged {
            Logged::Refill { reservoir } => {
                let only_one = self.tanks.len() == 1;
                for (tank, known) in self.tanks.iter_mut().zip(&self.rules.reservoirs) {
                    if reservoir.as_ref().map_or(only_one, |id| *id == known.id) {
                        tank.refilled(self.now);
                    }
                }
            }
            Logged::Water { trays, ml } => {
                let stands: Vec<PlaceId> =
                    trays.iter().filter_map(|name| self.trays.get(name)).map(|tray| tray.place).collect();
                for (tank, known) in self.tanks.iter_mut().zip(&self.rules.reservoirs) {
                    if stands.iter().any(|place| self.rules.waters(known, *place)) {
                        tank.watered(self.now);
                    }
                }
                self.watch_for(when, &trays, ml);
                for tray in trays.iter().filter_map(|name| self.trays.get(name)) {
                    self.medium.watered(tray, when, ml);
                }
            }
            Logged::Mist { trays } => {
                for tray in trays.iter().filter_map(|name| self.trays.get(name)) {
                    self.leaves.misted(tray);
                }
            }
            Logged::Nothing => {}
        }
    }

    /// A watering of the present, from the one tank that feeds its trays, should show there.
    fn watch_for(&mut self, when: Timestamp, trays: &[String], ml: Option<f64>) {
        if self.now - when > OF_THE_PRESENT {
            return;
        }
        for (watch, known) in self.waterings.iter_mut().zip(&self.rules.reservoirs) {
            let from_here: Vec<(String, u32)> = trays
                .iter()
                .filter_map(|name| self.trays.get(name))
                .filter(|tray| self.rules.waters(known, tray.place))
                .map(|tray| (tray.name.clone(), tray.count))
                .collect();
            let told = from_here.iter().any(|(name, _)| {
                let place = self.trays.get(name).map(|tray| self.rules.place(tray.place).id.as_str());
                let standing = place.and_then(|id| self.alarms.find(AlarmKind::DryOut, id));
                self.medium.is_doubted(name) && standing.is_some_and(Alarm::is_active)
            });
            if told {
                watch.believe();
                for (name, _) in &from_here {
                    self.medium.believe(name);
                }
            } else if !from_here.is_empty() {
                watch.logged(self.now, &from_here, ml);
            }
        }
    }

    /// Places whose trays now ask for air that cannot be had together.
    fn clashes(&mut self) -> Vec<EntryNote> {
        let before: Vec<Option<String>> = self.places.iter().map(|place| place.demand.clash.clone()).collect();
        self.look_up_demands();
        let changed = self.places.iter().zip(before).filter(|(place, before)| place.demand.clash != *before);
        changed
            .filter_map(|(place, _)| {
                let tray = place.demand.clash.clone()?;
                Some(EntryNote::BandsClash { place: self.rules.place(place.place).id.clone(), tray })
            })
            .collect()
    }
}
