//! The watch over what concerns the whole site: the broker, the mail, the store, the clock.

use crate::alarm::{AlarmKind, Condition, Evidence, Harm};
use crate::units::Timestamp;
use crate::watch::seen::{Judged, Subject};
use crate::watch::sensors::UNSEEN_HARM_AFTER;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Letters must have failed for this long before that is an alarm of its own. Own default.
const MAIL_FAILING_AFTER: TimeDelta = TimeDelta::minutes(30);
/// A store that does not commit begins to cost the night's record after a day. Own default.
const STORE_HARM_AFTER: TimeDelta = TimeDelta::hours(24);

/// What is known of the whole site.
#[derive(Clone, Debug, Default)]
pub(crate) struct SiteWatch {
    pub(crate) broker_lost_at: Option<Timestamp>,
    pub(crate) mail_failing_since: Option<Timestamp>,
    /// The letters that wait for the mail server, with its last words about each.
    pub(crate) mail_waiting: BTreeMap<String, String>,
    pub(crate) store_error: Option<String>,
    /// How long nobody listened since the last digest.
    pub(crate) unwatched: TimeDelta,
    /// Messages on topics nobody owns since the last digest.
    pub(crate) strays: u32,
}

impl SiteWatch {
    /// Judges a minute. `matters`: something grows that nobody sees while the broker is away.
    pub(crate) fn minute(&self, at: Timestamp, matters: bool, judged: &mut Vec<Judged>) {
        let broker = match self.broker_lost_at {
            Some(lost) => {
                let from = lost + UNSEEN_HARM_AFTER;
                let harm = matters.then_some(Harm { from, early: from });
                Condition::Present { harm, evidence: Evidence::Broker }
            }
            None => Condition::Absent,
        };
        let mail = match self.mail_failing_since {
            Some(since) if at - since >= MAIL_FAILING_AFTER => Condition::Present {
                harm: Some(Harm { from: at, early: at }),
                evidence: Evidence::Mail {
                    waiting: self.mail_waiting.len() as u32,
                    error: self.mail_waiting.values().next().cloned().unwrap_or_default(),
                },
            },
            _ => Condition::Absent,
        };
        let store = match &self.store_error {
            Some(error) => {
                let from = at + STORE_HARM_AFTER;
                let harm = Some(Harm { from, early: from });
                Condition::Present { harm, evidence: Evidence::Store { error: error.clone() } }
            }
            None => Condition::Absent,
        };
        let site = [
            (AlarmKind::BrokerLost, broker),
            (AlarmKind::MailFailing, mail),
            (AlarmKind::StoreFailing, store),
            // Raised when the step is heard of; a minute later it is over.
            (AlarmKind::ClockStepped, Condition::Absent),
        ];
        judged.extend(site.map(|found| Judged::of(Subject::Site, found)));
    }

    /// What is counted by the day begins anew.
    pub(crate) fn begin_day(&mut self) {
        self.unwatched = TimeDelta::zero();
        self.strays = 0;
    }
}
