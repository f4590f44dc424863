//! Which alarms are told as one, and in which order.

use super::*;
use crate::alarm::{Evidence, Harm};
use crate::letters::sample_rules::rules;

fn hour(hour: i64) -> Timestamp {
    Timestamp::from_timestamp(1_772_600_000 + hour * 3600, 0).unwrap()
}

fn key(kind: AlarmKind, subject: &str) -> AlarmKey {
    AlarmKey { kind, subject: subject.to_owned() }
}

/// It began at `since`; harm of it may begin at `early`.
fn alarm(key: AlarmKey, priority: Priority, since: i64, early: Option<i64>) -> AlarmChange {
    AlarmChange {
        at: hour(since),
        key,
        since: hour(since),
        state: AlarmState::Unacknowledged,
        before: AlarmState::Normal,
        priority,
        harm: early.map(|early| Harm { early: hour(early), likely: hour(early), late: hour(early) }),
        chance: 0.0,
        times: 1,
        next_round: hour(12),
        evidence: Evidence::Broker,
        numbers_are_past: false,
        easing: false,
        by: None,
        answered_at: None,
        returned_at: None,
        grade: None,
    }
}

fn subjects(situation: &Situation) -> Vec<&str> {
    situation.alarms.iter().map(|change| change.key.subject.as_str()).collect()
}

#[test]
fn places_of_one_outermost_place_share_their_air_and_so_do_those_of_none() {
    let rules = rules();
    let warm = |place| cause_of(&rules, &key(AlarmKind::AirTooWarm, place));
    let tent = Cause::Warmth(SharedAir::Of(0));
    assert_eq!(["tent", "shelf", "top"].map(warm), [tent.clone(), tent.clone(), tent]);
    assert_eq!(
        ["rack", "sold last year"].map(warm),
        [Cause::Warmth(SharedAir::Common), Cause::Warmth(SharedAir::Common)]
    );
}

#[test]
fn alarms_share_a_cause_as_one_pair_of_hands_mends_them() {
    use AlarmKind::*;
    let rules = rules();
    let alike = |one: (AlarmKind, &str), other: (AlarmKind, &str)| {
        cause_of(&rules, &key(one.0, one.1)) == cause_of(&rules, &key(other.0, other.1))
    };
    for (one, other) in [
        ((AirTooDamp, "top"), (MoldPressure, "shelf")),
        ((AirTooDamp, "top"), (Condensation, "tent")),
        ((AirTooDry, "top"), (DryOut, "tent")),
        ((ReservoirLow, "tank"), (ReservoirLeak, "tank")),
        ((SensorSilent, "a"), (SensorSilent, "b")),
        ((SensorSilent, "a"), (BrokerLost, "")),
        ((SensorStuck, "a"), (SensorDrift, "a")),
        ((StageOverdue, "K1"), (StageOverdue, "K2")),
    ] {
        assert!(alike(one, other), "{one:?} and {other:?}");
    }
    for (one, other) in [
        ((AirTooDamp, "top"), (AirTooDry, "top")),
        ((AirTooWarm, "top"), (AirTooCold, "top")),
        ((DryOut, "top"), (MoldPressure, "top")),
        ((ReservoirLow, "tank"), (ReservoirLow, "barrel")),
        ((SensorStuck, "a"), (SensorStuck, "b")),
        ((SensorStuck, "a"), (SensorSilent, "a")),
        ((MailFailing, ""), (StoreFailing, "")),
    ] {
        assert!(!alike(one, other), "{one:?} and {other:?}");
    }
}

#[test]
fn a_situation_stands_for_its_newest_reason_and_its_most_urgent_alarm() {
    use Priority::*;
    let warm = |place, priority, since, early| alarm(key(AlarmKind::AirTooWarm, place), priority, since, early);
    let told = grouped(
        &rules(),
        [
            (Occasion::Waiting, warm("shelf", Digest, 1, None)),
            (Occasion::Raised, warm("top", NextRound, 3, Some(9))),
            (Occasion::Reminder(1), warm("tent", NextRound, 2, Some(8))),
        ],
    );
    let [situation] = told.as_slice() else { panic!("they are one: {told:?}") };
    assert_eq!(subjects(situation), ["tent", "top", "shelf"]);
    assert_eq!((situation.occasion, situation.since()), (Occasion::Raised, Some(hour(1))));
    assert_eq!(situation.first().map(|change| change.key.subject.as_str()), Some("tent"));
}

#[test]
fn situations_stand_by_urgency_then_by_age_and_what_is_over_last() {
    use AlarmKind::*;
    use Priority::*;
    let each = [
        (Occasion::Returned, alarm(key(ReservoirLow, "over"), Now, 0, Some(1))),
        (Occasion::Waiting, alarm(key(AirTooWarm, "rack"), NextRound, 5, None)),
        (Occasion::Waiting, alarm(key(AirTooDry, "rack"), NextRound, 4, None)),
        (Occasion::Waiting, alarm(key(AirTooCold, "rack"), NextRound, 6, Some(9))),
        (Occasion::Raised, alarm(key(ReservoirLeak, "tank"), Now, 7, Some(8))),
    ];
    let told = grouped(&rules(), each);
    let kinds: Vec<AlarmKind> = told.iter().map(|situation| situation.alarms[0].key.kind).collect();
    assert_eq!(kinds, [ReservoirLeak, AirTooCold, AirTooDry, AirTooWarm, ReservoirLow]);
    assert_eq!(told.iter().filter(|situation| situation.is_over()).count(), 1);
}

#[test]
fn what_is_over_is_not_told_in_one_breath_with_what_goes_on() {
    let warm = |place| alarm(key(AlarmKind::AirTooWarm, place), Priority::Digest, 1, None);
    let told = grouped(&rules(), [(Occasion::Returned, warm("top")), (Occasion::Waiting, warm("shelf"))]);
    assert_eq!(told.iter().map(subjects).collect::<Vec<_>>(), [vec!["shelf"], vec!["top"]]);
}

#[test]
fn a_list_of_now_leaves_out_what_somebody_silenced() {
    use AlarmState::*;
    let states = [Unacknowledged, Acknowledged, ReturnedUnacknowledged, Normal, Shelved, OutOfService];
    let alarms: Vec<AlarmChange> = states
        .iter()
        .enumerate()
        .map(|(nth, state)| AlarmChange {
            state: *state,
            ..alarm(key(AlarmKind::ReservoirLow, &alloc::format!("{nth}")), Priority::Digest, 1, None)
        })
        .collect();
    let told = shown(&rules(), &alarms);
    let listed: Vec<(Vec<&str>, Occasion)> = told.iter().map(|told| (subjects(told), told.occasion)).collect();
    let expected = [("0", Occasion::Waiting), ("1", Occasion::Waiting), ("2", Occasion::Returned)];
    assert_eq!(listed, expected.map(|(subject, occasion)| (vec![subject], occasion)));
}

#[test]
fn a_letter_names_each_alarm_with_the_occasion_of_its_situation() {
    use crate::letters::facts::{LetterFacts, LetterKind};
    let each = [
        (Occasion::Raised, alarm(key(AlarmKind::ReservoirLeak, "tank"), Priority::Now, 1, Some(2))),
        (Occasion::Waiting, alarm(key(AlarmKind::AirTooWarm, "rack"), Priority::Digest, 1, None)),
    ];
    let facts = LetterFacts {
        id: "alarm-1".to_owned(),
        at: hour(1),
        kind: LetterKind::Alarm,
        answers: None,
        situations: grouped(&rules(), each),
        no_longer: Vec::new(),
        digest: None,
    };
    let named: Vec<(Occasion, &str)> =
        facts.alarms().map(|(occasion, change)| (occasion, change.key.subject.as_str())).collect();
    assert_eq!(named, [(Occasion::Raised, "tank"), (Occasion::Waiting, "rack")]);
}

#[test]
fn an_empty_tank_is_not_also_told_as_low() {
    use AlarmKind::{ReservoirEmpty, ReservoirLeak, ReservoirLow};
    let of = |kind| (Occasion::Waiting, alarm(key(kind, "tank"), Priority::Now, 1, Some(2)));
    let kinds = |told: Vec<Situation>| told[0].alarms.iter().map(|change| change.key.kind).collect::<Vec<_>>();
    assert_eq!(kinds(grouped(&rules(), [ReservoirLow, ReservoirEmpty].map(of))), [ReservoirEmpty]);
    assert_eq!(kinds(grouped(&rules(), [ReservoirLow, ReservoirLeak].map(of))), [ReservoirLow, ReservoirLeak]);
    let other = (Occasion::Waiting, alarm(key(ReservoirLow, "barrel"), Priority::Now, 1, Some(2)));
    assert_eq!(grouped(&rules(), [of(ReservoirEmpty), other]).len(), 2);
}

#[test]
fn of_harm_that_may_be_there_what_likely_came_first_stands_first() {
    let with = |kind, subject, early: i64, likely: i64| {
        let harm = Some(Harm { early: hour(early), likely: hour(likely), late: hour(likely) });
        (Occasion::Waiting, AlarmChange { at: hour(9), harm, ..alarm(key(kind, subject), Priority::Now, 1, None) })
    };
    let told =
        grouped(&rules(), [with(AlarmKind::AirTooCold, "rack", 7, 20), with(AlarmKind::ReservoirLeak, "tank", 9, 9)]);
    assert_eq!(told[0].alarms[0].key.kind, AlarmKind::ReservoirLeak);
}
