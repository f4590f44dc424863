//! Did the tank fall when the log says it watered? A pump that has died lets the log go on
//! as before; where a tank has shown that waterings draw on it, one that does not show is
//! not believed, and the trays' water is reckoned from the last one that did. And the other way
//! round: a tank that falls at a round as it did at those before has watered its trays, though
//! nobody has typed it.

use crate::rules::Reservoir;
use crate::units::Timestamp;
use crate::watch::dryout::DryOutWatch;
use crate::watch::growing::{BEFORE_THE_HOUR, ROUND_MAY_LAST};
use crate::watch::seen::Seen;
use crate::watch::tank::TankWatch;
use crate::watch::trays::tray::Tray;
use alloc::string::String;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// A watering shows in the tank within this long after its time in the log, and may have begun as
/// long before. Own default: one goes round the racks and writes it down at the end.
const SHOWS_WITHIN: TimeDelta = TimeDelta::minutes(60);
/// A round that is typed later is judged when nothing of it has been typed for so long. Own default.
const TYPED_WITHIN: TimeDelta = TimeDelta::minutes(30);
/// So long it is asked whether waterings that do not show are given by hand. Own default.
const ASKED_FOR: TimeDelta = TimeDelta::days(7);
/// Hours of steady draw that a fall has in it. Own default.
const STEADY_HOURS: f64 = 1.5;
/// Waterings that must have shown before one that does not is doubted. Own default.
const SHOWN_BEFORE: u32 = 3;
/// Shares of the logged water: as much as this has shown, less than that has not. Between
/// them nothing is concluded. Own defaults.
const SHOWN: f64 = 0.5;
const NOT_SHOWN: f64 = 0.25;
/// Shares of what a round of all trays usually draws: within them all were watered. Own defaults.
const ALL_TRAYS: core::ops::RangeInclusive<f64> = 0.75..=1.5;
/// However even a gauge is, less is not told from none. Own default.
const LEAST_LITRES: f64 = 0.1;
/// Grams a tray where the log names none: half a US cup (118 mL; common practice, no source).
const USUAL_GRAMS: f64 = 118.0;

/// What is watched for at one tank.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct WateringWatch {
    shown: u32,
    /// The last round that could be judged did not show; one that cannot be judged is no
    /// better.
    still: bool,
    /// Since when rounds were logged and not one was seen to show, where they did before.
    unshown_since: Option<Timestamp>,
    /// The newest round that was judged.
    judged_until: Option<Timestamp>,
    /// Enough have shown, at any time, to know that waterings draw on this tank.
    shows: bool,
    /// Rounds that are not judged yet, as they were typed.
    rounds: Vec<WateringRound>,
    /// Grams a tray that the last round which showed has drawn.
    usual_grams: Option<f64>,
    /// When a watering was last logged.
    logged_at: Option<Timestamp>,
    /// The hour of the round that was last looked at for a watering nobody typed.
    looked_at: Option<Timestamp>,
}

/// Waterings logged close together.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct WateringRound {
    first: Timestamp,
    last: Timestamp,
    /// When something of it was last typed, and whether that was late: which trays it was for is
    /// less sure then.
    typed: Timestamp,
    late: bool,
    grams: f64,
    count: u32,
    trays: Vec<String>,
}

/// What the tank says of a round of waterings.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Showed {
    /// It fell: the trays drank from it.
    Fell {
        /// Drawn from the tank for each tray, grams, where that can be told.
        grams_a_tray: Option<f64>,
        /// The last of the round.
        until: Timestamp,
        /// The trays, by the grower's names for them.
        trays: Vec<String>,
    },
    /// It did not fall, though it did before.
    StoodStill {
        /// When the first of the round was, and the last.
        logged_at: Timestamp,
        until: Timestamp,
        /// The trays, by the grower's names for them.
        trays: Vec<String>,
    },
}

impl WateringWatch {
    /// Trays were watered at `at`, as is typed `now`, each with so many millilitres if the log says so.
    pub(crate) fn logged(&mut self, now: Timestamp, at: Timestamp, trays: &[(String, u32)], ml: Option<f64>) {
        let late = now - at > TYPED_WITHIN;
        self.logged_at = self.logged_at.max(Some(at));
        let all: u32 = trays.iter().map(|(_, count)| *count).sum();
        let grams = ml.unwrap_or(USUAL_GRAMS) * f64::from(all);
        let names = trays.iter().map(|(name, _)| name.clone());
        let near = |round: &&mut WateringRound| at - round.last <= SHOWS_WITHIN && round.first - at <= SHOWS_WITHIN;
        match self.rounds.iter_mut().find(near) {
            Some(round) => {
                round.first = round.first.min(at);
                round.last = round.last.max(at);
                round.typed = now;
                round.late |= late;
                round.grams += grams;
                round.count += all;
                round.trays.extend(names);
            }
            None => self.rounds.push(WateringRound {
                first: at,
                last: at,
                typed: now,
                late,
                grams,
                count: all,
                trays: names.collect(),
            }),
        }
    }

    /// Somebody was told and has watered since, by hand perhaps: the log is believed until the
    /// tank has shown anew that waterings draw on it.
    pub(crate) fn believe(&mut self) {
        (self.shown, self.still, self.usual_grams) = (0, false, None);
    }

    /// Since when waterings were logged and not one was seen in the tank, where they were before:
    /// somebody waters by hand, or only thinks that the pump runs. For a week.
    pub(crate) fn unshown_since(&self, at: Timestamp) -> Option<Timestamp> {
        let since = self.unshown_since.filter(|_| self.shows)?;
        (self.logged_at >= Some(since) && at - since <= ASKED_FOR).then_some(since)
    }

    /// Once a minute: a round whose hour is over is held against the tank.
    pub(crate) fn minute(&mut self, at: Timestamp, tank: &TankWatch, reservoir: &Reservoir) -> Option<Showed> {
        let over = |round: &&WateringRound| at - round.last >= SHOWS_WITHIN && at - round.typed >= TYPED_WITHIN;
        let first = self.rounds.iter().filter(over).map(|round| round.first).min()?;
        let round = self.rounds.remove(self.rounds.iter().position(|round| round.first == first)?);
        let until = round.last;
        // What an older one shows, typed later, says nothing of how the pump is now.
        let newest = self.judged_until.is_none_or(|judged| until > judged);
        self.judged_until = self.judged_until.max(Some(until));
        // Half a per cent of a tank is what a gauge of a few millimetres can tell, if its own
        // scatter does not say that it tells less.
        let coarse = (reservoir.shape.capacity_litres() * 0.005).max(0.1);
        let least = tank.told_apart().map_or(coarse, |litres| litres.clamp(LEAST_LITRES, coarse));
        let told_apart = round.grams >= 3000.0 * least;
        let still = Showed::StoodStill { logged_at: first, until, trays: round.trays.clone() };
        let Some(litres) = tank.fell_between(first - SHOWS_WITHIN, until + SHOWS_WITHIN) else {
            return (self.still && newest && told_apart).then_some(still);
        };
        // What goes by itself may look like a round.
        let litres = (litres - STEADY_HOURS * tank.steady_draw().unwrap_or(0.0)).max(0.0);
        let drawn = litres * 1000.0;
        if litres >= least && drawn >= SHOWN * round.grams {
            self.shown = self.shown.saturating_add(1);
            self.shows |= self.shown >= SHOWN_BEFORE;
            if newest {
                self.unshown_since = None;
                self.still = false;
            }
            let grams_a_tray = (told_apart && !round.late).then_some(drawn / f64::from(round.count.max(1)));
            self.usual_grams = grams_a_tray.or(self.usual_grams);
            return Some(Showed::Fell { grams_a_tray, until, trays: round.trays });
        }
        if !told_apart {
            return None;
        }
        let stood = drawn < NOT_SHOWN * round.grams;
        if newest {
            self.unshown_since = self.unshown_since.or(Some(first)).filter(|_| stood);
            self.still = stood && self.shown >= SHOWN_BEFORE;
        }
        (stood && self.shown >= SHOWN_BEFORE).then_some(still)
    }

    /// Once a minute: when the tank has watered `count` trays at the round of `round_at`, if it fell
    /// as at other rounds and nobody has typed it.
    pub(crate) fn untyped(
        &mut self,
        at: Timestamp,
        round_at: Timestamp,
        tank: &TankWatch,
        count: u32,
    ) -> Option<Timestamp> {
        if at - round_at < ROUND_MAY_LAST || self.looked_at >= Some(round_at) {
            return None;
        }
        self.looked_at = Some(round_at);
        let from = round_at - BEFORE_THE_HOUR;
        let typed = self.logged_at >= Some(from);
        let usual = self.usual_grams.filter(|_| !typed && !self.still && self.shown >= SHOWN_BEFORE)?;
        let all = usual * f64::from(count);
        // At once, as waterings go, and gone for good: neither a leak's even fall nor an echo.
        let (watered_at, at_once) = tank.given_between(from, at)?;
        let gone = tank.fell_between(from, at)?;
        let is_all = |litres: f64| ALL_TRAYS.contains(&(litres * 1000.0 / all));
        (count > 0 && is_all(at_once) && is_all(gone)).then_some(watered_at)
    }
}

/// What the tanks say of the waterings in the log, and what follows for the trays' water.
pub(crate) fn minute(waterings: &mut [WateringWatch], seen: &Seen<'_>, tanks: &[TankWatch], dryout: &mut DryOutWatch) {
    let round_at = seen.round_at;
    for ((watch, tank), reservoir) in waterings.iter_mut().zip(tanks).zip(&seen.rules.reservoirs) {
        let waters = |tray: &&Tray| tray.breathes_room_air(round_at) && seen.rules.waters(reservoir, tray.place);
        let count = seen.trays.growing().filter(waters).map(|tray| tray.count).sum();
        if let Some(watered_at) = watch.untyped(seen.at, round_at, tank, count) {
            seen.trays.growing().filter(waters).for_each(|tray| dryout.seems_watered(tray, watered_at));
        }
        match watch.minute(seen.at, tank, reservoir) {
            Some(Showed::StoodStill { logged_at, until, trays }) => {
                for tray in trays.iter().filter_map(|name| seen.trays.get(name)) {
                    dryout.not_watered(tray, logged_at, until);
                }
            }
            Some(Showed::Fell { grams_a_tray, until, trays }) => {
                // One lesson a place: what several trays of one round show is one observation.
                let mut taught = Vec::new();
                for tray in trays.iter().filter_map(|name| seen.trays.get(name)) {
                    let lesson = grams_a_tray.filter(|_| !taught.contains(&tray.place));
                    if dryout.drew(tray, until, lesson) {
                        taught.push(tray.place);
                    }
                }
            }
            None => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whether_hands_water_is_asked_for_a_week_and_only_where_something_is_logged() {
        let since = Timestamp::UNIX_EPOCH;
        let asked = |days: i64, logged_at: Option<Timestamp>, shows: bool| {
            let watch = WateringWatch { unshown_since: Some(since), logged_at, shows, ..WateringWatch::default() };
            watch.unshown_since(since + TimeDelta::days(days)).is_some()
        };
        assert!(asked(7, Some(since), true) && !asked(8, Some(since), true));
        assert!(!asked(1, None, true) && !asked(1, Some(since), false));
    }
}
