//! When air lets a fungus in, and how fast one grows in it: published response
//! curves, one function each. `mold` runs the clock over them.
//!
//! All were fitted on field crops. None was validated on microgreens.

use crate::float;
use crate::units::{Celsius, RelativeHumidity};

/// A row of table 2 of Magarey, Sutton and Thayer 2005 (Phytopathology
/// 95:92-100, doi 10.1094/PHYTO-95-0092), read in an open transcription.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Pathogen {
    /// The fungus whose curve this is.
    pub(crate) name: PathogenName,
    /// Below this it does not infect, °C.
    pub(crate) coldest: f64,
    /// Where it infects fastest, °C.
    pub(crate) best: f64,
    /// Above this it does not infect, °C.
    pub(crate) warmest: f64,
    /// Hours of wetness it needs where it is fastest.
    pub(crate) wet_hours_min: f64,
    /// Hours of wetness it needs at most.
    pub(crate) wet_hours_max: f64,
}

/// A pathogen, each studied on one host.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum PathogenName {
    /// Alternaria brassicae on oilseed rape.
    AlternariaBrassicae,
    /// Botrytis cinerea on strawberry.
    BotrytisCinerea,
    /// Bremia lactucae on lettuce.
    BremiaLactucae,
    /// Mycosphaerella pinodes on pea.
    MycosphaerellaPinodes,
}

/// Dark leaf spot, on oilseed rape: the brassicas.
pub const ALTERNARIA_BRASSICAE: Pathogen = row(PathogenName::AlternariaBrassicae, [2.6, 18.0, 35.0, 6.0, 22.0]);
/// Grey mold, on strawberry: whatever has no row of its own.
pub const BOTRYTIS_CINEREA: Pathogen = row(PathogenName::BotrytisCinerea, [5.0, 25.0, 35.0, 8.0, 18.0]);
/// Downy mildew of lettuce.
pub const BREMIA_LACTUCAE: Pathogen = row(PathogenName::BremiaLactucae, [1.0, 15.0, 25.0, 4.0, 10.0]);
/// Blight of pea.
pub const MYCOSPHAERELLA_PINODES: Pathogen = row(PathogenName::MycosphaerellaPinodes, [1.4, 20.0, 35.0, 6.0, 72.0]);

/// Hours without wetness (air below 95 %) that part two wet spells. From 3 to 4
/// h without wetness stopped Alternaria (Humpherson-Jones and Phelps 1989).
pub(crate) const DRY_GAP_HOURS: f64 = 4.0;

/// The rows that stand for a crop family (the `family` of the crop table). Of
/// several, the one furthest on counts.
pub(crate) fn pathogens_of(family: &str) -> &'static [Pathogen] {
    match family {
        "brassica" => &[ALTERNARIA_BRASSICAE, BOTRYTIS_CINEREA],
        "lettuce" => &[BREMIA_LACTUCAE],
        "pea" => &[MYCOSPHAERELLA_PINODES],
        _ => &[BOTRYTIS_CINEREA],
    }
}

/// The pathogens of a crop, kept as the name of a family that has them.
pub(crate) mod family {
    use super::{Pathogen, pathogens_of};
    use crate::crop::FAMILIES;
    use alloc::string::String;
    use serde::de::{Deserialize, Deserializer};
    use serde::ser::{Serialize, Serializer};

    pub(crate) fn serialize<S: Serializer>(pathogens: &&'static [Pathogen], to: S) -> Result<S::Ok, S::Error> {
        let of = FAMILIES.into_iter().find(|family| pathogens_of(family) == *pathogens);
        of.unwrap_or_default().serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<&'static [Pathogen], D::Error> {
        String::deserialize(from).map(|family| pathogens_of(&family))
    }
}

impl Pathogen {
    /// How well it does at a temperature, 0 to 1 (equation 2 of the paper, the
    /// beta function of Yan and Hunt 1999).
    pub fn response(&self, temperature: Celsius) -> f64 {
        if !(temperature.0 > self.coldest && temperature.0 < self.warmest) {
            return 0.0;
        }
        let falling = (self.warmest - temperature.0) / (self.warmest - self.best);
        let rising = (temperature.0 - self.coldest) / (self.best - self.coldest);
        falling * float::pow(rising, (self.best - self.coldest) / (self.warmest - self.best))
    }

    /// Hours of wetness for 20 % of leaves or 5 % of leaf area of inoculated
    /// tissue (equation 1): `Wmin / f(T)`, at most `Wmax`. `None` where it does not infect; the
    /// paper leaves that case open, and "never" is what its curve says.
    pub fn wet_hours_needed(&self, temperature: Celsius) -> Option<f64> {
        let response = self.response(temperature);
        (response > 0.0).then(|| (self.wet_hours_min / response).min(self.wet_hours_max))
    }
}

/// How likely surfaces are wet in this air, 0 to 1: the probability that the
/// true humidity is at least 90 %, for a sensor good to `accuracy` per cent. A
/// hard limit would let the sensor's error toss a coin. (90 %: Sentelhas et al.
/// 2008, Agric. For. Meteorol. 148:392-400; the softening is ours.)
pub fn wetness(humidity: RelativeHumidity, accuracy: f64) -> f64 {
    normal_share((humidity.0.clamp(0.0, 100.0) - 90.0) / (accuracy.clamp(0.1, 50.0) / 2.0))
}

/// Growth of Botrytis cinerea mycelium, mm a day, by temperature and humidity at
/// the surface: cardinal model with inflection (Judet-Correia et al. 2010, Int.
/// J. Food Microbiol. 142; parameters of the Gropin database, entry 37). Nothing
/// grows below 89.5 %; above 98.8 % it is taken as there, water does not stop it.
pub fn botrytis_growth(temperature: Celsius, surface_humidity: RelativeHumidity) -> f64 {
    let activity = surface_humidity.0.min(98.8) / 100.0;
    8.46 * cardinal(temperature.0, -1.39, 21.4, 29.1) * cardinal(activity, 0.895, 0.988, 1.0)
}

/// Rosso's cardinal model with inflection, 0 to 1.
fn cardinal(x: f64, lowest: f64, best: f64, highest: f64) -> f64 {
    if !(x > lowest && x < highest) {
        return 0.0;
    }
    let rise = best - lowest;
    (x - highest) * float::square(x - lowest)
        / (rise * (rise * (x - best) - (best - highest) * (best + lowest - 2.0 * x)))
}

/// Share of the standard normal distribution below z (Abramowitz and Stegun
/// 1964, 7.1.26; off by less than 0.0000002).
fn normal_share(z: f64) -> f64 {
    let x = z.abs() / core::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let series =
        t * (0.254_829_592 + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let tail = series * float::exp(-x * x) / 2.0;
    if z < 0.0 { tail } else { 1.0 - tail }
}

const fn row(name: PathogenName, figures: [f64; 5]) -> Pathogen {
    let [coldest, best, warmest, wet_hours_min, wet_hours_max] = figures;
    Pathogen { name, coldest, best, warmest, wet_hours_min, wet_hours_max }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn near(found: f64, wanted: f64, tolerance: f64) {
        assert!((found - wanted).abs() <= tolerance, "found {found}, wanted {wanted}");
    }

    /// Computed from the same equations in Python: it finds a slip of the pen.
    #[test]
    fn each_pathogen_needs_the_hours_of_its_curve() {
        for (pathogen, celsius, response, hours) in [
            (ALTERNARIA_BRASSICAE, 10.0, 0.757110, 7.9249),
            (ALTERNARIA_BRASSICAE, 18.0, 1.0, 6.0),
            (ALTERNARIA_BRASSICAE, 20.5, 0.977468, 6.1383),
            (ALTERNARIA_BRASSICAE, 28.0, 0.647902, 9.2607),
            (BOTRYTIS_CINEREA, 10.0, 0.156250, 18.0),
            (BOTRYTIS_CINEREA, 20.0, 0.84375, 9.4815),
            (BOTRYTIS_CINEREA, 20.5, 0.870906, 9.1858),
            (BOTRYTIS_CINEREA, 28.0, 0.92575, 8.6416),
            (BREMIA_LACTUCAE, 15.0, 1.0, 4.0),
        ] {
            near(pathogen.response(Celsius(celsius)), response, 1e-5);
            near(pathogen.wet_hours_needed(Celsius(celsius)).unwrap(), hours, 6e-5);
        }
    }

    #[test]
    fn outside_its_temperatures_a_pathogen_never_infects() {
        assert_eq!(BREMIA_LACTUCAE.wet_hours_needed(Celsius(25.0)), None);
        assert_eq!(BOTRYTIS_CINEREA.wet_hours_needed(Celsius(5.0)), None);
        assert_eq!(BOTRYTIS_CINEREA.wet_hours_needed(Celsius(f64::NAN)), None);
    }

    #[test]
    fn wetness_is_as_sure_as_the_sensor() {
        for (humidity, accuracy, share) in
            [(85.0, 3.0, 0.0004), (90.0, 3.0, 0.5), (95.0, 3.0, 0.9996), (85.0, 5.0, 0.0228), (95.0, 5.0, 0.9772)]
        {
            near(wetness(RelativeHumidity(humidity), accuracy), share, 5e-5);
        }
    }

    #[test]
    fn grey_mold_grows_as_its_parameters_say_and_not_below_89_per_cent() {
        for (celsius, humidity, growth) in [
            (20.0, 92.0, 0.76990),
            (20.0, 94.0, 2.45392),
            (20.0, 96.0, 4.95866),
            (15.0, 98.0, 5.87919),
            (22.0, 89.0, 0.0),
        ] {
            near(botrytis_growth(Celsius(celsius), RelativeHumidity(humidity)), growth, 1e-4);
        }
        near(botrytis_growth(Celsius(22.0), RelativeHumidity(98.8)), 8.43, 1e-2);
        near(botrytis_growth(Celsius(22.0), RelativeHumidity(100.0)), 8.43, 1e-2);
    }

    proptest! {
        #[test]
        fn no_finite_air_gives_nonsense(t in proptest::num::f64::NORMAL, rh in proptest::num::f64::NORMAL, accuracy in proptest::num::f64::NORMAL) {
            prop_assert!((0.0..=1.0).contains(&wetness(RelativeHumidity(rh), accuracy)));
            prop_assert!((0.0..8.5).contains(&botrytis_growth(Celsius(t), RelativeHumidity(rh))));
            for pathogen in pathogens_of("brassica") {
                prop_assert!((0.0..=1.0 + 1e-12).contains(&pathogen.response(Celsius(t))));
            }
        }

        #[test]
        fn no_pathogen_needs_more_than_its_most_or_less_than_its_least(t in -10.0..45.0) {
            for pathogen in [ALTERNARIA_BRASSICAE, BOTRYTIS_CINEREA, BREMIA_LACTUCAE, MYCOSPHAERELLA_PINODES] {
                if let Some(hours) = pathogen.wet_hours_needed(Celsius(t)) {
                    prop_assert!(hours >= pathogen.wet_hours_min - 1e-9 && hours <= pathogen.wet_hours_max);
                }
            }
        }
    }
}
