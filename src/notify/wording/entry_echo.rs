//! What was understood of an entry or an answer, said back before anything else: whoever
//! typed it with wet hands sees at once whether it was what they meant.

use super::speech::Speech;
use crate::engine::event::Command;
use crate::engine::rules::Rules;
use crate::journal::{Did, Entry, Sowing, Target};
use crate::units::Timestamp;

/// "Cut A9: 3 lb, all 6 trays together." `trays`: how many the one tray meant stands for.
pub(super) fn entry(entry: &Entry, rules: &Rules, trays: Option<u32>) -> String {
    let units = rules.site.units;
    let noted = |note: &Option<String>| note.as_ref().map_or(String::new(), |note| format!(" Noted: {note}."));
    let formatted = match &entry.did {
        Did::Sow(sowing) => sown(sowing, rules),
        Did::Unweight(target) => format!("Weight off {}.", on(target, rules)),
        Did::Uncover(target) => format!("Uncovered {}.", on(target, rules)),
        Did::Light(target) => format!("Under light: {}.", on(target, rules)),
        Did::Water { target, ml_per_tray } => match ml_per_tray {
            Some(ml) => format!("Watered {}: {} a tray.", on(target, rules), units.pour(*ml)),
            None => format!("Watered {}, no amount given.", on(target, rules)),
        },
        Did::Mist(target) => format!("Misted {}.", on(target, rules)),
        Did::Refill { reservoir, litres } => {
            let tank = reservoir.as_ref().map_or("the tank".to_owned(), |id| tank_name(rules, id));
            match litres {
                Some(litres) => {
                    let (number, unit) = units.volume(*litres);
                    format!("Refilled {tank}: {} {unit}.", crate::units::tenths(number))
                }
                None => format!("Refilled {tank}, no amount given."),
            }
        }
        Did::Move { tray, place } => format!("{tray} stands in {} now.", place_name(rules, place)),
        Did::Look { target, note } => format!("Looked at {}.{}", on(target, rules), noted(note)),
        Did::Harvest { tray, grams, grams_per_tray, note } => {
            let weight = match (grams, grams_per_tray, trays.unwrap_or(1)) {
                (Some(grams), _, 1) => format!(": {}", units.weight(*grams)),
                (Some(grams), _, many) => format!(": {}, all {many} trays together", units.weight(*grams)),
                (None, Some(each), many) => format!(": {} from each of {many}", units.weight(*each)),
                (None, None, _) => ", not weighed".to_owned(),
            };
            format!("Cut {tray}{weight}.{}", noted(note))
        }
        Did::Discard { tray, reason, share, note } => {
            let share = share.map_or(String::new(), |share| format!(", {share:.0} % of it"));
            format!("Threw away {tray}: {}{share}.{}", reason.word(), noted(note))
        }
        Did::Note { text, tray, .. } => match tray {
            Some(tray) => format!("Noted of {tray}: {text}."),
            None => format!("Noted: {text}."),
        },
        Did::Strike { entry, .. } => format!("Entry {entry} counts no more."),
    };
    formatted.replace("..", ".")
}

/// "reservoir-low:tank is silent until 03:40 and comes back by itself."
pub(super) fn command(command: &Command, speech: &Speech<'_>) -> String {
    match command {
        Command::Acknowledge { alarm, .. } => format!("{} is seen; no more reminders.", alarm.id()),
        Command::Shelve { alarm, until, .. } => {
            format!("{} is silent until {} and comes back by itself.", alarm.id(), until_when(*until, speech))
        }
        Command::Unshelve { alarm, .. } => format!("{} speaks again.", alarm.id()),
        Command::OutOfService { alarm, .. } => {
            format!("{} is out of service until it is brought back; every digest says so.", alarm.id())
        }
    }
}

/// Always with the day when it is another one: "tomorrow 03:40".
fn until_when(until: Timestamp, speech: &Speech<'_>) -> String {
    speech.day_and_clock(until).trim_start_matches("today ").to_owned()
}

fn sown(sowing: &Sowing, rules: &Rules) -> String {
    let what = sowing.crop.clone().unwrap_or_else(|| {
        let kinds: Vec<&str> = sowing.blend.keys().map(String::as_str).collect();
        kinds.join(" + ")
    });
    let trays = if sowing.count == 1 { "1 tray".to_owned() } else { format!("{} trays", sowing.count) };
    let seed = sowing.seed_grams.filter(|_| sowing.blend.is_empty());
    let seed = seed.map_or(String::new(), |grams| format!(", {} g of seed each", crate::units::tenths(grams)));
    format!("Sown {} in {}: {what}, {trays}{seed}.", sowing.tray, place_name(rules, &sowing.place))
}

fn on(target: &Target, rules: &Rules) -> String {
    match (&target.tray, &target.place) {
        (Some(tray), _) => tray.clone(),
        (None, Some(place)) => place_name(rules, place),
        (None, None) => "all trays".to_owned(),
    }
}

fn place_name(rules: &Rules, id: &str) -> String {
    rules.places.iter().find(|place| place.id == id).map_or_else(|| id.to_owned(), |place| place.name.clone())
}

fn tank_name(rules: &Rules, id: &str) -> String {
    rules.reservoirs.iter().find(|tank| tank.id == id).map_or_else(|| id.to_owned(), |tank| tank.name.clone())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::alarm::AlarmKey;
    use crate::units::UnitSystem;
    use std::path::Path;

    fn rules(units: UnitSystem) -> Rules {
        let text = include_str!("../../../config/traywarden.toml");
        let mut rules = crate::config::parse(text, "room.toml", Path::new("/")).expect("the example is right").rules;
        rules.site.units = units;
        rules
    }

    #[test]
    fn what_was_understood_is_said_back_in_the_units_of_the_house() {
        let formatted = |text: &str, units, trays| {
            let taken = serde_json::from_str::<Entry>(text).expect(text);
            entry(&taken, &rules(units), trays)
        };
        let (us, metric) = (UnitSystem::Us, UnitSystem::Metric);
        for (text, units, trays, wanted) in [
            (
                r#"{"did":"water","place":"rack-a","ml_per_tray":118.294118}"#,
                us,
                None,
                "Watered Rack A: 4 fl oz a tray.",
            ),
            (r#"{"did":"water"}"#, us, None, "Watered all trays, no amount given."),
            (r#"{"did":"harvest","tray":"A9","grams":1360.77711}"#, us, Some(6), "Cut A9: 3 lb, all 6 trays together."),
            (r#"{"did":"harvest","tray":"A9","grams_per_tray":424}"#, metric, Some(6), "Cut A9: 424 g from each of 6."),
            (r#"{"did":"harvest","tray":"A9","note":"mild"}"#, metric, Some(1), "Cut A9, not weighed. Noted: mild."),
            (r#"{"did":"refill","litres":18.92705892}"#, us, None, "Refilled the tank: 5 gal."),
            (
                r#"{"did":"discard","tray":"A9","reason":"mold","share":30}"#,
                us,
                None,
                "Threw away A9: mold, 30 % of it.",
            ),
            (
                r#"{"did":"sow","tray":"A9","place":"rack-a","crop":"kale","count":6,"seed_grams":24}"#,
                us,
                None,
                "Sown A9 in Rack A: kale, 6 trays, 24 g of seed each.",
            ),
            (r#"{"did":"note","text":"fan moved."}"#, us, None, "Noted: fan moved."),
            (r#"{"did":"move","tray":"A9","place":"rack-a"}"#, us, None, "A9 stands in Rack A now."),
        ] {
            assert_eq!(formatted(text, units, trays), wanted);
        }
    }

    #[test]
    fn a_shelved_alarm_says_until_when() {
        let rules = rules(UnitSystem::Us);
        let at = |text: &str| text.parse::<Timestamp>().expect("a time");
        let speech = Speech::new(&rules.site, at("2026-03-03T04:10:00Z"));
        let alarm = AlarmKey::from_id("reservoir-low:tank").expect("an alarm");
        let shelve = |until| Command::Shelve { alarm: alarm.clone(), by: "Ada".into(), until };
        assert_eq!(
            command(&shelve(at("2026-03-03T05:40:00Z")), &speech),
            "reservoir-low:tank is silent until 23:40 and comes back by itself."
        );
        assert_eq!(
            command(&shelve(at("2026-03-03T09:40:00Z")), &speech),
            "reservoir-low:tank is silent until tomorrow 03:40 and comes back by itself."
        );
    }
}
