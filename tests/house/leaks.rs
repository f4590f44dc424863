//! Leaks by a gauge that scatters as a cheap one does: three millimetres, half a litre of a tank of
//! ordinary size.

use chrono::TimeDelta;
use std::path::Path;
use traywarden::config;
use traywarden::engine::alarm::{AlarmKind, Condition};
use traywarden::engine::watch::tank::{TankWatch, Use};
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

/// Litres a minute's mean is off by: the points of five minutes then scatter by half a litre.
const SCATTER_LITRES: f64 = 0.9;

/// Whether a leak holds, minute by minute, of a tank whose level is said in litres above the inlet.
fn leaks(seed: u64, minutes: i64, level: impl Fn(i64) -> f64) -> Vec<bool> {
    let config = config::parse(config::example(), "example", Path::new("/")).expect("the example is right");
    let reservoir = &config.rules.reservoirs[0];
    let begin: Timestamp = "2026-03-03T17:00:00Z".parse().expect("a time");
    let mut tank = TankWatch::new(reservoir, config.rules.channel(reservoir.channel), begin);
    let reserve = reservoir.shape.litres(reservoir.pump_inlet_mm);
    let mut chance = SplitMix64::for_part(seed, "a coarse gauge");
    let known = Use {
        trays: Some(24),
        places: 2,
        round_at: None,
        asleep: false,
        flat_since: None,
        odd_after: TimeDelta::hours(24),
    };
    let mut leaking = false;
    let look = |minute: i64| {
        let at = begin + TimeDelta::minutes(minute);
        tank.minute(at, Some(reserve + level(minute) + SCATTER_LITRES * chance.bell()));
        let found = tank.judge(at, "Tank", 0.0, known, true, |kind| kind == AlarmKind::ReservoirLeak && leaking);
        let (_, leak) = found.into_iter().find(|(kind, _)| *kind == AlarmKind::ReservoirLeak).expect("it is judged");
        leaking = matches!(leak, Condition::Present { .. }) || (leaking && matches!(leak, Condition::Unknown));
        leaking
    };
    (0..minutes).map(look).collect()
}

#[test]
fn a_watering_nobody_typed_is_no_leak_by_a_coarse_gauge() {
    // Twelve hours, a quarter of an hour in which four litres go, and four hours more.
    let watered = |minute: i64| 40.0 - 4.0 * ((minute - 720) as f64 / 15.0).clamp(0.0, 1.0);
    let told: Vec<u64> = (0..150).filter(|seed| leaks(*seed, 960, watered).contains(&true)).collect();
    assert!(told.len() <= 1, "{told:?}");
}

#[test]
fn a_slow_leak_that_was_told_does_not_come_and_go() {
    // A litre an hour, from the sixth hour on.
    let leaking = |minute: i64| 60.0 - 1.0 * ((minute - 360) as f64 / 60.0).max(0.0);
    let comings = |seed: u64| leaks(seed, 2_400, leaking).windows(2).filter(|pair| !pair[0] && pair[1]).count();
    let all: Vec<usize> = (0..25).map(comings).collect();
    assert!(all.iter().all(|comings| *comings >= 1), "each is told: {all:?}");
    assert!(all.iter().sum::<usize>() <= 27, "{all:?}");
}

#[test]
fn a_leak_that_was_stopped_is_over_within_a_few_hours() {
    let stopped = |minute: i64| 40.0 - 2.0 * ((minute - 360) as f64 / 60.0).clamp(0.0, 8.0);
    for seed in 0..25 {
        let found = leaks(seed, 360 + 480 + 360, stopped);
        assert!(found[360 + 480 - 1], "it holds while it runs, seed {seed}");
        assert!(!found[found.len() - 1], "it is over six hours later, seed {seed}");
    }
}
