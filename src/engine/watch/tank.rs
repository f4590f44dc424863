//! The watch over one reservoir: how much is left, what draws on it, when the pump
//! will draw air, whether more goes than plants can use, and whether the gauge still
//! moves. The arithmetic is in `physics::tank_geometry`, `physics::draw` and `slope`.
//!
//! Two kinds of draw are told apart: the steady one between waterings, and the pulses
//! of a pump. The forecast runs both forward: tomorrow's pulses come when yesterday's came.

mod drawn;
mod faults;
mod forecast;
mod inlet;
mod known;
mod leak_test;

pub use known::{TankWatch, Use};

use crate::alarm::{AlarmKind, Condition, Evidence, Harm};
use crate::physics::slope::median;
use crate::rules::{Reservoir, ReservoirId, Rules};
use crate::units::Timestamp;
use crate::watch::growing::{ROUND_LASTS, ROUND_MAY_LAST, unless_watering};
use crate::watch::seen::{Judged, Seen, Subject};
use alloc::borrow::ToOwned;
use alloc::vec::Vec;
use chrono::TimeDelta;
use known::{KEPT_HOURS, POINT_MINUTES, gone};

/// A forecast further off than this is not told as an alarm. Own default.
const SIGHT_HOURS: f64 = 24.0;
/// What goes within this goes at once. Own default.
const SUDDEN_WITHIN: TimeDelta = TimeDelta::minutes(90);
/// A low tank of whose draw nothing is known is taken to be empty in so many hours: early,
/// likely, late. Own defaults.
const UNKNOWN_DRAW_HOURS: (f64, f64, f64) = (12.0, 30.0, 96.0);

/// The watches of a site, all at their beginning.
pub(crate) fn watches(rules: &Rules, at: Timestamp) -> Vec<TankWatch> {
    let watch = |tank: &Reservoir| TankWatch::new(tank, rules.channel(tank.channel), at);
    rules.reservoirs.iter().map(watch).collect()
}

/// Takes in a minute of every gauge, and judges.
pub(crate) fn minute(tanks: &mut [TankWatch], seen: &Seen<'_>, means: &[Option<f64>], judged: &mut Vec<Judged>) {
    for (index, (tank, reservoir)) in tanks.iter_mut().zip(&seen.rules.reservoirs).enumerate() {
        let judge = seen.judge(reservoir.channel);
        let known = Use {
            trays: seen.trays.any_sown().then_some(seen.trays_on(reservoir)),
            places: reservoir.feeds.len(),
            round_at: Some(seen.round_at).filter(|round| seen.at - *round < ROUND_MAY_LAST),
            asleep_since: seen.asleep_since,
            flat_since: judge.flat_since().map(|(since, _)| since),
            odd_after: judge.odd_after(seen.at),
        };
        let fresh = seen.fresh(reservoir.channel).is_some();
        let held = |kind| seen.alarms.is_held(kind, &reservoir.id);
        tank.minute(seen.at, means[usize::from(reservoir.channel.0)]);
        let found = tank.judge(seen.at, &reservoir.name, reservoir.low_percent, known, fresh, held);
        let subject = Subject::Reservoir(ReservoirId(index as u16));
        judged.extend(found.map(|found| Judged::of(subject.clone(), found)));
    }
}

impl TankWatch {
    /// Takes in the minute mean, in litres.
    pub fn minute(&mut self, at: Timestamp, litres: Option<f64>) {
        if let Some(litres) = litres {
            self.last_level = Some((at, litres));
            self.pending.push(litres);
            self.minutes.push_back((at, litres));
            while self.minutes.front().is_some_and(|(when, _)| at - *when > SUDDEN_WITHIN) {
                self.minutes.pop_front();
            }
            self.reckon_scatter();
        }
        if at.timestamp().div_euclid(60).rem_euclid(POINT_MINUTES) != 0 || self.pending.is_empty() {
            return;
        }
        let Some(middle) = median(&self.pending) else {
            return;
        };
        self.pending.clear();
        let hours = self.hours(at);
        if let Some((before, level)) = self.points.back() {
            // A gap of hours says nothing of what came between.
            let change = middle - level;
            let noise = self.noise();
            if hours - before < 2.0 && change < 0.0 {
                self.drawn_day -= change;
            } else if change > 3.0 * noise {
                self.added_day += change;
            } else if change > 0.0 {
                self.drawn_day -= change;
            }
            self.drawn_day = self.drawn_day.max(0.0);
        }
        self.points.push_back((hours, middle));
        while self.points.front().is_some_and(|(when, _)| hours - when > KEPT_HOURS) {
            self.points.pop_front();
        }
        self.understand();
    }

    /// Judges the reservoir. `held(kind)` says whether that alarm holds.
    pub fn judge(
        &mut self,
        at: Timestamp,
        name: &str,
        low_percent: f64,
        known: Use,
        fresh: bool,
        held: impl Fn(AlarmKind) -> bool,
    ) -> [(AlarmKind, Condition); 4] {
        use AlarmKind::{ReservoirEmpty, ReservoirLeak, ReservoirLow, SensorStuck};
        let stuck = self.stuck(at, name, known, fresh);
        let Some(usable) = self.usable_of_late().filter(|_| fresh) else {
            return [
                (ReservoirLow, Condition::Unknown),
                (ReservoirEmpty, Condition::Unknown),
                (ReservoirLeak, Condition::Unknown),
                (SensorStuck, stuck),
            ];
        };
        let full = self.usable_when_full();
        let percent = usable / full * 100.0;
        let forecast = self.forecast(at);
        let evidence = Evidence::Reservoir {
            reservoir: name.to_owned(),
            usable,
            percent,
            draw: self.steady_draw(),
            empty_at: forecast.map(|empty| (empty.likely, empty.early, empty.late)),
            to_fill: full - usable,
            waterings: self.pulses(self.hours(at)).iter().map(|(_, litres)| litres).sum(),
        };
        let is_empty = self.is_at_the_inlet() || (held(ReservoirEmpty) && percent < 6.0);
        let empty = if is_empty {
            let since = *self.empty_since.get_or_insert(at);
            let found = Condition::Present { harm: Some(Harm::certain(since)), evidence: evidence.clone() };
            // The round's own watering has emptied it under the eyes of who waters, and filling it
            // comes last; once they have gone it is told.
            let at_a_round = known.round_at.is_some_and(|round| at - round < ROUND_LASTS);
            let waters = self.largest_pulse(self.hours(at)).is_some_and(|pulse| pulse > 0.0);
            unless_watering(at_a_round && waters && !held(ReservoirEmpty), found)
        } else {
            self.empty_since = None;
            gone(held(ReservoirEmpty), &evidence)
        };
        let alone_from = known.round_at.map_or(at, |round| (round + ROUND_MAY_LAST).max(at));
        let unwatched = self.forecast_from(at, alone_from);
        let soon = unwatched.filter(|harm| harm.early - at <= hours_span(SIGHT_HOURS));
        let low_line = if held(ReservoirLow) { low_percent + 5.0 } else { low_percent };
        let low = match soon {
            // Empty has its own words; saying "low" beside it would be noise.
            _ if is_empty => Condition::Unknown,
            Some(harm) => Condition::Present { harm: Some(harm), evidence },
            None if percent < low_line => {
                let harm = unwatched.unwrap_or(Harm::after(
                    at,
                    UNKNOWN_DRAW_HOURS.0,
                    UNKNOWN_DRAW_HOURS.1,
                    UNKNOWN_DRAW_HOURS.2,
                ));
                Condition::Present { harm: Some(harm), evidence }
            }
            None => gone(held(ReservoirLow), &evidence),
        };
        let leak = if is_empty { Condition::Absent } else { self.leak(at, name, known, usable, held(ReservoirLeak)) };
        [(ReservoirLow, low), (ReservoirEmpty, empty), (ReservoirLeak, leak), (SensorStuck, stuck)]
    }
}

fn hours_span(hours: f64) -> TimeDelta {
    TimeDelta::seconds((hours * 3600.0).clamp(0.0, 31.0 * 86_400.0) as i64)
}

#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests {
    use super::sample::{hears, tank};

    #[test]
    fn a_gauge_that_trembles_has_drawn_and_added_nothing_by_the_evening() {
        let mut tank = tank();
        hears(&mut tank, 0..=1440, |at| 60.0 + if at / 5 % 2 == 0 { 0.2 } else { -0.2 });
        let (drawn, added) = tank.day();
        assert!(drawn < 0.5 && added == 0.0, "{drawn} drawn, {added} added");
    }

    #[test]
    fn what_fell_in_hours_that_were_not_heard_is_of_no_day() {
        let mut tank = tank();
        hears(&mut tank, 0..=60, |_| 60.0);
        hears(&mut tank, 240..=300, |_| 50.0);
        assert_eq!(tank.day(), (0.0, 0.0));
    }
}
