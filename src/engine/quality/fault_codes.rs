//! The values that common digital probes, their libraries and gateways give instead of a
//! measurement: just powered on, not connected, a frame of all zeros or all ones. Told apart
//! from a value that is merely impossible, because the remedy differs: look at the wiring.
//!
//! Values come in the believed unit; what a device writes in Fahrenheit, kelvin, centimetres
//! or inches is recognised too, because a gateway writes its 999 in whatever unit it speaks.

use crate::reading::Quantity;

/// Outside what air can have, Celsius. Each is a register at its end put through the chip's
/// own conversion formula (formulas from the makers' data sheets, from memory unless named).
const TEMPERATURES: [f64; 19] = [
    // DS18B20: 85 at power-on, as its data sheet's table of values says and the maintainers of
    // Arduino-Temperature-Control-Library confirm (pull request 289); 127.9375 a conversion
    // that failed (from memory).
    85.0, 127.9375,
    // That library's codes: not connected -127 (-196.6 °F), fault open -254, short to ground
    // -253, short to supply -252 (the first three read in its header); -128 a wrong checksum
    // in another (RobTillaart/DS18B20_RT, issue 9).
    -127.0, -254.0, -253.0, -252.0, -128.0,
    // -46.85 + 175.72 S/2^16 at S = 0, at all ones, and with the two status bits cleared.
    -46.85, 128.87, 128.86, // -45 + 175 S/(2^16 - 1) at both ends.
    -45.0, 130.0, // -40 + 165 S/2^16 at both ends; -40 is also where several chips clamp.
    -40.0, 125.0, // -50 + 200 S/2^20 at both ends.
    -50.0, 150.0,
    // A platinum probe's converter with its wires shorted, or open (from memory); absolute zero.
    -242.02, 988.79, -273.15,
];
/// -6 + 125 S/2^16 at S = 0, at all ones and with status bits cleared; an element that is dead.
const HUMIDITIES: [f64; 4] = [-6.0, 118.99, 119.0, 0.0];
/// What gateways write for "none" (from memory): nines, and the ends of 16-bit counters, whole
/// or in tenths.
const GATEWAY: [f64; 10] = [-999.0, -9999.0, 999.0, 9999.0, 32_767.0, -32_768.0, 65_535.0, 6_553.5, 3_276.7, -3_276.8];
/// Devices write two decimals, and Fahrenheit is rounded once more on the way.
const ROUNDED: f64 = 0.006;

/// A value that lies outside what the quantity can have: whether it is a known code.
pub(crate) fn outside(quantity: Quantity, value: f64) -> bool {
    let is = |codes: &[f64], value: f64| codes.iter().any(|code| (value - code).abs() <= ROUNDED);
    let as_written: &[f64] = match quantity {
        Quantity::Temperature => &[value, value * 1.8 + 32.0, value + 273.15],
        Quantity::Distance | Quantity::Depth => &[value, value / 10.0, value / 1000.0, value / 25.4],
        Quantity::Volume => &[value, value / 3.785_411_784],
        Quantity::Humidity | Quantity::Filling => &[value, value / 100.0],
    };
    as_written.iter().any(|written| is(&GATEWAY, *written))
        || match quantity {
            Quantity::Temperature => is(&TEMPERATURES, value),
            Quantity::Humidity => is(&HUMIDITIES, value),
            // An echo sounder that hears nothing says zero; that is never "tank full".
            Quantity::Distance => value <= 0.0,
            Quantity::Depth | Quantity::Volume | Quantity::Filling => false,
        }
}

/// A temperature a room could have, but a bus without a probe gives as well: zero (a frame of
/// zeros, whose checksum fits: Arduino-Temperature-Control-Library, issue 16) and a sixteenth
/// below zero (all ones: RobTillaart/DS18B20_RT, issue 9), down to one decimal. Only to be
/// doubted where the air was far from it a moment ago.
pub(crate) fn bus_without_probe(celsius: f64) -> bool {
    celsius.abs() < 0.0005 || (-0.11..=-0.05).contains(&celsius)
}

/// Whether a humidity is what a frame of all ones or zeros makes of it: believable alone, not
/// beside a temperature that was a code.
pub(crate) fn end_of_frame(humidity: f64) -> bool {
    humidity <= 0.0 || humidity >= 99.98
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_known_in_the_unit_the_device_writes() {
        let fahrenheit = |written: f64| (written - 32.0) / 1.8;
        for celsius in [85.0, -127.0, 127.94, -46.85, 128.87, 130.0, -45.0, -50.0, 150.0, -40.0, 999.0, -3276.8] {
            assert!(outside(Quantity::Temperature, celsius), "{celsius} °C");
        }
        for written in [185.0, -196.6, 262.29, -52.33, 266.0, -49.0, -58.0, 302.0, 999.0, -999.0, 65_535.0] {
            let thousandths = crate::float::round(fahrenheit(written) * 1000.0) / 1000.0;
            assert!(outside(Quantity::Temperature, thousandths), "{written} °F");
        }
        assert!(outside(Quantity::Temperature, 999.0 - 273.15));
        assert!(outside(Quantity::Distance, 65_535.0 * 10.0), "65535 cm");
        assert!(outside(Quantity::Distance, 999.0 * 25.4), "999 in");
        assert!(outside(Quantity::Humidity, 999.0 * 100.0), "999 as a ratio");
        for honest in [84.9, -127.5, 61.3, -12.0, 300.0] {
            assert!(!outside(Quantity::Temperature, honest), "{honest} °C is impossible, but no code");
        }
        assert!(!outside(Quantity::Humidity, 106.0) && outside(Quantity::Humidity, 118.99));
    }

    #[test]
    fn zero_and_a_sixteenth_below_are_what_a_bus_without_probe_says() {
        for celsius in [0.0, -0.0625, -0.063, -0.06, -0.1, (31.89 - 32.0) / 1.8] {
            assert!(bus_without_probe(celsius), "{celsius}");
        }
        for celsius in [0.06, 0.1, -0.2, -0.02, 5.0] {
            assert!(!bus_without_probe(celsius), "{celsius}");
        }
    }
}
