//! Answers from bed: the real daemon, a real mail server and a real mailbox. A letter goes
//! out, a reply comes back as a mail program writes it, and the room knows.
//! Needs dovecot-imapd, mosquitto, python3 with aiosmtpd, and openssl.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;
mod dovecot;
#[path = "../mail/server.rs"]
#[expect(dead_code, reason = "shared with tests/mail, which uses the rest")]
mod mail_server;
#[path = "../daemon/room.rs"]
#[expect(dead_code, reason = "shared with tests/daemon, which uses the rest")]
mod room;

use dovecot::Dovecot;
use mail_server::MailServer;
use room::{Room, broker, publish, retained, wait_for};
use serde_json::Value;
use traywarden::engine::event::{Event, LetterKind, What};
use traywarden::marks::MarkKey;
use traywarden::notify::carrier::Carrier;
use traywarden::notify::letter::Letter as Written;
use traywarden::notify::postman::Postman;
use traywarden::store::{Record, Store};

const GROWER: &str = "Ada Grower <grower@saltmarsh.example>";
const LAMP: &str = "traywarden/saltmarsh-lane/alarm/reservoir-empty/tank";

/// Everything that stands on the way from a reading to an answer.
struct Stage {
    broker: broker_server::Server,
    mail: MailServer,
    mailbox: Dovecot,
    room: Room,
}

impl Stage {
    fn set() -> Stage {
        Stage::set_with(|_| {})
    }

    /// With a letter on its way from the start: an alarm takes a minute or more.
    fn set_with_a_letter() -> (Stage, Letter) {
        let stage = Stage::set_with(put_a_letter);
        let letter = wait_for("the letter", || stage.mail.taken().into_iter().next());
        (stage, Letter(letter))
    }

    fn set_with(prepare: impl FnOnce(&Room)) -> Stage {
        let broker = broker();
        let mail = MailServer::started("implicit");
        let mailbox = Dovecot::started(&mail);
        let mut room = Room::new(broker.port, Some(&mail));
        room.edit("[alarm.reservoir-empty]", &format!("{}[alarm.reservoir-empty]", mailbox.settings()));
        prepare(&room);
        room.start(&broker);
        wait_for("the mailbox to be read", || room.log().contains("replies are read").then_some(()));
        Stage { broker, mail, mailbox, room }
    }

    fn journal(&self) -> String {
        String::from_utf8(self.room.verb(&["log", "--list"]).stdout).unwrap()
    }

    /// The tank runs empty; the letter that tells of it.
    fn empty_tank(&self) -> Letter {
        let empty: Vec<_> = (0..3).map(|_| ("loft/tank/distance", "385".to_owned())).collect();
        publish(self.broker.port, &empty);
        Letter(wait_for("the letter", || self.mail.taken().into_iter().next()))
    }

    fn lamp(&self) -> String {
        let shown: Value = serde_json::from_str(&retained(self.broker.port, LAMP)).unwrap_or_default();
        shown["state"].as_str().unwrap_or_default().to_owned()
    }

    fn fates(&self) -> Vec<String> {
        let connection = rusqlite::Connection::open(&self.room.store).unwrap();
        let mut statement = connection.prepare("SELECT fate FROM reply ORDER BY id").unwrap();
        statement.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    }

    /// A mail of nobody's interest, read after all before it: when the mailbox stands behind
    /// it, those have been looked at.
    fn all_is_looked_at(&self) {
        self.mailbox.append("From: Somebody <somebody@elsewhere.example>\nSubject: hello\nMessage-ID: <h@e>\n\nHi.\n");
        let last: i64 = self.flags().lines().last().unwrap().split(' ').next().unwrap().parse().unwrap();
        wait_for("everything to be looked at", || {
            let connection = rusqlite::Connection::open(&self.room.store).unwrap();
            let uid: i64 = connection.query_row("SELECT uid FROM mailbox", [], |row| row.get(0)).unwrap_or(0);
            (uid >= last && !self.fates().contains(&"reading".to_owned())).then_some(())
        });
    }

    fn flags(&self) -> String {
        self.mailbox.seen_by_others("flags", "")
    }
}

/// Leaves a letter in the store that the daemon finds unsent when it starts.
fn put_a_letter(room: &Room) {
    let config =
        traywarden::config::load(&room.folder.path().join("room.toml")).unwrap_or_else(|error| panic!("{error}"));
    let now = traywarden::clock::Clock::system().now();
    let (mut store, _) = Store::open(&room.store, &config.rules, now).unwrap();
    let key = MarkKey::new(&store.mark_key(MarkKey::fresh().unwrap()).unwrap());
    let id = "alarm-1772590200-reservoir-empty-tank".to_owned();
    let code = key.code(&id);
    let letter = Written {
        id,
        kind: LetterKind::Alarm,
        at: now,
        answers: None,
        subject: "Now: tank empty - refill 18 L".into(),
        text: format!("Fill the tank: 18 L.\n\nMark of this letter: {code}. Leave it in.\n"),
        html: "<p>Fill the tank.</p>".into(),
        pictures: Vec::new(),
    };
    let mails = Postman::new(&config.mail, "Saltmarsh Lane", &key).letter(&letter);
    let mut record = Record::of(Event { at: now, what: What::Tick }, 0, Vec::new());
    record.letters.push((letter, mails));
    store.commit(&[record]).unwrap();
    store.close().unwrap();
}

/// A letter as the mail server took it.
struct Letter(Value);

impl Letter {
    fn id(&self) -> &str {
        self.0["headers"]["Message-ID"].as_str().unwrap()
    }

    fn text(&self) -> String {
        self.0["body"]["parts"][0]["text"].as_str().unwrap().replace("\r\n", "\n")
    }

    fn code(&self) -> String {
        let text = self.text();
        text.split("Mark of this letter: ").nth(1).unwrap()[..9].to_owned()
    }

    /// A reply as a common mail program writes it: the answer on top, all of it quoted below.
    fn reply(&self, number: u32, from: &str, words: &str) -> String {
        let quoted: String = self.text().lines().map(|line| format!("> {line}\n")).collect();
        format!(
            "From: {from}\nTo: Saltmarsh Lane <warden@saltmarsh.example>\nSubject: Re: {}\nMessage-ID: <r{number}@phone.example>\n\
             In-Reply-To: {id}\nReferences: {id}\nMIME-Version: 1.0\nContent-Type: text/plain; charset=utf-8\n\n\
             {words}\n\nOn Thu, 26 Nov 2026 at 03:10, Saltmarsh Lane <\nwarden@saltmarsh.example> wrote:\n\n{quoted}",
            self.0["headers"]["Subject"].as_str().unwrap(),
            id = self.id(),
        )
    }
}

#[test]
fn a_reply_from_bed_is_seen_logged_or_answered_and_the_mailbox_is_as_it_was() {
    let stage = Stage::set();
    let letter = stage.empty_tank();
    assert!(letter.text().contains("reply \"seen\"") && !letter.text().contains("traywarden alarms"));
    let begun = tokio::time::Instant::now();
    stage.mailbox.append(&letter.reply(1, GROWER, "Seen.\nnote \"fan moved\""));
    wait_for("the lamp to be quiet", || (stage.lamp() == "acknowledged").then_some(()));
    println!("from a reply to \"seen\" on the lamp: {:.1} s", begun.elapsed().as_secs_f64());
    let listed = wait_for("the entry", || Some(stage.journal()).filter(|listed| listed.contains("note")));
    assert!(listed.contains("fan moved") && listed.contains("grower@saltmarsh.example"), "{listed}");
    let lamp: Value = serde_json::from_str(&retained(stage.broker.port, LAMP)).unwrap();
    assert!(lamp["text"].as_str().unwrap().contains("grower@saltmarsh.example"), "{lamp}");

    // What is not understood is answered once, into the thread, and never to a program.
    let before = stage.mail.taken().len();
    let unclear = letter.reply(2, GROWER, "watter rack-a 118ml");
    stage.mailbox.append(&unclear);
    let answer = Letter(wait_for("the answer", || stage.mail.taken().into_iter().nth(before)));
    assert_eq!(answer.0["headers"]["Auto-Submitted"], "auto-replied");
    assert_eq!(answer.0["headers"]["In-Reply-To"], "<r2@phone.example>");
    assert_eq!(answer.0["headers"]["References"], format!("{} <r2@phone.example>", letter.id()));
    assert!(answer.text().contains("did you mean water?"), "{}", answer.text());
    stage.mailbox.append(&unclear);
    stage.mailbox.append(&answer.reply(3, GROWER, "note again"));
    stage.all_is_looked_at();
    assert_eq!(stage.fates(), ["taken", "not-understood", "taken"], "the second copy of a mail is known");
    assert_eq!(stage.mail.taken().iter().filter(|mail| mail["headers"]["Auto-Submitted"] == "auto-replied").count(), 1);

    // Python's mail program and the server's own threading find what belongs together.
    for mail in stage.mail.taken().iter().skip(1) {
        assert_eq!(mail["defects"].as_array().unwrap().len(), 0);
    }
    let threads = stage.mailbox.seen_by_others("thread", "");
    assert!(threads.contains("1 2") || threads.contains("(1)(2"), "{threads}");
    // Nothing was marked as read, answered, or deleted.
    let flags = stage.flags();
    assert!(!flags.contains("Seen") && !flags.contains("Answered") && !flags.contains("Deleted"), "{flags}");
    assert_eq!(flags.lines().count(), 5);
}

#[test]
fn programs_strangers_and_mails_without_a_mark_answer_nothing() {
    let (stage, letter) = Stage::set_with_a_letter();
    let entry = letter.reply(1, GROWER, "note forged");
    let with = |header: &str| entry.replace("MIME-Version: 1.0", &format!("{header}\nMIME-Version: 1.0"));
    for header in [
        "Auto-Submitted: auto-replied",
        "Auto-Submitted: auto-generated (vacation)",
        "Precedence: bulk",
        "Precedence: list",
        "List-Id: <growers.elsewhere.example>",
        "Return-Path: <>",
    ] {
        stage.mailbox.append(&with(header));
    }
    stage.mailbox.append(&entry.replace("text/plain; charset=utf-8", "multipart/report; report-type=delivery-status"));
    stage.mailbox.append(&letter.reply(2, "Stranger <stranger@elsewhere.example>", "note forged"));
    let unmarked = letter.reply(3, GROWER, "note forged");
    let unmarked = unmarked.replace(letter.id(), "<alarm-1.00000000000000000000000000000000@saltmarsh.example>");
    stage.mailbox.append(&unmarked.replace(&letter.code(), "K7QD-4MXR"));
    stage
        .mailbox
        .append("From: grower@saltmarsh.example\nSubject: seeds\nMessage-ID: <s@phone>\n\nMore radish, all of you?\n");
    stage.all_is_looked_at();
    assert_eq!(stage.fates(), ["stranger", "no-mark"], "{}", stage.room.log());
    assert!(!stage.journal().contains("forged"), "{}", stage.journal());
    assert_eq!(stage.mail.taken().len(), 1, "nobody was answered");
    // A program that loses both headers still quotes the code, and so does the link's mail.
    let bare = format!(
        "From: {GROWER}\nTo: warden@saltmarsh.example\nSubject: seen [{}]\nMessage-ID: <b@phone>\n\nnote \"by code\"\n",
        letter.code()
    );
    stage.mailbox.append(&bare);
    wait_for("the entry", || stage.journal().contains("by code").then_some(()));
}

#[test]
fn ten_answers_an_hour_are_written_and_no_more() {
    let (stage, letter) = Stage::set_with_a_letter();
    for number in 0..12 {
        stage.mailbox.append(&letter.reply(number, GROWER, "Thank you, dear watch"));
    }
    stage.all_is_looked_at();
    wait_for("the line", || stage.room.log().contains("ten were within the last hour").then_some(()));
    wait_for("ten answers", || (stage.mail.taken().len() == 11).then_some(()));
    assert_eq!(stage.fates().len(), 12);
}

#[test]
fn a_mailbox_that_goes_away_is_a_line_and_what_came_meanwhile_is_read() {
    let (mut stage, letter) = Stage::set_with_a_letter();
    stage.mailbox.stop();
    wait_for("the line", || stage.room.log().contains("replies are not read").then_some(()));
    assert!(stage.room.is_running());
    stage.mailbox.start();
    stage.mailbox.append(&letter.reply(1, GROWER, "note first"));
    wait_for("the entry", || stage.journal().contains("first").then_some(()));
    // The next start goes on where this one stopped.
    assert_eq!(stage.room.terminate(), Some(0), "{}", stage.room.log());
    stage.mailbox.append(&letter.reply(2, GROWER, "note second"));
    stage.room.start(&stage.broker);
    wait_for("the entry", || stage.journal().contains("second").then_some(()));
    assert_eq!(stage.fates(), ["taken", "taken"]);
    assert_eq!(stage.journal().matches("first").count(), 1, "{}", stage.journal());
}
