//! Which mail is tried when: pure, time passed in. After RFC 5321 section
//! 4.5.4.1 with a shorter beginning, because one server of the owner's own
//! provider is asked, not the world (RELIABILITY.md section 2).
//!
//! The store keeps the bytes; this keeps what is known of each try.

use super::message::fingerprint;
use crate::engine::event::LetterKind;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// Waits after the first, second, ... failed try; the last one repeats.
const WAITS_SECONDS: [i64; 9] = [30, 60, 120, 240, 480, 900, 900, 900, 1800];
/// A login that was refused is not tried often: accounts get locked. Own default.
const SETTINGS_WAITS_SECONDS: [i64; 5] = [900, 1800, 3600, 7200, 14400];
/// A server that says "too many" wants more patience. Own default.
const BUSY_FACTOR: i64 = 4;
/// No wait is longer than this.
const LONGEST_WAIT_SECONDS: i64 = 14_400;
/// A digest older than this tells nothing.
const DIGEST_LIVES: TimeDelta = TimeDelta::hours(48);
/// RFC 5321 section 4.5.4.1: "at least 4-5 days" before giving up.
const ALARM_LIVES: TimeDelta = TimeDelta::days(5);

/// How a try can go wrong, as far as the next try depends on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// No answer, no connection, or a 4yz reply: later it may work.
    Transient,
    /// 421 or a reply that asks for patience.
    Busy,
    /// Login or certificate: nothing works until a person changes the settings.
    Settings,
    /// A 5yz reply to this mail: it will never be taken.
    Permanent,
}

/// Where a mail stands.
#[derive(Clone, Debug, PartialEq)]
pub enum State {
    /// To be tried, not before this.
    Waiting {
        /// Not before.
        not_before: Timestamp,
    },
    /// Being tried.
    InFlight,
    /// The server took it.
    Sent,
    /// Given up; the reason is for people.
    Failed {
        /// Why.
        reason: String,
    },
}

/// What is known of one mail.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its letter's kind: digests grow old sooner.
    pub kind: LetterKind,
    /// When it was put in.
    pub queued_at: Timestamp,
    /// Tries that failed.
    pub tries: u32,
    /// Where it stands.
    pub state: State,
    /// The last try was refused because of login or certificate.
    pub settings_refused: bool,
}

/// What became of a try.
#[derive(Clone, Debug, PartialEq)]
pub enum Settled {
    /// The server took it.
    Sent,
    /// It will be tried again then.
    Again {
        /// When.
        not_before: Timestamp,
    },
    /// Given up. Somebody must be told.
    Failed {
        /// Why, in words.
        reason: String,
    },
    /// No such mail was in flight: nothing changed.
    Unknown,
}

/// Every mail that is not yet forgotten, by Message-ID.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outbox {
    entries: BTreeMap<String, Entry>,
}

impl Outbox {
    /// Puts a mail in, to be tried at once. Putting it in again changes nothing.
    pub fn put(&mut self, message_id: &str, kind: LetterKind, at: Timestamp) {
        self.restore(message_id, kind, at, 0, at);
    }

    /// Puts a mail in as the store remembers it. One that was in flight when the
    /// machine stopped has an unknown outcome and is tried again: the same
    /// Message-ID lets the recipient's side recognise it.
    pub fn restore(
        &mut self,
        message_id: &str,
        kind: LetterKind,
        queued_at: Timestamp,
        tries: u32,
        not_before: Timestamp,
    ) {
        self.entries.entry(message_id.to_owned()).or_insert(Entry {
            kind,
            queued_at,
            tries,
            state: State::Waiting { not_before },
            settings_refused: false,
        });
    }

    /// Takes the mail to be tried now and marks it as in flight. Alarms before
    /// digests, then the one that has waited longest.
    pub fn take(&mut self, now: Timestamp) -> Option<String> {
        let due = |entry: &Entry| matches!(entry.state, State::Waiting { not_before } if not_before <= now);
        let (id, _) = self
            .entries
            .iter()
            .filter(|(_, entry)| due(entry))
            .min_by_key(|(id, entry)| (entry.kind, entry.queued_at, (*id).clone()))?;
        let id = id.clone();
        self.entries.get_mut(&id)?.state = State::InFlight;
        Some(id)
    }

    /// When the next mail is to be tried; `None` when none waits.
    pub fn next_at(&self) -> Option<Timestamp> {
        self.entries
            .values()
            .filter_map(|entry| match entry.state {
                State::Waiting { not_before } => Some(not_before),
                _ => None,
            })
            .min()
    }

    /// Says how a try went. `text` is the server's words, or ours.
    pub fn settle(&mut self, message_id: &str, now: Timestamp, outcome: Result<(), (Refusal, &str)>) -> Settled {
        let Some(entry) = self.entries.get_mut(message_id).filter(|entry| entry.state == State::InFlight) else {
            return Settled::Unknown;
        };
        let (refusal, text) = match outcome {
            Ok(()) => {
                entry.state = State::Sent;
                entry.settings_refused = false;
                return Settled::Sent;
            }
            Err(refused) => refused,
        };
        entry.tries = entry.tries.saturating_add(1);
        entry.settings_refused = refusal == Refusal::Settings;
        let lives = if entry.kind == LetterKind::Digest { DIGEST_LIVES } else { ALARM_LIVES };
        let reason = if refusal == Refusal::Permanent {
            Some(format!("the mail server will not take it: {text}"))
        } else if now - entry.queued_at >= lives {
            Some(format!(
                "given up after {} days and {} tries; the last answer was: {text}",
                lives.num_days(),
                entry.tries
            ))
        } else {
            None
        };
        if let Some(reason) = reason {
            entry.state = State::Failed { reason: reason.clone() };
            return Settled::Failed { reason };
        }
        // The mail must still be tried once when its time is over: it is then
        // that giving up is seen and told.
        let not_before = (now + wait(message_id, entry.tries, refusal))
            .min((entry.queued_at + lives).max(now + TimeDelta::seconds(WAITS_SECONDS[0])));
        entry.state = State::Waiting { not_before };
        Settled::Again { not_before }
    }

    /// The settings were changed, or the connection is back: everything that
    /// waits is tried at once. What is in flight stays there.
    pub fn try_all_now(&mut self, now: Timestamp) {
        for entry in self.entries.values_mut() {
            if let State::Waiting { not_before } = &mut entry.state {
                *not_before = (*not_before).min(now);
            }
        }
    }

    /// Forgets a mail that was sent or has failed. Anything else stays.
    pub fn forget(&mut self, message_id: &str) -> bool {
        let done =
            matches!(self.entries.get(message_id), Some(Entry { state: State::Sent | State::Failed { .. }, .. }));
        if done {
            self.entries.remove(message_id);
        }
        done
    }

    /// What is known of a mail.
    pub fn entry(&self, message_id: &str) -> Option<&Entry> {
        self.entries.get(message_id)
    }

    /// Mails that wait or are being tried.
    pub fn waiting(&self) -> usize {
        self.entries.values().filter(|entry| matches!(entry.state, State::Waiting { .. } | State::InFlight)).count()
    }

    /// Mails wait because login or certificate were refused: a person must look
    /// at the settings.
    pub fn settings_refused(&self) -> bool {
        self.entries
            .values()
            .any(|entry| entry.settings_refused && matches!(entry.state, State::Waiting { .. } | State::InFlight))
    }
}

/// How long to wait after this many failed tries.
fn wait(message_id: &str, tries: u32, refusal: Refusal) -> TimeDelta {
    let steps: &[i64] = if refusal == Refusal::Settings { &SETTINGS_WAITS_SECONDS } else { &WAITS_SECONDS };
    let step = usize::try_from(tries.max(1) - 1).unwrap_or(usize::MAX).min(steps.len() - 1);
    let factor = if refusal == Refusal::Busy { BUSY_FACTOR } else { 1 };
    let seconds = (steps[step] * factor).min(LONGEST_WAIT_SECONDS);
    // 90 to 110 per cent, told by the id and the try: many mails must not all
    // come at the same second, and the same night must run the same way again.
    let share = 90 + (fingerprint(&format!("{message_id} {tries}")) % 21) as i64;
    TimeDelta::milliseconds(seconds * 10 * share)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn start() -> Timestamp {
        "2026-03-03T22:10:00Z".parse().unwrap()
    }

    #[test]
    fn waits_grow_from_half_a_minute_to_half_an_hour() {
        let mut outbox = Outbox::default();
        outbox.put("<a>", LetterKind::Alarm, start());
        let mut now = start();
        for nominal in [30, 60, 120, 240, 480, 900, 900, 900, 1800, 1800] {
            assert_eq!(outbox.take(now).as_deref(), Some("<a>"));
            let Settled::Again { not_before } = outbox.settle("<a>", now, Err((Refusal::Transient, "421"))) else {
                panic!("given up")
            };
            let waited = (not_before - now).num_milliseconds() as f64 / 1000.0;
            assert!((0.9..=1.1).contains(&(waited / nominal as f64)), "{waited} s instead of about {nominal} s");
            assert_eq!(outbox.take(not_before - TimeDelta::milliseconds(1)), None);
            now = not_before;
        }
    }

    #[test]
    fn a_refused_login_is_tried_slowly_and_asks_for_the_settings() {
        let mut outbox = Outbox::default();
        outbox.put("<a>", LetterKind::Alarm, start());
        outbox.take(start());
        let settled = outbox.settle("<a>", start(), Err((Refusal::Settings, "535")));
        assert!(
            matches!(settled, Settled::Again { not_before } if not_before - start() > TimeDelta::minutes(13)),
            "{settled:?}"
        );
        assert!(outbox.settings_refused());
        outbox.try_all_now(start());
        assert_eq!(outbox.take(start()).as_deref(), Some("<a>"));
        assert_eq!(outbox.settle("<a>", start(), Ok(())), Settled::Sent);
        assert!(!outbox.settings_refused());
    }

    #[test]
    fn a_permanent_refusal_is_never_tried_again_and_its_reason_is_kept() {
        let mut outbox = Outbox::default();
        outbox.put("<a>", LetterKind::Alarm, start());
        outbox.take(start());
        assert!(matches!(
            outbox.settle("<a>", start(), Err((Refusal::Permanent, "550 no such user"))),
            Settled::Failed { .. }
        ));
        assert_eq!(outbox.next_at(), None);
        assert!(
            matches!(&outbox.entry("<a>").unwrap().state, State::Failed { reason } if reason.contains("no such user"))
        );
    }

    #[test]
    fn an_alarm_goes_before_a_digest_that_waits_longer() {
        let mut outbox = Outbox::default();
        outbox.put("<digest>", LetterKind::Digest, start());
        outbox.put("<alarm>", LetterKind::Alarm, start() + TimeDelta::minutes(1));
        assert_eq!(outbox.take(start() + TimeDelta::minutes(2)).as_deref(), Some("<alarm>"));
    }

    fn refusal() -> impl Strategy<Value = Option<Refusal>> {
        prop_oneof![
            Just(None),
            Just(Some(Refusal::Transient)),
            Just(Some(Refusal::Busy)),
            Just(Some(Refusal::Settings)),
            Just(Some(Refusal::Permanent)),
        ]
    }

    proptest! {
        #[test]
        fn no_mail_is_in_flight_twice_and_every_mail_ends(
            kinds in proptest::collection::vec(prop_oneof![Just(LetterKind::Alarm), Just(LetterKind::Round), Just(LetterKind::Digest)], 1..5),
            outcomes in proptest::collection::vec(refusal(), 0..60),
            hang in 0_usize..3,
        ) {
            let mut outbox = Outbox::default();
            for (number, kind) in kinds.iter().enumerate() {
                outbox.put(&format!("<{number}>"), *kind, start());
                outbox.put(&format!("<{number}>"), *kind, start());
            }
            let mut now = start();
            let mut flying: Vec<String> = Vec::new();
            let mut outcomes = outcomes.into_iter();
            // Every mail may be tried every 27 s at most, for five days at most.
            for _ in 0..20_000 {
                if let Some(id) = outbox.take(now) {
                    prop_assert!(!flying.contains(&id), "{id} is in flight twice");
                    flying.push(id);
                }
                if flying.len() > hang || outbox.next_at().is_none() {
                    if flying.is_empty() {
                        break;
                    }
                    let id = flying.remove(0);
                    // When the drawn outcomes are used up, the server is simply gone.
                    let outcome = outcomes.next().unwrap_or(Some(Refusal::Transient));
                    let settled = outbox.settle(&id, now, outcome.map_or(Ok(()), |refusal| Err((refusal, "no"))));
                    prop_assert_ne!(settled, Settled::Unknown);
                    prop_assert_eq!(outbox.settle(&id, now, Ok(())), Settled::Unknown);
                }
                if let Some(next) = outbox.next_at() {
                    now = now.max(next);
                }
            }
            prop_assert_eq!(outbox.waiting(), 0);
            for (number, kind) in kinds.iter().enumerate() {
                let entry = outbox.entry(&format!("<{number}>")).unwrap();
                match &entry.state {
                    State::Sent => {}
                    State::Failed { reason } => prop_assert!(!reason.is_empty()),
                    state => prop_assert!(false, "{kind:?} ended as {state:?}"),
                }
            }
            let digest_end = start() + TimeDelta::hours(48) + TimeDelta::hours(1);
            if kinds.iter().all(|kind| *kind == LetterKind::Digest) {
                prop_assert!(now <= digest_end, "digests were still tried at {now}");
            }
        }
    }
}
