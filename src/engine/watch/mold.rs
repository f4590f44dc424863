//! The watch over each tray's leaves: how long the air has allowed infection. The model is
//! in `physics::mold_pressure`; here it is fed with the tray's air and the grower's mistings, and what it
//! foresees becomes conditions for a place.

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::crop::FAMILIES;
use crate::physics::climate::TENTH_OF_LIMITS;
use crate::physics::mold_band::MoldBand;
use crate::physics::mold_pressure::{MoldPressure, REQUIREMENT_MET, TrayAir};
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use crate::watch::condensation;
use crate::watch::stand::Stand;
use crate::watch::trays::tray::Tray;
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Half of what infection needs is allowed: from here on the forecast is told.
const REPORTED_FROM: f64 = 0.5;
/// The pressure must fall by so much before the alarm may return.
const PRESSURE_DEADBAND: f64 = 20.0;
/// A published requirement is the least that infection needs; a tenth, the half and nine tenths of
/// the chance lie before so many times of it. Own default.
const BEARS: [f64; 3] = [1.0, 1.4, 2.0];
/// After a requirement was met, a look within a day is early enough: what grew shows
/// after days (INRAE e-phytia: sporulation can begin three days after contamination).
const LOOK_WITHIN: TimeDelta = TimeDelta::hours(24);

/// One tray's leaves.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Leaves {
    mold: MoldPressure,
    mold_band: MoldBand,
    met_at: Option<Timestamp>,
}

/// Every tray's leaves.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct MoldWatch {
    trays: BTreeMap<String, Leaves>,
    /// Leaves that are assumed to be in a place while the journal knows of no tray at all.
    assumed: BTreeMap<u16, Vec<Leaves>>,
    /// Since when a surface with a probe is below the dew point over trays in light.
    dripping: BTreeMap<u16, Timestamp>,
}

/// The mold pressure of a place: of the tray that is furthest on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pressure {
    /// 0 to 100.
    pub pressure: f64,
    /// Hours that conditions have allowed.
    pub hours: f64,
    /// The least and the most of them, as far as the hygrometer is good.
    pub between: (f64, f64),
    /// Hours that are needed; `None`: at this temperature never.
    pub needed: Option<f64>,
}

impl MoldWatch {
    /// A tray was wetted from above.
    pub fn misted(&mut self, tray: &Tray) {
        let leaves = self.trays.entry(tray.name.clone()).or_insert_with(|| Leaves::of(tray));
        leaves.mold.wet_from_above();
        leaves.mold_band.wet_from_above();
    }

    /// Trays that have left the room are forgotten, and with the first that is told of those that
    /// were assumed.
    pub fn keep(&mut self, growing: impl Fn(&str) -> bool, any_sown: bool) {
        self.trays.retain(|name, _| growing(name));
        if any_sown {
            self.assumed.clear();
        }
    }

    /// Lets `hours` pass over a place of which the journal says nothing: leaves of every family are
    /// taken to stand open there, and those that conditions favor most are told of.
    pub fn assume(&mut self, at: Timestamp, hours: f64, stand: &Stand<'_>, air: &TrayAir, held: bool) -> Condition {
        let assumed = self.assumed.entry(stand.place).or_insert_with(|| FAMILIES.map(Leaves::of_family).to_vec());
        for leaves in assumed.iter_mut() {
            leaves.breathe(at, hours, air);
        }
        let told = assumed.iter().filter_map(|leaves| Some((leaves, leaves.mold_harm(at, air)?)));
        match told.max_by(|(a, _), (b, _)| a.mold.pressure().total_cmp(&b.mold.pressure())) {
            Some((leaves, harm)) => {
                Condition::Present { harm: Some(harm), evidence: leaves.evidence(stand, air, Vec::new()) }
            }
            None => gone(assumed.first().filter(|_| held), stand, air),
        }
    }

    /// Lets `hours` pass over the leaves of a place and judges them.
    pub fn look(
        &mut self,
        at: Timestamp,
        hours: f64,
        stand: &Stand<'_>,
        air: &TrayAir,
        held: impl Fn(AlarmKind) -> bool,
    ) -> [(AlarmKind, Condition); 2] {
        use AlarmKind::{Condensation, MoldPressure};
        for tray in stand.trays {
            self.trays.entry(tray.name.clone()).or_insert_with(|| Leaves::of(tray)).pass(at, hours, tray, air);
        }
        [
            (MoldPressure, self.mold(at, stand, air, held(MoldPressure))),
            (Condensation, self.dripping(at, stand, air, condensation::judge(stand, held(Condensation)))),
        ]
    }

    /// Water that a probe knows to settle over trays in light drips on leaves, and these are
    /// then wet: harm begins when they have been wet for as long as infection needs at this
    /// temperature. Of an assumed cold spot nobody knows whether it is there: no harm is
    /// reckoned, and it is told in the digest.
    fn dripping(&mut self, at: Timestamp, stand: &Stand<'_>, air: &TrayAir, found: Condition) -> Condition {
        let measured = |evidence: &Evidence| matches!(evidence, Evidence::Condensation { on: Some(_), .. });
        match found {
            Condition::Present { evidence, .. } if measured(&evidence) => {
                let open = stand.trays.iter().filter(|tray| tray.breathes_room_air(at));
                let leaves = open.filter_map(|tray| self.trays.get(&tray.name));
                let needed = leaves.filter_map(|leaves| leaves.mold.infection(air.temperature).needed_hours);
                let Some(needed) = needed.reduce(f64::min) else {
                    self.dripping.remove(&stand.place);
                    return Condition::Present { harm: None, evidence };
                };
                let since = *self.dripping.entry(stand.place).or_insert(at);
                let harm = Harm::after(since, needed * BEARS[0], needed * BEARS[1], needed * BEARS[2]);
                Condition::Present { harm: Some(harm), evidence }
            }
            found => {
                self.dripping.remove(&stand.place);
                found
            }
        }
    }

    /// The pressure of the tray in a place that is furthest on.
    pub fn pressure(&self, trays: &[&Tray], temperature: Celsius) -> Option<Pressure> {
        let worst = trays
            .iter()
            .filter_map(|tray| self.trays.get(&tray.name))
            .max_by(|a, b| a.mold.pressure().total_cmp(&b.mold.pressure()))?;
        let infection = worst.mold.infection(temperature);
        Some(Pressure {
            pressure: worst.mold.pressure(),
            hours: infection.allowed_hours,
            between: worst.mold_band.hours(temperature),
            needed: infection.needed_hours,
        })
    }

    fn mold(&self, at: Timestamp, stand: &Stand<'_>, air: &TrayAir, held: bool) -> Condition {
        let open = stand.trays.iter().filter(|tray| tray.breathes_room_air(at));
        let mut reported: Option<(f64, &Leaves, Harm)> = None;
        let mut names = Vec::new();
        for tray in open {
            let Some(leaves) = self.trays.get(&tray.name) else {
                continue;
            };
            let Some(harm) = leaves.mold_harm(at, air) else {
                continue;
            };
            names.push(tray.name.clone());
            let pressure = leaves.mold.pressure();
            if reported.as_ref().is_none_or(|(worst, ..)| pressure > *worst) {
                reported = Some((pressure, leaves, harm));
            }
        }
        if let Some((_, leaves, harm)) = reported {
            return Condition::Present { harm: Some(harm), evidence: leaves.evidence(stand, air, names) };
        }
        let open = stand.trays.iter().filter(|tray| tray.breathes_room_air(at));
        let worst = open
            .filter_map(|tray| self.trays.get(&tray.name))
            .max_by(|a, b| a.mold.pressure().total_cmp(&b.mold.pressure()));
        gone(worst.filter(|_| held), stand, air)
    }
}

/// Over, with the numbers of the leaves that are furthest on, where any are left.
fn gone(leaves: Option<&Leaves>, stand: &Stand<'_>, air: &TrayAir) -> Condition {
    match leaves {
        Some(leaves) => Condition::Gone { evidence: leaves.evidence(stand, air, Vec::new()) },
        None => Condition::Absent,
    }
}

impl Leaves {
    fn of(tray: &Tray) -> Self {
        Leaves::of_family(&tray.figures.family)
    }

    fn of_family(family: &str) -> Self {
        Leaves { mold: MoldPressure::new(family), mold_band: MoldBand::new(family), met_at: None }
    }

    fn pass(&mut self, at: Timestamp, hours: f64, tray: &Tray, air: &TrayAir) {
        self.breathe(at, if tray.breathes_room_air(at) { hours } else { 0.0 }, air);
    }

    fn breathe(&mut self, at: Timestamp, hours: f64, air: &TrayAir) {
        if hours > 0.0 {
            self.mold.advance(hours, air);
            self.mold_band.advance(hours, air);
        }
        if self.mold.pressure() >= REQUIREMENT_MET {
            self.met_at.get_or_insert(at);
        } else if self.mold.pressure() < REQUIREMENT_MET - PRESSURE_DEADBAND {
            self.met_at = None;
        }
    }

    fn evidence(&self, stand: &Stand<'_>, air: &TrayAir, trays: Vec<String>) -> Evidence {
        let infection = self.mold.infection(air.temperature);
        Evidence::Mold {
            place: stand.name.to_owned(),
            trays,
            pressure: self.mold.pressure(),
            hours: infection.allowed_hours,
            between: self.mold_band.hours(air.temperature),
            needed: infection.needed_hours.unwrap_or(0.0),
            model: format!("{} on {}", infection.pathogen.name, infection.pathogen.host),
        }
    }

    fn mold_harm(&self, at: Timestamp, air: &TrayAir) -> Option<Harm> {
        let infection = self.mold.infection(air.temperature);
        if self.met_at.is_some() && self.mold.pressure() < REQUIREMENT_MET || infection.progress >= BEARS[2] {
            return self.met_at.map(|met| Harm::certain(met + LOOK_WITHIN));
        }
        if infection.progress < REPORTED_FROM {
            return None;
        }
        // The hygrometer may read low or high, and a tenth of the chance lies beyond the greater
        // part of its limits on either side.
        let off = |share: f64, times: f64| {
            let by = share * TENTH_OF_LIMITS * air.humidity_accuracy;
            let damp = |humidity: RelativeHumidity| RelativeHumidity((humidity.0 + by).clamp(0.0, 100.0));
            let other = TrayAir { humidity: damp(air.humidity), canopy_humidity: damp(air.canopy_humidity), ..*air };
            self.mold.hours_until_met_times(times, &other)
        };
        let early = off(1.0, BEARS[0])?;
        let likely = off(0.0, BEARS[1]).unwrap_or(f64::INFINITY).max(early);
        Some(Harm::after(at, early, likely, off(-1.0, BEARS[2]).unwrap_or(f64::INFINITY)))
    }
}
