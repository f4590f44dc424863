//! Between which hours of wetness the truth lies: two more clocks beside that of `mold`, in the
//! air as it would be if the hygrometer read as much too high, or too low, as it may. Near
//! 90 % a hygrometer good to 3 % decides wet or dry like a coin; the figure alone would hide it.

use crate::physics::mold_pressure::{MoldPressure, TrayAir};
use crate::units::{Celsius, RelativeHumidity};

/// The least and the most that the air can have allowed, as far as the hygrometer is good.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct MoldBand {
    least: MoldPressure,
    most: MoldPressure,
}

/// A hygrometer whose error is taken as known leaves no doubt between wet and dry.
const ERROR_KNOWN: f64 = 0.1;

impl MoldBand {
    /// Both clocks of a tray whose crop is of this family, with nothing behind them.
    pub(crate) fn new(family: &str) -> Self {
        MoldBand { least: MoldPressure::new(family), most: MoldPressure::new(family) }
    }

    /// The leaves were misted or watered from above.
    pub(crate) fn wet_from_above(&mut self) {
        self.least.wet_from_above();
        self.most.wet_from_above();
    }

    /// Lets so many hours pass in this air, which may be damper or drier by `off` per cent.
    pub(crate) fn advance(&mut self, hours: f64, air: &TrayAir, off: f64) {
        self.least.advance(hours, &damper(air, -off));
        self.most.advance(hours, &damper(air, off));
    }

    /// The clock in air as dry as it may be.
    pub(crate) fn least(&self) -> &MoldPressure {
        &self.least
    }

    /// The clock in air as damp as it may be.
    pub(crate) fn most(&self) -> &MoldPressure {
        &self.most
    }

    /// Hours of wetness that conditions have allowed in the present spell, least and most.
    pub(crate) fn hours(&self, temperature: Celsius) -> (f64, f64) {
        let of = |clock: &MoldPressure| clock.infection(temperature).allowed_hours;
        let (one, other) = (of(&self.least), of(&self.most));
        (one.min(other), one.max(other))
    }
}

/// The air as it is if it is damper by so many per cent than was measured, for certain.
pub(crate) fn damper(air: &TrayAir, by: f64) -> TrayAir {
    let moved = |humidity: RelativeHumidity| RelativeHumidity((humidity.0 + by).clamp(0.0, 100.0));
    TrayAir {
        humidity: moved(air.humidity),
        canopy_humidity: moved(air.canopy_humidity),
        humidity_accuracy: ERROR_KNOWN,
        ..*air
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn nine_hours(humidity: f64, accuracy: f64) -> ((f64, f64), f64) {
        let air = TrayAir {
            temperature: Celsius(20.0),
            humidity: RelativeHumidity(humidity),
            humidity_accuracy: accuracy,
            canopy_humidity: RelativeHumidity(humidity),
            air_speed: 0.2,
        };
        let (mut band, mut likely) = (MoldBand::new("brassica"), MoldPressure::new("brassica"));
        for _ in 0..9 {
            band.advance(1.0, &air, accuracy);
            likely.advance(1.0, &air);
        }
        (band.hours(air.temperature), likely.infection(air.temperature).allowed_hours)
    }

    #[test]
    fn at_ninety_per_cent_a_usual_hygrometer_tells_all_or_nothing() {
        let ((least, most), likely) = nine_hours(90.0, 3.0);
        assert!(least < 0.01 && (most - 9.0).abs() < 0.01, "{least} to {most}");
        assert!((likely - 4.5).abs() < 0.01, "{likely}");
    }

    #[test]
    fn far_from_the_limit_the_band_closes() {
        let ((least, most), likely) = nine_hours(96.0, 3.0);
        assert!((least - 9.0).abs() < 0.01 && (most - 9.0).abs() < 0.01 && (likely - 9.0).abs() < 0.01);
        let ((least, most), _) = nine_hours(80.0, 3.0);
        assert_eq!((least, most), (0.0, 0.0));
    }
}
