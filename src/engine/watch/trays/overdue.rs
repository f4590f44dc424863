//! The watch over plans: which trays are past their stage.

use crate::alarm::{AlarmKind, Condition, Evidence, Harm};
use crate::watch::seen::{Judged, Seen, Subject};
use alloc::vec::Vec;

/// A tray bears its cover, or loses worth uncut, from so many hours beyond its day, with a tenth of
/// the chance; more is not stated, because nearly always it was done and not typed. Own defaults.
const BEARS_COVERED_HOURS: f64 = 24.0;
const BEARS_UNCUT_HOURS: f64 = 48.0;

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
        let early = if stage.covered() { BEARS_COVERED_HOURS } else { BEARS_UNCUT_HOURS };
        let harm = Some(Harm::after(due, early, f64::INFINITY, f64::INFINITY));
        judged.push(Judged::of(
            Subject::Tray(tray.name.clone()),
            (AlarmKind::StageOverdue, Condition::Present { harm, evidence }),
        ));
    }
    let over: Vec<Judged> = seen
        .alarms
        .of_kind(AlarmKind::StageOverdue)
        .filter(|alarm| alarm.is_held())
        .map(|alarm| Subject::Tray(alarm.key().subject.clone()))
        .filter(|subject| !judged[first..].iter().any(|found| found.subject == *subject))
        .map(|subject| Judged::of(subject, (AlarmKind::StageOverdue, Condition::Absent)))
        .collect();
    judged.extend(over);
}
