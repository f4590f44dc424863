//! After calls of one kind that people said were wrong: the one change of the settings that
//! would have spared most of them in the last month, found by rehearsing the month under each
//! candidate, and what it would have cost.

use super::recorded::{Grain, Recording, rehearse};
use super::{RehearsalError, Rehearsed, Summary, Teller};
use crate::config::Config;
use crate::engine::alarm::AlarmKind;
use crate::engine::alarm::account::{Call, KEPT};
use crate::engine::event::{Grade, LetterKind};
use crate::engine::rules::AlarmTuning;
use crate::notify::wording::Proposal;
use crate::units::Timestamp;
use chrono::TimeDelta;

/// A rehearsed call so near a real one is that call: other settings move it. Own default.
const SAME_CALL: TimeDelta = TimeDelta::hours(2);

/// One change that is tried.
struct Candidate {
    line: &'static str,
    tune: fn(AlarmTuning) -> AlarmTuning,
}

/// From the mildest to the strongest.
const CANDIDATES: [Candidate; 4] = [
    Candidate { line: "wake_if = \"one in 3\"", tune: |tuning| AlarmTuning { wake_if: Some(1.0 / 3.0), ..tuning } },
    Candidate {
        line: "on_delay = \"30 min\"",
        tune: |tuning| AlarmTuning { on_delay: Some(TimeDelta::minutes(30)), ..tuning },
    },
    Candidate { line: "wake_if = \"one in 2\"", tune: |tuning| AlarmTuning { wake_if: Some(0.5), ..tuning } },
    Candidate {
        line: "on_delay = \"60 min\"",
        tune: |tuning| AlarmTuning { on_delay: Some(TimeDelta::minutes(60)), ..tuning },
    },
];

/// The change that would have spared most of the calls said to be wrong and none said to be
/// right; the mildest of equals. `None`: no such change is known.
///
/// # Errors
/// When the store cannot be read.
pub fn propose(
    config: &Config,
    kind: AlarmKind,
    calls: &[Call],
    until: Timestamp,
) -> Result<Option<Proposal>, RehearsalError> {
    let recording =
        Recording::Store { path: config.store.path.clone(), since: until - KEPT, until, grain: Grain::Minutes };
    let rehearsed = |tuning: Option<AlarmTuning>| -> Result<Vec<(Timestamp, String)>, RehearsalError> {
        let mut config = config.clone();
        if let Some(tuning) = tuning {
            config.rules.alarms.insert(kind, tuning);
        }
        let mut made = CallsMade { kind, calls: Vec::new() };
        rehearse(&config, &recording, &mut made)?;
        Ok(made.calls)
    };
    let now = config.rules.alarms.get(&kind).copied().unwrap_or_default();
    // What the rehearsal itself does not bring again says nothing of a change.
    let brought = rehearsed(None)?;
    let known: Vec<&Call> = calls.iter().filter(|call| is_among(&brought, call)).collect();
    let mut best: Option<Proposal> = None;
    for candidate in CANDIDATES {
        let tuned = (candidate.tune)(now);
        if tuned == now {
            continue;
        }
        let still = rehearsed(Some(tuned))?;
        let spared: Vec<&&Call> = known.iter().filter(|call| !is_among(&still, call)).collect();
        let said = |grade| spared.iter().filter(|call| call.grade.is_some_and(|(given, _)| given == grade)).count();
        let proposal = Proposal {
            kind,
            line: candidate.line.to_owned(),
            calls: calls.len(),
            spared: spared.len(),
            spared_wrong: said(Grade::Wrong),
            lost_right: said(Grade::Right),
        };
        let better = best.as_ref().is_none_or(|best| proposal.spared_wrong > best.spared_wrong);
        if proposal.lost_right == 0 && proposal.spared_wrong > 0 && better {
            best = Some(proposal);
        }
    }
    Ok(best)
}

fn is_among(rehearsed: &[(Timestamp, String)], call: &Call) -> bool {
    rehearsed.iter().any(|(at, subject)| *subject == call.subject && (*at - call.at).abs() <= SAME_CALL)
}

/// The calls of one kind that a rehearsal makes.
struct CallsMade {
    kind: AlarmKind,
    calls: Vec<(Timestamp, String)>,
}

impl Teller for &mut CallsMade {
    fn reported(&mut self, reported: Rehearsed<'_>) -> Result<(), RehearsalError> {
        if let Rehearsed::Letter(facts) = reported
            && facts.kind == LetterKind::Alarm
        {
            let named = facts.alarms().filter(|(_, change)| change.key.kind == self.kind);
            self.calls.extend(named.map(|(_, change)| (facts.at, change.key.subject.clone())));
        }
        Ok(())
    }

    fn ended(&mut self, _: &Summary) -> Result<(), RehearsalError> {
        Ok(())
    }
}
