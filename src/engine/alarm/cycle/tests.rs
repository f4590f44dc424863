//! The states of one alarm, minute by minute.

use super::*;
use crate::alarm::AlarmKind;
use crate::alarm::waking::AS_GOOD_AS_SURE;

const ON: i64 = 3;
const OFF: i64 = 5;
const ROUND: i64 = 600;

fn minute(minute: i64) -> Timestamp {
    Timestamp::from_timestamp(1_772_600_000 + minute * 60, 0).unwrap()
}

/// People sleep until the round: they are called as late as is safe.
fn night(at: i64) -> Moment {
    Moment {
        at: minute(at),
        next_round: minute(ROUND),
        round_after: minute(ROUND + 720),
        evening_at: None,
        asleep: true,
        wake_if: 0.2,
        call_if: 0.2,
        sure_from: AS_GOOD_AS_SURE,
        come_within: TimeDelta::minutes(45),
    }
}

fn alarm() -> Alarm {
    let key = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".into() };
    Alarm::new(key, Hold::of(TimeDelta::minutes(ON), TimeDelta::minutes(OFF)), None)
}

/// Its harm begins within the hour after `early`.
fn harmful_from(early: i64) -> Condition {
    let harm = Harm { early: minute(early), likely: minute(early + 30), late: minute(early + 60) };
    Condition::Present { harm: Some(harm), evidence: Evidence::Clock { by: TimeDelta::zero() } }
}

fn harmless() -> Condition {
    Condition::Present { harm: None, evidence: Evidence::Clock { by: TimeDelta::zero() } }
}

/// It holds from this minute on, until it is raised.
fn comes(alarm: &mut Alarm, from: i64, condition: &Condition) -> Option<Transition> {
    (from..=from + ON).find_map(|at| alarm.observe(&night(at), condition.clone()))
}

/// It is gone from this minute on; when it returned.
fn goes(alarm: &mut Alarm, from: i64) -> Option<i64> {
    (from..from + 200).find(|at| alarm.observe(&night(*at), Condition::Absent) == Some(Transition::Returned))
}

#[test]
fn what_comes_back_within_half_an_hour_continues_its_episode() {
    let mut alarm = alarm();
    assert_eq!(comes(&mut alarm, 0, &harmless()), Some(Transition::Raised));
    assert_eq!(goes(&mut alarm, 10), Some(15));
    assert_eq!(comes(&mut alarm, 45, &harmless()), Some(Transition::CameBack));
    assert_eq!((alarm.times, alarm.since), (2, minute(0)));
    assert_eq!(goes(&mut alarm, 55), Some(60));
    assert_eq!(comes(&mut alarm, 91, &harmless()), Some(Transition::Raised), "a minute more and it is another");
    assert_eq!((alarm.times, alarm.since, alarm.raised_at), (1, minute(91), minute(91 + ON)));
}

#[test]
fn a_delay_ends_at_its_own_minute_though_nothing_is_heard_then() {
    let mut alarm = alarm();
    alarm.observe(&night(0), harmless());
    assert_eq!(alarm.deadline(), Some(minute(ON)));
    assert_eq!([ON - 1, ON].map(|at| alarm.on_deadline(&night(at))), [None, Some(Transition::Raised)]);
    alarm.observe(&night(10), Condition::Absent);
    assert_eq!(alarm.deadline(), Some(minute(10 + OFF)));
    assert_eq!([9 + OFF, 10 + OFF].map(|at| alarm.on_deadline(&night(at))), [None, Some(Transition::Returned)]);
}

#[test]
fn harm_is_as_it_was_seen_last_also_while_nobody_can_see() {
    let mut alarm = alarm();
    let early = |alarm: &Alarm| alarm.harm().map(|harm| harm.early);
    comes(&mut alarm, 0, &harmful_from(300));
    alarm.observe(&night(5), harmful_from(240));
    alarm.observe(&night(6), Condition::Unknown);
    assert_eq!(early(&alarm), Some(minute(240)));
    alarm.observe(&night(7), harmless());
    assert_eq!(early(&alarm), None);
}

#[test]
fn harm_that_comes_near_shortens_the_delay_of_what_is_seen_already() {
    let key = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".into() };
    let mut alarm = Alarm::new(key, Hold::of(TimeDelta::minutes(30), TimeDelta::minutes(OFF)), None);
    assert_eq!([0, 3, 6].map(|at| alarm.observe(&night(at), harmless())), [None; 3]);
    assert_eq!(alarm.observe(&night(7), harmful_from(20)), Some(Transition::Raised));
}

#[test]
fn what_comes_after_people_were_told_it_is_over_is_new() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    alarm.told_over();
    goes(&mut alarm, 10);
    assert_eq!(comes(&mut alarm, 20, &harmless()), Some(Transition::CameBack), "it was said while it stood");
    goes(&mut alarm, 30);
    alarm.told_over();
    assert_eq!(comes(&mut alarm, 40, &harmless()), Some(Transition::Raised));
}

#[test]
fn a_third_coming_in_half_an_hour_must_be_quiet_for_as_long() {
    let mut alarm = alarm();
    for from in [0, 10] {
        comes(&mut alarm, from, &harmless());
        assert_eq!(goes(&mut alarm, from + ON + 1), Some(from + ON + 1 + OFF), "the usual delay");
    }
    comes(&mut alarm, 20, &harmless());
    assert_eq!(goes(&mut alarm, 24), Some(54));
}

#[test]
fn comings_of_more_than_half_an_hour_ago_are_no_chatter() {
    let mut alarm = alarm();
    for from in [0, 16, 32] {
        comes(&mut alarm, from, &harmless());
        assert_eq!(goes(&mut alarm, from + ON + 1), Some(from + ON + 1 + OFF));
    }
    // Comings at 3, 13 and 23: the first is half an hour old when it goes.
    for (gone, returned) in [(33, 63), (34, 39)] {
        let mut other = self::alarm();
        for from in [0, 10, 20] {
            comes(&mut other, from, &harmless());
            if from < 20 {
                goes(&mut other, from + ON + 1);
            }
        }
        assert_eq!(goes(&mut other, gone), Some(returned), "gone at {gone}");
    }
}

#[test]
fn a_delay_longer_than_that_of_chatter_is_not_shortened_by_it() {
    let mut alarm = alarm();
    alarm.set_hold(Hold::of(TimeDelta::minutes(ON), TimeDelta::minutes(40)));
    alarm.comings.extend([0, 1, 2].map(minute));
    comes(&mut alarm, 3, &harmless());
    assert_eq!(goes(&mut alarm, 10), Some(50));
}

#[test]
fn a_return_nobody_saw_is_taken_as_seen_after_a_week() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    goes(&mut alarm, 10);
    let seen = 15 + 7 * 24 * 60;
    assert_eq!(alarm.deadline(), Some(minute(seen)));
    assert_eq!(alarm.on_deadline(&night(seen - 1)), None);
    assert_eq!(alarm.state(), AlarmState::ReturnedUnacknowledged);
    assert_eq!(alarm.on_deadline(&night(seen)), Some(Transition::Acknowledged));
    assert_eq!((alarm.state(), alarm.deadline()), (AlarmState::Normal, None));
}

#[test]
fn whoever_answered_hears_again_only_of_harm_an_hour_sooner() {
    let answered = || {
        let mut alarm = alarm();
        comes(&mut alarm, 0, &harmful_from(300));
        assert_eq!(alarm.priority(), Priority::NextRound);
        alarm.reported();
        alarm.acknowledge(minute(10), "ada");
        alarm
    };
    assert_eq!(answered().observe(&night(255), harmful_from(300)), None, "its hour has come, as was said");
    assert_eq!(answered().observe(&night(200), harmful_from(240)), None, "an hour sooner is no news");
    let mut alarm = answered();
    assert_eq!(alarm.observe(&night(200), harmful_from(239)), Some(Transition::Escalated));
    assert_eq!(alarm.state(), AlarmState::Unacknowledged, "it was said of what could wait");
}

#[test]
fn what_stands_becomes_no_more_urgent_while_people_are_in_the_room() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmful_from(300));
    alarm.round_begins(minute(290));
    assert_eq!(alarm.observe(&night(289), harmful_from(300)), None);
    assert_eq!(alarm.observe(&night(290), harmful_from(300)), Some(Transition::Escalated));
}

#[test]
fn what_comes_back_during_a_round_is_called_though_people_are_there() {
    // What nobody could see when they came in, they do not know of.
    let mut gone_before = alarm();
    comes(&mut gone_before, 0, &harmful_from(300));
    goes(&mut gone_before, 10);
    gone_before.round_begins(minute(290));
    let mut gone_since = alarm();
    comes(&mut gone_since, 0, &harmful_from(300));
    gone_since.round_begins(minute(290));
    goes(&mut gone_since, 10);
    for mut alarm in [gone_before, gone_since] {
        assert_eq!(comes(&mut alarm, 30, &harmful_from(300)), Some(Transition::CameBack));
        assert_eq!(alarm.observe(&night(255), harmful_from(300)), Some(Transition::Escalated));
    }
}

#[test]
fn a_shelf_that_ends_brings_back_what_stands_as_unseen() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    alarm.shelve(minute(10), "ada", minute(70));
    assert_eq!(alarm.state(), AlarmState::Shelved);
    assert_eq!((alarm.deadline(), alarm.on_deadline(&night(69))), (Some(minute(70)), None));
    alarm.acknowledge(minute(20), "ada");
    assert_eq!(alarm.on_deadline(&night(70)), Some(Transition::Shelf));
    assert_eq!((alarm.state(), alarm.by.as_deref()), (AlarmState::Unacknowledged, None), "by time, not by anybody");
    assert_eq!(alarm.on_deadline(&night(70)), None);
}

#[test]
fn a_shelf_that_ends_makes_nothing_of_what_is_over() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    alarm.acknowledge(minute(5), "ada");
    alarm.shelve(minute(6), "ada", minute(70));
    goes(&mut alarm, 10);
    assert_eq!(alarm.on_deadline(&night(70)), Some(Transition::Shelf));
    assert_eq!(alarm.state(), AlarmState::Normal);
}

#[test]
fn whoever_brings_back_a_silenced_alarm_is_named() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    assert_eq!(alarm.unshelve(minute(5), "ada"), None, "it is not silenced");
    assert_eq!((alarm.by.as_deref(), alarm.answered_at), (None, None));
    alarm.shelve(minute(6), "ada", minute(70));
    assert_eq!(alarm.unshelve(minute(7), "ben"), Some(Transition::Shelf));
    assert_eq!((alarm.state(), alarm.deadline()), (AlarmState::Unacknowledged, None));
    assert_eq!((alarm.by.as_deref(), alarm.answered_at), (Some("ben"), Some(minute(7))));
    alarm.take_out(minute(8), "ada", "being cleaned");
    assert_eq!(alarm.state(), AlarmState::OutOfService);
    assert_eq!(alarm.unshelve(minute(9), "ben"), Some(Transition::Shelf));
    assert_eq!((alarm.state(), alarm.answered_at), (AlarmState::Unacknowledged, Some(minute(9))));
}

/// So many tenths of the chance lie before the round; its early hour has passed.
fn of_chance(tenths: i64) -> Condition {
    // From a tenth to the half evenly, and so on to nine tenths.
    let (early, likely) = (0, ROUND * 4 / (tenths - 1));
    let harm = Harm { early: minute(early), likely: minute(likely), late: minute(2 * likely) };
    Condition::Present { harm: Some(harm), evidence: Evidence::Clock { by: TimeDelta::zero() } }
}

/// When it becomes urgent after a round that lasts from 10 to 70, having waited for it.
fn urgent_at(told: impl Fn(&mut Alarm), tenths: i64) -> Option<i64> {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    told(&mut alarm);
    alarm.round_begins(minute(70));
    (11..400).find(|at| {
        alarm.observe(&night(*at), of_chance(tenths));
        alarm.priority() == Priority::Now
    })
}

#[test]
fn what_a_letter_named_waits_for_a_round_that_may_be_late_unless_it_is_sure() {
    assert_eq!(urgent_at(|_| {}, 7), Some(70));
    assert_eq!(urgent_at(Alarm::named, 7), Some(130), "an hour more");
    assert_eq!(urgent_at(Alarm::named, 9), Some(70), "as good as sure");
}

#[test]
fn a_leak_is_called_as_soon_as_it_is_proven_and_other_harm_when_it_is_sure() {
    let harm = Some(Harm { early: minute(200), likely: minute(400), late: minute(800) });
    let leak = Evidence::Leak {
        reservoir: "tank".into(),
        draw: 2.0,
        expected: 0.1,
        lost: 3.0,
        sudden_minutes: None,
        usable: 20.0,
    };
    let told = |evidence: &Evidence| {
        let mut alarm = alarm();
        for at in 0..=ON {
            let awake = Moment { asleep: false, ..night(at) };
            alarm.observe(&awake, Condition::Present { harm, evidence: evidence.clone() });
        }
        alarm.priority()
    };
    assert_eq!(told(&leak), Priority::Now);
    assert_eq!(told(&Evidence::Clock { by: TimeDelta::zero() }), Priority::NextRound);
}

#[test]
fn a_kind_with_a_chance_of_its_own_needs_hands_only_from_there_on() {
    let needs = |wake_if: Option<f64>| {
        let key = AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".into() };
        let mut alarm = Alarm::new(key, Hold::of(TimeDelta::minutes(ON), TimeDelta::minutes(OFF)), wake_if);
        comes(&mut alarm, 1, &of_chance(4));
        alarm.needs_hands(&night(5))
    };
    assert_eq!([None, Some(0.9)].map(needs), [true, false]);
}

#[test]
fn whoever_read_of_it_and_was_there_is_called_only_for_what_is_likely() {
    assert_eq!(urgent_at(|_| {}, 4), Some(70));
    assert_eq!(urgent_at(Alarm::named, 4), None);
    assert_eq!(urgent_at(Alarm::called, 4), None);
}

#[test]
fn what_a_letter_named_is_known_for_a_day_and_what_was_called_for_three() {
    let urgent_after = |told: fn(&mut Alarm), days: i64| {
        let mut alarm = alarm();
        told(&mut alarm);
        alarm.round_begins(minute(0));
        let moment = Moment { at: minute(days * 1440), next_round: minute(days * 1440 + ROUND), ..night(0) };
        let harm = Harm { early: moment.at, likely: minute(days * 1440 + 900), late: minute(days * 1440 + 1800) };
        alarm.own(&moment).is_worth_a_call(Some(harm))
    };
    assert_eq!([0, 1, 2].map(|days| urgent_after(Alarm::named, days)), [false, true, true]);
    assert_eq!([0, 1, 2, 3].map(|days| urgent_after(Alarm::called, days)), [false, false, false, true]);
}

#[test]
fn who_went_to_bed_with_it_is_called_only_for_what_is_likely() {
    let mut alarm = alarm();
    comes(&mut alarm, 0, &harmless());
    let of = |tenths| match of_chance(tenths) {
        Condition::Present { harm, .. } => harm,
        _ => None,
    };
    assert!(alarm.own(&night(10)).is_worth_a_call(of(4)));
    alarm.reported();
    assert!(!alarm.own(&night(10)).is_worth_a_call(of(4)));
    assert!(alarm.own(&night(10)).needs_hands(of(4)), "it stands in the letters that wait for people");
    assert!(alarm.own(&night(10)).is_worth_a_call(of(7)));
}

#[test]
fn what_leaves_a_place_unseen_hides_the_night_while_it_stands_and_may_do_harm() {
    let harm = Some(Harm { early: minute(300), likely: minute(400), late: minute(500) });
    let silent = |blind| Evidence::Silent {
        place: "Rack A".into(),
        last_heard: None,
        every: TimeDelta::minutes(1),
        blind,
        all: false,
    };
    let hides = |evidence: Evidence, harm: Option<Harm>| {
        let mut alarm = alarm();
        comes(&mut alarm, 0, &Condition::Present { harm, evidence });
        let stands = alarm.hides_the_night();
        alarm.observe(&night(10), Condition::Absent);
        assert!(!alarm.hides_the_night(), "it seems to be over");
        stands
    };
    let clock = Evidence::Clock { by: TimeDelta::zero() };
    assert!(hides(Evidence::Broker, harm) && hides(silent(true), harm));
    assert!(!hides(silent(false), harm), "something else measures there");
    assert!(!hides(clock, harm) && !hides(Evidence::Broker, None));
}
