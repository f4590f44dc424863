//! Calls graded by the grower: the account survives a restart, and three wrong ones bring a
//! proposal that a rehearsal of the same nights bears out.

use crate::night::Night;
use std::sync::Arc;
use traywarden::engine::alarm::AlarmKind;
use traywarden::engine::event::{Command, Grade};
use traywarden::notify::wording::{self, Answering};
use traywarden::rebuild::rebuild;
use traywarden::rehearse::proposal::propose;
use traywarden::store::Reader;

const WARM: &str = "air-too-warm:rack-b";

/// Twenty minutes of heat a night, which people answer; `calls` nights of it.
fn hot_nights(calls: u32, grade: Grade) -> Night {
    let mut nights = Night::begins("2026-03-03 17:00");
    for night in 3..3 + calls {
        let at = |clock: &str| format!("2026-03-{night:02} {clock}");
        nights.until(&at("22:00")).says("b1", 36.0, 50.0).until(&at("22:20"));
        nights.says("b1", 21.0, 50.0).until(&at("22:25"));
        nights.answers(|alarm, by| Command::Acknowledge { alarm, by, grade: Some(grade) }, WARM);
        nights.until(&at("23:59"));
    }
    nights
}

#[test]
fn three_wrong_calls_bring_one_change_that_would_have_spared_them() {
    let mut nights = hot_nights(3, Grade::Wrong);
    nights.until("2026-03-06 06:00");
    let folder = tempfile::tempdir().unwrap();
    let (config, _store) = nights.stored(&folder.path().join("room.db"));
    let calls = nights.engine().calls_of(AlarmKind::AirTooWarm);
    assert_eq!(calls.len(), 3, "{calls:?}");
    let until = nights.engine().now();
    let found = propose(&config, AlarmKind::AirTooWarm, &calls, until).unwrap().expect("a change");
    assert_eq!(
        (found.line.as_str(), found.calls, found.spared_wrong, found.lost_right),
        ("on_delay = \"30 min\"", 3, 3, 0)
    );

    let day = nights.digest();
    assert_eq!(day.doubted.iter().map(|kind| kind.kind).collect::<Vec<_>>(), [AlarmKind::AirTooWarm]);
    let text = digest_text(&nights, Answering { proposals: vec![found], ..Answering::default() });
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("You said of 3 of the last month's 3 calls for \"air too warm\" that it was wrong."),
        "{text}"
    );
    assert!(
        words.contains("spared 3 of 3 calls")
            && words.contains("under [alarm.air-too-warm], write: on_delay = \"30 min\""),
        "{text}"
    );
    let text = digest_text(&nights, Answering::default());
    assert!(
        text.split_whitespace().collect::<Vec<_>>().join(" ").contains("No change of the settings was found yet"),
        "{text}"
    );
}

#[test]
fn calls_that_were_right_are_not_given_up() {
    let mut nights = hot_nights(3, Grade::Right);
    nights.until("2026-03-06 06:00");
    assert_eq!(nights.digest().doubted, []);
    let folder = tempfile::tempdir().unwrap();
    let (config, _store) = nights.stored(&folder.path().join("room.db"));
    let calls = nights.engine().calls_of(AlarmKind::AirTooWarm);
    assert_eq!(propose(&config, AlarmKind::AirTooWarm, &calls, nights.engine().now()).unwrap(), None);
}

#[test]
fn the_account_of_calls_covers_a_month_over_a_restart() {
    let mut nights = hot_nights(3, Grade::Wrong);
    nights.until("2026-03-25 12:00");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("room.db");
    let (config, _store) = nights.stored(&path);
    let reader = Reader::open(&path, &config.rules).unwrap();
    let again =
        rebuild(&Arc::new(config.rules.clone()), &reader, nights.engine().now(), nights.engine().now()).unwrap().engine;
    assert!(!again.calls().is_empty());
    assert_eq!(again.calls(), nights.engine().calls());
    let seen = |engine: &traywarden::engine::Engine| engine.calls_of(AlarmKind::AirTooWarm);
    assert_eq!(seen(&again), seen(nights.engine()));
}

fn digest_text(nights: &Night, answering: Answering) -> String {
    let facts = traywarden::engine::event::LetterFacts {
        id: "digest-1".into(),
        at: nights.engine().now(),
        kind: traywarden::engine::event::LetterKind::Digest,
        answers: None,
        situations: Vec::new(),
        no_longer: Vec::new(),
        digest: Some(Box::new(nights.digest())),
    };
    wording::letter(&facts, nights.engine().rules(), Vec::new(), &answering).text
}
