//! Which letter is due: the call and its reminders, which look before they speak, the call after
//! a round, the one that says all is over, the evening's, and the one before a round.

use super::reported::Reported;
use super::{Conversation, Draft, Need, Wanted};
use crate::alarm::AlarmKey;
use crate::letters::facts::LetterKind;
use crate::letters::situation::Occasion;
use crate::units::Timestamp;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// A digest that comes within this says it instead.
const DIGEST_IS_NEAR: TimeDelta = TimeDelta::hours(1);

fn is_due(due_at: Option<Timestamp>, at: Timestamp) -> bool {
    due_at.is_some_and(|due| due <= at)
}

impl Conversation {
    /// When to call [`Conversation::take_due`] next.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        [self.due_at, self.next_reminder(), self.over_due, self.call_again_at].into_iter().flatten().min()
    }

    /// The letter that is due now, if any. `needs_hands` says whether the rule for a call
    /// holds for an alarm at this very minute; `digest_at` is the next digest.
    pub(crate) fn take_due(
        &mut self,
        at: Timestamp,
        digest_at: Timestamp,
        needs_hands: impl Fn(&AlarmKey) -> bool,
    ) -> Option<Draft> {
        self.look_again_at_what_eased(at, &needs_hands);
        let draft = self.take_call_after_round(at, &needs_hands);
        let draft = draft.or_else(|| self.take_call(at, &needs_hands));
        let draft = draft.or_else(|| self.take_reminder(at, &needs_hands));
        draft.or_else(|| self.take_over(at, digest_at))
    }

    /// The evening letter, with whatever will need hands before the morning or cannot be
    /// watched in the night; `None` when all of that was told already.
    pub(crate) fn evening(&mut self, at: Timestamp, needs: Vec<Need<'_>>) -> Option<Draft> {
        if !needs.iter().any(|need| self.reported.lack(need)) || !self.allowance.has_room_to_repeat() {
            return None;
        }
        let about = self.waiting_for_it(&needs);
        self.evening_at = Some(at);
        Some(self.written(at, format!("evening-{}", at.timestamp()), LetterKind::Evening, about))
    }

    /// The letter before a round, which nothing bounds; `None` when nothing in it is new.
    pub(crate) fn before_round(&mut self, at: Timestamp, needs: Vec<Need<'_>>) -> Option<Draft> {
        if !needs.iter().any(|need| !self.names(need.key)) {
            return None;
        }
        let about = self.waiting_for_it(&needs);
        Some(self.written(at, format!("round-{}", at.timestamp()), LetterKind::Round, about))
    }

    /// People were in the room, and went without an answer; what they do not know of yet joins.
    fn take_call_after_round(&mut self, at: Timestamp, needs_hands: impl Fn(&AlarmKey) -> bool) -> Option<Draft> {
        if !is_due(self.call_again_at, at) {
            return None;
        }
        self.call_again_at = None;
        let again = self.reported.take_again(&needs_hands);
        if again.is_empty() {
            return None;
        }
        let mut about: Vec<(Occasion, AlarmKey)> = again.into_iter().map(|key| (Occasion::AfterRound, key)).collect();
        let joining = self.take_waiting(needs_hands);
        about.extend(joining.iter().map(Wanted::named));
        // People were at it; once is enough.
        self.allowance.called_for_the_last_time(at);
        let calls = joining.into_iter().map(|wanted| (wanted.key, wanted.at)).collect();
        Some(Draft { calls, ..self.repeated(at, about) })
    }

    /// What had eased when its call was due and needs hands after all is called for now.
    fn look_again_at_what_eased(&mut self, at: Timestamp, needs_hands: impl Fn(&AlarmKey) -> bool) {
        if self.in_the_room_until.is_some_and(|until| at < until) {
            return;
        }
        let eased = core::mem::take(&mut self.eased);
        let (worse, eased) = eased
            .into_iter()
            .partition::<Vec<Wanted>, _>(|eased| needs_hands(&eased.key) && self.has_room_for(&eased.cause));
        self.eased = eased;
        for wanted in worse {
            // The hour that it had then may have passed.
            self.waiting.push(Wanted { at, early: wanted.early.max(Some(at)), ..wanted });
            self.due_at = Some(at);
        }
    }

    fn take_call(&mut self, at: Timestamp, needs_hands: impl Fn(&AlarmKey) -> bool) -> Option<Draft> {
        if !is_due(self.due_at, at) {
            return None;
        }
        let wanted = self.take_waiting(needs_hands);
        let first = &wanted.first()?.key;
        let id = format!("alarm-{}-{}-{}", at.timestamp(), first.kind.word(), first.subject);
        let about = wanted.iter().map(Wanted::named).collect();
        let calls = wanted.into_iter().map(|wanted| (wanted.key, wanted.at)).collect();
        self.allowance.called(at);
        Some(Draft { calls, ..self.written(at, id, LetterKind::Alarm, about) })
    }

    /// The calls that wait to be written, without those that another of them covers.
    fn take_waiting(&mut self, needs_hands: impl Fn(&AlarmKey) -> bool) -> Vec<Wanted> {
        self.due_at = None;
        let reminding = self.allowance.is_reminding();
        let mut written = Vec::new();
        for wanted in core::mem::take(&mut self.waiting) {
            if !needs_hands(&wanted.key) {
                // It has eased in this very minute: nobody is told, and what nobody was told covers
                // nothing else.
                self.eased.push(wanted);
                continue;
            }
            let covered = self.reported.cover(&wanted.need(), reminding);
            let answered = covered && self.reported.have_answer_to(&wanted.cause);
            self.reported.insert(&wanted.key, Reported::of(&wanted.need(), true, answered));
            if !covered {
                written.push(wanted);
            }
        }
        written
    }

    fn take_reminder(&mut self, at: Timestamp, needs_hands: impl Fn(&AlarmKey) -> bool) -> Option<Draft> {
        if !is_due(self.next_reminder(), at) {
            return None;
        }
        self.allowance.take_reminder();
        let open: Vec<AlarmKey> = self.reported.open_calls().filter(|key| needs_hands(key)).cloned().collect();
        if open.is_empty() {
            return None;
        }
        let number = self.allowance.count_reminder();
        let about = open.into_iter().map(|key| (Occasion::Reminder(number), key)).collect();
        Some(self.repeated(at, about))
    }

    fn take_over(&mut self, at: Timestamp, digest_at: Timestamp) -> Option<Draft> {
        if !is_due(self.over_due, at) {
            return None;
        }
        self.over_due = None;
        let about = self.reported.take_all().into_iter().map(|key| (Occasion::Returned, key)).collect();
        let is_written = self.allowance.has_room_for_two() && digest_at - at > DIGEST_IS_NEAR;
        is_written.then(|| self.written(at, format!("over-{}", at.timestamp()), LetterKind::Over, about))
    }

    fn next_reminder(&self) -> Option<Timestamp> {
        self.reported.open_calls().next()?;
        // What is about to be written names them too.
        self.allowance.next_reminder().filter(|_| self.due_at.is_none())
    }

    fn repeated(&mut self, at: Timestamp, about: Vec<(Occasion, AlarmKey)>) -> Draft {
        self.written(at, format!("alarm-{}-reminder", at.timestamp()), LetterKind::Alarm, about)
    }

    /// Notes that a letter names what waits for people to come anyway.
    fn waiting_for_it(&mut self, needs: &[Need<'_>]) -> Vec<(Occasion, AlarmKey)> {
        self.reported.insert_waiting(needs);
        needs.iter().map(|need| (Occasion::Waiting, need.key.clone())).collect()
    }

    /// In the thread that the first letter opened.
    fn written(&mut self, at: Timestamp, id: String, kind: LetterKind, about: Vec<(Occasion, AlarmKey)>) -> Draft {
        self.allowance.count_one(at);
        let answers = self.root.clone();
        self.root.get_or_insert_with(|| id.clone());
        Draft { id, kind, answers, about, calls: Vec::new() }
    }
}
