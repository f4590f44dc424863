//! The watch over plans: which trays are past their stage.

use crate::alarm::{AlarmKind, Condition, Evidence};
use crate::watch::seen::{Judged, Seen, Subject};
use alloc::vec::Vec;

/// Judges every tray, and every one whose alarm stands but which is gone or back in its plan.
pub(crate) fn minute(seen: &Seen<'_>, judged: &mut Vec<Judged>) {
    let at = seen.at;
    let first = judged.len();
    for tray in seen.trays.growing() {
        let Some(due) = tray.overdue(at) else { continue };
        let stage = tray.stage(at);
        let evidence = Evidence::Stage {
            tray: tray.name.clone(),
            place: seen.rules.place(tray.place).name.clone(),
            crop: tray.crop.clone(),
            stage,
            due,
        };
        // Done and not typed, or not done: it is asked for, and nobody is called.
        judged.push(Judged::of(
            Subject::Tray(tray.name.clone()),
            (AlarmKind::StageOverdue, Condition::Present { harm: None, evidence }),
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
