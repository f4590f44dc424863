//! Correcting a humidity sensor with jars of saturated salt, whose air has a
//! known humidity. What the figures are and which results to refuse; the
//! walk-through that tells a grower what to do is a verb of the command line.
//!
//! It corrects a reading. It does not make it traceable to a standard.

use crate::float;
use crate::units::{Celsius, RelativeHumidity};

/// A salt whose slurry, with solid salt still visible, holds the air above it
/// at one humidity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Salt {
    /// About 11 %.
    LithiumChloride,
    /// About 33 %.
    MagnesiumChloride,
    /// About 54 %.
    MagnesiumNitrate,
    /// About 75 %: table salt.
    SodiumChloride,
    /// About 85 %.
    PotassiumChloride,
    /// About 98 %.
    PotassiumSulfate,
}

impl Salt {
    /// Every salt, driest first.
    pub const ALL: [Salt; 6] = [
        Salt::LithiumChloride,
        Salt::MagnesiumChloride,
        Salt::MagnesiumNitrate,
        Salt::SodiumChloride,
        Salt::PotassiumChloride,
        Salt::PotassiumSulfate,
    ];

    /// The chemist's formula, as the command line takes it.
    pub fn formula(self) -> &'static str {
        match self {
            Salt::LithiumChloride => "LiCl",
            Salt::MagnesiumChloride => "MgCl2",
            Salt::MagnesiumNitrate => "Mg(NO3)2",
            Salt::SodiumChloride => "NaCl",
            Salt::PotassiumChloride => "KCl",
            Salt::PotassiumSulfate => "K2SO4",
        }
    }

    /// Humidity above its saturated solution, between 0 and 40 °C: Greenspan
    /// 1977, J. Res. Natl. Bur. Stand. 81A:89-96. `None` outside that range.
    pub fn humidity(self, temperature: Celsius) -> Option<RelativeHumidity> {
        let t = temperature.0;
        let [a0, a1, a2, a3] = self.coefficients();
        (0.0..=40.0).contains(&t).then_some(RelativeHumidity(a0 + t * (a1 + t * (a2 + t * a3))))
    }

    /// How far that may be off, per cent relative humidity (the largest Greenspan states from 0 to 40 °C).
    pub fn uncertainty(self) -> f64 {
        match self {
            Salt::LithiumChloride | Salt::PotassiumChloride => 0.6,
            Salt::MagnesiumChloride | Salt::SodiumChloride => 0.4,
            Salt::MagnesiumNitrate => 0.7,
            Salt::PotassiumSulfate => 1.1,
        }
    }

    fn coefficients(self) -> [f64; 4] {
        match self {
            Salt::LithiumChloride => [11.2323, 0.008_242_45, -2.148_9e-4, 0.0],
            Salt::MagnesiumChloride => [33.6686, -0.007_973_97, -1.089_88e-3, 0.0],
            Salt::MagnesiumNitrate => [60.3514, -0.298_153, 0.0, 0.0],
            Salt::SodiumChloride => [75.5164, 0.039_832_1, -2.654_59e-3, 2.848e-5],
            Salt::PotassiumChloride => [88.6190, -0.193_340, 8.997_06e-4, 0.0],
            Salt::PotassiumSulfate => [98.7792, -0.059_050_2, 0.0, 0.0],
        }
    }
}

/// What a sensor said in one jar once it had settled (12 to 24 hours, steady
/// temperature, not touching the slurry).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jar {
    /// What was in it.
    pub salt: Salt,
    /// How warm it was.
    pub temperature: Celsius,
    /// What the sensor said.
    pub reading: RelativeHumidity,
}

/// `corrected = gain * raw + offset`, for the `gain` and `offset` of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Without unit, 0.8 to 1.25.
    pub gain: f64,
    /// Per cent relative humidity, -10 to 10.
    pub offset: f64,
}

/// Why no correction came of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CalibrationError {
    /// The salt's table ends at 0 and 40 °C.
    Temperature {
        /// How warm it was.
        celsius: f64,
    },
    /// Two humidities too close to find a slope between them.
    TooClose {
        /// Per cent relative humidity between them.
        apart: f64,
    },
    /// A gain no sound sensor has.
    Gain {
        /// The factor that was found; 1 changes nothing.
        gain: f64,
    },
    /// An offset no sound sensor has.
    Offset {
        /// What was found to be added, in the unit of the reading.
        offset: f64,
    },
}

impl Correction {
    /// From two jars at least 30 % apart: magnesium chloride and table salt.
    pub fn from_two(one: Jar, other: Jar) -> Result<Correction, CalibrationError> {
        let (true_one, true_other) = (one.true_humidity()?, other.true_humidity()?);
        let apart = (true_other - true_one).abs();
        if apart < LEAST_APART {
            return Err(CalibrationError::TooClose { apart });
        }
        let gain = (true_other - true_one) / (other.reading.0 - one.reading.0);
        Correction { gain, offset: true_one - gain * one.reading.0 }.guarded()
    }

    /// From one jar: shifts only. Table salt lies nearest to where mold is judged.
    pub fn from_one(jar: Jar) -> Result<Correction, CalibrationError> {
        Correction { gain: 1.0, offset: jar.true_humidity()? - jar.reading.0 }.guarded()
    }

    /// The corrected humidity, 0 to 100 %.
    pub fn apply(&self, raw: RelativeHumidity) -> RelativeHumidity {
        RelativeHumidity((self.gain * raw.0 + self.offset).clamp(0.0, 100.0))
    }

    /// How a corrected sensor does in a jar that had no part in its correction.
    /// `accuracy` is what it may be off by, as its maker states, per cent.
    ///
    /// # Errors
    /// The jar's temperature is outside the salt's table.
    pub fn verified(&self, jar: Jar, accuracy: f64) -> Result<Verification, CalibrationError> {
        let held = RelativeHumidity(jar.true_humidity()?);
        let corrected = self.apply(jar.reading);
        Ok(Verification {
            held,
            corrected,
            off_by: corrected.0 - held.0,
            allowed: float::hypot(accuracy.abs(), jar.salt.uncertainty()),
        })
    }

    fn guarded(self) -> Result<Correction, CalibrationError> {
        if !(GAIN_LEAST..=GAIN_MOST).contains(&self.gain) {
            return Err(CalibrationError::Gain { gain: self.gain });
        }
        if !(-OFFSET_MOST..=OFFSET_MOST).contains(&self.offset) {
            return Err(CalibrationError::Offset { offset: self.offset });
        }
        Ok(self)
    }
}

/// A corrected sensor in a jar that had no part in its correction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Verification {
    /// What the salt holds.
    pub held: RelativeHumidity,
    /// What the corrected sensor says.
    pub corrected: RelativeHumidity,
    /// The second less the first, per cent relative humidity.
    pub off_by: f64,
    /// What it may be off by: the sensor's stated accuracy and the salt's own, in quadrature.
    pub allowed: f64,
}

impl Verification {
    /// Within what is allowed.
    pub fn passes(&self) -> bool {
        self.off_by.abs() <= self.allowed
    }
}

impl Jar {
    fn true_humidity(&self) -> Result<f64, CalibrationError> {
        let known = self.salt.humidity(self.temperature);
        known.map(|humidity| humidity.0).ok_or(CalibrationError::Temperature { celsius: self.temperature.0 })
    }
}

/// Per cent between two jars (ours): closer, and their uncertainties make the slope worthless.
const LEAST_APART: f64 = 30.0;
/// Beyond these (ours) the jar was wrong or the sensor is spent.
const GAIN_LEAST: f64 = 0.8;
const GAIN_MOST: f64 = 1.25;
const OFFSET_MOST: f64 = 10.0;
#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn jar(salt: Salt, reading: f64) -> Jar {
        Jar { salt, temperature: Celsius(22.0), reading: RelativeHumidity(reading) }
    }

    /// greenspan_salts.csv, from the published polynomials.
    #[test]
    fn each_salt_holds_the_humidity_of_greenspan() {
        for (celsius, wanted) in [
            (0.0, [11.2323, 33.6686, 60.3514, 75.5164, 88.6190, 98.7792]),
            (20.0, [11.3112, 33.0732, 54.3883, 75.4790, 85.1121, 97.5982]),
            (25.0, [11.3041, 32.7881, 52.8976, 75.2981, 84.3478, 97.3029]),
            (40.0, [11.2182, 31.6058, 48.4253, 74.6851, 82.3249, 96.4172]),
        ] {
            for (salt, humidity) in Salt::ALL.into_iter().zip(wanted) {
                let found = salt.humidity(Celsius(celsius)).unwrap().0;
                assert!((found - humidity).abs() < 0.001, "{salt:?} at {celsius}: {found}");
            }
        }
        assert_eq!(Salt::SodiumChloride.humidity(Celsius(41.0)), None);
    }

    #[test]
    fn two_jars_correct_the_sensor_of_the_worked_example() {
        let correction =
            Correction::from_two(jar(Salt::MagnesiumChloride, 35.6), jar(Salt::SodiumChloride, 78.2)).unwrap();
        assert!((correction.gain - 0.996373).abs() < 1e-6 && (correction.offset + 2.50519).abs() < 1e-4);
        for (raw, corrected) in [(40.0, 37.3497), (90.0, 87.1683), (95.0, 92.1502)] {
            assert!((correction.apply(RelativeHumidity(raw)).0 - corrected).abs() < 0.001);
        }
        assert_eq!(correction.apply(RelativeHumidity(0.0)).0, 0.0);
    }

    #[test]
    fn one_jar_only_shifts() {
        let correction = Correction::from_one(jar(Salt::SodiumChloride, 78.2)).unwrap();
        assert_eq!(correction.gain, 1.0);
        assert!((correction.offset - (75.4111 - 78.2)).abs() < 1e-3);
    }

    #[test]
    fn a_result_no_sound_sensor_gives_is_refused_with_what_to_do() {
        let swapped = Correction::from_two(jar(Salt::MagnesiumChloride, 78.2), jar(Salt::SodiumChloride, 35.6));
        assert!(matches!(swapped, Err(CalibrationError::Gain { .. })));
        let close = Correction::from_two(jar(Salt::SodiumChloride, 78.2), jar(Salt::PotassiumChloride, 88.0));
        assert!(matches!(close, Err(CalibrationError::TooClose { .. })));
        let far = Correction::from_one(jar(Salt::SodiumChloride, 60.0));
        assert!(matches!(far, Err(CalibrationError::Offset { .. })));
        let hot = Jar { temperature: Celsius(55.0), ..jar(Salt::SodiumChloride, 75.0) };
        assert_eq!(Correction::from_one(hot), Err(CalibrationError::Temperature { celsius: 55.0 }));
    }

    #[test]
    fn a_third_jar_passes_or_fails_by_the_sensors_accuracy_and_the_salts() {
        let correction =
            Correction::from_two(jar(Salt::MagnesiumChloride, 35.6), jar(Salt::SodiumChloride, 78.2)).unwrap();
        let third = |reading| correction.verified(jar(Salt::PotassiumChloride, reading), 2.0).unwrap();
        // KCl holds 84.8010 % at 22 °C; 88 said is 85.1756 corrected.
        assert!((third(88.0).off_by - 0.3746).abs() < 0.001, "{:?}", third(88.0));
        assert!((third(88.0).allowed - 2.0880).abs() < 0.001);
        assert!(third(88.0).passes() && !third(91.0).passes() && !third(84.0).passes());
    }

    proptest! {
        #[test]
        fn a_correction_that_is_given_makes_the_jars_read_right(one in 0.0..100.0, other in 0.0..100.0, t in 0.0..40.0) {
            let jars = [(Salt::MagnesiumChloride, one), (Salt::SodiumChloride, other)]
                .map(|(salt, reading)| Jar { salt, temperature: Celsius(t), reading: RelativeHumidity(reading) });
            if let Ok(correction) = Correction::from_two(jars[0], jars[1]) {
                for jar in jars {
                    let wanted = jar.salt.humidity(Celsius(t)).unwrap().0;
                    prop_assert!((correction.apply(jar.reading).0 - wanted).abs() < 1e-6);
                }
            }
        }

        #[test]
        fn no_reading_whatever_gives_a_correction_out_of_bounds(one in proptest::num::f64::ANY, other in proptest::num::f64::ANY, t in proptest::num::f64::ANY) {
            let jars = [(Salt::MagnesiumChloride, one), (Salt::SodiumChloride, other)]
                .map(|(salt, reading)| Jar { salt, temperature: Celsius(t), reading: RelativeHumidity(reading) });
            for correction in [Correction::from_two(jars[0], jars[1]), Correction::from_one(jars[0])].into_iter().flatten() {
                prop_assert!((0.8..=1.25).contains(&correction.gain) && correction.offset.abs() <= 10.0);
            }
        }
    }
}
