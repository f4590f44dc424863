//! Units at the door: a declared value becomes one in the unit its quantity is
//! kept in. Whether the value is believable is not asked here.

use crate::config::Unit;
use crate::reading::Quantity;

/// Millimetres in an inch, exact (NIST SP 811, 2008, appendix B.8).
const MILLIMETRES_PER_INCH: f64 = 25.4;
/// Litres in a US liquid gallon, exact (NIST SP 811, 2008, appendix B.8).
const LITRES_PER_US_GALLON: f64 = 3.785_411_784;
/// Kelvin at 0 degrees Celsius, exact (BIPM, The International System of Units, 9th edition, 2019).
const KELVIN_AT_ZERO_CELSIUS: f64 = 273.15;

/// `value` of a `quantity`, declared in `unit`, in the unit of [`Quantity::unit`].
/// `None`: the unit does not measure that quantity.
pub(super) fn convert(value: f64, unit: Unit, quantity: Quantity) -> Option<f64> {
    match quantity {
        Quantity::Temperature => match unit {
            Unit::Celsius => Some(value),
            Unit::Fahrenheit => Some((value - 32.0) / 1.8),
            Unit::Kelvin => Some(value - KELVIN_AT_ZERO_CELSIUS),
            _ => None,
        },
        Quantity::Humidity => match unit {
            Unit::PercentHumidity | Unit::Percent => Some(value),
            Unit::Ratio => Some(value * 100.0),
            _ => None,
        },
        Quantity::Filling => match unit {
            Unit::Percent => Some(value),
            Unit::Ratio => Some(value * 100.0),
            _ => None,
        },
        Quantity::Distance | Quantity::Depth => match unit {
            Unit::Millimetre => Some(value),
            Unit::Centimetre => Some(value * 10.0),
            Unit::Metre => Some(value * 1000.0),
            Unit::Inch => Some(value * MILLIMETRES_PER_INCH),
            _ => None,
        },
        Quantity::Volume => match unit {
            Unit::Litre => Some(value),
            Unit::UsGallon => Some(value * LITRES_PER_US_GALLON),
            _ => None,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn declared_units_become_the_unit_of_the_quantity() {
        // Factors: NIST SP 811 (2008) appendix B.8; ITS steam point 212 F = 100 C by definition of the scale.
        let cases = [
            (212.0, Unit::Fahrenheit, Quantity::Temperature, 100.0),
            (71.6, Unit::Fahrenheit, Quantity::Temperature, 22.0),
            (-40.0, Unit::Fahrenheit, Quantity::Temperature, -40.0),
            (294.65, Unit::Kelvin, Quantity::Temperature, 21.5),
            (0.62, Unit::Ratio, Quantity::Humidity, 62.0),
            (62.0, Unit::PercentHumidity, Quantity::Humidity, 62.0),
            (10.0, Unit::Inch, Quantity::Distance, 254.0),
            (0.31, Unit::Metre, Quantity::Depth, 310.0),
            (31.0, Unit::Centimetre, Quantity::Distance, 310.0),
            (2.0, Unit::UsGallon, Quantity::Volume, 7.570_823_568),
            (0.5, Unit::Ratio, Quantity::Filling, 50.0),
        ];
        for (value, unit, quantity, wanted) in cases {
            let got = convert(value, unit, quantity).expect("the unit fits");
            assert!((got - wanted).abs() < 1e-9, "{value} {unit:?} gave {got}, wanted {wanted}");
        }
    }

    #[test]
    fn a_unit_of_another_quantity_is_refused() {
        assert_eq!(convert(60.0, Unit::PercentHumidity, Quantity::Temperature), None);
        assert_eq!(convert(310.0, Unit::Litre, Quantity::Depth), None);
        assert_eq!(convert(21.0, Unit::Celsius, Quantity::Humidity), None);
        assert_eq!(convert(60.0, Unit::PercentHumidity, Quantity::Filling), None);
    }
}
