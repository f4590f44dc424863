//! What goes at once, and what a round may have taken.

use super::*;
use crate::watch::tank::known::LeakTest;
use crate::watch::tank::sample::{hears, minute, tank, waters};

fn is_there(condition: &Condition) -> bool {
    matches!(condition, Condition::Present { .. })
}

/// Ninety litres, of which forty go within five minutes from `at` on.
fn gone_at_once(at: i64) -> impl Fn(i64) -> f64 {
    move |now| 90.0 - 8.0 * ((now - at) as f64).clamp(0.0, 5.0)
}

/// The minutes in which a leak is judged to be there.
fn told(tank: &mut TankWatch, minutes: core::ops::RangeInclusive<i64>, litres: impl Fn(i64) -> f64) -> Vec<i64> {
    let mut held = false;
    let judged = |at: &i64| {
        hears(tank, *at..=*at, &litres);
        held = is_there(&tank.leak(minute(*at), "Tank", waters(8), litres(*at), held));
        held
    };
    minutes.filter(judged).collect()
}

#[test]
fn water_that_went_at_once_is_told_until_it_is_poured_in_again_or_half_a_day() {
    let mut refilled = tank();
    let poured = |now: i64| gone_at_once(200)(now) + if now >= 300 { 40.0 } else { 0.0 };
    let minutes = told(&mut refilled, 0..=400, poured);
    assert!((203..=210).contains(&minutes[0]), "{minutes:?}");
    assert_eq!(minutes, (minutes[0]..300).collect::<Vec<i64>>(), "without a break until it is filled");
    let minutes = told(&mut tank(), 0..=1200, gone_at_once(200));
    assert_eq!(minutes, (minutes[0]..=minutes[0] + 720).collect::<Vec<i64>>());
}

#[test]
fn rounds_that_were_typed_are_no_leak_however_many_they_are() {
    for late in [0, 7, 13, 21] {
        let mut tank = tank();
        // Every two hours somebody waters for an hour, two litres in all, and types it as it goes.
        let since = |now: i64| (now - late - 300).rem_euclid(120);
        let rounds = |now: i64| (now - late - 300).div_euclid(120) as f64 + since(now).min(60) as f64 / 60.0;
        for at in 0..=1200 {
            if at > 300 + late && since(at) <= 60 && since(at) % 10 == 0 {
                tank.watered(minute(at));
            }
            let found = told(&mut tank, at..=at, |now| 95.0 - 2.0 * rounds(now).max(0.0));
            assert!(found.is_empty(), "{found:?}, where rounds begin {late} minutes after the hour");
        }
    }
}

#[test]
fn what_has_come_down_to_the_usual_is_told_no_more_however_much_went_before() {
    let is_told = |draw: f64| {
        let mut tank = tank();
        hears(&mut tank, 0..=60, |_| 60.0);
        let found = LeakTest { proven: true, lost: 5.0, draw, rate: 1.0, stands: false };
        tank.tested = tank.points.back().map(|(when, _)| (*when, Some(found)));
        is_there(&tank.leak(minute(60), "Tank", waters(8), 60.0, false))
    };
    // Eight trays use eight hundredths of a litre an hour.
    assert_eq!([0.0, 0.08, 0.2].map(is_told), [false, false, true]);
}

/// Whether `litres` that went evenly in the hour since a round's may be that round, of a tank that
/// gives so many at once on other days.
fn may_be_a_round(trays: u32, usually: f64, litres: f64) -> bool {
    let mut tank = tank();
    let hours = (840..=876).map(|point| f64::from(point) / 12.0);
    tank.points = hours.map(|at| (at, 60.0 - litres * (at - 72.0).max(0.0))).collect();
    tank.largest_pulses.push_back((2, usually));
    tank.may_be_a_round(Use { round_at: Some(minute(72 * 60)), ..waters(trays) })
}

#[test]
fn while_a_round_may_be_on_only_what_went_before_it_counts_as_a_leak() {
    let mut tank = tank();
    tank.points = (0..=48).map(|point| (f64::from(point) / 12.0, 60.0)).collect();
    let before = tank.until_the_round(Use { round_at: Some(minute(180)), ..waters(8) });
    // People come a quarter of an hour early.
    assert_eq!((before.first(), before.len()), (Some(&(0.0, 60.0)), 2 * 12 + 9));
}

#[test]
fn a_fall_is_sudden_beyond_half_as_much_again_as_any_watering() {
    let is_sudden = |litres: f64, at_a_round: bool| {
        let mut tank = tank();
        tank.largest_pulses.push_back((2, 8.0));
        let hour = 60 * 60;
        let known = Use { round_at: at_a_round.then(|| minute(hour)), ..waters(8) };
        for at in hour..=hour + 30 {
            hears(&mut tank, at..=at, |now| 80.0 - litres * ((now - hour - 15) as f64 / 3.0).clamp(0.0, 1.0));
            tank.look_for_a_sudden_fall(minute(at), known);
        }
        tank.sudden.is_some()
    };
    assert_eq!([10.0, 11.5, 12.5].map(|litres| is_sudden(litres, false)), [false, false, true]);
    assert_eq!([12.5, 23.5, 24.5].map(|litres| is_sudden(litres, true)), [false, false, true]);
}

#[test]
fn as_much_as_the_trays_take_may_be_a_round_where_nothing_else_is_known() {
    // A quarter of a litre for each of twelve trays are three.
    assert_eq!([2.0, 3.0, 6.0].map(|litres| may_be_a_round(12, 0.0, litres)), [false, true, false]);
}

#[test]
fn what_a_tank_gives_every_day_says_better_than_its_trays_what_a_round_is() {
    assert_eq!([1.2, 2.0, 4.0].map(|litres| may_be_a_round(12, 2.0, litres)), [false, true, false]);
}
