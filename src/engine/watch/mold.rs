//! The watch over each tray's leaves: how long the air has allowed infection. The model is
//! in `physics::mold_pressure`; here it is fed with the tray's air and the grower's mistings, and what it
//! foresees becomes conditions for a place.

use crate::alarm::Condition;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::crop::FAMILIES;
use crate::float;
use crate::physics::climate::TENTH_OF_LIMITS;
use crate::physics::mold_band::{MoldBand, damper};
use crate::physics::mold_pressure::{Infection, MoldPressure, TrayAir};
use crate::physics::outlook::{Face, STEP_HOURS};
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use crate::watch::condensation;
use crate::watch::stand::Stand;
use crate::watch::trays::tray::Tray;
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Half of what infection needs is allowed: from here on the forecast is told.
const REPORTED_FROM: f64 = 0.5;
/// A published requirement is what leaves need that were sown with spores; leaves of a clean room
/// bear up to twice as much, and how far any one goes nobody measures: evenly from once to twice, so
/// that a tenth, the half and nine tenths of the chance lie before so many times of it. Own default.
const BEARS: [f64; 3] = [1.1, 1.5, 1.9];
/// The same for leaves that are dripped on, of which it is sure that they are wet. Own default.
const BEARS_DRIPPING: [f64; 3] = [0.95, 1.3, 1.7];
/// Where leaves are wet from is known no better than so many per cent: other places were fitted
/// best by other limits than 90 % (Sentelhas et al. 2008, from memory). A tenth of the chance on
/// either side; own default.
const RULE_OFF: f64 = 2.5;
/// Three things are unsure: the hygrometer, the rule and what leaves bear. All three at their
/// tenths at once is far less than a tenth: each is taken this share of the way (1 / √3).
const TOGETHER: f64 = 0.58;
/// After a spell in which a requirement was met, a look within a day is early enough: what grew
/// shows after days (INRAE e-phytia: sporulation can begin three days after contamination).
const LOOK_WITHIN: TimeDelta = TimeDelta::hours(24);

/// One tray's leaves.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Leaves {
    mold: MoldPressure,
    mold_band: MoldBand,
    /// The same, as far as all is known that decides of wet and dry.
    unsure: MoldBand,
    /// When leaves that are tender, usual and hardy, in air as damp as it may be, as it is measured
    /// and as dry as it may be, had been wet for long enough in the present spell.
    infected_at: [Option<Timestamp>; 3],
    /// The newest spell in which a requirement was met.
    met: Option<Met>,
}

/// A spell in which infection had what it needs.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Met {
    /// Its last hour in which that was so.
    until: Timestamp,
    /// The clock's state at that hour.
    infection: Infection,
    between: (f64, f64),
}

/// Every tray's leaves.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct MoldWatch {
    trays: BTreeMap<String, Leaves>,
    /// Leaves that are assumed to be in a place while the journal knows of no tray at all.
    assumed: BTreeMap<u16, Vec<Leaves>>,
    /// The share of what infection needs that leaves have had, in a spell in which a surface with a
    /// probe is below the dew point over trays in light.
    dripping: BTreeMap<u16, f64>,
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
    pub(crate) fn misted(&mut self, tray: &Tray) {
        let leaves = self.trays.entry(tray.name.clone()).or_insert_with(|| Leaves::of(tray));
        leaves.mold.wet_from_above();
        leaves.mold_band.wet_from_above();
        leaves.unsure.wet_from_above();
    }

    /// Trays that have left the room are forgotten, and with the first that is told of those that
    /// were assumed.
    pub(crate) fn keep(&mut self, growing: impl Fn(&str) -> bool, any_sown: bool) {
        self.trays.retain(|name, _| growing(name));
        if any_sown {
            self.assumed.clear();
        }
    }

    /// Lets `hours` pass over a place of which the journal says nothing: leaves of every family are
    /// taken to stand open there, and those that conditions favor most are told of.
    pub(crate) fn assume(
        &mut self,
        at: Timestamp,
        hours: f64,
        stand: &Stand<'_>,
        air: &TrayAir,
        held: bool,
    ) -> Condition {
        let assumed = self.assumed.entry(stand.place).or_insert_with(|| FAMILIES.map(Leaves::of_family).to_vec());
        for leaves in assumed.iter_mut() {
            leaves.breathe(at, hours, air);
        }
        let assumed: Vec<(&Leaves, Option<&Tray>)> = assumed.iter().map(|leaves| (leaves, None)).collect();
        judged(at, stand, air, &assumed, held)
    }

    /// Lets `hours` pass over the leaves of a place and judges them.
    pub(crate) fn look(
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
            (Condensation, self.dripping(at, hours, stand, air, condensation::judge(stand, held(Condensation)))),
        ]
    }

    /// Water that a probe knows to settle over trays in light drips on leaves, and these are
    /// then wet: harm begins when they have been wet for as long as infection needs at this
    /// temperature. Of an assumed cold spot nobody knows whether it is there: no harm is
    /// reckoned, and it is told in the digest.
    fn dripping(&mut self, at: Timestamp, hours: f64, stand: &Stand<'_>, air: &TrayAir, found: Condition) -> Condition {
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
                // Hours count by how warm they were, as those of the clock do.
                let had = self.dripping.entry(stand.place).and_modify(|had| *had += hours / needed).or_insert(0.0);
                let had = *had;
                let Evidence::Condensation { surface, dew_point, .. } = &evidence else {
                    return Condition::Present { harm: None, evidence };
                };
                let outlook = stand.watch.margin_outlook(at, surface - dew_point);
                let [early, likely, late] =
                    [(Face::Low, 0), (Face::Likely, 1), (Face::High, 2)].map(|(face, which)| {
                        let left = needed * (BEARS_DRIPPING[which] - had);
                        // As long as it drips; leaves that dry before that begin anew.
                        let drips =
                            outlook.ahead(face, 0.0).take_while(|margin| *margin < 0.0).count() as f64 * STEP_HOURS;
                        if left <= drips { left } else { f64::INFINITY }
                    });
                let harm = |early: f64| Harm {
                    early: at_hours(at, early),
                    likely: at_hours(at, likely.max(early)),
                    late: at_hours(at, late.max(likely).max(early)),
                };
                Condition::Present { harm: early.is_finite().then(|| harm(early)), evidence }
            }
            found => {
                self.dripping.remove(&stand.place);
                found
            }
        }
    }

    /// The pressure of the tray in a place that is furthest on.
    pub(crate) fn pressure(&self, trays: &[&Tray], temperature: Celsius) -> Option<Pressure> {
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
        let leaves: Vec<(&Leaves, Option<&Tray>)> =
            open.filter_map(|tray| Some((self.trays.get(&tray.name)?, Some(*tray)))).collect();
        judged(at, stand, air, &leaves, held)
    }
}

/// So many hours from now, before it where they are negative.
fn at_hours(at: Timestamp, hours: f64) -> Timestamp {
    if hours < 0.0 {
        at - TimeDelta::seconds((-hours * 3600.0) as i64)
    } else {
        Harm::after(at, hours, hours, hours).early
    }
}

/// Of all leaves of a place those are told of that harm comes to first.
fn judged(at: Timestamp, stand: &Stand<'_>, air: &TrayAir, all: &[(&Leaves, Option<&Tray>)], held: bool) -> Condition {
    let wet = all.iter().any(|(leaves, _)| leaves.mold.infection_progress() >= REPORTED_FROM);
    let coming = if wet { coming(at, stand, air) } else { Vec::new() };
    let harmed: Vec<_> =
        all.iter().filter_map(|(leaves, tray)| Some((*leaves, *tray, leaves.harm(at, &coming)?))).collect();
    let names = || harmed.iter().filter_map(|(_, tray, _)| Some(tray.as_ref()?.name.clone())).collect();
    let first = |(leaves, _, harm): &&(&Leaves, Option<&Tray>, Option<Harm>)| {
        let never = Timestamp::MAX_UTC;
        (harm.map_or((never, never), |harm| (harm.likely, harm.early)), core::cmp::Reverse(leaves.rank()))
    };
    if let Some((leaves, _, harm)) = harmed.iter().min_by_key(first) {
        return Condition::Present { harm: *harm, evidence: leaves.evidence(stand, air, names(), true) };
    }
    match all.iter().max_by_key(|(leaves, _)| leaves.rank()) {
        Some((leaves, tray)) if held => {
            let name = tray.map(|tray| tray.name.clone());
            Condition::Gone { evidence: leaves.evidence(stand, air, name.into_iter().collect(), false) }
        }
        _ => Condition::Absent,
    }
}

impl Leaves {
    fn of(tray: &Tray) -> Self {
        Leaves::of_family(&tray.figures.family)
    }

    fn of_family(family: &str) -> Self {
        Leaves {
            mold: MoldPressure::new(family),
            mold_band: MoldBand::new(family),
            unsure: MoldBand::new(family),
            infected_at: [None; 3],
            met: None,
        }
    }

    fn pass(&mut self, at: Timestamp, hours: f64, tray: &Tray, air: &TrayAir) {
        self.breathe(at, if tray.breathes_room_air(at) { hours } else { 0.0 }, air);
    }

    fn breathe(&mut self, at: Timestamp, hours: f64, air: &TrayAir) {
        if hours > 0.0 {
            self.mold.advance(hours, air);
            self.mold_band.advance(hours, air, air.humidity_accuracy);
            self.unsure.advance(hours, air, unsure_by(air));
        }
        for ((clock, infected_at), times) in
            self.clocks().map(MoldPressure::infection_progress).into_iter().zip(&mut self.infected_at).zip(BEARS)
        {
            *infected_at = infected_at.or(Some(at)).filter(|_| clock >= times);
        }
        let infection = self.mold.infection(air.temperature);
        if infection.progress >= 1.0 {
            self.met = Some(Met { until: at, infection, between: self.mold_band.hours(air.temperature) });
        }
    }

    /// The clocks of the early, the likely and the late figure.
    fn clocks(&self) -> [&MoldPressure; 3] {
        [self.unsure.most(), &self.mold, self.unsure.least()]
    }

    /// How far on they are, for an order among them.
    fn rank(&self) -> (u64, u64) {
        // Thousandths of what infection needs, and then whole points of pressure.
        ((self.mold.infection_progress() * 1000.0) as u64, self.mold.pressure() as u64)
    }

    /// The numbers of now; or, for leaves that have dried, those of their last spell if that is what
    /// there is to tell.
    fn evidence(&self, stand: &Stand<'_>, air: &TrayAir, trays: Vec<String>, of_spell: bool) -> Evidence {
        let dried = of_spell && self.mold.infection_progress() < REPORTED_FROM;
        let (infection, between) = self.met.as_ref().filter(|_| dried).map_or_else(
            || (self.mold.infection(air.temperature), self.mold_band.hours(air.temperature)),
            |met| (met.infection, met.between),
        );
        Evidence::Mold {
            place: stand.name.to_owned(),
            trays,
            pressure: self.mold.pressure(),
            hours: infection.allowed_hours,
            between,
            needed: infection.needed_hours.unwrap_or(0.0),
            pathogen: infection.pathogen.name,
        }
    }

    /// When it harms in air to come, if it is to be told at all. After a spell it only asks for a look.
    fn harm(&self, at: Timestamp, coming: &[[TrayAir; 3]]) -> Option<Option<Harm>> {
        let look = || self.met.as_ref().is_some_and(|met| at - met.until < LOOK_WITHIN).then_some(None);
        if self.mold.infection_progress() < REPORTED_FROM {
            return look();
        }
        let begins = [0, 1, 2].map(|which| {
            let ahead = coming.iter().map(|airs| (STEP_HOURS, airs[which]));
            let foreseen = || self.clocks()[which].infected_within(BEARS[which], ahead);
            self.infected_at[which].or_else(|| foreseen().map(|hours| Harm::after(at, hours, hours, hours).early))
        });
        let [early, likely, late] = begins;
        // Leaves that are drying and had what infection needs are looked at like those that are dry.
        let Some(early) = early else { return look() };
        let likely = likely.unwrap_or(Harm::never(at)).max(early);
        Some(Some(Harm { early, likely, late: late.unwrap_or(Harm::never(at)).max(likely) }))
    }
}

/// The air to come, in quarters of an hour: as damp as it may be, as it is likely, and as dry as it
/// may be.
fn coming(at: Timestamp, stand: &Stand<'_>, air: &TrayAir) -> Vec<[TrayAir; 3]> {
    let (temperature, humidity) = stand.watch.outlook(at, air.temperature.0, air.humidity.0);
    let with = |warm: f64, damp: f64| {
        let percent = |humidity: f64| RelativeHumidity(humidity.clamp(0.0, 100.0));
        let canopy_humidity = percent(air.canopy_humidity.0 + damp - air.humidity.0);
        TrayAir { temperature: Celsius(warm), humidity: percent(damp), canopy_humidity, ..*air }
    };
    let off = unsure_by(air);
    let airs = |(warm, damp)| {
        let likely = with(warm, damp);
        [damper(&likely, off), likely, damper(&likely, -off)]
    };
    temperature.ahead(Face::Likely, 0.0).zip(humidity.ahead(Face::Likely, 0.0)).map(airs).collect()
}

/// By how much the air may be damper or drier than measured for what it does to leaves, per cent.
fn unsure_by(air: &TrayAir) -> f64 {
    float::hypot(TENTH_OF_LIMITS * air.humidity_accuracy, RULE_OFF) * TOGETHER
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::air::{AirMinute, AirWatch};
    use crate::watch::band::Demand;

    #[test]
    fn leaves_nearer_to_infection_go_before_those_long_in_damp_air() {
        let breathed = |hours: f64, wetness: f64| {
            let mut leaves = Leaves::of_family("brassica");
            leaves.mold.advance_wet(hours, Celsius(20.0), wetness, RelativeHumidity(98.0));
            leaves
        };
        let (wet, damp) = (breathed(3.0, 1.0), breathed(72.0, 0.0));
        assert!(wet.mold.pressure() < damp.mold.pressure() && wet.rank() > damp.rank());
    }

    #[test]
    fn the_air_to_come_goes_on_as_it_goes_and_the_air_among_leaves_with_it() {
        let begins = Timestamp::from_timestamp(1_772_600_000, 0).expect("a time");
        let minute = |minute: i64| begins + TimeDelta::minutes(minute);
        let air = |minute: i64| AirMinute {
            temperature: Some(24.0 - 0.01 * minute as f64),
            humidity: Some(55.0 + 0.05 * minute as f64),
            ..AirMinute::default()
        };
        let (mut watch, demand) = (AirWatch::default(), Demand::default());
        for at in 0..=360 {
            watch.minute(minute(at), air(at), &demand, "Rack A", |_| false, |_, _| ());
        }
        let stand = Stand {
            place: 0,
            name: "Rack A",
            air: air(360),
            watch: &watch,
            demand: &demand,
            trays: &[],
            surfaces: &[],
            zone: chrono_tz::America::Chicago,
        };
        let now = stand.tray_air(minute(360)).expect("both are known");
        let [damp, likely, dry] = coming(minute(360), &stand, &now)[3];
        assert!(likely.temperature.0 < now.temperature.0 - 0.1, "it cools: {:?}", likely.temperature);
        let rises = likely.humidity.0 - now.humidity.0;
        assert!(rises > 0.5, "it gets damper: {rises}");
        assert!((likely.canopy_humidity.0 - now.canopy_humidity.0 - rises).abs() < 1e-9);
        assert!(damp.humidity.0 > likely.humidity.0 && likely.humidity.0 > dry.humidity.0);
    }
}
