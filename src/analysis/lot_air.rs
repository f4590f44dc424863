//! The air one lot of trays had, from sowing to its end, in the few figures that yields
//! are held against. The limits, the stages and the mold clock are the walk's.

use super::walk::{LivedStep, STEP_HOURS, Walked};
use crate::engine::physics::climate::vapour_pressure_deficit;
use crate::units::{Celsius, RelativeHumidity};

/// The air a lot had.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct LotAir {
    /// Mean temperature from sowing to the end, Celsius.
    pub temperature: Option<f64>,
    /// Mean relative humidity in light, per cent. Under a cover the room's says little.
    pub humidity: Option<f64>,
    /// Mean vapour pressure deficit in light, kilopascals.
    pub(crate) vpd: Option<f64>,
    /// Hours in light in which the air was damper than the limit at which it alarms.
    pub(crate) damp_hours: Option<f64>,
    /// The highest mold pressure, 0 to 100.
    pub(crate) mold_pressure: Option<f64>,
    /// Share of its life in which temperature and humidity were known, 0 to 1.
    pub known: f64,
}

impl LotAir {
    /// The figures of a life that was lived through. Steps whose air was not known count
    /// for nothing but `known`.
    pub(crate) fn of(walked: &Walked) -> LotAir {
        let known: Vec<(&LivedStep, (f64, f64))> =
            walked.slots.iter().filter_map(|slot| Some((slot, slot.air?))).collect();
        let lit: Vec<(&LivedStep, (f64, f64))> = known.iter().copied().filter(|(slot, _)| slot.open).collect();
        let in_light = |of: &dyn Fn((f64, f64)) -> f64| {
            (!lit.is_empty()).then(|| lit.iter().map(|(_, air)| of(*air)).sum::<f64>() / lit.len() as f64)
        };
        let damp = lit.iter().filter(|(slot, air)| slot.too_damp.is_some_and(|limit| air.1 > limit)).count();
        let warmth: f64 = known.iter().map(|(_, air)| air.0).sum();
        let lived = (walked.until - walked.sown_at).num_minutes() as f64 / 60.0;
        let known_hours = known.len() as f64 * STEP_HOURS;
        LotAir {
            temperature: (!known.is_empty()).then(|| warmth / known.len() as f64),
            humidity: in_light(&|air| air.1),
            vpd: in_light(&|air| vapour_pressure_deficit(Celsius(air.0), RelativeHumidity(air.1)).0),
            damp_hours: (!lit.is_empty()).then_some(damp as f64 * STEP_HOURS),
            mold_pressure: lit.iter().map(|(slot, _)| slot.pressure).reduce(f64::max),
            known: if lived > 0.0 { (known_hours / lived).min(1.0) } else { 0.0 },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::lives::{Life, lives};
    use crate::analysis::sample::{at, journal, rules};
    use crate::analysis::walk::{KnownAir, STEP, walk};

    fn life() -> Life {
        let lines = journal(&[
            ("2026-03-02 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
            ("2026-03-06 08:00", r#"{"did":"uncover","tray":"K1"}"#),
            ("2026-03-12 08:00", r#"{"did":"harvest","tray":"K1","grams":300}"#),
        ]);
        lives(&rules(), &lines).remove(0)
    }

    fn air(from: &str, until: &str, celsius: f64, percent: f64) -> Vec<KnownAir> {
        let (mut at, until) = (self::at(from), self::at(until));
        let mut steps = Vec::new();
        while at < until {
            steps.push(KnownAir { at, celsius, percent });
            at += STEP;
        }
        steps
    }

    #[test]
    fn under_cover_only_warmth_counts_and_in_light_the_rest() {
        let mut steps = air("2026-03-02 08:00", "2026-03-06 08:00", 24.0, 95.0);
        steps.extend(air("2026-03-06 08:00", "2026-03-11 08:00", 20.0, 50.0));
        steps.extend(air("2026-03-11 08:00", "2026-03-12 08:00", 20.0, 80.0));
        let found = LotAir::of(&walk(&rules(), &life(), &steps, at("2026-04-01 00:00")));
        let near = |found: Option<f64>, wanted: f64| {
            assert!(found.is_some_and(|found| (found - wanted).abs() < 1e-6), "{found:?}, wanted {wanted}");
        };
        near(found.temperature, (4.0 * 24.0 + 6.0 * 20.0) / 10.0);
        near(found.humidity, (5.0 * 50.0 + 80.0) / 6.0);
        // Saturation at 20 °C is 2338.80 Pa (PsychroLib 2.5.0).
        assert!((found.vpd.expect("in light") - 2.3388 * (5.0 * 0.5 + 0.2) / 6.0).abs() < 0.0003, "{found:?}");
        // Broccoli alarms at 75 %: fifteen above its band's 60.
        near(found.damp_hours, 24.0);
        near(Some(found.known), 1.0);
    }

    #[test]
    fn a_mist_under_the_cover_is_no_wet_leaf_in_light() {
        let lived = |misted: &str| {
            let mist = r#"{"did":"mist","tray":"K1"}"#;
            let mut reported = vec![
                ("2026-03-02 08:00", r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli"}"#),
                ("2026-03-06 08:00", r#"{"did":"uncover","tray":"K1"}"#),
                (misted, mist),
                ("2026-03-12 08:00", r#"{"did":"harvest","tray":"K1","grams":300}"#),
            ];
            reported.sort_by_key(|(when, _)| *when);
            let life = lives(&rules(), &journal(&reported)).remove(0);
            let steps = air("2026-03-02 08:00", "2026-03-12 08:00", 20.0, 55.0);
            LotAir::of(&walk(&rules(), &life, &steps, at("2026-04-01 00:00"))).mold_pressure
        };
        assert_eq!(lived("2026-03-03 08:00"), Some(0.0));
        assert!(lived("2026-03-08 08:00") > Some(1.0));
    }

    #[test]
    fn what_was_not_measured_is_not_guessed() {
        let found = LotAir::of(&walk(&rules(), &life(), &[], at("2026-04-01 00:00")));
        assert_eq!(found, LotAir::default());
        let half = air("2026-03-02 08:00", "2026-03-07 08:00", 20.0, 50.0);
        assert!((LotAir::of(&walk(&rules(), &life(), &half, at("2026-04-01 00:00"))).known - 0.5).abs() < 1e-9);
    }
}
