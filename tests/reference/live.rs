//! The models against the libraries installed on this machine. A missing
//! library is a failure with the command that mends it, never a pass.

use super::{Row, near, number, numbers, rows};
use std::io::Write;
use std::process::{Command, Stdio};
use traywarden::analysis::rank::spearman;
use traywarden::engine::physics::canopy::penman_monteith;
use traywarden::engine::physics::climate::{dew_point, saturation_pressure, vapour_pressure_deficit};
use traywarden::engine::physics::slope::theil_sen;
use traywarden::engine::physics::tank_geometry::{distance_corrected_for_air, speed_of_sound};
use traywarden::units::{Celsius, RelativeHumidity};

fn ask(library: &str) -> String {
    ask_about(library, "")
}

/// The answer to what is handed over on standard input.
pub(super) fn ask_about(library: &str, question: &str) -> String {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/live.py");
    let mut python = Command::new("python3");
    python.arg(script).arg(library).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut asked = python.spawn().unwrap_or_else(|error| {
        panic!("python3 cannot be run ({error}): install Python 3, then `pip install psychrolib CoolProp ioos_qc scipy metpy refet icalendar`")
    });
    // A script that has already failed does not listen; it is heard below.
    let _ = asked.stdin.take().expect("it is piped").write_all(question.as_bytes());
    let answer = asked.wait_with_output().expect("it ends");
    let complaint = String::from_utf8_lossy(&answer.stderr);
    assert!(answer.status.success(), "{library} gave no figures: {complaint}");
    String::from_utf8(answer.stdout).expect("the script prints ASCII")
}

fn air(row: &Row) -> (Celsius, RelativeHumidity) {
    (Celsius(number(row, "celsius")), RelativeHumidity(number(row, "humidity")))
}

#[test]
fn the_air_is_as_psychrolib_says_today() {
    let rows = rows(&ask("psychrolib"));
    assert_eq!(rows.len(), 400);
    for row in &rows {
        let (t, humidity) = air(row);
        let (saturation, deficit) = (number(row, "saturation_pa"), number(row, "deficit_pa"));
        near("saturation", row, saturation_pressure(t).0 * 1000.0, saturation, 0.0005 * saturation);
        let found = vapour_pressure_deficit(t, humidity).0 * 1000.0;
        near("deficit", row, found, deficit, f64::max(0.5, 0.0005 * deficit));
        // Below 0 °C PsychroLib goes over to ice, we stay over water.
        if number(row, "dew_c") > 0.05 {
            near("dew point", row, dew_point(t, humidity).expect("damp air").0, number(row, "dew_c"), 0.01);
        }
    }
}

#[test]
fn the_air_is_near_the_real_gas_of_coolprop() {
    let rows = rows(&ask("coolprop"));
    assert_eq!(rows.len(), 200);
    for row in &rows {
        let (t, humidity) = air(row);
        let saturation = number(row, "saturation_pa");
        near("saturation", row, saturation_pressure(t).0 * 1000.0, saturation, 0.0005 * saturation);
        if number(row, "dew_c") > 0.05 {
            near("dew point", row, dew_point(t, humidity).expect("damp air").0, number(row, "dew_c"), 0.15);
        }
        let sound = number(row, "sound_m_s");
        // Stated for 5 to 35 °C; here to 45.
        near("sound", row, speed_of_sound(t), sound, 0.001 * sound);
    }
}

/// MetPy takes es from Ambaum (2020) and the dew point from Bolton (1980): another road to the
/// same figures. Tolerances are how far libraries differ for 10 to 35 °C and 30 % and more.
#[test]
fn the_air_is_near_what_metpy_says() {
    let rows = rows(&ask("metpy"));
    assert_eq!(rows.len(), 200);
    for row in &rows {
        let (t, humidity) = air(row);
        if number(row, "dew_c") > 0.5 {
            near("dew point", row, dew_point(t, humidity).expect("damp air").0, number(row, "dew_c"), 0.075);
        }
        let deficit = number(row, "deficit_pa");
        let found = vapour_pressure_deficit(t, humidity).0 * 1000.0;
        near("deficit", row, found, deficit, f64::max(0.5, 0.0035 * deficit));
    }
}

/// An echo goes there and back in the time CoolProp's dry air gives it; a gauge that reckons
/// with 20 °C says what it says; corrected, the water is where it is.
#[test]
fn a_corrected_echo_finds_water_where_it_is_in_the_air_of_coolprop() {
    let rows = rows(&ask("coolprop"));
    let at_20 = speed_of_sound(Celsius(20.0));
    let mut faked: f64 = 0.0;
    for row in rows.iter().filter(|row| (5.0..=35.0).contains(&number(row, "celsius"))) {
        let (t, _) = air(row);
        let said = 400.0 * at_20 / number(row, "sound_m_s");
        faked = faked.max((said - 400.0).abs());
        near("water", row, distance_corrected_for_air(said, Celsius(20.0), t), 400.0, 0.2);
    }
    assert!(faked > 8.0, "uncorrected, 15 K are {faked} mm");
}

#[test]
fn slopes_and_their_intervals_are_those_of_scipy() {
    let rows = rows(&ask("scipy"));
    assert!(rows.len() > 150, "{} cases", rows.len());
    for row in &rows {
        let points: Vec<(f64, f64)> = numbers(row, "hours").into_iter().zip(numbers(row, "values")).collect();
        let slope = theil_sen(&points).expect("the times differ");
        near("slope", row, slope.per_hour, number(row, "slope"), 1e-9);
        near("intercept", row, slope.intercept, number(row, "intercept"), 1e-9);
        near("low", row, slope.low, number(row, "low"), 1e-9);
        near("high", row, slope.high, number(row, "high"), 1e-9);
    }
}

#[test]
fn rank_correlations_and_their_chances_are_those_of_scipy() {
    let rows = rows(&ask("ranks"));
    assert!(rows.len() > 45, "{} cases", rows.len());
    let mut exact = 0;
    for row in &rows {
        let pairs: Vec<(f64, f64)> = numbers(row, "x").into_iter().zip(numbers(row, "y")).collect();
        let found = spearman(&pairs).expect("both sides change");
        near("rho", row, found.rho, number(row, "rho"), 1e-9);
        if row["p_exact"].is_empty() {
            // scipy takes Student's t there, we draw pairings: alike for twenty lots and more.
            near("p", row, found.p, number(row, "p_large"), 0.015);
        } else {
            exact += 1;
            near("p", row, found.p, number(row, "p_exact"), 1e-9);
        }
    }
    assert!(exact > 20, "{exact} exact cases");
}

#[test]
fn flags_are_those_of_ioos_qc() {
    let answer = ask("ioos_qc");
    let cases: Vec<serde_json::Value> =
        answer.lines().map(|line| serde_json::from_str(line).expect("a JSON object")).collect();
    assert!(cases.len() > 100, "{} cases", cases.len());
    cases.iter().for_each(super::qartod::check);
}

#[test]
fn leaves_lose_what_refet_says_of_grass_with_the_resistances_of_grass() {
    let rows = rows(&ask("refet"));
    assert_eq!(rows.len(), 300);
    for row in &rows {
        let (t, humidity) = air(row);
        let (wind, grams) = (number(row, "wind"), number(row, "grams"));
        let found = penman_monteith(t, humidity, 208.0 / wind, 50.0, number(row, "watts"));
        // The standardized equation takes one latent heat (2.45 MJ/kg) and one density of air for
        // all temperatures; ours follow the temperature.
        near("transpiration", row, found, grams, 0.03 * grams);
    }
}
