//! The postman against a real mail server with TLS and a login (aiosmtpd, a
//! Python package of its own, reads the mails with Python's email package).
//! Needs python3 with aiosmtpd, and the openssl command.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

mod server;

use chrono::TimeDelta;
use server::MailServer;
use std::sync::Arc;
use std::time::Duration;
use traywarden::config::Mail as Settings;
use traywarden::engine::event::LetterKind;
use traywarden::engine::rules::Site;
use traywarden::marks::MarkKey;
use traywarden::notify::carrier::Carrier;
use traywarden::notify::letter::{Letter, Parcel, Picture};
use traywarden::notify::message::{self, Sender};
use traywarden::notify::outbox::{Outbox, ParcelSettled, State};
use traywarden::notify::post::{Post, Posted};
use traywarden::notify::postman::Postman;
use traywarden::notify::waits::Refusal;
use traywarden::notify::wording;
use traywarden::units::{Timestamp, UnitSystem};

fn now() -> Timestamp {
    "2026-03-04T04:10:00Z".parse().unwrap()
}

fn letter(id: &str, answers: Option<&str>) -> Letter {
    Letter {
        id: id.into(),
        kind: LetterKind::Alarm,
        at: now(),
        answers: answers.map(str::to_owned),
        subject: "Now: Tank empty by 03:40 - refill 18 L".into(),
        text: "Fill the tank before 02:50: 18 L to the brim.\n\nThe air is at 31 °C.\n.\nA line of one dot stands above.\n"
            .into(),
        html: "<p>The air is at 31 °C.</p><img src=\"cid:air-rack-a.png\">".into(),
        pictures: vec![Picture { name: "air-rack-a.png".into(), png: vec![0x89; 30_000] }],
    }
}

fn mail(letter: &Letter, to: &str) -> Parcel {
    let key = MarkKey::new(&[7; 32]);
    let sender = Sender { address: "warden@saltmarsh.example", site_name: "Saltmarsh Lane", reply_to: None, key: &key };
    message::mail(letter, to, sender, None).unwrap()
}

fn postman(settings: &Settings) -> Postman {
    Postman::new(settings, "Saltmarsh Lane", &MarkKey::new(&[7; 32]))
}

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}

const GROWER: &str = "grower@saltmarsh.example";

#[test]
fn a_letter_arrives_whole_over_starttls_and_over_implicit_tls() {
    for mode in ["starttls", "implicit"] {
        let server = MailServer::started(mode);
        let postman = postman(&server.settings());
        run(postman.try_once(&mail(&letter("a", None), GROWER))).unwrap();
        let taken = server.taken();
        assert_eq!(taken.len(), 1);
        let mail = &taken[0];
        assert_eq!(mail["tls"], true);
        assert_eq!(mail["authenticated"], true);
        assert_eq!(mail["to"][0], GROWER);
        assert_eq!(mail["defects"].as_array().unwrap().len(), 0, "{}", mail["defects"]);
        assert_eq!(mail["headers"]["Subject"], "Now: Tank empty by 03:40 - refill 18 L");
        assert_eq!(mail["headers"]["From"], "Saltmarsh Lane <warden@saltmarsh.example>");
        assert_eq!(mail["headers"]["Auto-Submitted"], "auto-generated");
        assert_eq!(mail["headers"].get("List-Unsubscribe"), None);
        // RFC 5322 section 2.1.1: no line beyond 998 octets.
        assert!(mail["longest_line"].as_u64().unwrap() <= 998);
        assert_eq!(mail["body"]["type"], "multipart/alternative");
        let plain = &mail["body"]["parts"][0];
        assert_eq!(plain["type"], "text/plain");
        let text = plain["text"].as_str().unwrap().replace("\r\n", "\n");
        assert_eq!(text.trim_end(), letter("a", None).text.trim_end());
        let related = &mail["body"]["parts"][1];
        assert_eq!(related["type"], "multipart/related");
        assert_eq!(related["parts"][0]["type"], "text/html");
        let picture = &related["parts"][1];
        assert_eq!(picture["type"], "image/png");
        assert_eq!(picture["cid"], "<air-rack-a.png>");
        assert_eq!(picture["disposition"], "inline");
        assert_eq!(picture["bytes"], 30_000);
    }
}

#[test]
fn raise_reminder_and_return_stand_in_one_thread() {
    let server = MailServer::started("starttls");
    let postman = postman(&server.settings());
    for letter in [letter("raise", None), letter("reminder", Some("raise")), letter("return", Some("raise"))] {
        run(postman.try_once(&mail(&letter, GROWER))).unwrap();
    }
    let taken = server.taken();
    let raise = &taken[0]["headers"]["Message-ID"];
    assert!(raise.is_string());
    for answer in &taken[1..] {
        assert_eq!(&answer["headers"]["In-Reply-To"], raise);
        assert_eq!(&answer["headers"]["References"], raise);
        assert_ne!(&answer["headers"]["Message-ID"], raise);
    }
}

#[test]
fn a_refused_recipient_is_permanent_and_a_greylisted_one_is_not() {
    let server = MailServer::started("starttls");
    let postman = postman(&server.settings());
    let refused = run(postman.try_once(&mail(&letter("a", None), "nobody@saltmarsh.example"))).unwrap_err();
    assert_eq!(refused.kind, Refusal::Permanent, "{refused}");
    assert!(refused.text.contains("No such user here"), "{refused}");
    let put_off = run(postman.try_once(&mail(&letter("a", None), "greylist@saltmarsh.example"))).unwrap_err();
    assert_eq!(put_off.kind, Refusal::Transient, "{put_off}");
    assert!(server.taken().is_empty());
}

#[test]
fn a_wrong_password_and_an_unknown_authority_ask_for_the_settings() {
    let server = MailServer::started("starttls");
    std::fs::write(server.path("password"), "something else\n").unwrap();
    let refused = run(postman(&server.settings()).try_once(&mail(&letter("a", None), GROWER))).unwrap_err();
    assert_eq!(refused.kind, Refusal::Settings, "{refused}");
    assert!(refused.text.contains("password file"), "{refused}");
    // The password is read at each try: correcting it needs no restart.
    let postman = postman(&server.settings());
    std::fs::write(server.path("password"), "pass word\n").unwrap();
    run(postman.try_once(&mail(&letter("a", None), GROWER))).unwrap();

    let mut settings = server.settings();
    settings.smtp.as_mut().unwrap().ca_file = None;
    let refused =
        run(Postman::new(&settings, "Saltmarsh Lane", &MarkKey::new(&[7; 32]))
            .try_once(&mail(&letter("a", None), GROWER)))
        .unwrap_err();
    assert_eq!(refused.kind, Refusal::Settings, "{refused}");
    assert!(refused.text.contains("certificate"), "{refused}");
    assert_eq!(server.taken().len(), 1);
}

#[test]
fn no_letter_goes_to_another_machine_without_tls() {
    let server = MailServer::prepared("starttls");
    let mut settings = server.settings();
    let smtp = settings.smtp.as_mut().unwrap();
    (smtp.host, smtp.plain) = ("mail.saltmarsh.example".into(), true);
    let refused =
        run(Postman::new(&settings, "Saltmarsh Lane", &MarkKey::new(&[7; 32]))
            .try_once(&mail(&letter("a", None), GROWER)))
        .unwrap_err();
    assert_eq!(refused.kind, Refusal::Settings, "{refused}");
    assert!(refused.text.contains("TLS"), "{refused}");
}

#[test]
fn a_server_that_never_answers_costs_only_our_patience() {
    let server = MailServer::started("starttls");
    let postman = postman(&server.settings()).with_patience(Duration::from_secs(2));
    let refused = run(postman.try_once(&mail(&letter("a", None), "hang@saltmarsh.example"))).unwrap_err();
    assert_eq!(refused.kind, Refusal::Unreachable, "{refused}");
    assert!(refused.text.contains("within 2 s"), "{refused}");
}

#[test]
fn a_server_that_is_slow_at_every_step_gets_its_letter() {
    let server = MailServer::started("starttls");
    let postman = postman(&server.settings()).with_patience(Duration::from_secs(1));
    run(postman.try_once(&mail(&letter("a", None), "slow@saltmarsh.example"))).unwrap();
    assert_eq!(server.taken().len(), 1, "0.7 s a step, 1.4 s in all, and a second of patience a step");
}

#[test]
fn a_letter_that_hangs_does_not_hold_up_another() {
    let server = MailServer::started("starttls");
    let mut post = Post::new(Arc::new(postman(&server.settings())));
    for (id, recipient) in [("hangs", "hang@saltmarsh.example"), ("goes", GROWER)] {
        let letter = letter(id, None);
        let parcel = mail(&letter, recipient);
        post.put(Posted::of(&letter, parcel));
    }
    let (tried, mut ended) = tokio::sync::mpsc::unbounded_channel();
    let (key, outcome) = run(async {
        post.begin(now(), &tried);
        ended.recv().await.unwrap()
    });
    assert_eq!((key.letter.as_str(), outcome), ("goes", Ok(())));
    assert_eq!(server.taken().len(), 1);
}

#[test]
fn letters_held_up_by_an_outage_come_as_one_behind_the_newest() {
    let mut server = MailServer::prepared("starttls");
    let mut post = Post::new(Arc::new(postman(&server.settings())));
    for (id, hours) in [("first", 3), ("second", 2), ("third", 1)] {
        let letter = Letter { at: now() - TimeDelta::hours(hours), ..letter(id, None) };
        let parcel = mail(&letter, GROWER);
        post.put(Posted::of(&letter, parcel));
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let (tried, mut ended) = tokio::sync::mpsc::unbounded_channel();
    let mut at = now();
    // Each is tried once while it is new; from then on the newest knocks for all.
    let mut failed = 0;
    let (key, outcome) = runtime.block_on(async {
        loop {
            post.begin(at, &tried);
            let (key, outcome) = ended.recv().await.unwrap();
            post.settle(&key, at, &outcome).unwrap();
            if outcome.is_ok() {
                return (key, outcome);
            }
            failed += 1;
            if failed >= 3 {
                at = post.next_at(at).unwrap();
            }
            if failed == 5 {
                server.start();
            }
        }
    });
    assert_eq!((key.letter.as_str(), outcome), ("third", Ok(())));
    let held = &post.held_up(at)[GROWER];
    assert_eq!(held.iter().map(|posted| posted.parcel.key.letter.as_str()).collect::<Vec<_>>(), ["second", "first"]);
    let site = Site {
        name: "Saltmarsh Lane".into(),
        time_zone: chrono_tz::America::Chicago,
        units: UnitSystem::Metric,
        rounds: Vec::new(),
        round_letter_before: TimeDelta::minutes(30),
        look_within: TimeDelta::hours(36),
        digest_at: chrono::NaiveTime::MIN,
        asleep: None,
        evening_letter_before: chrono::TimeDelta::hours(1),
        wake_if: 0.2,
        come_within: chrono::TimeDelta::minutes(45),
    };
    let gathering = wording::held_up(held, &site, at);
    let parcel = mail(&gathering, GROWER);
    assert_eq!(post.gather(parcel.key.clone(), held).len(), 2);
    post.put(Posted::of(&gathering, parcel));
    let (key, outcome) = runtime.block_on(async {
        post.begin(at, &tried);
        ended.recv().await.unwrap()
    });
    let (_, mut reported) = post.settle(&key, at, &outcome).unwrap();
    reported.sort();
    assert_eq!(reported, ["first", gathering.id.as_str(), "second"]);
    assert_eq!(post.next_at(at), None, "nothing waits any more");
    let taken = server.taken();
    assert_eq!(taken.len(), 2);
    assert!(taken[1]["headers"]["Subject"].as_str().unwrap().starts_with("2 letters that waited"), "{}", taken[1]);
}

#[test]
fn tls_to_a_plain_port_and_plain_to_a_tls_port_are_said_with_the_remedy() {
    let server = MailServer::started("starttls");
    let mut settings = server.settings();
    settings.smtp.as_mut().unwrap().implicit_tls = true;
    let refused = run(postman(&settings).try_once(&mail(&letter("a", None), GROWER))).unwrap_err();
    assert_eq!(refused.kind, Refusal::Settings, "{refused}");
    assert!(refused.text.contains("write smtp:// instead of smtps://"), "{refused}");

    let server = MailServer::started("implicit");
    let mut settings = server.settings();
    settings.smtp.as_mut().unwrap().implicit_tls = false;
    let postman = postman(&settings).with_patience(Duration::from_secs(2));
    let refused = run(postman.try_once(&mail(&letter("a", None), GROWER))).unwrap_err();
    assert_eq!(refused.kind, Refusal::Unreachable, "{refused}");
    assert!(refused.text.contains("write smtps:// instead of smtp://"), "{refused}");
}

#[test]
fn a_letter_waits_while_the_server_is_away_and_goes_once_when_it_is_back() {
    let mut server = MailServer::prepared("implicit");
    let postman = postman(&server.settings());
    let mail = mail(&letter("a", None), GROWER);
    let mut outbox = Outbox::default();
    outbox.put(&mail.key, LetterKind::Alarm, now());
    let mut at = now();
    for _ in 0..3 {
        assert_eq!(outbox.take(at), Some(mail.key.clone()));
        let refused = run(postman.try_once(&mail)).unwrap_err();
        let settled = outbox.settle(&mail.key, at, Err((refused.kind, &refused.text)));
        let ParcelSettled::Again { not_before } = settled else { panic!("{settled:?}") };
        at = not_before;
    }
    assert!(at - now() > TimeDelta::minutes(3), "the waits grow");
    server.start();
    assert_eq!(outbox.take(at), Some(mail.key.clone()));
    run(postman.try_once(&mail)).unwrap();
    assert_eq!(outbox.settle(&mail.key, at, Ok(())), ParcelSettled::Sent);
    assert_eq!(outbox.entry(&mail.key).unwrap().state, State::Sent);
    assert_eq!(outbox.take(at + TimeDelta::days(1)), None);
    assert_eq!(server.taken().len(), 1);
    server.stop();
}

#[test]
fn without_a_server_letters_become_files_that_sort_by_time_and_can_be_read() {
    let server = MailServer::prepared("starttls");
    let mut settings = server.settings();
    settings.smtp = None;
    let mail = mail(&letter("a", None), GROWER);
    run(postman(&settings).try_once(&mail)).unwrap();
    let names: Vec<String> = std::fs::read_dir(&settings.folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(names.len(), 1, "{names:?}");
    assert!(names[0].starts_with("2026-03-04_0410Z_now-tank-empty-by-03-40_"), "{names:?}");
    assert!(names[0].ends_with(".eml"), "{names:?}");
    assert_eq!(std::fs::read(settings.folder.join(&names[0])).unwrap(), mail.bytes);
}
