//! `trays`: what grows where, in which stage, and what is due.

use super::show::{self, AsJson, table};
use super::{Answer, Outcome, print, room, settings};
use serde_json::Value;
use std::path::Path;

pub fn run(path: &Path, shown: AsJson) -> Outcome {
    let config = settings(path)?;
    let room = room::open(&config)?;
    let site = &config.rules.site;
    let trays = room.engine.snapshot().trays;
    if shown.json {
        print(&Value::Array(trays.iter().map(show::tray_json).collect()).to_string())?;
        return Ok(Answer::Yes);
    }
    room::warn_if_quiet(&room);
    if trays.is_empty() {
        print("No tray is growing. Sow one with: traywarden log sow tray=K12 place=rack-a crop=broccoli")?;
        return Ok(Answer::No);
    }
    let mut lines = table(["TRAY", "COUNT", "CROP", "PLACE", "STAGE", "DAY", "DUE"]);
    for tray in &trays {
        let due: Vec<String> =
            tray.due.iter().map(|(what, at)| format!("{} {}", show::due(*what), show::local(site, *at))).collect();
        lines.add_row([
            tray.tray.clone(),
            tray.count.to_string(),
            tray.crop.clone(),
            tray.place.clone(),
            tray.stage.word().to_owned(),
            tray.day.to_string(),
            due.join("; "),
        ]);
    }
    print(&lines.to_string())?;
    Ok(Answer::Yes)
}
