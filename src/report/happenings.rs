//! What was done and which alarms held, as the lanes of a chart.

use super::history::Subject;
use super::lives::Deed;
use crate::chart::{Happening, Lane, Sign};
use crate::engine::alarm::{AlarmKey, AlarmState};
use crate::engine::rules::Rules;
use crate::journal::Did;
use crate::store::AlarmLine;
use crate::units::Timestamp;

/// The water and the work among some deeds, a lane each where there is any.
pub fn lanes(deeds: &[&Deed]) -> Vec<Lane> {
    let lane = |name: &str, sign: fn(&Did) -> Option<(Sign, &'static str)>| Lane {
        name: name.to_owned(),
        happenings: deeds
            .iter()
            .filter_map(|deed| {
                let (sign, word) = sign(&deed.did)?;
                Some(Happening { at: deed.at, until: None, sign, word: word.to_owned() })
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

impl Subject {
    /// Alarms about it and about what measures its air, each as long as its condition held;
    /// those that held at one time stand in rows of their own.
    pub fn alarms(&self, rules: &Rules, changes: &[AlarmLine], from: Timestamp, until: Timestamp) -> Vec<Lane> {
        let mut rows: Vec<Lane> = Vec::new();
        for (key, since, over) in held(changes) {
            let over = over.unwrap_or(until);
            if over < from || since > until || !self.is_meant(rules, &key.subject, since) {
                continue;
            }
            let happening = Happening {
                at: since,
                until: Some(over.min(until)),
                sign: Sign::Diamond,
                word: key.kind.word().to_owned(),
            };
            let free = |lane: &&mut Lane| lane.happenings.last().is_none_or(|last| last.until < Some(since));
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
}

/// Since when and until when the condition of each alarm held, by when it began.
fn held(changes: &[AlarmLine]) -> Vec<(AlarmKey, Timestamp, Option<Timestamp>)> {
    let mut spans: Vec<(AlarmKey, Timestamp, Option<Timestamp>)> = Vec::new();
    for change in changes {
        let open = spans.iter_mut().rev().find(|(key, _, over)| *key == change.key && over.is_none());
        let gone = matches!(change.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged);
        match open {
            Some((.., over)) if gone => *over = Some(change.at),
            None if !gone => spans.push((change.key.clone(), change.since, None)),
            _ => {}
        }
    }
    spans.sort_by_key(|(_, since, _)| *since);
    spans
}

#[cfg(test)]
mod tests {
    use super::super::sample::{at, rules};
    use super::*;

    #[test]
    fn an_alarm_lasts_while_its_condition_holds_and_two_at_once_stand_in_two_rows() {
        let rules = rules();
        let change = |told: &str, since: &str, kind, subject: &str, state| AlarmLine {
            at: at(told),
            key: AlarmKey { kind, subject: subject.to_owned() },
            since: at(since),
            state,
            before: AlarmState::Normal,
            priority: crate::engine::alarm::Priority::Digest,
            harm: None,
            next_round: at("2026-03-04 13:00"),
            times: 1,
            text: String::new(),
            by: None,
        };
        use crate::engine::alarm::AlarmKind::{AirTooDamp, SensorSilent};
        use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Unacknowledged};
        let changes = [
            change("2026-03-03 08:10", "2026-03-03 08:00", AirTooDamp, "rack-a", Unacknowledged),
            change("2026-03-03 08:30", "2026-03-03 08:00", AirTooDamp, "rack-a", Acknowledged),
            change("2026-03-03 09:00", "2026-03-03 08:50", SensorSilent, "rack-a-air", Unacknowledged),
            change("2026-03-03 09:30", "2026-03-03 08:50", SensorSilent, "rack-a-air", ReturnedUnacknowledged),
            change("2026-03-03 10:00", "2026-03-03 08:00", AirTooDamp, "rack-a", Normal),
            change("2026-03-03 10:00", "2026-03-03 08:50", SensorSilent, "rack-a-air", Normal),
            change("2026-03-03 11:00", "2026-03-03 10:50", AirTooDamp, "rack-b", Unacknowledged),
        ];
        let (from, until) = (at("2026-03-03 00:00"), at("2026-03-04 00:00"));
        let rack = Subject::named(&rules, &[], "rack-a").expect("a place");
        let rows: Vec<Vec<(Timestamp, Option<Timestamp>)>> = rack
            .alarms(&rules, &changes, from, until)
            .iter()
            .map(|lane| lane.happenings.iter().map(|held| (held.at, held.until)).collect())
            .collect();
        let damp = (at("2026-03-03 08:00"), Some(at("2026-03-03 10:00")));
        let silent = (at("2026-03-03 08:50"), Some(at("2026-03-03 09:30")));
        assert_eq!(rows, [vec![damp], vec![silent]]);
        let other = Subject::named(&rules, &[], "rack-b").expect("a place").alarms(&rules, &changes, from, until);
        assert_eq!(other[0].happenings[0].until, Some(until));
    }
}
