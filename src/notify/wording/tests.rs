//! The sample letters, kept as snapshots so that a person can read every sentence, and laws
//! that hold for all of them.

mod told_apart;

use super::sample_alarms::{at, change, every_kind, rules, site, tank_low};
use super::samples::{facts, later, samples};
use super::*;
use crate::engine::alarm::{AlarmKind, AlarmState, Evidence, Harm, Priority, REPORTED_IN_THE_DIGEST};
use crate::engine::event::{AtStake, Occasion};
use crate::engine::letters::situation::{Cause, cause_of};
use crate::units::UnitSystem;

/// A letter that is answered at the machine.
fn letter(facts: &LetterFacts, rules: &Rules, pictures: Vec<Picture>) -> Letter {
    crate::notify::wording::letter(facts, rules, pictures, &Answering::default())
}

#[test]
fn sample_letters_read_as_they_were_read_aloud() {
    let mut all = String::new();
    for (name, facts, units) in samples() {
        let letter = letter(&facts, &rules(units), vec![]);
        crate::chart::tests::for_a_look(&format!("{}.html", name.replace(' ', "-")), letter.html.as_bytes());
        all.push_str(&format!("##### {name}\nSubject: {}\n\n{}\n", letter.subject, letter.text));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn every_kind_reads_as_it_was_read_aloud() {
    let mut all = String::new();
    for raised in every_kind() {
        let site = site(UnitSystem::Metric);
        all.push_str(&format!("##### {}\n", raised.key.kind.word()));
        for state in [AlarmState::Unacknowledged, AlarmState::ReturnedUnacknowledged] {
            let now = if state == AlarmState::Unacknowledged { raised.at } else { at("2026-03-03T23:00") };
            let mut reported = later(raised.clone(), now, state);
            reported.before = AlarmState::Normal;
            all.push_str(&alarm_text(&reported, &site));
            all.push_str("\n\n");
        }
    }
    let raised = tank_low();
    for (state, before, by) in [
        (AlarmState::Acknowledged, AlarmState::Unacknowledged, Some("Ada")),
        (AlarmState::Normal, AlarmState::ReturnedUnacknowledged, Some("Ada")),
        (AlarmState::Normal, AlarmState::ReturnedUnacknowledged, Some(REPORTED_IN_THE_DIGEST)),
        (AlarmState::Normal, AlarmState::Acknowledged, None),
        (AlarmState::Unacknowledged, AlarmState::Unacknowledged, None),
        (AlarmState::Shelved, AlarmState::Unacknowledged, Some("Ada")),
        (AlarmState::OutOfService, AlarmState::Unacknowledged, None),
    ] {
        let reported = AlarmChange { state, before, by: by.map(str::to_owned), ..raised.clone() };
        all.push_str(&format!(
            "##### {} after {}\n{}\n\n",
            state.word(),
            before.word(),
            alarm_text(&reported, &site(UnitSystem::Us))
        ));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn every_subject_is_short_and_names_its_place_first() {
    for (name, facts, units) in samples() {
        let subject = letter(&facts, &rules(units), vec![]).subject;
        assert!(subject.len() < 60 && subject.is_ascii(), "{name}: {subject} ({})", subject.len());
    }
    for raised in every_kind() {
        for priority in [Priority::Now, Priority::NextRound, Priority::Digest] {
            for long in [false, true] {
                let mut reported = AlarmChange { priority, ..raised.clone() };
                if long && let Evidence::Air { place, .. } = &mut reported.evidence {
                    *place = "The väry long räck behind the second door of the loft".into();
                }
                // Alarms of other causes: those of one cause are one thing to see to.
                let own = reported.key.clone();
                let site = rules(UnitSystem::Us);
                let mut all = vec![(Occasion::Raised, reported)];
                for other in every_kind() {
                    let known: Vec<Cause> = all.iter().map(|(_, change)| cause_of(&site, &change.key)).collect();
                    if all.len() < 3 && !known.contains(&cause_of(&site, &other.key)) {
                        all.push((Occasion::Raised, AlarmChange { priority: Priority::Digest, harm: None, ..other }));
                    }
                }
                let facts = facts(LetterKind::Alarm, all);
                assert!(facts.situations.len() == 3, "{own:?}");
                let subject = letter(&facts, &site, vec![]).subject;
                assert!(subject.len() < 60 && subject.is_ascii(), "{subject} ({})", subject.len());
                assert!(subject.ends_with("+ 2 more"), "{subject}");
            }
        }
    }
}

#[test]
fn every_letter_about_an_alarm_says_what_since_otherwise_and_how_to_answer() {
    for raised in every_kind() {
        let id = raised.key.id();
        let text =
            letter(&facts(LetterKind::Alarm, vec![(Occasion::Raised, raised)]), &rules(UnitSystem::Metric), vec![])
                .text;
        for part in ["\nWhat ", "\nSince ", "\nOtherwise ", &format!("traywarden alarms acknowledge {id}")] {
            assert!(text.contains(part), "{part:?} is missing in\n{text}");
        }
        let first = text.split("\n\n").next().unwrap();
        assert!(first.ends_with('.') && !first.starts_with("What"), "{first}");
        for line in text.lines().skip(1) {
            assert!(line.chars().count() <= 72, "{line}");
        }
    }
}

#[test]
fn harm_that_may_never_come_has_no_date_on_which_it_does() {
    for mut raised in every_kind() {
        raised.harm = Some(Harm::after(raised.at, 5.0, f64::INFINITY, f64::INFINITY));
        let text = alarm_text(&raised, &site(UnitSystem::Metric));
        assert!(text.contains("more likely it does not come to that"), "{text}");
        assert!(!text.contains("from about"), "{text}");
    }
}

#[test]
fn words_about_mold_and_water_carry_their_caution_and_no_word_is_a_verdict() {
    for raised in every_kind() {
        let kind = raised.key.kind;
        let text = alarm_text(&raised, &site(UnitSystem::Metric));
        if matches!(kind, AlarmKind::MoldPressure | AlarmKind::AirTooDamp | AlarmKind::Condensation) {
            assert!(text.contains("not validated on microgreens; look at the tray"), "{text}");
        }
        if matches!(kind, AlarmKind::ReservoirLeak | AlarmKind::ReservoirEmpty) {
            assert!(text.contains("licensed electrician"), "{text}");
        }
        for verdict in ["is moldy", "has mold", "is infected", "is safe", "mold is", "bleach", "peroxide"] {
            assert!(!text.to_lowercase().contains(verdict), "{text}");
        }
    }
}

#[test]
fn text_from_outside_is_escaped_in_the_html() {
    let reported = change(
        AlarmKind::StoreFailing,
        "site",
        Evidence::Store { error: "<script>alert(1)</script>".into(), at_stake: AtStake::default() },
    );
    let html =
        letter(&facts(LetterKind::Alarm, vec![(Occasion::Raised, reported)]), &rules(UnitSystem::Metric), vec![]).html;
    assert!(!html.contains("<script>"), "{html}");
}

#[test]
fn no_readings_is_never_said_above_a_table_that_has_some() {
    let (_, mut facts, units) =
        samples().into_iter().find(|(_, facts, _)| facts.digest.is_some()).expect("a digest is among the samples");
    let day = facts.digest.as_mut().expect("it was asked for");
    day.standing.clear();
    day.unwatched_hours = 0.0;
    for place in &mut day.places {
        (place.hours_known, place.empty) = (0.03, false);
    }
    let written = |facts: &LetterFacts| {
        let reported = letter(facts, &rules(units), vec![]);
        (reported.subject, reported.text.split_whitespace().collect::<Vec<_>>().join(" "))
    };
    let (subject, text) = written(&facts);
    assert!(subject.contains("hardly any readings"), "{subject}");
    assert!(text.contains("There are hardly any readings from Rack A"), "{text}");
    assert!(!text.contains("no readings"), "{text}");
    for place in &mut facts.digest.as_mut().expect("it was asked for").places {
        (place.hours_known, place.temperature, place.humidity, place.vpd) = (0.0, None, None, None);
    }
    let (subject, text) = written(&facts);
    assert!(subject.contains("no readings") && text.contains("There are no readings from Rack A"), "{text}");
}

fn by_mail() -> Answering {
    let by_mail = ByMail { address: "warden@saltmarsh.example".into(), code: "K7QD-4MXR".into() };
    Answering { by_mail: Some(by_mail), ..Answering::default() }
}

#[test]
fn where_replies_are_read_no_letter_asks_for_a_shell() {
    for raised in every_kind() {
        let facts = facts(LetterKind::Alarm, vec![(Occasion::Raised, raised)]);
        let letter = crate::notify::wording::letter(&facts, &rules(UnitSystem::Us), vec![], &by_mail());
        assert!(letter.text.contains("reply \"seen\"") && letter.text.contains("K7QD-4MXR"), "{}", letter.text);
        assert!(!letter.text.contains("traywarden alarms"), "{}", letter.text);
        let link = "mailto:warden@saltmarsh.example?subject=seen%20%5BK7QD-4MXR%5D&amp;body=seen";
        assert!(letter.html.contains(link), "{}", letter.html);
        assert!(letter.text.lines().skip(1).all(|line| line.chars().count() <= 72), "{}", letter.text);
    }
}

#[test]
fn the_digest_tells_of_refused_replies_and_of_a_mailbox_that_is_not_read() {
    let digests: Vec<LetterFacts> =
        samples().into_iter().map(|(_, facts, _)| facts).filter(|facts| facts.digest.is_some()).collect();
    assert!(!digests.is_empty());
    for facts in digests {
        let text = |answering: &Answering| {
            let text = crate::notify::wording::letter(&facts, &rules(UnitSystem::Us), vec![], answering).text;
            text.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        assert!(!text(&by_mail()).contains("not taken"));
        assert!(text(&by_mail()).contains("goes into the journal. Mark of this letter: K7QD-4MXR."));
        let refused = text(&Answering { refused: 2, ..by_mail() });
        assert!(refused.contains("2 replies were not taken: without the mark of a letter"), "{refused}");
        let why = "mail.saltmarsh.example refuses the login".to_owned();
        let deaf = text(&Answering { deaf: Some((facts.at - chrono::TimeDelta::hours(3), why)), ..by_mail() });
        assert!(deaf.contains("Your replies have not been read since"), "{deaf}");
    }
}
