//! What a sowing means: the figures a tray is judged by, for one crop or a blend, and what
//! the grower should know at once: the plan, the grams of each kind, kinds of a blend that
//! keep different time, seed denser than advised. It decides nothing about the tray.

use crate::crop::{BASE_TEMPERATURE, Crop, CropTable, closest_word, spelled_alike};
use crate::journal::Sowing;
use crate::watch::trays::notes::EntryNote;
use crate::watch::trays::refusal::EntryRefusal;
use crate::watch::trays::tray::Due;
use alloc::borrow::ToOwned;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

/// Kinds of one blend further apart than this are named. Own default.
const BLEND_APART_DAYS: f64 = 1.0;
/// A standard tray, 10 x 20 in: 200 square inches (common practice, no source).
const TRAY_SQUARE_INCHES: f64 = 200.0;
/// Grams of the kinds and their stated total may differ by so much: rounding on a scale.
const GRAMS_AGREE_WITHIN: f64 = 0.5;

/// What a sowing was found to be.
pub(super) struct Sown {
    /// The crop or blend as the grower says it.
    pub(super) crop: String,
    /// The figures it is judged by.
    pub(super) figures: Crop,
    /// Grams of seed a tray, if known.
    pub(super) seed_grams: Option<f64>,
    /// What the grower should know.
    pub(super) notes: Vec<EntryNote>,
}

/// Looks a sowing up in the crop table. A refusal changes nothing.
pub(super) fn look_up(crops: &CropTable, sowing: &Sowing) -> Result<Sown, EntryRefusal> {
    let mut notes = Vec::new();
    if let Some(name) = &sowing.crop {
        if !sowing.blend.is_empty() {
            return Err(EntryRefusal::CropAndBlend);
        }
        let figures = crop(crops, name, &mut notes)?;
        notes.insert(0, plan(&figures));
        notes.extend(sowing.seed_grams.and_then(|grams| density(&[(grams, &figures)])));
        return Ok(Sown { crop: name.clone(), figures, seed_grams: sowing.seed_grams, notes });
    }
    if sowing.blend.is_empty() {
        return Err(EntryRefusal::NoCrop);
    }
    let total: f64 = sowing.blend.values().sum();
    if let Some(given) = sowing.seed_grams.filter(|given| (given - total).abs() > GRAMS_AGREE_WITHIN) {
        return Err(EntryRefusal::BlendAndTotal { kinds: total, total: given });
    }
    let mut kinds = Vec::new();
    for (name, grams) in &sowing.blend {
        kinds.push((name.clone(), *grams, crop(crops, name, &mut notes)?));
    }
    let label = kinds.iter().map(|(name, ..)| name.as_str()).collect::<Vec<_>>().join(" + ");
    let figures = of_blend(&label, &kinds, total);
    let parts: Vec<(f64, &Crop)> = kinds.iter().map(|(_, grams, crop)| (*grams, crop)).collect();
    let each = sowing.blend.iter().map(|(name, grams)| (name.clone(), *grams)).collect();
    let mut reported = vec![EntryNote::SeedShares { each, trays: sowing.count }, plan(&figures)];
    reported.extend(apart(&kinds, Due::Light, |crop| crop.light_day));
    reported.extend(apart(&kinds, Due::Harvest, |crop| crop.harvest_day_from));
    reported.extend(notes);
    reported.extend(density(&parts));
    Ok(Sown { crop: label, figures, seed_grams: Some(total), notes: reported })
}

/// A crop by its name. One that looks like a slip of a known name is refused; one that
/// looks like none is taken as a usual small brassica, and that is said.
fn crop(crops: &CropTable, name: &str, notes: &mut Vec<EntryNote>) -> Result<Crop, EntryRefusal> {
    if let Some(crop) = crops.find(name) {
        return Ok(crop.clone());
    }
    if let Some(near) = crops.closest(name) {
        return Err(EntryRefusal::CropMistyped { crop: name.to_owned(), near: near.to_owned() });
    }
    notes.push(EntryNote::UnknownCrop { crop: name.to_owned() });
    Ok(usual(name))
}

fn plan(figures: &Crop) -> EntryNote {
    EntryNote::Plan {
        weight_off_day: figures.weight_off_day,
        light_day: figures.light_day,
        harvest_from: figures.harvest_day_from,
        harvest_to: figures.harvest_day_to,
    }
}

/// One schedule and one air for several kinds: uncovered when the first kind must be, cut
/// when the last is ready unless the first would be past its time by then; the air that
/// all bear; the disease model of the kind that makes most of the seed.
fn of_blend(label: &str, kinds: &[(String, f64, Crop)], total: f64) -> Crop {
    let lowest = |figure: fn(&Crop) -> f64| kinds.iter().map(|(.., crop)| figure(crop)).fold(f64::INFINITY, f64::min);
    let highest =
        |figure: fn(&Crop) -> f64| kinds.iter().map(|(.., crop)| figure(crop)).fold(f64::NEG_INFINITY, f64::max);
    let by_grams = |figure: fn(&Crop) -> f64| kinds.iter().map(|(_, grams, crop)| grams / total * figure(crop)).sum();
    let main = kinds.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map(|(.., crop)| crop.clone());
    let main = main.unwrap_or_else(|| usual(label));
    let harvest_day_to = lowest(|crop| crop.harvest_day_to);
    // Where no air suits all, the main kind's.
    let common = |low: f64, high: f64, main_low: f64, main_high: f64| {
        if low <= high { (low, high) } else { (main_low, main_high) }
    };
    let germination = common(
        highest(|crop| crop.germination_temperature_min),
        lowest(|crop| crop.germination_temperature_max),
        main.germination_temperature_min,
        main.germination_temperature_max,
    );
    let light = common(
        highest(|crop| crop.light_temperature_min),
        lowest(|crop| crop.light_temperature_max),
        main.light_temperature_min,
        main.light_temperature_max,
    );
    let humidity = common(
        highest(|crop| crop.light_humidity_min),
        lowest(|crop| crop.light_humidity_max),
        main.light_humidity_min,
        main.light_humidity_max,
    );
    let off_days = kinds.iter().filter_map(|(.., crop)| crop.weight_off_day);
    Crop {
        name: label.to_owned(),
        weight_off_day: main.weight_off_day.map(|day| off_days.fold(day, f64::min)),
        light_day: lowest(|crop| crop.light_day),
        harvest_day_from: highest(|crop| crop.harvest_day_from).min(harvest_day_to),
        harvest_day_to,
        seed_grams_from: by_grams(|crop| crop.seed_grams_from),
        seed_grams_to: by_grams(|crop| crop.seed_grams_to),
        yield_grams_from: by_grams(|crop| crop.yield_grams_from),
        yield_grams_to: by_grams(|crop| crop.yield_grams_to),
        germination_temperature_min: germination.0,
        germination_temperature_max: germination.1,
        light_temperature_min: light.0,
        light_temperature_max: light.1,
        light_humidity_min: humidity.0,
        light_humidity_max: humidity.1,
        ..main
    }
}

/// The kinds that are first and last at a step, if they are more than a day apart.
fn apart(kinds: &[(String, f64, Crop)], step: Due, day: fn(&Crop) -> f64) -> Option<EntryNote> {
    let first = kinds.iter().min_by(|a, b| day(&a.2).total_cmp(&day(&b.2)))?;
    let last = kinds.iter().max_by(|a, b| day(&a.2).total_cmp(&day(&b.2)))?;
    let (first_day, last_day) = (day(&first.2), day(&last.2));
    (last_day - first_day > BLEND_APART_DAYS).then(|| EntryNote::BlendApart {
        step,
        first: first.0.clone(),
        first_day,
        last: last.0.clone(),
        last_day,
    })
}

/// Seeds a square inch, if that is more than extension advises. Kinds without a weight or
/// advice leave it unsaid: half a count would mislead.
fn density(parts: &[(f64, &Crop)]) -> Option<EntryNote> {
    let mut seeds = 0.0;
    let (mut from, mut to) = (0.0, 0.0);
    for (grams, crop) in parts {
        let here = grams / crop.thousand_seeds_grams? * 1000.0 / TRAY_SQUARE_INCHES;
        let (low, high) = crop.seeds_per_square_inch?;
        seeds += here;
        from += here * low;
        to += here * high;
    }
    // Each kind's advice counts by its share of the seeds.
    let advised = (from / seeds, to / seeds);
    (seeds > advised.1).then_some(EntryNote::Dense {
        per_square_inch: seeds,
        advised_from: advised.0,
        advised_to: advised.1,
    })
}

/// What a crop that is not in the table is taken for: the small brassica of common
/// practice (no source), 24 g of seed, weight off on day 3, light on day 4, cut about day 11.
pub(crate) fn usual(name: &str) -> Crop {
    Crop {
        name: name.to_owned(),
        weight_off_day: Some(3.0),
        light_day: 4.0,
        harvest_day_from: 9.0,
        harvest_day_to: 14.0,
        seed_grams_from: 20.0,
        seed_grams_to: 26.0,
        yield_grams_from: 300.0,
        yield_grams_to: 450.0,
        germination_temperature_min: 18.0,
        germination_temperature_max: 24.0,
        light_temperature_min: 18.0,
        light_temperature_max: 24.0,
        light_humidity_min: 40.0,
        light_humidity_max: 60.0,
        family: "other".to_owned(),
        base_temperature: BASE_TEMPERATURE,
        thousand_seeds_grams: None,
        seeds_per_square_inch: None,
    }
}

/// The known name that is meant, where one is near enough.
pub(super) fn did_you_mean<'a>(name: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> Option<String> {
    let same = |other: &&str| spelled_alike(other) == spelled_alike(name);
    let alike = known.clone().into_iter().find(same).or_else(|| closest_word(name, known));
    alike.map(ToOwned::to_owned)
}

/// A tray for tests, with the figures of a usual small brassica.
#[cfg(test)]
pub(crate) fn sample(name: &str, crop: &str, sown_at: crate::units::Timestamp) -> crate::watch::trays::tray::Tray {
    crate::watch::trays::tray::Tray {
        name: name.into(),
        place: crate::rules::PlaceId(0),
        count: 1,
        sown_at,
        crop: crop.into(),
        figures: usual(crop),
        unweighted_at: None,
        light_at: None,
        watered_at: None,
        watered_ml: None,
        misted_at: None,
        looked_at: None,
        seed_grams: None,
    }
}
