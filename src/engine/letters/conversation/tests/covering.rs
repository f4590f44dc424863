//! What is news: an alarm that needs hands, beside what the letters of the night have told.

use super::*;

#[test]
fn whoever_comes_within_a_quarter_of_an_hour_comes_for_both() {
    let (key, cause) = tank("tank");
    assert!(!call(&mut called(100), 5, &key, cause.clone(), 85));
    assert!(call(&mut called(100), 5, &key, cause, 84));
}

#[test]
fn the_hour_of_one_cause_is_known_no_better_than_to_an_hour() {
    assert!(!call(&mut called(100), 5, &warm("b"), warmth(), 40));
    assert!(call(&mut called(100), 5, &warm("b"), warmth(), 39));
}

#[test]
fn a_harm_without_a_time_is_covered_by_one_that_has_one_and_by_no_other() {
    let timeless = |letters: &mut Conversation, key: &AlarmKey| {
        letters.needs_hands(minute(5), Need { key, cause: warmth(), early: None }) == Asking::Call
    };
    assert!(!timeless(&mut called(100), &warm("b")));
    let mut letters = Conversation::default();
    assert!(timeless(&mut letters, &warm("a")));
    written(&mut letters, 5, 10);
    assert!(timeless(&mut letters.clone(), &warm("b")));
    assert!(call(&mut letters, 10, &warm("b"), warmth(), 100));
}

#[test]
fn what_a_call_covers_is_named_in_its_reminders() {
    let mut letters = called(100);
    assert!(!call(&mut letters, 5, &warm("b"), warmth(), 100));
    let reminder = letters.take_due(minute(21), minute(100_000), |_| true).expect("it is due");
    assert_eq!(reminder.about, [warm("a"), warm("b")].map(|key| (Occasion::Reminder(1), key)));
}

#[test]
fn an_answer_holds_for_the_next_of_the_same_trouble() {
    let mut letters = called(100);
    letters.answered(&warm("a"));
    assert!(!call(&mut letters, 5, &warm("b"), warmth(), 100));
    assert_eq!(written(&mut letters, 5, 1000), [], "somebody has it in hand");
}

#[test]
fn an_answer_to_what_is_over_holds_for_nothing() {
    let mut letters = called(100);
    letters.answered(&warm("a"));
    letters.returned(minute(6), &warm("a"));
    assert!(call(&mut letters, 7, &warm("b"), warmth(), 100));
}

/// What the first reminder of a tank names, when a rack that the tank's call covers came to it.
fn named_beside_a_tank(mut letters: Conversation) -> Vec<AlarmKey> {
    let (low, cause) = tank("tank");
    assert!(call(&mut letters, 30, &low, cause, 50));
    assert_eq!(written(&mut letters, 30, 35).len(), 1);
    assert!(!call(&mut letters, 35, &warm("b"), warmth(), 100));
    let reminder = letters.take_due(minute(51), minute(100_000), |_| true).expect("it is due");
    reminder.about.into_iter().map(|(_, key)| key).collect()
}

#[test]
fn only_an_answer_to_a_call_that_stands_is_one_to_the_next_of_its_trouble() {
    let mut answered = called(100);
    answered.answered(&warm("a"));
    assert_eq!(named_beside_a_tank(answered.clone()), [tank("tank").0], "somebody has that air in hand");
    answered.returned(minute(6), &warm("a"));
    assert_eq!(named_beside_a_tank(answered), [warm("b"), tank("tank").0], "it was over");
    let mut waiting = Conversation::default();
    waiting.evening(minute(0), vec![need(&warm("a"), warmth(), 100)]);
    waiting.answered(&warm("a"));
    assert_eq!(named_beside_a_tank(waiting), [warm("b"), tank("tank").0], "it could wait");
}

#[test]
fn what_waits_and_was_answered_covers_the_next_of_the_same_trouble() {
    let mut letters = Conversation::default();
    letters.evening(minute(0), vec![need(&warm("a"), warmth(), 100)]);
    assert!(call(&mut letters.clone(), 30, &warm("b"), warmth(), 100), "nobody has answered");
    letters.answered(&warm("a"));
    assert!(!call(&mut letters, 30, &warm("b"), warmth(), 100));
}

#[test]
fn a_call_covers_another_harm_only_while_it_is_repeated() {
    let mut letters = called(300);
    let (low, cause) = tank("tank");
    assert!(!call(&mut letters.clone(), 100, &low, cause.clone(), 400));
    assert_eq!(written(&mut letters, 5, 200).len(), 3);
    assert!(call(&mut letters, 200, &low, cause, 400));
}

#[test]
fn what_is_new_is_raised_and_what_was_told_before_escalates() {
    let occasion = |letters: &mut Conversation, from| {
        let draft = (from..from + 5).find_map(|at| letters.take_due(minute(at), minute(100_000), |_| true));
        draft.expect("it is due").about[0].0
    };
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    assert_eq!(occasion(&mut letters, 0), Occasion::Raised);
    call(&mut letters, 5, &warm("a"), warmth(), 100);
    assert_eq!(occasion(&mut letters, 5), Occasion::Escalated);
    letters.new_episode(&warm("a"));
    call(&mut letters, 12, &warm("a"), warmth(), 100);
    assert_eq!(occasion(&mut letters, 12), Occasion::Raised);
}

#[test]
fn what_needs_hands_twice_in_a_minute_stands_in_the_letter_once() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    call(&mut letters, 0, &warm("a"), warmth(), 100);
    let draft = letters.take_due(minute(1), minute(100_000), |_| true).expect("it is due");
    assert_eq!(draft.about, [(Occasion::Raised, warm("a"))], "no letter has told it");
}

#[test]
fn what_was_over_before_it_was_written_was_never_told() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    letters.returned(minute(1), &warm("a"));
    assert_eq!((letters.deadline(), letters.names(&warm("a"))), (None, false));
    assert_eq!(written(&mut letters, 1, 1000), []);
}

#[test]
fn an_answer_is_none_to_what_no_letter_has_told_yet() {
    let mut letters = called(300);
    let (low, cause) = tank("tank");
    assert!(call(&mut letters, 10, &low, cause, 100));
    assert_eq!(letters.answered(&warm("a")), []);
    assert_eq!(written(&mut letters, 10, 20), [(11, LetterKind::Alarm)]);
}

#[test]
fn what_is_answered_or_silenced_before_it_is_written_is_not_written() {
    let mut letters = Conversation::default();
    call(&mut letters, 0, &warm("a"), warmth(), 300);
    let mut silenced = letters.clone();
    silenced.silenced(&warm("a"));
    assert_eq!(written(&mut silenced, 0, 1000), []);
    letters.answered(&warm("a"));
    assert_eq!(written(&mut letters, 0, 1000), []);
}

#[test]
fn what_is_silenced_is_not_reminded_of() {
    let mut letters = called(300);
    letters.silenced(&warm("a"));
    assert_eq!(written(&mut letters, 5, 1000), []);
}

#[test]
fn an_evening_letter_tells_no_trouble_that_was_called_for() {
    let mut letters = called(300);
    assert_eq!(letters.evening(minute(10), vec![need(&warm("b"), warmth(), 300)]), None);
    letters.returned(minute(11), &warm("a"));
    assert!(
        letters.evening(minute(12), vec![need(&warm("a"), warmth(), 300)]).is_some(),
        "it was over, and comes again"
    );
}

/// A tank that was low enough for a call at minute 0 and no longer when it was due.
fn eased() -> Conversation {
    let mut letters = Conversation::default();
    let (low, cause) = tank("tank");
    assert!(call(&mut letters, 0, &low, cause, 30));
    assert_eq!(letters.take_due(minute(1), minute(100_000), |_| false), None);
    letters
}

#[test]
fn a_call_that_eased_before_it_was_written_covers_nothing() {
    let mut letters = eased();
    let empty = key(AlarmKind::ReservoirEmpty, "tank");
    assert!(call(&mut letters, 60, &empty, Cause::Tank("tank".into()), 60));
    let draft = letters.take_due(minute(61), minute(100_000), |key| *key == empty).expect("it is due");
    assert_eq!(draft.about, [(Occasion::Raised, empty.clone())]);
    assert_eq!(draft.calls, [(empty, minute(60))]);
}

#[test]
fn what_eased_before_it_was_written_is_new_to_the_letter_before_the_round() {
    let mut letters = eased();
    let (low, cause) = tank("tank");
    let draft = letters.before_round(minute(60), vec![need(&low, cause, 90)]);
    assert!(draft.is_some_and(|draft| draft.kind == LetterKind::Round));
}

#[test]
fn what_eased_before_it_was_written_lets_people_work_before_it_calls() {
    let mut letters = eased();
    letters.round_begins(minute(60), minute(120));
    let first = (60..200).find(|at| letters.take_due(minute(*at), minute(100_000), |_| *at >= 61).is_some());
    assert_eq!(first, Some(120));
}

#[test]
fn what_eased_and_was_then_seen_or_over_is_not_called_for() {
    let (low, _) = tank("tank");
    let answered = |letters: &mut Conversation, key: &AlarmKey| assert_eq!(letters.answered(key), []);
    let returned = |letters: &mut Conversation, key: &AlarmKey| letters.returned(minute(5), key);
    for end in [answered, returned, Conversation::silenced] {
        let mut letters = eased();
        end(&mut letters, &low);
        assert_eq!(letters.take_due(minute(10), minute(100_000), |_| true), None);
    }
}
