//! The ledger without a store: the test says what became of each batch.

use super::*;
use crate::engine::event::Event;
use crate::engine::quality::judgement::Judgement;
use crate::notify::letter::{CarrierName, Letter, Parcel, ParcelKey};
use crate::reading::{ChannelId, Flag, RawReading};
use std::sync::mpsc::Receiver;

/// A ledger without a store: the test says what became of each batch.
fn ledger() -> (Ledger, Receiver<Batch>) {
    let (jobs, batches) = std::sync::mpsc::channel();
    (Ledger::of(jobs), batches)
}

fn record(what: What) -> Record {
    Record::of(Event { at: Timestamp::UNIX_EPOCH, what }, 0, Vec::new())
}

fn reading(number: usize) -> Record {
    record(What::Reading(RawReading::new(ChannelId(0), number as f64, None, false).expect("a number")))
}

fn letter() -> Record {
    let mut record = record(What::Tick);
    let letter = Letter {
        id: "alarm-1".into(),
        at: Timestamp::UNIX_EPOCH,
        kind: crate::engine::event::LetterKind::Alarm,
        answers: None,
        subject: "Now: tank empty".into(),
        text: String::new(),
        html: String::new(),
        pictures: Vec::new(),
    };
    let key = ParcelKey {
        carrier: CarrierName::Mail,
        letter: "alarm-1".into(),
        recipient: "grower@saltmarsh.example".into(),
    };
    let parcel = Parcel { key, message_id: Some("1@saltmarsh.example".into()), bytes: Vec::new() };
    record.letters.push((letter, vec![parcel]));
    record
}

fn receipt(packet_id: u16) -> Receipt {
    Receipt { epoch: 1, packet_id }
}

fn failed(Batch { records, forgotten, .. }: Batch) -> Written {
    Written { records, forgotten, news: News::default(), error: Some(StoreError::Full { path: "room.db".into() }) }
}

fn written(Batch { records, forgotten, .. }: Batch) -> Written {
    Written { records, forgotten, news: News::default(), error: None }
}

#[test]
fn a_broker_that_waits_for_its_answer_is_answered_at_once() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    for packet_id in 1..20 {
        ledger.acknowledge_with_next(receipt(packet_id));
        ledger.flush(now, Timestamp::UNIX_EPOCH, false, Forgotten::default, || None);
    }
    assert!(batches.try_recv().is_err(), "a calm room is written down every few seconds");
    ledger.acknowledge_with_next(receipt(20));
    ledger.flush(now, Timestamp::UNIX_EPOCH, false, Forgotten::default, || None);
    let batch = batches.try_recv().expect("a commit is on its way");
    assert_eq!(ledger.settle(now, &mut written(batch)).receipts.len(), 20);
}

#[test]
fn what_a_failed_commit_held_comes_again_with_the_next_in_its_order() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    for packet_id in 1..=2 {
        ledger.add(reading(packet_id.into()), None, false);
        ledger.acknowledge_with_next(receipt(packet_id));
    }
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    ledger.add(reading(3), None, false);
    ledger.acknowledge_with_next(receipt(3));
    let released = ledger.settle(now, &mut failed(batches.try_recv().expect("a commit")));
    assert!(released.receipts.is_empty(), "nothing is acknowledged that is not written");
    assert_eq!(ledger.unsaved(), 3);
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    let batch = batches.try_recv().expect("the next commit");
    assert_eq!(batch.records.iter().map(|it| &it.record).collect::<Vec<_>>(), [&reading(1), &reading(2), &reading(3)]);
    let released = ledger.settle(now, &mut written(batch));
    assert_eq!(released.receipts, [receipt(1), receipt(2), receipt(3)]);
    assert!(ledger.is_empty());
}

#[test]
fn what_the_engine_remembers_goes_with_a_batch_behind_which_nothing_waits() {
    use crate::engine::Engine;
    let room = include_str!("../../../config/traywarden.toml");
    let config = crate::config::parse(room, "room.toml", std::path::Path::new("/")).expect("the example is right");
    let engine = Engine::new(Arc::new(config.rules), Timestamp::UNIX_EPOCH);
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    for number in 0..=MOST_A_COMMIT {
        ledger.add(reading(number), None, false);
    }
    let kept = [(); 2].map(|()| {
        let state = || EngineState::of(&engine, (Timestamp::UNIX_EPOCH, 0));
        ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, state);
        let batch = batches.try_recv().expect("a commit");
        let kept = batch.state.is_some();
        ledger.settle(now, &mut written(batch));
        kept
    });
    assert_eq!(kept, [false, true], "the engine has taken in what the first batch lacks");
}

#[test]
fn a_store_that_fails_for_ten_seconds_holds_up_no_message_and_no_letter() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    ledger.acknowledge_with_next(receipt(1));
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    ledger.settle(now, &mut failed(batches.try_recv().expect("a commit")));
    assert!(ledger.overdue(now).receipts.is_empty(), "a moment is waited for");
    let later = now + PATIENCE;
    ledger.add(letter(), None, true);
    ledger.acknowledge_with_next(receipt(2));
    let overdue = ledger.overdue(later);
    assert_eq!(overdue.receipts, [receipt(1), receipt(2)]);
    assert_eq!(overdue.posted.len(), 1, "an unsaved alarm is better than a saved silence");
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    let released = ledger.settle(now, &mut written(batches.try_recv().expect("the next commit")));
    assert!(released.receipts.is_empty() && released.posted.is_empty(), "none of it goes out twice");
    assert!(ledger.is_empty());
}

#[test]
fn a_disk_that_does_not_answer_holds_up_nothing_either() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    ledger.add(letter(), None, true);
    ledger.acknowledge_with_next(receipt(1));
    ledger.flush(now, Timestamp::UNIX_EPOCH, false, Forgotten::default, || None);
    let later = now + PATIENCE;
    assert!(!ledger.is_stalled(now) && ledger.is_stalled(later));
    ledger.acknowledge_with_next(receipt(2));
    let overdue = ledger.overdue(later);
    assert_eq!((overdue.receipts.len(), overdue.posted.len()), (2, 1));
    let released = ledger.settle(now, &mut written(batches.try_recv().expect("it answers at last")));
    assert!(released.receipts.is_empty() && released.posted.is_empty());
    assert!(!ledger.is_stalled(later));
}

#[test]
fn a_process_that_was_stopped_does_not_take_its_disk_for_dead() {
    let (mut ledger, _batches) = ledger();
    let now = tokio::time::Instant::now();
    ledger.add(letter(), None, true);
    ledger.flush(now, Timestamp::UNIX_EPOCH, false, Forgotten::default, || None);
    assert!(ledger.overdue(now).posted.is_empty());
    let continued = now + Duration::from_secs(3_600);
    assert!(ledger.overdue(continued).posted.is_empty());
    assert!(!ledger.is_stalled(continued), "nobody could write in that hour");
    let turns = (1..=10).map(|second| ledger.overdue(continued + Duration::from_secs(second)).posted.len());
    assert_eq!(turns.sum::<usize>(), 1, "but then it does not answer");
}

#[test]
fn the_oldest_readings_go_first_whole_messages_at_a_time_and_letters_never() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    ledger.add(letter(), None, true);
    let mut numbers = 0;
    while ledger.lost() == 0 {
        let message = ledger.next_message();
        for _ in 0..4 {
            ledger.add(reading(numbers), Some(message), false);
            numbers += 1;
        }
    }
    assert!(ledger.waiting.len() <= MOST_WAITING, "{}", ledger.waiting.len());
    assert_eq!(ledger.unsaved() + ledger.lost(), numbers as u64, "what is given up is counted");
    assert_eq!(ledger.lost() % 4, 0, "a message is not torn");
    assert!(ledger.lost() <= MOST_WAITING as u64 / 10 + 4, "no more than a tenth goes: {}", ledger.lost());
    let first = ledger.waiting.iter().find(|it| is_reading(&it.record)).map(|it| it.record.clone());
    assert_eq!(first, Some(reading(ledger.lost() as usize)), "the newest stay");
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    let batch = batches.try_recv().expect("a commit");
    assert_eq!(batch.records[0].record, letter());
}

#[test]
fn a_flood_of_entries_while_the_store_fails_is_bounded() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    let entry = |number| {
        let entry = serde_json::from_str(r#"{"did":"refill"}"#).expect("an entry");
        record(What::Journal { number, entry })
    };
    for number in 1..=MOST_ENTRIES as i64 {
        ledger.add(entry(number), None, true);
    }
    assert!(ledger.has_room_for_entries(), "a store that works takes them all");
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    ledger.settle(now, &mut failed(batches.try_recv().expect("a commit")));
    assert!(!ledger.has_room_for_entries());
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    ledger.settle(now, &mut written(batches.try_recv().expect("the next commit")));
    assert!(ledger.has_room_for_entries(), "what is written makes room");
}

#[test]
fn whoever_leaves_waits_for_every_record_answer_and_commit() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    assert!(ledger.is_empty());
    ledger.acknowledge_with_next(receipt(1));
    assert!(!ledger.is_empty(), "the broker waits for its answer");
    ledger.overdue(now);
    let mut alone = self::ledger().0;
    alone.add(reading(1), None, false);
    assert!(!alone.is_empty(), "a record is in memory alone");
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    assert!(!ledger.is_empty(), "a commit is on its way");
    ledger.settle(now, &mut written(batches.try_recv().expect("a commit")));
    assert!(ledger.is_empty());
}

#[test]
fn a_store_is_counted_on_unless_it_fails_or_does_not_answer() {
    let (mut ledger, batches) = ledger();
    let now = tokio::time::Instant::now();
    assert!(ledger.is_being_written(now));
    ledger.add(reading(1), None, false);
    ledger.flush(now, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    let later = now + PATIENCE;
    assert!(ledger.is_being_written(now) && !ledger.is_being_written(later), "it does not answer");
    ledger.settle(later, &mut failed(batches.try_recv().expect("a commit")));
    assert!(!ledger.is_being_written(later), "it fails");
    ledger.flush(later, Timestamp::UNIX_EPOCH, true, Forgotten::default, || None);
    ledger.settle(later, &mut written(batches.try_recv().expect("the next commit")));
    assert!(ledger.is_being_written(later));
}

#[test]
fn what_was_told_done_or_asked_is_never_given_up() {
    let alarm = Effect::EntryTaken { number: 1, note: Vec::new() };
    let parcel = letter().letters.remove(0).1.remove(0);
    let sent = crate::store::StoredOutcome::Sent(parcel.key.clone());
    let answer = crate::store::InboxAnswer { id: 1, answer: "taken".into(), entry: None };
    let raw = RawReading::new(ChannelId(0), 21.0, None, false).expect("a number");
    let judged = Effect::Judged(Judgement { raw, flag: Flag::Good, reason: None, believed: None });
    let precious = [
        Record { effects: vec![judged.clone(), alarm], ..reading(1) },
        Record { outcomes: vec![sent], ..reading(2) },
        Record { parcels: vec![parcel], ..reading(3) },
        Record { inbox: Some(answer), ..reading(4) },
        record(What::StoreRecovered),
        letter(),
    ];
    let (mut ledger, _batches) = ledger();
    ledger.add(Record { effects: vec![judged], ..reading(0) }, None, false);
    for record in &precious {
        ledger.add(record.clone(), None, false);
    }
    while ledger.lost() == 0 {
        ledger.add(reading(9), None, false);
    }
    let oldest: Vec<&Record> = ledger.waiting.iter().take(precious.len()).map(|it| &it.record).collect();
    assert_eq!(oldest, precious.iter().collect::<Vec<_>>(), "a reading that was judged goes");
    ledger.forget_losses();
    assert_eq!(ledger.lost(), 0, "what was told as lost is not told again");
}

#[test]
fn a_message_that_raised_an_alarm_stays_whole() {
    let (mut ledger, _batches) = ledger();
    let message = ledger.next_message();
    let mut alarming = reading(1);
    alarming.letters = letter().letters;
    ledger.add(reading(0), Some(message), false);
    ledger.add(alarming, Some(message), true);
    while ledger.lost() == 0 {
        ledger.add(reading(9), None, false);
    }
    assert_eq!(ledger.waiting[0].record, reading(0));
}

#[test]
fn records_of_no_message_are_bounded_too() {
    let (mut ledger, _batches) = ledger();
    for _ in 0..MOST_WAITING * 2 {
        ledger.add(record(What::BrokerDown), None, false);
    }
    assert!(ledger.waiting.len() <= MOST_WAITING);
    assert_eq!(ledger.lost(), 0, "they are no readings");
}
