//! How the reports say when something was, how long, and what was done: local time, the
//! grower's units, places by their names.

use crate::engine::rules::{Rules, Site};
use crate::journal::{Did, Loss, Target};
use crate::units::{Timestamp, tenths};

/// "Tue 3 Mar 06:00", where the year is plain from what stands around it.
pub(crate) fn local(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%a %-d %b %H:%M").to_string()
}

/// "Tue 3 Mar 2026 06:00".
pub(crate) fn dated(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%a %-d %b %Y %H:%M").to_string()
}

/// "2.5 h", "14 h", "3.1 days".
pub(crate) fn hours(hours: f64) -> String {
    if hours >= 48.0 {
        format!("{:.1} days", hours / 24.0)
    } else if hours >= 10.0 || hours.fract().abs() < 0.05 {
        format!("{hours:.0} h")
    } else {
        format!("{hours:.1} h")
    }
}

/// The same of a span.
pub(crate) fn between(from: Timestamp, until: Timestamp) -> String {
    hours((until - from).num_minutes() as f64 / 60.0)
}

/// Why a tray was lost.
pub(crate) fn loss(reason: Loss) -> &'static str {
    match reason {
        Loss::Mold => "mold",
        Loss::DampingOff => "damping-off",
        Loss::Dry => "dry",
        Loss::Uneven => "uneven",
        Loss::Other => "another reason",
    }
}

/// The grower's name of a place or a reservoir; what has none is called by its id.
pub(crate) fn name_of(rules: &Rules, id: &str) -> String {
    let place = rules.places.iter().find(|place| place.id == id).map(|place| &place.name);
    let tank = rules.reservoirs.iter().find(|reservoir| reservoir.id == id).map(|reservoir| &reservoir.name);
    place.or(tank).map_or_else(|| id.to_owned(), Clone::clone)
}

/// What was done, where it is plain to what: "watered, 120 mL a tray".
pub(crate) fn done(rules: &Rules, did: &Did) -> String {
    let units = rules.site.units;
    let noted = |what: String, note: &Option<String>| match note {
        Some(note) => format!("{what}: {note}"),
        None => what,
    };
    match did {
        Did::Sow(_) => "sown".to_owned(),
        Did::Unweight(_) => "weight taken off".to_owned(),
        Did::Uncover(_) => "uncovered".to_owned(),
        Did::Light(_) => "put under light".to_owned(),
        Did::Water { ml_per_tray: Some(ml), .. } => format!("watered, {} a tray", units.pour(*ml)),
        Did::Water { ml_per_tray: None, .. } => "watered".to_owned(),
        Did::Mist(_) => "misted".to_owned(),
        Did::Refill { litres: Some(litres), .. } => {
            let (shown, unit) = units.volume(*litres);
            format!("refilled, {} {unit}", tenths(shown))
        }
        Did::Refill { litres: None, .. } => "refilled".to_owned(),
        Did::Move { place, .. } => format!("moved to {}", name_of(rules, place)),
        Did::Look { note, .. } => noted("looked at".to_owned(), note),
        Did::Harvest { grams, note, .. } => {
            noted(grams.map_or("cut".to_owned(), |grams| format!("cut, {}", units.weight(grams))), note)
        }
        Did::Discard { reason, note, .. } => noted(format!("thrown away, {}", loss(*reason)), note),
        Did::Note { text, .. } => format!("note: {text}"),
        Did::Strike { entry, .. } => format!("entry {entry} struck out"),
    }
}

/// What was done and to what: "Rack A watered, 120 mL a tray".
pub(crate) fn done_to(rules: &Rules, did: &Did) -> String {
    let on = |target: &Target| match (&target.tray, &target.place) {
        (Some(tray), _) => tray.clone(),
        (None, Some(place)) => name_of(rules, place),
        (None, None) => "all trays".to_owned(),
    };
    let what = match did {
        Did::Sow(sowing) => Some(sowing.tray.clone()),
        Did::Unweight(target)
        | Did::Uncover(target)
        | Did::Light(target)
        | Did::Mist(target)
        | Did::Water { target, .. }
        | Did::Look { target, .. } => Some(on(target)),
        Did::Move { tray, .. } | Did::Harvest { tray, .. } | Did::Discard { tray, .. } => Some(tray.clone()),
        Did::Refill { reservoir, .. } => {
            Some(reservoir.as_ref().map_or("the reservoir".to_owned(), |id| name_of(rules, id)))
        }
        Did::Note { tray, .. } => tray.clone(),
        Did::Strike { .. } => None,
    };
    what.map_or_else(|| done(rules, did), |what| format!("{what} {}", done(rules, did)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::sample::{at, journal, rules};
    use crate::units::UnitSystem;

    #[test]
    fn what_was_done_is_said_in_the_grower_s_names_and_units() {
        let lines = journal(&[
            ("2026-03-02 08:00", r#"{"did":"water","place":"rack-a","ml_per_tray":118.294}"#),
            ("2026-03-02 08:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
            ("2026-03-02 08:00", r#"{"did":"harvest","tray":"K1","grams":424,"note":"crisp"}"#),
            ("2026-03-02 08:00", r#"{"did":"discard","tray":"K1","reason":"damping-off"}"#),
            ("2026-03-02 08:00", r#"{"did":"refill"}"#),
            ("2026-03-02 08:00", r#"{"did":"refill","reservoir":"tank","litres":18.927059}"#),
            ("2026-03-02 08:00", r#"{"did":"note","text":"new fan"}"#),
        ]);
        let mut us = rules();
        us.site.units = UnitSystem::Us;
        let reported: Vec<String> = lines.iter().map(|line| done_to(&us, &line.entry.did)).collect();
        let words = [
            "Rack A watered, 4 fl oz a tray",
            "K1 moved to Rack B",
            "K1 cut, 15 oz: crisp",
            "K1 thrown away, damping-off",
            "the reservoir refilled",
            "tank refilled, 5 gal",
            "note: new fan",
        ];
        assert_eq!(reported, words);
        assert_eq!(done(&rules(), &lines[0].entry.did), "watered, 118 mL a tray");
    }

    #[test]
    fn times_are_local_and_hours_have_no_more_figures_than_they_are_worth() {
        let site = rules().site;
        assert_eq!(local(&site, at("2026-03-03 12:00")), "Tue 3 Mar 06:00");
        assert_eq!(dated(&site, at("2026-03-03 12:00")), "Tue 3 Mar 2026 06:00");
        let formatted = [0.0, 2.53, 13.7, 47.0, 75.0].map(hours);
        assert_eq!(formatted, ["0 h", "2.5 h", "14 h", "47 h", "3.1 days"]);
    }
}
