//! Why a jar or its hour does not count, and what to do about it.

use crate::engine::quality::calibration::CalibrationError;
use crate::engine::quality::stillness::{LEAST_MINUTES, LEAST_READINGS, NotSettled};

/// Why no correction came of the jars, and what to do.
pub(crate) fn correction(error: &CalibrationError) -> String {
    match error {
        CalibrationError::Temperature { celsius } => format!(
            "the jar stood at {celsius:.1} °C; salts are only known between 0 and 40 °C: let it stand in the room"
        ),
        CalibrationError::TooClose { apart } => format!(
            "the two jars hold {apart:.0} % apart; at least 30 % are needed: take magnesium chloride and table salt \
             (sodium chloride)"
        ),
        CalibrationError::Gain { gain } => format!(
            "between the jars the sensor would need a gain of {gain:.2}, wanted is 0.8 to 1.25: check which jar is \
             which and that solid salt is visible in both, wait 24 hours, and read again; if it stays so, replace the \
             sensor"
        ),
        CalibrationError::Offset { offset } => format!(
            "the sensor would need {offset:+.1} % added, wanted is at most 10 %: check the salt and that solid salt is \
             visible, wait 24 hours, and read again; if it stays so, replace the sensor"
        ),
    }
}

/// Why an hour in a jar does not count, and what to do.
pub(super) fn hour(why: &NotSettled) -> String {
    match why {
        NotSettled::TooFew { count, minutes } => format!(
            "only {count} readings over {minutes:.0} minutes; at least {LEAST_READINGS} over {LEAST_MINUTES:.0} minutes \
             are needed"
        ),
        NotSettled::Drifts { per_hour, limit } => format!(
            "it still moves, by {per_hour:+.2} an hour where {limit} is allowed: wait some hours more, with the jar \
             closed and at an even temperature"
        ),
        NotSettled::Restless { spread, limit } => format!(
            "it jumps about by {spread:.1} where {limit} is allowed: look whether the jar is tight and stands at an \
             even temperature"
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_refusal_says_by_how_much_and_what_to_do() {
        let still = hour(&NotSettled::Drifts { per_hour: 1.0, limit: 0.5 });
        assert!(still.contains("by +1.00 an hour where 0.5 is allowed: wait"), "{still}");
        let few = hour(&NotSettled::TooFew { count: 5, minutes: 29.0 });
        assert_eq!(few, "only 5 readings over 29 minutes; at least 6 over 45 minutes are needed");
        assert!(hour(&NotSettled::Restless { spread: 15.0, limit: 2.0 }).contains("look whether the jar is tight"));
        assert!(correction(&CalibrationError::Gain { gain: 1.4 }).contains("check which jar is which"));
        assert!(correction(&CalibrationError::TooClose { apart: 12.0 }).contains("12 % apart; at least 30 %"));
    }
}
