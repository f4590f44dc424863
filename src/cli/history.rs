//! `history`: what a place, a sensor, a reservoir or a tray has lived through, as a table,
//! CSV, JSON or a chart; how long a limit was passed; another place or span laid over it.

mod part;
mod printed;

use super::file::Replace;
use super::{Answer, Failure, Outcome, print, settings, when};
use crate::analysis::beyond::{LimitSide, beyond};
use crate::analysis::lives::{Life, lives};
use crate::chart;
use crate::clock::Clock;
use crate::config::Config;
use crate::reading::{BelievedAs, Quantity};
use crate::report::history;
use crate::report::subject::HistorySubject;
use crate::report::{self, Series, alarms};
use crate::store::Reader;
use crate::units::{Litres, Timestamp, UnitSystem};
use chrono::TimeDelta;
use clap::Args;
use part::Part;
use printed::{as_csv, as_json, as_table, reported_beyond, word};
use std::path::{Path, PathBuf};

/// More lines than this no terminal shows at once; the step follows from it.
const TABLE_LINES: i64 = 48;

#[derive(Args)]
pub(crate) struct History {
    /// The id of a place, a sensor or a reservoir, or the name of a tray.
    id: String,
    /// From when: "24 h" ago, "06:00", "2026-03-03 17:00", or RFC 3339. If not given, 24 hours
    /// ago; for a tray its sowing.
    #[arg(long)]
    since: Option<String>,
    /// Until when. If not given, now; for a tray its end.
    #[arg(long)]
    until: Option<String>,
    /// The length of one step, such as "15 min"; chosen by the span if not given.
    #[arg(long)]
    step: Option<String>,
    /// How long it was above a limit, such as "75 %" or "80 F".
    #[arg(long, value_name = "LIMIT")]
    above: Option<String>,
    /// How long it was below a limit.
    #[arg(long, value_name = "LIMIT")]
    below: Option<String>,
    /// Lay another place, sensor or tray over it.
    #[arg(long, value_name = "ID", conflicts_with = "beside_since")]
    beside: Option<String>,
    /// Lay an earlier or later span of the same length over it, by the time of the clock: the
    /// date where it begins.
    #[arg(long, value_name = "DATE")]
    beside_since: Option<String>,
    /// Print JSON.
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV, in SI units and UTC.
    #[arg(long)]
    csv: bool,
    /// Draw a chart into a file, .svg or .png.
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
    /// Draw it as wide as a phone.
    #[arg(long, requires = "chart")]
    phone: bool,
}

/// What is known: the settings, what was read, who lived through it.
struct Records {
    config: Config,
    reader: Reader,
    lives: Vec<Life>,
}

impl History {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let reader = Reader::open(&config.store.path, &config.rules)?;
        let lives = lives(&config.rules, &reader.journal(Timestamp::UNIX_EPOCH)?);
        let records = Records { config, reader, lives };
        let config = &records.config;
        let subject = records.named(&self.id)?;
        let span = self.span(config, &subject)?;
        let table = !(self.json || self.csv || self.chart.is_some());
        let step = self.step(span, table)?;
        let mut parts = records.parts(&subject, span, step)?;
        let beside = self.beside(&records, &mut parts, span, step)?;
        parts.extend(beside);
        for (side, limit) in [(LimitSide::Above, &self.above), (LimitSide::Below, &self.below)] {
            if let Some(limit) = limit {
                records.beyond(&subject, span, &mut parts, (side, limit))?;
            }
        }
        if let Some(file) = &self.chart {
            self.draw(&records, &subject, &parts, span, file)?;
        }
        if self.json {
            print(&as_json(&parts).to_string())?;
        } else if self.csv {
            print(&as_csv(&parts))?;
        } else if table {
            print(&as_table(config, &parts))?;
        }
        let hours_beyond = reported_beyond(config, &parts);
        if hours_beyond.is_empty() || self.json {
            // JSON has it beside the points.
        } else if self.csv {
            eprint!("{hours_beyond}");
        } else {
            print(&hours_beyond)?;
        }
        let found = parts.iter().any(|part| !part.series.points.is_empty());
        if !found {
            eprintln!("note: nothing was read in that span");
        }
        Ok(if found { Answer::Yes } else { Answer::No })
    }

    fn span(&self, config: &Config, subject: &HistorySubject) -> Result<(Timestamp, Timestamp), Failure> {
        let zone = config.rules.site.time_zone;
        let now = Clock::system().now();
        let life = subject.life(now);
        let typed = |text: &Option<String>| text.as_deref().map(|text| when::instant(text, zone, now)).transpose();
        let until = typed(&self.until)?.or(life.map(|(_, until)| until)).unwrap_or(now);
        let since = typed(&self.since)?.or(life.map(|(since, _)| since)).unwrap_or(now - TimeDelta::hours(24));
        if until <= since {
            return Err(Failure::Usage("--until must lie after --since".into()));
        }
        Ok((since, until))
    }

    fn step(&self, (since, until): (Timestamp, Timestamp), table: bool) -> Result<TimeDelta, Failure> {
        Ok(match &self.step {
            Some(step) => when::span(step)?.max(TimeDelta::minutes(1)),
            None if table => report::step_for(since, since + (until - since) * (720 / TABLE_LINES as i32)),
            None => report::step_for(since, until),
        })
    }

    /// What is laid over it; renames what was there where names would not tell them apart.
    fn beside(
        &self,
        records: &Records,
        own: &mut [Part],
        (since, until): (Timestamp, Timestamp),
        step: TimeDelta,
    ) -> Result<Vec<Part>, Failure> {
        if let Some(id) = &self.beside {
            return records.parts(&records.named(id)?, (since, until), step);
        }
        let Some(begins) = &self.beside_since else { return Ok(Vec::new()) };
        let rules = &records.config.rules;
        let zone = rules.site.time_zone;
        let begins = when::instant(begins, zone, Clock::system().now())?;
        let days = history::days_between(rules, since, begins);
        if days == 0 {
            return Err(Failure::Usage("--beside-since must be another day than the span's own".into()));
        }
        let earlier = |at: Timestamp| {
            let local = at.with_timezone(&zone).naive_local() - TimeDelta::days(days);
            crate::engine::calendar::local_instant(zone, local.date(), local.time())
        };
        let other_span = (earlier(since), earlier(until));
        let mut others = records.parts(&records.named(&self.id)?, other_span, step)?;
        let date = |at: Timestamp| at.with_timezone(&zone).format("%-d %b").to_string();
        for part in own {
            part.of = date(since);
        }
        for part in &mut others {
            part.of = date(other_span.0);
            history::shifted(rules, &mut part.series, days);
        }
        Ok(others)
    }

    fn draw(
        &self,
        records: &Records,
        subject: &HistorySubject,
        parts: &[Part],
        span: (Timestamp, Timestamp),
        file: &Path,
    ) -> Result<(), Failure> {
        let (rules, lives) = (&records.config.rules, &records.lives);
        let alarms = alarms::read(&records.reader, span.0, span.1)?;
        let named: Vec<(String, Series)> = parts.iter().map(|part| (part.of.clone(), part.series.clone())).collect();
        let bands = subject.bands(rules, lives, span.0, span.1);
        let mut chart = history::chart(rules, self.title(records, subject), &named, &bands, span);
        chart.stages = subject.stages(span.0, span.1);
        chart.nights = history::nights(rules, span.0, span.1);
        chart.lanes = subject.lanes(rules, lives, span.0, span.1);
        chart.lanes.extend(subject.alarms(rules, &alarms, span.0, span.1));
        let bytes = match file.extension().and_then(|ending| ending.to_str()) {
            Some("svg") if self.phone => chart::phone_chart_svg(&chart)?.into_bytes(),
            Some("svg") => chart::history_chart_svg(&chart)?.into_bytes(),
            Some("png") => chart::history_chart_png(&chart, self.phone)?,
            _ => return Err(Failure::Usage("the chart's file must end in .svg or .png".into())),
        };
        self.replace.write(file, &bytes)
    }

    fn title(&self, records: &Records, subject: &HistorySubject) -> String {
        let other =
            self.beside.as_deref().and_then(|id| HistorySubject::named(&records.config.rules, &records.lives, id));
        other.map_or_else(|| subject.name.clone(), |other| format!("{} and {}", subject.name, other.name))
    }
}

impl Records {
    fn named(&self, id: &str) -> Result<HistorySubject, Failure> {
        let rules = &self.config.rules;
        HistorySubject::named(rules, &self.lives, id).ok_or_else(|| {
            let places = rules.places.iter().map(|place| place.id.as_str());
            let sensors = rules.sensors.iter().map(|sensor| sensor.id.as_str());
            let growing = self.lives.iter().filter(|life| life.end.is_none());
            let known: Vec<&str> = places.chain(sensors).chain(growing.map(|life| life.tray.name.as_str())).collect();
            Failure::Usage(format!(
                "there is no place, sensor, reservoir or tray called \"{id}\"; there are: {}",
                known.join(", ")
            ))
        })
    }

    /// What was read of it; its sensors are named where one quantity has several.
    fn parts(
        &self,
        subject: &HistorySubject,
        (since, until): (Timestamp, Timestamp),
        step: TimeDelta,
    ) -> Result<Vec<Part>, Failure> {
        let all = subject.series(&self.reader, &self.config.rules, since, until, step)?;
        let several = |quantity: Quantity| all.iter().filter(|series| series.quantity == quantity).count() > 1;
        let name = |series: &Series| {
            if several(series.quantity) { series.sensor.clone() } else { subject.name.clone() }
        };
        let named: Vec<String> = all.iter().map(name).collect();
        Ok(named.into_iter().zip(all).map(|(of, series)| Part { of, series, beyond: Vec::new() }).collect())
    }

    /// Adds to each of the subject's own series how long it was beyond the limit; those laid
    /// over it are left alone.
    fn beyond(
        &self,
        subject: &HistorySubject,
        span: (Timestamp, Timestamp),
        parts: &mut [Part],
        (side, typed): (LimitSide, &str),
    ) -> Result<(), Failure> {
        let rules = &self.config.rules;
        let minutes =
            subject.series(&self.reader, rules, span.0 - report::lead(rules), span.1, TimeDelta::minutes(1))?;
        let quantities: Vec<Quantity> = minutes.iter().map(|series| series.quantity).collect();
        let (quantity, limit) = limit(typed, rules.site.units, &quantities)?;
        for series in minutes.iter().filter(|series| series.quantity == quantity) {
            let own =
                parts.iter_mut().find(|part| part.series.quantity == quantity && part.series.sensor == series.sensor);
            let Some(part) = own else { continue };
            let means: Vec<_> = series.points.iter().map(|point| (point.from, point.mean)).collect();
            let beyond_limit = beyond(&means, span, report::rhythm(rules, series), side, limit);
            part.beyond.push((side, typed.trim().to_owned(), beyond_limit));
        }
        Ok(())
    }
}

/// A limit as people type it: "75 %", "24 C", "80 F", "5 gal"; a bare number where only one
/// quantity is measured, in the unit the site shows.
fn limit(typed: &str, units: UnitSystem, measured: &[Quantity]) -> Result<(Quantity, f64), Failure> {
    let text = typed.trim();
    let split = text.find(|sign: char| !(sign.is_ascii_digit() || "+-.".contains(sign))).unwrap_or(text.len());
    let wrong = |why: &str| {
        Failure::Usage(format!(
            "\"{text}\" is no limit{why}: write a number with its unit, such as \"75 %\", \"24 C\", \"80 F\", \"10 L\" or \"3 gal\""
        ))
    };
    let number: f64 = text[..split].parse().map_err(|_| wrong(""))?;
    let celsius = |fahrenheit: f64| (fahrenheit - 32.0) / 1.8;
    let litres = |gallons: f64| gallons / Litres(1.0).to_us_gallons();
    let us = units == UnitSystem::Us;
    let (quantity, limit) = match text[split..].trim().trim_start_matches('°').to_lowercase().as_str() {
        "%" | "%rh" => (Quantity::Humidity, number),
        "c" | "cel" => (Quantity::Temperature, number),
        "f" => (Quantity::Temperature, celsius(number)),
        "l" => (Quantity::Volume, number),
        "gal" => (Quantity::Volume, litres(number)),
        "" => match measured {
            [first, rest @ ..] if rest.iter().all(|other| other == first) => match first.believed_as() {
                BelievedAs::Temperature if us => (*first, celsius(number)),
                BelievedAs::Volume if us => (*first, litres(number)),
                BelievedAs::Temperature | BelievedAs::Humidity | BelievedAs::Volume => (*first, number),
            },
            _ => return Err(wrong(" without a unit where several quantities are measured")),
        },
        _ => return Err(wrong("")),
    };
    if !measured.contains(&quantity) {
        return Err(Failure::Usage(format!(
            "{} is not measured there, so \"{text}\" cannot be a limit",
            word(quantity)
        )));
    }
    Ok((quantity, limit))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bare_limit_is_read_only_where_it_can_mean_one_thing() {
        let air = [Quantity::Temperature, Quantity::Humidity];
        let read = |typed, units, measured: &[Quantity]| limit(typed, units, measured).ok();
        assert_eq!(read("75 %", UnitSystem::Us, &air), Some((Quantity::Humidity, 75.0)));
        assert_eq!(read("77°F", UnitSystem::Metric, &air), Some((Quantity::Temperature, 25.0)));
        assert_eq!(read("-1.5 C", UnitSystem::Us, &air), Some((Quantity::Temperature, -1.5)));
        assert_eq!(read("77", UnitSystem::Us, &air), None);
        assert_eq!(read("77", UnitSystem::Us, &air[..1]), Some((Quantity::Temperature, 25.0)));
        assert_eq!(read("75", UnitSystem::Metric, &[Quantity::Humidity; 2]), Some((Quantity::Humidity, 75.0)));
        for nonsense in ["", "%", "damp", "75 kPa", "10 L", "٧٥ %"] {
            assert_eq!(read(nonsense, UnitSystem::Us, &air), None, "{nonsense}");
        }
    }
}
