//! What is said of a comparison, and the trace of an invented store.

use super::{Spoken, trace_of, words};
use crate::analysis::beside::{self, Exposure};
use crate::analysis::lives::lives;
use crate::analysis::onset::onset;
use crate::analysis::sample::{at, journal, rules};
use crate::analysis::tests::{CUT, MOLD, beside_nine, tray};
use crate::report::history::tests::store;

#[test]
fn a_damp_night_in_light_is_told_with_its_hours_beside_its_sisters() {
    let conditions = beside_nine(&tray("2026-03-06", 14, MOLD).1);
    let reported = beside::reported(&conditions);
    let [damp] = &reported[..] else { panic!("one cause, not {reported:?}") };
    let spell = damp.iter().find(|face| face.measure == Exposure::DampSpell).expect("the spell is told");
    assert_eq!((spell.value.round(), spell.rank, spell.n), (14.0, 1, 9));
    assert_eq!(
        words::difference(&[spell]),
        "Its air stayed at 85 % and more for 14 h on end in light; its 9 sisters: 1 h, 0 h to 2 h."
    );
    let all = words::difference(damp);
    assert!(all.contains(" The same shows as ") && all.contains(" (theirs ") && all.ends_with('.'), "{all}");
    assert_eq!(spell.p, Some(0.2));
    assert_eq!(spell.p_corrected, Some(1.0), "eleven conditions were compared");
}

#[test]
fn below_five_sisters_nothing_is_tested_and_it_is_said() {
    let own = tray("2026-03-06", 14, MOLD).1;
    let peer = tray("2026-03-06", 1, CUT).1;
    let conditions = beside::conditions(&own, &[&peer, &peer, &peer, &peer]);
    assert!(conditions.iter().all(|condition| condition.p.is_none() && condition.p_corrected.is_none()));
    assert!(words::beside(4, &conditions).contains("fewer than five"));
}

#[test]
fn the_onset_names_the_damp_night_before_mold_was_seen() {
    let (life, walked) = tray("2026-03-06", 14, MOLD);
    let reported = words::onset(&rules(), &onset(&life, &walked).expect("mold was seen"), &[]);
    assert_eq!((reported.seen_at, reported.from), (at("2026-03-12 08:00"), at("2026-03-07 08:00")));
    // At 21 °C grey mold grows 8.4 mm a day at best: 5 mm take 14 h.
    assert!((reported.seen_at - reported.until).num_hours() == 14, "{}", reported.until);
    assert!(reported.events.iter().any(|event| event.contains("stood at 85 %")), "{:?}", reported.events);
    let (healthy, walked) = tray("2026-03-06", 14, CUT);
    assert!(onset(&healthy, &walked).is_none());
}

#[test]
fn an_alarm_is_told_by_what_was_the_case_and_what_became_of_it() {
    let mut alarm = Spoken {
        kind: "air-too-damp",
        subject: "rack-a".to_owned(),
        at: at("2026-03-03 12:00"),
        over: None,
        answered: None,
        text: "Rack A is at 88.5 % humidity. Move air through it. Look at the tray.".to_owned(),
    };
    let site = rules().site;
    let reported = |alarm: &Spoken| words::alarm(&site, alarm);
    assert_eq!(reported(&alarm), "Tue 3 Mar 06:00: Rack A is at 88.5 % humidity. It held to the end; nobody answered.");
    alarm.over = Some(at("2026-03-03 15:30"));
    alarm.answered = Some("Wren".to_owned());
    assert!(reported(&alarm).ends_with("It held until Tue 3 Mar 09:30; answered by Wren."), "{}", reported(&alarm));
}

#[test]
fn the_worth_of_the_comparison_is_said_in_times_of_chance() {
    let own = tray("2026-03-06", 14, MOLD).1;
    let few = beside_nine(&own);
    assert!(words::beside(9, &few).contains("by chance: take it as a hint"), "{}", words::beside(9, &few));
    let mut sure = few.clone();
    sure[0].p_corrected = Some(0.04);
    assert!(words::beside(99, &sure).contains("about one time in 25."), "{}", words::beside(99, &sure));
    sure[0].p_corrected = Some(0.25);
    assert!(
        words::beside(99, &sure).contains("about one time in 4: take it as a hint"),
        "{}",
        words::beside(99, &sure)
    );
    let same = few.iter().find(|condition| condition.measure == Exposure::TooCold).expect("it is compared");
    assert_eq!((words::rank(same), words::rank(&few[1])), ("alike".to_owned(), "1 of 10".to_owned()));
}

#[test]
fn the_sheet_of_a_tray_tells_its_life_its_air_and_its_holes() {
    let rules = rules();
    let folder = tempfile::tempdir().expect("a folder");
    let reader = store(folder.path(), &rules);
    let reported = [
        (
            "2026-03-03 00:00",
            r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","count":4,"seed_grams":24}"#,
        ),
        ("2026-03-03 06:00", r#"{"did":"unweight","tray":"K1"}"#),
        ("2026-03-03 12:00", r#"{"did":"uncover","tray":"K1","by":"Wren"}"#),
        ("2026-03-03 12:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
        ("2026-03-04 06:00", r#"{"did":"discard","tray":"K1","reason":"mold","share":30}"#),
    ];
    let lines = journal(&reported);
    let (all, until) = (lives(&rules, &lines), at("2026-03-04 06:00"));
    let now = at("2026-03-05 00:00");
    let trace = trace_of(&reader, &rules, &lines, &all[0], now).expect("it can be read");
    let sheet = super::sheet(&reader, &rules, &all, &trace, now).expect("it can be read").expect("it lived");
    assert_eq!(
        sheet.facts,
        [
            "4 trays, 24 g of seed a tray",
            "Rack A, from Tue 3 Mar 06:00 Rack B",
            "Sown Mon 2 Mar 2026 18:00; thrown away Wed 4 Mar 00:00: mold, 30 % of it",
        ]
    );
    // Without sisters there is no table of them.
    let [stages] = &sheet.tables[..] else { panic!("one table, not {}", sheet.tables.len()) };
    assert_eq!(stages.head, ["", "germination", "blackout", "light"]);
    let cells = |name: &str| stages.rows.iter().find(|row| row[0] == name).map(|row| row[1..].join(", "));
    assert_eq!(cells("Length").as_deref(), Some("6 h, 6 h, 18 h"));
    assert_eq!(cells("Humidity, %, mean").as_deref(), Some("50, 50, 70"));
    let list = |heading: &str| sheet.lists.iter().find(|(named, _)| named == heading).map(|(_, lines)| lines.clone());
    let done = list("What was done").expect("something was done");
    assert_eq!(done[2], "Tue 3 Mar 06:00: uncovered (Wren)");
    assert_eq!(done[3], "Tue 3 Mar 06:00: moved to Rack B");
    // The sensors fell silent ten minutes before midnight UTC.
    assert_eq!(list("Holes in the data"), Some(vec!["Tue 3 Mar 18:00, for 6 h".to_owned()]));
    assert_eq!((sheet.chart.from, sheet.chart.until), (at("2026-03-03 00:00"), until));
    assert!(sheet.caution.ends_with("This is no food-safety record."));
}
