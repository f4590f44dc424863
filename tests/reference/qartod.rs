//! The two QARTOD tests that the judge runs against ioos_qc: vectors kept in
//! qartod_vectors.json, and the same shape fresh from the library (`live`).

use serde_json::Value;
use traywarden::engine::quality::qartod::{Bounds, changes_faster, gross_range};
use traywarden::reading::Flag;

/// Checks one case.
pub fn check(case: &Value) {
    let list = |key: &str| -> Vec<f64> {
        let cells = case[key].as_array().unwrap_or_else(|| panic!("{key} of {case}"));
        cells.iter().map(|cell| cell.as_f64().unwrap_or(f64::NAN)).collect()
    };
    let (input, flags) = (list("input"), list("flags"));
    match case["test"].as_str().expect("each case names its test") {
        "gross_range" => {
            let bounds = |key: &str| Bounds { low: list(key)[0], high: list(key)[1] };
            let flag = |value| f64::from(gross_range(value, bounds("fail"), bounds("suspect")) as u8);
            assert_eq!(input.into_iter().map(flag).collect::<Vec<_>>(), flags, "{case}");
        }
        "rate_of_change" => {
            let times = list("t");
            for (key, flagged) in [("suspect_per_s", Flag::Suspect), ("fail_per_s", Flag::Fail)] {
                let limit = case[key].as_f64().unwrap_or_else(|| panic!("{key} of {case}"));
                for at in 1..input.len() {
                    let found = changes_faster(input[at - 1], input[at], times[at] - times[at - 1], limit);
                    // A missing value is flagged 9 there, and here never reaches the test.
                    let theirs = flags[at] != 9.0 && flags[at] >= f64::from(flagged as u8);
                    assert_eq!(found, theirs, "value {at}, {key}: {case}");
                }
            }
        }
        other => panic!("a test we do not have: {other}"),
    }
}

#[test]
fn the_kept_vectors_of_ioos_qc_get_the_same_flags() {
    let kept: Value = serde_json::from_str(include_str!("qartod_vectors.json")).expect("JSON");
    let cases = kept["cases"].as_array().expect("cases");
    cases.iter().for_each(check);
    assert_eq!(cases.len(), 4);
}
