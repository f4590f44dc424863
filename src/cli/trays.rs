//! `trays`: what grows where, in which stage, and what is due.

use super::show::{self, AsJson, table};
use super::{Answer, Outcome, present, print, settings};
use crate::engine::letters::digest::TrayDay;
use crate::engine::rules::Site;
use crate::units::Timestamp;
use serde_json::Value;
use std::path::Path;

pub(super) fn run(path: &Path, shown: AsJson) -> Outcome {
    let config = settings(path)?;
    let present = present::open(&config)?;
    let site = &config.rules.site;
    let trays = present.engine.snapshot().trays;
    if shown.json {
        print(&Value::Array(trays.iter().map(show::tray_json).collect()).to_string())?;
        return Ok(Answer::Yes);
    }
    present::warn_if_quiet(&present);
    if trays.is_empty() {
        print("No tray is growing. Sow one with: traywarden log sow tray=K12 place=rack-a crop=broccoli")?;
        return Ok(Answer::No);
    }
    print(&shown_trays(&trays, site, present.now, show::terminal_columns()))?;
    Ok(Answer::Yes)
}

/// The table, no wider than the terminal, then what wants hands today and tomorrow.
fn shown_trays(trays: &[TrayDay], site: &Site, now: Timestamp, width: Option<usize>) -> String {
    let mut lines = table(["TRAY", "COUNT", "CROP", "PLACE", "STAGE", "DAY", "BY WARMTH", "DUE"]);
    if let Some(width) = width {
        lines.set_width(u16::try_from(width).unwrap_or(u16::MAX));
    }
    for tray in trays {
        let mut due: Vec<String> =
            tray.due.iter().map(|(what, at)| format!("{} {}", show::due(*what), show::local(site, *at))).collect();
        if tray.overdue.is_some() {
            due.push("overdue".to_owned());
        }
        if let Some(since) = tray.unseen_since {
            due.push(format!("no look since {}", show::local(site, since)));
        }
        lines.add_row([
            tray.tray.clone(),
            tray.count.to_string(),
            tray.crop.clone(),
            tray.place.clone(),
            tray.stage.word().to_owned(),
            tray.day.to_string(),
            pace(tray),
            due.join("; "),
        ]);
    }
    let mut text = lines.to_string() + "\n";
    let today = now.with_timezone(&site.time_zone).date_naive();
    for (name, ahead) in [("Today", 0), ("Tomorrow", 1)] {
        let tasks: Vec<String> = trays
            .iter()
            .flat_map(|tray| tray.due.iter().map(move |(what, at)| (tray, *what, *at)))
            .filter(|(_, _, at)| {
                let days = (at.with_timezone(&site.time_zone).date_naive() - today).num_days();
                days == ahead || (ahead == 0 && days < 0)
            })
            .map(|(tray, what, _)| format!("{} {}", tray.tray, show::due(what)))
            .collect();
        let tasks = if tasks.is_empty() { "nothing is due".to_owned() } else { tasks.join("; ") };
        show::wrapped(&mut text, &format!("{name}: {tasks}."), "", width.unwrap_or(usize::MAX));
    }
    text.trim_end().to_owned()
}

/// How the tray stands by warmth beside a room at 21 °C; nothing before half a day is known.
fn pace(tray: &TrayDay) -> String {
    match tray.warmth.days_behind() {
        None => String::new(),
        Some(days) if days.abs() < 0.25 => "on plan".to_owned(),
        Some(days) if (0.75..1.25).contains(&days) => "about a day behind".to_owned(),
        Some(days) if days > 0.0 => format!("{days:.1} days behind"),
        Some(days) => format!("{:.1} days ahead", -days),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::letters::digest::Due;
    use crate::engine::watch::trays::harvests::ExpectedYield;
    use crate::engine::watch::trays::thermal::Warmth;
    use crate::engine::watch::trays::tray::Stage;

    #[test]
    fn trays_are_shown_with_their_warmth_and_what_today_and_tomorrow_want() {
        let site = crate::config::parse(include_str!("../../config/traywarden.toml"), "room.toml", Path::new("/"))
            .expect("the shipped example is right")
            .rules
            .site;
        let at = |text: &str| text.parse::<Timestamp>().expect("a time");
        let tray = |name: &str, stage, degree_hours, due: Vec<(Due, Timestamp)>| TrayDay {
            tray: name.into(),
            count: 4,
            crop: "broccoli".into(),
            place: "Rack A".into(),
            stage,
            day: 4,
            due,
            overdue: None,
            unseen_since: None,
            warmth: Warmth { degree_hours, planned_degree_hours: 1593.6, known_hours: 96.0 },
            expected: ExpectedYield { from: 1520.0, to: 1800.0, own_cuts: 0 },
        };
        let trays = [
            TrayDay {
                unseen_since: Some(at("2026-03-04T22:30:00Z")),
                ..tray("K12", Stage::Blackout, 1195.2, vec![(Due::Light, at("2026-03-06T14:00:00Z"))])
            },
            TrayDay {
                overdue: Some(at("2026-03-05T14:00:00Z")),
                ..tray("K9", Stage::Ready, 1600.0, vec![(Due::Harvest, at("2026-03-05T14:00:00Z"))])
            },
            tray("K13", Stage::Germination, 2000.0, vec![(Due::Unweight, at("2026-03-07T14:00:00Z"))]),
        ];
        let shown = shown_trays(&trays, &site, at("2026-03-06T12:00:00Z"), None);
        insta::assert_snapshot!(shown);
        for width in [80, 40] {
            let shown = shown_trays(&trays, &site, at("2026-03-06T12:00:00Z"), Some(width));
            let wide = shown.lines().find(|line| line.trim_end().chars().count() > width);
            assert_eq!(wide, None, "{width} columns");
        }
    }
}
