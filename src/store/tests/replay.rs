//! Events go in and come out the same, in the same order.

use super::*;
use crate::engine::event::{AtStake, Command, Garbled, Grade};
use crate::journal::{Did, Entry, Loss, Sowing, Target};
use crate::store::{Replayed, SensorNames, Undecodable, decode, encode};

fn entry(did: Did) -> What {
    What::Journal { number: 7, entry: Entry { at: Some(at(-5_000)), by: Some("Ada".into()), did } }
}

/// Every kind of event that is stored, and every form of an entry and a command.
fn everything() -> Vec<What> {
    let target = || Target { tray: Some("K12".into()), place: None };
    let alarm = || AlarmKey { kind: AlarmKind::AirTooWarm, subject: "rack-a".into() };
    let by = || "Ada".to_owned();
    let mut all = vec![
        What::Started,
        What::Reading(heard(0, 21.347)),
        What::Reading(RawReading::new(ChannelId(1), -0.001, Some(at(-90_001)), true).unwrap()),
        What::Reading(RawReading::new(ChannelId(2), 1e6, Some(at(90_001)), false).unwrap()),
        What::NoValue(SensorId(1)),
        What::BrokerUp,
        What::BrokerDown,
        What::SessionContested { times: 4, client_id: "traywarden-saltmarsh-lane".into() },
        What::SessionSettled,
        What::SessionGivenUp { bytes: 20_000_000 },
        What::LetterSent { letter: "alarm-1".into() },
        What::LetterFailed { letter: "alarm-1".into(), error: "451 \"later\"\n€".into() },
        What::StoreFailed { error: "disk full".into(), at_stake: AtStake { unsaved: 7, lost: 2, without_past: true } },
        What::StoreRecovered,
        What::StoreHurt { what: "the store is empty".into() },
        What::ClockStepped { by: TimeDelta::milliseconds(-3_600_001) },
        What::Command(Command::Acknowledge { alarm: alarm(), by: by(), grade: None }),
        What::Command(Command::Acknowledge { alarm: alarm(), by: by(), grade: Some(Grade::Wrong) }),
        What::Command(Command::Shelve { alarm: alarm(), by: by(), until: at(7_200_000) }),
        What::Command(Command::Unshelve { alarm: alarm(), by: by() }),
        What::Command(Command::OutOfService { alarm: alarm(), by: by(), reason: "moved out".into() }),
        entry(Did::Sow(Sowing {
            tray: "K12".into(),
            place: "rack-a".into(),
            crop: None,
            blend: [("broccoli".to_owned(), 12.1), ("radish".to_owned(), 0.1 + 0.2)].into(),
            count: 3,
            seed_grams: Some(15.7),
            seed_lot: Some("L1".into()),
            medium: None,
        })),
        entry(Did::Unweight(target())),
        entry(Did::Uncover(target())),
        entry(Did::Light(Target::default())),
        entry(Did::Water { target: target(), ml_per_tray: Some(118.3) }),
        entry(Did::Mist(target())),
        entry(Did::Refill { reservoir: None, litres: Some(0.1 + 0.7) }),
        entry(Did::Move { tray: "K12".into(), place: "rack-b".into() }),
        entry(Did::Look { target: target(), note: Some("fine".into()) }),
        entry(Did::Harvest { tray: "K12".into(), grams: Some(203.3), grams_per_tray: None, note: None }),
        entry(Did::Discard { tray: "K12".into(), reason: Loss::DampingOff, share: Some(12.5), note: None }),
        entry(Did::Note { text: "fan is loud".into(), tray: None, photo: None }),
        entry(Did::Strike { entry: 3, note: None }),
    ];
    let reasons = [
        Garbled::Empty,
        Garbled::TooLarge,
        Garbled::NotReadable,
        Garbled::FieldMissing,
        Garbled::NotANumber,
        Garbled::WrongUnit,
        Garbled::OutOfThisWorld,
        Garbled::UnknownTopic,
        Garbled::BadEntry,
    ];
    for reason in reasons {
        all.push(What::Garbled { sensor: Some(SensorId(0)), reason });
        all.push(What::Garbled { sensor: None, reason });
    }
    all
}

/// A new kind of event does not compile here until it is in `everything`.
fn is_stored(what: &What) -> bool {
    match what {
        What::Tick => false,
        What::Started
        | What::Reading(_)
        | What::NoValue(_)
        | What::Garbled { .. }
        | What::Journal { .. }
        | What::Command(_)
        | What::BrokerUp
        | What::BrokerDown
        | What::SessionContested { .. }
        | What::SessionSettled
        | What::SessionGivenUp { .. }
        | What::LetterSent { .. }
        | What::LetterFailed { .. }
        | What::StoreFailed { .. }
        | What::StoreRecovered
        | What::StoreHurt { .. }
        | What::ClockStepped { .. } => true,
    }
}

#[test]
fn every_kind_of_event_comes_back_as_it_went_in() {
    let room = TestStore::new();
    let mut store = room.store();
    let sent: Vec<Event> =
        everything().into_iter().zip(0..).map(|(what, nth)| Event { at: at(nth * 1_000), what }).collect();
    assert!(sent.iter().all(|event| is_stored(&event.what)));
    let records: Vec<Record> = sent.iter().map(|event| Record::of(event.clone(), 0, Vec::new())).collect();
    store.commit(&records).unwrap();
    assert_eq!(room.events(), sent);
}

#[test]
fn within_one_millisecond_readings_and_events_keep_their_order() {
    let room = TestStore::new();
    let mut store = room.store();
    let whats = [
        What::Reading(heard(0, 20.0)),
        What::BrokerDown,
        What::Reading(heard(1, 50.0)),
        What::Reading(heard(0, 19.0)),
        What::BrokerUp,
        What::Started,
        What::Reading(heard(2, 18.0)),
    ];
    let records: Vec<Record> = whats.iter().zip(0..).map(|(what, seq)| happening(at(0), seq, what.clone())).collect();
    // Written in two batches, the later part first: order comes from the key, not from the file.
    store.commit(&records[4..]).unwrap();
    store.commit(&records[..4]).unwrap();
    let came: Vec<What> = room.events().into_iter().map(|event| event.what).collect();
    assert_eq!(came, whats);
}

#[test]
fn order_and_number_survive_the_seams_between_pages() {
    let room = TestStore::new();
    let mut store = room.store();
    // Three readings and another event to a millisecond. A page of 16,384 readings is no
    // multiple of three, so that it ends in the middle of a millisecond.
    let mut records = Vec::new();
    for nth in 0..60_000_i64 {
        let what = if nth % 4 == 1 {
            What::LetterSent { letter: nth.to_string() }
        } else {
            What::Reading(heard((nth % 4) as u16, nth as f64 / 1000.0))
        };
        records.push(happening(at(nth / 4), (nth % 4) as u32, what));
    }
    store.commit(&records).unwrap();
    let expected: Vec<Event> = records.into_iter().map(|record| record.event).collect();
    assert!(room.events() == expected, "the replay differs from the night");
}

#[test]
fn a_span_takes_its_beginning_and_leaves_its_end() {
    let room = TestStore::new();
    let mut store = room.store();
    let records: Vec<Record> = (0..4)
        .flat_map(|nth| [happening(at(nth), 0, What::BrokerUp), happening(at(nth), 1, What::Reading(heard(0, 20.0)))])
        .collect();
    store.commit(&records).unwrap();
    let mut times = Vec::new();
    let replayed = room.reader().events(at(1), at(3), |event| times.push(event.at)).unwrap();
    assert_eq!(times, [at(1), at(1), at(2), at(2)]);
    assert_eq!(replayed, Replayed { given: 4, gone: 0, unreadable: 0 });
}

#[test]
fn a_sensor_that_left_the_config_is_counted_and_left_out() {
    let room = TestStore::new();
    let mut store = room.store();
    store
        .commit(&[
            happening(at(0), 0, What::Reading(heard(0, 20.0))),
            happening(at(1), 0, What::Reading(heard(2, 18.0))),
            happening(at(2), 0, What::NoValue(SensorId(0))),
            happening(at(3), 0, What::Garbled { sensor: Some(SensorId(1)), reason: Garbled::Empty }),
            happening(at(4), 0, What::Garbled { sensor: Some(SensorId(0)), reason: Garbled::Empty }),
        ])
        .unwrap();
    let only_b = rules_with(&["rack-b-air"]);
    let mut came = Vec::new();
    let reader = Reader::open(&room.path(), &only_b).unwrap();
    let replayed = reader.events(at(0), at(9), |event| came.push(event.what)).unwrap();
    assert_eq!(replayed, Replayed { given: 2, gone: 3, unreadable: 0 });
    // The sensor that stayed has another index now.
    assert_eq!(
        came,
        [What::Reading(heard(0, 18.0)), What::Garbled { sensor: Some(SensorId(0)), reason: Garbled::Empty }]
    );
}

#[test]
fn a_config_in_another_order_finds_its_history_again() {
    let mut room = TestStore::new();
    room.store().commit(&[happening(at(0), 0, What::Reading(heard(1, 55.0)))]).unwrap();
    room.rules = rules_with(&["new-one", "rack-b-air", "rack-a-air"]);
    let mut store = room.store();
    store.commit(&[happening(at(1), 0, What::Reading(heard(0, 9.0)))]).unwrap();
    let came: Vec<What> = room.events().into_iter().map(|event| event.what).collect();
    assert_eq!(came, [What::Reading(heard(5, 55.0)), What::Reading(heard(0, 9.0))]);
}

#[test]
fn what_another_hand_wrote_into_the_file_is_counted_and_never_fatal() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&[happening(at(5), 0, What::BrokerUp)]).unwrap();
    for (seq, kind, body) in
        [(0, "sang", "{}"), (1, "no-value", "{}"), (2, "journal", "not json"), (3, "garbled", r#"{"reason":"odd"}"#)]
    {
        store.connection.execute("INSERT INTO event VALUES (?1, ?2, ?3, ?4)", (EVENING, seq, kind, body)).unwrap();
    }
    store
        .connection
        .execute(
            "INSERT INTO reading VALUES (?1, 9, 1, 9000000000000, NULL, 2, -9223372036854775807, 0, NULL)",
            [EVENING],
        )
        .unwrap();
    let mut came = Vec::new();
    let replayed = room.reader().events(at(0), at(9), |event| came.push(event.what)).unwrap();
    assert_eq!(came, [What::BrokerUp]);
    assert_eq!(replayed, Replayed { given: 1, gone: 0, unreadable: 5 });
}

#[test]
fn a_tick_is_stored_if_somebody_was_told_of_what_it_showed() {
    let room = TestStore::new();
    let mut told = happening(at(60_001), 0, What::Tick);
    told.effects = vec![Effect::Alarm(too_warm(at(60_000), AlarmState::Unacknowledged))];
    room.store().commit(&[happening(at(0), 0, What::Tick), told.clone()]).unwrap();
    assert_eq!(room.events(), [told.event], "killed right behind it, the next start knows of the alarm");
}

#[test]
fn numbers_in_an_entry_come_back_to_the_last_bit() {
    let rules = rules();
    let sensors = SensorNames::of(&rules);
    // 0.1 + 0.2 and its like need 17 digits; the last is one that a fast parser misses by one bit.
    for litres in [0.1 + 0.2, 1.0 / 3.0, 2.0_f64.sqrt() * 1e-7, 122.416_294_033_786_58] {
        let what = entry(Did::Refill { reservoir: None, litres: Some(litres) });
        let encoded = encode(&what, &rules).unwrap();
        assert_eq!(decode(encoded.kind, &encoded.body, &sensors), Ok(what));
    }
}

#[test]
fn an_unknown_sensor_is_told_apart_from_nonsense() {
    let sensors = SensorNames::of(&rules());
    let gone = decode("no-value", r#"{"sensor":"attic"}"#, &sensors);
    assert_eq!(gone, Err(Undecodable::SensorGone("attic".into())));
    assert!(matches!(decode("no-value", "[]", &sensors), Err(Undecodable::NotOurs(_))));
}
