//! The models against the kept tables; README.md says what each is worth.

use super::{near, number, numbers, rows};
use traywarden::engine::physics::canopy::{Canopy, drying_hours};
use traywarden::engine::physics::climate::{Accuracy, dew_point, saturation_pressure, vapour_pressure_deficit};
use traywarden::engine::physics::draw::{LevelPoint, step_threshold, steps};
use traywarden::engine::physics::infection::{
    ALTERNARIA_BRASSICAE, BOTRYTIS_CINEREA, BREMIA_LACTUCAE, MYCOSPHAERELLA_PINODES, botrytis_growth, wetness,
};
use traywarden::engine::physics::slope::theil_sen;
use traywarden::engine::physics::surface::Surface;
use traywarden::engine::physics::tank_geometry::{Shape, speed_of_sound};
use traywarden::engine::quality::calibration::Salt;
use traywarden::units::{Celsius, RelativeHumidity};

#[test]
fn the_air_agrees_with_the_psychrolib_grid_and_lies_among_the_other_libraries() {
    for row in &rows(include_str!("psychro_grid.csv")) {
        let (t, humidity) = (Celsius(number(row, "T_C")), RelativeHumidity(number(row, "RH")));
        if t.0 > 0.0 {
            let saturation = number(row, "es_psychrolib");
            near("saturation", row, saturation_pressure(t).0 * 1000.0, saturation, 0.0005 * saturation);
            let deficit = number(row, "vpd_psychrolib");
            let found = vapour_pressure_deficit(t, humidity).0 * 1000.0;
            near("deficit", row, found, deficit, f64::max(0.5, 0.0005 * deficit));
        }
        if number(row, "td_psychrolib") > 0.05 {
            let dew = dew_point(t, humidity).expect("damp air").0;
            near("dew point", row, dew, number(row, "td_psychrolib"), 0.01);
            for library in ["td_metpy", "td_coolprop", "td_thermofeel"] {
                near(library, row, dew, number(row, library), 0.15);
            }
        }
    }
}

#[test]
fn saturation_is_within_a_fortieth_of_a_per_cent_of_iapws_95() {
    for row in rows(include_str!("es_formulas.csv")).iter().filter(|row| number(row, "T_C") >= 1.0) {
        let wanted = number(row, "IAPWS95_CoolProp");
        near("IAPWS-95", row, saturation_pressure(Celsius(number(row, "T_C"))).0 * 1000.0, wanted, 0.00025 * wanted);
    }
}

#[test]
fn the_sensor_band_agrees() {
    for row in &rows(include_str!("rh_error_propagation.csv")) {
        let (t, humidity) = (Celsius(number(row, "T_C")), RelativeHumidity(number(row, "RH")));
        let accuracy = Accuracy { temperature: 0.3, humidity: number(row, "u_RH") };
        near("deficit", row, accuracy.of_deficit(t, humidity).0 * 1000.0, number(row, "u_VPD_Pa"), 0.01);
        near("dew", row, accuracy.of_dew_point(t, humidity).expect("damp"), number(row, "u_Td_K"), 0.001);
        near("depression", row, accuracy.of_depression(t, humidity).expect("damp"), number(row, "u_DPD_K"), 0.001);
        near("wetness", row, wetness(humidity, accuracy.humidity), number(row, "P_true_RH_ge_90"), 6e-5);
    }
}

#[test]
fn cold_surfaces_are_wet_where_psychrolib_has_the_dew_point() {
    for row in &rows(include_str!("condensation.csv")) {
        let air = (Celsius(number(row, "T_air")), RelativeHumidity(number(row, "RH")));
        let found = Surface::measured(Celsius(number(row, "T_surface")), air.0, air.1, Accuracy::default());
        let found = found.expect("damp air");
        near("margin", row, found.margin, number(row, "margin_K"), 0.01);
        near("humidity", row, found.humidity, number(row, "surface_RH_pct"), 0.05);
        assert_eq!(found.condenses(), number(row, "condenses") == 1.0, "{row:?}");
        assert_eq!(found.is_damp(), number(row, "ISO13788_ge80") == 1.0, "{row:?}");
    }
}

#[test]
fn salts_agree() {
    for row in &rows(include_str!("greenspan_salts.csv")) {
        for (salt, column) in [
            (Salt::LithiumChloride, "LiCl"),
            (Salt::MagnesiumChloride, "MgCl2"),
            (Salt::MagnesiumNitrate, "Mg(NO3)2"),
            (Salt::SodiumChloride, "NaCl"),
            (Salt::PotassiumChloride, "KCl"),
            (Salt::PotassiumSulfate, "K2SO4"),
        ] {
            let found = salt.humidity(Celsius(number(row, "T_C"))).expect("0 to 40 °C").0;
            near(column, row, found, number(row, column), 0.001);
        }
    }
}

#[test]
fn tanks_hold_what_was_integrated() {
    for row in &rows(include_str!("tank_volumes.csv")) {
        let tank = match row["shape"].split_whitespace().take(2).collect::<Vec<_>>()[..] {
            ["rect", "60x40"] => Shape::Box { length: 600.0, width: 400.0, height: 300.0 },
            ["vertical", _] => Shape::UprightCylinder { diameter: 400.0, height: 500.0 },
            ["horizontal", _] => Shape::LyingCylinder { diameter: 400.0, length: 800.0 },
            ["cone", _] => Shape::Pail { bottom_diameter: 260.0, top_diameter: 300.0, height: 350.0 },
            ["rect", "frustum"] => Shape::Tote {
                bottom_length: 500.0,
                bottom_width: 300.0,
                top_length: 600.0,
                top_width: 400.0,
                height: 300.0,
            },
            _ => panic!("a shape we do not have: {row:?}"),
        };
        near("litres", row, tank.litres(10.0 * number(row, "level_cm")), number(row, "volume_L"), 1e-6);
    }
}

#[test]
fn sound_is_as_fast_as_in_coolprop() {
    for row in &rows(include_str!("speed_of_sound.csv")) {
        let wanted = number(row, "CoolProp_dry_m_s");
        near("sound", row, speed_of_sound(Celsius(number(row, "T_C"))), wanted, 0.0005 * wanted);
    }
}

#[test]
fn slopes_of_the_kept_cases_are_those_of_scipy() {
    for row in &rows(include_str!("theilsen_cases.csv")) {
        let points: Vec<LevelPoint> = numbers(row, "t_h").into_iter().zip(numbers(row, "V_L")).collect();
        let slope = theil_sen(&points).expect("the times differ");
        near("slope", row, slope.per_hour, number(row, "slope"), 5e-7);
        near("low", row, slope.low, number(row, "slope_lo"), 5e-7);
        near("high", row, slope.high, number(row, "slope_hi"), 5e-7);
    }
}

/// Two days at five minutes with four pump runs, a refill and, from hour 40, a leak of 0.9 L/h.
fn synthetic() -> Vec<LevelPoint> {
    let rows = rows(include_str!("reservoir_synthetic.csv"));
    rows.iter().map(|row| (number(row, "t_h"), number(row, "V_meas_L"))).collect()
}

#[test]
fn every_pump_run_and_refill_of_two_days_is_found_and_the_leak_is_none() {
    let found = steps(&synthetic(), step_threshold(0.06));
    let true_steps = rows(include_str!("reservoir_events_expected.csv"));
    let true_steps: Vec<_> = true_steps.iter().filter(|row| row["event"] != "leak_start").collect();
    assert_eq!(found.len(), true_steps.len(), "{found:?}");
    for (step, row) in found.iter().zip(true_steps) {
        near("hour", row, step.hours, number(row, "t_h"), 10.0 / 60.0);
        near("litres", row, step.litres, number(row, "size_L_or_L_per_h"), 0.15);
    }
}

#[test]
fn trays_draw_and_dry_as_typed_elsewhere() {
    let column = |row: &super::Row, name: &str| number(row, name);
    for row in &rows(include_str!("indoor_et.csv")) {
        let canopy = Canopy {
            leaf_area_index: column(row, "LAI"),
            light: column(row, "PPFD"),
            air_speed: column(row, "u_m_s"),
            canopy_resistance: 0.0,
        };
        let wanted = column(row, "tray_g_per_h");
        let found = canopy.tray_grams_per_hour(Celsius(column(row, "T_C")), RelativeHumidity(column(row, "RH")));
        near("draw", row, found, wanted, 0.005 * wanted);
    }
    for row in &rows(include_str!("drying_time.csv")) {
        let (t, humidity) = (Celsius(column(row, "T_C")), RelativeHumidity(column(row, "RH")));
        let wanted = column(row, "hours_100g_m2");
        let found = drying_hours(100.0, t, humidity, column(row, "u_m_s")).expect("it dries");
        near("drying", row, found, wanted, 0.005 * wanted);
    }
}

#[test]
fn infection_and_growth_agree_as_typed_elsewhere() {
    for row in &rows(include_str!("magarey_response.csv")) {
        let pathogen = match (&*row["pathogen"], &*row["host"]) {
            ("Alternaria brassicae", "oilseed rape") => ALTERNARIA_BRASSICAE,
            ("Botrytis cinerea", "strawberry") => BOTRYTIS_CINEREA,
            ("Bremia lactucae", "lettuce") => BREMIA_LACTUCAE,
            ("Mycosphaerella pinodes", "pea") => MYCOSPHAERELLA_PINODES,
            _ => continue,
        };
        let t = Celsius(number(row, "T_C"));
        near("response", row, pathogen.response(t), number(row, "f_T"), 1e-5);
        match pathogen.wet_hours_needed(t) {
            Some(hours) => near("hours", row, hours, number(row, "W_required_h"), 6e-5),
            None => assert_eq!(row["W_required_h"], "inf"),
        }
    }
    for row in &rows(include_str!("botrytis_growth.csv")) {
        let found = botrytis_growth(Celsius(number(row, "T_C")), RelativeHumidity(number(row, "RH_pct")));
        near("growth", row, found, number(row, "Bcinerea_growth_mm_per_day"), 1e-4);
    }
}
