//! The hidden truth of harm: for each hazard of a room when harm began, by what the seed
//! drew that its trays bear. It asks the engine nothing.

use crate::drawn::{Bears, Drawn};
use crate::faults::Kind;
use chrono::TimeDelta;
use std::collections::BTreeMap;
use traywarden::demo::people::Doing;
use traywarden::demo::plan::PlannedLot;
use traywarden::demo::room::{Room, STEP, Truth};
use traywarden::engine::alarm::AlarmKind;
use traywarden::journal::Did;
use traywarden::units::Timestamp;

/// A way in which a room comes to harm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hazard {
    /// Too warm for two hours.
    Heat,
    /// Too cold for four hours.
    Cold,
    /// Leaves wet long enough for infection.
    Mold,
    /// Water dripped from a cold surface onto trays in light for eight hours.
    Dripping,
    /// A tray in light was too dry for two hours.
    Wilting,
    /// The pump draws air.
    Empty,
    /// More water on the floor than is only mopped up.
    Spill,
    /// A tray stood under its cover, or uncut, for longer than it bears.
    Overdue,
    /// Any of these while nobody could see it: what a silence hides.
    Unseen,
}

impl Hazard {
    /// Those a chance is stated of. Leaves that are wet from a cold surface or from damp air are
    /// one hazard to who states it.
    pub const STATED: [Hazard; 8] = [
        Hazard::Heat,
        Hazard::Cold,
        Hazard::Mold,
        Hazard::Wilting,
        Hazard::Empty,
        Hazard::Spill,
        Hazard::Overdue,
        Hazard::Unseen,
    ];

    /// What an alarm states the chance of; it may warn of more.
    pub fn stated_by(kind: AlarmKind) -> Hazard {
        match kind {
            AlarmKind::AirTooWarm => Hazard::Heat,
            AlarmKind::AirTooCold => Hazard::Cold,
            AlarmKind::AirTooDamp | AlarmKind::MoldPressure | AlarmKind::Condensation => Hazard::Mold,
            AlarmKind::AirTooDry | AlarmKind::DryOut => Hazard::Wilting,
            AlarmKind::StageOverdue => Hazard::Overdue,
            AlarmKind::ReservoirLow | AlarmKind::ReservoirEmpty => Hazard::Empty,
            AlarmKind::ReservoirLeak => Hazard::Spill,
            _ => Hazard::Unseen,
        }
    }

    /// What makes a statement of it true.
    pub fn comes_as(self) -> &'static [Hazard] {
        match self {
            Hazard::Heat => &[Hazard::Heat],
            Hazard::Cold => &[Hazard::Cold],
            Hazard::Mold | Hazard::Dripping => &[Hazard::Mold, Hazard::Dripping],
            Hazard::Wilting => &[Hazard::Wilting],
            Hazard::Empty => &[Hazard::Empty],
            Hazard::Spill => &[Hazard::Spill],
            Hazard::Overdue => &[Hazard::Overdue],
            Hazard::Unseen => &[Hazard::Unseen],
        }
    }

    /// What an alarm warns of.
    pub fn of(kind: AlarmKind) -> &'static [Hazard] {
        match kind {
            AlarmKind::AirTooWarm => &[Hazard::Heat, Hazard::Wilting],
            AlarmKind::AirTooCold => &[Hazard::Cold],
            AlarmKind::AirTooDamp | AlarmKind::MoldPressure | AlarmKind::Condensation => {
                &[Hazard::Mold, Hazard::Dripping]
            }
            AlarmKind::AirTooDry | AlarmKind::DryOut => &[Hazard::Wilting],
            AlarmKind::StageOverdue => &[Hazard::Overdue],
            AlarmKind::ReservoirLow | AlarmKind::ReservoirEmpty => &[Hazard::Empty],
            AlarmKind::ReservoirLeak => &[Hazard::Spill, Hazard::Empty],
            _ => &[Hazard::Unseen],
        }
    }

    /// Harm of this hazard is what these warn of.
    pub fn is_among(self, warned_of: &[Hazard]) -> bool {
        warned_of.contains(&self) || warned_of.contains(&Hazard::Unseen)
    }
}

/// Harm that began, and when the state that did it was over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Harm {
    pub hazard: Hazard,
    pub from: Timestamp,
    pub until: Option<Timestamp>,
}

/// Watches the truth, minute by minute.
#[derive(Default)]
pub struct HarmWatch {
    hot: f64,
    cold: f64,
    wilting: f64,
    /// Hours towards infection, and dry hours since; a place each.
    wet: Vec<(f64, f64)>,
    dripping: Vec<f64>,
    /// All harm, in the order in which it began.
    pub harms: Vec<Harm>,
}

impl HarmWatch {
    /// One minute of truth.
    pub fn minute(&mut self, drawn: &Drawn, truth: &Truth, lots: &[PlannedLot]) {
        const MINUTE: f64 = 1.0 / 60.0;
        let bears = &drawn.bears;
        let places = &drawn.room.story.plan.places;
        let count = |holds: bool, hours: f64| if holds { hours + MINUTE } else { 0.0 };
        // Air harms what grows in it.
        let grown = |index: usize| lots.iter().any(|lot| lot.place == places[index].id);
        let any = |harms: &dyn Fn(f64) -> bool| {
            truth.places.iter().enumerate().any(|(index, air)| harms(air.temperature) && grown(index))
        };
        self.hot = count(any(&|celsius| celsius > bears.hot), self.hot);
        self.cold = count(any(&|celsius| celsius < bears.cold), self.cold);
        self.wilting = count(lots.iter().any(|lot| is_dry(lot, bears)), self.wilting);
        self.wet.resize(places.len(), (0.0, 0.0));
        self.dripping.resize(places.len(), 0.0);
        let (mut molds, mut drips) = (false, false);
        for (index, air) in truth.places.iter().enumerate() {
            let lit = lots.iter().any(|lot| lot.place == places[index].id && lot.lit_at.is_some());
            let (done, dry) = self.wet[index];
            self.wet[index] = if lit && air.humidity >= bears.wet_from {
                // Fastest at 20 °C, never below 5 or above 32: a triangle, unlike the engine's curve.
                let pace = if air.temperature <= 20.0 {
                    (air.temperature - 5.0) / 15.0
                } else {
                    (32.0 - air.temperature) / 12.0
                };
                (done + MINUTE * pace.max(0.0), 0.0)
            } else if dry >= bears.dry_hours {
                (0.0, dry)
            } else {
                (done, dry + MINUTE)
            };
            molds |= self.wet[index].0 >= bears.infection_hours;
            let surface = air.temperature - bears.cold_surface * (air.temperature - truth.outside);
            let cold = [Kind::CondensingNight, Kind::CondensingUnderProbe];
            let dripping = drawn.fault.is_some_and(|fault| cold.contains(&fault.kind));
            let wet = lit && dripping && surface < dew_point(air.temperature, air.humidity);
            self.dripping[index] = count(wet, self.dripping[index]);
            drips |= self.dripping[index] >= 8.0;
        }
        // Past its cut a tray loses slower than under its cover.
        let uncut = drawn.fault.is_some_and(|fault| fault.kind == Kind::Overdue);
        let bears_minutes = (bears.overdue_hours * if uncut { 120.0 } else { 60.0 }) as i64;
        let overdue = drawn.due.is_some_and(|due| truth.at > due + TimeDelta::minutes(bears_minutes));
        for (hazard, holds) in [
            (Hazard::Heat, self.hot >= 2.0),
            (Hazard::Cold, self.cold >= 4.0),
            (Hazard::Mold, molds),
            (Hazard::Dripping, drips),
            (Hazard::Wilting, self.wilting >= 2.0),
            (Hazard::Empty, is_empty(truth, drawn.room.story.plan.tank.pump_inlet)),
            (Hazard::Spill, truth.leaked > bears.spill),
            (Hazard::Overdue, overdue),
        ] {
            self.note(hazard, truth.at, holds);
        }
    }

    fn note(&mut self, hazard: Hazard, at: Timestamp, holds: bool) {
        match (self.harms.iter_mut().rfind(|harm| harm.hazard == hazard && harm.until.is_none()), holds) {
            (Some(harm), false) => harm.until = Some(at),
            (None, true) => self.harms.push(Harm { hazard, from: at, until: None }),
            _ => {}
        }
    }
}

/// When the tank of a room as it stands is empty if all goes on but nobody fills it.
pub fn empty_if_not_filled(room: &Room, drawn: &Drawn, limit: TimeDelta) -> Option<Timestamp> {
    let mut room = room.clone();
    let until = room.at() + limit;
    let inlet = drawn.room.story.plan.tank.pump_inlet;
    let actions = &drawn.room.actions;
    let mut next = actions.partition_point(|action| action.at < room.at());
    while room.at() < until {
        while let Some(action) = actions.get(next).filter(|action| action.at < room.at() + STEP) {
            if let Doing::Did(did) = &action.doing
                && !matches!(did, Did::Refill { .. })
            {
                room.take(did);
            }
            next += 1;
        }
        if is_empty(&room.truth(), inlet) {
            return Some(room.at());
        }
        room.step();
    }
    None
}

/// When a tray of each place is too dry if nobody waters from now on.
pub fn dry_if_not_watered(room: &Room, drawn: &Drawn, limit: TimeDelta) -> BTreeMap<String, Timestamp> {
    let mut room = room.clone();
    let until = room.at() + limit;
    let mut dry = BTreeMap::new();
    while room.at() < until && dry.len() < drawn.room.story.plan.places.len() {
        for lot in room.lots().iter().filter(|lot| is_dry(lot, &drawn.bears)) {
            dry.entry(lot.place.clone()).or_insert(room.at());
        }
        room.step();
    }
    dry
}

fn is_dry(lot: &PlannedLot, bears: &Bears) -> bool {
    lot.lit_at.is_some() && lot.water_ml < bears.wilts_below_ml
}

fn is_empty(truth: &Truth, inlet: f64) -> bool {
    truth.tank_depth <= inlet + 0.05
}

/// Magnus form, Sonntag 1990 constants; within 0.1 K here.
fn dew_point(temperature: f64, humidity: f64) -> f64 {
    let gamma = (humidity.max(1.0) / 100.0).ln() + 17.62 * temperature / (243.12 + temperature);
    243.12 * gamma / (17.62 - gamma)
}
