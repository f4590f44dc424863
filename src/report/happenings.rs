//! What was done and which alarms held, as the lanes of a chart.

use super::alarms::Episode;
use super::subject::HistorySubject;
use crate::analysis::lives::{Action, Life};
use crate::chart::{Happening, Lane, Sign};
use crate::engine::alarm::AlarmKey;
use crate::engine::rules::Rules;
use crate::journal::Did;
use crate::units::Timestamp;

/// The water and the work among some actions, a lane each where there is any.
fn lanes(actions: &[&Action]) -> Vec<Lane> {
    let lane = |name: &str, sign: fn(&Did) -> Option<(Sign, &'static str)>| Lane {
        name: name.to_owned(),
        happenings: actions
            .iter()
            .filter_map(|action| {
                let (sign, word) = sign(&action.did)?;
                Some(Happening { at: action.at, until: None, sign, word: word.to_owned() })
            })
            .collect(),
    };
    let water = lane("Water", |did| match did {
        Did::Water { .. } => Some((Sign::Drop, "")),
        Did::Mist(_) => Some((Sign::Mist, "mist")),
        _ => None,
    });
    let work = lane("Work", |did| match did {
        Did::Unweight(_) => Some((Sign::Square, "weight off")),
        Did::Uncover(_) => Some((Sign::Square, "uncover")),
        Did::Light(_) => Some((Sign::Square, "light")),
        Did::Move { .. } => Some((Sign::Arrow, "move")),
        Did::Look { .. } => Some((Sign::Ring, "look")),
        Did::Harvest { .. } => Some((Sign::Cross, "cut")),
        Did::Discard { .. } => Some((Sign::Cross, "discarded")),
        _ => None,
    });
    [water, work].into_iter().filter(|lane| !lane.happenings.is_empty()).collect()
}

impl HistorySubject {
    /// What was done to the tray, or to the trays of the place while they stood there.
    pub(crate) fn lanes(&self, rules: &Rules, lives: &[Life], from: Timestamp, until: Timestamp) -> Vec<Lane> {
        lanes(&self.actions(rules, lives, from, until))
    }

    /// Alarms about it and about what surrounds it, each as long as its condition held: a row a
    /// kind, so that none stands under another's word; two of one kind at one time stand in two.
    pub(crate) fn alarms(&self, rules: &Rules, alarms: &[Episode], from: Timestamp, until: Timestamp) -> Vec<Lane> {
        let mut rows: Vec<Lane> = Vec::new();
        for (key, since, over) in self.spells(rules, alarms, from, until) {
            let happening =
                Happening { at: since, until: Some(over), sign: Sign::Diamond, word: key.kind.word().to_owned() };
            let free = |lane: &&mut Lane| {
                lane.happenings.last().is_none_or(|last| last.word == happening.word && last.until < Some(since))
            };
            match rows.iter_mut().find(free) {
                Some(lane) => lane.happenings.push(happening),
                None => {
                    let name = if rows.is_empty() { "Alarms" } else { "" };
                    rows.push(Lane { name: name.to_owned(), happenings: vec![happening] });
                }
            }
        }
        rows
    }

    /// The spells of the alarms that concern it within a span, by when each began.
    fn spells<'a>(
        &self,
        rules: &Rules,
        alarms: &'a [Episode],
        from: Timestamp,
        until: Timestamp,
    ) -> Vec<(&'a AlarmKey, Timestamp, Timestamp)> {
        let of_one = |episode: &'a Episode| {
            episode.held.iter().map(move |(since, over)| (&episode.key, *since, over.unwrap_or(until).min(until)))
        };
        let mut spells: Vec<_> = alarms
            .iter()
            .flat_map(of_one)
            .filter(|(_, since, over)| *since <= until && from <= *over)
            .filter(|(key, since, over)| self.is_meant(rules, &key.subject, (*since, *over)))
            .collect();
        spells.sort_by_key(|(_, since, _)| *since);
        spells
    }
}

#[cfg(test)]
mod tests {
    use super::super::alarms::episodes;
    use super::super::alarms::tests::change;
    use super::*;
    use crate::analysis::lives::lives;
    use crate::analysis::sample::{at, journal, rules};
    use crate::engine::alarm::AlarmState;

    #[test]
    fn an_alarm_lasts_while_its_condition_holds_and_two_at_once_stand_in_two_rows() {
        let rules = rules();
        use crate::engine::alarm::AlarmKind::{AirTooDamp, SensorSilent};
        use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
        let damp = |reported, states| change((AirTooDamp, "rack-a"), (reported, "2026-03-03 08:00"), states, None);
        let silent =
            |reported, states| change((SensorSilent, "rack-a-air"), (reported, "2026-03-03 08:50"), states, None);
        let changes = [
            damp("2026-03-03 08:10", (Normal, Unacknowledged)),
            damp("2026-03-03 08:30", (Unacknowledged, Acknowledged)),
            silent("2026-03-03 09:00", (Normal, Unacknowledged)),
            silent("2026-03-03 09:30", (Unacknowledged, ReturnedUnacknowledged)),
            damp("2026-03-03 10:00", (Acknowledged, Normal)),
            silent("2026-03-03 10:00", (ReturnedUnacknowledged, Normal)),
            change((AirTooDamp, "rack-b"), ("2026-03-03 11:00", "2026-03-03 10:50"), (Normal, Unacknowledged), None),
        ];
        let (from, until) = (at("2026-03-03 00:00"), at("2026-03-04 00:00"));
        let alarms = episodes(&changes, from, until);
        let rack = HistorySubject::named(&rules, &[], "rack-a").expect("a place");
        let rows: Vec<Vec<(Timestamp, Option<Timestamp>)>> = rack
            .alarms(&rules, &alarms, from, until)
            .iter()
            .map(|lane| lane.happenings.iter().map(|held| (held.at, held.until)).collect())
            .collect();
        let damp = (at("2026-03-03 08:00"), Some(at("2026-03-03 10:00")));
        let silent = (at("2026-03-03 08:50"), Some(at("2026-03-03 09:30")));
        assert_eq!(rows, [vec![damp], vec![silent]]);
        let other = HistorySubject::named(&rules, &[], "rack-b").expect("a place").alarms(&rules, &alarms, from, until);
        assert_eq!(other[0].happenings[0].until, Some(until));
    }

    #[test]
    fn an_alarm_of_another_kind_never_stands_in_a_row_under_the_first_ones_word() {
        use crate::engine::alarm::AlarmKind::{AirTooDamp, SensorSilent};
        use AlarmState::{Normal, Unacknowledged};
        let held = |kind, on, from, until| {
            let raised = change((kind, on), (from, from), (Normal, Unacknowledged), None);
            [raised, change((kind, on), (until, from), (Unacknowledged, Normal), None)]
        };
        let changes = [
            held(AirTooDamp, "rack-a", "2026-03-03 08:00", "2026-03-03 09:00"),
            held(SensorSilent, "rack-a-air", "2026-03-03 12:00", "2026-03-03 13:00"),
            held(AirTooDamp, "rack-a", "2026-03-03 15:00", "2026-03-03 16:00"),
        ]
        .concat();
        let (from, until) = (at("2026-03-03 00:00"), at("2026-03-04 00:00"));
        let rack = HistorySubject::named(&rules(), &[], "rack-a").expect("a place");
        let rows: Vec<Vec<String>> = rack
            .alarms(&rules(), &episodes(&changes, from, until), from, until)
            .iter()
            .map(|lane| lane.happenings.iter().map(|held| held.word.clone()).collect())
            .collect();
        assert_eq!(rows, [vec!["air-too-damp"; 2], vec!["sensor-silent"]]);
    }

    #[test]
    fn a_tray_is_told_the_alarms_of_where_it_stood_then_and_of_no_other_place() {
        use crate::engine::alarm::AlarmKind::AirTooDamp;
        use AlarmState::{Normal, Unacknowledged};
        let rules = rules();
        let all = lives(
            &rules,
            &journal(&[
                ("2026-03-02 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
                ("2026-03-04 08:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
            ]),
        );
        let damp = |place, from, until| {
            let raised = change((AirTooDamp, place), (from, from), (Normal, Unacknowledged), None);
            [raised, change((AirTooDamp, place), (until, from), (Unacknowledged, Normal), None)]
        };
        let changes = [
            damp("rack-a", "2026-03-01 08:00", "2026-03-01 12:00"),
            damp("rack-b", "2026-03-03 08:00", "2026-03-03 12:00"),
            damp("rack-a", "2026-03-03 14:00", "2026-03-03 15:00"),
            damp("rack-b", "2026-03-04 06:00", "2026-03-04 09:00"),
            damp("rack-a", "2026-03-05 06:00", "2026-03-05 09:00"),
        ]
        .concat();
        let (from, until) = (at("2026-03-01 00:00"), at("2026-03-06 00:00"));
        let alarms = episodes(&changes, from, until);
        let tray = HistorySubject::named(&rules, &all, "K1").expect("it was sown");
        let reported: Vec<Timestamp> = tray
            .alarms(&rules, &alarms, from, until)
            .iter()
            .flat_map(|lane| &lane.happenings)
            .map(|held| held.at)
            .collect();
        assert_eq!(reported, [at("2026-03-03 14:00"), at("2026-03-04 06:00")]);
    }
}
