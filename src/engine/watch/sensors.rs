//! The watch over sensors: who should have spoken by now, who repeats one value, and
//! who says what cannot be. A silent sensor never reads as calm: its alarm carries
//! the time by which what nobody sees could have begun to harm.

use crate::alarm::Condition;
use crate::alarm::cycle::Hold;
use crate::alarm::{AlarmKind, Evidence, Harm};
use crate::quality::judge::{Judge, STUCK_TOGETHER};
use crate::quality::saturation::Pinned;
use crate::reading::{Quantity, SensorId};
use crate::rules::{PlaceId, Rules, Sensor};
use crate::units::Timestamp;
use crate::watch::place::PlaceWatch;
use crate::watch::seen::{Judged, Seen, Subject};
use crate::watch::tank::TankWatch;
use alloc::borrow::ToOwned;
use alloc::collections::{BTreeMap, VecDeque};
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Air that nobody sees comes to harm in so many hours: early, likely, late. One silent sensor is
/// nearly always a battery, and says nothing of the air: of two hundred silences of a season none
/// hid harm before the next round. What was on its way before it has alarms of its own, which
/// stand. Own defaults.
const UNSEEN_HOURS: (f64, f64, f64) = (24.0, 96.0, 300.0);
/// The same when nothing is heard at all: that may be the power, and then fan, heater and pump
/// stand still too. Own defaults.
const UNHEARD_HOURS: (f64, f64, f64) = (10.0, 40.0, 120.0);
/// A silence is taken to heal by itself for no less and no more than this, whatever was learnt.
/// Own defaults.
const SETTLES_BETWEEN: (TimeDelta, TimeDelta) = (TimeDelta::minutes(10), TimeDelta::hours(2));
/// Before anything was learnt, it is taken to heal within the least.
const LEARNT_FROM: TimeDelta = TimeDelta::days(30);
/// Outages remembered; a sensor with more of them in a month is a bad sensor.
const OUTAGES_KEPT: usize = 400;
/// Beyond its interval of silence, a sensor must speak for so long before it is back: a few
/// stray messages are no return. Own default.
const BACK_AFTER: TimeDelta = TimeDelta::minutes(5);
/// In so short a break (the settings are read again, a router blinks) one message is missed at
/// most: a silence is counted on over it. Own default.
const SHORT_BREAK: TimeDelta = TimeDelta::minutes(1);
/// A gauge nobody hears: the tank is unseen, and may be harmed in so many hours: early, likely,
/// late. Own defaults.
const UNSEEN_TANK_HOURS: (f64, f64, f64) = (24.0, 72.0, 200.0);
/// So many refusals on end, with nothing believed between, are no accident. Own default.
const REFUSED_ON_END: u32 = 10;
/// A fifth of an hour's messages, and at least ten, are no accident either. Own default.
const REFUSED_SHARE: f64 = 0.2;

/// Longer than the arrays that serde knows.
mod hour {
    use alloc::vec::Vec;
    use serde::de::{Deserialize, Deserializer, Error};
    use serde::ser::{Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(hour: &[(u32, u32); 60], to: S) -> Result<S::Ok, S::Error> {
        hour.as_slice().serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<[(u32, u32); 60], D::Error> {
        Vec::deserialize(from)?.try_into().map_err(|_| D::Error::custom("an hour has sixty minutes"))
    }
}

/// What is known of one sensor's speaking.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(crate) struct SensorWatch {
    sensor: SensorId,
    silent_after: TimeDelta,
    listening_since: Timestamp,
    last_spoke: Option<Timestamp>,
    last_believed: Option<Timestamp>,
    refused_on_end: u32,
    #[serde(with = "hour")]
    hour: [(u32, u32); 60],
    minute: i64,
    #[serde(with = "crate::refusal::counts")]
    reasons: BTreeMap<&'static str, u32>,
    /// Silences that healed by themselves: when they ended, and how long they were.
    outages: VecDeque<(Timestamp, TimeDelta)>,
    /// Since the last digest.
    day: SensorTally,
}

/// What a sensor did since the last digest.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct SensorTally {
    /// Readings believed.
    pub(crate) believed: u32,
    /// Messages and readings refused, by stable word.
    #[serde(with = "crate::refusal::counts")]
    pub(crate) refused: BTreeMap<&'static str, u32>,
    /// Minutes of silence.
    pub(crate) silent_minutes: u32,
    /// Minutes in which a hygrometer was saturated.
    pub(crate) saturated_minutes: u32,
    /// Minutes in which an echo could not be corrected for the warmth of the air.
    pub(crate) uncorrected_minutes: u32,
}

impl SensorWatch {
    /// A watch that begins to listen at `at`.
    pub(crate) fn new(sensor: SensorId, silent_after: TimeDelta, at: Timestamp) -> Self {
        SensorWatch {
            sensor,
            silent_after,
            listening_since: at,
            last_spoke: None,
            last_believed: None,
            refused_on_end: 0,
            hour: [(0, 0); 60],
            minute: 0,
            reasons: BTreeMap::new(),
            outages: VecDeque::new(),
            day: SensorTally::default(),
        }
    }

    /// The sensor that is listened for.
    pub(crate) fn sensor(&self) -> SensorId {
        self.sensor
    }

    /// Since the last digest.
    pub(crate) fn day(&self) -> &SensorTally {
        &self.day
    }

    /// The digest was written.
    pub(crate) fn begin_day(&mut self) {
        self.day = SensorTally::default();
    }

    /// Somebody listens again at `at`: a restart, or the broker came back. After more than a short
    /// break whether it is silent begins anew.
    pub(crate) fn listen_from(&mut self, at: Timestamp, unheard: TimeDelta) {
        if unheard > SHORT_BREAK {
            self.listening_since = at;
        }
    }

    /// A reading of the present was believed.
    pub(crate) fn believed(&mut self, at: Timestamp) {
        self.turn_to(at);
        self.healed(at);
        self.last_spoke = Some(at);
        self.last_believed = Some(at);
        self.refused_on_end = 0;
        self.reasons.clear();
        let slot = self.slot(at);
        slot.0 = slot.0.saturating_add(1);
        self.day.believed = self.day.believed.saturating_add(1);
    }

    /// Learns from a silence that has ended, if anybody listened through it.
    fn healed(&mut self, at: Timestamp) {
        while self.outages.front().is_some_and(|(ended, _)| at - *ended > LEARNT_FROM) {
            self.outages.pop_front();
        }
        let Some(before) = self.last_spoke.filter(|before| *before >= self.listening_since) else { return };
        if at - before > self.silent_after {
            self.outages.push_back((at, at - before));
            while self.outages.len() > OUTAGES_KEPT {
                self.outages.pop_front();
            }
        }
    }

    /// How long its silences last by themselves: the 95th percentile of those of the last
    /// month that healed, between ten minutes and two hours. Counted from its last word.
    pub(crate) fn settling(&self) -> TimeDelta {
        let mut lengths: Vec<TimeDelta> = self.outages.iter().map(|(_, length)| *length).collect();
        lengths.sort_unstable();
        let rank = (lengths.len() * 95).div_ceil(100);
        let usual = rank.checked_sub(1).and_then(|index| lengths.get(index)).copied();
        usual.map_or(SETTLES_BETWEEN.0, |usual| usual.clamp(SETTLES_BETWEEN.0, SETTLES_BETWEEN.1))
    }

    /// How long its silence must last before it is one, and how long it must speak before it
    /// is over.
    pub(crate) fn hold(&self) -> Hold {
        let on = (self.settling() - self.silent_after).max(TimeDelta::zero());
        Hold::of(on, self.silent_after + BACK_AFTER)
    }

    /// It spoke, and nothing came of it that says anything about the present.
    pub(crate) fn spoke(&mut self, at: Timestamp) {
        self.last_spoke = Some(at);
    }

    /// It spoke, and what it said was refused.
    pub(crate) fn refused(&mut self, at: Timestamp, reason: &'static str) {
        self.turn_to(at);
        self.last_spoke = Some(at);
        self.refused_on_end = self.refused_on_end.saturating_add(1);
        *self.reasons.entry(reason).or_default() += 1;
        let slot = self.slot(at);
        slot.0 = slot.0.saturating_add(1);
        slot.1 = slot.1.saturating_add(1);
        *self.day.refused.entry(reason).or_default() += 1;
    }

    /// When it last said something we believed.
    pub(crate) fn last_believed(&self) -> Option<Timestamp> {
        self.last_believed
    }

    /// It has not spoken for longer than it may.
    pub(crate) fn is_silent(&self, at: Timestamp) -> bool {
        at - self.last_spoke.unwrap_or(self.listening_since).max(self.listening_since) > self.silent_after
    }

    /// Judges silence. `blind`: nothing else measures there; `harm_after`: when what it
    /// gauges would harm, if that is known better than the general rule.
    pub(crate) fn silence(&mut self, at: Timestamp, site: &Surroundings<'_>) -> (AlarmKind, Condition) {
        if site.deaf {
            // Nobody is heard; that has an alarm of its own.
            return (AlarmKind::SensorSilent, Condition::Unknown);
        }
        if !self.is_silent(at) {
            return (AlarmKind::SensorSilent, Condition::Absent);
        }
        self.day.silent_minutes += 1;
        let evidence = Evidence::Silent {
            place: site.place.to_owned(),
            last_heard: self.last_spoke,
            every: site.every,
            blind: site.blind,
            all: site.all,
        };
        (AlarmKind::SensorSilent, Condition::Present { harm: self.unseen(site), evidence })
    }

    /// Judges refusals.
    pub(crate) fn implausible(&mut self, at: Timestamp, site: &Surroundings<'_>) -> (AlarmKind, Condition) {
        self.turn_to(at);
        let (heard, refused) = self
            .hour
            .iter()
            .fold((0u32, 0u32), |sum, slot| (sum.0.saturating_add(slot.0), sum.1.saturating_add(slot.1)));
        let often = refused >= REFUSED_ON_END && f64::from(refused) >= REFUSED_SHARE * f64::from(heard);
        if !(often || self.refused_on_end >= REFUSED_ON_END) {
            return (AlarmKind::SensorImplausible, Condition::Absent);
        }
        let reason = self.reasons.iter().chain(self.day.refused.iter()).max_by_key(|(_, count)| **count);
        let evidence = Evidence::Implausible {
            place: site.place.to_owned(),
            refused,
            heard,
            reason: reason.map_or("range", |(word, _)| word),
        };
        (AlarmKind::SensorImplausible, Condition::Present { harm: self.unseen(site), evidence })
    }

    /// When harm that nobody sees may begin: never while something else measures there.
    pub(crate) fn unseen(&self, site: &Surroundings<'_>) -> Option<Harm> {
        if !site.blind || !site.matters {
            return None;
        }
        if let Some(known) = site.harm {
            return Some(known);
        }
        let (early, likely, late) = if site.all { UNHEARD_HOURS } else { UNSEEN_HOURS };
        let heard = self.last_believed.unwrap_or(self.listening_since);
        Some(Harm::after(heard.max(site.seen_at), early, likely, late))
    }

    fn slot(&mut self, at: Timestamp) -> &mut (u32, u32) {
        &mut self.hour[at.timestamp().div_euclid(60).rem_euclid(60) as usize]
    }

    /// Empties the minutes that have passed since the last call.
    fn turn_to(&mut self, at: Timestamp) {
        let minute = at.timestamp().div_euclid(60);
        let passed = (minute - self.minute).clamp(0, 60);
        for step in 0..passed {
            self.hour[(minute - step).rem_euclid(60) as usize] = (0, 0);
        }
        self.minute = self.minute.max(minute);
    }
}

/// What surrounds a sensor at the moment it is judged.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surroundings<'a> {
    /// The name of the place or reservoir.
    pub place: &'a str,
    /// How often it should speak.
    pub every: TimeDelta,
    /// Nothing else measures what it measures.
    pub blind: bool,
    /// Something grows there, or draws from there.
    pub matters: bool,
    /// No sensor can be heard at all.
    pub deaf: bool,
    /// Every sensor of the site is silent, though the broker is there.
    pub all: bool,
    /// When people last were in the room, by its rounds: what they saw was well.
    pub seen_at: Timestamp,
    /// When harm begins, where that is known better than by the general rule.
    pub harm: Option<Harm>,
}

/// Whether an air sensor repeats itself: one channel for longer than is usual for it (half a
/// day at most), or all of its channels together for three hours.
pub(crate) fn stuck_air(at: Timestamp, judges: &[&Judge]) -> Option<(Quantity, f64, Timestamp)> {
    let flat = |judge: &&Judge| {
        let (since, count) = judge.flat_since()?;
        // At the top of its scale a hygrometer cannot move; that is a state of its own.
        if judge.pinned(at).at_top() {
            return None;
        }
        let (heard, value) = judge.last()?;
        // A handful of repeats at a slow interval is no evidence.
        let odd_after = judge.odd_after(at);
        (count >= 12 && at - heard < TimeDelta::hours(1)).then_some((judge.quantity(), value, since, odd_after))
    };
    let flats: Vec<_> = judges.iter().filter_map(flat).collect();
    let alone = flats.iter().find(|(_, _, since, odd_after)| at - *since >= *odd_after);
    let together = (judges.len() > 1 && flats.len() == judges.len())
        .then(|| flats.iter().max_by_key(|(_, _, since, _)| *since))
        .flatten()
        .filter(|(_, _, since, _)| at - *since >= STUCK_TOGETHER)
        .and(flats.first());
    alone.or(together).map(|(quantity, value, since, _)| (*quantity, *value, *since))
}

/// When nothing at all has been heard since `lost`, harm that nobody sees may begin.
pub fn unheard_since(lost: Timestamp) -> Harm {
    let (early, likely, late) = UNHEARD_HOURS;
    Harm::after(lost, early, likely, late)
}

/// The same for what a stuck sensor hides since it froze.
pub(crate) fn hidden_since(froze: Timestamp) -> Harm {
    let (early, likely, late) = UNSEEN_HOURS;
    Harm::after(froze + STUCK_TOGETHER, early, likely, late)
}

/// The watches of a site, all at their beginning.
pub(crate) fn watches(rules: &Rules, at: Timestamp) -> Vec<SensorWatch> {
    let watch = |(index, sensor): (usize, &Sensor)| SensorWatch::new(SensorId(index as u16), sensor.silent_after, at);
    rules.sensors.iter().enumerate().map(watch).collect()
}

/// What other watches know that bears on a sensor.
pub(crate) struct Others<'a> {
    pub(crate) tanks: &'a [TankWatch],
    pub(crate) places: &'a [PlaceWatch],
    /// No connection to the broker: no sensor can be heard at all.
    pub(crate) deaf: bool,
    /// Every sensor of the site is silent.
    pub(crate) all: bool,
    /// When people last were in the room, by its rounds.
    pub(crate) people_at: Timestamp,
}

/// Judges every sensor: is it silent, does it say what cannot be, does it repeat itself.
pub(crate) fn minute(watches: &mut [SensorWatch], seen: &Seen<'_>, others: &Others<'_>, judged: &mut Vec<Judged>) {
    tally(watches, seen);
    for (watch, sensor) in watches.iter_mut().zip(&seen.rules.sensors) {
        let around = surroundings(watch, sensor, seen, others);
        let silence = watch.silence(seen.at, &around);
        let implausible = watch.implausible(seen.at, &around);
        // A gauge that repeats itself is judged with its tank.
        let stuck = sensor.reservoir.is_none().then(|| stuck(watch.sensor, seen, &around));
        let subject = Subject::Sensor(watch.sensor);
        judged.push(Judged { settling: Some(watch.hold()), ..Judged::of(subject.clone(), silence) });
        let found = [implausible].into_iter().chain(stuck);
        judged.extend(found.map(|found| Judged::of(subject.clone(), found)));
    }
}

fn surroundings<'a>(watch: &SensorWatch, sensor: &'a Sensor, seen: &Seen<'a>, others: &Others<'_>) -> Surroundings<'a> {
    let rules = seen.rules;
    let (place, blind, matters, harm) = match (sensor.place, sensor.reservoir) {
        (_, Some(id)) => {
            let reservoir = rules.reservoir(id);
            let matters = !seen.trays.any_sown() || seen.trays_on(reservoir) > 0;
            let heard = watch.last_believed().unwrap_or(seen.at).max(others.people_at);
            let (early, likely, late) = UNSEEN_TANK_HOURS;
            let unseen = Harm::after(heard, early, likely, late);
            let harm = others.tanks[usize::from(id.0)].forecast(seen.at).map_or(unseen, |empty| empty.sooner(unseen));
            (reservoir.name.as_str(), true, matters, Some(harm))
        }
        (Some(place), _) => {
            let measured = measured_by_another(place, watch.sensor, seen);
            let empty = others.places.iter().find(|watch| watch.place == place).is_some_and(|p| p.demand.empty);
            let blind = !measured && sensor.surface.is_none();
            (rules.place(place).name.as_str(), blind, !empty, None)
        }
        (None, None) => (sensor.id.as_str(), false, false, None),
    };
    Surroundings {
        place,
        every: sensor.every,
        blind,
        matters,
        deaf: others.deaf,
        all: others.all,
        seen_at: others.people_at,
        harm,
    }
}

fn measured_by_another(place: PlaceId, sensor: SensorId, seen: &Seen<'_>) -> bool {
    let channels = seen.rules.channels.iter().zip(seen.minutes);
    channels.filter(|(channel, _)| channel.sensor != sensor).any(|(channel, minutes)| {
        let other = seen.rules.sensor(channel.sensor);
        other.place == Some(place) && other.surface.is_none() && minutes.fresh(seen.at).is_some()
    })
}

/// Counts the minutes in which sensors could not say all. Only one channel of a sensor can.
fn tally(watches: &mut [SensorWatch], seen: &Seen<'_>) {
    for (channel, judge) in seen.rules.channels.iter().zip(seen.judges) {
        let day = &mut watches[usize::from(channel.sensor.0)].day;
        day.saturated_minutes += u32::from(matches!(judge.pinned(seen.at), Pinned::Saturated(_)));
        day.uncorrected_minutes += u32::from(judge.is_uncorrected(seen.at));
    }
}

fn stuck(sensor: SensorId, seen: &Seen<'_>, around: &Surroundings<'_>) -> (AlarmKind, Condition) {
    let judges: Vec<&Judge> = seen.judges_of(sensor).collect();
    let condition = match stuck_air(seen.at, &judges) {
        Some((quantity, value, since)) => {
            let harm = (around.blind && around.matters).then(|| hidden_since(since.max(around.seen_at)));
            let evidence = Evidence::Stuck { place: around.place.to_owned(), quantity, value };
            Condition::Present { harm, evidence }
        }
        None => Condition::Absent,
    };
    (AlarmKind::SensorStuck, condition)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_backlog_of_any_size_within_a_minute_is_counted_and_stops_nothing() {
        let at: Timestamp = "2026-03-03T23:00:00Z".parse().expect("a time");
        let mut watch = SensorWatch::new(SensorId(0), TimeDelta::minutes(5), at);
        for _ in 0..70_000 {
            watch.believed(at);
            watch.refused(at, "range");
        }
        assert_eq!(watch.day.believed, 70_000);
    }

    #[test]
    fn a_sensor_settles_as_long_as_its_own_outages_last() {
        let mut at: Timestamp = "2026-03-03T23:00:00Z".parse().expect("a time");
        let mut watch = SensorWatch::new(SensorId(0), TimeDelta::minutes(5), at);
        watch.believed(at);
        assert_eq!(watch.settling(), TimeDelta::minutes(10), "nothing learnt");
        for outage in 1..=20 {
            at += TimeDelta::minutes(if outage == 7 { 500 } else { 20 + outage });
            watch.believed(at);
            at += TimeDelta::minutes(1);
            watch.believed(at);
        }
        assert_eq!(watch.settling(), TimeDelta::minutes(40), "the 19th of twenty");
        let newest_ended = at - TimeDelta::minutes(1);
        at = newest_ended + TimeDelta::days(30);
        watch.listen_from(at, TimeDelta::days(30));
        watch.believed(at);
        assert_eq!(watch.outages.len(), 1, "the newest ended thirty days ago to the second");
        watch.believed(at + TimeDelta::seconds(1));
        assert_eq!(watch.settling(), TimeDelta::minutes(10), "a month later nothing of it is left");
    }
}
