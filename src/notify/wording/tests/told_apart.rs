//! What a letter says beside the last one, of several places, and on a lock screen.

use super::super::sample_alarms::{air, change};
use super::*;
use crate::engine::letters::situation::{Situation, grouped};
use crate::engine::watch::band::CropAtStage;
use crate::engine::watch::trays::tray::Stage;
use crate::reading::Quantity;
use chrono::TimeDelta;

const SCREEN: usize = 44;

fn in_rack_b(mut change: AlarmChange) -> AlarmChange {
    change.key.subject = "rack-b".into();
    match &mut change.evidence {
        Evidence::Air { place, .. } | Evidence::Dryness { place, .. } | Evidence::Mold { place, .. } => {
            *place = "Rack B".into();
        }
        other => panic!("{other:?} is of no place"),
    }
    change
}

fn cold(celsius: f64) -> AlarmChange {
    air(AlarmKind::AirTooCold, Quantity::Temperature, celsius, 15.0, celsius)
}

fn dry(place: &str, trays: &[&str], hours: f64) -> AlarmChange {
    let evidence = Evidence::Dryness {
        place: place.into(),
        trays: trays.iter().map(|tray| (*tray).into()).collect(),
        hours,
        watered: None,
        not_shown: None,
        unlogged: false,
    };
    let mut change = change(AlarmKind::DryOut, &place.to_lowercase().replace(' ', "-"), evidence);
    let likely = change.at + TimeDelta::minutes((hours * 60.0) as i64);
    change.harm = Some(Harm { early: change.at + TimeDelta::hours(1), likely, late: likely });
    change
}

fn words_of(facts: &LetterFacts) -> (String, String) {
    let letter = letter(facts, &rules(UnitSystem::Metric), vec![]);
    (letter.subject, letter.text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// A letter at `now`, and how the last one had its alarms.
fn after(before: Vec<AlarmChange>, occasion: Occasion, now: Vec<AlarmChange>) -> String {
    let mut facts = facts(LetterKind::Alarm, now.into_iter().map(|change| (occasion, change)).collect());
    for situation in &mut facts.situations {
        situation.reported = before
            .iter()
            .filter(|reported| situation.alarms.iter().any(|change| change.key == reported.key))
            .cloned()
            .collect();
    }
    words_of(&facts).1
}

fn at_half_past(mut change: AlarmChange) -> AlarmChange {
    change.at += TimeDelta::minutes(20);
    change
}

#[test]
fn a_lock_screen_shows_what_where_and_by_when() {
    for (alarms, shown) in [
        (vec![cold(11.2)], "Now: Rack A too cold, act by 02:50"),
        (vec![cold(11.2), in_rack_b(cold(11.4))], "Now: Rack A, Rack B too cold, act by 02:50"),
        (vec![tank_low()], "Now: Tank empty by 03:40 - refill 18 L"),
        (vec![dry("Rack A", &["K12"], 5.5)], "Now: Rack A dry by 03:40 - water"),
    ] {
        let raised = alarms.into_iter().map(|change| (Occasion::Raised, change)).collect();
        let (subject, _) = words_of(&facts(LetterKind::Alarm, raised));
        assert!(subject.starts_with(shown) && shown.len() < SCREEN, "{subject}");
    }
    for kind in every_kind() {
        let key = kind.key.id();
        let (subject, _) = words_of(&facts(LetterKind::Alarm, vec![(Occasion::Raised, kind)]));
        let screen: String = subject.chars().take(SCREEN).collect();
        assert!(screen.contains(':') && (screen.contains("by ") || screen == subject), "{key}: {screen}");
    }
}

#[test]
fn harm_that_may_be_there_is_to_be_seen_to_now_and_says_so_in_a_reminder() {
    let mut change = cold(3.0);
    change.harm = Some(Harm { early: change.at, likely: change.at + TimeDelta::hours(1), late: change.at });
    let of = |occasion| words_of(&facts(LetterKind::Alarm, vec![(occasion, change.clone())])).0;
    assert!(
        of(Occasion::Reminder(1)).starts_with("Still: Rack A too cold, act now, 3 C"),
        "{:?}",
        of(Occasion::Reminder(1))
    );
    assert!(of(Occasion::Raised).starts_with("Now: Rack A too cold, 3 C"));
}

#[test]
fn a_reminder_gives_each_value_as_it_was_and_as_it_is() {
    let before = vec![cold(11.2), in_rack_b(cold(11.4))];
    let now = vec![at_half_past(cold(9.8)), at_half_past(in_rack_b(cold(11.4)))];
    let text = after(before, Occasion::Reminder(1), now);
    assert!(
        text.contains("Changed Rack A was at 11.2 °C at 22:10, is at 9.8 °C now. As it was: Rack B is at 11.4 °C."),
        "{text}"
    );
}

#[test]
fn nothing_changed_is_said_only_of_figures_that_stand_still() {
    let leak = |lost: f64| {
        let mut leak = every_kind().into_iter().find(|change| change.key.kind == AlarmKind::ReservoirLeak).unwrap();
        if let Evidence::Leak { lost: gone, usable, .. } = &mut leak.evidence {
            (*gone, *usable) = (lost, 50.3 - lost);
        }
        leak
    };
    let text = after(vec![leak(3.1)], Occasion::Reminder(1), vec![at_half_past(leak(3.3))]);
    assert!(text.contains("The tank had 47.2 L above the pump inlet at 22:10, has 47 L now."), "{text}");
    let text = after(vec![leak(3.1)], Occasion::Reminder(1), vec![at_half_past(leak(3.1))]);
    assert!(text.contains("Changed Nothing since 22:10: the tank has 47.2 L above the pump inlet."), "{text}");
}

#[test]
fn a_rack_that_has_joined_since_the_last_letter_is_named_as_new() {
    let text = after(vec![cold(11.2)], Occasion::Reminder(1), vec![at_half_past(cold(9.8)), in_rack_b(cold(9.0))]);
    assert!(text.contains("New since 22:10: Rack B temperature."), "{text}");
}

#[test]
fn a_forecast_that_moved_is_told_beside_the_one_that_was() {
    let forecast = |hours: i64| {
        let mut low = tank_low();
        let best = low.at + TimeDelta::hours(hours);
        if let Evidence::Reservoir { empty_at, .. } = &mut low.evidence {
            *empty_at = Some((best, best, best));
        }
        low
    };
    let moved = "It has moved: the empty tank was told at 22:10 for about 21:10; it is about 02:10 now.";
    let text = after(vec![forecast(23)], Occasion::Reminder(1), vec![at_half_past(forecast(4))]);
    assert!(text.replace("Wed ", "").contains(moved), "{text}");
    let text = after(vec![forecast(5)], Occasion::Reminder(1), vec![at_half_past(forecast(5))]);
    assert!(!text.contains("It has moved"), "{text}");
}

#[test]
fn what_the_last_letter_named_is_said_to_be_over_or_why_it_is_not_told() {
    let mut facts = facts(LetterKind::Alarm, vec![(Occasion::Reminder(1), cold(9.8))]);
    let over = later(tank_low(), at("2026-03-03T22:05"), AlarmState::ReturnedUnacknowledged);
    let mut blind = every_kind().into_iter().find(|change| change.key.kind == AlarmKind::SensorSilent).unwrap();
    blind.harm = None;
    let silenced = AlarmChange { state: AlarmState::Shelved, by: Some("Ada".into()), ..in_rack_b(cold(9.0)) };
    facts.no_longer = vec![over, blind, silenced];
    let (_, text) = words_of(&facts);
    for part in [
        "TOLD BEFORE Over Tank level, since 22:05.",
        "Still so Rack A unwatched, no data since 21:38.",
        "Silenced Rack B temperature by Ada.",
    ] {
        assert!(text.contains(part), "{part} is missing in {text}");
    }
}

#[test]
fn trays_are_watered_where_they_stand_and_an_hour_is_told_of_whom_it_is_true() {
    let both = vec![dry("Rack A", &["A0", "A1"], 2.0), dry("Rack B", &["B0"], 23.0)];
    let (subject, text) =
        words_of(&facts(LetterKind::Alarm, both.into_iter().map(|change| (Occasion::Raised, change)).collect()));
    assert!(subject.starts_with("Now: Rack A dry by 00:10 - water"), "{subject}");
    assert!(text.starts_with("Water A0 and A1 in Rack A and B0 in Rack B from below before 23:10."), "{text}");
}

#[test]
fn a_letter_gives_one_hour_for_trays_that_dry_out() {
    let mut change = dry("Rack A", &["A0"], 2.0);
    if let Evidence::Dryness { hours, .. } = &mut change.evidence {
        *hours = 2.1;
    }
    let (subject, text) = words_of(&facts(LetterKind::Alarm, vec![(Occasion::Raised, change)]));
    assert!(subject.contains("by 00:10") && text.contains("from about 00:10"), "{subject} {text}");
}

#[test]
fn the_letter_before_a_round_sends_to_every_rack_that_has_the_trouble() {
    let facts = facts(
        LetterKind::Round,
        [cold(11.2), in_rack_b(cold(11.4)), tank_low()].map(|change| (Occasion::Waiting, change)).to_vec(),
    );
    let (_, text) = words_of(&facts);
    assert!(text.contains("- Warm Rack A and Rack B: see whether the heater runs"), "{text}");
}

#[test]
fn the_same_trouble_in_two_racks_is_one_sentence_and_began_with_the_first() {
    let mut second = in_rack_b(cold(10.9));
    second.since -= TimeDelta::minutes(17);
    let raised = [cold(11.2), second].map(|change| (Occasion::Raised, change)).to_vec();
    let (_, text) = words_of(&facts(LetterKind::Alarm, raised));
    assert!(
        text.contains("Rack A is at 11.2 °C and Rack B at 10.9 °C; the limit for broccoli in light is 15 °C."),
        "{text}"
    );
    assert!(text.contains("Too cold since 21:23 (47 minutes)."), "{text}");
}

#[test]
fn cold_and_heat_say_what_to_look_at_first_and_leave_wiring_to_the_licensed() {
    for (change, first) in [
        (cold(11.2), "Look first Is the heater warm? If not: thermostat"),
        (
            air(AlarmKind::AirTooWarm, Quantity::Temperature, 31.0, 28.0, 31.0),
            "Look first Are lamps or heater on that should be off?",
        ),
    ] {
        let (_, text) = words_of(&facts(LetterKind::Alarm, vec![(Occasion::Raised, change)]));
        for part in [first, "breaker", "touch no wet plug", "licensed electrician"] {
            assert!(text.contains(part), "{part} is missing in {text}");
        }
    }
    let (_, text) = words_of(&facts(LetterKind::Alarm, vec![(Occasion::Raised, cold(-1.0))]));
    assert!(text.contains("the frost damages the crop") && !text.contains("hold the crop back"), "{text}");
}

#[test]
fn a_loss_and_the_level_beside_it_give_one_rate() {
    let leak = every_kind().into_iter().find(|change| change.key.kind == AlarmKind::ReservoirLeak).unwrap();
    let raised = [leak, tank_low()].map(|change| (Occasion::Raised, change)).to_vec();
    let (_, text) = words_of(&facts(LetterKind::Alarm, raised));
    assert!(text.contains("The tank loses 2.3 L an hour") && !text.contains("0.75 L an hour"), "{text}");
    assert!(text.contains("reaches the pump inlet at 03:40"), "{text}");
}

#[test]
fn a_digest_names_what_is_open_and_counts_no_alarms() {
    let (_, mut digest, _) = samples().into_iter().find(|(name, ..)| *name == "busy late digest").unwrap();
    let day = digest.digest.as_mut().unwrap();
    day.standing = grouped(
        &rules(UnitSystem::Metric),
        [cold(11.2), in_rack_b(cold(11.4))].map(|change| (Occasion::Waiting, change)),
    );
    let (subject, text) = words_of(&digest);
    assert!(subject.starts_with("Wed 4 Mar: Rack A, Rack B too cold"), "{subject}");
    assert!(text.contains("Open: Rack A, Rack B too cold. Over since yesterday 06:30: Rack A humidity."), "{text}");
    for counted in ["alarm open", "alarm is open", "alarms are open"] {
        assert!(!subject.contains(counted) && !text.contains(counted), "{subject} {text}");
    }
}

#[test]
fn a_date_that_may_be_days_off_has_no_clock_time() {
    let (_, mut digest, _) = samples().into_iter().find(|(name, ..)| *name == "quiet digest").unwrap();
    let tank = &mut digest.digest.as_mut().unwrap().reservoirs[0];
    tank.empty_at = Some((at("2026-03-16T20:19"), at("2026-03-12T20:04"), at("2026-03-24T11:05")));
    let (_, text) = words_of(&digest);
    assert!(text.contains("The tank lasts until about 16 March.") && !text.contains("20:19"), "{text}");
    assert!(text.contains("At the pump inlet 16 March, between 12 March and 24 March."), "{text}");
}

#[test]
fn harm_that_is_there_has_no_forecast_that_moves() {
    let there = |at: Timestamp| {
        let mut leak = every_kind().into_iter().find(|change| change.key.kind == AlarmKind::ReservoirLeak).unwrap();
        leak.at = at;
        leak.harm = Some(Harm { early: at, likely: at, late: at });
        leak
    };
    let text = after(vec![there(at("2026-03-04T03:36"))], Occasion::Reminder(3), vec![there(at("2026-03-04T05:36"))]);
    assert!(!text.contains("It has moved"), "{text}");
}

#[test]
fn only_a_reminder_says_that_nothing_has_changed() {
    let same = |occasion| after(vec![cold(11.2)], occasion, vec![at_half_past(cold(11.2))]);
    assert!(same(Occasion::Reminder(1)).contains("Changed Nothing since 22:10: Rack A is at 11.2 °C."));
    assert!(!same(Occasion::Waiting).contains("Changed"));
}

#[test]
fn the_hour_that_moved_is_the_one_that_the_last_letter_gave() {
    let at_hour = |mut change: AlarmChange, hours: i64| {
        let likely = change.at + TimeDelta::hours(hours);
        change.harm = Some(Harm { early: change.at + TimeDelta::minutes(30 + hours), likely, late: likely });
        change
    };
    let before = vec![at_hour(cold(11.2), 30), at_hour(in_rack_b(cold(11.0)), 20)];
    let now = vec![at_hour(at_half_past(cold(9.0)), 3), at_hour(at_half_past(in_rack_b(cold(9.2))), 4)];
    let text = after(before, Occasion::Reminder(1), now);
    assert!(text.contains("harm was told at 22:10 for about Wed 18:10; it is about 01:30 now."), "{text}");
}

#[test]
fn air_that_is_inside_its_limit_again_is_not_told_as_too_damp() {
    let damp = |percent| air(AlarmKind::AirTooDamp, Quantity::Humidity, percent, 75.0, 80.0);
    let of = |percent| words_of(&facts(LetterKind::Round, vec![(Occasion::Waiting, damp(percent))]));
    let (subject, text) = of(72.0);
    assert!(subject.starts_with("07:00 round: Rack A was too damp, easing, 72 %"), "{subject}");
    assert!(text.contains("It is inside again, not yet by enough to call it over."), "{text}");
    let (subject, text) = of(76.0);
    assert!(subject.starts_with("07:00 round: Rack A too damp, 76 %") && !text.contains("inside again"), "{subject}");
}

#[test]
fn a_level_beside_a_loss_is_told_once_and_a_draw_of_nothing_is_no_figure() {
    let mut leak = every_kind().into_iter().find(|change| change.key.kind == AlarmKind::ReservoirLeak).unwrap();
    let before = vec![leak.clone(), tank_low()];
    if let Evidence::Leak { usable, .. } = &mut leak.evidence {
        *usable -= 1.0;
    }
    let mut low = tank_low();
    if let Evidence::Reservoir { usable, .. } = &mut low.evidence {
        *usable -= 1.0;
    }
    let text = after(before, Occasion::Reminder(1), vec![at_half_past(leak), at_half_past(low)]);
    assert!(text.contains("Changed The tank had 9 L above the pump inlet at 22:10, has 8 L now. "), "{text}");
    let mut still = tank_low();
    if let Evidence::Reservoir { draw, .. } = &mut still.evidence {
        *draw = Some(0.001);
    }
    let (_, text) = words_of(&facts(LetterKind::Alarm, vec![(Occasion::Raised, still)]));
    assert!(text.contains("loses nothing that can be measured") && !text.contains("0.00"), "{text}");
}

#[test]
fn a_tank_that_a_round_emptied_is_empty_since_then_and_not_since_people_left() {
    let mut empty = change(AlarmKind::ReservoirEmpty, "tank", tank_low().evidence);
    let ran_empty = empty.at - TimeDelta::hours(3);
    empty.since = empty.at - TimeDelta::hours(2);
    empty.harm = Some(Harm { early: ran_empty, likely: ran_empty, late: ran_empty });
    let (_, text) = words_of(&facts(LetterKind::Alarm, vec![(Occasion::Raised, empty.clone())]));
    assert!(text.contains("Empty since 19:10 (3 hours)."), "{text}");
    assert!(text.contains("So since 19:10: "), "what is certain is not likely: {text}");
}

fn overdue(tray: &str, place: &str, stage: Stage, due: &str) -> AlarmChange {
    let evidence = Evidence::Stage {
        tray: tray.into(),
        place: place.into(),
        crop: "broccoli".into(),
        stage,
        due: due.parse().expect("a time"),
    };
    change(AlarmKind::StageOverdue, tray, evidence)
}

#[test]
fn several_overdue_trays_are_named_once_and_told_in_one_breath() {
    let due = "2026-03-03T23:00:00Z";
    let several = |alarms: Vec<AlarmChange>| {
        grouped(&rules(UnitSystem::Metric), alarms.into_iter().map(|change| (Occasion::Raised, change)))
    };
    let alarms = vec![
        overdue("A4", "Rack A", Stage::Blackout, due),
        overdue("A5", "Rack A", Stage::Blackout, due),
        overdue("B4", "Rack B", Stage::Blackout, due),
        overdue("old lot", "Rack B", Stage::Ready, due),
    ];
    let situations = several(alarms.clone());
    let site = rules(UnitSystem::Metric).site;
    let (headline, facts) = situation(&situations[0], &site);
    assert_eq!(headline, "A4, A5 and 2 more overdue");
    let fact = |name: &str| {
        facts.iter().filter(|(label, _)| *label == name).map(|(_, text)| text.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(
        fact("do"),
        [
            "Uncover A4 and A5 in Rack A and B4 in Rack B and bring them to the light; look at old lot in Rack B and cut it before 02:50."
        ]
    );
    assert_eq!(fact("what").len(), 1);
    assert_eq!(fact("what")[0].matches("should have ended").count(), 2, "{}", fact("what")[0]);
    assert_eq!(fact("what")[0].matches("log").count(), 1, "{}", fact("what")[0]);
    assert_eq!(fact("answer")[3], "traywarden alarms acknowledge 'stage-overdue:old lot'");
    assert_eq!(situation(&several(alarms[..2].to_vec())[0], &site).0, "A4 and A5 overdue: uncover");
}

#[test]
fn no_limit_of_humidity_is_said_to_be_that_of_a_covered_tray() {
    let said = |kind, quantity| {
        let mut change = air(kind, quantity, 86.0, 75.0, 86.0);
        if let Evidence::Air { crops, .. } = &mut change.evidence {
            crops.push(CropAtStage { crop: "radish".into(), stage: Stage::Germination });
        }
        alarm_text(&change, &site(UnitSystem::Metric))
    };
    let damp = said(AlarmKind::AirTooDamp, Quantity::Humidity);
    assert!(damp.contains("the limit for broccoli in light is 75 %"), "{damp}");
    let warm = said(AlarmKind::AirTooWarm, Quantity::Temperature);
    assert!(warm.contains("the limit for broccoli in light and radish under cover is"), "{warm}");
}

#[test]
fn a_tank_that_was_filled_is_not_told_as_empty_until_its_alarm_is_over() {
    let site = site(UnitSystem::Metric);
    let mut filled = tank_low();
    filled.key.kind = AlarmKind::ReservoirEmpty;
    if let Evidence::Reservoir { usable, percent, to_fill, empty_at, .. } = &mut filled.evidence {
        (*usable, *percent, *to_fill, *empty_at) = (55.2, 70.0, 23.8, None);
    }
    filled.easing = true;
    let told = slip(&situation_of(filled), &site);
    assert_eq!(told.headline, "Tank level: well again so far");
    assert_eq!(told.action, "If you switched the pump off, switch it on again.");
    for untrue in ["draws air", "goes on unless", "to the brim"] {
        assert!(!told.because.contains(untrue), "{}", told.because);
    }
    let mut heard = every_kind().into_iter().find(|change| change.key.kind == AlarmKind::SensorSilent).expect("one");
    (heard.easing, heard.numbers_are_past) = (true, true);
    let told = slip(&situation_of(heard), &site);
    assert_eq!(told.headline, "Rack A sensor: well again so far");
    assert!(told.because.starts_with("Sensor rack-a-air in Rack A speaks again."), "{}", told.because);
}

fn situation_of(change: AlarmChange) -> Situation {
    grouped(&rules(UnitSystem::Metric), [(Occasion::Waiting, change)]).remove(0)
}
