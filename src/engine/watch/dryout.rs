//! The watch over each tray's medium: the water it was given by the grower's log, what its
//! air has drawn of it since, and when it is used up. The model is in `physics::dryness`.
//!
//! Dryness is judged only where waterings are logged: without a log nothing is known of the
//! water, and a tray fed by a pump would seem to starve.

use crate::alarm::Condition;
use crate::alarm::{Evidence, Harm};
use crate::physics::dryness::{
    Coefficient, HORIZON_HOURS, HourAhead, LOG_ERROR, Lesson, Medium, MediumWater, RESERVOIR_ERROR, draw_shape, dry_in,
};
use crate::physics::mold_pressure::TrayAir;
use crate::units::{RelativeHumidity, Timestamp};
use crate::watch::stand::{Stand, lit};
use crate::watch::trays::tray::Tray;
use alloc::borrow::ToOwned;
use alloc::collections::{BTreeMap, VecDeque};
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Fewer waterings than this, of a tray or of its place, are no log to judge by. Own default.
pub const LOGGED_WATERINGS: u32 = 4;
/// Where no tray of a place has had a watering in the log for so long, its log has ended: the
/// grower is away, and was called, or has stopped writing. Own default.
const LOG_ENDS_AFTER: TimeDelta = TimeDelta::days(3);
/// A watering is not missed while it is late by less than this. Own default.
const LATE: TimeDelta = TimeDelta::hours(2);
/// A watering that its tank has not shown is doubted with a later one for so long: somebody
/// who is in the room twice a day sees a tray that was dry for longer. Own default.
const UNSHOWN_FOR: TimeDelta = TimeDelta::hours(24);
/// Waterings closer together than this are of one round. Own default.
const ONE_ROUND: TimeDelta = TimeDelta::hours(1);
/// A layer of medium in a standard tray, millimetres (25 to 30 in practice, no source).
pub const MEDIUM_DEPTH_MM: f64 = 25.0;
/// Waterings closer together than this teach nothing about drying. Own default.
const LEAST_LESSON_HOURS: f64 = 6.0;
/// Longer than half a day ahead, a round with its watering lies between. Own default.
const REPORTED_WITHIN_HOURS: f64 = 16.0;
/// Light on a tray by day, µmol/(m² s). Own default.
const DAYLIGHT: f64 = 150.0;
/// A forecast is worth its arithmetic only when less than this is left, grams.
const NEARLY_USED_UP: f64 = 450.0;
/// Air this little above its lowest limit may be below it before the next look, per cent;
/// the deadband of the alarm. Own default.
const NEARLY_DRY: f64 = 3.0;

/// One tray's water.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Water {
    left: MediumWater,
    waterings: u32,
    watered_at: Option<Timestamp>,
    /// When its tank watered it, by how it fell, though nobody typed it.
    seems_watered_at: Option<Timestamp>,
    /// What theory says the tray drew since the last watering, grams.
    drawn_by_theory: f64,
    /// Hours since then in which its air was known.
    seen_hours: f64,
    /// Grams an hour by theory as they were last, in the dark and in the light.
    draws: [f64; 2],
    /// What theory said it had drawn when it was last watered without an amount in the log;
    /// the tank may tell the amount.
    untold: Option<f64>,
    /// Waterings that its tank has neither shown nor denied, the first one first.
    unshown: VecDeque<Unshown>,
    /// A watering in the log that the tank did not show.
    not_shown: Option<Timestamp>,
}

/// A tray's water without the watering of this time and those after it: a refill covers what a
/// round draws.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Unshown {
    at: Timestamp,
    left: MediumWater,
    waterings: u32,
    watered_at: Option<Timestamp>,
}

/// The last rounds in which waterings of a place were written down, whichever tray they were
/// for.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct WateringLog(VecDeque<Timestamp>);

/// Every tray's water, and what each place has taught about drying.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct DryOutWatch {
    trays: BTreeMap<String, Water>,
    coefficients: BTreeMap<u16, Coefficient>,
    logs: BTreeMap<u16, WateringLog>,
    /// When the first tray in light of each place will have used up its water, where the log
    /// tells the water of all of them.
    lasts: BTreeMap<u16, Option<Harm>>,
}

impl DryOutWatch {
    /// A tray was watered at `at`, as is typed `now`.
    pub(crate) fn watered(&mut self, now: Timestamp, zone: chrono_tz::Tz, tray: &Tray, at: Timestamp, ml: Option<f64>) {
        self.logs.entry(tray.place.0).or_default().watered(at);
        let coefficient = self.coefficients.entry(tray.place.0).or_default();
        let water = self.trays.entry(tray.name.clone()).or_default();
        water.waterings += 1;
        if water.watered_at.is_some_and(|newest| at <= newest) {
            // Told out of order: what it drew since the newest is known already.
            return;
        }
        let hours = |from: Timestamp, until: Timestamp| (until - from).num_minutes() as f64 / 60.0;
        let elapsed = water.watered_at.map_or(0.0, |before| hours(before, at));
        // What it drew since, if it was typed late.
        let since = hours(at, now).clamp(0.0, water.seen_hours);
        let drawn_since = water.drawn_over(now, since, zone).min(water.drawn_by_theory);
        // Only a span that was watched from watering to watering teaches; entries told of the
        // past would weigh a day's water against an hour's air.
        let teaches = elapsed >= LEAST_LESSON_HOURS && water.seen_hours - since >= 0.9 * elapsed;
        let drawn_before = water.drawn_by_theory - drawn_since;
        if let Some(grams) = ml.filter(|_| teaches) {
            // Nonsense is rejected there, and the lesson forgotten slowly.
            let _ = coefficient.learn(grams, drawn_before, LOG_ERROR);
        }
        water.untold = (teaches && ml.is_none()).then_some(drawn_before);
        water.unshown.retain(|unshown| at - unshown.at <= UNSHOWN_FOR);
        // A tray that is watered twice in one round has one watering more that may be none.
        if water.unshown.back().is_none_or(|unshown| at - unshown.at > ONE_ROUND) {
            water.unshown.push_back(Unshown {
                at,
                left: water.left,
                waterings: water.waterings - 1,
                watered_at: water.watered_at,
            });
        }
        // Watered from below, a shallow layer takes up what it can hold (container capacity of
        // 25 to 30 mm is near saturation; Milks, Fonteno and Larson 1989, abstract). A running
        // balance of small errors would starve trays that are watered twice a day.
        water.left = Water::soaked();
        water.left.draw(coefficient.mean() * drawn_since);
        water.drawn_by_theory = drawn_since;
        water.seen_hours = since;
        water.watered_at = Some(at);
    }

    /// It is believed that this tray was watered, whatever its tank showed.
    pub(crate) fn believe(&mut self, tray: &str) {
        if let Some(water) = self.trays.get_mut(tray) {
            water.not_shown = None;
        }
    }

    /// A watering of this tray was logged that its tank did not show.
    pub(crate) fn is_doubted(&self, tray: &str) -> bool {
        self.trays.get(tray).is_some_and(|water| water.not_shown.is_some())
    }

    /// The tank fell for a round that ended at `until`: by so many grams for each tray, where that can
    /// be told; where the log named no amount, that is the lesson. True if it was one.
    pub(crate) fn drew(&mut self, tray: &Tray, until: Timestamp, grams: Option<f64>) -> bool {
        let Some(water) = self.trays.get_mut(&tray.name) else { return false };
        water.unshown.retain(|unshown| unshown.at > until);
        water.not_shown = water.not_shown.filter(|denied| *denied > until);
        if water.watered_at > Some(until) {
            return false;
        }
        let Some((theory, grams)) = water.untold.take().zip(grams) else { return false };
        self.coefficients.entry(tray.place.0).or_default().learn(grams, theory, RESERVOIR_ERROR) == Lesson::Taken
    }

    /// The round from `logged_at` to `until` did not show in a tank where waterings do: its water is
    /// reckoned from the last one that did, as those between are no surer than this one. One that
    /// came after it is judged by itself, and if it was none either, neither was this.
    pub(crate) fn not_watered(&mut self, tray: &Tray, logged_at: Timestamp, until: Timestamp) {
        let Some(water) = self.trays.get_mut(&tray.name) else { return };
        let Some(denied) = water.unshown.front().copied() else { return };
        water.unshown.retain(|unshown| unshown.at > until);
        if let Some(newer) = water.unshown.front_mut() {
            *newer = Unshown { at: newer.at, ..denied };
            return;
        }
        water.left = denied.left;
        water.waterings = denied.waterings;
        water.watered_at = denied.watered_at;
        // A span with a round in it that may or may not have been teaches nothing.
        water.seen_hours = 0.0;
        water.not_shown = Some(logged_at);
        water.untold = None;
    }

    /// Its tank fell as at other rounds, though nobody typed a watering.
    pub(crate) fn seems_watered(&mut self, tray: &Tray, at: Timestamp) {
        // A tray of which no watering was ever typed stays unknown: a log is what it is judged by.
        let Some(water) = self.trays.get_mut(&tray.name).filter(|water| water.watered_at.is_some()) else { return };
        water.left = Water::soaked();
        water.seems_watered_at = water.seems_watered_at.max(Some(at));
        water.unshown.clear();
        water.not_shown = None;
        water.untold = None;
        // From one watering in the log to the next there are two spans now, and neither is known whole.
        water.seen_hours = 0.0;
        water.drawn_by_theory = 0.0;
    }

    /// Trays that have left the room are forgotten.
    pub(crate) fn keep(&mut self, growing: impl Fn(&str) -> bool) {
        self.trays.retain(|name, _| growing(name));
    }

    /// What was learnt grows unsure as `hours` pass, whether anybody watched or not.
    pub(crate) fn forget(&mut self, hours: f64) {
        for coefficient in self.coefficients.values_mut() {
            coefficient.forget(hours.clamp(0.0, 24.0) / 24.0);
        }
    }

    /// Lets `hours` pass over the trays of a place and judges their water.
    pub(crate) fn look(&mut self, at: Timestamp, hours: f64, stand: &Stand<'_>, air: &TrayAir) -> Condition {
        let learnt = self.coefficients.get(&stand.place).copied().unwrap_or_default();
        for tray in stand.trays {
            let water = self.trays.entry(tray.name.clone()).or_default();
            let an_hour = drawn_by_theory(at, stand.zone, tray, air);
            water.draws[usize::from(lit(at, stand.zone))] = an_hour;
            water.pass(hours, learnt.mean(), an_hour * hours);
        }
        // Only where the air is dry does anybody ask; the forecast costs more than all the rest.
        let dry = stand.demand.limits.humidity_min.is_some_and(|limit| air.humidity.0 < limit + NEARLY_DRY);
        match dry.then(|| self.water_of(at, stand, air)).flatten() {
            Some(lasts) => self.lasts.insert(stand.place, lasts),
            None => self.lasts.remove(&stand.place),
        };
        self.dryness(at, stand, air)
    }

    /// What dry air comes to in a place: it harms by using up the water of its trays. Where the
    /// log tells how much they have left, that is when it will be used up, or `None`: not
    /// within a day. Outer `None`: the log does not tell.
    pub(crate) fn dry_air_harms(&self, place: u16) -> Option<Option<Harm>> {
        self.lasts.get(&place).copied()
    }

    fn water_of(&self, at: Timestamp, stand: &Stand<'_>, air: &TrayAir) -> Option<Option<Harm>> {
        let coefficient = self.coefficients.get(&stand.place).copied().unwrap_or_default();
        let mut open = stand.trays.iter().filter(|tray| tray.breathes_room_air(at)).peekable();
        open.peek()?;
        let mut soonest: Option<Harm> = None;
        let mut logged = false;
        for tray in open {
            let water = self.trays.get(&tray.name).filter(|water| water.waterings > 0)?;
            logged |= water.waterings >= LOGGED_WATERINGS;
            let dry = dry_in(water.left, coefficient, &hours_ahead(at, tray, air, stand.zone));
            let Some(early) = dry.early else { continue };
            let harm = beyond_horizon(at, early, dry.likely, dry.late);
            soonest = Some(soonest.map_or(harm, |soonest: Harm| soonest.sooner(harm)));
        }
        logged.then_some(soonest)
    }

    fn dryness(&self, at: Timestamp, stand: &Stand<'_>, air: &TrayAir) -> Condition {
        let coefficient = self.coefficients.get(&stand.place).copied().unwrap_or_default();
        let log = self.logs.get(&stand.place).filter(|log| log.is_one());
        let mut first: Option<(Harm, f64, &Water, bool)> = None;
        let mut unlogged = false;
        let mut names = Vec::new();
        for tray in stand.trays {
            let Some(water) = self.trays.get(&tray.name) else {
                continue;
            };
            // A tray that came to the light when its neighbours were written of has no waterings
            // of its own yet, and needs them most.
            let since = water.watered_at.max(water.seems_watered_at).or(tray.light_at);
            let log = log.filter(|_| tray.breathes_room_air(at));
            // What a log told while it was kept is not over because it has ended.
            let log = log.filter(|log| log.tells(at) || since.is_some_and(|since| log.told_of(since)));
            let missed = log.zip(since).is_some_and(|(log, since)| at - since > log.missed_after());
            // A pump that may be dead, or a rack that was forgotten, needs hands at the next
            // round, however much water is left.
            let unsure = water.not_shown.is_some() || missed;
            let logged = water.waterings >= LOGGED_WATERINGS || log.is_some();
            if !unsure && (!logged || water.left.grams() > NEARLY_USED_UP) {
                continue;
            }
            let ahead = hours_ahead(at, tray, air, stand.zone);
            let dry = dry_in(water.left, coefficient, &ahead);
            // A medium that lasts from round to round has shown that it does; of one that must
            // last beyond them nobody knows, and the least of its kind is reckoned with.
            let early = if unsure { dry_in(water.left.at_least(), coefficient, &ahead).early } else { dry.early };
            let horizon = unsure.then_some(HORIZON_HOURS as f64);
            let likely = dry.likely.filter(|likely| unsure || *likely <= REPORTED_WITHIN_HOURS).or(horizon);
            let Some((early, likely)) = early.or(horizon).zip(likely) else {
                continue;
            };
            names.push(tray.name.clone());
            // Whether the round that is not in the log was made, only people know; if it was, all
            // of the medium's water is there.
            let late = since
                .zip(self.logs.get(&stand.place))
                .is_some_and(|(since, log)| log.usual().is_none_or(|usual| at - since > usual + LATE));
            let untyped = late && water.not_shown.is_none();
            // Whether it was uncovered at all, only people know: nobody has typed it, nor a watering.
            let perhaps_covered = tray.light_at.is_none() && water.watered_at.is_none();
            let question = untyped || perhaps_covered;
            // Who forgets to write one down rarely forgets the next.
            let most = if untyped && !missed { None } else { dry_in(water.left.at_most(), coefficient, &ahead).late };
            let harm = beyond_horizon(at, early.min(likely), Some(likely).filter(|_| dry.likely.is_some()), most);
            // What is known goes before what is asked.
            let sooner =
                |(soonest, _, _, asked): (Harm, f64, &Water, bool)| (question, harm.early) < (asked, soonest.early);
            if first.is_none_or(sooner) {
                first = Some((harm, likely, water, question));
                unlogged = question;
            }
        }
        let Some((harm, likely, water, _)) = first else {
            return Condition::Absent;
        };
        let evidence = Evidence::Dryness {
            place: stand.name.to_owned(),
            trays: names,
            hours: likely,
            watered: water.watered_at,
            not_shown: water.not_shown,
            unlogged,
        };
        Condition::Present { harm: Some(harm), evidence }
    }
}

impl WateringLog {
    fn watered(&mut self, at: Timestamp) {
        let since = self.0.back().map(|last| at - *last);
        if since.is_some_and(|since| since > LOG_ENDS_AFTER) {
            self.0.clear();
        }
        // The trays of one round, and what is told of the past out of order, count once.
        if since.is_none_or(|since| since.num_minutes() as f64 >= LEAST_LESSON_HOURS * 60.0) {
            self.0.push_back(at);
        }
        while self.0.len() > LOGGED_WATERINGS as usize + 1 {
            self.0.pop_front();
        }
    }

    /// So many rounds are in it that it is one.
    fn is_one(&self) -> bool {
        self.0.len() >= LOGGED_WATERINGS as usize
    }

    /// It is one, and is kept.
    fn tells(&self, at: Timestamp) -> bool {
        self.is_one() && self.told_of(at)
    }

    /// It was kept at this time.
    fn told_of(&self, at: Timestamp) -> bool {
        self.0.back().is_some_and(|last| at - *last <= LOG_ENDS_AFTER)
    }

    /// The usual time from one round to the next; `None`: there were not two.
    fn usual(&self) -> Option<TimeDelta> {
        let (first, last) = self.0.front().zip(self.0.back())?;
        (self.0.len() > 1).then(|| (*last - *first) / (self.0.len() as i32 - 1))
    }

    /// Without a watering for so long, two of them were missed.
    fn missed_after(&self) -> TimeDelta {
        self.usual().map_or(TimeDelta::MAX, |usual| usual * 2 + LATE)
    }
}

/// Harm by drying in hours; what lies beyond the horizon is taken to lie well beyond it.
fn beyond_horizon(at: Timestamp, early: f64, likely: Option<f64>, late: Option<f64>) -> Harm {
    let horizon = HORIZON_HOURS as f64;
    Harm::after(at, early, likely.unwrap_or(1.5 * horizon), late.unwrap_or(6.0 * horizon))
}

impl Default for Water {
    fn default() -> Self {
        Water {
            left: Water::soaked(),
            waterings: 0,
            watered_at: None,
            seems_watered_at: None,
            drawn_by_theory: 0.0,
            seen_hours: 0.0,
            draws: [0.0; 2],
            untold: None,
            unshown: VecDeque::new(),
            not_shown: None,
        }
    }
}

impl Water {
    fn soaked() -> MediumWater {
        MediumWater::full(Medium::Fine.available_grams(MEDIUM_DEPTH_MM))
    }

    /// What theory says it drew in the last so many hours, as it draws by day and by night.
    fn drawn_over(&self, now: Timestamp, hours: f64, zone: chrono_tz::Tz) -> f64 {
        let whole = (0..hours as i64).map(|hour| self.draws[usize::from(lit(now - TimeDelta::hours(hour), zone))]);
        whole.sum::<f64>() + (hours - hours as i64 as f64) * self.draws[usize::from(lit(now, zone))]
    }

    fn pass(&mut self, hours: f64, coefficient: f64, by_theory: f64) {
        self.drawn_by_theory += by_theory;
        self.seen_hours += hours;
        self.left.draw(coefficient * by_theory);
        for unshown in &mut self.unshown {
            unshown.left.draw(coefficient * by_theory);
        }
    }
}

/// Grams an hour a tray draws by theory in this air, before what its place has taught.
pub fn drawn_by_theory(at: Timestamp, zone: chrono_tz::Tz, tray: &Tray, air: &TrayAir) -> f64 {
    shape(at, tray, air, lit(at, zone), air.humidity.0)
}

fn shape(at: Timestamp, tray: &Tray, air: &TrayAir, lit: bool, humidity: f64) -> f64 {
    let lit_days = (tray.harvest_from() - tray.light_due_at()).num_minutes().max(1) as f64;
    let grown = (at - tray.light_due_at()).num_minutes() as f64 / lit_days;
    let light = if lit { DAYLIGHT } else { 0.0 };
    draw_shape(
        tray.draws_as(at),
        grown,
        light,
        air.air_speed,
        air.temperature,
        RelativeHumidity(humidity.clamp(0.0, 100.0)),
    )
}

fn hours_ahead(at: Timestamp, tray: &Tray, air: &TrayAir, zone: chrono_tz::Tz) -> Vec<HourAhead> {
    (0..HORIZON_HOURS as i64)
        .map(|hour| {
            let then = at + TimeDelta::hours(hour);
            let draw = |humidity: f64| shape(then, tray, air, lit(then, zone), humidity);
            HourAhead {
                driest: draw(air.humidity.0 - air.humidity_accuracy),
                likely: draw(air.humidity.0),
                dampest: draw(air.humidity.0 + air.humidity_accuracy),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::air::{AirMinute, AirWatch};
    use crate::watch::band::Demand;
    use crate::watch::trays::sowing::sample;

    /// Whether the trays' water answers for air of so many per cent, where 40 is the limit.
    fn answers(humidity: f64) -> bool {
        let begins = Timestamp::from_timestamp(1_772_600_000, 0).expect("a time");
        let mut tray = sample("K12", "broccoli", begins - TimeDelta::days(5));
        tray.light_at = Some(begins);
        let air = AirMinute { temperature: Some(22.0), humidity: Some(humidity), ..AirMinute::default() };
        let mut demand = Demand::default();
        demand.limits.humidity_min = Some(40.0);
        let mut dryout = DryOutWatch::default();
        for hour in 0..=48 {
            let at = begins + TimeDelta::hours(hour);
            if hour % 12 == 0 {
                dryout.watered(at, chrono_tz::America::Chicago, &tray, at, Some(118.0));
            }
            let stand = Stand {
                place: 0,
                name: "Rack A",
                air,
                watch: &AirWatch::default(),
                demand: &demand,
                trays: &[&tray],
                surfaces: &[],
                zone: chrono_tz::America::Chicago,
            };
            let tray_air = stand.tray_air(at).expect("both are known");
            dryout.look(at, 1.0, &stand, &tray_air);
        }
        dryout.dry_air_harms(0).is_some()
    }

    #[test]
    fn what_is_watered_within_six_hours_is_one_round_of_the_log() {
        let is_one = |hours: [i64; 5]| {
            let mut log = WateringLog::default();
            hours.iter().for_each(|hour| log.watered(Timestamp::UNIX_EPOCH + TimeDelta::hours(*hour)));
            log.is_one()
        };
        assert!(!is_one([0, 2, 4, 5, 11]), "an afternoon and a night");
        assert!(is_one([0, 6, 12, 18, 19]));
    }

    #[test]
    fn the_water_of_trays_is_asked_for_where_air_is_dry_or_nearly_so() {
        assert_eq!([30.0, 38.0, 42.5, 43.5, 60.0].map(answers), [true, true, true, false, false]);
    }
}
