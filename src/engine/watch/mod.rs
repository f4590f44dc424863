//! What is known of each thing over minutes, and which conditions hold. Every watch takes in
//! what is [`seen`] of a minute and gives conditions; this file has only their order.

pub mod trays;
pub mod band;
pub mod air;
pub mod place_day;
pub(crate) mod seen;
pub mod probe;
pub mod stand;
pub mod condensation;
pub mod mold;
pub mod dryout;
pub(crate) mod place;
pub mod tank;
pub mod watering;
pub mod sensors;
pub mod drift;
pub(crate) mod growing;
pub(crate) mod site;
pub(crate) mod logged;

use crate::rules::Rules;
use crate::units::Timestamp;
use alloc::vec;
use alloc::vec::Vec;
use drift::DriftWatch;
use growing::GrowingWatch;
use place::PlaceWatch;
use seen::{Judged, Seen};
use sensors::SensorWatch;
use site::SiteWatch;
use tank::TankWatch;
use watering::WateringWatch;

/// Stages change by the hour and leaves dry by the hour: demands, leaves, medium and warmth
/// are looked at once in so many minutes.
const LOOK_EVERY: i64 = 10;

/// Every watch of a site.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct Watches {
    pub(crate) sensors: Vec<SensorWatch>,
    pub(crate) places: Vec<PlaceWatch>,
    pub(crate) tanks: Vec<TankWatch>,
    pub(crate) waterings: Vec<WateringWatch>,
    pub(crate) peers: Vec<DriftWatch>,
    pub(crate) growing: GrowingWatch,
    pub(crate) site: SiteWatch,
    /// The journal changed what stands where; demands are looked up before the next minute.
    pub(crate) demands_stale: bool,
}

impl Watches {
    /// The watches of a site, all at their beginning.
    pub(crate) fn new(rules: &Rules, at: Timestamp) -> Self {
        Watches {
            sensors: sensors::watches(rules, at),
            places: place::watches(rules),
            tanks: tank::watches(rules, at),
            waterings: vec![WateringWatch::default(); rules.reservoirs.len()],
            peers: drift::watches(rules),
            growing: GrowingWatch::default(),
            site: SiteWatch::default(),
            demands_stale: true,
        }
    }

    /// Judges a minute: every watch in its turn. `means` has what each channel meant in it.
    pub(crate) fn minute(&mut self, seen: &Seen<'_>, means: &[Option<f64>]) -> Vec<Judged> {
        let looks = seen.at.timestamp().div_euclid(60).rem_euclid(LOOK_EVERY) == 0;
        if self.demands_stale || looks {
            self.look_up_demands(seen);
        }
        let mut judged = Vec::new();
        tank::minute(&mut self.tanks, seen, means, &mut judged);
        watering::minute(&mut self.waterings, seen, &self.tanks, &mut self.growing.dryout);
        let deaf = self.site.broker_lost_at.is_some();
        let all = self.sensors.len() > 1 && self.sensors.iter().all(|sensor| sensor.is_silent(seen.at));
        let people_at = seen.round_at;
        let others = sensors::Others { tanks: &self.tanks, places: &self.places, deaf, all, people_at };
        sensors::minute(&mut self.sensors, seen, &others, &mut judged);
        drift::minute(&mut self.peers, seen, &mut judged);
        place::minute(&mut self.places, seen, &self.growing.dryout, &mut judged);
        if looks {
            self.growing.look(seen, &self.places, &mut judged);
            self.growing.count_warmth(seen, &self.places, LOOK_EVERY as f64 / 60.0);
        }
        trays::overdue::minute(seen, &mut judged);
        let matters = self.places.iter().any(|place| !place.demand.empty) || self.places.is_empty();
        self.site.minute(seen.at, people_at, matters, &mut judged);
        judged
    }

    /// What the trays ask of the air of each place, as of now.
    pub(crate) fn look_up_demands(&mut self, seen: &Seen<'_>) {
        self.demands_stale = false;
        for place in &mut self.places {
            place.demand = band::demand(seen.rules, place.place, &place.served, seen.trays, seen.at);
        }
    }

    /// The digest was written: what is counted by the day begins anew.
    pub(crate) fn begin_day(&mut self) {
        self.site.begin_day();
        for place in &mut self.places {
            place.day = place_day::PlaceTally::default();
        }
        for tank in &mut self.tanks {
            tank.take_day();
        }
        for sensor in &mut self.sensors {
            sensor.begin_day();
        }
    }
}
