//! What is believed, and for what reason a value is not.

use super::*;

fn judge(quantity: Quantity, gauge: Option<Gauge>) -> Judge {
    let limits = limits(quantity, gauge.as_ref(), 0.1, false);
    Judge::uncalibrated(ChannelId(0), quantity, TimeDelta::minutes(1), limits, 0.1, gauge)
}

fn minute(minute: i64) -> Timestamp {
    Timestamp::UNIX_EPOCH + TimeDelta::minutes(minute)
}

#[test]
fn a_gauge_is_believed_a_fiftieth_beyond_the_walls_of_its_tank() {
    let shape = Shape::Box { length: 400.0, width: 250.0, height: 400.0 };
    let gauge = Gauge { shape, sensor_height_mm: 500.0, height_mm: 400.0, capacity: 40.0, assumed: None };
    for (quantity, low, high) in [
        (Quantity::Distance, 92.0, 508.0),
        (Quantity::Depth, -8.0, 408.0),
        (Quantity::Volume, -0.8, 40.8),
        (Quantity::Filling, -2.0, 102.0),
    ] {
        let found = judge(quantity, Some(gauge.clone())).limits.fail;
        assert!((found.low - low).abs() < 1e-9 && (found.high - high).abs() < 1e-9, "{quantity:?}: {found:?}");
    }
}

fn said(value: f64, claim: Option<i64>) -> RawReading {
    RawReading::new(ChannelId(0), value, claim.map(minute), false).expect("a reading")
}

#[test]
fn an_echo_is_read_by_the_air_it_went_through_and_a_late_one_as_it_came() {
    let shape = Shape::Box { length: 400.0, width: 250.0, height: 400.0 };
    let assumed = Some(Celsius(20.0));
    let gauge = Gauge { shape, sensor_height_mm: 500.0, height_mm: 400.0, capacity: 40.0, assumed };
    let mut judge = judge(Quantity::Distance, Some(gauge));
    judge.hear_air(Some(Celsius(5.0)));
    let litres = |judgement: Judgement| judgement.believed.expect("it is believed").value();
    // A millimetre is a tenth of a litre; sound is slower in cold air, so the water is nearer than it seems.
    let by_air = 50.0 - distance_corrected_for_air(300.0, Celsius(20.0), Celsius(5.0)) / 10.0;
    let now = litres(judge.judge(minute(600), said(300.0, Some(600))));
    assert!((now - by_air).abs() < 0.001 && now > 20.5, "{now} and {by_air}");
    let late = judge.judge(minute(601), said(300.0, Some(1)));
    assert_eq!(late.flag, Flag::Suspect);
    assert_eq!(litres(late), 20.0, "what air there was ten hours ago is not known");
}

#[test]
fn air_that_changes_faster_than_a_room_does_is_odd_and_used() {
    let second_after = |minutes: i64| {
        let mut judge = judge(Quantity::Temperature, None);
        judge.judge(minute(0), said(20.0, None));
        judge.judge(minute(minutes), said(22.0, None))
    };
    let (fast, slow) = (second_after(1), second_after(10));
    assert_eq!((fast.reason, fast.believed.map(|reading| reading.value())), (Some(Doubt::Rate), Some(22.0)));
    assert_eq!(slow.reason, None, "two kelvin in ten minutes are a fan that was switched off");
}

#[test]
fn a_hygrometer_at_the_top_of_its_scale_is_known_to_be_only_while_it_speaks() {
    let mut judge = judge(Quantity::Humidity, None);
    for at in 0..30 {
        judge.judge(minute(at), said(100.0, None));
    }
    assert_ne!(judge.pinned(minute(29)), Pinned::No);
    assert_eq!(judge.pinned(minute(29 + 24 * 60)), Pinned::No);
}

#[test]
fn half_a_step_of_the_device_is_a_movement() {
    assert_eq!(limits(Quantity::Temperature, None, 0.5, false).flat, 0.25);
    assert_eq!(limits(Quantity::Temperature, None, 0.01, false).flat, 0.02, "and never less than it flickers by");
}

#[test]
fn one_reading_before_a_silence_is_no_standstill() {
    let mut judge = judge(Quantity::Temperature, None);
    judge.note_movement(minute(0), 20.0);
    // A silence of an hour, then another value: one reading agrees with nothing.
    judge.note_movement(minute(60), 21.0);
    assert_eq!(judge.longest_standstill, TimeDelta::zero());
    judge.note_movement(minute(65), 21.0);
    judge.note_movement(minute(70), 22.0);
    assert_eq!(judge.longest_standstill, TimeDelta::minutes(10));
}

#[test]
fn a_message_that_says_one_old_time_again_and_again_stays_late() {
    let mut judge = judge(Quantity::Temperature, None);
    let said = |claim: i64| RawReading::new(ChannelId(0), 20.0, Some(minute(claim)), false).expect("a reading");
    let late = [0, 1, 2, 3, 4, 5].map(|at| judge.lateness(minute(100 + at), said(0)));
    assert_eq!(late, [true; 6]);
}

#[test]
fn a_device_whose_clock_is_off_but_runs_is_believed_from_its_fourth_message() {
    let mut judge = judge(Quantity::Temperature, None);
    let said = |claim: i64| RawReading::new(ChannelId(0), 20.0, Some(minute(claim)), false).expect("a reading");
    let late = [0, 1, 2, 3, 4, 5].map(|at| judge.lateness(minute(100 + at), said(at)));
    assert_eq!(late, [true, true, true, false, false, false]);
}
