//! Figures whose answer is known, and invented lives held against each other.

use super::beside::{self, Measure, two_sided};
use super::lives::{Life, lives};
use super::quantile::quantile;
use super::sample::{at, journal, rules};
use super::stages::longest_gap;
use super::walk::{KnownAir, STEP, Walked, walk};

/// A tray of broccoli from 2 to 12 March, uncovered on a day at eight, watered twice a day in
/// light. `damp`: hours of air at 92 % from the evening of the seventh on.
pub(crate) fn tray(uncovered: &str, damp: i64, last_words: &str) -> (Life, Walked) {
    let uncover = format!("{uncovered} 08:00");
    let mut reported = vec![
        ("2026-03-02 08:00".to_owned(), r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#.to_owned()),
        (uncover, r#"{"did":"uncover","tray":"K1"}"#.to_owned()),
    ];
    for day in 8..12 {
        for hour in ["07", "19"] {
            reported.push((format!("2026-03-{day:02} {hour}:00"), r#"{"did":"water","tray":"K1"}"#.to_owned()));
        }
    }
    reported.push(("2026-03-12 08:00".to_owned(), last_words.to_owned()));
    let entries: Vec<(&str, &str)> = reported.iter().map(|(when, what)| (when.as_str(), what.as_str())).collect();
    let life = lives(&rules(), &journal(&entries)).remove(0);
    let (mut now, mut air) = (at("2026-03-02 08:00"), Vec::new());
    let evening = at("2026-03-08 20:00");
    while now < at("2026-03-12 08:00") {
        let wet = now >= evening && now < evening + chrono::TimeDelta::hours(damp);
        air.push(KnownAir { at: now, celsius: 21.0, percent: if wet { 92.0 } else { 55.0 } });
        now += STEP;
    }
    let walked = walk(&rules(), &life, &air, at("2026-04-01 00:00"));
    (life, walked)
}

pub(crate) const CUT: &str = r#"{"did":"harvest","tray":"K1","grams":400}"#;
pub(crate) const MOLD: &str = r#"{"did":"discard","tray":"K1","reason":"mold"}"#;

pub(crate) fn beside_nine(own: &Walked) -> Vec<beside::Comparison> {
    let peers: Vec<Walked> = (0..9).map(|nth| tray("2026-03-06", nth % 3, CUT).1).collect();
    assert!(peers.iter().all(|peer| beside::comparable(own, peer)));
    beside::conditions(own, &peers.iter().collect::<Vec<_>>())
}

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

#[test]
fn two_days_under_the_cover_past_the_plan_are_told_first() {
    let conditions = beside_nine(&tray("2026-03-08", 0, MOLD).1);
    let reported = beside::reported(&conditions);
    assert_eq!((reported[0][0].measure, reported[0][0].value), (Measure::OverdueCover, 48.0));
}

#[test]
fn a_tray_like_its_sisters_is_not_accused() {
    assert_eq!(beside::reported(&beside_nine(&tray("2026-03-06", 2, CUT).1)), Vec::<Vec<&beside::Comparison>>::new());
    // An hour more than all sisters is less than what a hygrometer may be off by.
    assert_eq!(beside::reported(&beside_nine(&tray("2026-03-06", 3, CUT).1)), Vec::<Vec<&beside::Comparison>>::new());
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

#[test]
fn three_faces_of_one_damp_night_are_one_difference() {
    let conditions = beside_nine(&tray("2026-03-06", 14, MOLD).1);
    let reported = beside::reported(&conditions);
    let [damp] = &reported[..] else { panic!("one cause, not {reported:?}") };
    let faces: Vec<Measure> = damp.iter().map(|face| face.measure).collect();
    assert_eq!(faces.len(), 3, "{faces:?}");
    for face in [Measure::DampSpell, Measure::DampHours, Measure::MoldPressure] {
        assert!(faces.contains(&face), "{face:?} of {faces:?}");
    }
}
