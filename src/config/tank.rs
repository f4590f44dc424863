//! Reads the form of a tank. From depth to litres is left to `engine::physics::tank_geometry`.

use super::amount::{length_between, text, volume};
use super::file::{Complaint, Findings, Item};
use crate::engine::physics::tank_geometry::Shape;

/// `shape = { kind = "box", .. }`; `None`, with a finding, when it is wrong.
pub(super) fn shape(item: &Item<'_>, findings: &mut Findings<'_>) -> Option<Shape> {
    let mut table = item.table(findings);
    if !table.stands() {
        return None;
    }
    let kind = table.required(findings, "kind", "write kind = \"box\" or another form", |value| {
        let word = text(value)?;
        let known = KINDS.into_iter().find(|kind| *kind == word);
        known.ok_or_else(|| Complaint::new("no such form of tank").did_you_mean(word, KINDS))
    })?;
    // Which keys are right depends on the kind, so each asks for its own.
    let mut length = |key: &'static str| {
        let hint =
            format!("a {kind} needs its {}, measured inside, for example {key} = \"400 mm\"", key.replace('_', " "));
        table.required(findings, key, &hint, length_between(SMALLEST_MM, LARGEST_MM))
    };
    let shape = match kind {
        "box" => match (length("length"), length("width"), length("height")) {
            (Some(length), Some(width), Some(height)) => Some(Shape::Box { length, width, height }),
            _ => None,
        },
        "upright-cylinder" => match (length("diameter"), length("height")) {
            (Some(diameter), Some(height)) => Some(Shape::UprightCylinder { diameter, height }),
            _ => None,
        },
        "lying-cylinder" => match (length("diameter"), length("length")) {
            (Some(diameter), Some(length)) => Some(Shape::LyingCylinder { diameter, length }),
            _ => None,
        },
        "pail" => match (length("bottom_diameter"), length("top_diameter"), length("height")) {
            (Some(bottom_diameter), Some(top_diameter), Some(height)) => {
                Some(Shape::Pail { bottom_diameter, top_diameter, height })
            }
            _ => None,
        },
        "tote" => {
            let floor = (length("bottom_length"), length("bottom_width"));
            let rim = (length("top_length"), length("top_width"));
            match (floor, rim, length("height")) {
                ((Some(bottom_length), Some(bottom_width)), (Some(top_length), Some(top_width)), Some(height)) => {
                    Some(Shape::Tote { bottom_length, bottom_width, top_length, top_width, height })
                }
                _ => None,
            }
        }
        _ => match table.take("points") {
            Some(points) => strapping(&points, findings),
            None => {
                table.missing(findings, "points", POINTS_HINT);
                None
            }
        },
    };
    table.finish(findings);
    shape
}

/// The inside height of a tank, millimetres.
pub(super) fn height_mm(shape: &Shape) -> f64 {
    match shape {
        Shape::Box { height, .. }
        | Shape::UprightCylinder { height, .. }
        | Shape::Pail { height, .. }
        | Shape::Tote { height, .. } => *height,
        Shape::LyingCylinder { diameter, .. } => *diameter,
        Shape::Strapping(points) => points.last().map_or(0.0, |point| point.0),
    }
}

fn strapping(item: &Item<'_>, findings: &mut Findings<'_>) -> Option<Shape> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    for pair in item.list() {
        let values = pair.list();
        let [depth, litres] = values.as_slice() else {
            findings.refuse(&pair, Complaint::new("a point is a depth and a volume").hint(POINTS_HINT));
            return None;
        };
        let depth_mm = depth.read(findings, length_between(0.0, LARGEST_MM));
        let litres = litres.read(findings, volume);
        let (depth_mm, litres) = (depth_mm?, litres?);
        if points.last().is_some_and(|last| depth_mm <= last.0 || litres <= last.1) {
            findings.refuse(&pair, Complaint::new("depth and volume must both be more than at the point before"));
            return None;
        }
        points.push((depth_mm, litres));
    }
    if points.len() < 2 {
        findings.refuse(item, Complaint::new("at least two points are wanted").hint(POINTS_HINT));
        return None;
    }
    Some(Shape::Strapping(points))
}

const KINDS: [&str; 6] = ["box", "upright-cylinder", "lying-cylinder", "pail", "tote", "strapping"];
const POINTS_HINT: &str = "write points = [[\"0 mm\", \"0 L\"], [\"100 mm\", \"21.5 L\"], [\"200 mm\", \"44 L\"]]";
/// Nothing smaller is a tank.
const SMALLEST_MM: f64 = 10.0;
/// The largest tank we can imagine beside racks of trays; a longer number is a slip of the unit.
const LARGEST_MM: f64 = 20_000.0;
