//! The trace as a sheet: what the store alone knows of the tray, with its sisters drawn
//! behind it, what differs on top, and when the trouble likely began.

use super::{Onset, StageTrace, Trace, words};
use crate::chart::{Band, Line, Measure, Panel, Point};
use crate::engine::risk::mold::REQUIREMENT_MET;
use crate::engine::rules::{Rules, Site};
use crate::report::history::Subject;
use crate::report::lives::Life;
use crate::report::sheet::{Sheet, SheetTable};
use crate::report::tray_sheet;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Steps further apart than this have a gap between them: three steps of ten minutes, so
/// that a hole is drawn where one is told.
const GAP: TimeDelta = TimeDelta::minutes(30);
/// The sisters' figures come by the hour.
const SISTERS_GAP: TimeDelta = TimeDelta::hours(3);

/// The sheet of a trace. `lives` are those of the journal; `None`: the tray is not among them.
///
/// # Errors
/// When the store cannot be read.
pub fn sheet(
    reader: &Reader,
    rules: &Rules,
    lives: &[Life],
    trace: &Trace,
    now: Timestamp,
) -> Result<Option<Sheet>, StoreError> {
    let Some(life) = lives.iter().find(|life| life.tray.name == trace.tray && life.tray.sown_at == trace.sown_at)
    else {
        return Ok(None);
    };
    let subject = Subject::of_life(life);
    let Some(mut sheet) = tray_sheet::of_tray(reader, rules, lives, &subject, now)? else {
        return Ok(None);
    };
    let site = &rules.site;
    sheet.differences.clone_from(&trace.differences);
    sheet.beside.clone_from(&trace.beside);
    for panel in &mut sheet.chart.panels {
        panel.sisters = sisters(trace, panel.measure);
    }
    sheet.chart.panels.extend(mold_pressure(trace));
    sheet.tables.push(beside_table(trace));
    sheet.tables.push(stage_table(site, &trace.stages));
    if let Some(onset) = &trace.onset {
        sheet.lists.insert(0, ("When it likely began".to_owned(), onset_lines(site, onset)));
    }
    sheet.caution = format!("{} {}", trace.caution, sheet.caution);
    Ok(Some(sheet))
}

fn sisters(trace: &Trace, measure: Measure) -> Option<Line> {
    let quartiles = |envelope: &super::beside::Envelope| match measure {
        Measure::Temperature => Some(envelope.temperature),
        Measure::Humidity => Some(envelope.humidity),
        _ => None,
    };
    let points: Vec<Point> = trace
        .envelope
        .iter()
        .filter_map(|envelope| {
            let [low, mean, high] = quartiles(envelope)?;
            Some(Point { at: envelope.at, low, mean, high })
        })
        .collect();
    (!points.is_empty()).then(|| Line { name: "sisters".to_owned(), points, gap_after: SISTERS_GAP })
}

fn mold_pressure(trace: &Trace) -> Option<Panel> {
    let points: Vec<Point> = trace
        .series
        .iter()
        .filter_map(|step| step.mold_pressure.map(|value| Point { at: step.at, low: value, mean: value, high: value }))
        .collect();
    let (first, last) = (points.first()?.at, points.last()?.at);
    let band = Band { from: first, until: last, low: None, high: Some(REQUIREMENT_MET) };
    let line = Line { name: trace.tray.clone(), points, gap_after: GAP };
    Some(Panel { measure: Measure::MoldPressure, lines: vec![line], bands: vec![band], sisters: None })
}

fn beside_table(trace: &Trace) -> SheetTable {
    let rows = trace.conditions.iter().map(|condition| {
        let of = |value: f64| words::figure(condition.measure, value);
        let spread = condition.range.map_or("-".to_owned(), |(low, high)| format!("{} to {}", of(low), of(high)));
        vec![
            words::condition(condition.measure).to_owned(),
            of(condition.value),
            condition.median.map_or("-".to_owned(), of),
            spread,
            format!("{} of {}", condition.rank, condition.n + 1),
            condition.p.map_or("-".to_owned(), |p| format!("{p:.2}")),
        ]
    });
    SheetTable {
        heading: "Beside its healthy sisters".to_owned(),
        head: ["Condition", "This tray", "Sisters' middle", "Their range", "Rank", "p"].map(str::to_owned).to_vec(),
        rows: rows.collect(),
    }
}

fn stage_table(site: &Site, stages: &[StageTrace]) -> SheetTable {
    let rows = stages.iter().map(|stage| {
        let vpd = stage.vpd.map_or("-".to_owned(), |spread| format!("{:.2} kPa", spread.mean));
        vec![
            stage.stage.word().to_owned(),
            vpd,
            stage.dew_point.map_or("-".to_owned(), |spread| words::temperature(site, spread.mean)),
            words::hours(stage.longest_damp_hours),
            stage.mold_pressure.map_or("-".to_owned(), |pressure| format!("{pressure:.0}")),
            stage.waterings.to_string(),
            stage.longest_water_gap_hours.map_or("-".to_owned(), words::hours),
            words::hours(stage.unknown_hours),
        ]
    });
    SheetTable {
        heading: "Damp and water, stage by stage".to_owned(),
        head: [
            "Stage",
            "VPD, mean",
            "Dew point, mean",
            "Longest damp spell",
            "Mold pressure, peak",
            "Waterings",
            "Longest gap",
            "Not known",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: rows.collect(),
    }
}

fn onset_lines(site: &Site, onset: &Onset) -> Vec<String> {
    let local = |at| words::local(site, at);
    let window = format!(
        "Mold was seen {}. It likely began between {} and {}.",
        local(onset.seen_at),
        local(onset.from),
        local(onset.until)
    );
    [window, onset.assumption.clone()].into_iter().chain(onset.events.iter().cloned()).collect()
}
