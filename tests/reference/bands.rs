//! What a sensor may be off by, carried into the figures made of it: the first-order formulas
//! against the figures themselves, moved and drawn at random. No table can be wrong here, and
//! no formula typed twice: only the functions the bands are about are asked.

use traywarden::engine::physics::climate::{Accuracy, dew_point, vapour_pressure_deficit};
use traywarden::units::{Celsius, RelativeHumidity};

const ACCURACIES: [Accuracy; 3] = [
    Accuracy { temperature: 0.3, humidity: 2.0 },
    Accuracy { temperature: 0.3, humidity: 3.0 },
    Accuracy { temperature: 0.5, humidity: 5.0 },
];

fn deficit(t: f64, rh: f64) -> f64 {
    vapour_pressure_deficit(Celsius(t), RelativeHumidity(rh)).0
}

fn dew(t: f64, rh: f64) -> f64 {
    dew_point(Celsius(t), RelativeHumidity(rh)).expect("damp air").0
}

/// Both partial derivatives by central differences, in quadrature.
fn by_differences(of: impl Fn(f64, f64) -> f64, t: f64, rh: f64, accuracy: Accuracy) -> f64 {
    let step = 1e-4;
    let along_t = (of(t + step, rh) - of(t - step, rh)) / (2.0 * step);
    let along_rh = (of(t, rh + step) - of(t, rh - step)) / (2.0 * step);
    (along_t * accuracy.temperature).hypot(along_rh * accuracy.humidity)
}

#[test]
fn bands_are_the_derivatives_of_the_figures_themselves() {
    for t in [10.0, 16.0, 22.0, 28.0, 35.0] {
        for rh in [30.0, 45.0, 60.0, 75.0, 90.0, 99.0] {
            for accuracy in ACCURACIES {
                let (air, damp) = (Celsius(t), RelativeHumidity(rh));
                let found = accuracy.of_deficit(air, damp).0;
                let wanted = by_differences(deficit, t, rh, accuracy);
                assert!((found - wanted).abs() < 1e-4 * wanted, "VPD at {t} °C {rh} %: {found}, {wanted}");
                let found = accuracy.of_dew_point(air, damp).expect("damp air");
                let wanted = by_differences(dew, t, rh, accuracy);
                assert!((found - wanted).abs() < 1e-3 * wanted, "dew point at {t} °C {rh} %: {found}, {wanted}");
                let found = accuracy.of_depression(air, damp).expect("damp air");
                let wanted = by_differences(|t, rh| t - dew(t, rh), t, rh, accuracy);
                assert!((found - wanted).abs() < 1e-3 * wanted, "depression at {t} °C {rh} %: {found}, {wanted}");
            }
        }
    }
}

/// A sum of twelve draws from a seed, less six: nearly normal, spread one.
struct SplitMix64(u64);

impl SplitMix64 {
    fn uniform(&mut self) -> f64 {
        // Knuth's MMIX constants.
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

#[test]
fn sensors_that_err_at_random_scatter_the_figures_as_wide_as_the_bands_say() {
    let mut chance = SplitMix64(20_261_125);
    let spread = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
    };
    for (t, rh) in [(18.0, 60.0), (22.0, 45.0), (22.0, 75.0), (22.0, 85.0), (26.0, 70.0)] {
        for accuracy in ACCURACIES {
            // The band is two standard deviations of the sensor, as p_wet takes it.
            let drawn: Vec<(f64, f64)> = (0..20_000)
                .map(|_| {
                    (t + chance.normal() * accuracy.temperature / 2.0, rh + chance.normal() * accuracy.humidity / 2.0)
                })
                .collect();
            let deficits: Vec<f64> = drawn.iter().map(|(t, rh)| deficit(*t, *rh)).collect();
            let dews: Vec<f64> = drawn.iter().map(|(t, rh)| dew(*t, *rh)).collect();
            let band = accuracy.of_deficit(Celsius(t), RelativeHumidity(rh)).0;
            let found = 2.0 * spread(&deficits);
            assert!((found / band - 1.0).abs() < 0.03, "VPD at {t} °C {rh} % {accuracy:?}: {found}, band {band}");
            let band = accuracy.of_dew_point(Celsius(t), RelativeHumidity(rh)).expect("damp air");
            let found = 2.0 * spread(&dews);
            assert!((found / band - 1.0).abs() < 0.03, "dew at {t} °C {rh} % {accuracy:?}: {found}, band {band}");
        }
    }
}
