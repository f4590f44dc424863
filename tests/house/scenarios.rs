//! Nights as timetables: what happens when, and what is said when.

use crate::night::{Night, sow};
use traywarden::engine::alarm::Evidence;
use traywarden::engine::event::{Command, What};
use traywarden::journal::{Did, Loss, Target};
use traywarden::reading::{ChannelId, RawReading};

fn harvest(tray: &str, grams: Option<f64>) -> Did {
    Did::Harvest { tray: tray.into(), grams, grams_per_tray: None, note: None }
}

fn acknowledge(alarm: traywarden::engine::alarm::AlarmKey, by: String) -> Command {
    Command::Acknowledge { alarm, by, grade: None }
}

#[test]
fn a_sensor_falls_silent_is_missed_once_and_welcomed_back() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:00").is_silent("b1").until("2026-03-03 21:30");
    night.says("b1", 21.0, 50.0).until("2026-03-03 23:30");
    assert_eq!(
        night.reported(&["b1"]),
        [
            "03 21:11 sensor-silent:b1 unacknowledged next-round",
            "03 21:42 sensor-silent:b1 returned-unacknowledged next-round"
        ]
    );
}

#[test]
fn a_silence_is_counted_on_over_a_reload_and_a_blink_of_the_broker() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:00").is_silent("b1").until("2026-03-03 21:05");
    night.off_until("2026-03-03 21:06").until("2026-03-03 21:08");
    night.happens(What::BrokerDown).until("2026-03-03 21:09").happens(What::BrokerUp).until("2026-03-03 21:30");
    // Eleven minutes, as undisturbed, and the two in which nobody listened.
    assert_eq!(night.reported(&["b1"]), ["03 21:13 sensor-silent:b1 unacknowledged next-round"]);
    // While nobody listened for longer it may have spoken.
    let mut off = Night::begins("2026-03-03 17:00");
    off.until("2026-03-03 21:00").is_silent("b1").until("2026-03-03 21:05");
    off.off_until("2026-03-03 21:08").until("2026-03-03 21:30");
    assert_eq!(off.reported(&["b1"]), ["03 21:19 sensor-silent:b1 unacknowledged next-round"]);
}

#[test]
fn an_answered_alarm_says_when_it_was_answered_however_later_it_is_listed() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:00").is_silent("b1").until("2026-03-03 21:12");
    night
        .answers(|alarm, by| Command::Acknowledge { alarm, by, grade: None }, "sensor-silent:b1")
        .until("2026-03-03 23:30");
    let words = night.words("sensor-silent:b1");
    assert!(words.starts_with("Seen by Wren at 21:12."), "{words}");
}

#[test]
fn silence_of_one_of_two_sensors_wakes_nobody() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:00").is_silent("a2").until("2026-03-04 06:00");
    assert_eq!(night.reported(&["a2", "LETTER alarm"]), ["03 21:11 sensor-silent:a2 unacknowledged digest"]);
}

#[test]
fn hours_with_the_daemon_off_raise_no_silence_and_send_no_storm() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:00").off_until("2026-03-04 04:00").until("2026-03-04 05:00");
    assert_eq!(night.reported(&["silent", "LETTER"]), Vec::<&str>::new());
}

#[test]
fn a_digest_missed_is_written_late_says_so_and_comes_once_that_day() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-04 05:00").off_until("2026-03-04 09:00").until("2026-03-05 08:00");
    assert_eq!(
        night.reported(&["LETTER"]),
        [
            "04 09:00 LETTER digest of 2026-03-04 late, 4.0 h unwatched ",
            "05 06:30 LETTER digest of 2026-03-05, 0.0 h unwatched "
        ]
    );
}

#[test]
fn every_local_date_has_one_digest_across_both_changes_of_the_clock() {
    let mut spring = Night::begins("2026-03-07 12:00");
    spring.until("2026-03-09 12:00");
    assert_eq!(
        spring.reported(&["LETTER"]),
        [
            "08 06:30 LETTER digest of 2026-03-08, 0.0 h unwatched ",
            "09 06:30 LETTER digest of 2026-03-09, 0.0 h unwatched "
        ]
    );
    let mut autumn = Night::begins("2026-10-31 12:00");
    autumn.until("2026-11-02 12:00");
    assert_eq!(
        autumn.reported(&["LETTER"]),
        [
            "01 06:30 LETTER digest of 2026-11-01, 0.0 h unwatched ",
            "02 06:30 LETTER digest of 2026-11-02, 0.0 h unwatched "
        ]
    );
}

#[test]
fn who_answers_is_not_reminded_and_who_does_not_is_three_times() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("b1", 35.0, 50.0).until("2026-03-04 06:00");
    assert_eq!(
        night.reported(&["LETTER alarm"]),
        [
            "03 22:09 LETTER alarm raised air-too-warm:rack-b",
            "03 22:29 LETTER alarm reminder 1 air-too-warm:rack-b",
            "03 23:09 LETTER alarm reminder 2 air-too-warm:rack-b",
            "04 01:09 LETTER alarm reminder 3 air-too-warm:rack-b"
        ]
    );
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("b1", 35.0, 50.0).until("2026-03-03 22:35");
    night.answers(acknowledge, "air-too-warm:rack-b").until("2026-03-04 06:00");
    assert_eq!(
        night.reported(&["LETTER alarm"]),
        ["03 22:09 LETTER alarm raised air-too-warm:rack-b", "03 22:29 LETTER alarm reminder 1 air-too-warm:rack-b"]
    );
}

#[test]
fn a_shelf_ends_by_itself_and_the_alarm_speaks_again() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("b1", 35.0, 50.0).until("2026-03-03 22:20");
    let until = Night::at("2026-03-04 00:20");
    night.answers(|alarm, by| Command::Shelve { alarm, by, until }, "air-too-warm:rack-b").until("2026-03-04 00:25");
    assert_eq!(
        night.reported(&["air-too-warm"]),
        [
            "03 22:08 air-too-warm:rack-b unacknowledged now",
            "03 22:09 LETTER alarm raised air-too-warm:rack-b",
            "03 22:20 air-too-warm:rack-b shelved now",
            "04 00:20 air-too-warm:rack-b unacknowledged now",
            "04 00:21 LETTER alarm raised air-too-warm:rack-b"
        ]
    );
    let too_long = Night::at("2026-03-05 00:26");
    night.answers(|alarm, by| Command::Shelve { alarm, by, until: too_long }, "air-too-warm:rack-b");
    assert_eq!(
        night.reported(&["refused"]),
        ["04 00:25 command refused: An alarm can be shelved for 24 hours at most, and its end must lie ahead."]
    );
}

#[test]
fn an_alarm_out_of_service_says_nothing_until_it_is_brought_back() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("b1", 35.0, 50.0).until("2026-03-03 22:20");
    let out = |alarm, by| Command::OutOfService { alarm, by, reason: "heater is being mended".into() };
    night.answers(out, "air-too-warm:rack-b").until("2026-03-04 05:00");
    night.answers(|alarm, by| Command::Unshelve { alarm, by }, "air-too-warm:rack-b").until("2026-03-04 05:05");
    assert_eq!(
        night.reported(&["air-too-warm"]),
        [
            "03 22:08 air-too-warm:rack-b unacknowledged now",
            "03 22:09 LETTER alarm raised air-too-warm:rack-b",
            "03 22:20 air-too-warm:rack-b out-of-service now",
            "04 05:00 air-too-warm:rack-b unacknowledged now",
            "04 05:01 LETTER alarm raised air-too-warm:rack-b"
        ]
    );
}

#[test]
fn what_could_wait_for_the_round_wakes_somebody_when_it_gets_worse() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-04 01:00").says("b1", 28.0, 50.0).until("2026-03-04 01:30");
    night.says("b1", 36.0, 50.0).until("2026-03-04 03:40");
    let reported = night.reported(&["too-warm"]);
    assert!(reported[0].ends_with("air-too-warm:rack-b unacknowledged digest"), "{reported:?}");
    let called = reported.iter().position(|line| line.ends_with("air-too-warm:rack-b unacknowledged now"));
    let called = called.expect("it got worse");
    assert!(reported[called + 1].contains("LETTER alarm raised air-too-warm:rack-b"), "{reported:?}");
}

/// Mold does the harm, and its model has an alarm of its own.
#[test]
fn damp_air_by_itself_is_a_line_of_the_digest() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-04 01:00").says("b1", 21.0, 78.0).until("2026-03-04 03:00");
    assert_eq!(night.reported(&["too-damp"]), ["04 01:23 air-too-damp:rack-b unacknowledged digest"]);
}

#[test]
fn alarms_within_a_minute_are_one_letter() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("b1", 35.0, 50.0).says("a1", 35.0, 50.0).says("a2", 35.0, 50.0);
    night.until("2026-03-03 22:14");
    assert_eq!(
        night.reported(&["LETTER alarm"]),
        ["03 22:09 LETTER alarm raised air-too-warm:rack-a + raised air-too-warm:rack-b"]
    );
}

#[test]
fn a_flood_of_alarms_becomes_few_letters() {
    let names: Vec<String> = (10..26).map(|number| format!("r{number}")).collect();
    let racks: String = names.iter().map(|id| format!("[[place]]\nid = \"{id}\"\nname = \"{id}\"\n")).collect();
    let ids: Vec<String> = names.iter().map(|id| format!("{id}-air")).collect();
    let sensors: Vec<(&str, &str)> = ids.iter().zip(&names).map(|(id, place)| (id.as_str(), place.as_str())).collect();
    let mut night = Night::with_racks("2026-03-03 17:00", &sensors, &racks);
    night.until("2026-03-03 22:00");
    for (index, (id, _)) in sensors.iter().enumerate() {
        night.says(id, 36.0, 50.0).until(&format!("2026-03-03 22:{:02}", index + 1));
    }
    night.until("2026-03-03 22:45");
    let letters = night.reported(&["LETTER alarm"]);
    let new: Vec<&str> = letters.iter().filter(|line| line.contains("raised")).map(|line| &line[..8]).collect();
    // One heat in one air is one call, however many racks it reaches; the reminder names them all.
    assert_eq!(new, ["03 22:09"], "{letters:#?}");
    let reminded = letters.last().map_or(0, |letter| letter.matches("air-too-warm").count());
    assert_eq!(reminded, 16, "nobody is left out: {letters:#?}");
}

#[test]
fn an_empty_tank_is_told_as_empty_and_no_longer_as_low() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 22:00").says("tank", 50.0, 0.0).until("2026-03-03 22:30");
    night.says("tank", 20.0, 0.0).until("2026-03-03 23:00");
    assert_eq!(
        night.reported(&["reservoir-low:tank ", "reservoir-empty:tank "]),
        ["03 22:14 reservoir-low:tank unacknowledged next-round", "03 22:36 reservoir-empty:tank unacknowledged now"]
    );
}

#[test]
fn trays_under_cover_may_be_as_damp_as_they_like() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(sow("A1", "rack-a")).says("a1", 21.0, 97.0).says("a2", 21.0, 97.0).until("2026-03-04 03:00");
    assert_eq!(night.reported(&["too-damp", "LETTER alarm"]), Vec::<&str>::new());
    night.logs(Did::Uncover(Target { tray: Some("A1".into()), place: None })).until("2026-03-04 04:00");
    assert_eq!(night.reported(&["too-damp", "LETTER alarm"]), ["04 03:21 air-too-damp:rack-a unacknowledged digest"]);
}

#[test]
fn a_struck_entry_never_happened() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs_of_days_ago(9, sow("A1", "rack-a")).logs(sow("A2", "rack-a")).logs(harvest("A1", Some(400.0)));
    assert_eq!(night.trays(), ["A2 germination"]);
    night.logs(Did::Strike { entry: 3, note: None });
    assert_eq!(night.trays(), ["A1 blackout", "A2 germination"]);
    night.logs(Did::Strike { entry: 1, note: None }).logs(Did::Strike { entry: 77, note: None });
    assert_eq!(night.trays(), ["A2 germination"]);
    assert_eq!(
        night.reported(&["entry"]),
        [
            "03 17:00 entry 1 taken [Plan { weight_off_day: Some(3.0), light_day: 4.0, harvest_from: 9.0, harvest_to: 12.0 }]",
            "03 17:00 entry 2 taken [Plan { weight_off_day: Some(3.0), light_day: 4.0, harvest_from: 9.0, harvest_to: 12.0 }]",
            "03 17:00 entry 3 taken []",
            "03 17:00 entry 4 taken []",
            "03 17:00 entry 5 taken []",
            "03 17:00 entry 6 refused: There is no entry 77 that could be struck out: it was never taken, was struck before, or is itself a strike. `traywarden log --list` shows the numbers."
        ]
    );
}

#[test]
fn an_entry_that_cannot_be_is_refused_with_a_sentence() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(harvest("A9", None)).logs(sow("A1", "attic")).logs(sow("A1", "rack-a")).logs(sow("A1", "rack-b"));
    night
        .logs_of_days_ago(2, harvest("A1", None))
        .logs(harvest("A1", Some(-3.0)))
        .logs_of_days_ago(-1, harvest("A1", None));
    assert_eq!(night.trays(), ["A1 germination"], "a refusal changes nothing");
    assert_eq!(
        night.reported(&["entry"]),
        [
            "03 17:00 entry 1 refused: There is no tray called \"A9\"; sow it first, or see `traywarden trays`.",
            "03 17:00 entry 2 refused: There is no place called \"attic\" in the config; there are: rack-a, rack-b.",
            "03 17:00 entry 3 taken [Plan { weight_off_day: Some(3.0), light_day: 4.0, harvest_from: 9.0, harvest_to: 12.0 }]",
            "03 17:00 entry 4 refused: A tray called \"A1\" is growing already; harvest or discard it first, or give this one another name.",
            "03 17:00 entry 5 refused: That would be before tray \"A1\" was sown; check the time of the entry.",
            "03 17:00 entry 6 refused: The weight cut must be more than zero, not -3.",
            "03 17:00 entry 7 refused: The time of the entry lies in the future; log it when it is done."
        ]
    );
}

#[test]
fn outages_of_a_few_minutes_are_not_told() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:30");
    for (silent, back) in [("21:37", "21:42"), ("21:49", "21:54"), ("22:01", "22:10")] {
        night.is_silent("b1").until(&format!("2026-03-03 {silent}"));
        night.says("b1", 21.0, 50.0).until(&format!("2026-03-03 {back}"));
    }
    night.until("2026-03-04 00:00");
    assert_eq!(night.reported(&["silent:b1"]), Vec::<&str>::new(), "each of them healed within what such outages last");
}

#[test]
fn a_retained_message_neither_clears_silence_nor_raises_anything() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.until("2026-03-03 21:00").is_silent("b1");
    for minute in 1..50 {
        night.until(&format!("2026-03-03 21:{minute:02}"));
        for (channel, value) in [(4, 39.0), (5, 99.0)] {
            let held = RawReading::new(ChannelId(channel), value, None, true).expect("a plain number");
            night.happens(What::Reading(held));
        }
    }
    assert_eq!(night.reported(&["b1", "rack-b"]), ["03 21:11 sensor-silent:b1 unacknowledged next-round",]);
}

#[test]
fn a_tank_that_only_one_tray_draws_on_is_watched_for_days() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(traywarden::demo::people::sowing("K1", "rack-a", "broccoli", 1)).until("2026-03-05 18:00");
    assert_eq!(night.reported(&["tank"]), Vec::<&str>::new());
}

#[test]
fn a_covered_tray_a_little_warm_is_the_digests_and_a_hot_one_wakes() {
    // Covered trays want 24 °C at most (common practice, no source). Two degrees more harm nobody by morning.
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(sow("A1", "rack-a")).says("a1", 26.0, 97.0).says("a2", 26.0, 97.0).until("2026-03-04 06:20");
    assert_eq!(night.reported(&["too-warm", "LETTER alarm", "LETTER round"]), Vec::<&str>::new());
    let warm = night.digest().places.iter().find(|place| place.id == "rack-a").map(|place| place.hours_warm);
    assert!(warm.is_some_and(|hours| hours > 12.0), "the digest counts the hours above 24 °C: {warm:?}");
    // The letter before the round told of it, and a round may be an hour late.
    night.says("a1", 31.0, 97.0).says("a2", 31.0, 97.0).until("2026-03-04 08:58");
    assert_eq!(night.reported(&["air-too-warm:rack-a unacknowledged now"]), Vec::<&str>::new());
    night.until("2026-03-04 09:02");
    assert!(
        !night.reported(&["air-too-warm:rack-a unacknowledged now"]).is_empty(),
        "{:?}",
        night.reported(&["too-warm", "LETTER"])
    );
    let words = night.words("air-too-warm:rack-a");
    assert!(words.contains("broccoli under cover"), "{words}");
}

#[test]
fn a_covered_tray_nobody_looks_at_is_a_line_of_the_digest_and_wakes_nobody() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(sow("A1", "rack-a")).until("2026-03-05 06:40");
    let digest = night.digest();
    let unseen: Vec<&str> =
        digest.trays.iter().filter(|tray| tray.unseen_since.is_some()).map(|tray| tray.tray.as_str()).collect();
    assert_eq!(unseen, ["A1"]);
    assert_eq!(night.reported(&["LETTER alarm", "LETTER round"]), Vec::<&str>::new());
    night.logs(Did::Look { target: Target { tray: Some("A1".into()), place: None }, note: None });
    assert!(night.digest().trays.iter().all(|tray| tray.unseen_since.is_none()));
}

#[test]
fn a_cold_room_reads_about_a_day_behind_after_four_days_and_the_plan_stands() {
    let mut night = Night::begins("2026-03-03 17:00");
    night.logs(sow("A1", "rack-a")).says("a1", 16.8, 50.0).says("a2", 16.8, 50.0).until("2026-03-07 17:00");
    let digest = night.digest();
    let tray = digest.trays.iter().find(|tray| tray.tray == "A1").expect("A1 grows");
    let behind = tray.warmth.days_behind().expect("four days are known");
    assert!((0.9..1.1).contains(&behind), "{behind}");
    assert!(tray.warmth.known_hours > 95.0, "{:?}", tray.warmth);
    let light = traywarden::engine::letters::digest::Due::Light;
    assert_eq!(
        tray.due.iter().find(|(due, _)| *due == light).map(|(_, at)| at.to_rfc3339()).as_deref(),
        Some("2026-03-07T23:00:00+00:00")
    );
}

#[test]
fn what_was_cut_and_lost_is_in_one_digest_and_losses_in_a_week_of_them() {
    let mut night = Night::begins("2026-03-03 17:00");
    let discard = Did::Discard { tray: "A2".into(), reason: Loss::Mold, share: Some(30.0), note: None };
    night.logs(sow("A1", "rack-a")).logs(sow("A2", "rack-a")).logs(harvest("A1", Some(1696.0))).logs(discard);
    night.until("2026-03-04 06:20");
    let digest = night.digest();
    assert_eq!(
        digest.cuts.iter().map(|cut| (cut.tray.as_str(), cut.grams)).collect::<Vec<_>>(),
        [("A1", Some(1696.0))]
    );
    assert_eq!(digest.losses, [(Loss::Mold, 4)]);
    night.until("2026-03-04 07:00");
    assert!(night.digest().cuts.is_empty());
    assert_eq!(night.digest().losses, [(Loss::Mold, 4)]);
}

#[test]
fn dry_air_is_written_of_only_where_nobody_knows_what_water_the_trays_have() {
    let reported = |watered: bool| {
        let mut night = Night::begins("2026-03-01 17:00");
        night.logs_of_days_ago(6, sow("A1", "rack-a"));
        for (until, dry) in
            [("01 19:00", false), ("02 07:00", false), ("02 19:00", false), ("03 07:00", false), ("03 19:00", true)]
        {
            night.until(&format!("2026-03-{until}"));
            if watered {
                let target = Target { tray: None, place: Some("rack-a".into()) };
                night.logs(Did::Water { target, ml_per_tray: Some(240.0) });
            }
            if dry {
                night.says("a1", 21.0, 14.0).says("a2", 21.0, 14.0);
            }
        }
        night.until("2026-03-04 06:00");
        let events = night.reported(&["air-too-dry"]);
        events.iter().map(|line| (*line).to_owned()).collect::<Vec<_>>()
    };
    // With a log of its waterings the tray is known to have water until after the round.
    assert_eq!(reported(true), ["03 19:23 air-too-dry:rack-a unacknowledged next-round"]);
    let unlogged = reported(false);
    assert!(unlogged.iter().any(|line| line.contains("LETTER evening")), "{unlogged:?}");
}

#[test]
fn every_sensor_silent_at_once_is_another_thing_than_one() {
    let all_said_to_be = |silent: &[&str]| {
        let mut night = Night::begins("2026-03-03 17:00");
        night.until("2026-03-03 17:30");
        silent.iter().for_each(|sensor| {
            night.is_silent(sensor);
        });
        night.until("2026-03-03 18:40");
        match night.standing("sensor-silent:b1").evidence {
            Evidence::Silent { all, .. } => all,
            other => panic!("{other:?}"),
        }
    };
    assert!(all_said_to_be(&["a1", "a2", "b1", "tank"]));
    assert!(!all_said_to_be(&["b1"]));
}
