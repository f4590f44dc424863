//! The thread of a night, from one round to the next, and how many letters it has.

use super::*;

fn low(early: i64) -> (AlarmKey, Cause, i64) {
    let (key, cause) = tank("tank");
    (key, cause, early)
}

fn evening(letters: &mut Conversation, at: i64, (key, cause, early): &(AlarmKey, Cause, i64)) -> Option<LetterKind> {
    letters.evening(minute(at), vec![need(key, cause.clone(), *early)]).map(|draft| draft.kind)
}

fn comes_due(letters: &mut Conversation, at: i64, (key, cause, early): &(AlarmKey, Cause, i64)) -> bool {
    call(letters, at, key, cause.clone(), *early)
}

#[test]
fn every_letter_of_a_night_answers_the_first_until_people_have_been_there() {
    let mut letters = called(300);
    let next = |letters: &mut Conversation, from| {
        (from..1000).find_map(|at| letters.take_due(minute(at), minute(100_000), |_| true)).expect("one is due")
    };
    let reminder = next(&mut letters, 5);
    assert_eq!(reminder.answers.as_deref(), Some("alarm-1772600060-air-too-warm-a"));
    letters.round_begins(minute(10), minute(70));
    let again = next(&mut letters, 30);
    assert_eq!((again.answers, again.about), (None, vec![(Occasion::AfterRound, warm("a"))]));
}

#[test]
fn reminders_are_numbered_from_one() {
    let mut letters = called(300);
    let number = |at| letters.take_due(minute(at), minute(100_000), |_| true).map(|draft| draft.about[0].0);
    let numbers: Vec<Occasion> = (5..1000).filter_map(number).collect();
    assert_eq!(numbers, [1, 2, 3].map(Occasion::Reminder));
}

#[test]
fn reminders_that_were_not_written_are_not_counted() {
    let mut letters = called(300);
    let number =
        |at| letters.take_due(minute(at), minute(100_000), |_| !(10..90).contains(&at)).map(|draft| draft.about[0].0);
    let numbers: Vec<Occasion> = (5..1000).filter_map(number).collect();
    assert_eq!(numbers, [Occasion::Reminder(1)]);
}

#[test]
fn a_new_call_within_two_minutes_takes_an_over_back() {
    let mut letters = called(300);
    letters.returned(minute(10), &warm("a"));
    let mut again = letters.clone();
    call(&mut again, 11, &warm("b"), warmth(), 300);
    assert_eq!(written(&mut again, 11, 20), [(12, LetterKind::Alarm)]);
    letters.came_back(&warm("a"));
    assert_eq!(written(&mut letters, 11, 25), [(21, LetterKind::Alarm)], "it is reminded of as before");
}

#[test]
fn after_a_round_nobody_is_told_that_the_last_night_is_over() {
    let mut before = called(300);
    before.returned(minute(10), &warm("a"));
    before.round_begins(minute(40), minute(100));
    assert_eq!(written(&mut before, 11, 1000), []);
    let mut since = called(300);
    since.round_begins(minute(40), minute(100));
    since.returned(minute(10), &warm("a"));
    assert_eq!(written(&mut since, 11, 1000), []);
}

#[test]
fn an_over_is_left_to_a_digest_in_an_hour_and_not_to_a_later_one() {
    let over = |digest| {
        let mut letters = called(300);
        letters.returned(minute(6), &warm("a"));
        assert_eq!(letters.deadline(), Some(minute(8)));
        letters.take_due(minute(8), minute(digest), |_| true).map(|draft| draft.kind)
    };
    assert_eq!((over(68), over(69)), (None, Some(LetterKind::Over)));
}

#[test]
fn that_it_is_over_is_written_though_four_letters_were() {
    let mut letters = called(300);
    assert_eq!(written(&mut letters, 5, 300).len() + 1, BUT_FOR_A_CALL);
    letters.returned(minute(300), &warm("a"));
    assert_eq!(written(&mut letters, 300, 400), [(302, LetterKind::Over)]);
}

#[test]
fn a_night_of_ever_new_harm_has_nine_letters_beside_the_digest() {
    let mut letters = Conversation::default();
    let mut all = 0;
    for nth in 0..20 {
        let (key, cause) = tank(&format!("tank-{nth}"));
        call(&mut letters, nth * 5, &key, cause, 900 - nth * 20);
        all += written(&mut letters, nth * 5, nth * 5 + 5).len();
        letters.answered(&key);
    }
    assert_eq!(all, 9);
}

#[test]
fn a_second_harm_the_evening_told_of_is_called_though_all_were_written() {
    let mut letters = Conversation::default();
    let low = low(500);
    evening(&mut letters, 0, &low);
    call(&mut letters, 30, &warm("a"), warmth(), 900);
    assert_eq!(written(&mut letters, 30, 400).len() + 1, BUT_FOR_A_CALL);
    call(&mut letters, 400, &warm("a"), warmth(), 600);
    assert_eq!(written(&mut letters, 400, 440).len(), 1);
    assert!(!call(&mut letters, 440, &warm("a"), warmth(), 500), "five are all of the first harm");
    assert!(comes_due(&mut letters, 450, &low));
}

#[test]
fn who_lets_calls_stand_has_one_more_that_night_and_who_answers_all() {
    let mut letters = called(300);
    assert_eq!(written(&mut letters, 5, 300).len() + 1, BUT_FOR_A_CALL);
    let mut answered = letters.clone();
    letters.round_begins(minute(300), minute(360));
    assert_eq!(written(&mut letters, 300, 400), [], "people were in the room, and know");
    assert!(call(&mut letters, 700, &warm("a"), warmth(), 720 - 500), "it comes far sooner");
    assert_eq!(written(&mut letters, 700, 1400), [(701, LetterKind::Alarm)], "without a reminder");
    answered.answered(&warm("a"));
    answered.round_begins(minute(300), minute(360));
    assert!(call(&mut answered, 700, &warm("a"), warmth(), 720));
    assert_eq!(written(&mut answered, 700, 1400).len(), BUT_FOR_A_CALL);
}

#[test]
fn letters_count_over_a_round_though_all_they_told_of_was_over() {
    let mut letters = called(300);
    written(&mut letters, 5, 300);
    letters.returned(minute(300), &warm("a"));
    assert_eq!(written(&mut letters, 300, 330), [(302, LetterKind::Over)]);
    letters.round_begins(minute(330), minute(390));
    call(&mut letters, 400, &warm("a"), warmth(), 420);
    assert_eq!(written(&mut letters, 400, 900), [(401, LetterKind::Alarm)], "a call is news, and is not repeated");
}

#[test]
fn letters_of_two_nights_ago_count_no_more() {
    let mut letters = called(300);
    written(&mut letters, 5, 300);
    for round in [300, 1000, 1740] {
        letters.round_begins(minute(round), minute(round + 60));
        written(&mut letters, round, round + 100);
    }
    assert!(call(&mut letters, 2000, &warm("a"), warmth(), 100));
    assert_eq!(written(&mut letters, 2000, 2700).len() + 1, BUT_FOR_A_CALL, "and the one after the last round");
}

#[test]
fn no_evening_letter_is_the_fifth() {
    let mut letters = called(300);
    written(&mut letters, 5, 300);
    let low = low(500);
    assert_eq!(evening(&mut letters, 300, &low), None);
}

#[test]
fn the_letter_before_a_round_counts_as_one_and_comes_with_news_alone() {
    let mut letters = Conversation::default();
    let (key, cause) = tank("tank");
    let before_round = |letters: &mut Conversation, at| {
        letters.before_round(minute(at), vec![need(&key, cause.clone(), 900)]).map(|draft| draft.kind)
    };
    assert_eq!(before_round(&mut letters, 0), Some(LetterKind::Round));
    assert_eq!(before_round(&mut letters, 1), None);
    call(&mut letters, 2, &warm("a"), warmth(), 300);
    assert_eq!(written(&mut letters, 2, 500).len() + 1, BUT_FOR_A_CALL);
}

#[test]
fn what_was_answered_last_night_is_called_for_anew() {
    let mut letters = called(300);
    letters.answered(&warm("a"));
    letters.round_begins(minute(10), minute(70));
    assert_eq!(letters.deadline(), None);
    assert!(call(&mut letters, 80, &warm("a"), warmth(), 300));
}

#[test]
fn the_evening_letter_counts_as_a_call_for_twenty_minutes_and_until_a_round() {
    let low = low(55);
    let mut letters = Conversation::default();
    evening(&mut letters, 0, &low);
    let next = |mut letters: Conversation, at: i64| {
        assert!(comes_due(&mut letters, at, &low));
        written(&mut letters, at, at + 50)[0].0
    };
    assert_eq!(next(letters.clone(), 15), 20, "its first reminder");
    assert_eq!(next(letters.clone(), 20), 21, "a call of its own");
    letters.round_begins(minute(-50), minute(10));
    assert_eq!(next(letters, 15), 16);
}

#[test]
fn an_evening_letter_that_counts_as_a_call_covers_what_it_now_warns_of() {
    let mut letters = Conversation::default();
    letters.evening(minute(0), vec![need(&warm("a"), warmth(), 100)]);
    assert!(call(&mut letters, 10, &warm("a"), warmth(), 60));
    assert!(!call(&mut letters, 11, &warm("b"), warmth(), 60));
}

#[test]
fn reminders_are_counted_from_the_last_call() {
    let mut letters = Conversation::default();
    let low = low(300);
    evening(&mut letters, 0, &low);
    call(&mut letters, 5, &warm("a"), warmth(), 400);
    assert_eq!(written(&mut letters, 5, 10), [(6, LetterKind::Alarm)]);
    assert!(comes_due(&mut letters, 10, &low), "the evening letter was its call");
    assert_eq!(written(&mut letters, 10, 50), [(26, LetterKind::Alarm)]);
}

#[test]
fn the_letter_after_a_round_ends_the_reminders_of_what_was_called_in_it() {
    let mut letters = called(300);
    letters.round_begins(minute(10), minute(70));
    assert_eq!(letters.deadline(), Some(minute(70)));
    let (key, cause) = tank("tank");
    call(&mut letters, 30, &key, cause, 200);
    assert_eq!(written(&mut letters, 30, 1000), [31, 51, 70].map(|at| (at, LetterKind::Alarm)));
}
