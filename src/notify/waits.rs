//! How a try can go wrong, how long to wait for the next, and when a parcel is given up. After
//! RFC 5321 section 4.5.4.1 with shorter waits, because one server of the owner's own
//! provider is asked, not the world, and somebody's night may hang on the answer.

use super::letter::ParcelKey;
use super::message::fingerprint;
use crate::engine::event::LetterKind;
use chrono::TimeDelta;

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
    pub(super) fn concerns_all(self) -> bool {
        matches!(self, Refusal::Unreachable | Refusal::Busy | Refusal::Settings)
    }
}

/// How long a parcel is tried before it is given up.
pub(super) fn lives(kind: LetterKind) -> TimeDelta {
    if kind == LetterKind::Digest { DIGEST_LIVES } else { ALARM_LIVES }
}

/// How long to wait after this many failed tries.
pub(super) fn wait(key: &ParcelKey, kind: LetterKind, tries: u32, refusal: Refusal) -> TimeDelta {
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

/// Waits of a call after the first, second, ... failed try; the last one repeats. Own default.
pub(super) const CALL_WAITS_SECONDS: [i64; 3] = [30, 60, 120];
/// The same for what can wait for breakfast. Own default.
pub(super) const CALM_WAITS_SECONDS: [i64; 9] = [30, 60, 120, 240, 480, 900, 900, 900, 1800];
/// A server that answers, but has put a call off for half a day, is asked less often. Own default.
pub(super) const PUT_OFF_FOR_LONG: TimeDelta = TimeDelta::hours(12);
pub(super) const PUT_OFF_WAIT_SECONDS: i64 = 900;
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
