//! The outbox over an invented night: outages, refusals, hangs, and any order of them.

use super::*;
use crate::notify::letter::CarrierName;
use crate::notify::waits::CALM_WAITS_SECONDS;
use proptest::prelude::*;

fn start() -> Timestamp {
    "2026-03-03T22:10:00Z".parse().unwrap()
}

fn key(letter: &str) -> ParcelKey {
    ParcelKey { letter: letter.into(), carrier: CarrierName::Mail, recipient: "grower@saltmarsh.example".into() }
}

fn minutes(count: i64) -> TimeDelta {
    TimeDelta::minutes(count)
}

/// Tries whatever is due and fails it, until `until`; says who was tried when.
fn knocked(outbox: &mut Outbox, from: Timestamp, until: Timestamp, refusal: Refusal) -> Vec<(Timestamp, String)> {
    let (mut now, mut tried) = (from, Vec::new());
    while now <= until {
        while let Some(key) = outbox.take(now) {
            outbox.settle(&key, now, Err((refusal, "no")));
            tried.push((now, key.letter));
        }
        let Some(next) = outbox.next_at(now) else { break };
        now = next.max(now + TimeDelta::milliseconds(1));
    }
    tried
}

#[test]
fn a_waiting_call_knocks_every_two_minutes_however_long_it_takes() {
    let mut outbox = Outbox::default();
    outbox.put(&key("a"), LetterKind::Alarm, start());
    let tried = knocked(&mut outbox, start(), start() + TimeDelta::hours(24), Refusal::Unreachable);
    assert!(tried.len() > 600, "{} tries in a day", tried.len());
    for pair in tried.windows(2) {
        assert!(pair[1].0 - pair[0].0 <= TimeDelta::seconds(132), "nothing between {} and {}", pair[0].0, pair[1].0);
    }
}

#[test]
fn what_can_wait_is_tried_less_and_less_often() {
    let mut outbox = Outbox::default();
    outbox.put(&key("a"), LetterKind::Round, start());
    let tried = knocked(&mut outbox, start(), start() + TimeDelta::hours(4), Refusal::Transient);
    let waits: Vec<i64> = tried.windows(2).map(|pair| (pair[1].0 - pair[0].0).num_seconds()).collect();
    for (waited, nominal) in waits.iter().zip(CALM_WAITS_SECONDS) {
        assert!((nominal * 9 / 10 - 1..=nominal * 11 / 10 + 1).contains(waited), "{waits:?}");
    }
    assert!(waits.len() >= CALM_WAITS_SECONDS.len());
}

#[test]
fn in_an_outage_the_newest_call_knocks_for_all() {
    let mut outbox = Outbox::default();
    for (place, letter) in ["first", "second", "third"].into_iter().enumerate() {
        outbox.put(&key(letter), LetterKind::Alarm, start() + minutes(place as i64));
    }
    outbox.put(&key("digest"), LetterKind::Digest, start());
    let tried = knocked(&mut outbox, start() + minutes(3), start() + TimeDelta::hours(2), Refusal::Unreachable);
    let names: Vec<&str> = tried.iter().map(|(_, letter)| letter.as_str()).collect();
    assert_eq!(names[..3], ["third", "second", "first"], "each new call is tried once at once");
    assert!(names[3..].iter().all(|name| *name == "third"), "{names:?}");
    assert!(names.len() < 70, "{} tries in two hours", names.len());
}

#[test]
fn when_somebody_answers_everything_that_waited_is_due() {
    let mut outbox = Outbox::default();
    outbox.put(&key("old"), LetterKind::Alarm, start());
    outbox.put(&key("new"), LetterKind::Alarm, start() + minutes(1));
    outbox.put(&key("digest"), LetterKind::Digest, start());
    knocked(&mut outbox, start() + minutes(1), start() + TimeDelta::hours(8), Refusal::Unreachable);
    let now = outbox.next_at(start() + TimeDelta::hours(8)).unwrap();
    assert_eq!(outbox.take(now), Some(key("new")));
    assert_eq!(outbox.settle(&key("new"), now, Ok(())), ParcelSettled::Sent);
    assert_eq!(outbox.take(now), Some(key("old")));
    assert_eq!(outbox.take(now), Some(key("digest")));
}

#[test]
fn a_try_that_hangs_gives_its_place_to_the_next() {
    let mut outbox = Outbox::default();
    for place in 0..30 {
        outbox.put(&key(&format!("{place:02}")), LetterKind::Alarm, start() + TimeDelta::seconds(place));
    }
    let mut now = start() + minutes(1);
    let mut hanging = 0;
    while outbox.next_at(now).is_some_and(|next| next <= start() + minutes(20)) {
        now = outbox.next_at(now).unwrap();
        hanging += u32::from(outbox.take(now).is_some());
    }
    assert_eq!(hanging, 16, "two at a time, two more each minute, and never more than this");
    assert!(now - start() <= minutes(9), "{now}");
    outbox.put(&key("newest"), LetterKind::Alarm, now);
    assert_eq!(outbox.take(now + minutes(5)), None);
    outbox.settle(&key("29"), now + minutes(5), Err((Refusal::Transient, "no")));
    assert_eq!(outbox.take(now + minutes(5)), Some(key("newest")));
}

#[test]
fn letters_held_up_for_long_are_gathered_and_a_digest_is_not() {
    let mut outbox = Outbox::default();
    for (place, letter) in ["a", "b", "c"].into_iter().enumerate() {
        outbox.put(&key(letter), LetterKind::Alarm, start() + minutes(place as i64));
    }
    outbox.put(&key("digest"), LetterKind::Digest, start());
    outbox.put_gathering(&key("gathering"), start());
    assert!(outbox.held_up(start() + minutes(9)).is_empty());
    let held = outbox.held_up(start() + minutes(13));
    assert_eq!(held[&key("a").recipient], [key("c"), key("b"), key("a")]);
    let alone = TimeDelta::seconds(10 * 60 + 30);
    assert!(outbox.held_up(start() + alone).is_empty(), "one alone is told by itself");
}

#[test]
fn a_refused_login_is_tried_slowly_and_asks_for_the_settings() {
    let mut outbox = Outbox::default();
    outbox.put(&key("a"), LetterKind::Alarm, start());
    outbox.take(start());
    let settled = outbox.settle(&key("a"), start(), Err((Refusal::Settings, "535")));
    assert!(
        matches!(settled, ParcelSettled::Again { not_before } if not_before - start() > minutes(13)),
        "{settled:?}"
    );
    outbox.try_all_now(start());
    assert_eq!(outbox.take(start()), Some(key("a")));
    assert_eq!(outbox.settle(&key("a"), start(), Ok(())), ParcelSettled::Sent);
}

#[test]
fn a_permanent_refusal_is_never_tried_again_and_its_reason_is_kept() {
    let mut outbox = Outbox::default();
    outbox.put(&key("a"), LetterKind::Alarm, start());
    outbox.take(start());
    let settled = outbox.settle(&key("a"), start(), Err((Refusal::Permanent, "550 no such user")));
    assert!(matches!(settled, ParcelSettled::Failed { .. }));
    assert_eq!(outbox.next_at(start()), None);
    assert!(
        matches!(&outbox.entry(&key("a")).unwrap().state, State::Failed { reason } if reason.contains("no such user"))
    );
}

#[test]
fn one_recipient_put_off_does_not_hold_up_the_others() {
    let mut outbox = Outbox::default();
    let other = ParcelKey { recipient: "other@saltmarsh.example".into(), ..key("a") };
    outbox.put(&key("a"), LetterKind::Alarm, start());
    outbox.take(start());
    outbox.settle(&key("a"), start(), Err((Refusal::Transient, "451 greylisted")));
    outbox.put(&other, LetterKind::Digest, start());
    assert_eq!(outbox.take(start()), Some(other));
}

#[test]
fn an_alarm_goes_before_a_digest_that_waits_longer() {
    let mut outbox = Outbox::default();
    outbox.put(&key("digest"), LetterKind::Digest, start());
    outbox.put(&key("alarm"), LetterKind::Alarm, start() + minutes(1));
    assert_eq!(outbox.take(start() + minutes(2)), Some(key("alarm")));
}

fn refusal() -> impl Strategy<Value = Option<Refusal>> {
    prop_oneof![
        Just(None),
        Just(Some(Refusal::Unreachable)),
        Just(Some(Refusal::Transient)),
        Just(Some(Refusal::Busy)),
        Just(Some(Refusal::Settings)),
        Just(Some(Refusal::Permanent)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_mail_is_in_flight_twice_and_every_mail_ends_with_a_reason(
        kinds in proptest::collection::vec(prop_oneof![Just(LetterKind::Alarm), Just(LetterKind::Round), Just(LetterKind::Digest)], 1..5),
        outcomes in proptest::collection::vec(refusal(), 0..60),
        hang in 0_usize..3,
    ) {
        let mut outbox = Outbox::default();
        for (number, kind) in kinds.iter().enumerate() {
            outbox.put(&key(&number.to_string()), *kind, start());
            outbox.put(&key(&number.to_string()), *kind, start());
        }
        let mut now = start();
        let mut flying: Vec<ParcelKey> = Vec::new();
        let mut outcomes = outcomes.into_iter();
        // Every parcel may be tried every 27 s at most, for five days at most.
        for _ in 0..100_000 {
            let taken = outbox.take(now);
            let idle = taken.is_none();
            if let Some(id) = taken {
                prop_assert!(!flying.contains(&id), "{id:?} is in flight twice");
                flying.push(id);
            }
            if flying.len() > hang || (idle && !flying.is_empty() && outbox.next_at(now).is_none()) {
                let id = flying.remove(0);
                // When the drawn outcomes are used up, the server is simply gone.
                let outcome = outcomes.next().unwrap_or(Some(Refusal::Unreachable));
                let settled = outbox.settle(&id, now, outcome.map_or(Ok(()), |refusal| Err((refusal, "no"))));
                prop_assert_ne!(settled, ParcelSettled::Unknown);
                prop_assert_eq!(outbox.settle(&id, now, Ok(())), ParcelSettled::Unknown);
            }
            match outbox.next_at(now) {
                Some(next) => now = now.max(next),
                None if flying.is_empty() => break,
                None => {}
            }
        }
        prop_assert_eq!(outbox.open(), 0);
        for (number, kind) in kinds.iter().enumerate() {
            let entry = outbox.entry(&key(&number.to_string())).unwrap();
            match &entry.state {
                State::Sent => {}
                State::Failed { reason } => prop_assert!(!reason.is_empty()),
                state => prop_assert!(false, "{kind:?} ended as {state:?}"),
            }
        }
        let digest_end = start() + TimeDelta::hours(48) + TimeDelta::hours(1);
        if kinds.iter().all(|kind| *kind == LetterKind::Digest) {
            prop_assert!(now <= digest_end, "digests were still tried at {now}");
        }
    }
}
