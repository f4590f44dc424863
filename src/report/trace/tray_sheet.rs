//! The trace as a sheet: who the tray is, what differs on top, its air on one time axis with
//! its sisters drawn behind it, its stages in figures, what was done.

use super::{Onset, Trace, words};
use crate::analysis::beside::Envelope;
use crate::analysis::lives::{End, Life, TrayFate};
use crate::analysis::stages::{Spread, StageTrace};
use crate::chart::{BandSpan, Chart, Line, Measure, Panel, Point};
use crate::engine::physics::mold_pressure::REQUIREMENT_MET;
use crate::engine::rules::{Rules, Site};
use crate::report::alarms;
use crate::report::formatted::{between, dated, hours, local, loss};
use crate::report::history;
use crate::report::sheet::{Sheet, SheetTable};
use crate::report::step_for;
use crate::report::subject::HistorySubject;
use crate::store::{Reader, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;

/// Steps further apart than this have a gap between them: three steps of ten minutes, so
/// that a hole is drawn where one is told.
const GAP: TimeDelta = TimeDelta::minutes(30);
/// The sisters' figures come by the hour.
const PEERS_GAP: TimeDelta = TimeDelta::hours(3);
/// More holes than these are counted, not told. Own default.
const MOST_HOLES: usize = 12;

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
    let site = &rules.site;
    let mut tables = vec![stage_table(site, &trace.stages)];
    if !trace.peers.is_empty() {
        tables.insert(0, beside_table(trace));
    }
    let mut lists: Vec<(&str, Vec<String>)> = Vec::new();
    lists.extend(trace.onset.as_ref().map(|onset| ("When it likely began", onset_lines(site, onset))));
    let done = |(at, what): &(Timestamp, String)| format!("{}: {what}", local(site, *at));
    lists.push(("What was done", trace.events.iter().map(done).collect()));
    lists.push(("Alarms", trace.alarms.iter().map(|alarm| words::alarm(site, alarm)).collect()));
    lists.push(("Holes in the data", holes(site, &trace.holes)));
    Ok(Some(Sheet {
        masthead: format!("{}, made {}", site.name, dated(site, now)),
        title: format!("Tray {}, {}", trace.tray, trace.crop),
        facts: facts(rules, life, trace, now),
        differences: trace.differences.clone(),
        beside: trace.beside.clone(),
        chart: chart(reader, rules, lives, life, trace)?,
        tables,
        lists: lists.into_iter().map(|(heading, lines)| (heading.to_owned(), lines)).collect(),
        caution: trace.caution.to_owned(),
    }))
}

/// Who it is, where it stood, from when to when and how it ended: a line each.
fn facts(rules: &Rules, life: &Life, trace: &Trace, now: Timestamp) -> Vec<String> {
    let (tray, site) = (&life.tray, &rules.site);
    let mut who = vec![if tray.count == 1 { "1 tray".to_owned() } else { format!("{} trays", tray.count) }];
    who.extend(tray.seed_grams.map(|grams| format!("{} of seed a tray", site.units.weight(grams))));
    who.extend(life.sowing.seed_lot.as_ref().map(|lot| format!("seed lot {lot}")));
    who.extend(life.sowing.medium.as_ref().map(|medium| format!("on {medium}")));
    let stood = trace.stood.iter().enumerate().map(|(nth, (since, place))| {
        if nth == 0 { place.clone() } else { format!("from {} {place}", local(site, *since)) }
    });
    let end = life.end.as_ref().filter(|end| end.at <= now).map_or_else(
        || format!("grows, day {}, {}", tray.day(now), life.stage_at(now).word()),
        |end| formatted_end(site, end),
    );
    vec![who.join(", "), stood.collect::<Vec<_>>().join(", "), format!("Sown {}; {end}", dated(site, tray.sown_at))]
}

fn formatted_end(site: &Site, end: &End) -> String {
    let at = local(site, end.at);
    match &end.fate {
        TrayFate::Harvested { grams: Some(grams), .. } => format!("cut {at}, {}", site.units.weight(*grams)),
        TrayFate::Harvested { grams: None, .. } => format!("cut {at}, not weighed"),
        TrayFate::Discarded { reason, share, .. } => {
            let share = share.map(|share| format!(", {share} % of it")).unwrap_or_default();
            format!("thrown away {at}: {}{share}", loss(*reason))
        }
    }
}

/// Its air, what its stages asked for, what was done and which alarms held.
fn chart(reader: &Reader, rules: &Rules, lives: &[Life], life: &Life, trace: &Trace) -> Result<Chart, StoreError> {
    let subject = HistorySubject::of_life(life);
    let (from, until) = (trace.sown_at, trace.until);
    let series = subject.series(reader, rules, from, until, step_for(from, until))?;
    let named: Vec<_> = series.into_iter().map(|series| (trace.tray.clone(), series)).collect();
    let bands = subject.bands(rules, lives, from, until);
    let mut chart = history::chart(rules, String::new(), &named, &bands, (from, until));
    chart.stages = subject.stages(from, until);
    chart.nights = history::nights(rules, from, until);
    chart.lanes = subject.lanes(rules, lives, from, until);
    chart.lanes.extend(subject.alarms(rules, &alarms::read(reader, from, until)?, from, until));
    for panel in &mut chart.panels {
        panel.peers = peers(trace, panel.measure);
    }
    chart.panels.extend(mold_pressure(trace));
    Ok(chart)
}

fn peers(trace: &Trace, measure: Measure) -> Option<Line> {
    let quartiles = |envelope: &Envelope| match measure {
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
    (!points.is_empty()).then(|| Line { name: "sisters".to_owned(), points, gap_after: PEERS_GAP })
}

fn mold_pressure(trace: &Trace) -> Option<Panel> {
    let points: Vec<Point> = trace
        .series
        .iter()
        .filter_map(|step| step.mold_pressure.map(|value| Point { at: step.at, low: value, mean: value, high: value }))
        .collect();
    let (first, last) = (points.first()?.at, points.last()?.at);
    let band = BandSpan { from: first, until: last, low: None, high: Some(REQUIREMENT_MET) };
    let line = Line { name: trace.tray.clone(), points, gap_after: GAP };
    Some(Panel { measure: Measure::MoldPressure, lines: vec![line], bands: vec![band], peers: None })
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
            words::rank(condition),
            condition.p.map_or("-".to_owned(), |p| format!("{p:.2}")),
        ]
    });
    SheetTable {
        heading: "Beside its healthy sisters".to_owned(),
        head: ["Condition", "This tray", "Sisters' middle", "Their range", "Rank", "p"].map(str::to_owned).to_vec(),
        rows: rows.collect(),
    }
}

/// A stage a column, so that the figures of one kind stand beside each other.
fn stage_table(site: &Site, stages: &[StageTrace]) -> SheetTable {
    let mut rows: Vec<Vec<String>> = Vec::new();
    let mut row = |name: &str, cell: &dyn Fn(&StageTrace) -> Option<String>| {
        let cells = stages.iter().map(|stage| cell(stage).unwrap_or_else(|| "-".to_owned()));
        rows.push([name.to_owned()].into_iter().chain(cells).collect());
    };
    let degrees = |celsius: f64| format!("{:.1}", site.units.degrees(celsius));
    let range = |spread: Spread, say: &dyn Fn(f64) -> String| format!("{} to {}", say(spread.low), say(spread.high));
    let whole = |value: f64| format!("{value:.0}");
    row("Length", &|stage| Some(between(stage.from, stage.until)));
    row(&format!("Temperature, {}, mean", site.units.degree_sign()), &|stage| Some(degrees(stage.temperature?.mean)));
    row("lowest to highest", &|stage| Some(range(stage.temperature?, &degrees)));
    row("Humidity, %, mean", &|stage| Some(whole(stage.humidity?.mean)));
    row("lowest to highest", &|stage| Some(range(stage.humidity?, &whole)));
    row("Above its band", &|stage| stage.humidity_band.1.map(|_| hours(stage.humidity_hours[2])));
    row("Above what it alarms at", &|stage| stage.humidity_alarms_above.map(|_| hours(stage.alarming_damp_hours)));
    row("VPD, kPa, mean", &|stage| Some(format!("{:.2}", stage.vpd?.mean)));
    row(&format!("Dew point, {}, mean", site.units.degree_sign()), &|stage| Some(degrees(stage.dew_point?.mean)));
    row("Longest damp spell", &|stage| Some(hours(stage.longest_damp_hours)));
    row("Mold pressure, peak", &|stage| stage.mold_pressure.map(whole));
    row("Waterings", &|stage| Some(stage.waterings.to_string()));
    row("Longest time without", &|stage| stage.longest_water_gap_hours.map(hours));
    row("Air not known", &|stage| Some(hours(stage.unknown_hours)));
    let head = [String::new()].into_iter().chain(stages.iter().map(|stage| stage.stage.word().to_owned())).collect();
    SheetTable { heading: "Stage by stage".to_owned(), head, rows }
}

fn holes(site: &Site, holes: &[(Timestamp, Timestamp)]) -> Vec<String> {
    let named = holes.iter().take(MOST_HOLES);
    let mut lines: Vec<String> =
        named.map(|(from, until)| format!("{}, for {}", local(site, *from), between(*from, *until))).collect();
    if holes.len() > MOST_HOLES {
        lines.push(format!("and {} more", holes.len() - MOST_HOLES));
    }
    lines
}

fn onset_lines(site: &Site, onset: &Onset) -> Vec<String> {
    let window = format!(
        "Mold was seen {}. It likely began between {} and {}.",
        local(site, onset.seen_at),
        local(site, onset.from),
        local(site, onset.until)
    );
    [window, onset.assumption.clone()].into_iter().chain(onset.events.iter().cloned()).collect()
}
