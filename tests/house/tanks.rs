//! What is understood of one tank by its level alone: forecasts, rounds that empty it, and leaks by a
//! gauge that scatters as a cheap one does.

use chrono::TimeDelta;
use std::path::Path;
use traywarden::config;
use traywarden::engine::alarm::{AlarmKind, Condition, Evidence};
use traywarden::engine::watch::tank::{TankWatch, Use};
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

/// Litres a minute's mean is off by: the points of five minutes then scatter by half a litre, as a
/// gauge does that is off by three millimetres on a tank of ordinary size.
const SCATTER_LITRES: f64 = 0.9;

/// A watch over the example's tank, its levels said in litres above the pump inlet.
struct Watched {
    watch: TankWatch,
    begin: Timestamp,
    reserve: f64,
    known: Use,
}

impl Watched {
    /// With a gauge that is off by so many millimetres at most; `None`: as the example has it.
    fn by_a_gauge(millimetres: Option<f64>) -> Watched {
        let config = config::parse(config::example(), "example", Path::new("/")).expect("the example is right");
        let reservoir = &config.rules.reservoirs[0];
        let begin: Timestamp = "2026-03-03T17:00:00Z".parse().expect("a time");
        let mut gauge = config.rules.channel(reservoir.channel).clone();
        gauge.accuracy = millimetres.unwrap_or(gauge.accuracy);
        let known = Use {
            trays: Some(24),
            places: 2,
            round_at: None,
            asleep_since: None,
            flat_since: None,
            odd_after: TimeDelta::hours(24),
        };
        let watch = TankWatch::new(reservoir, &gauge, begin);
        Watched { watch, begin, reserve: reservoir.shape.litres(reservoir.pump_inlet_mm), known }
    }

    fn at(&self, minute: i64) -> Timestamp {
        self.begin + TimeDelta::minutes(minute)
    }

    fn hears(&mut self, minute: i64, litres: f64) {
        self.watch.minute(self.at(minute), Some(self.reserve + litres));
    }

    /// What is judged of one kind; `holds`: that alarm is raised.
    fn judged(&mut self, minute: i64, wanted: AlarmKind, holds: bool) -> Condition {
        let at = self.at(minute);
        let found = self.watch.judge(at, "Tank", 0.0, self.known, true, |kind| kind == wanted && holds);
        found.into_iter().find(|(kind, _)| *kind == wanted).expect("it is judged").1
    }
}

/// What is judged of a leak, minute by minute, of a tank whose gauge scatters and is heard or not;
/// `known` says what else is known of a minute.
fn leaks(
    seed: u64,
    minutes: i64,
    level: impl Fn(i64) -> f64,
    is_heard: impl Fn(i64) -> bool,
    known: impl Fn(&mut Watched, i64),
) -> Vec<Condition> {
    let mut tank = Watched::by_a_gauge(None);
    let mut chance = SplitMix64::for_part(seed, "a coarse gauge");
    let mut holds = false;
    let look = |minute: i64| {
        known(&mut tank, minute);
        let off = SCATTER_LITRES * chance.bell();
        if is_heard(minute) {
            tank.hears(minute, level(minute) + off);
        }
        let leak = tank.judged(minute, AlarmKind::ReservoirLeak, holds);
        // What nobody can tell is neither raised nor over.
        holds = is_there(&leak) || (holds && matches!(leak, Condition::Unknown));
        leak
    };
    (0..minutes).map(look).collect()
}

fn is_there(condition: &Condition) -> bool {
    matches!(condition, Condition::Present { .. })
}

fn always(_: i64) -> bool {
    true
}

fn nothing_else(_: &mut Watched, _: i64) {}

#[test]
fn a_gauge_that_may_be_off_moves_the_early_bound_alone() {
    let reported = |millimetres: f64| {
        let mut tank = Watched::by_a_gauge(Some(millimetres));
        for minute in 0..600 {
            tank.hears(minute, 30.0 - tank.reserve - 0.02 * minute as f64);
        }
        tank.watch.forecast(tank.at(600)).expect("it falls")
    };
    let (sure, vague) = (reported(0.0), reported(10.0));
    assert_eq!(sure.likely, vague.likely, "the best estimate knows of no error");
    // Ten millimetres of 600 by 400 mm are 2.4 L: two hours of this draw, of which four fifths count.
    let earlier = (sure.early - vague.early).num_minutes();
    assert!((88..104).contains(&earlier), "{earlier}");
    assert!(vague.late > sure.late);
}

#[test]
fn a_watering_that_came_earlier_than_yesterday_does_not_come_twice() {
    let empty_after = |second: i64| {
        let mut tank = Watched::by_a_gauge(None);
        // Two waterings of five liters leave three.
        let waterings = |minute: i64| f64::from(u8::from(minute >= 600)) + f64::from(u8::from(minute >= second));
        for minute in 0..=second + 30 {
            tank.hears(minute, 13.0 - 5.0 * waterings(minute));
        }
        let at = tank.at(second + 30);
        (tank.watch.forecast(at).expect("it is watered from").likely - at).num_hours()
    };
    assert_eq!([600 + 1440, 600 + 1440 - 90, 600 + 1440 + 60].map(empty_after), [23, 23, 23]);
}

#[test]
fn what_goes_while_a_gauge_is_not_heard_has_gone_all_the_same() {
    let mut tank = Watched::by_a_gauge(None);
    for minute in 0..=600 {
        tank.hears(minute, 30.0 - 0.02 * minute as f64);
    }
    let told = |minute: i64| tank.watch.forecast(tank.at(minute)).expect("it falls").likely;
    let apart = (told(720) - told(600)).num_minutes().abs();
    assert!(apart <= 1, "two hours of silence move the hour by {apart} minutes");
}

#[test]
fn what_was_poured_in_is_counted_for_the_day_and_what_was_drawn_beside_it() {
    let mut tank = Watched::by_a_gauge(None);
    for minute in 0..=240 {
        // A liter an hour goes; after two hours somebody pours in ten.
        tank.hears(minute, 20.0 - minute as f64 / 60.0 + if minute >= 121 { 10.0 } else { 0.0 });
    }
    let (drawn, added) = tank.watch.day();
    assert!((3.5..4.5).contains(&drawn) && (9.5..10.5).contains(&added), "{drawn} drawn, {added} added");
}

/// The first minute in which a gauge that has never moved is told to be stuck, and what is then judged.
fn stuck_from(trays: u32, odd_after: TimeDelta) -> (i64, Condition) {
    let mut tank = Watched::by_a_gauge(None);
    (tank.known.trays, tank.known.odd_after) = (Some(trays), odd_after);
    tank.known.flat_since = Some(tank.begin);
    let judged = |minute: i64| {
        tank.hears(minute, 6.0);
        Some((minute, tank.judged(minute, AlarmKind::SensorStuck, false))).filter(|(_, found)| is_there(found))
    };
    (0..1800).find_map(judged).expect("it never moves")
}

#[test]
fn a_gauge_is_stuck_after_three_steps_of_draw_or_what_is_odd_for_itself() {
    // Half a hundredth of 84 L, halved, is a step of 0.21 L; eight trays draw it in 5.25 h.
    assert!((945..=946).contains(&stuck_from(8, TimeDelta::hours(24)).0));
    assert_eq!(stuck_from(8, TimeDelta::hours(7)).0, 420, "this one trembles all day");
}

#[test]
fn what_a_stuck_gauge_hides_has_been_drawn_since_it_stood() {
    let (minute, found) = stuck_from(24, TimeDelta::hours(24));
    let Condition::Present { harm: Some(harm), .. } = found else { panic!("{found:?}") };
    // Six liters last 24 trays fifty hours, of which six have passed.
    let hours = |when: Timestamp| (when - Watched::by_a_gauge(None).at(minute)).num_minutes() as f64 / 60.0;
    let all = [harm.early, harm.likely, harm.late].map(hours);
    for (found, wanted) in all.into_iter().zip([44.0 * 0.7, 44.0, 44.0 * 1.5 + 12.0]) {
        assert!((found - wanted).abs() < 0.1, "{all:?}");
    }
}

#[test]
fn what_a_tank_usually_gives_is_reckoned_with_after_some_still_hours() {
    let mut tank = Watched::by_a_gauge(None);
    let last = 31 * 60;
    for minute in 0..=last {
        tank.hears(minute, 40.0 - 0.5 * (minute as f64 / 60.0).min(24.0));
    }
    let empty = tank.watch.forecast(tank.at(last)).expect("it was drawn on all day");
    let hours = (empty.likely - tank.at(last)).num_hours();
    assert!((56..100).contains(&hours), "28 liters at half a liter an hour, or a little less: {hours} hours");
}

#[test]
fn a_tank_lasts_as_many_waterings_as_it_holds() {
    let mut tank = Watched::by_a_gauge(None);
    // Waterings of five liters a day apart leave ten and a half: two more, and half a liter.
    for minute in 0..=2100 {
        tank.hears(minute, 20.5 - 5.0 * ((minute + 840) / 1440) as f64);
    }
    let empty = tank.watch.forecast(tank.at(2100)).expect("it is watered from").likely;
    let hours = (empty - tank.at(2100)).num_hours();
    assert!((70..72).contains(&hours), "the third watering, {hours} hours from now, draws air");
}

#[test]
fn a_tank_that_a_round_emptied_is_told_when_the_round_is_over() {
    let told_after = |waters: bool| {
        let mut tank = Watched::by_a_gauge(None);
        // A round of five liters a day, the third of which takes the last.
        let rounds = |minute: i64| if waters { (minute + 1430) / 1440 } else { minute / 2890 * 3 };
        let told = (0..3000).find(|minute| {
            tank.hears(*minute, 15.0 - 5.0 * rounds(*minute) as f64);
            tank.known.round_at = Some(tank.at(minute / 1440 * 1440));
            is_there(&tank.judged(*minute, AlarmKind::ReservoirEmpty, false))
        });
        told.expect("it is told at last") - 2880
    };
    assert_eq!(told_after(true), 60, "they are at it for an hour");
    assert_eq!(told_after(false), 11, "no round has ever drawn on it, and two minutes of three say so");
}

#[test]
fn a_tank_with_a_round_left_is_not_empty_because_its_gauge_scatters() {
    // Minutes of a day in which it is taken to be empty, and the first of them.
    let empty = |seed: u64, litres: f64| {
        let mut tank = Watched::by_a_gauge(None);
        let mut chance = SplitMix64::for_part(seed, "a gauge near the inlet");
        let mut first = None;
        let minutes = (0..1440).filter(|minute| {
            tank.hears(*minute, litres + 0.4 * chance.bell());
            let found = is_there(&tank.judged(*minute, AlarmKind::ReservoirEmpty, false));
            first = first.or(found.then_some(*minute));
            found
        });
        (minutes.count(), first)
    };
    for seed in 0..20 {
        assert_eq!(empty(seed, 1.8), (0, None), "seed {seed}: as much as the pump gives at a time");
        let (minutes, first) = empty(seed, 0.0);
        assert!(minutes > 1400 && first <= Some(15), "seed {seed}: {minutes} minutes from {first:?}");
    }
}

#[test]
fn what_goes_after_a_leak_was_told_at_once_is_counted_with_it() {
    // A litre a minute for three quarters of an hour, from one in the morning on; then it stands.
    let level = |minute: i64| 60.0 - ((minute - 480) as f64).clamp(0.0, 45.0);
    let lost = leaks(7, 700, level, always, nothing_else).into_iter().filter_map(|leak| match leak {
        Condition::Present { evidence: Evidence::Leak { lost, sudden_minutes: Some(minutes), .. }, .. } => {
            Some((lost, minutes))
        }
        _ => None,
    });
    let lost: Vec<(f64, i64)> = lost.collect();
    let (first, last) = (lost[0], lost[lost.len() - 1]);
    assert!(first.0 < 35.0, "it was told when {} litres were gone", first.0);
    assert!((42.0..48.0).contains(&last.0), "in the end {} litres", last.0);
    assert!((40..60).contains(&last.1), "within {} minutes", last.1);
}

#[test]
fn a_watering_nobody_typed_is_no_leak_by_a_coarse_gauge() {
    // Twelve hours, a quarter of an hour in which four litres go, and four hours more.
    let watered = |minute: i64| 40.0 - 4.0 * ((minute - 720) as f64 / 15.0).clamp(0.0, 1.0);
    let told: Vec<u64> =
        (0..150).filter(|seed| leaks(*seed, 960, watered, always, nothing_else).iter().any(is_there)).collect();
    assert!(told.len() <= 1, "{told:?}");
}

#[test]
fn a_slow_leak_that_was_told_does_not_come_and_go() {
    // A litre an hour, from the sixth hour on.
    let leaking = |minute: i64| 60.0 - 1.0 * ((minute - 360) as f64 / 60.0).max(0.0);
    let comings = |seed: u64| {
        let found = leaks(seed, 2_400, leaking, always, nothing_else);
        found.windows(2).filter(|pair| !is_there(&pair[0]) && is_there(&pair[1])).count()
    };
    let all: Vec<usize> = (0..25).map(comings).collect();
    assert!(all.iter().all(|comings| *comings >= 1), "each is told: {all:?}");
    assert!(all.iter().sum::<usize>() <= 27, "{all:?}");
}

#[test]
fn a_leak_that_was_stopped_is_over_within_a_few_hours() {
    let stopped = |minute: i64| 40.0 - 2.0 * ((minute - 360) as f64 / 60.0).clamp(0.0, 8.0);
    for seed in 0..25 {
        let found = leaks(seed, 360 + 480 + 360, stopped, always, nothing_else);
        assert!(is_there(&found[360 + 480 - 1]), "it holds while it runs, seed {seed}");
        assert!(!is_there(&found[found.len() - 1]), "it is over six hours later, seed {seed}");
    }
}

#[test]
fn a_leak_is_proven_sooner_while_everybody_sleeps() {
    // Three litres an hour, from an hour after bedtime on.
    let leaking = |minute: i64| 60.0 - 3.0 * ((minute - 360) as f64 / 60.0).max(0.0);
    let minutes = |asleep: bool| -> i64 {
        let known = |tank: &mut Watched, minute: i64| {
            tank.known.asleep_since = (asleep && minute >= 300).then(|| tank.at(300));
        };
        let told =
            |seed| leaks(seed, 960, leaking, always, known).iter().position(is_there).expect("it is told") as i64;
        (0..20).map(told).sum::<i64>() / 20 - 360
    };
    let (asleep, awake) = (minutes(true), minutes(false));
    assert!(asleep + 15 <= awake, "{asleep} and {awake} minutes after it began");
}

#[test]
fn a_leak_counts_all_it_has_lost_over_hours_and_gaps() {
    // Two litres an hour for twenty hours, of which one is not heard.
    let leaking = |minute: i64| 80.0 - 2.0 * ((minute - 360) as f64 / 60.0).max(0.0);
    let lost = |condition: &Condition| match condition {
        Condition::Present { evidence: Evidence::Leak { lost, .. }, .. } => Some(*lost),
        _ => None,
    };
    for seed in 0..10 {
        let found = leaks(seed, 360 + 1200, leaking, |minute| !(900..960).contains(&minute), nothing_else);
        let told = found.iter().filter_map(lost).next_back().expect("it goes on");
        assert!((34.0..44.0).contains(&told), "{told} litres of forty, seed {seed}");
    }
}

#[test]
fn a_large_fall_is_a_late_watering_only_until_the_round_has_watered() {
    // Seven litres at each round of three days; ten more go in three minutes after the last of them.
    let told = |hours_after: f64, round_is_watered: bool, asleep: bool| {
        let mut tank = Watched::by_a_gauge(None);
        let last = 6 * 720;
        let from = last + (hours_after * 60.0) as i64;
        (0..from + 15).any(|minute| {
            let waterings = (minute - 10) / 720 + i64::from(minute >= 10);
            let waterings = if round_is_watered { waterings } else { waterings.min(6) };
            let gone = ((minute - from) as f64 / 3.0).clamp(0.0, 1.0) * 10.0;
            if round_is_watered && minute == last + 15 {
                tank.watch.watered(tank.at(minute));
            }
            tank.hears(minute, 90.0 - 7.0 * waterings as f64 - gone);
            tank.known.round_at = Some(tank.at(minute / 720 * 720)).filter(|_| minute % 720 < 165);
            tank.known.asleep_since = (asleep && minute > last + 180).then(|| tank.at(last + 180));
            let leak = tank.judged(minute, AlarmKind::ReservoirLeak, false);
            matches!(leak, Condition::Present { evidence: Evidence::Leak { sudden_minutes: Some(_), .. }, .. })
        })
    };
    assert!(told(2.6, true, false), "the round's own water had been given, and typed, before");
    assert!(!told(2.6, false, false), "who is late waters once and a half");
    assert!(!told(4.0, false, false), "awake, two rounds in one may be very late");
    assert!(told(4.0, false, true), "nobody waters in their sleep");
}

#[test]
fn a_watering_typed_late_explains_what_went_then_and_nothing_that_goes_now() {
    // Seven litres at each round of three days; ten more go at once in the night after the last.
    let last = 6 * 720;
    let told = |gone_at: i64, watered_at: i64, typed_at: i64| {
        let mut tank = Watched::by_a_gauge(None);
        let sudden = (0..=last + 240).filter(|minute| {
            let waterings = (minute - 10) / 720 + i64::from(*minute >= 10);
            let gone = ((minute - gone_at) as f64 / 3.0).clamp(0.0, 1.0) * 10.0;
            if *minute == typed_at {
                tank.watch.watered(tank.at(watered_at));
            }
            tank.hears(*minute, 90.0 - 7.0 * waterings.min(6) as f64 - gone);
            tank.known.asleep_since = (*minute > last + 90).then(|| tank.at(last + 90));
            let leak = tank.judged(*minute, AlarmKind::ReservoirLeak, false);
            matches!(leak, Condition::Present { evidence: Evidence::Leak { sudden_minutes: Some(_), .. }, .. })
        });
        let (before, after): (Vec<i64>, Vec<i64>) = sudden.partition(|minute| *minute < typed_at);
        (!before.is_empty(), !after.is_empty())
    };
    let evening = last + 10;
    assert_eq!(
        told(last + 200, evening, last + 170),
        (false, true),
        "it goes half an hour after the evening was typed"
    );
    assert_eq!(told(last + 100, evening, last + 130), (true, true), "it went long after the evening's water");
    assert_eq!(told(last + 100, last + 95, last + 130), (true, false), "that was somebody who could not sleep");
}

#[test]
fn the_level_of_a_letter_is_steady_until_the_tank_is_filled() {
    let mut tank = Watched::by_a_gauge(None);
    let mut chance = SplitMix64::for_part(11, "a gauge of a low tank");
    let shown = |tank: &mut Watched, minute: i64| {
        let at = tank.at(minute);
        let low = tank.watch.judge(at, "Tank", 50.0, tank.known, true, |_| false);
        low.into_iter().find_map(|(_, condition)| match condition {
            Condition::Present { evidence: Evidence::Reservoir { usable, .. }, .. } => Some(usable),
            _ => None,
        })
    };
    let mut hears = |tank: &mut Watched, minute: i64, litres: f64| tank.hears(minute, litres + 0.4 * chance.bell());
    for minute in 0..300 {
        hears(&mut tank, minute, 12.0);
        let usable = shown(&mut tank, minute).expect("it is low");
        assert!(minute < 15 || (usable - 12.0).abs() < 0.5, "minute {minute}: {usable}");
    }
    // Half of the tank is filled up in two minutes.
    for minute in 300..304 {
        hears(&mut tank, minute, 30.0);
    }
    let usable = shown(&mut tank, 303).expect("it is low still");
    assert!((usable - 30.0).abs() < 1.5, "{usable} three minutes after it was filled");
}
