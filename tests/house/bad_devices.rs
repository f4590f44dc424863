//! What a grower sees when a tank, a gauge or a probe is described wrongly, and what becomes
//! of one described well.

use crate::bad_config::{AIR, RACK, SITE, prints, refuses, right};
use traywarden::reading::Quantity;

#[test]
fn a_tank_that_cannot_be_is_refused_in_words() {
    let text = format!(
        "{SITE}[[reservoir]]\nid = \"tank\"\nfeeds = [\"rack-a\"]\ntopic = \"loft/tank\"\n\
         reads = {{ what = \"distence\", unit = \"mm\", sensor_height = \"300 mm\" }}\n\
         shape = {{ kind = \"box\", length = \"600\", width = \"400 mm\", hight = \"350 mm\" }}\npump_inlet = \"40 furlong\"\n\
         [[reservoir]]\nid = \"drum\"\ntopic = \"loft/drum\"\n\
         reads = {{ what = \"distance\", unit = \"mm\", sensor_height = \"300 mm\" }}\n\
         shape = {{ kind = \"upright-cylinder\", diameter = \"500 mm\", height = \"350 mm\" }}\npump_inlet = \"360 mm\"\nlow_percent = 120\n"
    );
    prints(
        &text,
        r##"error: 9 problems in config/room.toml

  room.toml:6   reservoir.tank.feeds = "rack-a"
                no [[place]] has this id
                hint: add [[place]] with id = "rack-a"

  room.toml:8   reservoir.tank.reads.what = "distence"
                no such gauge
                hint: did you mean "distance"?

  room.toml:9   reservoir.tank.shape.length = "600"
                a length needs a unit
                hint: write "600 mm" or "600 in"

  room.toml:9   reservoir.tank.shape.height
                missing, and nothing can stand in for it
                hint: a box needs its height, measured inside, for example height = "400 mm"

  room.toml:9   reservoir.tank.shape.hight = "350 mm"
                no such key
                hint: did you mean "height"?

  room.toml:10  reservoir.tank.pump_inlet = "40 furlong"
                "furlong" is no unit of length here
                hint: one of mm, cm, m, in, ft

  room.toml:14  reservoir.drum.reads.sensor_height = "300 mm"
                the gauge would hang below the rim: the tank is 350 mm high inside
                hint: measure from the tank floor up to the face of the gauge

  room.toml:16  reservoir.drum.pump_inlet = "360 mm"
                the pump inlet lies at or above the rim: the tank is 350 mm high inside
                hint: measure from the tank floor up to where the pump begins to draw air

  room.toml:17  reservoir.drum.low_percent = 120
                between 1 and 90 is wanted
"##,
    );
}

#[test]
fn an_echo_a_surface_and_a_calibration_that_make_no_sense_are_refused() {
    let text = format!(
        "{SITE}{RACK}{AIR}[[sensor]]\nid = \"pane\"\nplace = \"rack-a\"\ntopic = \"loft/pane\"\nsurface = \"window\"\n\
         temperature = {{ pointer = \"/t\", unit = \"Cel\" }}\nhumidity = {{ pointer = \"/h\", calibrated = \"soon\", gain = 1.02 }}\n\
         [[sensor]]\nid = \"rack-b-air\"\nplace = \"rack-a\"\ntopic = \"loft/rack-b/air\"\n\
         temperature = {{ pointer = \"/t\", unit = \"Cel\", calibrated = \"2026-11-25\" }}\n\
         [[reservoir]]\nid = \"tank\"\ntopic = \"loft/tank\"\n\
         reads = {{ what = \"distance\", unit = \"mm\", sensor_height = \"400 mm\", temperature_from = \"pane\", gauge_assumes = \"90 Cel\" }}\n\
         shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }}\n\
         [[reservoir]]\nid = \"drum\"\ntopic = \"loft/drum\"\n\
         reads = {{ what = \"depth\", unit = \"mm\", temperature_from = \"rack-b-air\" }}\n\
         shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }}\n\
         [[reservoir]]\nid = \"pail\"\ntopic = \"loft/pail\"\n\
         reads = {{ what = \"distance\", unit = \"mm\", sensor_height = \"400 mm\", gauge_assumes = 20 }}\n\
         shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }}\n"
    );
    prints(
        &text,
        r##"error: 7 problems in config/room.toml

  room.toml:17  sensor.pane.humidity = { pointer = "/h", calibrated = "soon", gain = 1.02 }
                a probe on a surface measures how warm the surface is, nothing else
                hint: give the device's humidity a [[sensor]] of its own, without surface, or leave it out

  room.toml:17  sensor.pane.humidity.calibrated = "soon"
                a day is wanted, such as "2026-11-25"

  room.toml:22  sensor.rack-b-air.temperature.calibrated = "2026-11-25"
                a day of calibration without what came of it
                hint: "traywarden calibrate" prints gain and offset beside it

  room.toml:26  reservoir.tank.reads.gauge_assumes = "90 Cel"
                between -10 and 45 degrees Celsius is wanted
                hint: if Fahrenheit is meant, write "90 F"

  room.toml:26  reservoir.tank.reads.temperature_from = "pane"
                no [[sensor]] of this id measures the temperature of air
                hint: one of rack-b-air

  room.toml:31  reservoir.drum.reads.temperature_from = "rack-b-air"
                only the echo of a distance gauge is corrected for warm air; this one sends depth

  room.toml:36  reservoir.pail.reads.gauge_assumes = 20
                says what to correct from, but not by whose temperature
                hint: add temperature_from = "rack-a-air", the sensor nearest the tank
"##,
    );
}

#[test]
fn the_echo_a_surface_and_a_calibration_become_rules() {
    let text = format!(
        "{SITE}{RACK}[[sensor]]\nid = \"rack-a-air\"\nplace = \"rack-a\"\ntopic = \"loft/a\"\n\
         temperature = {{ pointer = \"/t\", unit = \"F\" }}\nhumidity = {{ pointer = \"/h\", gain = 0.9964, offset = -2.51, calibrated = 2026-11-25 }}\n\
         [[sensor]]\nid = \"pane\"\nplace = \"rack-a\"\ntopic = \"loft/pane\"\nsurface = \"window\"\n\
         temperature = {{ pointer = \"/t\", unit = \"Cel\", accuracy = \"0.9 F\" }}\n\
         [[reservoir]]\nid = \"tank\"\ntopic = \"loft/tank\"\n\
         reads = {{ what = \"distance\", unit = \"mm\", sensor_height = \"400 mm\", temperature_from = \"rack-a-air\", gauge_assumes = \"77 F\" }}\n\
         shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }}\n"
    );
    let rules = right(&text).rules;
    let echo = rules.reservoirs[0].echo.expect("set");
    assert_eq!(rules.channel(echo.air).quantity, Quantity::Temperature);
    assert_eq!(rules.sensor(rules.channel(echo.air).sensor).id, "rack-a-air");
    assert!((echo.assumed.0 - 25.0).abs() < 1e-9);
    assert_eq!(rules.channels[1].calibrated, chrono::NaiveDate::from_ymd_opt(2026, 11, 25));
    assert_eq!(rules.sensors[1].surface.as_deref(), Some("window"));
    assert!((rules.channels[2].accuracy - 0.5).abs() < 1e-9);
}

#[test]
fn a_hygrometer_whose_scale_ends_lower_says_so() {
    let hygrometer = |more: &str| {
        format!(
            "{SITE}{RACK}[[sensor]]\nid = \"air\"\nplace = \"rack-a\"\ntopic = \"loft/air\"\nhumidity = {{ pointer = \"/h\"{more} }}\n"
        )
    };
    assert_eq!(right(&hygrometer(", ceiling = 95")).rules.channels[0].ceiling, 95.0);
    assert_eq!(right(&hygrometer("")).rules.channels[0].ceiling, 100.0);
    refuses(&hygrometer(", ceiling = 20"), "between 50 and 100 is wanted");
}

#[test]
fn a_probe_needs_somebody_to_measure_the_air_it_is_in() {
    let room = |inside: &str, hygrometer_at: &str| {
        format!(
            "{SITE}[[place]]\nid = \"rack-a\"\n{inside}[[place]]\nid = \"loft\"\n\
             [[sensor]]\nid = \"air\"\nplace = \"{hygrometer_at}\"\ntopic = \"loft/air\"\nhumidity = {{ pointer = \"/h\" }}\n\
             [[sensor]]\nid = \"pane\"\nplace = \"rack-a\"\ntopic = \"loft/pane\"\nsurface = \"window\"\n\
             temperature = {{ pointer = \"/t\", unit = \"Cel\" }}\n"
        )
    };
    right(&room("", "rack-a"));
    right(&room("inside = \"loft\"\n", "loft"));
    refuses(&room("", "loft"), "nothing measures how damp the air at this surface is, so dew cannot be judged");
}

#[test]
fn two_devices_may_share_a_topic_when_their_pointers_differ() {
    let other = AIR.replace("rack-a-air", "shelf").replace("/humidity", "/shelf/humidity");
    let config = right(&format!("{SITE}{RACK}{AIR}{other}"));
    assert_eq!(config.topics.sensors["loft/rack-a/air"].len(), 2);
}

#[test]
fn the_time_of_measuring_is_found_by_either_form() {
    for form in ["time = \"/t\"", "time = { pointer = \"/t\" }"] {
        let config = right(&format!("{SITE}{RACK}{AIR}{form}\n"));
        assert_eq!(config.topics.sensors["loft/rack-a/air"][0].time.as_deref(), Some("/t"), "{form}");
    }
    refuses(&format!("{SITE}{RACK}{AIR}time = \"t\"\n"), "a JSON Pointer starts with");
}

#[test]
fn ids_and_topics_taken_twice_name_the_line_of_the_first() {
    let text = format!(
        "{SITE}{RACK}[[place]]\nid = \"rack-a\"\n{AIR}[[sensor]]\nid = \"shelf\"\nplace = \"rack-a\"\ntopic = \"loft/rack-a/air\"\nhumidity = {{ pointer = \"/humidity\" }}\n"
    );
    prints(
        &text,
        r##"error: 2 problems in config/room.toml

  room.toml:7   place.rack-a.id = "rack-a"
                this id is taken already (line 5)
                hint: places, sensors and reservoirs all need ids of their own

  room.toml:16  sensor.shelf.topic = "loft/rack-a/air"
                already used by rack-a-air (line 9), which reads the same spot of its messages
                hint: give shelf its own topic, or pointers that differ
"##,
    );
}
