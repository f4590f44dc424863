//! What the log says of waterings, and what the tank says of the log.

use crate::night::{Night, sow};
use chrono::TimeDelta;
use traywarden::engine::alarm::{AlarmState, Evidence, Harm, Priority};
use traywarden::engine::event::Command;
use traywarden::journal::{Did, Target};
use traywarden::random::SplitMix64;
use traywarden::units::Timestamp;

fn water(place: &str, ml: f64) -> Did {
    Did::Water { target: Target { tray: None, place: Some(place.into()) }, ml_per_tray: Some(ml) }
}

/// Rack A has one tray in light, and air so warm and dry.
fn room_of(temperature: f64, humidity: f64) -> Night {
    let mut night = Night::begins("2026-03-01 17:00");
    night.logs_of_days_ago(6, sow("A1", "rack-a"));
    night.says("a1", temperature, humidity).says("a2", temperature, humidity);
    night
}

#[test]
fn a_tray_new_in_the_light_is_watched_by_the_log_of_its_neighbours() {
    let reported = |watered: &[&str]| {
        let mut night = room_of(30.0, 25.0);
        for round in ["01 19:00", "02 07:00", "02 19:00", "03 07:00"] {
            night.until(&format!("2026-03-{round}"));
            for place in watered {
                night.logs(water(place, 350.0));
            }
        }
        // One is cut, the next comes to the light on the same rack, and nobody waters any more.
        night.logs(Did::Harvest { tray: "A1".into(), grams: None, grams_per_tray: None, note: None });
        night.logs_of_days_ago(5, sow("A2", "rack-a")).until("2026-03-05 06:00");
        night.reported(&["dry-out:rack-a"]).iter().map(|line| (*line).to_owned()).collect::<Vec<_>>()
    };
    let dry = reported(&["rack-a"]);
    assert!(dry.first().is_some_and(|line| line.starts_with("04 ")), "the day after: {dry:?}");
    assert_eq!(reported(&[]), Vec::<String>::new(), "who writes nothing down is not told of drying");
    assert_eq!(reported(&["rack-b"]), Vec::<String>::new(), "nor by the log of another rack");
}

#[test]
fn a_log_that_ended_three_days_ago_tells_of_no_new_tray() {
    let mut night = room_of(30.0, 25.0);
    for round in ["01 19:00", "02 07:00", "02 19:00", "03 07:00"] {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 350.0));
    }
    night.logs(Did::Harvest { tray: "A1".into(), grams: None, grams_per_tray: None, note: None });
    night.until("2026-03-06 07:10").logs_of_days_ago(5, sow("A2", "rack-a")).until("2026-03-07 19:00");
    // One watering after days of none begins a log anew, and is none yet.
    night.logs(water("rack-a", 350.0)).until("2026-03-10 06:00");
    assert_eq!(night.reported(&["dry-out:rack-a"]), Vec::<&str>::new());
}

/// Three rounds at which the tank fell by 6 mm, the last of them on the evening of the 2nd.
fn with_three_rounds_that_showed() -> Night {
    let mut night = room_of(26.0, 40.0);
    for (nth, round) in ["01 19:00", "02 07:00", "02 19:00"].into_iter().enumerate() {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 180.0));
        night.says("tank", 244.0 - 6.0 * nth as f64, 0.0);
    }
    night
}

/// At the fourth the tank is filled, so that nothing can be seen, or it fell as before; at the fifth it
/// stands still. What is then said of the trays.
fn after_a_round_that_did_not_show(refilled: bool) -> (Option<Timestamp>, Harm, Priority) {
    let mut night = with_three_rounds_that_showed();
    let mut depth = 232.0;
    night.until("2026-03-03 07:00");
    if refilled {
        night.logs(Did::Refill { reservoir: Some("tank".into()), litres: None });
        depth = 270.0;
    } else {
        depth -= 6.0;
    }
    night.logs(water("rack-a", 180.0)).says("tank", depth, 0.0);
    night.until("2026-03-03 19:00").logs(water("rack-a", 180.0)).until("2026-03-03 20:20");
    let change = night.standing("dry-out:rack-a");
    let Evidence::Dryness { watered, not_shown, .. } = change.evidence else { panic!("{change:?}") };
    assert_eq!(not_shown, Some(Night::at("2026-03-03 19:00")));
    (watered, change.harm.expect("harm"), change.priority)
}

#[test]
fn a_dead_pump_is_reckoned_from_the_last_round_that_its_tank_showed() {
    let (watered, shown, priority) = after_a_round_that_did_not_show(false);
    assert_eq!(watered, Some(Night::at("2026-03-03 07:00")));
    assert_eq!(priority, Priority::NextRound, "{shown:?}");
    // The morning's round hid behind the refill: whether that one watered is as unsure.
    let (watered, hidden, priority) = after_a_round_that_did_not_show(true);
    assert_eq!(watered, Some(Night::at("2026-03-02 19:00")));
    assert!(hidden.early < shown.early - TimeDelta::hours(4), "{hidden:?} {shown:?}");
    assert_eq!(priority, Priority::NextRound, "{hidden:?}");
}

fn not_shown(night: &Night) -> (Option<Timestamp>, Option<Timestamp>) {
    let change = night.standing("dry-out:rack-a");
    let Evidence::Dryness { watered, not_shown, .. } = change.evidence else { panic!("{change:?}") };
    (watered, not_shown)
}

#[test]
fn a_watering_typed_hours_later_is_held_against_the_tank_as_well() {
    let mut night = with_three_rounds_that_showed();
    night.until("2026-03-03 15:00").logs_of(Night::at("2026-03-03 07:00"), water("rack-a", 180.0));
    night.until("2026-03-03 16:00");
    let (watered, not_shown) = not_shown(&night);
    assert_eq!(not_shown, Some(Night::at("2026-03-03 07:00")));
    assert_eq!(watered, Some(Night::at("2026-03-02 19:00")));
    // One that did show is believed, whenever it is typed.
    let mut night = with_three_rounds_that_showed();
    night.until("2026-03-03 07:00").says("tank", 226.0, 0.0).until("2026-03-03 15:00");
    night.logs_of(Night::at("2026-03-03 07:00"), water("rack-a", 180.0)).until("2026-03-03 18:00");
    assert_eq!(night.reported(&["dry-out"]), Vec::<&str>::new());
}

/// How often somebody is told that trays are dry: 400 mL are logged for four trays, twice a day, and
/// 2 mm of a tank of 36 L show, but for the round of the second evening on if the pump dies. The gauge
/// scatters by so many millimetres.
fn told_of_small_rounds(seed: u64, scatter_mm: f64, pump_dies: bool) -> usize {
    let mut night = room_of(21.0, 60.0);
    let mut depth = 250.0;
    let mut chance = SplitMix64::for_part(seed, "a gauge that scatters");
    for minute in 0..60 * 75 {
        night.until_instant(Night::at("2026-03-01 17:00") + TimeDelta::minutes(minute));
        night.says("tank", depth + scatter_mm * chance.bell(), 0.0);
        if minute % 720 == 60 {
            night.logs(water("rack-a", 100.0));
            depth -= if pump_dies && minute > 48 * 60 { 0.0 } else { 2.0 };
        }
    }
    night.reported(&["dry-out:rack-a"]).len()
}

#[test]
fn a_small_round_is_judged_where_the_gauge_is_even_and_not_where_it_scatters() {
    assert!(told_of_small_rounds(7, 0.3, true) > 0);
    let told: Vec<usize> = (0..8).map(|seed| told_of_small_rounds(seed, 4.0, false)).collect();
    assert_eq!(told, [0; 8], "the pump runs, and the gauge cannot tell");
}

#[test]
fn what_a_tank_loses_by_itself_is_no_watering() {
    // Watered by hand, while something else draws 0.15 L an hour from the tank, until it does no more.
    let mut night = room_of(21.0, 60.0);
    for minute in 0..60 * 75 {
        night.until_instant(Night::at("2026-03-01 17:00") + TimeDelta::minutes(minute));
        night.says("tank", 290.0 - 0.15 / 0.12 * minute.min(50 * 60) as f64 / 60.0, 0.0);
        if minute % 720 == 60 {
            night.logs(water("rack-a", 100.0));
        }
    }
    assert_eq!(night.reported(&["dry-out"]), Vec::<&str>::new());
}

/// The rounds of the 3rd, whether the tank fell at each, and when each was typed.
fn a_day_of(rounds: &[(&str, bool, &str)]) -> Night {
    let mut night = with_three_rounds_that_showed();
    let mut depth = 232.0;
    let mut happens: Vec<(Timestamp, Option<Timestamp>)> = Vec::new();
    for (at, falls, typed) in rounds {
        let [at, typed] = [at, typed].map(|clock| Night::at(&format!("2026-03-03 {clock}")));
        happens.push((typed, Some(at)));
        if *falls {
            happens.push((at, None));
        }
    }
    happens.sort_by_key(|(when, _)| *when);
    for (when, typed) in happens {
        night.until_instant(when);
        match typed {
            Some(at) => night.logs_of(at, water("rack-a", 180.0)),
            None => {
                depth -= 6.0;
                night.says("tank", depth, 0.0)
            }
        };
    }
    night.until("2026-03-03 22:00");
    night
}

/// What is doubted on the evening of the 3rd.
fn doubted(rounds: &[(&str, bool, &str)]) -> Option<Timestamp> {
    let night = a_day_of(rounds);
    let standing = night.snapshot().alarms.into_iter().find(|change| change.key.id() == "dry-out:rack-a");
    standing.and_then(|change| match change.evidence {
        Evidence::Dryness { not_shown, .. } if change.state == AlarmState::Unacknowledged => not_shown,
        _ => None,
    })
}

/// When the trays were last watered, as is told when they have had nothing for two days.
fn last_watered(rounds: &[(&str, bool, &str)]) -> Option<Timestamp> {
    not_shown(a_day_of(rounds).until("2026-03-05 22:00")).0
}

#[test]
fn what_a_tank_says_of_a_round_is_of_that_round_however_late_it_is_typed() {
    let (morning, evening) = (Night::at("2026-03-03 07:00"), Night::at("2026-03-03 19:00"));
    let off_then_on = [("07:00", false, "19:10"), ("19:00", true, "19:12")];
    assert_eq!(doubted(&off_then_on), None, "the evening has watered");
    let on_then_off = [("07:00", true, "19:10"), ("19:00", false, "19:12")];
    assert_eq!(doubted(&on_then_off), Some(evening), "the morning takes nothing of that back");
    let told_later = [("07:00", true, "20:50"), ("19:00", false, "19:02")];
    assert_eq!(doubted(&told_later), Some(evening));
    let newest_first = [("19:00", true, "19:10"), ("07:00", false, "19:12")];
    assert_eq!(doubted(&newest_first), None);
    assert_eq!([off_then_on, newest_first].map(|rounds| last_watered(&rounds)), [Some(evening); 2]);
    let rack_by_rack = [("07:00", false, "15:00"), ("07:20", false, "15:20")];
    assert_eq!(doubted(&rack_by_rack), Some(morning), "two entries of one round");
}

#[test]
fn a_refill_hides_the_round_that_it_fell_into_and_no_earlier_one() {
    let mut night = with_three_rounds_that_showed();
    night.until("2026-03-03 14:00").logs(Did::Refill { reservoir: Some("tank".into()), litres: None });
    night.says("tank", 280.0, 0.0).until("2026-03-03 15:00");
    night.logs_of(Night::at("2026-03-03 07:00"), water("rack-a", 180.0)).until("2026-03-03 16:00");
    assert_eq!(not_shown(&night).1, Some(Night::at("2026-03-03 07:00")));
}

#[test]
fn a_round_that_did_not_show_takes_the_hidden_ones_of_a_day_with_it() {
    let mut night = with_three_rounds_that_showed();
    for round in ["03 07:00", "03 19:00", "04 07:00"] {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 180.0));
        night.logs(Did::Refill { reservoir: Some("tank".into()), litres: None }).says("tank", 270.0, 0.0);
    }
    night.until("2026-03-04 20:00").logs(water("rack-a", 180.0)).until("2026-03-04 21:20");
    // That of the morning is as unsure as that of the evening; who was in the room since has seen
    // what the one of the day before did.
    assert_eq!(not_shown(&night), (Some(Night::at("2026-03-03 19:00")), Some(Night::at("2026-03-04 20:00"))));
}

#[test]
fn who_was_told_nothing_is_not_taken_to_have_watered_by_hand() {
    let watered_again = |told: bool| {
        let mut night = with_three_rounds_that_showed();
        night.until("2026-03-03 07:00").logs(water("rack-a", 180.0)).until("2026-03-03 17:00");
        assert_eq!(not_shown(&night).1, Some(Night::at("2026-03-03 07:00")));
        if told {
            night.answers(|alarm, by| Command::Acknowledge { alarm, by, grade: None }, "dry-out:rack-a");
        }
        // Before the letter for the round tells of it.
        night.until("2026-03-03 18:00").logs(water("rack-a", 180.0)).until("2026-03-03 20:30");
        night
    };
    let unaware = watered_again(false);
    let dry = (Some(Night::at("2026-03-02 19:00")), Some(Night::at("2026-03-03 18:00")));
    assert_eq!(not_shown(&unaware), dry, "the pump is as dead as before");
    let mut aware = watered_again(true);
    assert_eq!(aware.reported(&["dry-out:rack-a normal"]).len(), 1, "{:?}", aware.reported(&["dry-out"]));
    // What is typed hours later was done before anybody knew.
    let mut late = with_three_rounds_that_showed();
    late.until("2026-03-03 07:00").logs(water("rack-a", 180.0)).until("2026-03-03 09:00");
    late.answers(|alarm, by| Command::Acknowledge { alarm, by, grade: None }, "dry-out:rack-a");
    late.until("2026-03-03 15:00").logs_of(Night::at("2026-03-03 10:00"), water("rack-a", 180.0));
    late.until("2026-03-03 16:00");
    assert_eq!(not_shown(&late).1, Some(Night::at("2026-03-03 10:00")));
    // The digest asks until a round shows again.
    let asked = |night: &Night| night.digest().reservoirs[0].unshown_since;
    assert_eq!(asked(&aware), Some(Night::at("2026-03-03 07:00")));
    aware.until("2026-03-04 07:00").logs(water("rack-a", 180.0)).until("2026-03-04 19:00");
    assert_eq!(asked(&aware), Some(Night::at("2026-03-03 07:00")));
    aware.logs(water("rack-a", 180.0)).says("tank", 226.0, 0.0).until("2026-03-04 20:30");
    assert_eq!(asked(&aware), None);
}

#[test]
fn a_tray_whose_watering_is_typed_late_has_drunk_since() {
    let dry_at = |typed: &str| {
        let mut night = room_of(30.0, 25.0);
        for round in ["01 19:00", "02 07:00", "02 19:00"] {
            night.until(&format!("2026-03-{round}")).logs(water("rack-a", 180.0));
        }
        night.until(&format!("2026-03-03 {typed}")).logs_of(Night::at("2026-03-03 07:00"), water("rack-a", 180.0));
        night.until("2026-03-04 09:30").standing("dry-out:rack-a").harm.expect("harm").likely
    };
    let (at_once, late) = (dry_at("07:00"), dry_at("17:00"));
    assert!((late - at_once).abs() <= TimeDelta::minutes(90), "{at_once} and {late}");
}

/// What is first said of dryness in mild air after five waterings so many hours apart.
fn first_told_without_water_after(rhythm_hours: i64) -> Option<String> {
    let mut night = room_of(21.0, 60.0);
    night.logs(Did::Uncover(Target { tray: Some("A1".into()), place: None }));
    let last = Night::at("2026-03-01 19:00") + TimeDelta::hours(rhythm_hours * 4);
    for round in -4..=0 {
        night.until_instant(last + TimeDelta::hours(rhythm_hours * i64::from(round))).logs(water("rack-a", 120.0));
    }
    night.until_instant(last + TimeDelta::hours(60));
    night.reported(&["dry-out:rack-a"]).first().map(|line| (*line).to_owned())
}

#[test]
fn a_rack_that_missed_two_of_its_usual_waterings_is_told_however_wet_it_is() {
    // The last was on the evening of the 3rd; two rounds and two hours later is 21:00 on the 4th.
    let reported = first_told_without_water_after(12);
    assert_eq!(reported.as_deref(), Some("04 21:20 dry-out:rack-a unacknowledged next-round"));
    // Once a day: the last on the 5th at 19:00, and 50 hours later is 21:00 on the 7th.
    let reported = first_told_without_water_after(24);
    assert_eq!(reported.as_deref(), Some("07 21:20 dry-out:rack-a unacknowledged next-round"));
}

#[test]
fn a_tray_uncovered_and_never_watered_is_missed_like_the_others() {
    let mut night = room_of(21.0, 60.0);
    for round in ["01 19:00", "02 07:00", "02 19:00", "03 07:00"] {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 120.0));
    }
    night.logs(Did::Harvest { tray: "A1".into(), grams: None, grams_per_tray: None, note: None });
    night.logs_of_days_ago(4, sow("A2", "rack-a"));
    night.logs(Did::Uncover(Target { tray: Some("A2".into()), place: None })).until("2026-03-04 12:00");
    let reported = night.reported(&["dry-out:rack-a"]);
    assert_eq!(reported.first(), Some(&"04 09:20 dry-out:rack-a unacknowledged next-round"), "{reported:?}");
    // It is not over when the log has ended, but when the tray is watered.
    night.until("2026-03-06 12:00");
    assert_eq!(night.reported(&["dry-out:rack-a returned", "dry-out:rack-a normal"]), Vec::<&str>::new());
    assert!(night.standing("dry-out:rack-a").state != AlarmState::Normal);
    night.logs(water("rack-a", 120.0)).until("2026-03-06 13:00");
    assert_eq!(night.reported(&["dry-out:rack-a returned"]).len(), 1, "{:?}", night.reported(&["dry-out"]));
}

/// Done and not typed, or not done: that is asked, and nobody is called for it.
#[test]
fn a_watering_that_nobody_typed_is_asked_for_and_never_called_for() {
    let mut night = room_of(24.0, 45.0);
    for round in ["02 04:30", "02 16:30", "03 04:30", "03 16:30"] {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 170.0));
    }
    night.until("2026-03-05 12:00");
    let reported = night.reported(&["dry-out"]);
    assert!(
        reported.iter().any(|line| line.contains("LETTER evening") || line.contains("LETTER round")),
        "{reported:?}"
    );
    assert!(!reported.iter().any(|line| line.contains("LETTER alarm") || line.ends_with(" now")), "{reported:?}");
}

/// Still under its cover, or open and dry: nobody has typed either.
#[test]
fn a_tray_of_which_neither_uncovering_nor_watering_is_typed_is_asked_about() {
    let mut night = room_of(24.0, 40.0);
    for round in ["01 19:00", "02 07:00", "02 19:00", "03 07:00"] {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 170.0));
    }
    night.logs_of_days_ago(6, sow("A2", "rack-a"));
    for round in ["03 19:00", "04 07:00", "04 19:00", "05 07:00", "05 19:00"] {
        let only = Did::Water { target: Target { tray: Some("A1".into()), place: None }, ml_per_tray: Some(170.0) };
        night.until(&format!("2026-03-{round}")).logs(only);
    }
    night.until("2026-03-06 06:00");
    let reported = night.reported(&["dry-out"]);
    assert!(!reported.is_empty());
    assert!(!reported.iter().any(|line| line.contains("LETTER alarm") || line.ends_with(" now")), "{reported:?}");
    assert!(night.words("dry-out:rack-a").contains("neither their uncovering nor a watering"), "{reported:?}");
}

/// Three rounds in the log at which the tank fell by so much, then a day of which nothing is typed;
/// `falls`: millimetres of each of its rounds. When dryness is first told.
fn told_without_a_word(falls: f64) -> Vec<String> {
    let mut night = room_of(23.0, 50.0);
    let mut depth = 250.0;
    for round in ["01 19:00", "02 07:00", "02 19:00", "03 07:00"] {
        night.until(&format!("2026-03-{round}")).logs(water("rack-a", 180.0));
        depth -= 6.0;
        night.says("tank", depth, 0.0);
    }
    for round in ["03 19:00", "04 07:00", "04 19:00", "05 07:00"] {
        night.until(&format!("2026-03-{round}"));
        depth -= falls;
        night.says("tank", depth, 0.0);
    }
    night.until("2026-03-05 12:00");
    night.reported(&["dry-out:rack-a"]).iter().map(|line| (*line).to_owned()).collect()
}

#[test]
fn a_watering_that_the_tank_shows_need_not_be_typed() {
    let (watered, a_little, none) = (told_without_a_word(6.0), told_without_a_word(2.0), told_without_a_word(0.0));
    assert_eq!(watered, Vec::<String>::new());
    assert!(!a_little.is_empty(), "a third of a round may have been for another rack");
    assert!(!none.is_empty());
}

#[test]
fn a_watering_that_is_an_hour_late_is_not_asked_about_yet() {
    let asked_at = |time: &str| {
        let mut night = room_of(30.0, 25.0);
        for round in ["01 19:00", "02 07:00", "02 19:00", "03 07:00"] {
            night.until(&format!("2026-03-{round}")).logs(water("rack-a", 350.0));
        }
        night.until(&format!("2026-03-03 {time}"));
        match night.standing("dry-out:rack-a").evidence {
            Evidence::Dryness { unlogged, .. } => unlogged,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(["18:00", "20:00", "21:30"].map(asked_at), [false, false, true]);
}
