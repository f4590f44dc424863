//! How the looking verbs show things: in the grower's units and local time, or as JSON.

use crate::engine::letters::digest::{Due, ReservoirDay, TrayDay};
use crate::engine::rules::Site;
use crate::units::Timestamp;
use chrono::SecondsFormat;
use comfy_table::{ContentArrangement, Table, presets};
use serde_json::{Value, json};
use std::fmt::Write;

/// `--json`, alone.
#[derive(clap::Args)]
pub(super) struct AsJson {
    /// Print JSON instead of text.
    #[arg(long)]
    pub json: bool,
}

/// A table without lines, as wide as the terminal at most.
pub(super) fn table<const N: usize>(head: [&str; N]) -> Table {
    let mut table = Table::new();
    table.load_preset(presets::NOTHING).set_content_arrangement(ContentArrangement::Dynamic).set_header(head);
    table
}

/// Words set to `width` columns, each line after `indent`.
pub(crate) fn wrapped(text: &mut String, words: &str, indent: &str, width: usize) {
    let mut line = indent.to_owned();
    for word in words.split_whitespace() {
        let begun = line.len() > indent.len();
        if begun && line.chars().count() + 1 + word.chars().count() > width {
            let _ = writeln!(text, "{line}");
            line = indent.to_owned();
        } else if begun {
            line.push(' ');
        }
        line.push_str(word);
    }
    let _ = writeln!(text, "{line}");
}

/// Columns of the terminal, between a phone's and a page's; a page's where there is none.
pub(super) fn columns() -> usize {
    terminal_columns().unwrap_or(80).clamp(32, 80)
}

/// Columns of the terminal, for a table; none where a program reads it, line by line.
pub(super) fn terminal_columns() -> Option<usize> {
    let size = rustix::termios::tcgetwinsize(std::io::stdout()).ok();
    size.map(|size| usize::from(size.ws_col)).filter(|columns| *columns > 0)
}

/// A temperature in the site's unit.
pub(super) fn temperature(site: &Site, value: Option<f64>) -> String {
    value.map_or("-".to_owned(), |celsius| site.units.temperature(celsius))
}

/// Per cent.
pub(crate) fn percent(value: Option<f64>) -> String {
    value.map_or("-".to_owned(), |value| format!("{value:.0} %"))
}

/// A volume in the site's unit.
pub(super) fn volume(site: &Site, value: Option<f64>) -> String {
    value.map_or("-".to_owned(), |litres| {
        let (shown, unit) = site.units.volume(litres);
        format!("{shown:.1} {unit}")
    })
}

/// A local time with its weekday.
pub(super) fn local(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%a %H:%M").to_string()
}

/// A local date and time.
pub(super) fn local_date(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%Y-%m-%d %H:%M").to_string()
}

/// RFC 3339 in UTC.
pub(super) fn instant(at: Timestamp) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

/// What is due, in words.
pub(super) fn due(due: Due) -> &'static str {
    match due {
        Due::Unweight => "weight off",
        Due::Light => "uncover, to the light",
        Due::Harvest => "cut",
    }
}

/// A tray as JSON.
pub(super) fn tray_json(tray: &TrayDay) -> Value {
    json!({
        "tray": tray.tray, "count": tray.count, "crop": tray.crop, "place": tray.place, "stage": tray.stage.word(),
        "day": tray.day,
        "due": tray.due.iter().map(|(what, at)| json!({"what": due(*what), "at": instant(*at)})).collect::<Vec<_>>(),
        "overdue_since": tray.overdue.map(instant),
        "no_look_since": tray.unseen_since.map(instant),
        "degree_hours": rounded(Some(tray.warmth.degree_hours)),
        "degree_hours_at_21_c": rounded(Some(tray.warmth.planned_degree_hours)),
        "degree_hours_known_for_hours": rounded(Some(tray.warmth.known_hours)),
        "days_behind": rounded(tray.warmth.days_behind()),
        "expected_grams": json!({"from": rounded(Some(tray.expected.from)), "to": rounded(Some(tray.expected.to)),
            "own_cuts": tray.expected.own_cuts}),
    })
}

/// A reservoir as JSON.
pub(super) fn reservoir_json(tank: &ReservoirDay) -> Value {
    json!({
        "id": tank.id, "name": tank.name, "usable_litres": rounded(tank.usable), "give_or_take_litres": rounded(tank.usable_accuracy), "percent": rounded(tank.percent),
        "drawn_litres": rounded(Some(tank.drawn)), "added_litres": rounded(Some(tank.added)),
        "empty_at": tank.empty_at.map(|(best, early, late)| json!({
            "best": instant(best), "early": instant(early), "late": instant(late)})),
    })
}

/// Two decimals are more than any sensor knows.
pub(super) fn rounded(value: Option<f64>) -> Option<f64> {
    value.map(|value| (value * 100.0).round() / 100.0)
}
/// A label and what belongs to it, on as many lines as it takes.
pub(super) fn labelled(text: &mut String, label: &str, value: &str, width: usize) {
    let mut lines = String::new();
    wrapped(&mut lines, value, "             ", width);
    let _ = writeln!(text, "  {label:<11}{}", lines.trim());
}
