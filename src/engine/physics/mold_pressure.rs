//! Mold pressure, 0 to 100: how long the air has allowed infection, or growth,
//! on a tray in light. A running clock that takes air in and gives figures out.
//! When to speak of it is left to the alarms; covered trays are left to their
//! stage clock, because under a cover every tray looks favourable.
//!
//! The parts are published (see `infection`), their combination is ours. It
//! says what conditions allowed, never what is there, and was not validated on
//! microgreens: nobody has published such a study.

use crate::float;
use crate::physics::canopy::{MISTED_FILM, film_loss};
use crate::physics::infection::{DRY_GAP_HOURS, Pathogen, botrytis_growth, pathogens_of, wetness};
use crate::units::{Celsius, RelativeHumidity};

/// The pressure at which one published requirement is met.
pub const REQUIREMENT_MET: f64 = 50.0;

/// How to read a pressure (our bands).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Below 25.
    Calm,
    /// 25 to below 50.
    Watch,
    /// 50 to below 75: conditions have allowed what a published requirement asks.
    Act,
    /// 75 and more.
    High,
}

/// The air a tray stands in, calibrated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrayAir {
    /// Temperature of the room's air.
    pub(crate) temperature: Celsius,
    /// Of the room. Wetness is judged by it: the 90 % rule was made with the
    /// humidity of the air around, not of that among the leaves.
    pub(crate) humidity: RelativeHumidity,
    /// What the sensor may be off by, per cent relative humidity.
    pub(crate) humidity_accuracy: f64,
    /// Among the leaves; growth is judged by it. See `canopy`.
    pub(crate) canopy_humidity: RelativeHumidity,
    /// Over the leaves, m/s; dries a film.
    pub(crate) air_speed: f64,
}

/// What infection the present wet spell has allowed.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Infection {
    /// The row that is furthest on.
    pub(crate) pathogen: Pathogen,
    /// Hours of wetness in this spell.
    pub(crate) allowed_hours: f64,
    /// Hours of wetness needed at the mean temperature of the spell. `None`: at
    /// that temperature it never infects.
    pub(crate) needed_hours: Option<f64>,
    /// Share of the requirement met, summed hour by hour: 1 is all of it.
    pub(crate) progress: f64,
}

/// The running clock of one tray, from the day it came to the light.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct MoldPressure {
    #[serde(with = "crate::physics::infection::family")]
    pathogens: &'static [Pathogen],
    /// Share of the requirement met in this wet spell, a figure for each pathogen.
    progress: [f64; MOST_PATHOGENS],
    /// Hours of wetness in this spell, and those hours times their temperature.
    wet_hours: f64,
    wet_degree_hours: f64,
    /// Hours since it was last wet.
    dry_hours: f64,
    /// Growth allowed so far, mm.
    growth: f64,
    /// Water on the leaves from misting, grams a square metre.
    film: f64,
    highest: f64,
}

impl MoldPressure {
    /// The clock of a tray whose crop is of this family, with nothing behind it.
    pub fn new(family: &str) -> Self {
        MoldPressure {
            pathogens: pathogens_of(family),
            progress: [0.0; MOST_PATHOGENS],
            wet_hours: 0.0,
            wet_degree_hours: 0.0,
            dry_hours: 0.0,
            growth: 0.0,
            film: 0.0,
            highest: 0.0,
        }
    }

    /// The leaves were misted or watered from above.
    pub fn wet_from_above(&mut self) {
        self.film = self.film.max(MISTED_FILM);
    }

    /// Lets so many hours pass in this air. For a gap in the data do not call
    /// it: what the air was is not known, and neither wet nor dry is assumed.
    pub fn advance(&mut self, hours: f64, air: &TrayAir) {
        if !(hours > 0.0 && hours.is_finite()) {
            return;
        }
        let by_air = wetness(air.humidity, air.humidity_accuracy);
        let loss = film_loss(air.temperature, air.humidity, air.air_speed) * hours;
        let by_film = if self.film <= 0.0 {
            0.0
        } else if loss > self.film {
            self.film / loss
        } else {
            1.0
        };
        self.film = (self.film - loss).max(0.0);
        self.advance_wet(hours, air.temperature, by_film.max(by_air), air.canopy_humidity);
    }

    /// The same with the wetness given, 0 to 1, as from a wetness sensor.
    pub(crate) fn advance_wet(
        &mut self,
        hours: f64,
        temperature: Celsius,
        wetness: f64,
        surface_humidity: RelativeHumidity,
    ) {
        let wet_hours = wetness.clamp(0.0, 1.0) * hours.max(0.0);
        self.wet_hours += wet_hours;
        self.wet_degree_hours += wet_hours * temperature.0.clamp(-40.0, 100.0);
        for (progress, pathogen) in self.progress.iter_mut().zip(self.pathogens) {
            *progress += pathogen.wet_hours_needed(temperature).map_or(0.0, |needed| wet_hours / needed);
        }
        self.dry_hours = if wetness >= WET_FROM { 0.0 } else { self.dry_hours + hours.max(0.0) };
        if self.dry_hours >= DRY_GAP_HOURS - ROUNDING_HOURS {
            self.progress = [0.0; MOST_PATHOGENS];
            (self.wet_hours, self.wet_degree_hours) = (0.0, 0.0);
        }
        let growth = botrytis_growth(temperature, surface_humidity) / 24.0 * hours.max(0.0);
        self.growth =
            if growth > 0.0 { self.growth + growth } else { (self.growth - DECLINE * hours.max(0.0)).max(0.0) };
        self.highest = self.highest.max(self.pressure());
    }

    /// `100 (1 - 2^-P)`, with P the greater of the requirement's share met and
    /// growth over 10 mm. 50 is one requirement met; it never quite reaches 100.
    pub fn pressure(&self) -> f64 {
        100.0 * (1.0 - float::exp2(-self.requirements_met()))
    }

    /// The highest pressure since the clock began: a met requirement is not
    /// undone by the dry morning after it.
    pub fn highest(&self) -> f64 {
        self.highest
    }

    /// How to read the pressure.
    pub fn level(&self) -> Level {
        Level::of(self.pressure())
    }

    /// What infection the present wet spell has allowed. `now` is the room's
    /// temperature, for the hours needed when nothing has been wet yet.
    pub fn infection(&self, now: Celsius) -> Infection {
        let mean = if self.wet_hours > 0.0 { Celsius(self.wet_degree_hours / self.wet_hours) } else { now };
        let hours_at_mean = |pathogen: &Pathogen| pathogen.wet_hours_needed(mean).unwrap_or(f64::INFINITY);
        let mut leading = (self.pathogens[0], self.progress[0]);
        for (pathogen, progress) in self.pathogens.iter().zip(self.progress).skip(1) {
            let quicker = progress == leading.1 && hours_at_mean(pathogen) < hours_at_mean(&leading.0);
            if progress > leading.1 || quicker {
                leading = (*pathogen, progress);
            }
        }
        let (pathogen, progress) = leading;
        Infection { pathogen, allowed_hours: self.wet_hours, needed_hours: pathogen.wet_hours_needed(mean), progress }
    }

    /// Hours until the leaves are dry in this air; zero when no film is on
    /// them, `None` when this air takes nothing up.
    pub fn hours_until_dry(&self, air: &TrayAir) -> Option<f64> {
        if self.film <= 0.0 {
            return Some(0.0);
        }
        crate::physics::canopy::drying_hours(self.film, air.temperature, air.humidity, air.air_speed)
    }

    /// Hours until infection has had so many times what it needs, in air to come given as spans of
    /// hours and their air; zero when it has had it already, `None` when it will not in them.
    pub(crate) fn infected_within(&self, times: f64, future: impl IntoIterator<Item = (f64, TrayAir)>) -> Option<f64> {
        let mut ahead = self.clone();
        let mut passed = 0.0;
        let mut before = ahead.infection_progress();
        if before >= times {
            return Some(0.0);
        }
        for (hours, air) in future {
            ahead.advance(hours, &air);
            let after = ahead.infection_progress();
            if after >= times {
                return Some(passed + hours * (times - before) / (after - before));
            }
            passed += hours;
            before = after;
        }
        None
    }

    /// Share of what infection needs that the present wet spell has given, of the pathogen that is
    /// furthest on.
    pub(crate) fn infection_progress(&self) -> f64 {
        self.progress.iter().copied().fold(0.0, f64::max)
    }

    fn requirements_met(&self) -> f64 {
        self.infection_progress().max(self.growth / GROWTH_MET)
    }
}

impl Level {
    /// The band a pressure lies in.
    pub fn of(pressure: f64) -> Level {
        match pressure {
            pressure if pressure < 25.0 => Level::Calm,
            pressure if pressure < REQUIREMENT_MET => Level::Watch,
            pressure if pressure < 75.0 => Level::Act,
            _ => Level::High,
        }
    }
}

/// Rows a family can have; see [`pathogens_of`].
const MOST_PATHOGENS: usize = 2;
/// Growth that weighs as much as one infection requirement, mm (ours).
const GROWTH_MET: f64 = 10.0;
/// Growth taken back while it is too dry or too hot to grow, mm an hour (ours).
const DECLINE: f64 = 0.05;
/// Surfaces more likely wet than not.
const WET_FROM: f64 = 0.5;
/// Minutes add up to four hours only nearly in binary fractions.
const ROUNDING_HOURS: f64 = 1e-6;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::infection::PathogenName;
    use proptest::prelude::*;

    fn run(clock: &mut MoldPressure, hours: usize, celsius: f64, surface: f64, wet: bool) {
        for _ in 0..hours {
            clock.advance_wet(1.0, Celsius(celsius), f64::from(u8::from(wet)), RelativeHumidity(surface));
        }
    }

    fn air(celsius: f64, humidity: f64) -> TrayAir {
        TrayAir {
            temperature: Celsius(celsius),
            humidity: RelativeHumidity(humidity),
            humidity_accuracy: 3.0,
            canopy_humidity: RelativeHumidity(humidity),
            air_speed: 0.2,
        }
    }

    /// Two days of it.
    fn staying(air: TrayAir) -> impl Iterator<Item = (f64, TrayAir)> {
        core::iter::repeat_n((0.25, air), 192)
    }

    /// Hours, temperature, humidity at the leaf, wet.
    type Spell = (usize, f64, f64, bool);

    /// mold_pressure_examples.csv: our own transcription, a test of typing, not of truth.
    #[test]
    fn the_worked_examples_have_their_pressures() {
        let examples: [(&[Spell], f64); 7] = [
            (&[(24, 22.0, 98.8, false)], 44.251),
            (&[(72, 22.0, 98.8, false)], 82.674),
            (&[(72, 26.0, 98.8, false)], 71.883),
            (&[(24, 22.0, 85.0, false)], 0.0),
            (&[(9, 20.0, 96.0, true)], 48.209),
            (&[(5, 20.0, 96.0, true), (3, 20.0, 85.0, false), (5, 20.0, 96.0, true)], 51.860),
            (&[(5, 20.0, 96.0, true), (6, 20.0, 85.0, false), (5, 20.0, 96.0, true)], 30.617),
        ];
        for (spells, pressure) in examples {
            let mut clock = MoldPressure::new("other");
            for (hours, celsius, surface, wet) in spells {
                run(&mut clock, *hours, *celsius, *surface, *wet);
            }
            assert!((clock.pressure() - pressure).abs() < 0.001, "{spells:?}: {}", clock.pressure());
        }
    }

    /// mold_worked_example.csv, worked by hand: wet
    /// from 21:00 to 03:00, two hours dry, wet again from 06:00 to 08:00.
    #[test]
    fn the_night_worked_by_hand_meets_the_requirement_of_two_pathogens() {
        let mut clock = MoldPressure::new("brassica");
        for celsius in [21.5, 21.0, 20.5, 20.0, 20.0, 19.5, 19.5] {
            run(&mut clock, 1, celsius, 80.0, true);
        }
        assert!((clock.progress[0] - 1.14265).abs() < 1e-5 && (clock.progress[1] - 0.75034).abs() < 1e-5);
        run(&mut clock, 2, 19.5, 80.0, false);
        for celsius in [20.0, 21.0, 22.0] {
            run(&mut clock, 1, celsius, 80.0, true);
        }
        assert!((clock.progress[0] - 1.62528).abs() < 1e-5 && (clock.progress[1] - 1.08521).abs() < 1e-5);
        let infection = clock.infection(Celsius(22.0));
        assert_eq!((infection.pathogen.name, infection.allowed_hours), (PathogenName::AlternariaBrassicae, 10.0));
        assert!((infection.needed_hours.unwrap() - 6.1383).abs() < 1e-4);
    }

    #[test]
    fn four_dry_hours_begin_the_count_anew_and_the_highest_stays() {
        let mut clock = MoldPressure::new("brassica");
        run(&mut clock, 7, 20.0, 80.0, true);
        let before = clock.pressure();
        assert_eq!(clock.level(), Level::Act);
        for _ in 0..239 {
            clock.advance_wet(1.0 / 60.0, Celsius(20.0), 0.0, RelativeHumidity(80.0));
        }
        assert_eq!(clock.pressure(), before);
        clock.advance_wet(1.0 / 60.0, Celsius(20.0), 0.0, RelativeHumidity(80.0));
        assert_eq!((clock.pressure(), clock.highest()), (0.0, before));
        assert_eq!(clock.infection(Celsius(20.0)).allowed_hours, 0.0);
    }

    #[test]
    fn minutes_and_hours_give_the_same_night() {
        let (mut by_hour, mut by_minute) = (MoldPressure::new("pea"), MoldPressure::new("pea"));
        for _ in 0..8 {
            by_hour.advance(1.0, &air(20.0, 96.0));
        }
        for _ in 0..480 {
            by_minute.advance(1.0 / 60.0, &air(20.0, 96.0));
        }
        assert!((by_hour.pressure() - by_minute.pressure()).abs() < 1e-6);
    }

    #[test]
    fn a_misted_tray_is_wet_until_the_film_is_gone() {
        let mut clock = MoldPressure::new("brassica");
        clock.wet_from_above();
        let damp = air(22.0, 80.0);
        assert!((clock.hours_until_dry(&damp).unwrap() - 2.06).abs() < 0.01);
        for _ in 0..200 {
            clock.advance(1.0 / 60.0, &damp);
        }
        assert!((clock.infection(damp.temperature).allowed_hours - 2.06).abs() < 0.01);
        assert_eq!(clock.hours_until_dry(&damp), Some(0.0));
    }

    #[test]
    fn it_says_when_the_requirement_is_met_if_nothing_changes() {
        let mut clock = MoldPressure::new("brassica");
        clock.advance(2.0, &air(20.0, 98.0));
        // Alternaria needs 6.0880 h at 20 °C.
        assert!((clock.infected_within(1.0, staying(air(20.0, 98.0))).unwrap() - 4.0880).abs() < 1e-3);
        assert_eq!(clock.infected_within(1.0, staying(air(20.0, 60.0))), None);
        clock.advance(5.0, &air(20.0, 98.0));
        assert_eq!(clock.infected_within(1.0, staying(air(20.0, 60.0))), Some(0.0));
    }

    proptest! {
        #[test]
        fn the_pressure_stays_between_0_and_100_whatever_the_air(
            air_then in proptest::collection::vec((proptest::num::f64::NORMAL, proptest::num::f64::NORMAL, proptest::num::f64::NORMAL), 0..20)
        ) {
            let mut clock = MoldPressure::new("brassica");
            for (t, rh, hours) in air_then {
                clock.advance(hours, &TrayAir { air_speed: t, humidity_accuracy: rh, canopy_humidity: RelativeHumidity(hours), ..air(t, rh) });
                prop_assert!((0.0..=100.0).contains(&clock.pressure()));
                prop_assert!(clock.hours_until_dry(&air(20.0, 60.0)).is_some_and(f64::is_finite));
            }
        }

        #[test]
        fn damper_air_never_lowers_the_pressure(t in 10.0..30.0, rh in 50.0..99.0, more in 0.0..1.0, hours in 1_usize..40) {
            let (mut drier, mut damper) = (MoldPressure::new("brassica"), MoldPressure::new("brassica"));
            for _ in 0..hours {
                drier.advance(1.0, &air(t, rh));
                damper.advance(1.0, &air(t, rh + more));
            }
            prop_assert!(damper.pressure() >= drier.pressure());
        }
    }
}
