//! Alarm changes folded into episodes: when each first spoke, when its condition held, who
//! answered. The chart, the record and the trace all tell alarms from here.

use crate::engine::alarm::{AlarmKey, AlarmState, REPORTED_IN_THE_DIGEST};
use crate::store::{AlarmLine, Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// An alarm that began this long before a span may still hold in it. Own default.
const BEFORE: TimeDelta = TimeDelta::days(60);

/// One alarm from its first word until it is over and answered.
#[derive(Clone, Debug, PartialEq)]
pub struct Episode {
    /// The alarm: its kind and what it is about.
    pub key: AlarmKey,
    /// When it first spoke.
    pub spoke_at: Timestamp,
    /// Since when and until when its condition held; `None`: it held at the end. It may
    /// come back before anybody answers: still one episode.
    pub held: Vec<(Timestamp, Option<Timestamp>)>,
    /// The first sentence people were shown.
    pub text: String,
    /// Who answered it, when, and how it stood then. That the digest told of it is no answer.
    pub answers: Vec<(Timestamp, String, AlarmState)>,
}

impl Episode {
    /// Since when the condition first held.
    pub fn since(&self) -> Timestamp {
        self.held.first().map_or(self.spoke_at, |(since, _)| *since)
    }

    /// When the condition was gone for good; `None`: it held at the end.
    pub(crate) fn over_at(&self) -> Option<Timestamp> {
        self.held.last().and_then(|(_, over)| *over)
    }
}

/// What held within a span, by when it began.
///
/// # Errors
/// When the store cannot be read.
pub fn read(reader: &Reader, since: Timestamp, until: Timestamp) -> Result<Vec<Episode>, StoreError> {
    Ok(episodes(&reader.alarm_changes(since - BEFORE)?, since, until))
}

/// What held within a span, by when it began; changes from `until` on have not happened yet.
pub fn episodes(changes: &[AlarmLine], since: Timestamp, until: Timestamp) -> Vec<Episode> {
    let mut open: BTreeMap<&AlarmKey, Episode> = BTreeMap::new();
    let mut over = Vec::new();
    for change in changes.iter().filter(|change| change.at < until) {
        let episode = open.entry(&change.key).or_insert_with(|| Episode {
            key: change.key.clone(),
            spoke_at: change.at,
            held: Vec::new(),
            text: change.text.clone(),
            answers: Vec::new(),
        });
        let answered = match change.state {
            AlarmState::Acknowledged | AlarmState::Shelved | AlarmState::OutOfService => change.state != change.before,
            AlarmState::Normal => change.before == AlarmState::ReturnedUnacknowledged,
            AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged => false,
        };
        episode.answers.extend(
            change
                .by
                .clone()
                .filter(|by| answered && by != REPORTED_IN_THE_DIGEST)
                .map(|by| (change.at, by, change.state)),
        );
        let gone = matches!(change.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged);
        match episode.held.last_mut() {
            Some((_, over @ None)) if gone => *over = Some(change.at),
            Some((_, None)) => {}
            _ if !gone => episode.held.push((change.since, None)),
            _ => {}
        }
        if change.state == AlarmState::Normal {
            over.extend(open.remove(&change.key));
        }
    }
    over.extend(open.into_values());
    // Of one whose beginning was forgotten only the end is known.
    over.retain(|episode| !episode.held.is_empty() && episode.over_at().is_none_or(|at| at >= since));
    over.sort_by(|one, other| one.since().cmp(&other.since()).then_with(|| one.key.cmp(&other.key)));
    over
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::analysis::sample::at;
    use crate::engine::alarm::{AlarmKind, Priority};
    use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};

    /// A change of an alarm about `subject`, told at a time, of a condition since another.
    pub(in super::super) fn change(
        (kind, subject): (AlarmKind, &str),
        (reported, since): (&str, &str),
        (before, state): (AlarmState, AlarmState),
        by: Option<&str>,
    ) -> AlarmLine {
        AlarmLine {
            at: at(reported),
            key: AlarmKey { kind, subject: subject.to_owned() },
            since: at(since),
            state,
            before,
            priority: Priority::NextRound,
            harm: None,
            next_round: at("2026-03-02 13:00"),
            times: 1,
            text: format!("{subject} has {}.", kind.word()),
            by: by.map(str::to_owned),
        }
    }

    fn damp(reported: &str, before: AlarmState, state: AlarmState, by: Option<&str>) -> AlarmLine {
        change((AlarmKind::AirTooDamp, "rack-a"), (reported, "2026-03-02 10:00"), (before, state), by)
    }

    fn of(changes: &[AlarmLine], since: &str, until: &str) -> Vec<Episode> {
        episodes(changes, at(since), at(until))
    }

    #[test]
    fn an_episode_tells_who_answered_and_when_it_was_over() {
        let changes = [
            damp("2026-03-02 10:20", Normal, Unacknowledged, None),
            damp("2026-03-02 10:40", Unacknowledged, Acknowledged, Some("Ada")),
            // It got worse meanwhile: nobody answered anew.
            damp("2026-03-02 11:30", Acknowledged, Acknowledged, Some("Ada")),
            damp("2026-03-02 12:00", Acknowledged, Normal, Some("Ada")),
            damp("2026-03-05 10:20", Normal, Unacknowledged, None),
            damp("2026-03-05 11:00", Unacknowledged, ReturnedUnacknowledged, None),
            damp("2026-03-05 12:30", ReturnedUnacknowledged, Normal, Some(REPORTED_IN_THE_DIGEST)),
        ];
        let reported = of(&changes, "2026-03-02 06:00", "2026-03-03 06:00");
        let [episode] = &reported[..] else { panic!("one episode, not {reported:?}") };
        assert_eq!(episode.spoke_at, at("2026-03-02 10:20"));
        assert_eq!(episode.held, [(at("2026-03-02 10:00"), Some(at("2026-03-02 12:00")))]);
        assert_eq!(episode.answers, [(at("2026-03-02 10:40"), "Ada".to_owned(), Acknowledged)]);
        // Over before the span: not told. Looked at before its end: it holds.
        assert_eq!(of(&changes, "2026-03-03 06:00", "2026-03-04 06:00"), []);
        assert_eq!(of(&changes, "2026-03-02 06:00", "2026-03-02 11:00")[0].over_at(), None);
        // Gone by itself and answered by nobody; the digest is no person.
        let unseen = &of(&changes, "2026-03-05 06:00", "2026-03-06 06:00")[0];
        assert_eq!((unseen.over_at(), unseen.answers.len()), (Some(at("2026-03-05 11:00")), 0));
    }

    #[test]
    fn a_condition_that_comes_back_unanswered_is_one_episode_of_two_spells() {
        let again = (AlarmKind::AirTooDamp, "rack-a");
        let changes = [
            damp("2026-03-02 10:20", Normal, Unacknowledged, None),
            damp("2026-03-02 11:00", Unacknowledged, ReturnedUnacknowledged, None),
            change(again, ("2026-03-02 14:00", "2026-03-02 13:40"), (ReturnedUnacknowledged, Unacknowledged), None),
            change(again, ("2026-03-02 15:00", "2026-03-02 13:40"), (Unacknowledged, ReturnedUnacknowledged), None),
            change(again, ("2026-03-02 18:00", "2026-03-02 13:40"), (ReturnedUnacknowledged, Normal), Some("Wren")),
        ];
        let reported = of(&changes, "2026-03-02 06:00", "2026-03-03 06:00");
        let spells = [
            (at("2026-03-02 10:00"), Some(at("2026-03-02 11:00"))),
            (at("2026-03-02 13:40"), Some(at("2026-03-02 15:00"))),
        ];
        assert_eq!(reported.iter().map(|episode| &episode.held[..]).collect::<Vec<_>>(), [&spells[..]]);
        assert_eq!(reported[0].answers, [(at("2026-03-02 18:00"), "Wren".to_owned(), Normal)]);
    }

    #[test]
    fn the_end_of_an_episode_whose_beginning_is_not_known_is_not_told() {
        let changes = [damp("2026-03-02 12:00", Unacknowledged, Normal, None)];
        assert_eq!(of(&changes, "2026-03-02 06:00", "2026-03-03 06:00"), []);
    }
}
