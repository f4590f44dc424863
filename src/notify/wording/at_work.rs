//! What the watch says of itself as it begins: what it watches, and what it cannot while
//! nobody has told it of a tray.

use super::speech::{Speech, list};
use crate::engine::Engine;
use crate::engine::rules::{PlaceId, Rules};
use crate::engine::watch::band::demand_of;

/// Longer lists are cut short.
const NAMED: usize = 6;

/// One sentence a line of the log.
pub(super) fn lines(rules: &Rules, engine: &Engine) -> Vec<String> {
    let speech = Speech::new(&rules.site, engine.now());
    let places: Vec<String> = rules.places.iter().map(|place| place.name.clone()).collect();
    let tanks: Vec<String> = rules.reservoirs.iter().map(|tank| tank.name.clone()).collect();
    let tanks = if tanks.is_empty() { String::new() } else { format!("; the water of {}", list(&tanks, NAMED)) };
    let mut lines = vec![format!(
        "watching {}: the air of {}{tanks}; and whether their sensors speak and can be believed",
        rules.site.name,
        list(&places, NAMED)
    )];
    if engine.trays().growing().next().is_none() {
        let asked = demand_of(rules, PlaceId(0), &[], engine.trays().any_sown(), engine.now());
        let held = match (asked.band.temperature_min, asked.band.temperature_max, asked.band.humidity_max) {
            _ if asked.empty => "the air of empty places is not judged, and".to_owned(),
            (Some(cold), Some(warm), Some(damp)) => format!(
                "the air is held to what suits most crops, {} to {} and at most {damp:.0} %, and",
                speech.temperature(cold),
                speech.temperature(warm)
            ),
            _ => "the air is held to the limits of the settings, and".to_owned(),
        };
        let mold = if engine.trays().any_sown() {
            ""
        } else {
            "for mold an open tray of the kind that molds soonest is assumed in each place; "
        };
        lines.push(format!(
            "no tray is in the journal: {held} {mold}nothing is said of drying. Tell it what grows, such as: traywarden \
             log sow K12 {} broccoli 24g x4",
            rules.places.first().map_or("rack-a", |place| &place.id)
        ));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::{Event, What};
    use std::path::Path;
    use std::sync::Arc;

    fn began(entries: &[&str]) -> Vec<String> {
        let text = include_str!("../../../config/traywarden.toml");
        let rules = crate::config::parse(text, "room.toml", Path::new("/")).expect("the example is right").rules;
        let at = "2026-03-03T17:00:00Z".parse().expect("a time");
        let mut engine = Engine::new(Arc::new(rules.clone()), at);
        engine.handle(Event { at, what: What::Started });
        for (number, entry) in (1..).zip(entries) {
            let entry = serde_json::from_str(entry).expect("an entry");
            engine.handle(Event { at, what: What::Journal { number, entry } });
        }
        lines(&rules, &engine)
    }

    #[test]
    fn a_first_start_says_what_is_watched_and_what_is_not_without_trays() {
        let first = began(&[]);
        let [watched, without] = first.as_slice() else { panic!("{first:?}") };
        assert!(watched.starts_with("watching Saltmarsh Lane: the air of Rack A"), "{watched}");
        assert!(watched.contains("the water of "), "{watched}");
        assert!(
            without.starts_with("no tray is in the journal: the air is held to what suits most crops, ")
                && without.contains("assumed in each place; nothing is said of drying"),
            "{without}"
        );
        assert!(without.ends_with("traywarden log sow K12 rack-a broccoli 24g x4"), "{without}");
        let sown = began(&[r#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","count":4}"#]);
        assert_eq!(sown.len(), 1, "{sown:?}");
        let sow = r#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","count":4}"#;
        let cut = began(&[sow, r#"{"did":"harvest","tray":"K12","grams":900}"#]);
        assert!(cut[1].contains("the air of empty places is not judged"), "{cut:?}");
    }
}
