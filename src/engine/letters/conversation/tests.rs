//! Who is written to and when, minute by minute.

mod covering;
mod thread;

use super::allowance::{BUT_FOR_A_CALL, MOST_A_NIGHT};
use super::*;
use crate::alarm::AlarmKind;
use crate::letters::situation::{Cause, SharedAir};
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::vec;

fn minute(minute: i64) -> Timestamp {
    Timestamp::from_timestamp(1_772_600_000 + minute * 60, 0).unwrap()
}

fn key(kind: AlarmKind, subject: &str) -> AlarmKey {
    AlarmKey { kind, subject: subject.to_owned() }
}

fn warm(subject: &str) -> AlarmKey {
    key(AlarmKind::AirTooWarm, subject)
}

fn call(letters: &mut Conversation, at: i64, key: &AlarmKey, cause: Cause, early: i64) -> bool {
    letters.needs_hands(minute(at), need(key, cause, early)) != Asking::Covered
}

fn warmth() -> Cause {
    Cause::Warmth(SharedAir::Common)
}

fn tank(name: &str) -> (AlarmKey, Cause) {
    (key(AlarmKind::ReservoirLow, name), Cause::Tank(name.to_owned()))
}

fn need(key: &AlarmKey, cause: Cause, early: i64) -> Need<'_> {
    Need { key, cause, early: Some(minute(early)) }
}

/// A night in which one rack was called for at minute 0, with harm from `early` on.
fn called(early: i64) -> Conversation {
    let mut letters = Conversation::default();
    assert!(call(&mut letters, 0, &warm("a"), warmth(), early));
    assert_eq!(written(&mut letters, 0, 5).len(), 1);
    letters
}

/// Every letter until `until`, with its minute.
fn written(letters: &mut Conversation, from: i64, until: i64) -> Vec<(i64, LetterKind)> {
    let digest = minute(100_000);
    let due = |at| letters.take_due(minute(at), digest, |_| true).map(|draft| (at, draft.kind));
    (from..until).filter_map(due).collect()
}

#[test]
fn an_unanswered_call_is_repeated_three_times() {
    let mut letters = Conversation::default();
    assert!(call(&mut letters, 0, &warm("a"), warmth(), 30));
    let all = written(&mut letters, 0, 1000);
    assert_eq!(all, [1, 21, 61, 181].map(|at| (at, LetterKind::Alarm)));
}

#[test]
fn a_reminder_is_left_out_while_the_rule_does_not_hold() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 30);
    let holds = |at: i64| !(10..50).contains(&at);
    let mut all = Vec::new();
    for at in 0..1000 {
        if letters.take_due(minute(at), minute(100_000), |_| holds(at)).is_some() {
            all.push(at);
        }
    }
    assert_eq!(all, [1, 61, 181]);
}

#[test]
fn a_call_that_eases_in_the_minute_it_is_due_waits_until_it_holds() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 30);
    let due = |letters: &mut Conversation, at: i64| letters.take_due(minute(at), minute(100_000), |_| at >= 4);
    let first = (0..9).find(|at| due(&mut letters, *at).is_some());
    assert_eq!(first, Some(4));
}

#[test]
fn the_same_trouble_in_a_second_rack_joins_and_does_not_call() {
    let mut letters = Conversation::default();
    assert!(call(&mut letters, 0, &warm("a"), warmth(), 30));
    assert_eq!(written(&mut letters, 0, 5).len(), 1);
    assert!(!call(&mut letters, 5, &warm("b"), warmth(), 20));
}

#[test]
fn a_different_harm_that_comes_sooner_is_a_new_call() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    written(&mut letters, 0, 5);
    let leak = key(AlarmKind::ReservoirLeak, "tank");
    assert!(call(&mut letters, 6, &leak, Cause::Tank("tank".into()), 10));
    let later = key(AlarmKind::DryOut, "b");
    assert!(!call(&mut letters, 6, &later, Cause::Drought(SharedAir::Common), 400), "they come before that");
}

#[test]
fn an_answer_answers_everything_in_the_letter_and_ends_the_reminders() {
    let mut letters = Conversation::default();
    let leak = key(AlarmKind::ReservoirLeak, "tank");
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    call(&mut letters, 0, &leak, Cause::Tank("tank".into()), 10);
    assert_eq!(written(&mut letters, 0, 5).len(), 1);
    assert_eq!(letters.answered(&leak), [warm("a")]);
    assert_eq!(written(&mut letters, 5, 1000), []);
}

#[test]
fn one_letter_says_that_all_of_it_is_over() {
    let mut letters = Conversation::default();
    let leak = key(AlarmKind::ReservoirLeak, "tank");
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    call(&mut letters, 0, &leak, Cause::Tank("tank".into()), 10);
    written(&mut letters, 0, 5);
    letters.returned(minute(6), &leak);
    letters.returned(minute(10), &warm("a"));
    letters.came_back(&warm("a"));
    assert_eq!(written(&mut letters, 10, 15), []);
    letters.returned(minute(16), &warm("a"));
    assert_eq!(written(&mut letters, 16, 1000), [(18, LetterKind::Over)]);
}

#[test]
fn an_over_is_left_to_a_digest_within_the_hour() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    written(&mut letters, 0, 5);
    letters.returned(minute(6), &warm("a"));
    assert_eq!(letters.take_due(minute(8), minute(60), |_| true), None);
}

#[test]
fn whatever_breaks_a_night_has_five_letters_beside_the_digest() {
    let mut letters = Conversation::default();
    let mut all = Vec::new();
    for at in 0..700 {
        if at % 7 == 0 {
            // It comes and goes, and each time sooner than it was told.
            let rack = format!("rack-{}", at % 3);
            call(&mut letters, at, &warm(&rack), warmth(), -at * 60);
            letters.answered(&warm(&rack));
            call(&mut letters, at, &warm(&rack), warmth(), -at * 61);
        }
        all.extend(letters.take_due(minute(at), minute(100_000), |_| true));
    }
    assert_eq!(all.len(), MOST_A_NIGHT);
}

#[test]
fn what_the_evening_letter_told_is_called_when_its_time_has_come() {
    let mut letters = Conversation::default();
    let leak = key(AlarmKind::ReservoirLow, "tank");
    let need = || Need { key: &leak, cause: Cause::Tank("tank".into()), early: Some(minute(300)) };
    assert_eq!(letters.evening(minute(0), vec![need()]).map(|draft| draft.kind), Some(LetterKind::Evening));
    assert_eq!(letters.evening(minute(0), vec![need()]), None, "told once");
    assert_eq!(written(&mut letters, 0, 200), [], "and not reminded of");
    assert_eq!(letters.needs_hands(minute(255), need()), Asking::Call);
    let mut answered = letters.clone();
    answered.answered(&leak);
    assert_eq!(answered.needs_hands(minute(255), need()), Asking::Covered, "whoever said seen has it in hand");
}

#[test]
fn what_the_evening_letter_told_just_now_is_reminded_of_instead_of_called() {
    let mut letters = Conversation::default();
    let leak = key(AlarmKind::ReservoirLow, "tank");
    let need = || Need { key: &leak, cause: Cause::Tank("tank".into()), early: Some(minute(55)) };
    letters.evening(minute(0), vec![need()]);
    assert_eq!(letters.needs_hands(minute(10), need()), Asking::EveningWasIt, "it counts as a call");
    assert_eq!(written(&mut letters, 10, 70), [20, 60].map(|at| (at, LetterKind::Alarm)));
    let mut later = Conversation::default();
    later.evening(minute(0), vec![need()]);
    assert_eq!(later.needs_hands(minute(30), need()), Asking::Call);
}

#[test]
fn after_a_call_and_three_reminders_a_round_brings_no_fifth() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 30);
    assert_eq!(written(&mut letters, 0, 500).len(), 4);
    letters.round_begins(minute(510), minute(570));
    assert_eq!(written(&mut letters, 500, 2000), []);
}

#[test]
fn what_nobody_answered_is_called_once_more_after_a_round() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 30);
    written(&mut letters, 0, 5);
    letters.round_begins(minute(10), minute(70));
    let all = written(&mut letters, 5, 75);
    assert_eq!(all, [(70, LetterKind::Alarm)]);
    letters.round_begins(minute(730), minute(790));
    assert_eq!(written(&mut letters, 75, 2000), [], "once more, and then it is left alone");
}
