//! The second clock of a tray: warmth above the crop's base temperature, counted in
//! degree-hours, beside what the same hours at 21 °C would have given. Thermal time is
//! linear between base and optimum (Monteith 1977; from memory), so it says how far behind
//! a cold room is, and nothing about a hot one. It shows; it never moves the plan.

use crate::units::Timestamp;
use crate::watch::trays::tray::Tray;
use alloc::collections::BTreeMap;
use alloc::string::String;
use chrono::TimeDelta;

/// The room for which crop plans are written: the middle of 18 to 24 °C (seed-house guide).
pub const PLAN_TEMPERATURE: f64 = 21.0;
/// Warmer than this hurries no crop of the table any more: the end of the plan's 18 to
/// 24 °C (seed-house guide). Own default as a ceiling.
const CEILING: f64 = 24.0;
/// A clock of a tray that has left the room is kept so long, for a harvest that is struck out.
const KEPT: TimeDelta = TimeDelta::days(7);

/// The warmth a tray has had.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Warmth {
    /// Degree-hours above the base temperature.
    pub degree_hours: f64,
    /// What the same hours at 21 °C would have given.
    pub planned_degree_hours: f64,
    /// Hours in which its air was known. Hours that nobody saw count as if to plan.
    pub known_hours: f64,
}

impl Warmth {
    /// Days it lags behind a room at 21 °C; negative: ahead. `None` before half a day is known.
    pub fn days_behind(&self) -> Option<f64> {
        if self.known_hours < 12.0 || self.planned_degree_hours <= 0.0 {
            return None;
        }
        let planned_a_day = self.planned_degree_hours / self.known_hours * 24.0;
        Some((self.planned_degree_hours - self.degree_hours) / planned_a_day)
    }
}

#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct ThermalClock {
    sown_at: Timestamp,
    warmth: Warmth,
    counted_at: Timestamp,
}

/// The second clocks of all trays.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(crate) struct ThermalClocks {
    clocks: BTreeMap<String, ThermalClock>,
}

impl ThermalClocks {
    /// `hours` of this temperature pass over a tray.
    pub(crate) fn pass(&mut self, tray: &Tray, at: Timestamp, hours: f64, temperature: f64) {
        if at < tray.sown_at {
            return;
        }
        let fresh = || ThermalClock { sown_at: tray.sown_at, warmth: Warmth::default(), counted_at: at };
        if !self.clocks.contains_key(&tray.name) {
            self.clocks.insert(tray.name.clone(), fresh());
        }
        let Some(clock) = self.clocks.get_mut(&tray.name) else { return };
        if clock.sown_at != tray.sown_at {
            *clock = fresh();
        }
        let base = tray.figures.base_temperature;
        clock.warmth.degree_hours += (temperature.min(CEILING) - base).max(0.0) * hours;
        clock.warmth.planned_degree_hours += (PLAN_TEMPERATURE - base).max(0.0) * hours;
        clock.warmth.known_hours += hours;
        clock.counted_at = at;
    }

    /// Clocks of trays that left long ago are forgotten.
    pub(crate) fn forget(&mut self, at: Timestamp) {
        self.clocks.retain(|_, clock| at - clock.counted_at <= KEPT);
    }

    /// The warmth this tray has had since it was sown.
    pub(crate) fn of(&self, tray: &Tray) -> Warmth {
        let mine = self.clocks.get(&tray.name).filter(|clock| clock.sown_at == tray.sown_at);
        mine.map_or(Warmth::default(), |clock| clock.warmth)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(hours: &[(f64, f64)]) -> Warmth {
        let at = Timestamp::UNIX_EPOCH;
        let tray = crate::watch::trays::sowing::sample("K1", "broccoli", at);
        let mut clocks = ThermalClocks::default();
        for (hours, temperature) in hours {
            clocks.pass(&tray, at, *hours, *temperature);
        }
        clocks.of(&tray)
    }

    #[test]
    fn a_room_as_planned_is_on_time_and_hours_add_up() {
        let warmth = after(&[(48.0, 21.0), (48.0, 21.0)]);
        // By hand: 96 h x (21 - 4.4).
        assert!((warmth.degree_hours - 1593.6).abs() < 1e-9, "{warmth:?}");
        assert!(warmth.days_behind().is_some_and(|days| days.abs() < 1e-9));
    }

    #[test]
    fn four_days_at_16_9_degrees_are_a_day_behind() {
        // By hand: (21 - 16.85) / (21 - 4.4) = a quarter, of 4 days: one day.
        let behind = after(&[(96.0, 16.85)]).days_behind().unwrap();
        assert!((behind - 1.0).abs() < 1e-9, "{behind}");
    }

    #[test]
    fn cold_below_the_base_and_heat_above_the_ceiling_count_nothing() {
        assert_eq!(after(&[(24.0, -5.0)]).degree_hours, 0.0);
        assert_eq!(after(&[(24.0, 35.0)]), after(&[(24.0, 24.0)]));
    }

    #[test]
    fn before_half_a_day_it_says_nothing_and_another_sowing_begins_anew() {
        assert_eq!(after(&[(11.0, 10.0)]).days_behind(), None);
        let at = Timestamp::UNIX_EPOCH;
        let mut clocks = ThermalClocks::default();
        clocks.pass(&crate::watch::trays::sowing::sample("K1", "broccoli", at), at, 24.0, 21.0);
        let again = crate::watch::trays::sowing::sample("K1", "broccoli", at + TimeDelta::days(3));
        assert_eq!(clocks.of(&again), Warmth::default());
        clocks.forget(at + TimeDelta::days(8));
        assert_eq!(clocks.of(&crate::watch::trays::sowing::sample("K1", "broccoli", at)), Warmth::default());
    }
}
