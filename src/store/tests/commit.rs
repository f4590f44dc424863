//! What a commit writes beside the event, and that writing it twice changes nothing.

use super::*;
use crate::engine::event::{Doubt, EntryNote, EntryRefusal, Garbled, Judgement, LetterKind};
use crate::engine::letters::digest::Due;
use crate::engine::watch::trays::tray::Stage;
use crate::journal::{Did, Entry, Target};
use crate::notify::letter::{CarrierName, Letter, Parcel, ParcelKey};
use crate::reading::Flag;
use crate::store::{Inbox, InboxAnswer, InboxFate, InboxKind, LetterProgress, Rejected, StoredDelivery, StoredOutcome};

fn letter(id: &str, at: Timestamp) -> Letter {
    Letter {
        id: id.into(),
        kind: LetterKind::Alarm,
        at,
        answers: Some("alarm-0".into()),
        subject: "18h Rack A too warm".into(),
        text: "Open the vent.".into(),
        html: "<p>Open the vent.</p>".into(),
        pictures: Vec::new(),
    }
}

fn key(letter: &str, recipient: &str) -> ParcelKey {
    ParcelKey { letter: letter.into(), carrier: CarrierName::Mail, recipient: recipient.into() }
}

fn mail(letter: &str, recipient: &str) -> Parcel {
    Parcel {
        key: key(letter, recipient),
        message_id: Some(format!("<{letter}.{recipient}>")),
        bytes: b"Subject: x\r\n\r\n\xff".to_vec(),
    }
}

fn sent(letter: &str, recipient: &str) -> StoredOutcome {
    StoredOutcome::Sent(key(letter, recipient))
}

fn failed(recipient: &str, error: &str, not_before: Option<Timestamp>) -> StoredOutcome {
    StoredOutcome::Failed { key: key("alarm-1", recipient), error: error.into(), not_before }
}

fn journal(at: Timestamp, number: i64, did: Did, effects: Vec<Effect>) -> Record {
    let entry = Entry { at: None, by: None, did };
    Record::of(Event { at, what: What::Journal { number, entry } }, 0, effects)
}

/// A record that fills every table.
fn full_record(rules: &Rules) -> Vec<Record> {
    let mut warm = reading(rules, at(0), 0, heard(0, 31.0));
    warm.effects.push(Effect::Alarm(too_warm(at(0), AlarmState::Unacknowledged)));
    warm.alarm_texts = vec!["Rack A is too warm.".into()];
    warm.letters = vec![(letter("alarm-1", at(0)), vec![mail("alarm-1", "one"), mail("alarm-1", "two")])];
    warm.delivery = Some(StoredDelivery { packet_id: 65_535, hash: u32::MAX });
    let mut garbled = happening(at(0), 1, What::Garbled { sensor: None, reason: Garbled::UnknownTopic });
    garbled.rejected = Some(Rejected { topic: "loft/\u{fffd}".into(), payload: vec![0xff; 300] });
    garbled.delivery = Some(StoredDelivery { packet_id: 7, hash: 1 });
    let taken = Effect::EntryTaken {
        number: 1,
        note: vec![
            EntryNote::BandsClash { place: "Rack A".into(), tray: "K12".into() },
            EntryNote::UnknownCrop { crop: "brocoli".into() },
            EntryNote::BlendApart {
                step: Due::Harvest,
                first: "radish".into(),
                first_day: 6.0,
                last: "pea".into(),
                last_day: 10.5,
            },
            EntryNote::SeedShares { each: vec![("kale".into(), 8.0), ("pea".into(), 16.5)], trays: 6 },
            EntryNote::Plan { weight_off_day: None, light_day: 4.0, harvest_from: 9.0, harvest_to: 12.0 },
            EntryNote::Dense { per_square_inch: 36.25, advised_from: 10.0, advised_to: 12.0 },
            EntryNote::DoneBefore { tray: "K12".into(), stage: Stage::Light },
            EntryNote::NoTrayThere { place: None },
            EntryNote::FellWithIt { entries: vec![3, 5] },
        ],
    };
    vec![warm, garbled, journal(at(1), 1, Did::Mist(Target::default()), vec![taken])]
}

/// Every row of every table, as text.
fn whole(store: &Store) -> Vec<String> {
    let tables = ["reading", "event", "journal", "alarm", "letter", "outbox", "minute", "garbled", "delivery", "inbox"];
    let mut rows = Vec::new();
    for table in tables {
        let mut statement = store.connection.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns = statement.column_count();
        let mut found = statement.query([]).unwrap();
        while let Some(row) = found.next().unwrap() {
            let values = (0..columns).map(|column| format!("{:?}", row.get_ref(column).unwrap()));
            rows.push(format!("{table}: {}", values.collect::<Vec<_>>().join(" ")));
        }
    }
    rows
}

#[test]
fn the_same_records_committed_again_change_nothing() {
    let room = TestStore::new();
    let mut store = room.store();
    let records = full_record(&room.rules);
    store.commit(&records).unwrap();
    let once = whole(&store);
    assert_eq!(once.len(), 10, "{once:#?}");
    store.commit(&records).unwrap();
    assert_eq!(whole(&store), once);
}

#[test]
fn a_letter_that_was_sent_is_not_put_in_the_outbox_again_by_a_second_run() {
    let room = TestStore::new();
    let mut store = room.store();
    let records = full_record(&room.rules);
    store.commit(&records).unwrap();
    note(&store, &sent("alarm-1", "one"), at(5));
    note(&store, &sent("alarm-1", "two"), at(5));
    let mut again = records;
    again[0].letters[0].1[0].key.recipient = "another".into();
    store.commit(&again).unwrap();
    assert_eq!(store.waiting_parcels().unwrap(), []);
    assert_eq!(store.letter_progress("alarm-1").unwrap(), LetterProgress { waiting: 0, sent: 2, failed: 0 });
}

#[test]
fn a_batch_with_something_impossible_in_it_leaves_no_trace() {
    let room = TestStore::new();
    let mut store = room.store();
    let mut records = full_record(&room.rules);
    records.push(happening(at(9), 0, What::Reading(heard(99, 1.0))));
    let error = store.commit(&records).unwrap_err();
    assert!(error.to_string().contains("channel 99 is not one of the 4"), "{error}");
    assert_eq!(whole(&store), Vec::<String>::new());
    records.pop();
    store.commit(&records).unwrap();
}

#[test]
fn a_judgement_is_written_beside_its_reading() {
    let room = TestStore::new();
    let mut store = room.store();
    let late = RawReading::new(ChannelId(0), 21.5, Some(at(-3_600_000)), false).unwrap();
    let retained = RawReading::new(ChannelId(2), 20.0, None, true).unwrap();
    store
        .commit(&[
            reading(&room.rules, at(0), 0, late),
            reading(&room.rules, at(0), 1, heard(2, 85.0)),
            reading(&room.rules, at(0), 2, retained),
            happening(at(0), 3, What::Reading(heard(1, 50.0))),
        ])
        .unwrap();
    let mut statement =
        store.connection.prepare("SELECT measured_at, believed, flag, doubt, retained FROM reading_plain").unwrap();
    type Plain = (String, Option<f64>, String, Option<String>, bool);
    let rows: Vec<Plain> = statement
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let evening = "2026-03-03T18:00:00.000Z".to_owned();
    assert_eq!(
        rows,
        [
            ("2026-03-03T17:00:00.000Z".into(), Some(21.5), "good".into(), Some("late".into()), false),
            (evening.clone(), None, "fail".into(), Some("fault-code".into()), false),
            (evening.clone(), None, "unknown".into(), Some("retained".into()), true),
            (evening, None, "unknown".into(), None, false),
        ]
    );
}

#[test]
fn every_flag_and_doubt_fits_into_the_number_and_comes_back() {
    use crate::store::encode::{is_retained, pack_judgement, unpack_judgement};
    let doubts = [
        Doubt::Range,
        Doubt::FaultCode,
        Doubt::Spike,
        Doubt::Rate,
        Doubt::FlatLine,
        Doubt::Saturated,
        Doubt::Retained,
        Doubt::Late,
        Doubt::Duplicate,
        Doubt::Uncorrected,
    ];
    let mut seen = std::collections::BTreeSet::new();
    for flag in [Flag::Good, Flag::Unknown, Flag::Suspect, Flag::Fail, Flag::Missing] {
        for doubt in doubts.into_iter().map(Some).chain([None]) {
            for retained in [false, true] {
                let number = pack_judgement(flag, doubt, retained);
                assert!(seen.insert(number), "{number} stands for two things");
                assert_eq!((unpack_judgement(number), is_retained(number)), ((flag, doubt), retained));
            }
        }
    }
    assert_eq!(unpack_judgement(0).0, Flag::Unknown);
}

#[test]
fn a_jump_that_is_believed_later_is_believed_in_the_store_too() {
    let room = TestStore::new();
    let mut store = room.store();
    let raw = heard(0, 30.0);
    let doubted = Judgement { raw, flag: Flag::Unknown, reason: Some(Doubt::Spike), believed: None };
    let jump = Record::of(Event { at: at(0), what: What::Reading(raw) }, 0, vec![Effect::Judged(doubted)]);
    let mut next = reading(&room.rules, at(30_000), 0, raw);
    // The very same numbers twice: only their judgements tell the two readings apart.
    let mut second_thought = Judge::new(&room.rules, raw.channel).judge(at(0), raw);
    second_thought.flag = Flag::Suspect;
    second_thought.reason = Some(Doubt::Rate);
    next.effects.insert(0, Effect::Judged(second_thought));
    store.commit(std::slice::from_ref(&jump)).unwrap();
    store.roll_up_minutes(at(60_000)).unwrap();
    store.commit(&[next.clone()]).unwrap();
    let mut statement = store.connection.prepare("SELECT believed, flag, doubt FROM reading_plain").unwrap();
    let rows: Vec<(Option<f64>, String, Option<String>)> = statement
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let expected = [(Some(30.0), "suspect".into(), Some("rate".into())), (Some(30.0), "good".into(), None)];
    assert_eq!(rows, expected);
    // Its minute had been rolled up without it.
    let n: i64 = store.connection.query_row("SELECT sum(n) FROM minute", [], |row| row.get(0)).unwrap();
    assert_eq!(n, 1);
}

#[test]
fn alarms_come_back_as_they_were_and_the_last_change_is_how_it_stands() {
    let room = TestStore::new();
    let mut store = room.store();
    let changes = [AlarmState::Unacknowledged, AlarmState::Acknowledged, AlarmState::Normal];
    let mut record = happening(at(0), 0, What::Tick);
    record.effects = changes.map(|state| Effect::Alarm(too_warm(at(0), state))).to_vec();
    record.alarm_texts = vec!["first".into(), "second".into()];
    let mut other = too_warm(at(1), AlarmState::Shelved);
    other.key.subject = "rack-b".into();
    other.harm = None;
    let other = Record::of(Event { at: at(1), what: What::Tick }, 0, vec![Effect::Alarm(other)]);
    store.commit(&[record, other]).unwrap();
    let lines = room.reader().alarm_changes(at(0)).unwrap();
    let reported: Vec<_> = lines.iter().map(|line| (line.state, line.text.as_str())).collect();
    assert_eq!(
        reported,
        [
            (AlarmState::Unacknowledged, "first"),
            (AlarmState::Acknowledged, "second"),
            (AlarmState::Normal, ""),
            (AlarmState::Shelved, ""),
        ]
    );
    let change = too_warm(at(0), AlarmState::Unacknowledged);
    let line = &lines[0];
    assert_eq!(
        (&line.key, line.at, line.since, line.before, line.priority),
        (&change.key, change.at, change.since, change.before, change.priority)
    );
    assert_eq!((line.harm, line.next_round, line.times, &line.by), (change.harm, change.next_round, 2, &change.by));
    assert_eq!(lines[3].harm, None);
    let standing: Vec<_> =
        room.reader().alarms().unwrap().into_iter().map(|line| (line.key.subject, line.state)).collect();
    assert_eq!(standing, [("rack-a".to_owned(), AlarmState::Normal), ("rack-b".to_owned(), AlarmState::Shelved)]);
    assert_eq!(store.last_position().unwrap(), Some((at(1), 0)));
}

#[test]
fn the_journal_knows_what_was_taken_refused_and_struck() {
    let room = TestStore::new();
    let mut store = room.store();
    assert_eq!(store.next_journal_number().unwrap(), 1);
    let taken = |number| vec![Effect::EntryTaken { number, note: Vec::new() }];
    store.commit(&full_record(&room.rules)).unwrap();
    let refused = vec![Effect::EntryRefused { number: 2, why: EntryRefusal::NoName }];
    let refused =
        Record { refusal: Some("no such tray".into()), ..journal(at(2), 2, Did::Mist(Target::default()), refused) };
    store.commit(&[refused, journal(at(3), 3, Did::Strike { entry: 1, note: None }, taken(3))]).unwrap();
    assert_eq!(store.next_journal_number().unwrap(), 4);
    let lines = room.reader().journal(at(0)).unwrap();
    let fates: Vec<_> = lines.iter().map(|line| (line.number, line.refused.as_deref(), line.struck_by)).collect();
    assert_eq!(fates, [(1, None, Some(3)), (2, Some("no such tray"), None), (3, None, None)]);
    let Effect::EntryTaken { note, .. } = &full_record(&room.rules)[2].effects[0] else { panic!() };
    assert_eq!(&lines[0].note, note);
    assert_eq!(lines[2].entry.did, Did::Strike { entry: 1, note: None });
}

#[test]
fn a_mail_waits_until_it_is_taken_or_given_up() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&full_record(&room.rules)).unwrap();
    let waits = |store: &Store| -> Vec<(String, u32)> {
        let waiting = store.waiting_parcels().unwrap();
        waiting.into_iter().map(|waiting| (waiting.parcel.key.recipient, waiting.tries)).collect()
    };
    let first = store.waiting_parcels().unwrap().remove(0);
    assert_eq!((first.parcel, first.decided_at), (mail("alarm-1", "one"), at(0)));
    assert_eq!((first.subject.as_str(), first.text.as_str()), ("18h Rack A too warm", "Open the vent."));
    note(&store, &failed("one", "451 later", Some(at(60_000))), at(1));
    assert_eq!(waits(&store), [("one".to_owned(), 1), ("two".to_owned(), 0)]);
    note(&store, &sent("alarm-1", "two"), at(2));
    let mut gave_up = happening(at(3), 0, What::LetterFailed { letter: "alarm-1".into(), error: "550".into() });
    gave_up.outcomes = vec![failed("one", "550 no", None)];
    store.commit(&[gave_up]).unwrap();
    // A late "failed" cannot take back what the server took.
    note(&store, &failed("two", "timeout", None), at(4));
    let progress = LetterProgress { waiting: 0, sent: 1, failed: 1 };
    assert_eq!(store.letter_progress("alarm-1").unwrap(), progress);
    assert_eq!(waits(&store), []);
    let letters = room.reader().letters(at(0)).unwrap();
    assert_eq!((letters[0].progress, letters[0].subject.as_str()), (progress, "18h Rack A too warm"));
    assert_eq!(letters[0].answers.as_deref(), Some("alarm-0"));
    assert_eq!(room.reader().letters(at(1)).unwrap(), []);
}

#[test]
fn letters_told_by_another_end_with_it_and_are_known_after_a_restart() {
    let room = TestStore::new();
    let mut store = room.store();
    store.commit(&full_record(&room.rules)).unwrap();
    let reported = |recipient: &str| StoredOutcome::ToldBy { key: key("alarm-1", recipient), letter: "held-up".into() };
    let mut gathered = happening(at(3), 0, What::Tick);
    gathered.letters = vec![(letter("held-up", at(3)), vec![mail("held-up", "one"), mail("held-up", "two")])];
    gathered.outcomes = vec![reported("one"), reported("two")];
    store.commit(&[gathered]).unwrap();
    drop(store);
    let store = room.store();
    let waiting = store.waiting_parcels().unwrap();
    assert_eq!(waiting.len(), 2);
    assert!(waiting.iter().all(|waiting| waiting.tells.contains("alarm-1")), "{waiting:?}");
    assert_eq!(store.letter_progress("alarm-1").unwrap(), LetterProgress { waiting: 2, sent: 0, failed: 0 });
    note(&store, &sent("held-up", "one"), at(4));
    note(&store, &StoredOutcome::Failed { key: key("held-up", "two"), error: "550".into(), not_before: None }, at(4));
    assert_eq!(store.letter_progress("alarm-1").unwrap(), LetterProgress { waiting: 0, sent: 1, failed: 1 });
}

#[test]
fn a_lamp_that_has_not_heard_of_the_end_is_told_after_a_restart() {
    let room = TestStore::new();
    let mut store = room.store();
    let lamp = ParcelKey { letter: "air@1".into(), carrier: CarrierName::Lamp, recipient: "alarm/air".into() };
    let mut over = happening(at(3), 0, What::Tick);
    over.parcels = vec![Parcel { key: lamp.clone(), message_id: None, bytes: Vec::new() }];
    store.commit(&[over]).unwrap();
    drop(store);
    let store = room.store();
    assert_eq!(
        store.waiting_parcels().unwrap()[0].parcel,
        Parcel { key: lamp.clone(), message_id: None, bytes: Vec::new() }
    );
    note(&store, &StoredOutcome::Sent(lamp), at(4));
    assert_eq!(store.waiting_parcels().unwrap(), []);
}

#[test]
fn a_message_delivered_again_is_known_until_it_is_forgotten() {
    let room = TestStore::new();
    let mark = |packet_id| StoredDelivery { packet_id, hash: u32::MAX - u32::from(packet_id) };
    let message = |nth: i64| {
        let packet_id = nth as u16;
        let mut first = reading(&room.rules, at(nth * 10), 0, heard(0, 20.0));
        first.delivery = Some(mark(packet_id));
        // Its second value, and one of another sensor that speaks at QoS 0.
        [
            first,
            reading(&room.rules, at(nth * 10), 1, heard(1, 55.0)),
            reading(&room.rules, at(nth * 10 + 5), 0, heard(0, 20.0)),
        ]
    };
    let mut garbled = happening(at(45), 0, What::BrokerUp);
    garbled.delivery = Some(mark(500));
    let mut store = room.store();
    store.commit(&(1..=4).flat_map(message).chain([garbled]).collect::<Vec<_>>()).unwrap();
    let known = |room: &TestStore| room.store().deliveries().unwrap();
    assert_eq!(store.deliveries().unwrap(), [1, 2, 3, 4, 500].map(mark));
    store.commit_and_forget(&message(5), false, &[mark(1), mark(3)]).unwrap();
    assert_eq!(store.deliveries().unwrap(), [2, 3, 4, 500, 5].map(mark), "back to the oldest that counts");
    drop(store);
    assert_eq!(known(&room), [2, 3, 4, 500, 5].map(mark), "a start knows the same");
    let mut store = room.store();
    store.commit_and_forget(&message(6), false, &[2, 3, 4, 5, 500].map(mark)).unwrap();
    assert_eq!(known(&room), [mark(6)]);
    store.commit_and_forget(&message(7), true, &[]).unwrap();
    assert_eq!(known(&room), [mark(7)], "packet ids began anew");
}

#[test]
fn only_the_newest_thousand_garbled_messages_stay_with_their_first_bytes() {
    let room = TestStore::new();
    let mut store = room.store();
    let garbled = |nth: i64| {
        let mut record = happening(at(nth), 0, What::Garbled { sensor: None, reason: Garbled::NotReadable });
        record.rejected = Some(Rejected { topic: nth.to_string(), payload: vec![7; 300] });
        record
    };
    store.commit(&(0..700).map(garbled).collect::<Vec<_>>()).unwrap();
    store.commit(&(700..1_300).map(garbled).collect::<Vec<_>>()).unwrap();
    let lines = room.reader().garbled(5_000).unwrap();
    assert_eq!(lines.len(), 1_000);
    assert_eq!((lines[0].topic.as_str(), lines[999].topic.as_str()), ("1299", "300"));
    assert_eq!((lines[0].size, lines[0].payload.len(), lines[0].reason.as_str()), (300, 256, "not-readable"));
}

#[test]
fn what_another_process_puts_into_the_inbox_is_taken_once_and_answered() {
    let room = TestStore::new();
    let mut store = room.store();
    assert!(!store.changed_outside().unwrap());
    store.commit(&full_record(&room.rules)).unwrap();
    assert!(!store.changed_outside().unwrap(), "our own commits are no news");
    let mut inbox = Inbox::open(&room.path()).unwrap();
    let id = inbox.put(at(10), InboxKind::Journal, r#"{"did":"mist"}"#).unwrap();
    let odd = inbox.put(at(11), InboxKind::Command, "nonsense").unwrap();
    assert!(store.changed_outside().unwrap());
    assert!(!store.changed_outside().unwrap());
    let items = store.inbox().unwrap();
    assert_eq!(
        items.iter().map(|item| (item.id, item.kind)).collect::<Vec<_>>(),
        [(id, InboxKind::Journal), (odd, InboxKind::Command)]
    );
    assert_eq!((items[0].at, items[0].body.as_str()), (at(10), r#"{"did":"mist"}"#));
    assert_eq!(inbox.answer(id).unwrap(), None);
    let mut record = journal(at(12), 2, Did::Mist(Target::default()), Vec::new());
    record.inbox = Some(InboxAnswer { id, answer: "entry 2".into(), entry: Some(2) });
    store.commit(&[record]).unwrap();
    store.answer_inbox(&InboxAnswer { id: odd, answer: "not a command".into(), entry: None }, at(13)).unwrap();
    store.answer_inbox(&InboxAnswer { id: odd, answer: "changed my mind".into(), entry: None }, at(14)).unwrap();
    assert_eq!(inbox.answer(id).unwrap().as_deref(), Some("entry 2"));
    assert_eq!(inbox.answer(odd).unwrap().as_deref(), Some("not a command"));
    assert_eq!(store.inbox().unwrap(), []);
}

#[test]
fn a_tap_that_is_sent_again_counts_once_and_knows_the_entry_it_became() {
    let room = TestStore::new();
    let mut store = room.store();
    let mut inbox = Inbox::open(&room.path()).unwrap();
    let id = inbox.put_once(at(10), InboxKind::Journal, r#"{"did":"mist"}"#, "tap-1").unwrap();
    assert_eq!(inbox.put_once(at(11), InboxKind::Journal, r#"{"did":"mist"}"#, "tap-1").unwrap(), id);
    let other = inbox.put_once(at(12), InboxKind::Journal, r#"{"did":"mist"}"#, "tap-2").unwrap();
    assert_ne!(other, id);
    assert_eq!(store.inbox().unwrap().len(), 2);
    assert_eq!(inbox.fate(id).unwrap(), Some(InboxFate::Waits));
    assert_eq!(inbox.fate(99).unwrap(), None);
    let mut record = journal(at(13), 7, Did::Mist(Target::default()), Vec::new());
    record.inbox = Some(InboxAnswer { id, answer: "taken".into(), entry: Some(7) });
    store.commit(&[record]).unwrap();
    let answered = Some(InboxFate::Answered { answer: "taken".into(), entry: Some(7) });
    assert_eq!(inbox.fate(id).unwrap(), answered);
    // Also after it was taken.
    assert_eq!(inbox.put_once(at(14), InboxKind::Journal, r#"{"did":"mist"}"#, "tap-1").unwrap(), id);
    assert_eq!(inbox.fate(id).unwrap(), answered);
    assert_eq!(store.inbox().unwrap().len(), 1);
}
