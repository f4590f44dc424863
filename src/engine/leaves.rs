//! The watch over each tray's leaves and medium: how long the air has allowed infection,
//! and when the water it was given is used up. The models are in `risk::mold` and
//! `risk::dryness`; here they are fed with the tray's air and the grower's log, and what
//! they foresee becomes conditions for a place.
//!
//! Dryness is judged only for trays whose waterings are logged: without a log nothing is
//! known of the water, and a tray fed by a pump would seem to starve.

use super::air::Air;
use super::alarm::cycle::Condition;
use super::alarm::{AlarmKind, Evidence, Harm};
use super::band::Demand;
use super::condensation::{self, Probe};
use super::risk::canopy::{FAN_AIR_SPEED, humidity_within_unknown_canopy};
use super::risk::dryness::{
    Coefficient, HORIZON_HOURS, HourAhead, LOG_ERROR, Lesson, Medium, RESERVOIR_ERROR, Store, draw_shape, dry_in,
};
use super::risk::mold::{MoldPressure, REQUIREMENT_MET, TrayAir};
use super::risk::mold_band::MoldBand;
use super::tray::Tray;
use crate::units::{Celsius, RelativeHumidity, Timestamp};
use chrono::{TimeDelta, Timelike};
use std::collections::BTreeMap;

/// Half of what infection needs is allowed: from here on the forecast is told.
const TOLD_FROM: f64 = 0.5;
/// The pressure must fall by so much before the alarm may return.
const PRESSURE_DEADBAND: f64 = 20.0;
/// After a requirement was met, a look within a day is early enough: what grew shows
/// after days (INRAE e-phytia: sporulation can begin three days after contamination).
const LOOK_WITHIN: TimeDelta = TimeDelta::hours(24);
/// Fewer waterings than this are no log to judge by. Own default.
pub const LOGGED_WATERINGS: u32 = 4;
/// A layer of medium in a standard tray, millimetres (25 to 30 in practice, no source).
pub const MEDIUM_DEPTH_MM: f64 = 25.0;
/// Waterings closer together than this teach nothing about drying. Own default.
const LEAST_LESSON_HOURS: f64 = 6.0;
/// Longer than half a day ahead, a round with its watering lies between. Own default.
const TOLD_WITHIN_HOURS: f64 = 16.0;
/// Light on a tray by day, µmol/(m² s), and the local hours it is taken to be on. Own defaults.
const DAYLIGHT: f64 = 150.0;
const LIT_HOURS: std::ops::Range<u32> = 6..22;
/// A forecast is worth its arithmetic only when less than this is left, grams.
const NEARLY_USED_UP: f64 = 450.0;

/// Air this little above its lowest limit may be below it before the next look, per cent;
/// the deadband of the alarm. Own default.
const NEARLY_DRY: f64 = 3.0;

/// One tray's leaves and medium.
#[derive(Clone, Debug)]
struct Leaves {
    mold: MoldPressure,
    mold_band: MoldBand,
    met_at: Option<Timestamp>,
    water: Store,
    waterings: u32,
    watered_at: Option<Timestamp>,
    /// What theory says the tray drew since the last watering, grams.
    drawn_by_theory: f64,
    /// Hours since then in which its air was known.
    seen_hours: f64,
    /// What theory said it had drawn when it was last watered without an amount in the log;
    /// the tank may tell the amount.
    untold: Option<f64>,
    /// How it stood before its last watering, should that prove to have been none.
    before: Option<Before>,
    /// A watering in the log that the tank did not show.
    not_shown: Option<Timestamp>,
}

/// A tray's water before a watering.
#[derive(Clone, Copy, Debug)]
struct Before {
    water: Store,
    watered_at: Option<Timestamp>,
    drawn_by_theory: f64,
    seen_hours: f64,
}

/// Every tray's leaves and medium, and what each place has taught about drying.
#[derive(Clone, Debug, Default)]
pub struct LeavesWatch {
    trays: BTreeMap<String, Leaves>,
    coefficients: BTreeMap<u16, Coefficient>,
    /// When the first tray in light of each place will have used up its water, where the log
    /// tells the water of all of them.
    water: BTreeMap<u16, Option<Harm>>,
    /// Since when a surface with a probe is below the dew point over trays in light.
    dripping: BTreeMap<u16, Timestamp>,
    looked_at: Option<Timestamp>,
}

/// A place and the trays that breathe its air.
pub struct Stand<'a> {
    /// The place's number, for what it has taught.
    pub place: u16,
    /// The place's name.
    pub name: &'a str,
    /// Its air.
    pub air: Air,
    /// What it must hold.
    pub demand: &'a Demand,
    /// The trays.
    pub trays: &'a [&'a Tray],
    /// Probes on surfaces there.
    pub surfaces: &'a [Probe<'a>],
    /// The site's time zone, for when lights are taken to be on.
    pub zone: chrono_tz::Tz,
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

impl LeavesWatch {
    /// A tray was watered.
    pub fn watered(&mut self, tray: &Tray, at: Timestamp, ml: Option<f64>) {
        let coefficient = self.coefficients.entry(tray.place.0).or_default();
        let leaves = self.trays.entry(tray.name.clone()).or_insert_with(|| Leaves::of(tray));
        let elapsed = leaves.watered_at.map_or(0.0, |before| (at - before).num_minutes() as f64 / 60.0);
        // Only a span that was watched from watering to watering teaches; entries told of the
        // past would weigh a day's water against an hour's air.
        let teaches = elapsed >= LEAST_LESSON_HOURS && leaves.seen_hours >= 0.9 * elapsed;
        if let Some(grams) = ml.filter(|_| teaches) {
            // Nonsense is rejected there, and the lesson forgotten slowly.
            let _ = coefficient.learn(grams, leaves.drawn_by_theory, LOG_ERROR);
        }
        leaves.untold = (teaches && ml.is_none()).then_some(leaves.drawn_by_theory);
        leaves.before = Some(Before {
            water: leaves.water,
            watered_at: leaves.watered_at,
            drawn_by_theory: leaves.drawn_by_theory,
            seen_hours: leaves.seen_hours,
        });
        leaves.drawn_by_theory = 0.0;
        leaves.seen_hours = 0.0;
        // Watered from below, a shallow layer takes up what it can hold (container capacity of
        // 25 to 30 mm is near saturation; Milks, Fonteno and Larson 1989, abstract). A running
        // balance of small errors would starve trays that are watered twice a day.
        leaves.water = Leaves::soaked();
        leaves.waterings += 1;
        leaves.watered_at = leaves.watered_at.max(Some(at));
    }

    /// It is believed that this tray was watered, whatever its tank showed.
    pub fn believe(&mut self, tray: &str) {
        if let Some(leaves) = self.trays.get_mut(tray) {
            leaves.not_shown = None;
        }
    }

    /// A watering of this tray was logged that its tank did not show.
    pub fn is_doubted(&self, tray: &str) -> bool {
        self.trays.get(tray).is_some_and(|leaves| leaves.not_shown.is_some())
    }

    /// The tank fell by so many grams for each tray of the last round; where the log named no
    /// amount, that is the lesson. True if it was one.
    pub fn drew(&mut self, tray: &Tray, grams: f64) -> bool {
        let Some(leaves) = self.trays.get_mut(&tray.name) else { return false };
        leaves.before = None;
        leaves.not_shown = None;
        let Some(theory) = leaves.untold.take() else { return false };
        self.coefficients.entry(tray.place.0).or_default().learn(grams, theory, RESERVOIR_ERROR) == Lesson::Taken
    }

    /// The watering logged at `logged_at` did not show in a tank where waterings do: its water
    /// is reckoned from the one before.
    pub fn not_watered(&mut self, tray: &Tray, logged_at: Timestamp) {
        let learnt = self.coefficients.get(&tray.place.0).copied().unwrap_or_default();
        let Some(leaves) = self.trays.get_mut(&tray.name) else { return };
        let Some(before) = leaves.before.take() else { return };
        leaves.water = before.water;
        leaves.water.draw(learnt.mean() * leaves.drawn_by_theory);
        leaves.drawn_by_theory += before.drawn_by_theory;
        leaves.seen_hours += before.seen_hours;
        leaves.watered_at = before.watered_at;
        leaves.waterings = leaves.waterings.saturating_sub(1);
        leaves.not_shown = Some(logged_at);
        leaves.untold = None;
    }

    /// A tray was wetted from above.
    pub fn misted(&mut self, tray: &Tray) {
        let leaves = self.trays.entry(tray.name.clone()).or_insert_with(|| Leaves::of(tray));
        leaves.mold.wet_from_above();
        leaves.mold_band.wet_from_above();
    }

    /// Trays that have left the room are forgotten.
    pub fn keep(&mut self, growing: impl Fn(&str) -> bool) {
        self.trays.retain(|name, _| growing(name));
    }

    /// Hours since the last look, at most one: what the air was in a longer gap is not known.
    pub fn hours_since_look(&mut self, at: Timestamp) -> f64 {
        let hours = self.looked_at.map_or(0.0, |looked| (at - looked).num_seconds() as f64 / 3600.0);
        self.looked_at = Some(at);
        for coefficient in self.coefficients.values_mut() {
            coefficient.forget(hours.clamp(0.0, 24.0) / 24.0);
        }
        if hours > 1.0 { 0.0 } else { hours.max(0.0) }
    }

    /// Lets `hours` pass over the trays of a place and judges them.
    pub fn look(
        &mut self,
        at: Timestamp,
        hours: f64,
        stand: &Stand<'_>,
        held: impl Fn(AlarmKind) -> bool,
    ) -> [(AlarmKind, Condition); 3] {
        use AlarmKind::{Condensation, DryOut, MoldPressure};
        let Some((temperature, humidity)) = stand.air.temperature.zip(stand.air.humidity) else {
            return [MoldPressure, DryOut, Condensation].map(|kind| (kind, Condition::Unknown));
        };
        let lit = lit(at, stand.zone);
        let air = tray_air(at, stand.zone, temperature, humidity, stand.air.accuracy.humidity);
        for tray in stand.trays {
            let leaves = self.trays.entry(tray.name.clone()).or_insert_with(|| Leaves::of(tray));
            leaves.pass(at, hours, tray, &air, lit, self.coefficients.get(&stand.place).copied().unwrap_or_default());
        }
        // Only where the air is dry does anybody ask; the forecast costs more than all the rest.
        let dry = stand.demand.limits.humidity_min.is_some_and(|limit| humidity < limit + NEARLY_DRY);
        match dry.then(|| self.water_of(at, stand, &air)).flatten() {
            Some(lasts) => self.water.insert(stand.place, lasts),
            None => self.water.remove(&stand.place),
        };
        [
            (MoldPressure, self.mold(at, stand, &air, held(MoldPressure))),
            (DryOut, self.dryness(at, stand, &air)),
            (Condensation, self.dripping(at, stand, &air, condensation::judge(stand, held(Condensation)))),
        ]
    }

    /// What dry air comes to in a place: it harms by using up the water of its trays. Where the
    /// log tells how much they have left, that is when it will be used up, or `None`: not
    /// within a day. Outer `None`: the log does not tell.
    pub fn dry_air_harms(&self, place: u16) -> Option<Option<Harm>> {
        self.water.get(&place).copied()
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
                let from = since + TimeDelta::seconds((needed * 3600.0) as i64);
                Condition::Present { harm: Some(Harm { from, early: from }), evidence }
            }
            found => {
                self.dripping.remove(&stand.place);
                found
            }
        }
    }

    fn water_of(&self, at: Timestamp, stand: &Stand<'_>, air: &TrayAir) -> Option<Option<Harm>> {
        let coefficient = self.coefficients.get(&stand.place).copied().unwrap_or_default();
        let mut open = stand.trays.iter().filter(|tray| tray.breathes_room_air(at)).peekable();
        open.peek()?;
        let mut soonest: Option<Harm> = None;
        let mut logged = false;
        for tray in open {
            let leaves = self.trays.get(&tray.name).filter(|leaves| leaves.waterings > 0)?;
            logged |= leaves.waterings >= LOGGED_WATERINGS;
            let dry = dry_in(leaves.water, coefficient, &hours_ahead(at, tray, air, stand.zone));
            let after = |hours: f64| at + TimeDelta::seconds((hours * 3600.0) as i64);
            let Some(early) = dry.early.map(after) else { continue };
            let from = dry.likely.map_or(after(HORIZON_HOURS as f64), after);
            if soonest.is_none_or(|harm| early < harm.early) {
                soonest = Some(Harm { from, early });
            }
        }
        logged.then_some(soonest)
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
        let mut told: Option<(f64, &Leaves, Harm)> = None;
        let mut names = Vec::new();
        for tray in open {
            let Some(leaves) = self.trays.get(&tray.name) else {
                continue;
            };
            let Some(harm) = leaves.mold_harm(at, air, held) else {
                continue;
            };
            names.push(tray.name.clone());
            let pressure = leaves.mold.pressure();
            if told.as_ref().is_none_or(|(worst, ..)| pressure > *worst) {
                told = Some((pressure, leaves, harm));
            }
        }
        let Some((pressure, leaves, harm)) = told else {
            return Condition::Absent;
        };
        let infection = leaves.mold.infection(air.temperature);
        let evidence = Evidence::Mold {
            place: stand.name.to_owned(),
            trays: names,
            pressure,
            hours: infection.allowed_hours,
            between: leaves.mold_band.hours(air.temperature),
            needed: infection.needed_hours.unwrap_or(0.0),
            model: format!("{} on {}", infection.pathogen.name, infection.pathogen.host),
        };
        Condition::Present { harm: Some(harm), evidence }
    }

    fn dryness(&self, at: Timestamp, stand: &Stand<'_>, air: &TrayAir) -> Condition {
        let coefficient = self.coefficients.get(&stand.place).copied().unwrap_or_default();
        let mut told: Option<(f64, f64, &Leaves)> = None;
        let mut names = Vec::new();
        for tray in stand.trays {
            let Some(leaves) = self.trays.get(&tray.name) else {
                continue;
            };
            // A pump that may be dead needs hands at the next round, however much water is left.
            let doubted = leaves.not_shown.is_some();
            if !doubted && (leaves.waterings < LOGGED_WATERINGS || leaves.water.grams() > NEARLY_USED_UP) {
                continue;
            }
            let ahead = hours_ahead(at, tray, air, stand.zone);
            let dry = dry_in(leaves.water, coefficient, &ahead);
            let horizon = doubted.then_some(HORIZON_HOURS as f64);
            let likely = dry.likely.filter(|likely| doubted || *likely <= TOLD_WITHIN_HOURS).or(horizon);
            let Some((early, likely)) = dry.early.or(horizon).zip(likely) else {
                continue;
            };
            names.push(tray.name.clone());
            if told.is_none_or(|(soonest, ..)| early < soonest) {
                told = Some((early, likely, leaves));
            }
        }
        let Some((early, likely, leaves)) = told else {
            return Condition::Absent;
        };
        let after = |hours: f64| at + TimeDelta::seconds((hours * 3600.0) as i64);
        let evidence = Evidence::Dryness {
            place: stand.name.to_owned(),
            trays: names,
            hours: likely,
            watered: leaves.watered_at,
            not_shown: leaves.not_shown,
        };
        Condition::Present { harm: Some(Harm { from: after(likely), early: after(early) }), evidence }
    }
}

impl Leaves {
    fn of(tray: &Tray) -> Self {
        Leaves {
            mold: MoldPressure::new(&tray.figures.family),
            mold_band: MoldBand::new(&tray.figures.family),
            met_at: None,
            water: Leaves::soaked(),
            waterings: 0,
            watered_at: None,
            drawn_by_theory: 0.0,
            seen_hours: 0.0,
            untold: None,
            before: None,
            not_shown: None,
        }
    }

    fn soaked() -> Store {
        Store::full(Medium::Fine.available_grams(MEDIUM_DEPTH_MM))
    }

    fn pass(&mut self, at: Timestamp, hours: f64, tray: &Tray, air: &TrayAir, lit: bool, learnt: Coefficient) {
        if tray.breathes_room_air(at) {
            self.mold.advance(hours, air);
            self.mold_band.advance(hours, air);
        }
        if self.mold.pressure() >= REQUIREMENT_MET {
            self.met_at.get_or_insert(at);
        } else {
            self.met_at = None;
        }
        let by_theory = shape(at, tray, air, lit, air.humidity.0) * hours;
        self.drawn_by_theory += by_theory;
        self.seen_hours += hours;
        self.water.draw(learnt.mean() * by_theory);
    }

    fn mold_harm(&self, at: Timestamp, air: &TrayAir, held: bool) -> Option<Harm> {
        if let Some(met) = self.met_at {
            let from = met + LOOK_WITHIN;
            return Some(Harm { from, early: from });
        }
        let pressure = self.mold.pressure();
        if held && pressure > REQUIREMENT_MET - PRESSURE_DEADBAND {
            let from = at + LOOK_WITHIN;
            return Some(Harm { from, early: from });
        }
        if self.mold.infection(air.temperature).progress < TOLD_FROM {
            return None;
        }
        let hours = self.mold.hours_until_met(air)?;
        // The hygrometer may read low: at the damp end of its accuracy it comes sooner.
        let damp = |humidity: RelativeHumidity| RelativeHumidity((humidity.0 + air.humidity_accuracy).min(100.0));
        let damper = TrayAir { humidity: damp(air.humidity), canopy_humidity: damp(air.canopy_humidity), ..*air };
        let early = self.mold.hours_until_met(&damper).unwrap_or(hours).min(hours);
        let after = |hours: f64| at + TimeDelta::seconds((hours * 3600.0) as i64);
        Some(Harm { from: after(hours), early: after(early) })
    }
}

/// The air of a tray in light, from what a place's sensors believe, Celsius and per cent
/// that may be off by `accuracy`, with what is assumed of the rest.
pub fn tray_air(at: Timestamp, zone: chrono_tz::Tz, temperature: f64, humidity: f64, accuracy: f64) -> TrayAir {
    TrayAir {
        temperature: Celsius(temperature),
        humidity: RelativeHumidity(humidity),
        humidity_accuracy: accuracy,
        canopy_humidity: humidity_within_unknown_canopy(RelativeHumidity(humidity), lit(at, zone)),
        air_speed: FAN_AIR_SPEED,
    }
}

/// Grams an hour a tray draws by theory in this air, before what its place has taught.
pub fn drawn_by_theory(at: Timestamp, zone: chrono_tz::Tz, tray: &Tray, air: &TrayAir) -> f64 {
    shape(at, tray, air, lit(at, zone), air.humidity.0)
}

fn lit(at: Timestamp, zone: chrono_tz::Tz) -> bool {
    LIT_HOURS.contains(&at.with_timezone(&zone).hour())
}

fn shape(at: Timestamp, tray: &Tray, air: &TrayAir, lit: bool, humidity: f64) -> f64 {
    let lit_days = (tray.harvest_from() - tray.light_due_at()).num_minutes().max(1) as f64;
    let grown = (at - tray.light_due_at()).num_minutes() as f64 / lit_days;
    let light = if lit { DAYLIGHT } else { 0.0 };
    draw_shape(
        tray.stage(at),
        grown,
        light,
        air.air_speed,
        air.temperature,
        RelativeHumidity(humidity.clamp(0.0, 100.0)),
    )
}

fn hours_ahead(at: Timestamp, tray: &Tray, air: &TrayAir, zone: chrono_tz::Tz) -> Vec<HourAhead> {
    (0..HORIZON_HOURS as i64)
        .map(|hour| {
            let then = at + TimeDelta::hours(hour);
            let lit = LIT_HOURS.contains(&then.with_timezone(&zone).hour());
            let draw = |humidity: f64| shape(then, tray, air, lit, humidity);
            HourAhead {
                driest: draw(air.humidity.0 - air.humidity_accuracy),
                likely: draw(air.humidity.0),
                dampest: draw(air.humidity.0 + air.humidity_accuracy),
            }
        })
        .collect()
}
