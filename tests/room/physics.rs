//! The physics of the invented room against what any room must do.

use chrono::TimeDelta;
use traywarden::demo::nights;
use traywarden::demo::plan::Broken;
use traywarden::demo::room::{Truth, saturation_density, saturation_pressure};
use traywarden::demo::story::Story;

fn story(name: &str) -> Story {
    nights::named(name).expect("the story")
}

/// The truth at so many hours after the story's start.
fn after(truths: &[Truth], minutes: usize) -> &Truth {
    &truths[minutes]
}

#[test]
fn nothing_leaves_the_bounds_of_nature() {
    for story in nights::all() {
        let full = story.plan.tank.length * story.plan.tank.width * story.plan.tank.height / 1e6;
        for truth in story.play().truths {
            for air in truth.places.iter().chain([&truth.loft]) {
                assert!((0.0..=100.0).contains(&air.humidity), "{} {truth:?}", story.name);
                assert!((-5.0..45.0).contains(&air.temperature), "{} {truth:?}", story.name);
            }
            assert!((0.0..=full).contains(&truth.tank_litres), "{} {truth:?}", story.name);
        }
    }
}

#[test]
fn no_water_comes_from_nowhere() {
    for name in ["slow-leak", "fast-leak", "tank-dry-overnight", "stuck-float", "demo"] {
        let story = story(name);
        for truth in story.play().truths {
            let accounted = truth.tank_litres + truth.drawn + truth.leaked;
            assert!((accounted - story.plan.tank.litres).abs() < 1e-6, "{name} {}: {accounted}", truth.at);
        }
    }
}

#[test]
fn a_leak_loses_its_rate_times_its_hours() {
    for (name, until) in [("slow-leak", "2026-03-05T08:00:00Z"), ("fast-leak", "2026-03-04T12:00:00Z")] {
        let story = story(name);
        let leak = &story.breakages[0];
        let Broken::Leak(rate) = leak.what else { panic!("{name} leaks") };
        let until = until.parse().expect("RFC 3339");
        let truths = story.play().truths;
        let truth = truths.iter().find(|truth| truth.at == until).expect("within the story");
        let hours = (until - leak.from).num_minutes() as f64 / 60.0;
        assert!((truth.leaked - rate * hours).abs() < 1e-6, "{name}: {}", truth.leaked);
    }
}

#[test]
fn a_room_of_trays_draws_what_trays_drink() {
    // 237 mL a tray and day is the trade's figure (twice half a US cup, common
    // practice, no source); 24 to 28 trays stand in light here.
    let truths = story("stuck-float").play().truths;
    let day = after(&truths, 26 * 60).drawn - after(&truths, 2 * 60).drawn;
    assert!((4.5..9.0).contains(&day), "{day} L");
}

#[test]
fn a_standing_fan_drives_the_rack_to_85_within_two_hours_and_not_at_once() {
    for (name, minutes) in [("fan-out-at-22", 300), ("fan-out-at-02", 540), ("demo", 360)] {
        let truths = story(name).play().truths;
        let humidity = |later: usize| after(&truths, minutes + later).places[1].humidity;
        assert!(humidity(0) < 65.0 && humidity(15) < 80.0, "{name}: {} {}", humidity(0), humidity(15));
        assert!((85.0..96.0).contains(&humidity(120)), "{name}: {}", humidity(120));
        assert!(after(&truths, minutes + 120).places[0].humidity < 65.0, "{name}: the other rack stays dry");
    }
}

#[test]
fn without_a_heater_the_room_cools_toward_the_outside_and_never_past_it() {
    let story = story("heater-out-winter");
    let truths = story.play().truths;
    let hourly: Vec<&Truth> = (180..=780).step_by(60).map(|minutes| after(&truths, minutes)).collect();
    for pair in hourly.windows(2) {
        assert!(pair[1].loft.temperature < pair[0].loft.temperature, "{}", pair[1].at);
        assert!(pair[1].loft.temperature > pair[1].outside, "{}", pair[1].at);
    }
    let coldest = truths.iter().map(|truth| truth.places[0].temperature).fold(f64::INFINITY, f64::min);
    assert!((6.0..12.0).contains(&coldest), "{coldest}");
}

#[test]
fn lights_warm_a_rack_and_darkness_cools_it() {
    let truths = story("calm-week").play().truths;
    let warmth =
        |minutes: usize| after(&truths, minutes).places[0].temperature - after(&truths, minutes).loft.temperature;
    assert!(warmth(4 * 60) > 0.5, "21:00, in light: {}", warmth(4 * 60));
    assert!(warmth(10 * 60) < 0.0, "03:00, dark, leaves still give off water: {}", warmth(10 * 60));
}

#[test]
fn an_open_door_and_a_mist_are_felt_and_soon_over() {
    let open = story("door-open-at-round");
    let mut shut = open.clone();
    shut.breakages.clear();
    let (open, shut) = (open.play().truths, shut.play().truths);
    let chill = |minutes: usize| after(&shut, minutes).loft.temperature - after(&open, minutes).loft.temperature;
    let coldest = (124..134).map(chill).fold(0.0, f64::max);
    assert!(coldest > 0.7, "19:04 to 19:13: {coldest}");
    assert!(chill(240).abs() < 0.7, "21:00: {}", chill(240));

    let misted = story("misting");
    let mut plain = misted.clone();
    plain.habits.mists.clear();
    let (misted, plain) = (misted.play().truths, plain.play().truths);
    let damper =
        |minutes: usize| after(&misted, minutes).places[0].humidity - after(&plain, minutes).places[0].humidity;
    let peak = (120..150).map(damper).fold(0.0, f64::max);
    assert!(peak > 5.0, "{peak}");
    assert!(damper(210) < 4.0, "20:30: {}", damper(210));
}

#[test]
fn covered_trays_stand_at_98() {
    let truths = story("covered-at-98").play().truths;
    let at_six = after(&truths, 13 * 60).places[2].humidity;
    assert!((96.0..=100.0).contains(&at_six), "{at_six}");
}

#[test]
fn saturation_agrees_with_the_standard_table() {
    // Pascals over water, Hyland-Wexler 1983 as in ASHRAE Fundamentals 2017; AERK is within 0.4 %.
    for (temperature, pascals) in [(5.0, 872.487), (22.0, 2644.753), (30.0, 4246.030)] {
        assert!((saturation_pressure(temperature) / pascals - 1.0).abs() < 0.004, "{temperature}");
    }
    // 17.2866 g/m3 at 20 C (PsychroLib 2.5.0).
    assert!((saturation_density(20.0) / 17.2866 - 1.0).abs() < 0.005);
}

#[test]
fn a_fault_in_the_room_does_not_change_the_weather() {
    let healthy = {
        let mut story = story("fan-out-at-22");
        story.breakages.clear();
        story.play().truths
    };
    let broken = story("fan-out-at-22").play().truths;
    assert!(healthy.iter().zip(&broken).all(|(a, b)| a.outside == b.outside && b.at - a.at == TimeDelta::zero()));
}
