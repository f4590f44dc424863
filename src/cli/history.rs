//! `history`: what a place, a sensor or a reservoir has read, as a table, CSV, JSON or a chart.

use super::show;
use super::{Answer, Failure, Outcome, print, settings, when};
use crate::chart;
use crate::clock::Clock;
use crate::config::Config;
use crate::reading::Quantity;
use crate::report::{self, Series};
use crate::store::Reader;
use crate::units::Timestamp;
use chrono::TimeDelta;
use clap::Args;
use serde_json::json;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// More lines than this no terminal shows at once; the step follows from it.
const TABLE_LINES: i64 = 48;

#[derive(Args)]
pub struct History {
    /// The id of a place, a sensor or a reservoir.
    id: String,
    /// From when: "24 h" ago, "06:00", "2026-03-03 17:00", or RFC 3339.
    #[arg(long, default_value = "24 h")]
    since: String,
    /// Until when.
    #[arg(long, default_value = "now")]
    until: String,
    /// The length of one step, such as "15 min"; chosen by the span if not given.
    #[arg(long)]
    step: Option<String>,
    /// Print JSON.
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV, in SI units and UTC.
    #[arg(long)]
    csv: bool,
    /// Draw a chart into a file, .svg or .png.
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
}

impl History {
    pub fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let zone = config.rules.site.time_zone;
        let now = Clock::system().now();
        let since = when::instant(&self.since, zone, now)?;
        let until = when::instant(&self.until, zone, now)?;
        if until <= since {
            return Err(Failure::Usage("--until must lie after --since".into()));
        }
        let table = !(self.json || self.csv || self.chart.is_some());
        let step = match &self.step {
            Some(step) => when::span(step)?.max(TimeDelta::minutes(1)),
            None if table => report::step_for(since, since + (until - since) * (720 / TABLE_LINES as i32)),
            None => report::step_for(since, until),
        };
        let reader = Reader::open(&config.store.path, &config.rules)?;
        let series = report::series(&reader, &config.rules, &self.id, since, until, step)?;
        if series.is_empty() {
            return Err(Failure::Usage(unknown(&config, &self.id)));
        }
        if let Some(file) = &self.chart {
            draw(&config, &self.id, &series, since, until, file)?;
        }
        if self.json {
            print(&as_json(&series).to_string())?;
        } else if self.csv {
            print(&as_csv(&series))?;
        } else if table {
            print(&as_table(&config, &series))?;
        }
        let found = series.iter().any(|series| !series.points.is_empty());
        if !found {
            eprintln!("note: nothing was read in that span");
        }
        Ok(if found { Answer::Yes } else { Answer::No })
    }
}

fn unknown(config: &Config, id: &str) -> String {
    let rules = &config.rules;
    let places = rules.places.iter().map(|place| place.id.as_str());
    let sensors = rules.sensors.iter().map(|sensor| sensor.id.as_str());
    let known: Vec<&str> = places.chain(sensors).collect();
    format!("there is no place, sensor or reservoir called \"{id}\"; there are: {}", known.join(", "))
}

fn draw(
    config: &Config,
    id: &str,
    series: &[Series],
    since: Timestamp,
    until: Timestamp,
    file: &Path,
) -> Result<(), Failure> {
    let rules = &config.rules;
    let place = rules.place_named(id).map(|place| rules.place(place).name.clone());
    let reservoir =
        rules.reservoirs.iter().find(|reservoir| reservoir.id == id).map(|reservoir| reservoir.name.clone());
    let title = place.or(reservoir).unwrap_or_else(|| id.to_owned());
    let chart = report::chart(rules, &title, series, since, until, [None; 4]);
    let bytes = match file.extension().and_then(|ending| ending.to_str()) {
        Some("svg") => chart::history_chart_svg(&chart)?.into_bytes(),
        Some("png") => chart::history_chart_png(&chart)?,
        _ => return Err(Failure::Usage("the chart's file must end in .svg or .png".into())),
    };
    std::fs::write(file, bytes).map_err(Failure::system(format!("write {}", file.display())))
}

fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature => "celsius",
        Quantity::Humidity => "percent",
        _ => "litres",
    }
}

fn word(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Temperature => "temperature",
        Quantity::Humidity => "humidity",
        _ => "volume",
    }
}

fn as_json(series: &[Series]) -> serde_json::Value {
    let all = series.iter().map(|series| {
        json!({
            "sensor": series.sensor, "quantity": word(series.quantity), "unit": unit(series.quantity),
            "step_s": series.step.num_seconds(),
            "points": series.points.iter().map(|point| json!({
                "from": show::instant(point.from), "low": point.low, "mean": show::rounded(Some(point.mean)), "high": point.high, "n": point.n,
            })).collect::<Vec<_>>(),
        })
    });
    serde_json::Value::Array(all.collect())
}

fn as_csv(series: &[Series]) -> String {
    let mut text = String::from("from,sensor,quantity,unit,low,mean,high,n\n");
    for series in series {
        for point in &series.points {
            let _ = writeln!(
                text,
                "{},{},{},{},{},{:.3},{},{}",
                show::instant(point.from),
                series.sensor,
                word(series.quantity),
                unit(series.quantity),
                point.low,
                point.mean,
                point.high,
                point.n
            );
        }
    }
    text
}

fn as_table(config: &Config, series: &[Series]) -> String {
    let site = &config.rules.site;
    let mut text = String::new();
    for series in series.iter().filter(|series| !series.points.is_empty()) {
        let value = |value: f64| match series.quantity {
            Quantity::Temperature => show::temperature(site, Some(value)),
            Quantity::Humidity => show::percent(Some(value)),
            _ => show::volume(site, Some(value)),
        };
        let minutes = series.step.num_minutes();
        let _ = writeln!(text, "{}, {}, steps of {minutes} min", series.sensor, word(series.quantity));
        let mut lines = show::table(["FROM", "LOW", "MEAN", "HIGH", "READINGS"]);
        for point in &series.points {
            lines.add_row([
                show::local_date(site, point.from),
                value(point.low),
                value(point.mean),
                value(point.high),
                point.n.to_string(),
            ]);
        }
        let _ = writeln!(text, "{lines}\n");
    }
    text
}
