//! The record of the air on paper: one self-contained page that prints on A4 and Letter,
//! with room to sign. It says first what it is not.

use super::ExportError;
use super::record::{AirRecord, AnsweredAlarm, Measured, PlaceRecord, RecordDay, SensorRecord};
use crate::chart;
use crate::engine::alarm::AlarmState;
use crate::engine::rules::{Rules, Site};
use crate::reading::Quantity;
use crate::report::{self, formatted};
use crate::units::{Timestamp, UnitSystem};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// The whole page.
///
/// # Errors
/// When a chart cannot be drawn.
pub(crate) fn page(rules: &Rules, record: &AirRecord, made_at: Timestamp) -> Result<String, ExportError> {
    let site = &rules.site;
    let title = format!("Temperature and humidity record, {}", site.name);
    let mut places = Vec::new();
    for place in &record.places {
        places.push(set_place(rules, record, place)?);
    }
    Ok(html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { "Temperature and humidity record" }
                    p {
                        strong { (site.name) } ", "
                        (date(site, record.since)) " to " (formatted::dated(site, record.until))
                        ". Times are local (" (site.time_zone.name()) ")."
                    }
                    p.soft { "Made by traywarden " (env!("CARGO_PKG_VERSION")) " on " (formatted::dated(site, made_at)) "." }
                }
                section.caution {
                    h2 { "What this is not" }
                    p {
                        "This is what room sensors said, as a help in growing. It is not a HACCP plan and no part of one "
                        "until somebody qualified makes it one; it is not made with a validated or certified instrument; "
                        "it makes no statement on pathogens, on the product, or on whether anything is safe to eat. "
                        "Which records you must keep, and with which instruments, your local food-safety authority "
                        "decides: ask there."
                    }
                }
                @if record.places.is_empty() { p { "No place in the settings has a sensor, so there is nothing to record." } }
                @for place in places { (place) }
                (alarms(site, rules, record))
                section.sign {
                    h2 { "Read and signed" }
                    @for _ in 0..2 {
                        div.line { span { "Name" } span { "Signature" } span { "Date" } }
                    }
                }
                (how_to_read(record))
            }
        }
    }
    .into_string())
}

fn set_place(rules: &Rules, record: &AirRecord, place: &PlaceRecord) -> Result<Markup, ExportError> {
    let site = &rules.site;
    let drawn = place.series.iter().any(|series| !series.points.is_empty());
    let picture = if drawn {
        let chart = report::chart(rules, &place.name, &place.series, record.since, record.until, [None; 4]);
        Some((chart::history_chart_svg(&chart)?, chart::phone_chart_svg(&chart)?))
    } else {
        None
    };
    let degrees = site.units.degree_sign();
    Ok(html! {
        section.place {
            h2 { (place.name) }
            @if !place.serves.is_empty() { p.soft { "Its sensors also stand for " (place.serves.join(", ")) "." } }
            ul.sensors { @for sensor in &place.sensors { li { (set_sensor(site, sensor)) } } }
            @if let Some((wide, narrow)) = picture {
                figure.broad { (PreEscaped(wide)) }
                figure.narrow { (PreEscaped(narrow)) }
            }
            div.wide {
                table {
                    thead {
                        tr {
                            th rowspan="2" scope="col" { "Day" }
                            th colspan="3" scope="colgroup" { "Temperature, " (degrees) }
                            th colspan="3" scope="colgroup" { "Humidity, %" }
                            th colspan="2" scope="colgroup" { "Hours without data" }
                            th colspan="2" scope="colgroup" { "Hours outside the band" }
                            th.words rowspan="2" scope="col" { "Stages there" }
                            th rowspan="2" scope="col" { "Initials" }
                        }
                        tr {
                            @for _ in 0..2 { th.first scope="col" { "low" } th scope="col" { "mean" } th scope="col" { "high" } }
                            @for _ in 0..2 { th.first scope="col" { "temp." } th scope="col" { "hum." } }
                        }
                    }
                    tbody { @for day in &place.days { (set_day(site, day)) } }
                }
            }
        }
    })
}

fn set_sensor(site: &Site, sensor: &SensorRecord) -> Markup {
    html! {
        "Sensor " code { (sensor.id) } ": "
        @for (nth, correction) in sensor.corrections.iter().enumerate() {
            @if nth > 0 { "; " }
            (correction.quantity.word()) " within " (plus_minus(site, correction.quantity, correction.accuracy))
            " by the settings, "
            @if correction.gain == 1.0 && correction.offset == 0.0 { "not corrected" }
            @else { "corrected there (" (trimmed(correction.gain)) " × reading " (signed(correction.offset)) ")" }
            @match correction.calibrated {
                Some(date) => { ", last calibrated " (date.format("%-d %b %Y")) }
                None => { ", last calibration not known" }
            }
        }
        ". Checked by hand: " span.blank {}
    }
}

fn set_day(site: &Site, day: &RecordDay) -> Markup {
    let degrees = |celsius: f64| format!("{:.1}", site.units.degrees(celsius));
    let percent = |percent: f64| format!("{percent:.0}");
    let missing = |measured: &Measured| (day.hours - measured.known_hours).max(0.0);
    html! {
        tr {
            th scope="row" {
                (day.date.format("%a %-d %b %Y"))
                @if day.hours < 22.5 { br; span.soft { (hours(day.hours)) " h of it" } }
            }
            (three(&day.temperature, degrees, "Temperature", site.units.degree_sign()))
            (three(&day.humidity, percent, "Humidity", "%"))
            (gap(missing(&day.temperature), "Temperature", true))
            (gap(missing(&day.humidity), "Humidity", false))
            (outside(&day.temperature, degrees, "Temperature", true))
            (outside(&day.humidity, percent, "Humidity", false))
            td.words.stages data-label="Stages there" { (day.stages.iter().map(|stage| stage.word()).collect::<Vec<_>>().join(", ")) @if day.stages.is_empty() { "no trays" } }
            td data-label="Initials" {}
        }
    }
}

/// `what` and `unit` label the figures where a phone shows them one below the other.
fn three(measured: &Measured, show: impl Fn(f64) -> String, what: &str, unit: &str) -> Markup {
    html! {
        @match measured.low_mean_high {
            Some((low, mean, high)) => {
                td.first data-label=(format!("{what} low, {unit}")) { (show(low)) }
                td data-label=(format!("{what} mean, {unit}")) { (show(mean)) }
                td data-label=(format!("{what} high, {unit}")) { (show(high)) }
            }
            None => { td.first.none colspan="3" data-label=(what) { "no data" } }
        }
    }
}

fn gap(missing: f64, what: &str, first: bool) -> Markup {
    html! { td data-label=(format!("{what}: hours without data")) .first[first].marked[missing >= SHOWN_HOURS] { @if missing >= SHOWN_HOURS { (hours(missing)) } @else { "0" } } }
}

fn outside(measured: &Measured, show: impl Fn(f64) -> String, what: &str, first: bool) -> Markup {
    let label = format!("{what}: hours outside the band");
    let end = |limit: Option<f64>| limit.map_or("…".to_owned(), &show);
    html! {
        @match measured.outside_hours {
            Some(out) => {
                td data-label=(label) .first[first].marked[out >= SHOWN_HOURS] {
                    @if out >= SHOWN_HOURS { (hours(out)) } @else { "0" }
                    br; span.soft { (end(measured.band.0)) "–" (end(measured.band.1)) }
                }
            }
            None if measured.low_mean_high.is_none() => { td data-label=(label) .first[first].none { "no data" } }
            None => { td data-label=(label) .first[first].none { "no band" } }
        }
    }
}

fn alarms(site: &Site, rules: &Rules, record: &AirRecord) -> Markup {
    html! {
        section {
            h2 { "Alarms in this time, and what was done" }
            @if record.alarms.is_empty() { p { "None." } }
            @else {
                div.wide {
                    table.alarms {
                        thead { tr {
                            th scope="col" { "From, to" } th scope="col" { "What" } th scope="col" { "Answered" }
                            th scope="col" { "Done meanwhile, by the journal" } th scope="col" { "Remarks" }
                        } }
                        tbody { @for answered in &record.alarms { (set_episode(site, rules, answered)) } }
                    }
                }
            }
        }
    }
}

fn set_episode(site: &Site, rules: &Rules, answered: &AnsweredAlarm) -> Markup {
    let (episode, done) = (&answered.alarm, &answered.done);
    let more = done.len().saturating_sub(MOST_DONE);
    html! {
        tr {
            td.words data-label="From, to" {
                (formatted::dated(site, episode.since())) br;
                @match episode.over_at() { Some(at) => { (formatted::dated(site, at)) } None => "holds at the end" }
            }
            td.words data-label="What" { strong { (episode.key.kind.word()) } ", " (formatted::name_of(rules, &episode.key.subject)) br; (episode.text) }
            td.words data-label="Answered" {
                @if episode.answers.is_empty() { "nobody" }
                @for (at, by, state) in &episode.answers {
                    (answer(*state)) " by " (by) ", " (formatted::dated(site, *at)) br;
                }
            }
            td.words data-label="Done meanwhile, by the journal" {
                @if done.is_empty() { "nothing entered" }
                @for (at, by, did) in done.iter().take(MOST_DONE) {
                    (formatted::dated(site, *at)) ": " (formatted::done_to(rules, did))
                    @if let Some(by) = by { " (" (by) ")" }
                    br;
                }
                @if more > 0 { "and " (more) " more entries" }
            }
            td data-label="Remarks" {}
        }
    }
}

fn how_to_read(record: &AirRecord) -> Markup {
    html! {
        section.soft {
            h2 { "How the figures are made" }
            p {
                "Low and high are single readings that passed the quality checks; the mean is over the time with data. "
                "A reading stands until the next one, unless the sensor was silent in between: that time is without data. "
                "The band is the narrowest that the stages of the trays there asked for on that day; being outside it is "
                "common and not by itself harmful; alarms begin farther out, at limits of their own. Covered trays ask for no humidity. The mean of each minute is held "
                "against the band of its time."
                @if record.places.iter().any(|place| place.days.iter().any(|day| day.hours > 24.5 || (22.5..23.5).contains(&day.hours))) {
                    " A day on which the clocks change has 23 or 25 hours."
                }
            }
        }
    }
}

fn answer(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Acknowledged | AlarmState::Normal => "acknowledged",
        AlarmState::Shelved => "silenced for a while",
        AlarmState::OutOfService => "taken out of service",
        AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged => "brought back",
    }
}

fn plus_minus(site: &Site, quantity: Quantity, accuracy: f64) -> String {
    match (quantity, site.units) {
        (Quantity::Temperature, UnitSystem::Metric) => format!("±{} K", trimmed(accuracy)),
        (Quantity::Temperature, UnitSystem::Us) => format!("±{} °F", trimmed(accuracy * 9.0 / 5.0)),
        (Quantity::Humidity | Quantity::Filling, _) => format!("±{} %", trimmed(accuracy)),
        (Quantity::Distance | Quantity::Depth | Quantity::Volume, _) => {
            format!("±{} {}", trimmed(accuracy), quantity.unit())
        }
    }
}

fn trimmed(value: f64) -> String {
    ((value * 1000.0).round() / 1000.0).to_string()
}

fn signed(value: f64) -> String {
    if value < 0.0 { format!("− {}", trimmed(-value)) } else { format!("+ {}", trimmed(value)) }
}

fn hours(hours: f64) -> String {
    format!("{hours:.1}")
}

fn date(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%-d %b %Y").to_string()
}

/// Three minutes a day are no hole worth a figure. Own default.
const SHOWN_HOURS: f64 = 0.05;
/// Journal entries told of one alarm. Own default.
const MOST_DONE: usize = 6;

/// Black on white, one column, hairlines; what matters is bold, not coloured.
const STYLE: &str = "
@page { margin: 14mm; }
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 24px 20px; max-width: 1000px; background: #fff; color: #1d2722;
  font: 14px/1.45 system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif; }
h1 { font-size: 24px; line-height: 1.2; margin: 0 0 6px; }
h2 { font-size: 17px; margin: 28px 0 6px; }
p { margin: 4px 0; }
.soft { color: #55635c; }
span.soft { font-size: 11px; }
.caution { border: 1.5px solid #1d2722; padding: 10px 14px; margin-top: 14px; }
.caution h2 { margin: 0 0 2px; font-size: 14px; }
.sensors { padding-left: 18px; margin: 4px 0 8px; }
.blank { display: inline-block; width: 150px; border-bottom: 1px solid #1d2722; }
figure { margin: 8px 0; }
figure svg { display: block; width: 100%; height: auto; max-width: 760px; }
figure.narrow { display: none; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: 12.5px; font-variant-numeric: tabular-nums; }
th, td { padding: 4px 6px; white-space: nowrap; border-bottom: 1px solid #d3d9d4; text-align: right; vertical-align: top; font-weight: 400; }
thead th { border-bottom: 1px solid #1d2722; color: #3b4741; vertical-align: bottom; }
thead tr:first-child th[colspan] { text-align: center; border-bottom: 1px solid #d3d9d4; border-left: 1px solid #d3d9d4; }
th.first, td.first { border-left: 1px solid #d3d9d4; }
th[scope=row], thead th:first-child { text-align: left; white-space: nowrap; }
td.words, th.words, .alarms th { text-align: left; }
.alarms td.words { white-space: normal; }
.alarms td.words { min-width: 150px; }
td.none { color: #55635c; text-align: center; }
td.marked { font-weight: 700; }
td.marked .soft { font-weight: 400; }
td:last-child { border-left: 1px solid #d3d9d4; min-width: 52px; }
.alarms td:last-child { min-width: 90px; }
tr { break-inside: avoid; }
.place { break-inside: auto; }
.sign { break-inside: avoid; }
.line { display: flex; gap: 24px; margin-top: 34px; }
.line span { flex: 2; border-top: 1px solid #1d2722; padding-top: 3px; font-size: 12px; color: #55635c; }
.line span:last-child { flex: 1; }
@media screen and (max-width: 700px) {
  body { padding: 16px 12px; font-size: 16px; }
  figure.broad { display: none; }
  figure.narrow { display: block; }
  .wide { overflow: visible; }
  table { font-size: 15px; }
  table, tbody, tr, th, td { display: block; }
  thead { display: none; }
  tr { border-top: 1.5px solid #1d2722; padding: 8px 0; }
  th[scope=row] { font-weight: 700; white-space: normal; border: 0; padding: 2px 0 6px; }
  td, td.words, td.none, .alarms td.words, td.first, td:last-child { display: flex; justify-content: space-between;
    gap: 16px; padding: 3px 0; border: 0; white-space: normal; text-align: right; min-width: 0; flex-wrap: wrap; }
  td::before { content: attr(data-label); color: #55635c; text-align: left; }
  .alarms td.words { display: block; text-align: left; }
  .alarms td::before { display: block; font-size: 13px; }
  span.soft { font-size: 13px; }
  .line { flex-wrap: wrap; }
}
@media print {
  body { padding: 0; max-width: none; font-size: 9.5pt; }
  table { font-size: 8pt; }
  th, td { padding: 2pt 3pt; }
  span.soft { font-size: 7pt; }
  .wide { overflow: visible; }
  thead th, td.words, .alarms td.words { white-space: normal; min-width: 0; }
  figure svg { max-width: 125mm; }
  h2 { margin-top: 14pt; }
  h2 { break-after: avoid; }
  thead { display: table-header-group; }
}
";
