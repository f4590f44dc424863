//! The watch over surfaces that may be colder than the dew point. A probe on a surface is
//! believed before any assumption; where none is, a cold spot is taken to be colder than the
//! air by the usual offset. The arithmetic is in `physics::surface`.

use crate::alarm::Condition;
use crate::alarm::Evidence;
use crate::physics::surface::{COLD_SPOT_OFFSET, Surface};
use crate::units::{Celsius, RelativeHumidity};
use crate::watch::stand::Stand;
use alloc::borrow::ToOwned;
use alloc::vec::Vec;

/// A surface must be warmer than the dew point by this before the alarm may return, kelvin. Own default.
const DEADBAND: f64 = 0.5;

/// Judges a place whose air is known. `held`: its alarm holds.
pub(crate) fn judge(stand: &Stand<'_>, held: bool) -> Condition {
    if stand.demand.empty {
        return Condition::Absent;
    }
    let measured: Vec<(&str, Surface)> =
        stand.surfaces.iter().filter_map(|probe| Some((probe.on, probe.surface(&stand.air)?))).collect();
    let coldest = measured.iter().min_by(|(_, one), (_, other)| one.margin.total_cmp(&other.margin));
    let (on, surface) = match coldest {
        Some((on, surface)) => (Some((*on).to_owned()), *surface),
        // A probe that has fallen silent leaves its surface unknown.
        None if !stand.surfaces.is_empty() => return Condition::Unknown,
        None => match assumed(stand) {
            Some(surface) => (None, surface),
            None => return Condition::Absent,
        },
    };
    let wet = match on {
        Some(_) => surface.condenses() || (held && surface.margin < DEADBAND),
        None => surface.condenses() && is_damp(stand),
    };
    if !wet && !held {
        return Condition::Absent;
    }
    let evidence = Evidence::Condensation {
        place: stand.name.to_owned(),
        dew_point: surface.temperature.0 - surface.margin,
        surface: surface.temperature.0,
        accuracy: surface.margin_accuracy,
        on,
    };
    if wet { Condition::Present { harm: None, evidence } } else { Condition::Gone { evidence } }
}

/// A spot colder than the air by the usual offset.
fn assumed(stand: &Stand<'_>) -> Option<Surface> {
    let (temperature, humidity) = stand.air.temperature.zip(stand.air.humidity)?;
    Surface::assumed(COLD_SPOT_OFFSET, Celsius(temperature), RelativeHumidity(humidity), stand.air.accuracy)
}

/// Of an assumed spot is told only where room air matters to leaves.
fn is_damp(stand: &Stand<'_>) -> bool {
    stand.demand.limits.humidity_max.zip(stand.air.humidity).is_some_and(|(limit, humidity)| humidity > limit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::float;
    use crate::physics::climate::Accuracy;
    use crate::watch::air::{AirMinute, AirWatch};
    use crate::watch::band::Demand;
    use crate::watch::probe::Probe;

    fn judged(air: AirMinute, probes: &[Probe<'_>], held: bool) -> Condition {
        let demand = Demand::default();
        let stand = Stand {
            place: 0,
            name: "Rack A",
            air,
            watch: &AirWatch::default(),
            demand: &demand,
            trays: &[],
            surfaces: probes,
            zone: chrono_tz::America::Chicago,
        };
        judge(&stand, held)
    }

    fn air(temperature: f64, humidity: f64) -> AirMinute {
        AirMinute { temperature: Some(temperature), humidity: Some(humidity), ..AirMinute::default() }
    }

    fn window(temperature: Option<f64>) -> Probe<'static> {
        Probe { on: "window", temperature, accuracy: 0.5 }
    }

    /// The surfaces of condensation.csv, whose dew points are PsychroLib's.
    #[test]
    fn a_probe_is_believed_before_the_assumed_cold_spot() {
        assert_eq!(judged(air(22.0, 60.0), &[window(Some(16.0))], false), Condition::Absent);
        let wet =
            judged(air(22.0, 60.0), &[window(Some(16.0)), Probe { on: "chiller line", ..window(Some(13.8)) }], false);
        let Condition::Present {
            harm: None,
            evidence: Evidence::Condensation { dew_point, surface, accuracy, on, .. },
        } = wet
        else {
            panic!("{wet:?}");
        };
        assert_eq!((surface, on.as_deref()), (13.8, Some("chiller line")));
        assert!((dew_point - 13.8857).abs() < 0.01, "{dew_point}");
        // u_Td at 22 °C, 60 % and 3 % is 0.82 K (first-order propagation), with the probe's own 0.5 K in quadrature.
        assert!((accuracy - float::hypot(0.82, 0.5)).abs() < 0.005, "{accuracy}");
    }

    #[test]
    fn it_holds_until_the_surface_is_half_a_kelvin_above_the_dew_point() {
        let just_above = [window(Some(14.2))];
        assert_eq!(judged(air(22.0, 60.0), &just_above, false), Condition::Absent);
        assert!(matches!(judged(air(22.0, 60.0), &just_above, true), Condition::Present { .. }));
        let gone = judged(air(22.0, 60.0), &[window(Some(14.5))], true);
        let Condition::Gone { evidence: Evidence::Condensation { surface, .. } } = gone else { panic!("{gone:?}") };
        assert_eq!(surface, 14.5, "the numbers of the minute in which it ended");
    }

    #[test]
    fn a_silent_probe_leaves_its_surface_unknown() {
        assert_eq!(judged(air(22.0, 60.0), &[window(None)], false), Condition::Unknown);
    }

    #[test]
    fn a_better_sensor_gives_a_narrower_band() {
        let exact = AirMinute { accuracy: Accuracy { temperature: 0.1, humidity: 1.0 }, ..air(22.0, 60.0) };
        let of = |air: &AirMinute| window(Some(15.0)).surface(air).map(|surface| surface.margin_accuracy);
        assert!(of(&exact) < of(&air(22.0, 60.0)));
    }
}
