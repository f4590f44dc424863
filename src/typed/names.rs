//! Names as the room knows them: a phone capitalizes "rack-b", and a grower writes "k12" for
//! the tray K12. What is found in another spelling is put right before an entry is kept, so
//! that everything that later looks a tray up finds it.

use crate::engine::rules::Rules;
use crate::journal::{Did, Entry, Sowing, Target};

/// Puts the names in an entry into the spelling of the settings, and of the trays that grow.
/// A name that nothing has stays as it was written; the engine says what there is.
pub(crate) fn as_known(entry: &mut Entry, rules: &Rules, growing: &[&str]) {
    let places: Vec<(&str, &str)> = rules.places.iter().map(|place| (&*place.id, &*place.name)).collect();
    let tanks: Vec<(&str, &str)> = rules.reservoirs.iter().map(|tank| (&*tank.id, &*tank.name)).collect();
    let trays: Vec<(&str, &str)> = growing.iter().map(|name| (*name, *name)).collect();
    match &mut entry.did {
        Did::Sow(Sowing { tray, place, .. }) | Did::Move { tray, place } => {
            respell(tray, &trays);
            respell(place, &places);
        }
        Did::Unweight(target)
        | Did::Uncover(target)
        | Did::Light(target)
        | Did::Mist(target)
        | Did::Water { target, .. }
        | Did::Look { target, .. } => {
            let Target { tray, place } = target;
            tray.iter_mut().for_each(|tray| respell(tray, &trays));
            place.iter_mut().for_each(|place| respell(place, &places));
        }
        Did::Refill { reservoir, .. } => reservoir.iter_mut().for_each(|tank| respell(tank, &tanks)),
        Did::Harvest { tray, .. } | Did::Discard { tray, .. } => respell(tray, &trays),
        Did::Note { tray, .. } => tray.iter_mut().for_each(|tray| respell(tray, &trays)),
        Did::Strike { .. } => {}
    }
}

/// `known`: ids with the names people call them by. An id as it is written is never changed.
fn respell(written: &mut String, known: &[(&str, &str)]) {
    let plain = level(written);
    if known.iter().any(|(id, _)| id == written) {
        return;
    }
    let mut alike = known.iter().filter(|(id, name)| level(id) == plain || level(name) == plain);
    if let (Some((id, _)), None) = (alike.next(), alike.next()) {
        *written = (*id).to_owned();
    }
}

/// Capitals, and hyphens or spaces between words, make no other name.
fn level(name: &str) -> String {
    name.trim().to_lowercase().replace([' ', '_'], "-")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn respelled(text: &str) -> String {
        let rules = crate::config::parse(include_str!("../../config/traywarden.toml"), "room.toml", Path::new("/"))
            .expect("the shipped example is right")
            .rules;
        let mut entry = crate::typed::object::from_json(text).expect(text);
        as_known(&mut entry, &rules, &["K12", "m-1", "M-1"]);
        serde_json::to_string(&entry).expect("it can be written")
    }

    #[test]
    fn names_are_known_in_any_case_and_ids_by_their_names() {
        for (written, known) in [
            (r#"{"did":"look","tray":"k12"}"#, r#"{"did":"look","tray":"K12"}"#),
            (r#"{"did":"water","place":"Rack-A"}"#, r#"{"did":"water","place":"rack-a"}"#),
            (r#"{"did":"mist","place":"Rack A"}"#, r#"{"did":"mist","place":"rack-a"}"#),
            (r#"{"did":"harvest","tray":" k12"}"#, r#"{"did":"harvest","tray":"K12"}"#),
            (r#"{"did":"move","tray":"k12","place":"RACK-A"}"#, r#"{"did":"move","tray":"K12","place":"rack-a"}"#),
            (r#"{"did":"refill","reservoir":"Tank"}"#, r#"{"did":"refill","reservoir":"tank"}"#),
            // Two trays that differ by case alone stay what they are.
            (r#"{"did":"look","tray":"m-1"}"#, r#"{"did":"look","tray":"m-1"}"#),
            (r#"{"did":"look","tray":"Z9"}"#, r#"{"did":"look","tray":"Z9"}"#),
        ] {
            assert_eq!(respelled(written), known, "{written}");
        }
    }
}
