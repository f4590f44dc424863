//! All trays, as a fold over journal entries: what each entry changes, what is refused and
//! with which words, and how a struck entry is undone, by folding the rest again.

pub mod tray;
pub mod notes;
pub mod refusal;
pub mod harvests;
pub(crate) mod sowing;
pub mod thermal;
pub(crate) mod overdue;

use crate::journal::{Did, Entry, Loss, Sowing, Target, cut_in_all};
use crate::rules::{PlaceId, Rules};
use crate::units::Timestamp;
use crate::watch::trays::harvests::{Cut, ExpectedYield, Lost, expected};
use crate::watch::trays::notes::EntryNote;
use crate::watch::trays::refusal::{Amount, EntryRefusal};
use crate::watch::trays::sowing::did_you_mean;
use crate::watch::trays::tray::{Stage, Tray};
use alloc::borrow::ToOwned;
use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;
use chrono::TimeDelta;

/// Clocks of a button and of this machine may differ by so much. Own default.
const CLOCKS_DIFFER: TimeDelta = TimeDelta::minutes(5);
/// Further back than this is a slip in the year, not a memory. Own default.
const LONGEST_AGO: TimeDelta = TimeDelta::days(300);
/// More than any standard tray bears, takes or holds: grams cut, grams of seed (soaked peas
/// are sown at 280 g), millilitres of water (0.129 m² under 4 cm). Own defaults.
const MOST_GRAMS_CUT: f64 = 5_000.0;
const MOST_SEED_GRAMS: f64 = 2_000.0;
const MOST_WATER_ML: f64 = 5_000.0;
/// A refill cannot be more than the tank holds, with some spilt. Own default.
const REFILL_OF_CAPACITY: f64 = 1.2;

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
        /// The trays, by the grower's names for them.
        trays: Vec<String>,
    },
    /// Trays were watered from below.
    Water {
        /// The trays, by the grower's names for them.
        trays: Vec<String>,
        /// Millilitres each got.
        ml: Option<f64>,
    },
    /// Nothing that anybody else must know.
    Nothing,
}

/// All trays, and the entries they were folded from.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Trays {
    growing: BTreeMap<String, Tray>,
    ended: BTreeMap<String, Timestamp>,
    entries: Vec<(i64, Timestamp, Entry)>,
    cuts: Vec<Cut>,
    losses: Vec<Lost>,
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

    /// What was cut, in the order of telling.
    pub fn cuts(&self) -> &[Cut] {
        &self.cuts
    }

    /// What was thrown away, in the order of telling.
    pub fn losses(&self) -> &[Lost] {
        &self.losses
    }

    /// What a tray should give.
    pub fn expected(&self, tray: &Tray) -> ExpectedYield {
        expected(tray, &self.cuts)
    }

    /// The growing trays that an entry of this moment is about, by name. A refusal
    /// changes nothing.
    pub fn meant_by(&self, rules: &Rules, target: &Target, when: Timestamp) -> Result<Vec<String>, EntryRefusal> {
        if let Some(name) = &target.tray {
            self.one(name, when)?;
            return Ok(vec![name.clone()]);
        }
        let place = target.place.as_deref().map(|id| place_named(rules, id)).transpose()?;
        let here = |tray: &&Tray| place.is_none_or(|place| rules.lies_in(tray.place, place)) && when >= tray.sown_at;
        Ok(self.growing.values().filter(here).map(|tray| tray.name.clone()).collect())
    }

    /// Takes an entry in. A refusal changes nothing.
    pub fn take(
        &mut self,
        rules: &Rules,
        at: Timestamp,
        number: i64,
        entry: &Entry,
    ) -> Result<(Vec<EntryNote>, Logged), EntryRefusal> {
        if let Did::Strike { entry: struck, .. } = &entry.did {
            let fallen = self.strike(rules, *struck)?;
            let note = if fallen.is_empty() { Vec::new() } else { vec![EntryNote::FellWithIt { entries: fallen }] };
            return Ok((note, Logged::Nothing));
        }
        let taken = self.fold(rules, at, entry)?;
        self.entries.push((number, at, entry.clone()));
        Ok(taken)
    }

    /// A struck entry never happened: everything else is folded again without it. What only
    /// made sense after it falls with it, and is returned.
    fn strike(&mut self, rules: &Rules, struck: i64) -> Result<Vec<i64>, EntryRefusal> {
        if !self.entries.iter().any(|(number, ..)| *number == struck) {
            return Err(EntryRefusal::NotThereToStrike { entry: struck });
        }
        let kept: Vec<_> = self.entries.drain(..).filter(|(number, ..)| *number != struck).collect();
        let mut again = Trays::default();
        let mut fallen = Vec::new();
        for (number, at, entry) in kept {
            match again.fold(rules, at, &entry) {
                Ok(_) => again.entries.push((number, at, entry)),
                Err(_) => fallen.push(number),
            }
        }
        *self = again;
        Ok(fallen)
    }

    fn fold(&mut self, rules: &Rules, at: Timestamp, entry: &Entry) -> Result<(Vec<EntryNote>, Logged), EntryRefusal> {
        let when = moment(at, entry.at)?;
        let mut notes = Vec::new();
        let mut logged = Logged::Nothing;
        match &entry.did {
            Did::Sow(sowing) => notes = self.sow(rules, when, sowing)?,
            Did::Unweight(target) => {
                notes.extend(self.done_before(target, Stage::Blackout, |tray| tray.unweighted_at));
                let trays = self.each(rules, target, when, |tray| _ = tray.unweighted_at.get_or_insert(when))?;
                notes.extend(nobody(&trays, target));
            }
            Did::Uncover(target) | Did::Light(target) => {
                notes.extend(self.done_before(target, Stage::Light, |tray| tray.light_at));
                let trays = self.each(rules, target, when, |tray| _ = tray.light_at.get_or_insert(when))?;
                notes.extend(nobody(&trays, target));
            }
            Did::Water { target, ml_per_tray } => {
                at_most(Amount::WaterForATray, *ml_per_tray, MOST_WATER_ML)?;
                let trays = self.each(rules, target, when, |tray| {
                    if tray.watered_at.is_none_or(|before| before <= when) {
                        tray.watered_at = Some(when);
                        tray.watered_ml = ml_per_tray.or(tray.watered_ml);
                    }
                })?;
                notes.extend(nobody(&trays, target));
                logged = Logged::Water { trays, ml: *ml_per_tray };
            }
            Did::Mist(target) => {
                let trays = self.each(rules, target, when, |tray| tray.misted_at = tray.misted_at.max(Some(when)))?;
                notes.extend(nobody(&trays, target));
                logged = Logged::Mist { trays };
            }
            Did::Refill { reservoir, litres } => {
                refill(rules, reservoir.as_deref(), *litres)?;
                logged = Logged::Refill { reservoir: reservoir.clone() };
            }
            Did::Move { tray, place } => {
                let place = place_named(rules, place)?;
                let tray = self.one_to_change(tray, when)?;
                tray.place = place;
                tray.looked_at = tray.looked_at.max(Some(when));
            }
            Did::Look { target, .. } => {
                let trays = self.each(rules, target, when, |tray| tray.looked_at = tray.looked_at.max(Some(when)))?;
                notes.extend(nobody(&trays, target));
            }
            Did::Harvest { tray, grams, grams_per_tray, .. } => self.cut(at, when, tray, *grams, *grams_per_tray)?,
            Did::Discard { tray, share, reason, .. } => self.discard(when, tray, *share, *reason)?,
            Did::Note { tray, .. } => {
                if let Some(name) = tray.as_ref().filter(|name| !self.ended.contains_key(*name)) {
                    self.one(name, when)?;
                }
            }
            Did::Strike { .. } => {}
        }
        Ok((notes, logged))
    }

    fn sow(&mut self, rules: &Rules, when: Timestamp, sowing: &Sowing) -> Result<Vec<EntryNote>, EntryRefusal> {
        let place = place_named(rules, &sowing.place)?;
        if sowing.tray.trim().is_empty() {
            return Err(EntryRefusal::NoName);
        }
        if self.growing.contains_key(&sowing.tray) {
            return Err(EntryRefusal::GrowingAlready { tray: sowing.tray.clone() });
        }
        if !(1..=10_000).contains(&sowing.count) {
            return Err(EntryRefusal::Count { count: sowing.count });
        }
        for grams in sowing.blend.values().copied().map(Some).chain([sowing.seed_grams]) {
            at_most(Amount::Seed, grams, MOST_SEED_GRAMS)?;
        }
        let sown = sowing::look_up(&rules.crops, sowing)?;
        self.any_sown = true;
        self.ended.remove(&sowing.tray);
        self.growing.insert(
            sowing.tray.clone(),
            Tray {
                name: sowing.tray.clone(),
                place,
                count: sowing.count,
                sown_at: when,
                crop: sown.crop,
                figures: sown.figures,
                unweighted_at: None,
                light_at: None,
                watered_at: None,
                watered_ml: None,
                misted_at: None,
                looked_at: None,
                seed_grams: sown.seed_grams,
            },
        );
        Ok(sown.notes)
    }

    fn cut(
        &mut self,
        reported_at: Timestamp,
        when: Timestamp,
        name: &str,
        grams: Option<f64>,
        grams_per_tray: Option<f64>,
    ) -> Result<(), EntryRefusal> {
        let tray = self.one(name, when)?;
        let (crop, trays) = (tray.crop.clone(), tray.count);
        at_most(Amount::Cut { trays }, grams, MOST_GRAMS_CUT * f64::from(trays))?;
        at_most(Amount::CutOfEach { trays }, grams_per_tray, MOST_GRAMS_CUT)?;
        if grams.is_some() && grams_per_tray.is_some() {
            return Err(EntryRefusal::GramsTwice);
        }
        let grams = cut_in_all(grams, grams_per_tray, trays);
        self.cuts.push(Cut { tray: name.to_owned(), crop, trays, grams, at: when, reported_at });
        self.end(name, when);
        Ok(())
    }

    fn discard(&mut self, when: Timestamp, name: &str, share: Option<f64>, reason: Loss) -> Result<(), EntryRefusal> {
        at_most(Amount::Share, share, 100.0)?;
        let tray = self.one(name, when)?;
        let lost = Lost { tray: name.to_owned(), crop: tray.crop.clone(), trays: tray.count, reason, at: when };
        self.losses.push(lost);
        self.end(name, when);
        Ok(())
    }

    fn end(&mut self, tray: &str, when: Timestamp) {
        self.growing.remove(tray);
        self.ended.insert(tray.to_owned(), when);
    }

    /// A note if the one tray meant was brought into this stage before; the first time stands.
    fn done_before(
        &self,
        target: &Target,
        stage: Stage,
        before: impl Fn(&Tray) -> Option<Timestamp>,
    ) -> Option<EntryNote> {
        let tray = self.growing.get(target.tray.as_ref()?)?;
        before(tray).map(|_| EntryNote::DoneBefore { tray: tray.name.clone(), stage })
    }

    fn one(&self, name: &str, when: Timestamp) -> Result<&Tray, EntryRefusal> {
        match self.growing.get(name) {
            Some(tray) if when < tray.sown_at => Err(EntryRefusal::BeforeItWasSown { tray: name.to_owned() }),
            Some(tray) => Ok(tray),
            None => Err(self.ended_as(name).unwrap_or_else(|| self.no_such_tray(name))),
        }
    }

    /// That a tray is gone, also where its name was written in other capitals: a name that grows
    /// was put right before, one that has left the room is known here alone.
    fn ended_as(&self, name: &str) -> Option<EntryRefusal> {
        let plain = name.to_lowercase();
        let exact = self.ended.contains_key(name).then(|| name.to_owned());
        let tray = exact.or_else(|| self.ended.keys().find(|gone| gone.to_lowercase() == plain).cloned())?;
        Some(EntryRefusal::Ended { tray })
    }

    fn no_such_tray(&self, name: &str) -> EntryRefusal {
        let near = did_you_mean(name, self.growing.keys().map(String::as_str));
        EntryRefusal::NoSuchTray { tray: name.to_owned(), near }
    }

    fn one_to_change(&mut self, name: &str, when: Timestamp) -> Result<&mut Tray, EntryRefusal> {
        self.one(name, when)?;
        let missing = self.no_such_tray(name);
        self.growing.get_mut(name).ok_or(missing)
    }

    fn each(
        &mut self,
        rules: &Rules,
        target: &Target,
        when: Timestamp,
        mut change: impl FnMut(&mut Tray),
    ) -> Result<Vec<String>, EntryRefusal> {
        let names = self.meant_by(rules, target, when)?;
        for name in &names {
            self.growing.get_mut(name).map(&mut change);
        }
        Ok(names)
    }
}

/// When an entry was done, if that can be.
fn moment(reported_at: Timestamp, stated_at: Option<Timestamp>) -> Result<Timestamp, EntryRefusal> {
    let when = stated_at.unwrap_or(reported_at);
    if when > reported_at + CLOCKS_DIFFER {
        return Err(EntryRefusal::InTheFuture);
    }
    if reported_at - when > LONGEST_AGO {
        return Err(EntryRefusal::TooLongAgo { days: (reported_at - when).num_days(), most: LONGEST_AGO.num_days() });
    }
    Ok(when)
}

fn refill(rules: &Rules, reservoir: Option<&str>, litres: Option<f64>) -> Result<(), EntryRefusal> {
    let meant = match (reservoir, rules.reservoirs.as_slice()) {
        (Some(id), known) => match known.iter().find(|known| known.id == id) {
            Some(found) => Some(found),
            None => {
                let near = did_you_mean(id, known.iter().map(|known| known.id.as_str()));
                return Err(EntryRefusal::NoSuchReservoir { reservoir: id.to_owned(), near });
            }
        },
        (None, [only]) => Some(only),
        (None, _) => None,
    };
    let holds = meant.map_or(f64::INFINITY, |tank| tank.shape.capacity_litres());
    at_most(Amount::Refill { holds }, litres, holds * REFILL_OF_CAPACITY)
}

fn place_named(rules: &Rules, id: &str) -> Result<PlaceId, EntryRefusal> {
    rules.place_named(id).ok_or_else(|| {
        let known: Vec<String> = rules.places.iter().map(|place| place.id.clone()).collect();
        let near = did_you_mean(id, known.iter().map(String::as_str));
        EntryRefusal::NoSuchPlace { place: id.to_owned(), near, known }
    })
}

fn at_most(amount: Amount, value: Option<f64>, most: f64) -> Result<(), EntryRefusal> {
    match value {
        Some(value) if !value.is_finite() || value <= 0.0 => Err(EntryRefusal::NotPositive { amount, value }),
        Some(value) if value > most => Err(EntryRefusal::TooMuch { amount, value, most }),
        _ => Ok(()),
    }
}

/// A note if an entry about a place or the whole site found no tray there.
fn nobody(trays: &[String], target: &Target) -> Option<EntryNote> {
    trays.is_empty().then(|| EntryNote::NoTrayThere { place: target.place.clone() })
}
