//! The series tests against ioos_qc: vectors kept in qartod_vectors.json, and
//! the same shape fresh from the library (`live`).

use serde_json::Value;
use traywarden::engine::quality::qartod::{
    Limits, Span, SpikeMethod, aggregate, flat_line, gross_range, rate_of_change, spike,
};
use traywarden::reading::Flag;

/// Checks one case; `false` when the case is of a test we do not have.
pub fn check(case: &Value) -> bool {
    let list = |key: &str| -> Vec<f64> {
        let cells = case[key].as_array().unwrap_or_else(|| panic!("{key} of {case}"));
        cells.iter().map(|cell| cell.as_f64().unwrap_or(f64::NAN)).collect()
    };
    let figure = |key: &str| case[key].as_f64().unwrap_or_else(|| panic!("{key} of {case}"));
    let span = |key: &str| Span::new(list(key)[0], list(key)[1]);
    let limits = |suspect: &str, fail: &str| Limits::new(figure(suspect), figure(fail));
    let found = match case["test"].as_str().expect("each case names its test") {
        "gross_range" => {
            list("input").into_iter().map(|value| gross_range(value, span("fail"), Some(span("suspect")))).collect()
        }
        "spike_average" => spike(&list("input"), limits("suspect", "fail"), SpikeMethod::Average),
        "spike_differential" => spike(&list("input"), limits("suspect", "fail"), SpikeMethod::Differential),
        "rate_of_change" => rate_of_change(&list("t"), &list("input"), limits("suspect_per_s", "fail_per_s")),
        "flat_line" => flat_line(&list("t"), &list("input"), limits("suspect_s", "fail_s"), figure("tol")),
        "aggregate" => aggregated(case),
        _ => return false,
    };
    let found: Vec<f64> = found.into_iter().map(|flag| f64::from(flag as u8)).collect();
    assert_eq!(found, list("flags"), "{case}");
    true
}

fn aggregated(case: &Value) -> Vec<Flag> {
    let series: Vec<Vec<Flag>> = case["input"]
        .as_array()
        .expect("several series")
        .iter()
        .map(|series| series.as_array().expect("flags").iter().map(flag).collect())
        .collect();
    (0..series[0].len()).map(|at| aggregate(&series.iter().map(|flags| flags[at]).collect::<Vec<_>>())).collect()
}

fn flag(number: &Value) -> Flag {
    [Flag::Good, Flag::Unknown, Flag::Suspect, Flag::Fail, Flag::Missing]
        .into_iter()
        .find(|flag| Some(*flag as u64) == number.as_u64())
        .unwrap_or_else(|| panic!("{number} is no flag"))
}

#[test]
fn the_kept_vectors_of_ioos_qc_get_the_same_flags() {
    let kept: Value = serde_json::from_str(include_str!("qartod_vectors.json")).expect("JSON");
    let cases = kept["cases"].as_array().expect("cases");
    let checked = cases.iter().filter(|case| check(case)).count();
    // Left out: two climatology cases and the attenuated signal, tests a room does not need.
    assert_eq!((checked, cases.len()), (16, 19));
}
