//! Sowings: the figures a tray is judged by, and what the grower is told at once.

use crate::journal::rules;
use traywarden::engine::crop::Crop;
use traywarden::engine::event::EntryNote;
use traywarden::engine::letters::digest::Due;
use traywarden::engine::watch::trays::Trays;
use traywarden::journal::{Did, Entry, Sowing};
use traywarden::units::Timestamp;

fn sowing(blend: &[(&str, f64)], crop: Option<&str>, grams: Option<f64>) -> Sowing {
    Sowing {
        tray: "K1".into(),
        place: "rack-a".into(),
        crop: crop.map(str::to_owned),
        blend: blend.iter().map(|(kind, grams)| ((*kind).to_owned(), *grams)).collect(),
        count: 6,
        seed_grams: grams,
        seed_lot: None,
        medium: None,
    }
}

struct Sown {
    crop: String,
    figures: Crop,
    seed_grams: Option<f64>,
    notes: Vec<EntryNote>,
}

fn sown(sowing: &Sowing) -> Result<Sown, String> {
    let rules = rules();
    let mut trays = Trays::default();
    let entry = Entry { at: None, by: None, did: Did::Sow(sowing.clone()) };
    let (notes, _) = trays
        .take(&rules, Timestamp::UNIX_EPOCH, 1, &entry)
        .map_err(|why| traywarden::notify::wording::entry_refused(&why, traywarden::units::UnitSystem::Metric))?;
    let tray = trays.get("K1").expect("it grows");
    Ok(Sown { crop: tray.crop.clone(), figures: tray.figures.clone(), seed_grams: tray.seed_grams, notes })
}

#[test]
fn a_tray_of_common_practice_keeps_the_common_schedule() {
    // Common practice, no source: 24 g of small brassica seed, 8 g each of
    // three kinds, weight off about day 3, light about day 4, cut about day 11, about 424 g.
    let blend = [("broccoli", 8.0), ("kale", 8.0), ("red cabbage", 8.0)];
    let Sown { crop, figures, seed_grams, notes } = sown(&sowing(&blend, None, Some(24.0))).ok().unwrap();
    assert_eq!(crop, "broccoli + kale + red cabbage");
    assert_eq!(seed_grams, Some(24.0));
    assert_eq!((figures.weight_off_day, figures.light_day), (Some(3.0), 4.0));
    assert!((figures.harvest_day_from..=figures.harvest_day_to).contains(&11.0), "{figures:?}");
    assert!((figures.yield_grams_from..=figures.yield_grams_to).contains(&424.0), "{figures:?}");
    assert!(!notes.iter().any(|note| matches!(note, EntryNote::BlendApart { .. })), "{notes:?}");
    let broccoli = sown(&sowing(&[], Some("broccoli"), Some(24.0))).ok().unwrap().figures;
    assert!((broccoli.harvest_day_from..=broccoli.harvest_day_to).contains(&11.0));
    assert!((broccoli.yield_grams_from..=broccoli.yield_grams_to).contains(&424.0));
    assert!((broccoli.seed_grams_from..=broccoli.seed_grams_to).contains(&24.0));
}

#[test]
fn kinds_that_are_cut_more_than_a_day_apart_are_named_with_their_days() {
    let notes = sown(&sowing(&[("radish", 12.0), ("kale", 12.0)], None, None)).ok().unwrap().notes;
    let apart: Vec<&EntryNote> = notes.iter().filter(|note| matches!(note, EntryNote::BlendApart { .. })).collect();
    let wanted = EntryNote::BlendApart {
        step: Due::Harvest,
        first: "radish".into(),
        first_day: 6.0,
        last: "kale".into(),
        last_day: 10.0,
    };
    assert_eq!(apart, [&wanted]);
    let notes = sown(&sowing(&[("cilantro", 12.0), ("kale", 12.0)], None, None)).ok().unwrap().notes;
    let steps = notes.iter().filter_map(|note| match note {
        EntryNote::BlendApart { step, .. } => Some(*step),
        _ => None,
    });
    assert_eq!(steps.collect::<Vec<_>>(), [Due::Light, Due::Harvest]);
}

#[test]
fn twenty_four_grams_of_broccoli_are_36_seeds_a_square_inch() {
    // 24 g of brassica at 3.3 g a thousand is 36 seeds a square inch.
    let notes = sown(&sowing(&[], Some("broccoli"), Some(24.0))).ok().unwrap().notes;
    let Some(EntryNote::Dense { per_square_inch, advised_from, advised_to }) =
        notes.into_iter().find(|note| matches!(note, EntryNote::Dense { .. }))
    else {
        panic!("no word on density")
    };
    assert_eq!((per_square_inch.round(), advised_from, advised_to), (36.0, 10.0, 12.0));
    assert_eq!((per_square_inch / 6.4516 * 10.0).round() / 10.0, 5.6);
}

#[test]
fn density_is_silent_within_the_advice_and_where_anything_is_not_known() {
    let dense =
        |sowing: &Sowing| sown(sowing).ok().unwrap().notes.iter().any(|note| matches!(note, EntryNote::Dense { .. }));
    assert!(!dense(&sowing(&[], Some("broccoli"), Some(7.9))));
    assert!(!dense(&sowing(&[], Some("broccoli"), None)));
    assert!(!dense(&sowing(&[], Some("moon grass"), Some(500.0))));
    assert!(!dense(&sowing(&[("moon grass", 100.0), ("kale", 24.0)], None, None)));
    assert!(dense(&sowing(&[("broccoli", 12.0), ("kale", 12.0)], None, None)));
}

#[test]
fn a_sowing_that_contradicts_itself_or_slips_is_refused_with_the_remedy() {
    let why = |sowing: Sowing| sown(&sowing).err().unwrap_or_default();
    assert_eq!(
        why(sowing(&[], Some("brocolli"), None)),
        "There is no crop \"brocolli\"; did you mean broccoli? If it is another crop, add it as [[crop]] in the config."
    );
    assert_eq!(
        why(sowing(&[("kale", 8.0), ("radish", 8.0)], None, Some(24.0))),
        "The kinds of the blend add up to 16 g, but seed_grams says 24 g; correct one, or give shares, \
         such as blend=broccoli:2,kale:1 seed_grams=24."
    );
    assert!(why(sowing(&[("kale", 8.0)], Some("kale"), None)).contains("not both"));
    assert!(why(sowing(&[], None, None)).contains("blend=broccoli,kale,radish seed_grams=24"));
}

#[test]
fn a_blend_wants_air_that_all_its_kinds_bear() {
    // config/crops.toml: basil germinates at 22 to 27 °C, kale at 18 to 24 °C.
    let figures = sown(&sowing(&[("basil", 4.0), ("kale", 12.0)], None, None)).ok().unwrap().figures;
    assert_eq!((figures.germination_temperature_min, figures.germination_temperature_max), (22.0, 24.0));
    assert_eq!(figures.family, "brassica");
}
