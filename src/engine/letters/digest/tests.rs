//! What the digest says of trays, water, losses and tanks.

mod day;

use super::*;
use crate::letters::sample_rules::rules;
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::vec;

fn hour(hour: i64) -> Timestamp {
    Timestamp::from_timestamp(1_772_600_000 + hour * 3600, 0).unwrap()
}

/// The journal of these entries, each with the hour it was told in.
fn journal(entries: &[(i64, &str)]) -> Trays {
    let mut trays = Trays::default();
    for (number, (told, entry)) in (1..).zip(entries) {
        let entry = serde_json::from_str(entry).unwrap();
        trays.take(&rules(), hour(*told), number, &entry).unwrap();
    }
    trays
}

const SOWN: (i64, &str) = (0, r#"{"did":"sow","tray":"K1","place":"top","crop":"broccoli","count":4}"#);
const SOWN_TOO: (i64, &str) = (0, r#"{"did":"sow","tray":"K2","place":"top","crop":"broccoli","count":2}"#);

fn due_of(trays: &Trays, at: Timestamp, until: Timestamp) -> Vec<(Due, Timestamp)> {
    let tray = trays.get("K1").unwrap();
    tray_day(&rules(), trays, &ThermalClocks::default(), tray, at, until).due
}

#[test]
fn what_is_due_at_the_very_end_is_named_and_a_minute_later_is_not() {
    let trays = journal(&[SOWN]);
    let off = trays.get("K1").unwrap().weight_off_at().unwrap();
    assert_eq!(due_of(&trays, hour(1), off), [(Due::Unweight, off)]);
    assert_eq!(due_of(&trays, hour(1), off - TimeDelta::minutes(1)), []);
}

#[test]
fn a_tray_is_told_what_its_own_stage_awaits() {
    let whenever = hour(10_000);
    let trays = journal(&[SOWN]);
    let tray = trays.get("K1").unwrap();
    let (off, light, cut) = (tray.weight_off_at().unwrap(), tray.light_due_at(), tray.harvest_from());
    assert_eq!(due_of(&trays, hour(1), whenever), [(Due::Unweight, off), (Due::Light, light)]);
    let bare = journal(&[SOWN, (20, r#"{"did":"unweight","tray":"K1"}"#)]);
    assert_eq!(due_of(&bare, hour(21), whenever), [(Due::Light, light)]);
    let lit = journal(&[SOWN, (90, r#"{"did":"uncover","tray":"K1"}"#)]);
    assert_eq!(due_of(&lit, hour(91), whenever), [(Due::Harvest, cut)]);
}

#[test]
fn trays_under_cover_wait_for_no_watering() {
    let lit = (90, r#"{"did":"uncover","tray":"K1"}"#);
    assert_eq!(water_due(&rules(), &journal(&[SOWN]), hour(91)), None);
    let due = water_due(&rules(), &journal(&[SOWN, SOWN_TOO, lit]), hour(91));
    assert_eq!(due, Some(WaterDue { trays: 4, ml_each: Some(118.0), litres: 0.944 }));
}

#[test]
fn an_amount_a_tray_is_told_where_all_get_the_same() {
    let watered = |ml: u32| {
        let one = format!(r#"{{"did":"water","tray":"K1","ml_per_tray":{ml}}}"#);
        let lit = r#"{"did":"uncover"}"#;
        let due = water_due(&rules(), &journal(&[SOWN, SOWN_TOO, (90, lit), (91, &one)]), hour(92));
        due.map(|due| (due.trays, due.ml_each, due.litres))
    };
    assert_eq!(watered(118), Some((6, Some(118.0), 1.416)));
    assert_eq!(watered(100), Some((6, None, 1.272)));
}

#[test]
fn the_losses_of_seven_days_are_told_by_reason_most_first() {
    let lost = |reason, trays, hours: i64| Lost {
        tray: "K1".to_owned(),
        crop: "broccoli".to_owned(),
        trays,
        reason,
        at: hour(hours),
    };
    let all = [
        lost(Loss::Dry, 9, 0),
        lost(Loss::Mold, 1, 1),
        lost(Loss::Dry, 2, 100),
        lost(Loss::Mold, 4, 168),
        lost(Loss::Uneven, 8, 169),
    ];
    assert_eq!(week_of_losses(&all, hour(168)), [(Loss::Mold, 5), (Loss::Dry, 2)]);
}
