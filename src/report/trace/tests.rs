//! The comparison alone, without a store: figures whose answer is known, and invented lives.

use super::beside::{self, Measure, quantile, two_sided};
use super::figures::longest_gap;
use super::{onset, walk, words};
use crate::report::lives::{Life, lives};
use crate::report::lot_air::STEP;
use crate::report::sample::{at, journal, rules};

/// `scipy.stats.mannwhitneyu([value], others, method="exact", alternative="two-sided")`,
/// scipy 1.17.1, which for one value against n is the permutation test.
#[test]
fn the_chance_of_one_tray_among_alike_ones_is_scipys() {
    let to = |last: u32| (1..=last).map(f64::from).collect::<Vec<_>>();
    for (value, others, p) in [
        (14.0, vec![1.0, 2.0, 3.0, 4.0, 2.5, 1.5, 3.5, 2.2, 5.0], 0.2),
        (3.2, vec![1.0, 2.0, 3.0, 4.0, 2.5], 0.666_666_666_666_666_6),
        (0.0, to(6), 0.285_714_285_714_285_7),
        (3.5, to(7), 1.0),
        (8.5, to(12), 0.769_230_769_230_769_3),
    ] {
        assert!((two_sided(value, &others) - p).abs() < 1e-12, "{value}: {}", two_sided(value, &others));
    }
    assert_eq!(two_sided(2.0, &[2.0; 9]), 1.0);
}

/// `numpy.quantile`, numpy 2.4.6.
#[test]
fn quantiles_are_numpys() {
    let sorted = [1.0, 2.0, 4.0, 8.0, 16.0];
    for (share, wanted) in [(0.05, 1.2), (0.25, 2.0), (0.5, 4.0), (0.95, 14.4), (1.0, 16.0)] {
        assert!((quantile(&sorted, share) - wanted).abs() < 1e-12);
    }
}

/// A tray of broccoli from 2 to 12 March, uncovered on a day at eight, watered twice a day in
/// light. `damp`: hours of air at 92 % from the evening of the seventh on.
fn tray(uncovered: &str, damp: i64, last_words: &str) -> (Life, walk::Walked) {
    let uncover = format!("{uncovered} 08:00");
    let mut told = vec![
        ("2026-03-02 08:00".to_owned(), r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#.to_owned()),
        (uncover, r#"{"did":"uncover","tray":"K1"}"#.to_owned()),
    ];
    for day in 8..12 {
        for hour in ["07", "19"] {
            told.push((format!("2026-03-{day:02} {hour}:00"), r#"{"did":"water","tray":"K1"}"#.to_owned()));
        }
    }
    told.push(("2026-03-12 08:00".to_owned(), last_words.to_owned()));
    let entries: Vec<(&str, &str)> = told.iter().map(|(when, what)| (when.as_str(), what.as_str())).collect();
    let life = lives(&rules(), &journal(&entries)).remove(0);
    let (mut now, mut air) = (at("2026-03-02 08:00"), Vec::new());
    let evening = at("2026-03-08 20:00");
    while now < at("2026-03-12 08:00") {
        let wet = now >= evening && now < evening + chrono::TimeDelta::hours(damp);
        air.push((now, 21.0, if wet { 92.0 } else { 55.0 }));
        now += STEP;
    }
    let walked = walk::walk(&rules(), &life, &air, at("2026-04-01 00:00"));
    (life, walked)
}

const CUT: &str = r#"{"did":"harvest","tray":"K1","grams":400}"#;
const MOLD: &str = r#"{"did":"discard","tray":"K1","reason":"mold"}"#;

fn beside_nine(own: &walk::Walked) -> Vec<beside::Condition> {
    let sisters: Vec<walk::Walked> = (0..9).map(|nth| tray("2026-03-06", nth % 3, CUT).1).collect();
    assert!(sisters.iter().all(|sister| beside::comparable(own, sister)));
    beside::conditions(own, &sisters.iter().collect::<Vec<_>>())
}

#[test]
fn a_damp_night_in_light_is_told_with_its_hours_beside_its_sisters() {
    let conditions = beside_nine(&tray("2026-03-06", 14, MOLD).1);
    let told = beside::told(&conditions);
    assert_eq!(told[0].measure, Measure::DampSpell);
    assert_eq!((told[0].value.round(), told[0].rank, told[0].n), (14.0, 1, 9));
    assert_eq!(
        words::difference(told[0]),
        "Its air stayed at 85 % and more for 14 h on end in light; its 9 sisters: 1 h, 0 h to 2 h."
    );
    assert_eq!(told[0].p, Some(0.2));
    assert_eq!(told[0].p_corrected, Some(1.0), "eleven conditions were compared");
}

#[test]
fn two_days_under_the_cover_past_the_plan_are_told_first() {
    let conditions = beside_nine(&tray("2026-03-08", 0, MOLD).1);
    let told = beside::told(&conditions);
    assert_eq!((told[0].measure, told[0].value), (Measure::OverdueCover, 48.0));
}

#[test]
fn a_tray_like_its_sisters_is_not_accused() {
    assert_eq!(beside::told(&beside_nine(&tray("2026-03-06", 2, CUT).1)), Vec::<&beside::Condition>::new());
    // An hour more than all sisters is less than what a hygrometer may be off by.
    assert_eq!(beside::told(&beside_nine(&tray("2026-03-06", 3, CUT).1)), Vec::<&beside::Condition>::new());
}

#[test]
fn below_five_sisters_nothing_is_tested_and_it_is_said() {
    let own = tray("2026-03-06", 14, MOLD).1;
    let sister = tray("2026-03-06", 1, CUT).1;
    let conditions = beside::conditions(&own, &[&sister, &sister, &sister, &sister]);
    assert!(conditions.iter().all(|condition| condition.p.is_none() && condition.p_corrected.is_none()));
    assert!(words::beside(4, &conditions).contains("fewer than five"));
}

#[test]
fn the_onset_is_reckoned_back_from_the_day_mold_was_seen_and_names_the_damp_night() {
    let (life, walked) = tray("2026-03-06", 14, MOLD);
    let onset = onset::onset(&rules(), &life, &walked, &[], &[]).expect("mold was seen");
    assert_eq!((onset.seen_at, onset.from), (at("2026-03-12 08:00"), at("2026-03-07 08:00")));
    // At 21 °C grey mold grows 8.4 mm a day at best: 5 mm take 14 h.
    assert!((onset.seen_at - onset.until).num_hours() == 14, "{}", onset.until);
    assert!(onset.events.iter().any(|event| event.contains("stood at 85 %")), "{:?}", onset.events);
    let (healthy, walked) = tray("2026-03-06", 14, CUT);
    assert!(onset::onset(&rules(), &healthy, &walked, &[], &[]).is_none());
}

#[test]
fn the_longest_gap_counts_the_ends() {
    let gap = |moments: &[&str]| {
        let moments: Vec<_> = moments.iter().map(|moment| at(moment)).collect();
        longest_gap(&moments, at("2026-03-02 00:00"), at("2026-03-03 00:00"))
    };
    assert_eq!(
        (gap(&[]), gap(&["2026-03-02 08:00"]), gap(&["2026-03-02 08:00", "2026-03-02 20:00"])),
        (24.0, 16.0, 12.0)
    );
}
