//! The store on a card that fails: an I/O error at every system call of a commit, power cuts
//! at every write and flush, cards that confirm a flush they have not made. A writer commits
//! what an engine made of an invented evening under `strace` (Debian), which refuses calls
//! or writes them down; nothing stands between SQLite and the kernel in the process itself.
//!
//! `IMAGES=20000` looks at as many images of a power cut; `SEED=7` draws others.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

mod images;
mod traced;
mod writer;

use images::{Card, Lies};
use std::collections::BTreeSet;
use std::path::Path;
use traced::{Call, Failure, errors_of_a_commit, traced};
use traywarden::random::SplitMix64;
use traywarden::store::{Newest, Opening, Store};
use writer::{Ended, contents, expected};

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().map_or(otherwise, |text| text.parse().unwrap())
}

/// So many of them, drawn; of each kind at least one.
fn some_of(mut all: Vec<Failure>, wanted: u64, random: &mut SplitMix64) -> Vec<Failure> {
    for place in (1..all.len()).rev() {
        all.swap(place, (random.whole() % (place as u64 + 1)) as usize);
    }
    let mut seen = BTreeSet::new();
    let (mut some, rest): (Vec<_>, Vec<_>) =
        all.into_iter().partition(|(call, error, _)| seen.insert((call.clone(), *error)));
    some.extend(rest);
    some.truncate((wanted as usize).max(seen.len()));
    some
}

/// Opens what a cut or an error left behind, as the next start does. Says what is in it.
fn opened_again(path: &Path) -> Vec<String> {
    let (store, opening) = Store::open(path, &writer::rules(), writer::begins_at()).unwrap();
    assert!(!matches!(opening, Opening::Damaged { .. }), "{opening:?}");
    store.close().unwrap();
    contents(path)
}

/// What is in the store is what was acknowledged, or that and the batch on its way.
fn nothing_is_lost(found: &[String], acknowledged: usize, what: &str) {
    let expected = expected();
    let all = [acknowledged, acknowledged + 1].into_iter().filter_map(|count| expected.get(count));
    let fits = |wanted: &Vec<String>| wanted == found;
    let wanted = &expected[acknowledged];
    let differs: Vec<&String> = wanted
        .iter()
        .filter(|row| !found.contains(row))
        .chain(found.iter().filter(|row| !wanted.contains(row)))
        .collect();
    assert!(all.into_iter().any(fits), "{what}: {acknowledged} batches were acknowledged; {differs:#?}");
}

#[test]
fn an_error_at_any_system_call_of_a_commit_loses_nothing() {
    if writer::is_asked() {
        return writer::write_down();
    }
    let mut random = SplitMix64::new(from_environment("SEED", 1));
    let calls = some_of(errors_of_a_commit(), from_environment("IMAGES", 200) / 3, &mut random);
    let mut told = BTreeSet::new();
    for (call, error, nth) in &calls {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("traywarden.db");
        let what = format!("{error} at {call} number {nth}");
        let Ended { acknowledged, errors, finished } = writer::run(
            &path,
            &[
                "-e".to_owned(),
                format!("trace={call}"),
                "-e".to_owned(),
                format!("inject={call}:error={error}:when={nth}"),
            ],
        );
        assert!(finished, "{what}: the writer goes on after one error: {errors:?}");
        assert_eq!(acknowledged, writer::BATCHES, "{what}");
        told.extend(errors);
        nothing_is_lost(&opened_again(&path), acknowledged, &what);
        let aside = std::fs::read_dir(folder.path()).unwrap().flatten();
        let aside: Vec<_> =
            aside.map(|file| file.file_name()).filter(|name| name.to_string_lossy().contains("damaged")).collect();
        assert!(aside.is_empty(), "{what}: a store that is sound was set aside: {aside:?}");
    }
    println!("{} calls failed once each; said of it: {told:#?}", calls.len());
    assert!(calls.len() > 50 && !told.is_empty(), "{} calls, {told:?}", calls.len());
}

#[test]
fn a_card_that_fails_for_good_keeps_what_was_acknowledged() {
    let calls: Vec<_> = errors_of_a_commit().into_iter().filter(|(call, ..)| call != "pread64").collect();
    let mut random = SplitMix64::new(from_environment("SEED", 1));
    for _ in 0..from_environment("IMAGES", 200) / 20 {
        let (call, error, nth) = &calls[(random.whole() % calls.len() as u64) as usize];
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("traywarden.db");
        let what = format!("{error} at {call} from number {nth} on");
        let ended = writer::run(
            &path,
            &[
                "-e".to_owned(),
                format!("trace={call}"),
                "-e".to_owned(),
                format!("inject={call}:error={error}:when={nth}+"),
            ],
        );
        nothing_is_lost(&opened_again(&path), ended.acknowledged, &what);
    }
}

#[test]
fn a_power_cut_at_any_write_or_flush_loses_nothing_that_was_acknowledged() {
    let calls = traced();
    let wanted = from_environment("IMAGES", 200);
    let mut random = SplitMix64::new(from_environment("SEED", 1));
    let mut looked_at = 0;
    while looked_at < wanted {
        let mut card = Card::default();
        let mut acknowledged = 0;
        for call in &calls {
            if let Call::Acknowledged = call {
                acknowledged += 1;
            }
            card.takes(call, Lies::Never);
            // Cuts are spread over the calls as the wanted number has it.
            if looked_at >= wanted || random.whole() % calls.len() as u64 >= wanted.min(calls.len() as u64) {
                continue;
            }
            looked_at += 1;
            let folder = images::folder();
            let path = card.cut(folder.path(), &mut random);
            nothing_is_lost(&opened_again(&path), acknowledged, &format!("cut after {call:?}"));
        }
    }
    println!("{looked_at} images of a power cut, {} calls", calls.len());
}

#[test]
fn a_card_that_confirms_what_it_has_not_kept_is_noticed_at_the_next_start() {
    let calls = traced();
    let mut random = SplitMix64::new(from_environment("SEED", 1));
    let (mut short, mut noticed) = (0, 0);
    for _ in 0..from_environment("IMAGES", 200) {
        let mut card = Card::default();
        let cut_behind = 1 + (random.whole() % writer::BATCHES as u64) as usize;
        let mut acknowledged = 0;
        for call in &calls {
            let lies = if random.whole() % 100 < 15 { Lies::ThisTime } else { Lies::Never };
            card.takes(call, lies);
            acknowledged += usize::from(matches!(call, Call::Acknowledged));
            if acknowledged == cut_behind {
                break;
            }
        }
        let folder = images::folder();
        let path = card.cut(folder.path(), &mut random);
        let (store, opening) = Store::open(&path, &writer::rules(), writer::begins_at()).unwrap();
        let last = store.last_position().unwrap();
        let noted = Newest::beside(&path).read();
        store.close().unwrap();
        let found = contents(&path);
        let is_short = !expected()[acknowledged..].contains(&found);
        short += u32::from(is_short);
        noticed += u32::from(is_short && (noted > last || matches!(opening, Opening::Damaged { .. })));
    }
    println!("a card that lies 15 % of the time lost something {short} times, noticed {noticed} times");
    // The note is on the same card, and as likely to be lied about.
    assert!(short > 0 && noticed * 10 >= short * 7, "{noticed} of {short}");
}
