//! Sowing: one form, and the arithmetic of a blend worked out before anything is written
//! down: grams of each kind, in a tray and in all, and when each kind wants hands.

use super::forms::{self, Fields, Units};
use super::round_sheet::Setting;
use crate::engine::crop::Crop;
use crate::engine::letters::snapshot::Snapshot;
use crate::engine::rules::Rules;
use crate::journal::{Did, Entry, Sowing};
use crate::typed::amount::Measure;
use crate::typed::blend;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// Kinds that a blend on the sheet may have.
const KINDS: usize = 4;
/// More trays than this are not sown at once. Own default.
const MOST_TRAYS: u32 = 200;

/// The sheet, filled in as it was sent, and with `reckon` the arithmetic below it.
pub(super) fn sow(setting: &Setting<'_>, snapshot: &Snapshot, fields: &Fields, reckon: bool) -> Markup {
    let rules = setting.rules;
    let units = Units(rules.site.units);
    let value = |name: &str| fields.get(name).unwrap_or_default().to_owned();
    let kinds: Vec<&str> = fields.all("kind").collect();
    let parts: Vec<&str> = fields.all("part").collect();
    let blended = kinds.iter().filter(|kind| !kind.is_empty()).count() > 1;
    html! {
        div.title { h1 { "Sow" } }
        form.fields.sowing method="post" action="/sow" data-tap {
            (setting.sealed("sow"))
            label { "Name of the tray, or of the lot"
                input name="tray" required maxlength="40" autocomplete="off" value=(value("tray")) placeholder=(next_name(snapshot));
            }
            label { "Where it stands"
                select name="place" {
                    @for place in &rules.places { option value=(place.id) selected[fields.get("place") == Some(&place.id)] { (place.name) } }
                }
            }
            label { "Trays sown alike"
                input name="count" inputmode="numeric" autocomplete="off" value=(fields.get("count").unwrap_or("1"));
            }
            fieldset {
                legend { "What is sown" }
                p.detail { "One kind, or a blend of several: its parts are shares of the seed, such as 2 and 1." }
                @for row in 0..KINDS {
                    div.kind {
                        label { span.unseen[row > 0] { "Kind" } span.unseen { (row + 1) }
                            input name="kind" list="crops" maxlength="40" autocomplete="off" value=(kinds.get(row).copied().unwrap_or_default());
                        }
                        label { span.unseen[row > 0] { "Parts" } span.unseen { " of kind " (row + 1) }
                            input name="part" inputmode="decimal" autocomplete="off" value=(parts.get(row).copied().unwrap_or_default());
                        }
                    }
                }
                datalist id="crops" { @for crop in rules.crops.crops.keys() { option value=(crop) {} } }
            }
            label { "Seed in one tray, all kinds together, " (units.weight().1)
                input name="seed" inputmode="decimal" autocomplete="off" value=(value("seed")) placeholder=[usual_seed(rules, units, &kinds)];
            }
            details id="sow-more" open[fields.get("medium").is_some() || fields.get("lot").is_some()] {
                summary { "Medium and seed lot" }
                label { "Medium" input name="medium" maxlength="60" autocomplete="off" value=(value("medium")); }
                label { "Seed lot" input name="lot" maxlength="60" autocomplete="off" value=(value("lot")); }
            }
            div.answer {
                button type="submit" name="reckon" value="yes" formaction="/reckon" formnovalidate { "Work it out" }
                button.seen type="submit" { "Sow it" }
            }
        }
        @if reckon {
            section.rack #reckoned aria-live="polite" {
                div.rack-head { h2 { @if blended { "The blend" } @else { "The seed" } } }
                @match sowing(fields, units) {
                    Ok(sowing) => (reckoned(rules, &sowing)),
                    Err(why) => p.late { (why) },
                }
            }
        }
    }
}

/// The entry that the form asks for.
///
/// # Errors
/// A sentence, where it is not filled in far enough.
pub(super) fn entry(fields: &Fields, units: Units, by: &str) -> Result<Entry, String> {
    let sowing = sowing(fields, units)?;
    if sowing.tray.is_empty() {
        return Err("The tray needs a name, such as K12.".to_owned());
    }
    Ok(Entry { at: None, by: Some(by.to_owned()), did: Did::Sow(sowing) })
}

fn sowing(fields: &Fields, units: Units) -> Result<Sowing, String> {
    let kinds: Vec<(&str, &str)> =
        fields.all("kind").zip(fields.all("part")).filter(|(kind, _)| !kind.is_empty()).collect();
    let seed = fields.get("seed").map(|seed| forms::measured(seed, units.weight(), Measure::Weight)).transpose()?;
    let count = fields.get("count").unwrap_or("1");
    let count: u32 = count
        .parse()
        .ok()
        .filter(|count| (1..=MOST_TRAYS).contains(count))
        .ok_or_else(|| format!("\"{count}\" is no number of trays; write one from 1 to {MOST_TRAYS}."))?;
    let (crop, blend) = match kinds.as_slice() {
        [] => return Err("Say what is sown: one kind, or several.".to_owned()),
        [(kind, _)] => (Some((*kind).to_owned()), BTreeMap::new()),
        several => {
            if seed.is_none() {
                return Err(format!(
                    "A blend needs the seed in one tray, all kinds together, such as {}.",
                    units.seed(24.0)
                ));
            }
            let mut parts = Vec::new();
            for (kind, part) in several {
                if kind.contains([',', '+', ':']) {
                    return Err(format!("\"{kind}\" is more than one kind; give each a row of its own."));
                }
                let part = if part.is_empty() { 1.0 } else { number(part, "parts")? };
                parts.push(format!("{kind}:{part}"));
            }
            (None, blend::grams(&parts.join(","), seed).map_err(|why| format!("That cannot be sown: {why}."))?)
        }
    };
    let said = |key: &str| fields.get(key).map(str::to_owned);
    Ok(Sowing {
        tray: said("tray").unwrap_or_default(),
        place: said("place").unwrap_or_default(),
        crop,
        blend,
        count,
        seed_grams: seed,
        seed_lot: said("lot"),
        medium: said("medium"),
    })
}

fn number(written: &str, what: &str) -> Result<f64, String> {
    let bare = written.trim_end_matches('g').trim().replace(',', ".");
    let number = bare.parse::<f64>().ok().filter(|number| number.is_finite() && *number > 0.0);
    number.ok_or_else(|| format!("\"{written}\" is no number of {what}; write one such as 24 or 2.5."))
}

fn reckoned(rules: &Rules, sowing: &Sowing) -> Markup {
    let each: Vec<(String, Option<f64>)> = match &sowing.crop {
        Some(crop) => vec![(crop.clone(), sowing.seed_grams)],
        None => sowing.blend.iter().map(|(kind, grams)| (kind.clone(), Some(*grams))).collect(),
    };
    let total: Option<f64> = each.iter().map(|(_, grams)| *grams).sum();
    let count = f64::from(sowing.count);
    let units = Units(rules.site.units);
    let grams = |grams: f64| units.seed(grams);
    let unknown: Vec<&str> =
        each.iter().filter(|(kind, _)| rules.crops.find(kind).is_none()).map(|(kind, _)| kind.as_str()).collect();
    html! {
        div.scrolls tabindex="0" {
            table {
                thead { tr { th scope="col" { "Kind" } th scope="col" { "A tray" } th scope="col" { "All " (sowing.count) } th scope="col" { "To the light" } th scope="col" { "To cut" } } }
                tbody {
                    @for (kind, amount) in &each {
                        tr {
                            th scope="row" { (kind) }
                            td { @match amount { Some(amount) => (grams(*amount)), None => (usual(rules.crops.find(kind), units)) } }
                            td { @if let Some(amount) = amount { (grams(amount * count)) } @else { "-" } }
                            @match rules.crops.find(kind) {
                                Some(crop) => { td { "day " (crop.light_day) } td { "day " (crop.harvest_day_from) " to " (crop.harvest_day_to) } },
                                None => { td { "-" } td { "-" } },
                            }
                        }
                    }
                    @if let Some(total) = total.filter(|_| each.len() > 1) {
                        tr { th scope="row" { "Together" } td { (grams(total)) } td { (grams(total * count)) } td {} td {} }
                    }
                }
            }
        }
        @if !unknown.is_empty() { p.detail { "Not in the table of crops, and taken for a usual small brassica: " (unknown.join(", ")) "." } }
        p.detail { "Days count from sowing. Nothing was written down yet." }
    }
}

fn usual(crop: Option<&Crop>, units: Units) -> String {
    crop.map_or("-".to_owned(), |crop| {
        format!("usually {}", units.seed_range(crop.seed_grams_from, crop.seed_grams_to))
    })
}

fn usual_seed(rules: &Rules, units: Units, kinds: &[&str]) -> Option<String> {
    Some(usual(Some(rules.crops.find(kinds.first()?)?), units))
}

/// A name like the last one, one further: "K13" after "K12".
fn next_name(snapshot: &Snapshot) -> String {
    let newest = snapshot.growing.iter().max_by_key(|tray| tray.sown_at);
    let Some(newest) = newest else { return "K1".to_owned() };
    let digits = newest.name.chars().rev().take_while(char::is_ascii_digit).count();
    let (word, number) = newest.name.split_at(newest.name.len() - digits);
    let mut number = number.parse::<u64>().unwrap_or(0);
    loop {
        number = number.saturating_add(1);
        let name = format!("{word}{number}");
        if number == u64::MAX || snapshot.growing.iter().all(|tray| tray.name != name) {
            return name;
        }
    }
}
