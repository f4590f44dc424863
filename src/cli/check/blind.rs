//! What cannot be watched yet, because nothing measures it or nobody wrote it down.

use super::point::Point;
use crate::cli::present::Present;
use crate::config::Config;
use crate::engine::rules::{Place, PlaceId, Rules};
use crate::reading::Quantity;

/// In the order in which a night is most often lost by them (own judgement, no source).
pub(super) fn spots(config: &Config, known: Option<&Present>) -> Vec<Point> {
    let rules = &config.rules;
    let mut spots = Vec::new();
    for (index, place) in rules.places.iter().enumerate() {
        let id = PlaceId(u16::try_from(index).unwrap_or(u16::MAX));
        for quantity in [Quantity::Temperature, Quantity::Humidity] {
            if !is_measured(rules, id, quantity) {
                spots.push(format!("Nothing measures the {} of {}.", quantity.word(), place.name));
            }
        }
    }
    if rules.reservoirs.is_empty() {
        spots.push("No gauge in a tank: an empty tank, a leak and a dead pump are not noticed.".to_owned());
    }
    if !rules.sensors.iter().any(|sensor| sensor.surface.is_some()) {
        spots
            .push("No probe on a wall or window: water that drips from a cold surface is not seen in time.".to_owned());
    }
    let trays = known.map_or(0, |room| room.engine.trays().growing().count());
    if trays == 0 {
        spots.push(
            "No tray is in the journal, so no crop's limits hold, and nothing is said of drying or mold. \
             traywarden log sow ..."
                .to_owned(),
        );
    } else if known.is_some_and(|room| room.engine.trays().growing().all(|tray| tray.watered_at.is_none())) {
        spots.push("No watering is in the journal, so nothing is said of drying. traywarden log water ...".to_owned());
    }
    if config.beat.is_none() {
        spots.push(
            "Nobody is told when this machine loses power or the internet; a missing breakfast letter is a sign. \
             See \"guard\" and [beat]."
                .to_owned(),
        );
    }
    spots.into_iter().map(Point::Blind).collect()
}

/// By a sensor of the place itself, or of one around it.
fn is_measured(rules: &Rules, place: PlaceId, quantity: Quantity) -> bool {
    let here = |at: PlaceId| {
        rules.channels.iter().filter(|channel| channel.quantity == quantity).any(|channel| {
            let sensor = rules.sensor(channel.sensor);
            sensor.place == Some(at) && sensor.surface.is_none()
        })
    };
    let around = |at: &PlaceId| -> Option<PlaceId> {
        let place: &Place = rules.place(*at);
        place.inside
    };
    std::iter::successors(Some(place), around).any(here)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    #[test]
    fn what_nothing_measures_and_nobody_wrote_down_is_named() {
        let config = crate::config::parse(
            "[site]\nname = \"Saltmarsh Lane\"\ntime_zone = \"America/Chicago\"\n\
             [[place]]\nid = \"room\"\nname = \"Room\"\n[[place]]\nid = \"rack-a\"\nname = \"Rack A\"\ninside = \"room\"\n\
             [[sensor]]\nid = \"air\"\nplace = \"room\"\ntopic = \"loft/air\"\ntemperature = { unit = \"Cel\" }\n",
            "room.toml",
            Path::new("/"),
        )
        .unwrap_or_else(|problems| panic!("{problems}"));
        let spots = spots(&config, None);
        let formatted: Vec<&str> = spots
            .iter()
            .map(|spot| if let Point::Blind(formatted) = spot { formatted.as_str() } else { "no blind spot" })
            .collect();
        for begins in [
            "Nothing measures the humidity of Room.",
            "Nothing measures the humidity of Rack A.",
            "No gauge in a tank",
            "No probe on a wall",
            "No tray is in the journal",
            "Nobody is told when this machine",
        ] {
            assert!(formatted.iter().any(|formatted| formatted.starts_with(begins)), "{begins} in {formatted:?}");
        }
        assert!(
            !formatted.iter().any(|formatted| formatted.contains("temperature of Rack A")),
            "its room's thermometer serves"
        );
    }
}
