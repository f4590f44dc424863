//! The watch over what concerns the whole site: the broker, the mail, the store, the clock.

use crate::alarm::{AlarmKind, Condition, Evidence, Harm};
use crate::event::AtStake;
use crate::units::Timestamp;
use crate::watch::seen::{Judged, Subject};
use crate::watch::sensors::unheard_since;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Letters must have failed for this long before that is an alarm of its own. Own default.
const MAIL_FAILING_AFTER: TimeDelta = TimeDelta::minutes(30);
/// A store that does not commit begins to cost the night's record after a day. Own default.
const STORE_HARM_AFTER: TimeDelta = TimeDelta::hours(24);
/// What the store lost once is told for so long: nobody can mend it. Own default.
const HURT_STANDS: TimeDelta = TimeDelta::hours(1);

/// What is known of the whole site.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct SiteWatch {
    pub(crate) broker_lost_at: Option<Timestamp>,
    /// Somebody else uses our client id: how often we were thrown out, and the id.
    pub(crate) contested: Option<(u32, String)>,
    pub(crate) mail_failing_since: Option<Timestamp>,
    /// The letters that wait for the mail server, with its last words about each.
    pub(crate) mail_waiting: BTreeMap<String, String>,
    /// What the store says while it does not commit, and what hangs on it.
    pub(crate) store: Option<(String, AtStake)>,
    /// What of the past is gone or changed, and when that was found.
    pub(crate) hurt: Option<(Timestamp, String)>,
    /// Readings judged but never saved, since the last digest.
    pub(crate) lost_readings: u64,
    /// How long nobody listened since the last digest.
    pub(crate) unwatched: TimeDelta,
    /// Messages on topics nobody owns since the last digest.
    pub(crate) strays: u32,
    /// Entries for a site that nobody watches since the last digest.
    pub(crate) astray: u32,
    /// How often everything that waited at the broker was given up since the last digest.
    pub(crate) given_up: u32,
}

impl SiteWatch {
    /// Judges a minute. `people_at`: when people last were in the room, by its rounds; `matters`:
    /// something grows that nobody sees while the broker is away.
    pub(crate) fn minute(&self, at: Timestamp, people_at: Timestamp, matters: bool, judged: &mut Vec<Judged>) {
        let broker = match (self.broker_lost_at, &self.contested) {
            (Some(lost), None) => {
                let harm = matters.then(|| unheard_since(lost.max(people_at)));
                Condition::Present { harm, evidence: Evidence::Broker }
            }
            // It comes and goes by the second; why it does is what has to be said.
            (_, Some((times, client_id))) => Condition::Present {
                harm: None,
                evidence: Evidence::Contested { times: *times, client_id: client_id.clone() },
            },
            (None, None) => Condition::Absent,
        };
        let mail = match self.mail_failing_since {
            Some(since) if at - since >= MAIL_FAILING_AFTER => Condition::Present {
                harm: Some(Harm::certain(at)),
                evidence: Evidence::Mail {
                    waiting: self.mail_waiting.len() as u32,
                    error: self.mail_waiting.values().next().cloned().unwrap_or_default(),
                },
            },
            _ => Condition::Absent,
        };
        let store = match &self.store {
            Some((error, at_stake)) => {
                // Without its past the watch knows no tray: what it hides may be harm at once.
                let from = if at_stake.without_past { at } else { at + STORE_HARM_AFTER };
                let harm = Some(Harm::certain(from));
                Condition::Present { harm, evidence: Evidence::Store { error: error.clone(), at_stake: *at_stake } }
            }
            None => match &self.hurt {
                Some((found, what)) if at - *found < HURT_STANDS => {
                    Condition::Present { harm: None, evidence: Evidence::StoreHurt { what: what.clone() } }
                }
                _ => Condition::Absent,
            },
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

    /// The store does not commit.
    pub(crate) fn store_failed(&mut self, error: String, at_stake: AtStake) {
        let before = self.store.as_ref().map_or(0, |(_, before)| before.lost);
        self.lost_readings += at_stake.lost.saturating_sub(before);
        self.store = Some((error, at_stake));
    }

    /// What is counted by the day begins anew.
    pub(crate) fn begin_day(&mut self) {
        self.unwatched = TimeDelta::zero();
        self.strays = 0;
        self.astray = 0;
        self.given_up = 0;
        self.lost_readings = 0;
    }
}
