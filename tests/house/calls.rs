//! Calls that are right, and last words that are true: each of these was once not so.

use crate::night::Night;
use traywarden::engine::event::Command;

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
