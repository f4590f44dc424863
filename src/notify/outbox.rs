//! Which parcel of a carrier is tried when: pure, time passed in. After RFC 5321
//! section 4.5.4.1 with shorter waits, because one server of the owner's own
//! provider is asked, not the world, and somebody's night may hang on the answer.
//!
//! While nobody is reached, one parcel knocks for all: the newest call, every two
//! minutes. Once it is taken, everything else that waits is due at once.
//! The store keeps the bytes; this keeps what is known of each try.

use super::letter::ParcelKey;
use super::message::fingerprint;
use crate::engine::event::LetterKind;
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// Waits of a call after the first, second, ... failed try; the last one repeats. Own default.
const CALL_WAITS_SECONDS: [i64; 3] = [30, 60, 120];
/// The same for what can wait for breakfast. Own default.
const CALM_WAITS_SECONDS: [i64; 9] = [30, 60, 120, 240, 480, 900, 900, 900, 1800];
/// A server that answers, but has put a call off for half a day, is asked less often. Own default.
const PUT_OFF_FOR_LONG: TimeDelta = TimeDelta::hours(12);
const PUT_OFF_WAIT_SECONDS: i64 = 900;
/// A login that was refused is not tried often: accounts get locked. Own default.
const SETTINGS_WAITS_SECONDS: [i64; 5] = [900, 1800, 3600, 7200, 14400];
/// A server that says "too many" wants more patience: a call waits no less than this. Own default.
const BUSY_SECONDS: i64 = 300;
/// The same, as a factor, for what can wait.
const BUSY_FACTOR: i64 = 4;
/// No wait is longer than this.
const LONGEST_WAIT_SECONDS: i64 = 14_400;
/// A digest older than this tells nothing.
const DIGEST_LIVES: TimeDelta = TimeDelta::hours(48);
/// RFC 5321 section 4.5.4.1: "at least 4-5 days" before giving up.
const ALARM_LIVES: TimeDelta = TimeDelta::days(5);
/// Tries side by side. Own default: a server of a household allows few connections.
const PLACES: usize = 2;
/// A try that takes longer gives its place to the next, and goes on beside it.
const HOLDS_ITS_PLACE: TimeDelta = TimeDelta::seconds(60);
/// However many hang, there are never more at a time.
const MOST_AT_A_TIME: usize = 16;
/// What has waited so long is told in one letter with the others of its age. Own default.
const OLD: TimeDelta = TimeDelta::minutes(10);

/// How a try can go wrong, as far as the next try depends on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// No answer or no connection: nothing else would get through either.
    Unreachable,
    /// A 4yz reply to this parcel: later it may be taken.
    Transient,
    /// 421 or a reply that asks for patience.
    Busy,
    /// Login or certificate: nothing works until a person changes the settings.
    Settings,
    /// A 5yz reply to this parcel: it will never be taken.
    Permanent,
}

impl Refusal {
    /// It says something about the server, not about this parcel.
    fn concerns_all(self) -> bool {
        matches!(self, Refusal::Unreachable | Refusal::Busy | Refusal::Settings)
    }
}

/// Where a parcel stands.
#[derive(Clone, Debug, PartialEq)]
pub enum State {
    /// To be tried, not before this.
    Waiting {
        /// Not before.
        not_before: Timestamp,
    },
    /// Being tried.
    InFlight {
        /// Since when.
        since: Timestamp,
    },
    /// It was taken.
    Sent,
    /// Given up; the reason is for people.
    Failed {
        /// Why.
        reason: String,
    },
}

/// What is known of one parcel.
#[derive(Clone, Debug, PartialEq)]
pub struct QueuedParcel {
    /// Its letter's kind: digests grow old sooner.
    pub kind: LetterKind,
    /// When its letter was decided.
    queued_at: Timestamp,
    /// Tries that failed.
    pub(crate) tries: u32,
    /// Where it stands.
    pub state: State,
    /// Why the last try failed.
    pub refused: Option<Refusal>,
    /// It tells of letters that waited, and is not put into another such letter.
    gathers: bool,
}

/// What became of a try.
#[derive(Clone, Debug, PartialEq)]
pub enum ParcelSettled {
    /// It was taken.
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
    /// No such parcel was in flight: nothing changed.
    Unknown,
}

/// Nobody is reached: one parcel knocks for all.
#[derive(Clone, Debug, PartialEq)]
struct Outage {
    knocks: u32,
    next: Timestamp,
}

/// Every parcel of one carrier that is not yet forgotten.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outbox {
    entries: BTreeMap<ParcelKey, QueuedParcel>,
    outage: Option<Outage>,
}

impl Outbox {
    /// Puts a parcel in, to be tried at once. Putting it in again changes nothing.
    pub fn put(&mut self, key: &ParcelKey, kind: LetterKind, at: Timestamp) {
        self.restore(key, kind, at, 0, at);
    }

    /// Puts in a letter that tells of letters that waited.
    pub(super) fn put_gathering(&mut self, key: &ParcelKey, at: Timestamp) {
        self.put(key, LetterKind::Alarm, at);
        if let Some(entry) = self.entries.get_mut(key) {
            entry.gathers = true;
        }
    }

    /// Puts a parcel in as the store remembers it. One that was in flight when the
    /// machine stopped has an unknown outcome and is tried again: the same
    /// Message-ID lets the recipient's side recognise it.
    pub(crate) fn restore(
        &mut self,
        key: &ParcelKey,
        kind: LetterKind,
        queued_at: Timestamp,
        tries: u32,
        not_before: Timestamp,
    ) {
        self.entries.entry(key.clone()).or_insert(QueuedParcel {
            kind,
            queued_at,
            tries,
            state: State::Waiting { not_before },
            refused: None,
            gathers: false,
        });
    }

    /// Takes the parcel to be tried now and marks it as in flight: the newest call
    /// first, then what waits for a round, then digests, these the oldest first.
    pub fn take(&mut self, now: Timestamp) -> Option<ParcelKey> {
        if self.place_free_at(now)? > now {
            return None;
        }
        let knocks = self.knocks();
        let (key, kind) = self
            .waiting()
            .filter(|(key, entry)| self.due(entry, knocks == Some(*key)) <= now)
            .min_by_key(|(key, entry)| turn(key, entry))
            .map(|(key, entry)| (key.clone(), entry.kind))?;
        self.entries.get_mut(&key)?.state = State::InFlight { since: now };
        if let Some(outage) = &mut self.outage {
            // From the knock on, not from its end: one that hangs does not keep the next from knocking.
            outage.next = now + wait(&key, kind, outage.knocks + 1, Refusal::Unreachable);
        }
        Some(key)
    }

    /// When a parcel is to be tried next; `None` when none waits, or when so many hang
    /// that one has to end first.
    pub fn next_at(&self, now: Timestamp) -> Option<Timestamp> {
        let knocks = self.knocks();
        let due = self.waiting().map(|(key, entry)| self.due(entry, knocks == Some(key))).min()?;
        Some(due.max(self.place_free_at(now)?))
    }

    /// Says how a try went. `text` is the other side's words, or ours.
    pub fn settle(&mut self, key: &ParcelKey, now: Timestamp, outcome: Result<(), (Refusal, &str)>) -> ParcelSettled {
        let Some(entry) = self.entries.get_mut(key).filter(|entry| matches!(entry.state, State::InFlight { .. }))
        else {
            return ParcelSettled::Unknown;
        };
        let (refusal, text) = match outcome {
            Ok(()) => {
                entry.state = State::Sent;
                entry.refused = None;
                self.reached(now);
                return ParcelSettled::Sent;
            }
            Err(refused) => refused,
        };
        entry.tries = entry.tries.saturating_add(1);
        entry.refused = Some(refusal);
        let (kind, tries, queued_at) = (entry.kind, entry.tries, entry.queued_at);
        let reason = if refusal == Refusal::Permanent {
            Some(format!("it will not be taken: {text}"))
        } else if now - queued_at >= lives(kind) {
            Some(format!(
                "given up after {} days and {tries} tries; the last answer was: {text}",
                lives(kind).num_days()
            ))
        } else {
            None
        };
        if let Some(reason) = reason {
            entry.state = State::Failed { reason: reason.clone() };
            if !refusal.concerns_all() {
                self.reached(now);
            }
            return ParcelSettled::Failed { reason };
        }
        let waits = if refusal.concerns_all() {
            let outage = self.outage.get_or_insert(Outage { knocks: 0, next: now });
            outage.knocks = outage.knocks.saturating_add(1);
            let waits = wait(key, kind, outage.knocks, refusal);
            outage.next = now + waits;
            waits
        } else {
            let put_off = kind == LetterKind::Alarm && now - queued_at > PUT_OFF_FOR_LONG;
            let least = TimeDelta::seconds(if put_off { PUT_OFF_WAIT_SECONDS } else { 0 });
            self.reached(now);
            wait(key, kind, tries, refusal).max(least)
        };
        // It must still be tried once when its time is over: it is then that giving up
        // is seen and told.
        let last_chance = (queued_at + lives(kind)).max(now + TimeDelta::seconds(CALL_WAITS_SECONDS[0]));
        let not_before = (now + waits).min(last_chance);
        if let Some(entry) = self.entries.get_mut(key) {
            entry.state = State::Waiting { not_before };
        }
        ParcelSettled::Again { not_before }
    }

    /// The settings were changed, or the connection is back: everything that
    /// waits is tried at once. What is in flight stays there.
    pub(crate) fn try_all_now(&mut self, now: Timestamp) {
        self.outage = None;
        for entry in self.entries.values_mut() {
            if let State::Waiting { not_before } = &mut entry.state {
                *not_before = (*not_before).min(now);
            }
        }
    }

    /// Letters that were held up for so long that one letter may tell them all, newest
    /// first, by recipient; of each recipient there are at least two. A digest stays one.
    pub fn held_up(&self, now: Timestamp) -> BTreeMap<String, Vec<ParcelKey>> {
        let mut held: BTreeMap<String, Vec<(Timestamp, ParcelKey)>> = BTreeMap::new();
        for (key, entry) in self.waiting() {
            let put_off = entry.refused == Some(Refusal::Transient);
            if entry.kind != LetterKind::Digest && !entry.gathers && !put_off && now - entry.queued_at >= OLD {
                held.entry(key.recipient.clone()).or_default().push((entry.queued_at, key.clone()));
            }
        }
        held.retain(|_, letters| letters.len() > 1);
        let newest_first = |mut letters: Vec<(Timestamp, ParcelKey)>| {
            letters.sort_by_key(|(at, _)| Reverse(*at));
            letters.into_iter().map(|(_, key)| key).collect()
        };
        held.into_iter().map(|(recipient, letters)| (recipient, newest_first(letters))).collect()
    }

    /// Other parcels that still wait for this one's recipient.
    pub(super) fn older_to_same(&self, key: &ParcelKey) -> Vec<ParcelKey> {
        let same = |other: &&ParcelKey| other.recipient == key.recipient && *other != key;
        self.waiting().map(|(other, _)| other).filter(same).cloned().collect()
    }

    /// Forgets a parcel: another one tells what it had to tell, or it has ended. One that
    /// is being tried stays.
    pub fn forget(&mut self, key: &ParcelKey) -> bool {
        let may = self.entries.get(key).is_some_and(|entry| !matches!(entry.state, State::InFlight { .. }));
        if may {
            self.entries.remove(key);
        }
        may
    }

    /// What is known of a parcel.
    pub fn entry(&self, key: &ParcelKey) -> Option<&QueuedParcel> {
        self.entries.get(key)
    }

    /// Parcels that wait or are being tried.
    pub fn open(&self) -> usize {
        self.entries
            .values()
            .filter(|entry| matches!(entry.state, State::Waiting { .. } | State::InFlight { .. }))
            .count()
    }

    fn waiting(&self) -> impl Iterator<Item = (&ParcelKey, &QueuedParcel)> {
        self.entries.iter().filter(|(_, entry)| matches!(entry.state, State::Waiting { .. }))
    }

    /// Somebody answered: what was only held up by the outage is due at once.
    fn reached(&mut self, now: Timestamp) {
        self.outage = None;
        for entry in self.entries.values_mut() {
            let held = entry.refused.is_none_or(Refusal::concerns_all);
            if let State::Waiting { not_before } = &mut entry.state
                && held
            {
                *not_before = (*not_before).min(now);
            }
        }
    }

    /// Who knocks for all in an outage.
    fn knocks(&self) -> Option<&ParcelKey> {
        self.outage.as_ref()?;
        self.waiting().min_by_key(|(key, entry)| turn(key, entry)).map(|(key, _)| key)
    }

    /// When a waiting parcel may be tried. In an outage: the one that knocks, a call that
    /// is new, and what has to be given up if it fails now.
    fn due(&self, entry: &QueuedParcel, knocks: bool) -> Timestamp {
        let State::Waiting { not_before } = entry.state else { return Timestamp::MAX_UTC };
        let last_chance = entry.queued_at + lives(entry.kind);
        match &self.outage {
            None => not_before,
            Some(_) if entry.kind == LetterKind::Alarm && entry.tries == 0 => not_before,
            Some(outage) if knocks => outage.next.min(last_chance.max(not_before)),
            Some(_) => last_chance.max(not_before),
        }
    }

    /// From when on another try may begin; `None`: not before one of those that hang has ended.
    fn place_free_at(&self, now: Timestamp) -> Option<Timestamp> {
        let mut begun: Vec<Timestamp> = self
            .entries
            .values()
            .filter_map(|entry| match entry.state {
                State::InFlight { since } => Some(since),
                _ => None,
            })
            .collect();
        if begun.len() >= MOST_AT_A_TIME {
            return None;
        }
        begun.sort();
        match begun.len().checked_sub(PLACES) {
            None => Some(now),
            Some(holder) => Some((begun[holder] + HOLDS_ITS_PLACE).max(now)),
        }
    }
}

/// Whose turn comes first: the least.
fn turn<'a>(key: &'a ParcelKey, entry: &QueuedParcel) -> (LetterKind, Reverse<i64>, &'a ParcelKey) {
    let at = entry.queued_at.timestamp_millis();
    (entry.kind, Reverse(if entry.kind == LetterKind::Alarm { at } else { -at }), key)
}

fn lives(kind: LetterKind) -> TimeDelta {
    if kind == LetterKind::Digest { DIGEST_LIVES } else { ALARM_LIVES }
}

/// How long to wait after this many failed tries.
fn wait(key: &ParcelKey, kind: LetterKind, tries: u32, refusal: Refusal) -> TimeDelta {
    let call = kind == LetterKind::Alarm;
    let step = |steps: &[i64]| steps[usize::try_from(tries.max(1) - 1).unwrap_or(usize::MAX).min(steps.len() - 1)];
    let seconds = match refusal {
        // A call asks again every quarter of an hour: the settings may be right by now.
        Refusal::Settings if call => SETTINGS_WAITS_SECONDS[0],
        Refusal::Settings => step(&SETTINGS_WAITS_SECONDS),
        Refusal::Busy if call => step(&CALL_WAITS_SECONDS).max(BUSY_SECONDS),
        Refusal::Busy => step(&CALM_WAITS_SECONDS) * BUSY_FACTOR,
        _ if call => step(&CALL_WAITS_SECONDS),
        _ => step(&CALM_WAITS_SECONDS),
    };
    // 90 to 110 per cent, told by the key and the try: many parcels must not all
    // come at the same second, and the same night must run the same way again.
    let share = 90 + (fingerprint(&format!("{} {} {tries}", key.letter, key.recipient)) % 21) as i64;
    TimeDelta::milliseconds(seconds.min(LONGEST_WAIT_SECONDS) * 10 * share)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::letter::CarrierName;
    use proptest::prelude::*;

    fn start() -> Timestamp {
        "2026-03-03T22:10:00Z".parse().unwrap()
    }

    fn key(letter: &str) -> ParcelKey {
        ParcelKey { letter: letter.into(), carrier: CarrierName::Mail, recipient: "grower@saltmarsh.example".into() }
    }

    fn minutes(count: i64) -> TimeDelta {
        TimeDelta::minutes(count)
    }

    /// Tries whatever is due and fails it, until `until`; says who was tried when.
    fn knocked(outbox: &mut Outbox, from: Timestamp, until: Timestamp, refusal: Refusal) -> Vec<(Timestamp, String)> {
        let (mut now, mut tried) = (from, Vec::new());
        while now <= until {
            while let Some(key) = outbox.take(now) {
                outbox.settle(&key, now, Err((refusal, "no")));
                tried.push((now, key.letter));
            }
            let Some(next) = outbox.next_at(now) else { break };
            now = next.max(now + TimeDelta::milliseconds(1));
        }
        tried
    }

    #[test]
    fn a_waiting_call_knocks_every_two_minutes_however_long_it_takes() {
        let mut outbox = Outbox::default();
        outbox.put(&key("a"), LetterKind::Alarm, start());
        let tried = knocked(&mut outbox, start(), start() + TimeDelta::hours(24), Refusal::Unreachable);
        assert!(tried.len() > 600, "{} tries in a day", tried.len());
        for pair in tried.windows(2) {
            assert!(
                pair[1].0 - pair[0].0 <= TimeDelta::seconds(132),
                "nothing between {} and {}",
                pair[0].0,
                pair[1].0
            );
        }
    }

    #[test]
    fn what_can_wait_is_tried_less_and_less_often() {
        let mut outbox = Outbox::default();
        outbox.put(&key("a"), LetterKind::Round, start());
        let tried = knocked(&mut outbox, start(), start() + TimeDelta::hours(4), Refusal::Transient);
        let waits: Vec<i64> = tried.windows(2).map(|pair| (pair[1].0 - pair[0].0).num_seconds()).collect();
        for (waited, nominal) in waits.iter().zip(CALM_WAITS_SECONDS) {
            assert!((nominal * 9 / 10 - 1..=nominal * 11 / 10 + 1).contains(waited), "{waits:?}");
        }
        assert!(waits.len() >= CALM_WAITS_SECONDS.len());
    }

    #[test]
    fn in_an_outage_the_newest_call_knocks_for_all() {
        let mut outbox = Outbox::default();
        for (place, letter) in ["first", "second", "third"].into_iter().enumerate() {
            outbox.put(&key(letter), LetterKind::Alarm, start() + minutes(place as i64));
        }
        outbox.put(&key("digest"), LetterKind::Digest, start());
        let tried = knocked(&mut outbox, start() + minutes(3), start() + TimeDelta::hours(2), Refusal::Unreachable);
        let names: Vec<&str> = tried.iter().map(|(_, letter)| letter.as_str()).collect();
        assert_eq!(names[..3], ["third", "second", "first"], "each new call is tried once at once");
        assert!(names[3..].iter().all(|name| *name == "third"), "{names:?}");
        assert!(names.len() < 70, "{} tries in two hours", names.len());
    }

    #[test]
    fn when_somebody_answers_everything_that_waited_is_due() {
        let mut outbox = Outbox::default();
        outbox.put(&key("old"), LetterKind::Alarm, start());
        outbox.put(&key("new"), LetterKind::Alarm, start() + minutes(1));
        outbox.put(&key("digest"), LetterKind::Digest, start());
        knocked(&mut outbox, start() + minutes(1), start() + TimeDelta::hours(8), Refusal::Unreachable);
        let now = outbox.next_at(start() + TimeDelta::hours(8)).unwrap();
        assert_eq!(outbox.take(now), Some(key("new")));
        assert_eq!(outbox.settle(&key("new"), now, Ok(())), ParcelSettled::Sent);
        assert_eq!(outbox.take(now), Some(key("old")));
        assert_eq!(outbox.take(now), Some(key("digest")));
    }

    #[test]
    fn a_try_that_hangs_gives_its_place_to_the_next() {
        let mut outbox = Outbox::default();
        for place in 0..30 {
            outbox.put(&key(&format!("{place:02}")), LetterKind::Alarm, start() + TimeDelta::seconds(place));
        }
        let mut now = start() + minutes(1);
        let mut hanging = 0;
        while outbox.next_at(now).is_some_and(|next| next <= start() + minutes(20)) {
            now = outbox.next_at(now).unwrap();
            hanging += u32::from(outbox.take(now).is_some());
        }
        assert_eq!(hanging, 16, "two at a time, two more each minute, and never more than this");
        assert!(now - start() <= minutes(9), "{now}");
        outbox.put(&key("newest"), LetterKind::Alarm, now);
        assert_eq!(outbox.take(now + minutes(5)), None);
        outbox.settle(&key("29"), now + minutes(5), Err((Refusal::Transient, "no")));
        assert_eq!(outbox.take(now + minutes(5)), Some(key("newest")));
    }

    #[test]
    fn letters_held_up_for_long_are_gathered_and_a_digest_is_not() {
        let mut outbox = Outbox::default();
        for (place, letter) in ["a", "b", "c"].into_iter().enumerate() {
            outbox.put(&key(letter), LetterKind::Alarm, start() + minutes(place as i64));
        }
        outbox.put(&key("digest"), LetterKind::Digest, start());
        outbox.put_gathering(&key("gathering"), start());
        assert!(outbox.held_up(start() + minutes(9)).is_empty());
        let held = outbox.held_up(start() + minutes(13));
        assert_eq!(held[&key("a").recipient], [key("c"), key("b"), key("a")]);
        let alone = TimeDelta::seconds(10 * 60 + 30);
        assert!(outbox.held_up(start() + alone).is_empty(), "one alone is told by itself");
    }

    #[test]
    fn a_refused_login_is_tried_slowly_and_asks_for_the_settings() {
        let mut outbox = Outbox::default();
        outbox.put(&key("a"), LetterKind::Alarm, start());
        outbox.take(start());
        let settled = outbox.settle(&key("a"), start(), Err((Refusal::Settings, "535")));
        assert!(
            matches!(settled, ParcelSettled::Again { not_before } if not_before - start() > minutes(13)),
            "{settled:?}"
        );
        outbox.try_all_now(start());
        assert_eq!(outbox.take(start()), Some(key("a")));
        assert_eq!(outbox.settle(&key("a"), start(), Ok(())), ParcelSettled::Sent);
    }

    #[test]
    fn a_permanent_refusal_is_never_tried_again_and_its_reason_is_kept() {
        let mut outbox = Outbox::default();
        outbox.put(&key("a"), LetterKind::Alarm, start());
        outbox.take(start());
        let settled = outbox.settle(&key("a"), start(), Err((Refusal::Permanent, "550 no such user")));
        assert!(matches!(settled, ParcelSettled::Failed { .. }));
        assert_eq!(outbox.next_at(start()), None);
        assert!(
            matches!(&outbox.entry(&key("a")).unwrap().state, State::Failed { reason } if reason.contains("no such user"))
        );
    }

    #[test]
    fn one_recipient_put_off_does_not_hold_up_the_others() {
        let mut outbox = Outbox::default();
        let other = ParcelKey { recipient: "other@saltmarsh.example".into(), ..key("a") };
        outbox.put(&key("a"), LetterKind::Alarm, start());
        outbox.take(start());
        outbox.settle(&key("a"), start(), Err((Refusal::Transient, "451 greylisted")));
        outbox.put(&other, LetterKind::Digest, start());
        assert_eq!(outbox.take(start()), Some(other));
    }

    #[test]
    fn an_alarm_goes_before_a_digest_that_waits_longer() {
        let mut outbox = Outbox::default();
        outbox.put(&key("digest"), LetterKind::Digest, start());
        outbox.put(&key("alarm"), LetterKind::Alarm, start() + minutes(1));
        assert_eq!(outbox.take(start() + minutes(2)), Some(key("alarm")));
    }

    fn refusal() -> impl Strategy<Value = Option<Refusal>> {
        prop_oneof![
            Just(None),
            Just(Some(Refusal::Unreachable)),
            Just(Some(Refusal::Transient)),
            Just(Some(Refusal::Busy)),
            Just(Some(Refusal::Settings)),
            Just(Some(Refusal::Permanent)),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_mail_is_in_flight_twice_and_every_mail_ends_with_a_reason(
            kinds in proptest::collection::vec(prop_oneof![Just(LetterKind::Alarm), Just(LetterKind::Round), Just(LetterKind::Digest)], 1..5),
            outcomes in proptest::collection::vec(refusal(), 0..60),
            hang in 0_usize..3,
        ) {
            let mut outbox = Outbox::default();
            for (number, kind) in kinds.iter().enumerate() {
                outbox.put(&key(&number.to_string()), *kind, start());
                outbox.put(&key(&number.to_string()), *kind, start());
            }
            let mut now = start();
            let mut flying: Vec<ParcelKey> = Vec::new();
            let mut outcomes = outcomes.into_iter();
            // Every parcel may be tried every 27 s at most, for five days at most.
            for _ in 0..100_000 {
                let taken = outbox.take(now);
                let idle = taken.is_none();
                if let Some(id) = taken {
                    prop_assert!(!flying.contains(&id), "{id:?} is in flight twice");
                    flying.push(id);
                }
                if flying.len() > hang || (idle && !flying.is_empty() && outbox.next_at(now).is_none()) {
                    let id = flying.remove(0);
                    // When the drawn outcomes are used up, the server is simply gone.
                    let outcome = outcomes.next().unwrap_or(Some(Refusal::Unreachable));
                    let settled = outbox.settle(&id, now, outcome.map_or(Ok(()), |refusal| Err((refusal, "no"))));
                    prop_assert_ne!(settled, ParcelSettled::Unknown);
                    prop_assert_eq!(outbox.settle(&id, now, Ok(())), ParcelSettled::Unknown);
                }
                match outbox.next_at(now) {
                    Some(next) => now = now.max(next),
                    None if flying.is_empty() => break,
                    None => {}
                }
            }
            prop_assert_eq!(outbox.open(), 0);
            for (number, kind) in kinds.iter().enumerate() {
                let entry = outbox.entry(&key(&number.to_string())).unwrap();
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
