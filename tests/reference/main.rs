//! The engine's models against figures from outside: tables with their
//! provenance in README.md, and the reference libraries themselves, asked anew
//! on every run. The models' own behaviour is tested beside the models.

mod bands;
mod calendar;
mod live;
mod qartod;
mod tables;

use std::collections::BTreeMap;

/// One row of a table, by column name.
type Row = BTreeMap<String, String>;

/// The rows of a CSV: lines beginning with # (or a quoted #) are notes, the
/// first other line names the columns. Quotes may hold commas.
fn rows(text: &str) -> Vec<Row> {
    let mut lines = text.lines().filter(|line| !line.trim_start_matches('"').starts_with('#') && !line.is_empty());
    let columns = cells(lines.next().expect("a table has a head"));
    lines.map(|line| columns.iter().cloned().zip(cells(line)).collect()).collect()
}

fn cells(line: &str) -> Vec<String> {
    let mut quoted = false;
    let separators = |c: char| {
        quoted ^= c == '"';
        c == ',' && !quoted
    };
    line.split(separators).map(|cell| cell.trim_matches('"').to_owned()).collect()
}

fn number(row: &Row, column: &str) -> f64 {
    let cell = row.get(column).unwrap_or_else(|| panic!("no column {column} in {row:?}"));
    cell.parse().unwrap_or_else(|_| panic!("{column} = {cell:?} is no number"))
}

/// Numbers parted by semicolons in one cell.
fn numbers(row: &Row, column: &str) -> Vec<f64> {
    row[column].split(';').map(|cell| cell.parse().expect("a number")).collect()
}

#[track_caller]
fn near(what: &str, row: &Row, found: f64, wanted: f64, tolerance: f64) {
    assert!((found - wanted).abs() <= tolerance, "{what}: found {found}, wanted {wanted} ± {tolerance} in {row:?}");
}
