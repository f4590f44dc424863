//! The watch over what grows: every so many minutes the trays of each place
//! are looked at with the air they breathe, for mold, dry-out, dripping water and warmth.

use crate::alarm::{AlarmKind, Condition};
use crate::units::{Celsius, Timestamp};
use crate::watch::dryout::DryOutWatch;
use crate::watch::mold::{MoldWatch, Pressure};
use crate::watch::place::PlaceWatch;
use crate::watch::probe::probes;
use crate::watch::seen::{Judged, Seen, Subject};
use crate::watch::stand::Stand;
use crate::watch::trays::thermal::ThermalClocks;
use crate::watch::trays::tray::Tray;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// People whom a round letter told are in the room; what waited for them does not
/// become urgent while they are at it. Own default.
pub(crate) const ROUND_LASTS: TimeDelta = TimeDelta::hours(1);
/// So long after the hour of a round somebody may be at it: two hours late, and watering. Own default.
pub(crate) const ROUND_MAY_LAST: TimeDelta = TimeDelta::minutes(165);
/// People come a little early. Own default.
pub(crate) const BEFORE_THE_HOUR: TimeDelta = TimeDelta::minutes(15);

/// What is known of every tray's leaves, water and warmth.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct GrowingWatch {
    pub(crate) mold: MoldWatch,
    pub(crate) dryout: DryOutWatch,
    pub(crate) warmth: ThermalClocks,
    /// When they were last looked at.
    pub(crate) looked_at: Option<Timestamp>,
}

impl GrowingWatch {
    /// Lets the time since the last look pass over every tray, and judges.
    pub(crate) fn look(&mut self, seen: &Seen<'_>, places: &[PlaceWatch], judged: &mut Vec<Judged>) {
        let at = seen.at;
        let any_sown = seen.trays.any_sown();
        self.mold.keep(|name| seen.trays.get(name).is_some(), any_sown);
        self.dryout.keep(|name| seen.trays.get(name).is_some());
        let passed =
            self.looked_at.replace(at).map_or(0.0, |looked| (at - looked).num_seconds().max(0) as f64 / 3600.0);
        self.dryout.forget(passed);
        // What the air was in a longer gap is not known.
        let hours = if passed > 1.0 { 0.0 } else { passed };
        let in_a_round = at - seen.round_at < ROUND_LASTS;
        for place in places {
            let rules = seen.rules.place(place.place);
            let trays: Vec<&Tray> = seen.trays.growing().filter(|tray| place.served.contains(&tray.place)).collect();
            let surfaces = probes(seen, &place.surfaces);
            let stand = Stand {
                place: place.place.0,
                name: &rules.name,
                air: place.air,
                watch: &place.watch,
                demand: &place.demand,
                trays: &trays,
                surfaces: &surfaces,
                zone: seen.rules.site.time_zone,
            };
            let held = |kind| seen.alarms.is_held(kind, &rules.id);
            let conditions = match stand.tray_air(at) {
                Some(air) => {
                    let [mut mold, dripping] = self.mold.look(at, hours, &stand, &air, held);
                    // Nobody has told of a tray: something that molds is taken to grow.
                    if !any_sown {
                        mold.1 = self.mold.assume(at, hours, &stand, &air, held(AlarmKind::MoldPressure));
                    }
                    let dryout = self.dryout.look(at, hours, &stand, &air);
                    [mold, (AlarmKind::DryOut, unless_watering(in_a_round, dryout)), dripping]
                }
                None => {
                    let unknown = [AlarmKind::MoldPressure, AlarmKind::DryOut, AlarmKind::Condensation];
                    unknown.map(|kind| (kind, Condition::Unknown))
                }
            };
            judged.extend(conditions.map(|found| Judged::of(Subject::Place(place.place), found)));
        }
    }

    /// Lets the hours since the last count pass over every tray whose air is known.
    pub(crate) fn count_warmth(&mut self, seen: &Seen<'_>, places: &[PlaceWatch], hours: f64) {
        for place in places {
            let Some(temperature) = place.air.temperature else { continue };
            for tray in seen.trays.growing().filter(|tray| place.served.contains(&tray.place)) {
                self.warmth.pass(tray, seen.at, hours, temperature);
            }
        }
        self.warmth.forget(seen.at);
    }

    /// The mold pressure of a place's open trays: of the one that is furthest on.
    pub(crate) fn pressure(&self, seen: &Seen<'_>, place: &PlaceWatch) -> Option<Pressure> {
        let temperature = place.air.temperature?;
        let open = |tray: &&Tray| place.served.contains(&tray.place) && tray.breathes_room_air(seen.at);
        let trays: Vec<&Tray> = seen.trays.growing().filter(open).collect();
        self.mold.pressure(&trays, Celsius(temperature))
    }
}

/// A watering is written down, and a tank filled, at the end of a round and not before it: until then
/// nothing new is told, and nothing told becomes more urgent.
pub(crate) fn unless_watering(in_a_round: bool, found: Condition) -> Condition {
    match found {
        Condition::Present { .. } if in_a_round => Condition::Unknown,
        other => other,
    }
}
