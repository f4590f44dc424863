//! The watch over plans: which trays are past their stage.

use crate::alarm::{AlarmKind, Condition, Evidence, Harm};
use crate::watch::seen::{Judged, Seen, Subject};
use alloc::vec::Vec;
use chrono::TimeDelta;

/// A pale or moldy tray is lost about a day and a half after its plan. Own default.
const LOST_AFTER: TimeDelta = TimeDelta::hours(36);

/// Judges every tray, and every one whose alarm stands but which is gone or back in its plan.
pub(crate) fn minute(seen: &Seen<'_>, judged: &mut Vec<Judged>) {
    let at = seen.at;
    let first = judged.len();
    for tray in seen.trays.growing() {
        let Some(due) = tray.overdue(at) else { continue };
        let from = due + LOST_AFTER;
        let stage = tray.stage(at);
        let evidence = Evidence::Stage {
            tray: tray.name.clone(),
            place: seen.rules.place(tray.place).name.clone(),
            crop: tray.crop.clone(),
            stage,
            due,
        };
        let harm = stage.covered().then_some(Harm { from, early: from });
        judged.push(Judged::of(
            Subject::Tray(tray.name.clone()),
            (AlarmKind::StageOverdue, Condition::Present { harm, evidence }),
        ));
    }
    let over: Vec<Judged> = seen
        .alarms
        .of_kind(AlarmKind::StageOverdue)
        .filter(|alarm| alarm.is_held())
        .map(|alarm| Subject::Tray(alarm.key.subject.clone()))
        .filter(|subject| !judged[first..].iter().any(|found| found.subject == *subject))
        .map(|subject| Judged::of(subject, (AlarmKind::StageOverdue, Condition::Absent)))
        .collect();
    judged.extend(over);
}
