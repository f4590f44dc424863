//! Reads crop tables: the one built into the program and the `[[crop]]` tables of
//! a grower's settings, which add crops or change single figures of known ones.
//! What the figures mean is told in `engine::crop`.

use super::amount::{air_humidity, air_temperature, number_between, text, truth};
use super::file::{Complaint, Findings, Item, ReadFigure, Table};
use super::problem::Problems;
use crate::engine::crop::{BASE_TEMPERATURE, Crop, CropTable, FAMILIES, spelled_alike};
use std::collections::BTreeMap;
use toml::de::DeTable;

/// The crop table that is built into the program.
pub fn built_in() -> CropTable {
    read_built_in(BUILT_IN).expect("config/crops.toml is part of the program, and a test reads it whole")
}

fn read_built_in(text: &str) -> Result<CropTable, Problems> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut findings = Findings::new(text);
    findings.not_toml(&errors);
    let mut root = Table::root(document.get_ref());
    let sources: BTreeMap<&str, &str> = root
        .table(&mut findings, "sources")
        .named()
        .into_iter()
        .filter_map(|(code, item)| Some((code, item.read(&mut findings, super::amount::text)?)))
        .collect();
    let mut crops = CropTable::default();
    add(&mut root, &mut findings, &mut crops, &Origin::BuiltIn(sources));
    root.finish(&mut findings);
    let problems = findings.into_problems();
    if problems.is_empty() { Ok(crops) } else { Err(Problems::new("config/crops.toml", problems)) }
}

/// Takes the `[[crop]]` tables of a grower's settings into `crops`.
pub(super) fn add_growers_own(root: &mut Table<'_>, findings: &mut Findings<'_>, crops: &mut CropTable) {
    add(root, findings, crops, &Origin::Grower);
}

/// Who wrote a table. A built-in figure must name a source, a grower's need not.
enum Origin<'s> {
    BuiltIn(BTreeMap<&'s str, &'s str>),
    Grower,
}

fn add(root: &mut Table<'_>, findings: &mut Findings<'_>, crops: &mut CropTable, origin: &Origin<'_>) {
    let mut named: Vec<(String, usize)> = Vec::new();
    for mut table in root.tables(findings, "crop") {
        let name = table.take("name");
        let name_read = name.as_ref().and_then(|item| item.read(findings, text));
        if name.is_none() {
            table.missing(findings, "name", "write the crop's name as you log it, for example name = \"radish\"");
        }
        if let (Some(item), Some(found)) = (&name, name_read) {
            let alike = spelled_alike(found);
            if let Some((_, line)) = named.iter().find(|(other, _)| *other == alike) {
                findings.refuse(item, Complaint::new(format!("this crop has a table already (line {line})")));
            }
            named.push((alike, findings.line_of(item)));
        }
        let like = table.take("like");
        let copied = like.as_ref().and_then(|item| like_crop(item, findings, crops));
        let known = name_read.and_then(|name| crops.find(name)).cloned();
        // `like` was written, so it wins over the figures the crop had before.
        let base = copied.or(known.clone());
        let crop = read_crop(&mut table, findings, base, like.is_some(), origin);
        let aliases = table.take("aliases");
        if let (Some(name), Some(mut crop)) = (name_read, crop) {
            let key = known.map_or(name.to_owned(), |known| known.name);
            crop.name.clone_from(&key);
            for item in aliases.iter().flat_map(Item::list) {
                if let Some(alias) = item.read(findings, text) {
                    crops.aliases.insert(spelled_alike(alias), key.clone());
                }
            }
            crops.crops.insert(key, crop);
        }
        table.finish(findings);
    }
}

fn like_crop(item: &Item<'_>, findings: &mut Findings<'_>, crops: &CropTable) -> Option<Crop> {
    let name = item.read(findings, text)?;
    let found = crops.find(name).cloned();
    if found.is_none() {
        let complaint = Complaint::new("no such crop in the built-in table or above this line");
        findings.refuse(item, complaint.did_you_mean(name, crops.crops.keys().map(String::as_str)));
    }
    found
}

/// The figures of one table, over those of `base`. `None`, with a finding,
/// when a figure is missing that neither gives.
fn read_crop(
    table: &mut Table<'_>,
    findings: &mut Findings<'_>,
    base: Option<Crop>,
    like_stands: bool,
    origin: &Origin<'_>,
) -> Option<Crop> {
    let family = table.optional(findings, "family", |value| {
        let word = text(value)?;
        let known = FAMILIES.contains(&word);
        known.then(|| word.to_owned()).ok_or_else(|| Complaint::new("no such family").did_you_mean(word, FAMILIES))
    });
    let weight = weight(table, findings, origin);
    let mut group = |key, ends: [&'static str; 2], read: &ReadFigure| pair(table, findings, origin, key, ends, read);
    let (days, grams) = (number_between(0.0, 365.0), number_between(0.1, 100_000.0));
    let harvest = group("harvest_day", ["from", "to"], &days);
    let seed = group("seed_grams", ["from", "to"], &grams);
    let cut = group("yield_grams", ["from", "to"], &grams);
    let germination = group("germination_temperature", ["min", "max"], &air_temperature);
    let temperature = group("light_temperature", ["min", "max"], &air_temperature);
    let humidity = group("light_humidity", ["min", "max"], &air_humidity);
    let density = group("seeds_per_square_inch", ["from", "to"], &number_between(0.1, 1000.0));
    let light = single(table, findings, origin, "light_day", "day", &days);
    let base_temperature = single(table, findings, origin, "base_temperature", "degrees", &air_temperature);
    let thousand_seeds =
        single(table, findings, origin, "thousand_seeds_grams", "grams", &number_between(0.01, 10_000.0));

    let old = base.as_ref();
    if old.is_none() {
        if like_stands {
            return None;
        }
        let groups = [
            ("family", family.is_some()),
            ("light_day", light.is_some()),
            ("harvest_day", harvest.is_some()),
            ("seed_grams", seed.is_some()),
            ("yield_grams", cut.is_some()),
            ("germination_temperature", germination.is_some()),
            ("light_temperature", temperature.is_some()),
            ("light_humidity", humidity.is_some()),
        ];
        let missing: Vec<&str> = groups.iter().filter(|(_, stands)| !stands).map(|(key, _)| *key).collect();
        if !missing.is_empty() {
            let hint = format!(
                "a new crop needs like = \"radish\" (a crop it resembles), or every figure; missing or wrong here: {}",
                missing.join(", ")
            );
            table.missing(findings, "like", &hint);
            return None;
        }
    }
    let crop = Crop {
        name: String::new(),
        weight_off_day: weight.unwrap_or_else(|| old.and_then(|old| old.weight_off_day)),
        light_day: light.or(old.map(|old| old.light_day))?,
        harvest_day_from: harvest.map(|pair| pair.0).or(old.map(|old| old.harvest_day_from))?,
        harvest_day_to: harvest.map(|pair| pair.1).or(old.map(|old| old.harvest_day_to))?,
        seed_grams_from: seed.map(|pair| pair.0).or(old.map(|old| old.seed_grams_from))?,
        seed_grams_to: seed.map(|pair| pair.1).or(old.map(|old| old.seed_grams_to))?,
        yield_grams_from: cut.map(|pair| pair.0).or(old.map(|old| old.yield_grams_from))?,
        yield_grams_to: cut.map(|pair| pair.1).or(old.map(|old| old.yield_grams_to))?,
        germination_temperature_min: germination
            .map(|pair| pair.0)
            .or(old.map(|old| old.germination_temperature_min))?,
        germination_temperature_max: germination
            .map(|pair| pair.1)
            .or(old.map(|old| old.germination_temperature_max))?,
        light_temperature_min: temperature.map(|pair| pair.0).or(old.map(|old| old.light_temperature_min))?,
        light_temperature_max: temperature.map(|pair| pair.1).or(old.map(|old| old.light_temperature_max))?,
        light_humidity_min: humidity.map(|pair| pair.0).or(old.map(|old| old.light_humidity_min))?,
        light_humidity_max: humidity.map(|pair| pair.1).or(old.map(|old| old.light_humidity_max))?,
        family: family.or(old.map(|old| old.family.clone()))?,
        base_temperature: base_temperature.or(old.map(|old| old.base_temperature)).unwrap_or(BASE_TEMPERATURE),
        thousand_seeds_grams: thousand_seeds.or(old.and_then(|old| old.thousand_seeds_grams)),
        seeds_per_square_inch: density.or(old.and_then(|old| old.seeds_per_square_inch)),
    };
    days_in_order(table, findings, &crop);
    Some(crop)
}

/// A group such as `{ from = 9, to = 12, source = "CP" }`.
fn pair(
    table: &mut Table<'_>,
    findings: &mut Findings<'_>,
    origin: &Origin<'_>,
    key: &'static str,
    ends: [&'static str; 2],
    read: &ReadFigure,
) -> Option<(f64, f64)> {
    let item = table.take(key)?;
    let mut group = item.table(findings);
    if !group.stands() {
        return None;
    }
    let hint = format!("write {key} = {{ {} = .., {} = .. }}", ends[0], ends[1]);
    let low = group.required(findings, ends[0], &hint, read);
    let high = group.required(findings, ends[1], &hint, read);
    source(&mut group, findings, origin);
    group.finish(findings);
    let (low, high) = (low?, high?);
    if low > high {
        findings.refuse(&item, Complaint::new(format!("{} is above {}", ends[0], ends[1])).hint("swap them"));
        return None;
    }
    Some((low, high))
}

/// `Some(None)`: said to be never under weight.
fn weight(table: &mut Table<'_>, findings: &mut Findings<'_>, origin: &Origin<'_>) -> Option<Option<f64>> {
    let item = table.take("weight")?;
    let mut group = item.table(findings);
    if !group.stands() {
        return None;
    }
    let under = group.optional(findings, "under", truth);
    let off_day = group.optional(findings, "off_day", number_between(0.0, 365.0));
    source(&mut group, findings, origin);
    group.finish(findings);
    match (under, off_day) {
        (Some(false), None) => Some(None),
        (None | Some(true), Some(day)) => Some(Some(day)),
        _ => {
            findings.refuse(
                &item,
                Complaint::new("either a day the weight comes off, or none at all")
                    .hint("write { off_day = 3 } or { under = false }"),
            );
            None
        }
    }
}

/// A group with one figure, such as `{ day = 4, source = "CP" }`.
fn single(
    table: &mut Table<'_>,
    findings: &mut Findings<'_>,
    origin: &Origin<'_>,
    key: &'static str,
    inner: &'static str,
    read: &ReadFigure,
) -> Option<f64> {
    let mut group = table.take(key)?.table(findings);
    if !group.stands() {
        return None;
    }
    let hint = if inner == "day" {
        "write light_day = { day = 4 }".to_owned()
    } else {
        format!("write {key} = {{ {inner} = .. }}")
    };
    let figure = group.required(findings, inner, &hint, read);
    source(&mut group, findings, origin);
    group.finish(findings);
    figure
}

/// The source of a group; several codes are joined by "+".
fn source(group: &mut Table<'_>, findings: &mut Findings<'_>, origin: &Origin<'_>) {
    match origin {
        Origin::Grower => {
            group.optional(findings, "source", text);
        }
        Origin::BuiltIn(sources) => {
            group.required(findings, "source", "every built-in figure names its source", |value| {
                let unknown = text(value)?.split('+').find(|code| !sources.contains_key(code));
                unknown.map_or(Ok(()), |code| Err(Complaint::new(format!("[sources] does not explain \"{code}\""))))
            });
        }
    }
}

fn days_in_order(table: &mut Table<'_>, findings: &mut Findings<'_>, crop: &Crop) {
    let late_weight = crop.weight_off_day.is_some_and(|day| day > crop.light_day);
    let checks = [
        ("weight", late_weight, "the weight comes off after the light begins"),
        ("light_day", crop.light_day > crop.harvest_day_from, "the light begins after the first day of harvest"),
    ];
    for (key, wrong, words) in checks {
        if wrong {
            let hint = format!(
                "weight off on day {}, light from day {}, harvest from day {}",
                crop.weight_off_day.unwrap_or(0.0),
                crop.light_day,
                crop.harvest_day_from
            );
            let complaint = Complaint::new(words).hint(hint);
            match table.take(key) {
                Some(item) => findings.refuse(&item, complaint),
                None => match table.take("harvest_day").or_else(|| table.take("light_day")) {
                    Some(item) => findings.refuse(&item, complaint),
                    None => table.missing(findings, key, words),
                },
            }
        }
    }
}

const BUILT_IN: &str = include_str!("../../config/crops.toml");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_built_in_crop_has_sane_figures_and_a_source_for_each() {
        let crops = read_built_in(BUILT_IN).unwrap_or_else(|problems| panic!("{problems}"));
        assert_eq!(crops.crops.len(), 22, "as many as science/ref/crops.csv has");
        for crop in crops.crops.values() {
            assert!(crop.light_day <= crop.harvest_day_from, "{crop:?}");
            assert!(crop.harvest_day_from <= crop.harvest_day_to, "{crop:?}");
            assert!(crop.seed_grams_from <= crop.seed_grams_to, "{crop:?}");
            // Like with like: the table's crops yield 1.4 to 40 grams a gram of seed.
            let ratios = [crop.yield_grams_from / crop.seed_grams_from, crop.yield_grams_to / crop.seed_grams_to];
            assert!(ratios.iter().all(|ratio| (1.4..=40.0).contains(ratio)), "{crop:?}: {ratios:?}");
        }
        let broccoli = crops.find("broccoli").expect("broccoli is in the table");
        // science/ref/crops.csv, row broccoli.
        assert_eq!(broccoli.weight_off_day, Some(3.0));
        assert_eq!((broccoli.light_day, broccoli.harvest_day_from, broccoli.harvest_day_to), (4.0, 9.0, 12.0));
        assert_eq!((broccoli.yield_grams_from, broccoli.yield_grams_to), (380.0, 450.0));
        assert_eq!(broccoli.family, "brassica");
        // The same row: TSW 3.3 g, 12 seeds a square inch; 4.4 C is 40 F, the extension table named SOIL.
        assert_eq!((broccoli.thousand_seeds_grams, broccoli.seeds_per_square_inch), (Some(3.3), Some((10.0, 12.0))));
        assert_eq!(broccoli.base_temperature, 4.4);
        assert!(crops.crops.values().all(|crop| crop.thousand_seeds_grams.is_some()), "a weight for every crop");
    }

    #[test]
    fn a_built_in_figure_without_a_source_is_refused() {
        let text = BUILT_IN.replacen("day = 4, source = \"CPG\"", "day = 4", 1);
        assert!(read_built_in(&text).is_err());
        let text = BUILT_IN.replacen("day = 4, source = \"CPG\"", "day = 4, source = \"XYZ\"", 1);
        assert!(read_built_in(&text).is_err());
    }

    #[test]
    fn crops_are_found_by_the_names_growers_use() {
        let crops = built_in();
        let name = |word: &str| crops.find(word).map(|crop| crop.name.as_str());
        for (word, crop) in [
            ("Pak Choi / Tatsoi", "pak choi"),
            ("tatsoi", "pak choi"),
            ("Bok-Choy", "pak choi"),
            ("sunflower", "sunflower"),
            ("Sunflower (in shell)", "sunflower"),
            ("pea", "pea shoots"),
            ("PEA_SHOOTS", "pea shoots"),
            ("cress", "garden cress"),
            ("chard", "swiss chard"),
            ("onion", "scallion"),
            ("coriander", "cilantro"),
            ("  red   cabbage ", "red cabbage"),
        ] {
            assert_eq!(name(word), Some(crop), "{word}");
        }
        assert_eq!(name("wheatgrass"), None);
        assert_eq!(crops.closest("brocolli"), Some("broccoli"));
        assert_eq!(crops.closest("zzzzzzzz"), None);
    }

    #[test]
    fn no_other_name_means_two_crops() {
        let crops = built_in();
        let written = BUILT_IN
            .lines()
            .filter(|line| line.starts_with("aliases"))
            .flat_map(|line| line.split('"').skip(1).step_by(2));
        assert_eq!(written.count(), crops.aliases.len());
        for alias in crops.aliases.keys() {
            assert!(!crops.crops.contains_key(alias), "{alias} is a crop of its own");
        }
    }
}
