//! Calls that are right, and last words that are true: each of these was once not so.

use crate::night::{Night, sow};
use traywarden::engine::event::{Command, What};
use traywarden::journal::{Did, Loss, Target};

#[test]
fn a_large_fall_that_nobody_logged_is_told_at_once() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.says("tank", 300.0, 0.0).until("2026-03-03 23:00").says("tank", 100.0, 0.0).until("2026-03-03 23:15");
    let told = night.reported(&["reservoir-leak:tank"]);
    assert!(told.first().is_some_and(|line| line.starts_with("03 23:0") && line.ends_with(" now")), "{told:?}");
    assert!(told.iter().any(|line| line.starts_with("03 23:0") && line.contains("LETTER alarm raised")), "{told:?}");
}

#[test]
fn what_comes_after_an_over_is_new_and_unseen() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("b1", 36.0, 50.0).until("2026-03-03 22:20");
    night.answers(|alarm, by| Command::Acknowledge { alarm, by, grade: None }, "air-too-warm:rack-b");
    night.until("2026-03-03 22:30").says("b1", 21.0, 50.0).until("2026-03-03 22:55");
    let before = night.reported(&["air-too-warm:rack-b"]).len();
    assert!(night.reported(&["LETTER over"]).len() == 1, "{:?}", night.reported(&["air-too-warm"]));
    night.says("b1", 36.0, 50.0).until("2026-03-03 23:20");
    let told = &night.reported(&["air-too-warm:rack-b"])[before..];
    assert!(told[0].ends_with("unacknowledged now"), "{told:?}");
    assert!(told.iter().any(|line| line.contains("LETTER alarm raised air-too-warm:rack-b")), "{told:?}");
}

#[test]
fn a_delay_goes_on_where_a_restart_interrupted_it() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-04 01:00").says("b1", 21.0, 78.0).until("2026-03-04 01:15");
    night.off_until("2026-03-04 01:17").until("2026-03-04 02:00");
    let told = night.reported(&["air-too-damp:rack-b"]);
    // Twenty minutes of damp, and the two in which nobody looked.
    assert!(told.first().is_some_and(|line| line.starts_with("04 01:2") && *line < "04 01:29"), "{told:?}");
}

#[test]
fn what_the_store_lost_is_not_told_as_not_saving_and_a_second_loss_is_new() {
    let hurt = |what: &str| What::StoreHurt { what: what.to_owned() };
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").happens(hurt("somebody deleted the file")).until("2026-03-03 22:05");
    night.answers(|alarm, by| Command::Acknowledge { alarm, by, grade: None }, "store-failing:site");
    night.until("2026-03-03 22:20").happens(hurt("the store is empty")).until("2026-03-03 22:22");
    let told = night.reported(&["store-failing:site"]);
    assert!(told.last().is_some_and(|line| line.contains(" 22:21") && line.contains("unacknowledged")), "{told:?}");
    let text = night.words("store-failing:site");
    assert!(text.contains("the store is empty") && !text.contains("cannot be saved"), "{text}");
    night.until("2026-03-03 23:40");
    let told = night.reported(&["store-failing:site"]);
    assert!(told.last().is_some_and(|line| line.contains(" 23:2") && line.contains("returned")), "{told:?}");
}

#[test]
fn a_store_that_failed_before_a_restart_is_not_failing_after_it() {
    let mut night = Night::begins("2026-03-03 17:00");
    let failed = What::StoreFailed { error: "disk full".to_owned(), at_stake: Default::default() };
    night.until("2026-03-03 22:00").happens(failed).until("2026-03-03 22:05");
    night.off_until("2026-03-03 22:06").until("2026-03-03 22:20");
    let told = night.reported(&["store-failing:site"]);
    assert!(told.last().is_some_and(|line| line.contains("returned")), "{told:?}");
}

#[test]
fn without_a_journal_damp_is_watched_for_a_tray_that_is_assumed() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.says("b1", 19.0, 97.0).until("2026-03-04 06:30");
    let told = night
        .reported(&["LETTER evening waiting mold-pressure:rack-b", "LETTER alarm reminder 1 mold-pressure:rack-b"]);
    assert_eq!(told.len(), 2, "{:?}", night.reported(&["rack-b"]));
    assert!(night.words("mold-pressure:rack-b").contains("No tray is in your journal"));
    assert!(night.digest().no_journal);
    // Once a tray is told of, it alone counts.
    night.logs(sow("K1", "rack-b")).until("2026-03-04 06:50");
    assert!(night.reported(&["mold-pressure:rack-b"]).last().is_some_and(|line| !line.contains(" unack")));
    assert!(!night.digest().no_journal);
}

#[test]
fn what_is_said_of_an_end_has_the_numbers_of_that_minute_or_none() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(sow("K1", "rack-b")).logs(Did::Uncover(target("K1")));
    night.until("2026-03-03 20:00").says("b1", 21.0, 95.0).until("2026-03-03 23:00");
    night.says("b1", 21.0, 50.0).until("2026-03-04 00:30");
    let over = night.words("condensation:rack-b");
    // 21 °C at 50 %: the dew point lies at 10.2 °C (PsychroLib).
    assert!(over.contains("the dew point at 10.") && !over.contains("20."), "{over}");
    night.says("b1", 21.0, 95.0).until("2026-03-04 03:00");
    night.logs(Did::Discard { tray: "K1".into(), reason: Loss::Mold, share: None, note: None });
    night.until("2026-03-04 05:30");
    for id in ["condensation:rack-b", "air-too-damp:rack-b"] {
        let over = night.words(id);
        assert!(over.contains("Nothing stands in Rack B any more that asks for it."), "{id}: {over}");
    }
}

#[test]
fn a_tray_of_the_journal_is_never_called_assumed_as_its_leaves_dry() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(sow("K1", "rack-b")).logs(Did::Uncover(target("K1"))).says("b1", 19.0, 97.0).until("2026-03-03 23:00");
    assert!(!night.reported(&["mold-pressure:rack-b"]).is_empty());
    night.says("b1", 19.0, 50.0);
    for minute in 0..59 {
        let words = night.until(&format!("2026-03-03 23:{:02}", minute + 1)).words("mold-pressure:rack-b");
        assert!(!words.contains("No tray is in your journal"), "minute {minute}: {words}");
    }
}

#[test]
fn an_empty_tank_is_empty_since_it_was_and_not_from_now_on() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.says("tank", 300.0, 0.0).until("2026-03-03 21:00").says("tank", 0.0, 0.0).until("2026-03-04 02:00");
    let empty = night.standing("reservoir-empty:tank");
    assert!(empty.harm.expect("it is there").likely < Night::at("2026-03-03 21:05"), "{empty:?}");
    let words = night.words("reservoir-empty:tank");
    assert!(!words.contains("from now on"), "{words}");
}

fn target(tray: &str) -> Target {
    Target { tray: Some(tray.into()), place: None }
}

#[test]
fn what_ran_out_on_the_floor_is_no_watering_that_comes_again() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.says("tank", 250.0, 0.0).until("2026-03-05 01:57").says("tank", 160.0, 0.0).until("2026-03-05 20:00");
    assert!(!night.reported(&["reservoir-leak:tank"]).is_empty());
    let tank = &night.digest().reservoirs[0];
    assert_eq!(tank.empty_at, None, "nothing draws on it: {tank:?}");
}

/// A second evening of the same heat: they were called the night before, and were in the room since.
#[test]
fn who_was_called_and_there_since_is_called_again_for_what_is_likely() {
    let evening_of = |second: f64| {
        let mut night = Night::begins("2026-03-03 17:00");
        night.until("2026-03-03 22:10").says("b1", 35.0, 50.0).until("2026-03-03 23:00");
        night.says("b1", 21.0, 50.0).until("2026-03-04 22:10");
        let first = night.reported(&["LETTER alarm raised air-too-warm:rack-b"]).len();
        night.says("b1", second, 50.0).until("2026-03-05 04:00");
        (first, night.reported(&["LETTER alarm raised air-too-warm:rack-b"]).len() - first)
    };
    // What a tender one does not bear and a usual one does: less likely than not.
    let fresh = {
        let mut night = Night::begins("2026-03-03 17:00");
        night.until("2026-03-03 22:10").says("b1", 30.7, 50.0).until("2026-03-04 04:00");
        night.reported(&["LETTER alarm raised air-too-warm:rack-b"]).len()
    };
    assert_eq!(fresh, 1, "who knows nothing of it is called for one in five");
    assert_eq!(evening_of(30.7), (1, 0));
    assert_eq!(evening_of(35.0), (1, 1), "what is likely is called for each time");
}

#[test]
fn a_sensor_that_talks_nonsense_is_not_heard_beside_one_that_does_not() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 20:00");
    for minute in 0..80 {
        // Two of three of its values are impossible jumps; the third is wrong as well.
        night.says("a2", if minute % 3 == 0 { 34.0 } else { 79.0 }, 50.0);
        night.until(&format!("2026-03-03 {}:{:02}", 20 + (minute + 1) / 60, (minute + 1) % 60));
    }
    let raved = night.reported(&["sensor-implausible:a2"]);
    assert!(!raved.is_empty(), "{:?}", night.reported(&["a2"]));
    assert!(night.snapshot().places[0].temperature.is_some_and(|air| air < 24.0), "{:?}", night.snapshot().places[0]);
}

#[test]
fn leaves_that_have_dried_are_told_of_with_what_their_spell_allowed() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs_of_days_ago(6, sow("K1", "rack-b")).says("b1", 20.0, 97.0).until("2026-03-04 02:00");
    night.says("b1", 21.0, 50.0).until("2026-03-04 08:00");
    let told = night.words("mold-pressure:rack-b");
    assert!(told.contains("have allowed infection for 9 hours"), "{told}");
    assert!(!told.contains("Unless something is done"), "nothing begins any more: {told}");
    // A day later there is nothing to look at any more.
    night.until("2026-03-05 08:00");
    let told = night.reported(&["mold-pressure:rack-b"]);
    assert!(told.last().is_some_and(|line| line.contains("returned") || line.contains("normal")), "{told:?}");
}

#[test]
fn leaves_that_just_had_enough_are_not_over_while_they_dry() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs_of_days_ago(6, sow("K1", "rack-b")).says("b1", 20.0, 97.0).until("2026-03-03 23:20");
    night.says("b1", 21.0, 50.0).until("2026-03-04 08:00");
    let over = night.reported(&["mold-pressure:rack-b returned", "mold-pressure:rack-b normal"]);
    assert!(over.is_empty(), "{over:?}");
    assert!(night.words("mold-pressure:rack-b").contains("have allowed infection for 6 hours"));
}
