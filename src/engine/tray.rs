//! Trays and the stage each is in, folded from the journal. A tray's stage follows
//! what the grower logged; where nothing was logged, the crop's plan.

use super::crop::{Crop, CropTable};
use super::event::EntryNote;
use super::rules::{PlaceId, Rules};
use crate::journal::{Did, Entry, Sowing, Target};
use crate::units::Timestamp;
use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Where a tray is between sowing and cutting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Seed in water before sowing.
    Soak,
    /// Covered, under weight.
    Germination,
    /// Covered, no weight.
    Blackout,
    /// Under light.
    Light,
    /// Due to be cut.
    Ready,
}

impl Stage {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Soak => "soak",
            Stage::Germination => "germination",
            Stage::Blackout => "blackout",
            Stage::Light => "light",
            Stage::Ready => "ready",
        }
    }

    /// Under a cover, where the air is wet on purpose.
    pub fn covered(self) -> bool {
        matches!(self, Stage::Soak | Stage::Germination | Stage::Blackout)
    }
}

/// A covered tray this far past its plan, with nothing logged, is judged by the air of
/// the light stage too: more likely it was uncovered unlogged than forgotten. Own default.
const BELIEVED_UNCOVERED_AFTER: TimeDelta = TimeDelta::hours(24);
/// A stage is overdue this long after its plan (SCIENCE.md 3.5: plan + 12 h).
const COVERED_GRACE: TimeDelta = TimeDelta::hours(12);
/// A cut is overdue a day after the last usual day. Own default.
const HARVEST_GRACE: TimeDelta = TimeDelta::hours(24);
/// Kinds of one blend further apart than this are named. From the issue: one day.
const BLEND_APART_DAYS: f64 = 1.0;

/// One tray, or a lot of alike trays sown together.
#[derive(Clone, Debug, PartialEq)]
pub struct Tray {
    /// The grower's name for it.
    pub name: String,
    /// Where it stands.
    pub place: PlaceId,
    /// How many alike.
    pub count: u32,
    /// When it was sown.
    pub sown_at: Timestamp,
    /// The crop or blend, as the grower says it.
    pub crop: String,
    /// Which crop's figures it is judged by.
    pub figures: Crop,
    /// When the weight came off, if logged.
    pub unweighted_at: Option<Timestamp>,
    /// When it came to the light, if logged.
    pub light_at: Option<Timestamp>,
    /// Last watering logged.
    pub watered_at: Option<Timestamp>,
    /// Last look or other handling logged.
    pub looked_at: Option<Timestamp>,
    /// Grams of seed a tray.
    pub seed_grams: Option<f64>,
}

impl Tray {
    fn plan(&self, days: f64) -> Timestamp {
        self.sown_at + TimeDelta::minutes((days * 24.0 * 60.0).round() as i64)
    }

    /// When the weight should come off; `None` for crops that bear none.
    pub fn weight_off_at(&self) -> Option<Timestamp> {
        self.figures.weight_off_day.map(|day| self.plan(day))
    }

    /// When it should come to the light.
    pub fn light_due_at(&self) -> Timestamp {
        self.plan(self.figures.light_day)
    }

    /// First usual time to cut.
    pub fn harvest_from(&self) -> Timestamp {
        self.plan(self.figures.harvest_day_from)
    }

    /// Last usual time to cut.
    pub fn harvest_to(&self) -> Timestamp {
        self.plan(self.figures.harvest_day_to)
    }

    /// The stage it is in.
    pub fn stage(&self, at: Timestamp) -> Stage {
        if self.light_at.is_some() {
            if at >= self.harvest_from() { Stage::Ready } else { Stage::Light }
        } else if self.unweighted_at.is_some() || self.weight_off_at().is_none_or(|off| at >= off) {
            Stage::Blackout
        } else {
            Stage::Germination
        }
    }

    /// Its air is judged as that of a tray in light.
    pub fn breathes_room_air(&self, at: Timestamp) -> bool {
        !self.stage(at).covered() || at >= self.light_due_at() + BELIEVED_UNCOVERED_AFTER
    }

    /// When its stage should have ended, if it is overdue.
    pub fn overdue(&self, at: Timestamp) -> Option<Timestamp> {
        let (due, grace) = if self.stage(at).covered() {
            (self.light_due_at(), COVERED_GRACE)
        } else {
            (self.harvest_to(), HARVEST_GRACE)
        };
        (at >= due + grace).then_some(due)
    }

    /// Whole days since sowing.
    pub fn day(&self, at: Timestamp) -> i64 {
        (at - self.sown_at).num_days()
    }
}

/// A fact that the journal gave, for `tank` and others to act on.
#[derive(Clone, Debug, PartialEq)]
pub enum Logged {
    /// Water was poured into a reservoir.
    Refill {
        /// Its id, or nothing where there is only one.
        reservoir: Option<String>,
    },
    /// Leaves were wetted from above.
    Mist {
        /// The trays.
        trays: Vec<String>,
    },
    /// Trays were watered from below.
    Water {
        /// The trays.
        trays: Vec<String>,
        /// Millilitres each got.
        ml: Option<f64>,
    },
    /// Nothing that anybody else must know.
    Nothing,
}

/// All trays, and the entries they were folded from.
#[derive(Clone, Debug, Default)]
pub struct Trays {
    growing: BTreeMap<String, Tray>,
    ended: BTreeMap<String, Timestamp>,
    entries: Vec<(i64, Timestamp, Entry)>,
    any_sown: bool,
}

impl Trays {
    /// Trays that grow, by name.
    pub fn growing(&self) -> impl Iterator<Item = &Tray> {
        self.growing.values()
    }

    /// One growing tray.
    pub fn get(&self, name: &str) -> Option<&Tray> {
        self.growing.get(name)
    }

    /// The journal is in use: something was sown once.
    pub fn any_sown(&self) -> bool {
        self.any_sown
    }

    /// The growing trays that an entry of this moment is about, by name. A refusal is a
    /// sentence for the grower.
    pub fn meant_by(&self, rules: &Rules, target: &Target, when: Timestamp) -> Result<Vec<String>, String> {
        if let Some(name) = &target.tray {
            self.one(name, when)?;
            return Ok(vec![name.clone()]);
        }
        let place = target.place.as_deref().map(|id| place_named(rules, id)).transpose()?;
        let here = |tray: &&Tray| place.is_none_or(|place| lies_in(rules, tray.place, place)) && when >= tray.sown_at;
        Ok(self.growing.values().filter(here).map(|tray| tray.name.clone()).collect())
    }

    /// Takes an entry in. A refusal is a sentence for the grower and changes nothing.
    pub fn take(
        &mut self,
        rules: &Rules,
        at: Timestamp,
        number: i64,
        entry: &Entry,
    ) -> Result<(Vec<EntryNote>, Logged), String> {
        let told = if let Did::Strike { entry: struck, .. } = &entry.did {
            self.strike(rules, *struck)?;
            (Vec::new(), Logged::Nothing)
        } else {
            let told = self.fold(rules, at, entry)?;
            self.entries.push((number, at, entry.clone()));
            told
        };
        Ok(told)
    }

    /// A struck entry never happened: everything else is folded again without it.
    fn strike(&mut self, rules: &Rules, struck: i64) -> Result<(), String> {
        if !self.entries.iter().any(|(number, ..)| *number == struck) {
            return Err(format!("There is no entry {struck} in the journal that could be struck out."));
        }
        let kept: Vec<_> = self.entries.drain(..).filter(|(number, ..)| *number != struck).collect();
        let mut again = Trays::default();
        for (number, at, entry) in kept {
            // An entry that only made sense after the struck one falls with it.
            if again.fold(rules, at, &entry).is_ok() {
                again.entries.push((number, at, entry));
            }
        }
        *self = again;
        Ok(())
    }

    fn fold(&mut self, rules: &Rules, at: Timestamp, entry: &Entry) -> Result<(Vec<EntryNote>, Logged), String> {
        let when = entry.at.unwrap_or(at);
        if when > at + TimeDelta::minutes(5) {
            return Err("The time of the entry lies in the future.".to_owned());
        }
        let mut notes = Vec::new();
        let mut logged = Logged::Nothing;
        match &entry.did {
            Did::Sow(sowing) => notes = self.sow(rules, when, sowing)?,
            Did::Unweight(target) => {
                self.each(rules, target, when, |tray| tray.unweighted_at = Some(when))?;
            }
            Did::Uncover(target) | Did::Light(target) => {
                self.each(rules, target, when, |tray| {
                    tray.light_at.get_or_insert(when);
                    tray.looked_at = Some(when);
                })?;
            }
            Did::Water { target, ml_per_tray } => {
                positive("Millilitres a tray", *ml_per_tray)?;
                let trays = self.each(rules, target, when, |tray| tray.watered_at = tray.watered_at.max(Some(when)))?;
                logged = Logged::Water { trays, ml: *ml_per_tray };
            }
            Did::Mist(target) => {
                let trays = self.each(rules, target, when, |tray| tray.looked_at = tray.looked_at.max(Some(when)))?;
                logged = Logged::Mist { trays };
            }
            Did::Refill { reservoir, litres } => {
                positive("Litres", *litres)?;
                if let Some(id) = reservoir
                    && !rules.reservoirs.iter().any(|known| known.id == *id)
                {
                    return Err(format!("There is no reservoir called \"{id}\" in the config."));
                }
                logged = Logged::Refill { reservoir: reservoir.clone() };
            }
            Did::Move { tray, place } => {
                let place = place_named(rules, place)?;
                self.one_to_change(tray, when)?.place = place;
            }
            Did::Look { target, .. } => {
                self.each(rules, target, when, |tray| tray.looked_at = tray.looked_at.max(Some(when)))?;
            }
            Did::Harvest { tray, grams, .. } => {
                positive("Grams", *grams)?;
                self.one(tray, when)?;
                self.end(tray, when);
            }
            Did::Discard { tray, share, .. } => {
                positive("The share in per cent", *share)?;
                if share.is_some_and(|share| share > 100.0) {
                    return Err("The share of the tray affected cannot be more than 100 per cent.".to_owned());
                }
                self.one(tray, when)?;
                self.end(tray, when);
            }
            Did::Note { .. } | Did::Strike { .. } => {}
        }
        Ok((notes, logged))
    }

    fn sow(&mut self, rules: &Rules, when: Timestamp, sowing: &Sowing) -> Result<Vec<EntryNote>, String> {
        let place = place_named(rules, &sowing.place)?;
        if sowing.tray.trim().is_empty() {
            return Err("A tray needs a name.".to_owned());
        }
        if self.growing.contains_key(&sowing.tray) {
            return Err(format!(
                "A tray called \"{}\" is growing already; harvest or discard it first, or give this one another name.",
                sowing.tray
            ));
        }
        if !(1..=10_000).contains(&sowing.count) {
            return Err(format!("The count of trays must be between 1 and 10000, not {}.", sowing.count));
        }
        positive("Grams of seed", sowing.seed_grams)?;
        for grams in sowing.blend.values() {
            positive("Grams of seed", Some(*grams))?;
        }
        let (crop, figures, notes) = figures(&rules.crops, sowing)?;
        let seed_grams =
            sowing.seed_grams.or_else(|| (!sowing.blend.is_empty()).then(|| sowing.blend.values().sum::<f64>()));
        self.any_sown = true;
        self.ended.remove(&sowing.tray);
        self.growing.insert(
            sowing.tray.clone(),
            Tray {
                name: sowing.tray.clone(),
                place,
                count: sowing.count,
                sown_at: when,
                crop,
                figures,
                unweighted_at: None,
                light_at: None,
                watered_at: None,
                looked_at: None,
                seed_grams,
            },
        );
        Ok(notes)
    }

    fn end(&mut self, tray: &str, when: Timestamp) {
        self.growing.remove(tray);
        self.ended.insert(tray.to_owned(), when);
    }

    fn one(&self, name: &str, when: Timestamp) -> Result<&Tray, String> {
        match self.growing.get(name) {
            Some(tray) if when < tray.sown_at => {
                Err(format!("That would be before tray \"{name}\" was sown; check the time of the entry."))
            }
            Some(tray) => Ok(tray),
            None if self.ended.contains_key(name) => {
                Err(format!("Tray \"{name}\" has been harvested or discarded already."))
            }
            None => Err(no_such_tray(name)),
        }
    }

    fn one_to_change(&mut self, name: &str, when: Timestamp) -> Result<&mut Tray, String> {
        self.one(name, when)?;
        self.growing.get_mut(name).ok_or_else(|| no_such_tray(name))
    }

    fn each(
        &mut self,
        rules: &Rules,
        target: &Target,
        when: Timestamp,
        mut change: impl FnMut(&mut Tray),
    ) -> Result<Vec<String>, String> {
        let names = self.meant_by(rules, target, when)?;
        for name in &names {
            self.growing.get_mut(name).map(&mut change);
        }
        Ok(names)
    }
}

/// `inner` is `outer`, or lies inside it.
pub fn lies_in(rules: &Rules, inner: PlaceId, outer: PlaceId) -> bool {
    let mut place = inner;
    for _ in 0..=rules.places.len() {
        if place == outer {
            return true;
        }
        match rules.place(place).inside {
            Some(next) => place = next,
            None => return false,
        }
    }
    false
}

/// The figures a sowing is judged by: its crop's, or those of the kind that makes most
/// of the blend. A crop that is not in the table is taken as a usual small brassica.
fn figures(crops: &CropTable, sowing: &Sowing) -> Result<(String, Crop, Vec<EntryNote>), String> {
    let mut notes = Vec::new();
    let look_up = |name: &str, notes: &mut Vec<EntryNote>| {
        crops.find(name).cloned().unwrap_or_else(|| {
            notes.push(EntryNote::UnknownCrop { crop: name.to_owned() });
            usual(name)
        })
    };
    if let Some(name) = &sowing.crop {
        let crop = look_up(name, &mut notes);
        return Ok((name.clone(), crop, notes));
    }
    let Some((main, _)) = sowing.blend.iter().max_by(|a, b| a.1.total_cmp(b.1)) else {
        return Err("A sowing needs a crop, or a blend with grams of each kind.".to_owned());
    };
    let kinds: Vec<(String, Crop)> =
        sowing.blend.keys().map(|name| (name.clone(), look_up(name, &mut notes))).collect();
    let apart = |day: fn(&Crop) -> f64| {
        let days = kinds.iter().map(|(_, crop)| day(crop));
        days.clone().fold(f64::NEG_INFINITY, f64::max) - days.fold(f64::INFINITY, f64::min)
    };
    let (light, harvest) = (apart(|crop| crop.light_day), apart(|crop| crop.harvest_day_from));
    if light > BLEND_APART_DAYS || harvest > BLEND_APART_DAYS {
        let ready = |crop: &Crop| crop.light_day + crop.harvest_day_from;
        let first = kinds.iter().min_by(|a, b| ready(&a.1).total_cmp(&ready(&b.1)));
        let last = kinds.iter().max_by(|a, b| ready(&a.1).total_cmp(&ready(&b.1)));
        if let (Some((first, _)), Some((last, _))) = (first, last) {
            notes.push(EntryNote::BlendApart {
                first: first.clone(),
                last: last.clone(),
                light_days: light.round() as i64,
                harvest_days: harvest.round() as i64,
            });
        }
    }
    let label = kinds.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(" + ");
    let figures = kinds.iter().find(|(name, _)| name == main).map(|(_, crop)| crop.clone());
    Ok((label, figures.unwrap_or_else(|| usual(main)), notes))
}

fn place_named(rules: &Rules, id: &str) -> Result<PlaceId, String> {
    rules.place_named(id).ok_or_else(|| {
        let known = rules.places.iter().map(|place| place.id.as_str()).collect::<Vec<_>>().join(", ");
        format!("There is no place called \"{id}\" in the config; there are: {known}.")
    })
}

fn no_such_tray(name: &str) -> String {
    format!("There is no tray called \"{name}\"; sow it first.")
}

fn positive(what: &str, value: Option<f64>) -> Result<(), String> {
    match value {
        Some(value) if !value.is_finite() || value <= 0.0 => {
            Err(format!("{what} must be more than zero, not {value}."))
        }
        _ => Ok(()),
    }
}

/// What a crop that is not in the table is taken for: the small brassica of common
/// practice (no source), 24 g of seed, weight off on day 3, light on day 4, cut about day 11.
fn usual(name: &str) -> Crop {
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
    }
}
