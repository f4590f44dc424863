//! The physics of the invented room: heat, moisture, trays and water, in steps
//! of half a minute. Pure: time and actions come in, truth comes out. What
//! sensors make of the truth is in `sensors`, who does what when in `story`.
//!
//! Each rack stands behind a curtain with its own lights and fan; the fan
//! trades air with the loft, and the loft leaks to the outside.

use super::plan::{Breakage, Broken, MeasuredYear, PlacePlan, PlannedLot, RoomPlan, TankPlan};
use crate::journal::{Did, Sowing, Target};
use crate::random::SplitMix64;
use crate::units::Timestamp;
use chrono::{Datelike, TimeDelta, Timelike};

/// How far one step goes.
pub const STEP: TimeDelta = TimeDelta::seconds(30);

/// How it really is.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// The moment that is described.
    pub at: Timestamp,
    /// Outside temperature, Celsius.
    pub outside: f64,
    /// Air of the loft.
    pub loft: TrueAir,
    /// Air of each place, in the order of the plan.
    pub places: Vec<TrueAir>,
    /// Water in the tank, litres.
    pub tank_litres: f64,
    /// Depth of the water, millimetres.
    pub tank_depth: f64,
    /// Litres lost to the leak since the story began.
    pub leaked: f64,
    /// Litres the plants and the pump took since the story began.
    pub drawn: f64,
    /// Water left in the driest watered tray in light, millilitres; `None`: no such tray.
    pub driest_ml: Option<f64>,
}

/// Air, as it really is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueAir {
    /// Celsius.
    pub temperature: f64,
    /// Relative humidity, per cent.
    pub humidity: f64,
}

/// The room at a moment.
#[derive(Clone, Debug)]
pub struct Room {
    plan: RoomPlan,
    breakages: Vec<Breakage>,
    at: Timestamp,
    /// Room time less UTC: lights and weather follow a timer that knows no summer time.
    timer_offset: TimeDelta,
    random: SplitMix64,
    weather: f64,
    loft: Node,
    fabric: f64,
    heating: bool,
    cooling: bool,
    drying: bool,
    door_until: Timestamp,
    places: Vec<Shelf>,
    litres: f64,
    leaked: f64,
    drawn: f64,
    driest: Option<f64>,
    thirst: f64,
    measured: Option<MeasuredYear>,
}

#[derive(Clone, Copy, Debug)]
struct Node {
    temperature: f64,
    /// Grams of vapour in a cubic metre.
    vapour: f64,
}

#[derive(Clone, Copy, Debug)]
struct Shelf {
    air: Node,
    /// Water sprayed on leaves and not yet gone, grams.
    film: f64,
    curtain_until: Timestamp,
}

impl Room {
    /// A room that has stood for a while with everything working. The caller
    /// should let it run for a day before it trusts the air.
    pub fn new(plan: RoomPlan, breakages: Vec<Breakage>, at: Timestamp, timer_offset: TimeDelta, seed: u64) -> Self {
        let start = Node { temperature: plan.thermostat, vapour: 0.5 * saturation_density(plan.thermostat) };
        let shelf = Shelf { air: start, film: 0.0, curtain_until: at };
        Room {
            fabric: plan.thermostat - 1.0,
            places: vec![shelf; plan.places.len()],
            // Full while nobody watches; `begin` sets what the story asks for.
            litres: tank_area(&plan.tank) * plan.tank.height,
            random: SplitMix64::for_part(seed, "weather"),
            weather: 0.0,
            loft: start,
            heating: false,
            cooling: false,
            drying: false,
            door_until: at,
            leaked: 0.0,
            drawn: 0.0,
            driest: None,
            thirst: 1.0,
            measured: None,
            plan,
            breakages,
            at,
            timer_offset,
        }
    }

    /// Plants that give off so many times what the usual ones do.
    pub fn thirsty(mut self, times: f64) -> Self {
        self.thirst = times;
        self
    }

    /// Under the weather of a measured year instead of the plan's.
    pub fn under(mut self, year: Option<MeasuredYear>) -> Self {
        self.measured = year;
        self
    }

    /// What grows there now, with the water it really has.
    pub fn lots(&self) -> &[PlannedLot] {
        &self.plan.lots
    }

    /// The moment the room is at.
    pub fn at(&self) -> Timestamp {
        self.at
    }

    /// The story begins: the tank stands as planned, the sums start at nothing.
    pub fn begin(&mut self) {
        self.litres = self.plan.tank.litres;
        self.leaked = 0.0;
        self.drawn = 0.0;
    }

    /// Somebody is at the door: it stands open until `until`.
    pub fn open_door(&mut self, until: Timestamp) {
        self.door_until = self.door_until.max(until);
    }

    /// What a grower does changes the room now, whatever the entry says about time.
    pub fn take(&mut self, did: &Did) {
        match did {
            Did::Sow(sowing) => self.sow(sowing),
            Did::Uncover(target) | Did::Light(target) => {
                let at = self.at;
                for lot in self.plan.lots.iter_mut().filter(|lot| aims_at(target, lot)) {
                    lot.lit_at.get_or_insert(at);
                }
            }
            Did::Water { target, ml_per_tray } => self.water(target, ml_per_tray.unwrap_or(0.0)),
            Did::Mist(target) => self.mist(target),
            Did::Refill { litres, .. } => {
                let full = tank_area(&self.plan.tank) * self.plan.tank.height;
                self.litres = litres.map_or(full, |litres| (self.litres + litres).min(full));
            }
            Did::Move { tray, place } => {
                for lot in self.plan.lots.iter_mut().filter(|lot| lot.tray == *tray) {
                    lot.place.clone_from(place);
                }
            }
            Did::Harvest { tray, .. } | Did::Discard { tray, .. } => self.plan.lots.retain(|lot| lot.tray != *tray),
            Did::Unweight(_) | Did::Look { .. } | Did::Note { .. } | Did::Strike { .. } => {}
        }
    }

    /// One step of [`STEP`].
    pub fn step(&mut self) {
        let hours = STEP.num_seconds() as f64 / 3600.0;
        let outside = self.outside();
        self.switch();
        let mut heat_to_loft = 0.0;
        let mut vapour_to_loft = 0.0;
        let mut wicked = 0.0;
        for index in 0..self.places.len() {
            let (heat, vapour, litres) = self.step_place(index, hours);
            heat_to_loft += heat;
            vapour_to_loft += vapour;
            wicked += litres;
        }
        self.step_loft(outside, heat_to_loft, vapour_to_loft, hours);
        self.step_tank(wicked, hours);
        self.driest = self
            .plan
            .lots
            .iter()
            .filter(|lot| lot.lit_at.is_some() && self.plan.places.iter().any(|p| p.id == lot.place && p.watered))
            .map(|lot| lot.water_ml)
            .min_by(f64::total_cmp);
        self.at += STEP;
    }

    /// How it really is now.
    pub fn truth(&self) -> Truth {
        Truth {
            at: self.at,
            outside: self.outside().temperature,
            loft: air_of(self.loft),
            places: self.places.iter().map(|shelf| air_of(shelf.air)).collect(),
            tank_litres: self.litres,
            tank_depth: self.litres / tank_area(&self.plan.tank),
            leaked: self.leaked,
            drawn: self.drawn,
            driest_ml: self.driest,
        }
    }

    fn sow(&mut self, sowing: &Sowing) {
        self.plan.lots.push(PlannedLot {
            tray: sowing.tray.clone(),
            place: sowing.place.clone(),
            crop: sowing.crop.clone().unwrap_or_default(),
            count: sowing.count,
            sown_at: self.at,
            lit_at: None,
            water_ml: MEDIUM_ML,
        });
    }

    fn water(&mut self, target: &Target, ml_per_tray: f64) {
        let pump_dead = self.broken(|b| matches!(b, Broken::Pump));
        let lit = self.plan.lots.iter_mut().filter(|lot| lot.lit_at.is_some() && aims_at(target, lot));
        for lot in lit {
            let wanted = ml_per_tray * f64::from(lot.count) / 1000.0;
            let inlet = tank_area(&self.plan.tank) * self.plan.tank.pump_inlet;
            let given = if pump_dead { 0.0 } else { wanted.min((self.litres - inlet).max(0.0)) };
            self.litres -= given;
            self.drawn += given;
            lot.water_ml = (lot.water_ml + given * 1000.0 / f64::from(lot.count)).min(MEDIUM_ML);
        }
        self.part_curtains(target, TimeDelta::minutes(3));
    }

    fn mist(&mut self, target: &Target) {
        for (shelf, place) in self.places.iter_mut().zip(&self.plan.places) {
            for lot in self.plan.lots.iter().filter(|lot| lot.place == place.id && aims_at(target, lot)) {
                // Under a cover most of the mist stays with the tray.
                let share = if lot.lit_at.is_some() { 1.0 } else { 0.2 };
                let trays = f64::from(lot.count) * share;
                shelf.film += trays * MIST_FILM_GRAMS;
                shelf.air.vapour += trays * MIST_DRIFT_GRAMS / (SHELF_CUBIC_METRES * SHELF_BUFFER);
            }
            shelf.air.vapour = shelf.air.vapour.min(saturation_density(shelf.air.temperature));
        }
        self.part_curtains(target, TimeDelta::minutes(2));
    }

    fn part_curtains(&mut self, target: &Target, span: TimeDelta) {
        for (shelf, place) in self.places.iter_mut().zip(&self.plan.places) {
            // A still shelf has lids, not a curtain; they are lifted one by one.
            if place.fan_flow > 0.0 && target.place.as_ref().is_none_or(|wanted| *wanted == place.id) {
                shelf.curtain_until = shelf.curtain_until.max(self.at + span);
            }
        }
    }

    fn broken(&self, what: impl Fn(&Broken) -> bool) -> bool {
        self.breakages.iter().any(|b| b.from <= self.at && self.at < b.until && what(&b.what))
    }

    fn hour(&self) -> f64 {
        f64::from((self.at + self.timer_offset).num_seconds_from_midnight()) / 3600.0
    }

    fn outside(&self) -> Node {
        if let Some(year) = &self.measured {
            let local = self.at + self.timer_offset;
            let (temperature, dew_point) = year.at(f64::from(local.ordinal0()) * 24.0 + self.hour());
            let vapour = 1000.0 * saturation_pressure(dew_point.min(temperature)) / (461.523 * (temperature + 273.15));
            return Node { temperature, vapour };
        }
        let climate = self.plan.outside;
        let phase = (self.hour() - 15.0) / 24.0 * std::f64::consts::TAU;
        // The dew point of a day moves far less than its temperature: the night
        // cannot hold more than saturation, so it caps the vapour.
        let coldest = climate.mean - climate.swing;
        let vapour = climate.humidity / 100.0 * saturation_density(climate.mean);
        Node {
            temperature: climate.mean + climate.swing * phase.cos() + self.weather,
            vapour: vapour.min(saturation_density(coldest) * 0.97),
        }
    }

    fn switch(&mut self) {
        // Weather wanders with a memory of about half a day.
        let memory = STEP.num_seconds() as f64 / 43_200.0;
        self.weather += -self.weather * memory + 1.2 * (2.0 * memory).sqrt() * self.random.bell();
        let (thermostat, loft) = (self.plan.thermostat, air_of(self.loft));
        self.heating = hold(self.heating, thermostat - loft.temperature, 0.3);
        self.cooling = hold(self.cooling, loft.temperature - thermostat - 2.0, 0.4);
        self.drying = hold(self.drying, loft.humidity - self.plan.humidistat, 2.0)
            && !self.broken(|b| matches!(b, Broken::Dehumidifier));
    }

    fn lit(&self, place: &PlacePlan) -> bool {
        let hour = self.hour();
        let stuck = self.broken(|b| matches!(b, Broken::LightsStuckOn(id) if *id == place.id));
        place.light_watts > 0.0 && (stuck || (place.light_from <= hour && hour < place.light_until))
    }

    /// Moves one place's air on; returns the heat (joules) and vapour (grams)
    /// handed to the loft and the litres its trays wicked from the tank.
    fn step_place(&mut self, index: usize, hours: f64) -> (f64, f64, f64) {
        let place = self.plan.places[index].clone();
        let lit = self.lit(&place);
        let fan_out = self.broken(|b| matches!(b, Broken::Fan(id) if *id == place.id));
        let mut flow = if fan_out { place.gap_flow } else { place.fan_flow.max(place.gap_flow) };
        if self.places[index].curtain_until > self.at {
            flow += CURTAIN_FLOW;
        }
        let before = self.places[index].air;
        let deficit = vapour_pressure_deficit_kpa(before);
        let (given_off, wicked) = self.transpire(&place, lit, deficit, hours);
        let film = (FILM_GRAMS_PER_HOUR_KPA * deficit * hours).min(1.0) * self.places[index].film;
        self.places[index].film -= film;
        let gained = given_off + film;

        // Implicit in the exchange, so that an open curtain cannot overshoot.
        let conductance = flow * AIR_JOULES_PER_CUBIC_METRE / 3600.0 + CURTAIN_WATTS_PER_KELVIN;
        let seconds = hours * 3600.0;
        let heat = if lit { place.light_watts * seconds } else { 0.0 } - gained * LATENT_JOULES_PER_GRAM;
        let pull = conductance * seconds / SHELF_JOULES_PER_KELVIN;
        let temperature =
            (before.temperature + heat / SHELF_JOULES_PER_KELVIN + pull * self.loft.temperature) / (1.0 + pull);
        let volume = SHELF_CUBIC_METRES * SHELF_BUFFER;
        let trade = flow * hours / volume;
        let mixed = (before.vapour + gained / volume + trade * self.loft.vapour) / (1.0 + trade);
        let vapour = mixed.min(saturation_density(temperature));

        let heat_out = conductance * seconds * (temperature - self.loft.temperature);
        let vapour_out = flow * hours * (mixed - self.loft.vapour);
        self.places[index].air = Node { temperature, vapour };
        (heat_out, vapour_out, wicked)
    }

    /// Grams the trays of a place give off in a step, and litres wicked up.
    fn transpire(&mut self, place: &PlacePlan, lit: bool, deficit: f64, hours: f64) -> (f64, f64) {
        let inlet = tank_area(&self.plan.tank) * self.plan.tank.pump_inlet;
        let wet_tank = self.litres > inlet;
        let (mut grams, mut wicked) = (0.0, 0.0);
        for lot in self.plan.lots.iter_mut().filter(|lot| lot.place == place.id) {
            let trays = f64::from(lot.count);
            let rate = if lit { LIT_GRAMS + LIT_GRAMS_KPA * deficit } else { DARK_GRAMS_KPA * deficit };
            let dry = if lot.water_ml > 0.0 { 1.0 } else { 0.1 };
            let each = rate * self.thirst * canopy(lot, self.at) * dry * hours;
            grams += each * trays;
            let from_tank = if place.watered && wet_tank && lot.lit_at.is_some() { each * WICK_SHARE } else { 0.0 };
            wicked += from_tank * trays / 1000.0;
            lot.water_ml = (lot.water_ml - each + from_tank).max(0.0);
        }
        (grams, wicked)
    }

    fn step_loft(&mut self, outside: Node, heat: f64, vapour: f64, hours: f64) {
        let seconds = hours * 3600.0;
        let open = self.door_until > self.at || self.broken(|b| matches!(b, Broken::Door));
        let flow = INFILTRATION + if open { DOOR_FLOW } else { 0.0 };
        let loft = self.loft;
        let mut watts = FABRIC_INSIDE * (self.fabric - loft.temperature)
            + flow * AIR_JOULES_PER_CUBIC_METRE / 3600.0 * (outside.temperature - loft.temperature);
        let stuck_on = self.broken(|b| matches!(b, Broken::HeaterStuckOn));
        if (self.heating && !self.broken(|b| matches!(b, Broken::Heater))) || stuck_on {
            watts += self.plan.heater_watts;
        }
        if self.cooling && !self.broken(|b| matches!(b, Broken::Cooler)) {
            watts -= self.plan.cooler_watts;
        }
        let dried = if self.drying { DEHUMIDIFIER_GRAMS_PER_HOUR * air_of(loft).humidity / 60.0 * hours } else { 0.0 };
        let dryer = if self.drying { DEHUMIDIFIER_WATTS * seconds } else { 0.0 } + dried * LATENT_JOULES_PER_GRAM;
        self.fabric += seconds
            * (FABRIC_INSIDE * (loft.temperature - self.fabric) + FABRIC_OUTSIDE * (outside.temperature - self.fabric))
            / FABRIC_JOULES_PER_KELVIN;
        self.loft.temperature += (watts * seconds + heat + dryer) / LOFT_JOULES_PER_KELVIN;
        let volume = LOFT_CUBIC_METRES * BUFFER;
        self.loft.vapour += (vapour - dried + flow * hours * (outside.vapour - loft.vapour)) / volume;
        self.loft.vapour = self.loft.vapour.clamp(0.1, saturation_density(self.loft.temperature));
    }

    fn step_tank(&mut self, wicked: f64, hours: f64) {
        let leak: f64 = self
            .breakages
            .iter()
            .filter(|b| b.from <= self.at && self.at < b.until)
            .map(|b| if let Broken::Leak(litres) = b.what { litres * hours } else { 0.0 })
            .sum();
        let wicked = wicked.min(self.litres);
        let leaked = leak.min(self.litres - wicked);
        self.litres -= wicked + leaked;
        self.drawn += wicked;
        self.leaked += leaked;
    }
}

/// Saturation vapour pressure over water, pascals; Alduchov and Eskridge 1996
/// (AERK), within 0.4 % from -40 to 50 C.
pub fn saturation_pressure(temperature: f64) -> f64 {
    610.94 * (17.625 * temperature / (temperature + 243.04)).exp()
}

/// Grams of vapour in a cubic metre of saturated air (ideal gas, 461.523 J/kg/K).
pub fn saturation_density(temperature: f64) -> f64 {
    1000.0 * saturation_pressure(temperature) / (461.523 * (temperature + 273.15))
}

fn air_of(node: Node) -> TrueAir {
    let humidity = 100.0 * node.vapour / saturation_density(node.temperature);
    TrueAir { temperature: node.temperature, humidity: humidity.clamp(0.0, 100.0) }
}

fn vapour_pressure_deficit_kpa(node: Node) -> f64 {
    saturation_pressure(node.temperature) / 1000.0 * (1.0 - air_of(node).humidity / 100.0)
}

fn hold(on: bool, excess: f64, half_band: f64) -> bool {
    if on { excess > -half_band } else { excess > half_band }
}

/// Litres in one millimetre of depth.
fn tank_area(tank: &TankPlan) -> f64 {
    tank.length * tank.width / 1e6
}

fn aims_at(target: &Target, lot: &PlannedLot) -> bool {
    target.tray.as_ref().is_none_or(|tray| *tray == lot.tray)
        && target.place.as_ref().is_none_or(|place| *place == lot.place)
}

/// How much a tray gives off beside a canopy of leaf area index 3: next to
/// nothing under a cover, about half on the first day in light, a third more
/// than the reference when it is due.
fn canopy(lot: &PlannedLot, at: Timestamp) -> f64 {
    match lot.lit_at {
        None => 0.05,
        Some(lit_at) => (0.5 + 0.13 * (at - lit_at).num_minutes() as f64 / 1440.0).clamp(0.5, 1.35),
    }
}

/// Water a freshly soaked tray's medium holds within reach of roots: 3 cm of a
/// peat mix in a 10 x 20 inch tray (own reckoning).
const MEDIUM_ML: f64 = 900.0;
/// Share of a lit tray's use that wicks up from the tank all day; the pump at
/// the rounds gives the rest. Own default.
const WICK_SHARE: f64 = 0.5;
/// Grams an hour a tray: after Graamans et al. 2017 (Agricultural Systems 153:138-147)
/// (22 C, leaf area index 3, 150 umol, 0.2 m/s), a straight line through its
/// rows for 40 and 80 %RH, times the coupling of 0.54 learned there (4.4).
const LIT_GRAMS: f64 = 1.0;
const LIT_GRAMS_KPA: f64 = 9.7;
const DARK_GRAMS_KPA: f64 = 7.5;
/// A misted tray: 100 g/m2 on 0.129 m2 wets the leaves, some drifts into the air. Own default.
const MIST_FILM_GRAMS: f64 = 12.0;
const MIST_DRIFT_GRAMS: f64 = 5.0;
/// Share of a film gone in an hour per kPa: 0.1 mm dries in 1.03 h at 22 C, 60 % (Penman-Monteith, own reckoning).
const FILM_GRAMS_PER_HOUR_KPA: f64 = 0.92;
const LATENT_JOULES_PER_GRAM: f64 = 2450.0;
const AIR_JOULES_PER_CUBIC_METRE: f64 = 1206.0;
/// Walls, cloth and medium take up moisture with the air: effective volume over
/// true, for the loft and for the crowded space behind a curtain. Own defaults.
const BUFFER: f64 = 4.0;
const SHELF_BUFFER: f64 = 12.0;
/// A rack of 1.2 x 0.6 x 2 m, and the heat its wet trays hold. Own defaults, as all below.
const SHELF_CUBIC_METRES: f64 = 1.44;
const SHELF_JOULES_PER_KELVIN: f64 = 150_000.0;
const CURTAIN_WATTS_PER_KELVIN: f64 = 20.0;
const CURTAIN_FLOW: f64 = 250.0;
const LOFT_CUBIC_METRES: f64 = 60.0;
const LOFT_JOULES_PER_KELVIN: f64 = 300_000.0;
/// Cubic metres an hour through gaps, and through an open door.
const INFILTRATION: f64 = 30.0;
const DOOR_FLOW: f64 = 700.0;
const FABRIC_JOULES_PER_KELVIN: f64 = 2_700_000.0;
const FABRIC_INSIDE: f64 = 250.0;
const FABRIC_OUTSIDE: f64 = 50.0;
const DEHUMIDIFIER_GRAMS_PER_HOUR: f64 = 800.0;
const DEHUMIDIFIER_WATTS: f64 = 200.0;
