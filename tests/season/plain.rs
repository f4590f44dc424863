//! What a plain rule would have written: a letter for every crossing of a limit, at once.
//! Its limits are the bands of the stages; a tank is low below a fifth; a sensor is silent
//! after a quarter of an hour. No delay, no deadband, no belief but the quality stage's.

use crate::harm::Hazard;
use std::collections::{BTreeMap, BTreeSet};
use traywarden::engine::Engine;
use traywarden::engine::alarm::AlarmKind::{self, *};
use traywarden::engine::event::Judgement;
use traywarden::reading::Quantity;
use traywarden::units::Timestamp;

const SILENT_MINUTES: i64 = 15;
const LOW_SHARE: f64 = 0.2;

/// What crossed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Crossed {
    Warm,
    Cold,
    Damp,
    Dry,
    Low,
    Silent,
}

impl Crossed {
    /// Whether a letter about this would do for an alarm of that kind.
    pub fn speaks_of(self, kind: AlarmKind) -> bool {
        match self {
            Crossed::Warm => kind == AirTooWarm,
            Crossed::Cold => kind == AirTooCold,
            Crossed::Damp => matches!(kind, AirTooDamp | MoldPressure | Condensation),
            Crossed::Dry => kind == AirTooDry,
            Crossed::Low => matches!(kind, ReservoirLow | ReservoirEmpty | ReservoirLeak),
            Crossed::Silent => matches!(kind, SensorSilent | BrokerLost),
        }
    }
}

/// The plain rule at work.
#[derive(Default)]
pub struct Plain {
    out: BTreeSet<(u16, Crossed)>,
    spoke: BTreeMap<u16, Timestamp>,
    bands: BTreeMap<String, [Option<f64>; 4]>,
    /// Its letters.
    pub letters: Vec<(Timestamp, Crossed)>,
}

impl Plain {
    /// Looks up the bands anew.
    pub fn look_up(&mut self, engine: &Engine) {
        self.bands = engine.snapshot().places.into_iter().map(|place| (place.id, place.band)).collect();
    }

    /// A reading was judged.
    pub fn judged(&mut self, at: Timestamp, engine: &Engine, judgement: &Judgement) {
        let Some(reading) = judgement.believed else { return };
        let rules = engine.rules();
        let channel = rules.channel(reading.channel());
        self.spoke.insert(channel.sensor.0, at);
        self.out.remove(&(channel.sensor.0, Crossed::Silent));
        let value = reading.value();
        let number = reading.channel().0;
        let sensor = rules.sensor(channel.sensor);
        let band = sensor.place.and_then(|place| self.bands.get(&rules.place(place).id)).copied().unwrap_or_default();
        match channel.quantity {
            Quantity::Temperature => {
                self.cross(at, number, Crossed::Cold, band[0].is_some_and(|limit| value < limit));
                self.cross(at, number, Crossed::Warm, band[1].is_some_and(|limit| value > limit));
            }
            Quantity::Humidity => {
                self.cross(at, number, Crossed::Dry, band[2].is_some_and(|limit| value < limit));
                self.cross(at, number, Crossed::Damp, band[3].is_some_and(|limit| value > limit));
            }
            _ => {
                let full = sensor.reservoir.map_or(f64::MAX, |tank| rules.reservoir(tank).shape.capacity_litres());
                self.cross(at, number, Crossed::Low, value < LOW_SHARE * full);
            }
        }
    }

    /// It knows no chances: what is out of its limits is certain to harm, all else cannot.
    pub fn chance(&self, hazard: Hazard) -> f64 {
        let warns = |crossed: Crossed| {
            let kinds = AlarmKind::ALL.into_iter().filter(|kind| crossed.speaks_of(*kind));
            kinds.map(Hazard::stated_by).any(|stated| stated == hazard)
        };
        f64::from(u8::from(self.out.iter().any(|(_, crossed)| warns(*crossed))))
    }

    /// A minute has passed.
    pub fn minute(&mut self, at: Timestamp) {
        let silent: Vec<u16> = self
            .spoke
            .iter()
            .filter(|(_, spoke)| (at - **spoke).num_minutes() > SILENT_MINUTES)
            .map(|(sensor, _)| *sensor)
            .collect();
        for sensor in silent {
            self.cross(at, sensor, Crossed::Silent, true);
        }
    }

    fn cross(&mut self, at: Timestamp, number: u16, crossed: Crossed, outside: bool) {
        if !outside {
            self.out.remove(&(number, crossed));
        } else if self.out.insert((number, crossed)) {
            self.letters.push((at, crossed));
        }
    }
}
