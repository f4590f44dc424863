//! What the grower is answered when an entry of the journal was taken. Amounts of seed are
//! grams everywhere: scales for seed show them.

use super::speech::{count, list};
use crate::engine::event::EntryNote;
use crate::engine::letters::digest::Due;
use crate::engine::rules::Rules;
use crate::engine::watch::trays::tray::Stage;

/// Square centimetres in a square inch.
const SQUARE_CM: f64 = 6.4516;

/// One sentence, or two.
pub(super) fn note(note: &EntryNote, rules: &Rules) -> String {
    match note {
        EntryNote::SeedShares { each, trays } => shares(each, *trays),
        EntryNote::Plan { weight_off_day, light_day, harvest_from, harvest_to } => {
            let weight = weight_off_day.map_or(String::new(), |day| format!("weight off day {}, ", days(day)));
            let cut = if harvest_from == harvest_to {
                format!("about day {}", days(*harvest_from))
            } else {
                format!("day {} to {}", days(*harvest_from), days(*harvest_to))
            };
            format!("Plan: {weight}light day {}, cut {cut}.", days(*light_day))
        }
        EntryNote::BlendApart { step, first, first_day, last, last_day } => {
            let (what, remedy) = match step {
                Due::Harvest => ("cut", "Sow them in trays of their own, or cut when the first is ready."),
                Due::Light | Due::Unweight => ("uncovered", "The tray goes by the first."),
            };
            format!(
                "These kinds are apart: {first} is usually {what} from day {}, {last} from day {}, {} later. {remedy}",
                days(*first_day),
                days(*last_day),
                days_apart(last_day - first_day)
            )
        }
        EntryNote::Dense { per_square_inch, advised_from, advised_to } => format!(
            "About {per_square_inch:.0} seeds a square inch ({:.1} a cm²). Extension advises {advised_from:.0} to \
             {advised_to:.0}, for seedlings that stand apart and dry fast; the built-in amounts of seed are the trade's, \
             for a full mat, mostly two to three times that. Both are in use: denser means a wetter canopy.",
            per_square_inch / SQUARE_CM
        ),
        EntryNote::DoneBefore { tray, stage } => {
            let state = match stage {
                Stage::Light | Stage::Ready => "in light",
                Stage::Soak | Stage::Germination | Stage::Blackout => "without weight",
            };
            format!("{tray} was {state} already; the first time stands.")
        }
        // The entry may tell of another hour than this one.
        EntryNote::NoTrayThere { place: Some(place) } => {
            format!("At that time no tray stood in {}, so nothing changed.", named(rules, place))
        }
        EntryNote::NoTrayThere { place: None } => "At that time no tray was growing, so nothing changed.".to_owned(),
        EntryNote::FellWithIt { entries } => {
            let numbers: Vec<String> = entries.iter().map(i64::to_string).collect();
            format!(
                "{} made sense only after it and {} no more: {}.",
                count(entries.len() as i64, "later entry").replace("entrys", "entries"),
                if entries.len() == 1 { "counts" } else { "count" },
                list(&numbers, 20)
            )
        }
        EntryNote::UnknownCrop { crop } => format!(
            "\"{crop}\" is not in the crop table; it is watched as a usual small brassica. Add it as [[crop]] in the config."
        ),
        EntryNote::BandsClash { place, tray } => format!(
            "No air suits every tray in {}: {tray} wants it otherwise than the rest. The widest limits hold there now.",
            named(rules, place)
        ),
    }
}

/// The grower's name of a place.
fn named<'a>(rules: &'a Rules, id: &'a str) -> &'a str {
    rules.places.iter().find(|place| place.id == id).map_or(id, |place| &place.name)
}

/// "24 g a tray: 8 g broccoli, 8 g kale and 8 g radish; for 6 trays 144 g."
fn shares(each: &[(String, f64)], trays: u32) -> String {
    let total: f64 = each.iter().map(|(_, grams)| grams).sum();
    let kinds: Vec<String> = each.iter().map(|(kind, grams)| format!("{} g {kind}", days(*grams))).collect();
    let lot = match trays {
        1 => String::new(),
        many => format!("; for {many} trays {} g", days(total * f64::from(many))),
    };
    format!("{} g a tray: {}{lot}.", days(total), list(&kinds, 20))
}

fn days_apart(apart: f64) -> String {
    format!("{} {}", days(apart), if apart == 1.0 { "day" } else { "days" })
}

/// A number without a needless decimal.
fn days(number: f64) -> String {
    let shown = format!("{number:.1}");
    shown.strip_suffix(".0").map(str::to_owned).unwrap_or(shown)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_read_as_they_were_read_aloud() {
        let each = [("broccoli", 8.0), ("kale", 8.0), ("radish", 8.0)];
        let each: Vec<(String, f64)> = each.iter().map(|(kind, grams)| ((*kind).to_owned(), *grams)).collect();
        let apart = |step, first_day, last_day| EntryNote::BlendApart {
            step,
            first: "radish".into(),
            first_day,
            last: "kale".into(),
            last_day,
        };
        let notes = [
            EntryNote::SeedShares { each: each.clone(), trays: 6 },
            EntryNote::SeedShares { each, trays: 1 },
            EntryNote::Plan { weight_off_day: Some(3.0), light_day: 4.0, harvest_from: 9.0, harvest_to: 12.0 },
            EntryNote::Plan { weight_off_day: None, light_day: 4.5, harvest_from: 10.0, harvest_to: 10.0 },
            apart(Due::Harvest, 6.0, 10.0),
            apart(Due::Light, 4.0, 7.0),
            EntryNote::Dense { per_square_inch: 36.36, advised_from: 10.0, advised_to: 12.0 },
            EntryNote::DoneBefore { tray: "K12".into(), stage: Stage::Light },
            EntryNote::DoneBefore { tray: "K12".into(), stage: Stage::Blackout },
            EntryNote::NoTrayThere { place: Some("rack-b".into()) },
            EntryNote::NoTrayThere { place: None },
            EntryNote::FellWithIt { entries: vec![7] },
            EntryNote::FellWithIt { entries: vec![7, 9] },
            EntryNote::UnknownCrop { crop: "moon grass".into() },
            EntryNote::BandsClash { place: "rack-a".into(), tray: "K12".into() },
        ];
        let rules = super::super::sample_alarms::rules(crate::units::UnitSystem::Metric);
        let formatted: Vec<String> = notes.iter().map(|one| note(one, &rules)).collect();
        insta::assert_snapshot!(formatted.join("\n"));
    }
}
