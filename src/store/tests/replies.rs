//! Replies: how far the mailbox was read, whose letter is answered, what is asked for.

use super::*;
use crate::engine::event::LetterKind;
use crate::notify::letter::{CarrierName, Letter, Parcel, ParcelKey};
use crate::store::{InboxKind, MailboxPosition, Replies, ReplyFate};

fn with_a_letter(room: &TestStore) -> Replies {
    let mut store = room.store();
    let letter = Letter {
        id: "alarm-1".into(),
        kind: LetterKind::Alarm,
        at: at(1_000),
        answers: None,
        subject: "Now: tank empty".into(),
        text: "Fill it.".into(),
        html: String::new(),
        pictures: Vec::new(),
    };
    let mail = Parcel {
        key: ParcelKey {
            letter: "alarm-1".into(),
            carrier: CarrierName::Mail,
            recipient: "grower@saltmarsh.example".into(),
        },
        message_id: Some("<alarm-1.5eed@saltmarsh.example>".into()),
        bytes: b"mail".to_vec(),
    };
    let mut record = happening(at(1_000), 0, What::BrokerUp);
    record.letters.push((letter, vec![mail]));
    store.commit(&[record]).unwrap();
    store.connection.execute("INSERT INTO letter_alarm VALUES ('alarm-1', 'reservoir-empty', 'tank')", []).unwrap();
    store.close().unwrap();
    Replies::open(&room.path()).unwrap()
}

#[test]
fn a_letter_is_found_by_its_message_id_and_by_whom_it_went_to() {
    let room = TestStore::new();
    let replies = with_a_letter(&room);
    let ids = ["other@x".to_owned(), "alarm-1.5eed@saltmarsh.example".to_owned()];
    let found = replies.mail_of_ids(&ids).unwrap().unwrap();
    assert_eq!((found.letter.as_str(), found.recipient.as_str()), ("alarm-1", "grower@saltmarsh.example"));
    assert_eq!(replies.mail_of_ids(&ids[..1]).unwrap(), None);
    assert_eq!(replies.mails_to("Grower@saltmarsh.example", at(0)).unwrap(), [found]);
    assert!(replies.mails_to("grower@saltmarsh.example", at(2_000)).unwrap().is_empty());
    assert_eq!(replies.alarms_of("alarm-1").unwrap()[0].id(), "reservoir-empty:tank");
}

#[test]
fn what_a_reply_asks_for_is_in_the_inbox_and_its_mail_is_known_again() {
    let room = TestStore::new();
    let mut replies = with_a_letter(&room);
    let reply = replies.begin(at(5_000), "r1@phone", "grower@saltmarsh.example").unwrap();
    let asked = [(InboxKind::Journal, "{\"did\":\"water\"}".to_owned()), (InboxKind::Command, "{}".to_owned())];
    let numbers = replies.settle(reply, Some("alarm-1"), ReplyFate::Taken, at(5_001), &asked).unwrap();
    assert!(replies.knows("r1@phone").unwrap() && !replies.knows("r2@phone").unwrap());
    let waiting = room.store().inbox().unwrap();
    assert_eq!(waiting.iter().map(|item| item.id).collect::<Vec<_>>(), numbers);
    assert_eq!((waiting[0].kind, waiting[0].body.as_str()), (InboxKind::Journal, "{\"did\":\"water\"}"));
    assert_eq!(replies.lost().unwrap(), 0);
    replies.begin(at(6_000), "r2@phone", "grower@saltmarsh.example").unwrap();
    assert_eq!((replies.lost().unwrap(), replies.lost().unwrap()), (1, 0), "said once");
}

#[test]
fn an_answer_tells_of_the_same_alarms_and_there_are_so_many_an_hour() {
    let room = TestStore::new();
    let mut replies = with_a_letter(&room);
    for number in 0..3 {
        let reply = replies.begin(at(5_000 + number), &format!("r{number}@phone"), "a@b").unwrap();
        let ours = format!("answer-{number}");
        let may = replies.may_answer(reply, at(6_000), at(0), 2, ("alarm-1", &ours)).unwrap();
        assert_eq!(may, number < 2);
        assert_eq!(replies.alarms_of(&ours).unwrap().len(), usize::from(may));
    }
}

#[test]
fn refused_replies_are_counted_by_time_and_the_key_stays_the_same() {
    let room = TestStore::new();
    let mut replies = with_a_letter(&room);
    for (number, fate) in [ReplyFate::NoMark, ReplyFate::Stranger, ReplyFate::Taken].into_iter().enumerate() {
        let when = at(5_000 + number as i64 * 1_000);
        let reply = replies.begin(when, &format!("r{number}"), "a@b").unwrap();
        replies.settle(reply, None, fate, when, &[]).unwrap();
    }
    let reader = room.reader();
    assert_eq!(reader.refused_replies(at(0), at(60_000)).unwrap(), 2);
    assert_eq!(reader.refused_replies(at(5_500), at(60_000)).unwrap(), 1);
    assert_eq!(reader.mark_key().unwrap(), None);
    let mut store = room.store();
    assert_eq!(store.mark_key([7; 32]).unwrap(), [7; 32]);
    assert_eq!(store.mark_key([8; 32]).unwrap(), [7; 32]);
    assert_eq!(reader.mark_key().unwrap(), Some([7; 32]));
}

#[test]
fn the_mailbox_is_remembered_by_its_validity_and_number() {
    let room = TestStore::new();
    let mut replies = with_a_letter(&room);
    assert_eq!(replies.position("warden@host/INBOX").unwrap(), None);
    for uid in [4, 9] {
        let position = MailboxPosition { validity: 77, uid, at: at(1_000) };
        replies.move_to("warden@host/INBOX", position).unwrap();
        assert_eq!(replies.position("warden@host/INBOX").unwrap(), Some(position));
    }
}
