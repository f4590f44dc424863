//! The people of a season: they sow, uncover, water, refill and cut on their rounds, with
//! the small differences every day has, and sometimes forget. Crops and days are common
//! practice, no source.

use chrono::{Days, NaiveDate, TimeDelta, TimeZone};
use traywarden::demo::people::{Action, Doing, sowing};
use traywarden::demo::random::SplitMix64;
use traywarden::demo::story::TIME_ZONE;
use traywarden::journal::{Did, Loss, Target};
use traywarden::units::Timestamp;

/// One tray's life, as it is planned.
#[derive(Clone, Debug)]
pub struct Life {
    pub tray: String,
    pub place: String,
    pub crop: String,
    pub count: u32,
    /// The morning of sowing.
    pub sown_on: NaiveDate,
    /// Mornings after sowing: to the light, and cut.
    pub light_day: u64,
    pub cut_day: u64,
    /// Grams cut from a tray, if all goes well.
    pub grams: f64,
    /// Thrown away on this morning after sowing instead of being cut.
    pub molded_on: Option<u64>,
}

/// What somebody forgets, or does though it is not good.
#[derive(Clone, Debug)]
pub enum Quirk {
    /// Nobody waters between these.
    NoWater(Timestamp, Timestamp),
    /// Nobody fills the tank between these.
    NoRefill(Timestamp, Timestamp),
    /// This tray is never uncovered.
    NeverUncovers(String),
    /// This tray is never cut.
    NeverCuts(String),
    /// This tray is misted at this local hour on these days after sowing.
    MistsLate { tray: String, hour: u32, minute: u32, days: std::ops::Range<u64> },
    /// Anything else, once.
    Besides(Timestamp, Did),
    /// Between these only a neighbour comes, in the evening.
    Holiday(Timestamp, Timestamp),
}

/// How they work.
#[derive(Clone, Debug)]
pub struct People {
    pub lives: Vec<Life>,
    /// Millilitres a tray on every round.
    pub water_ml: f64,
    /// The tank is filled every so many days.
    pub refill_every: i64,
    pub quirks: Vec<Quirk>,
    pub seed: u64,
}

impl People {
    /// Everything they do from one morning to another, in order.
    pub fn actions(&self, from: NaiveDate, until: NaiveDate) -> Vec<Action> {
        let mut chance = SplitMix64::for_part(self.seed, "people");
        let mut actions = Vec::new();
        let mut date = from;
        while date < until {
            for hour in [7, 19] {
                let late = TimeDelta::seconds(chance.between(60.0, 1500.0) as i64);
                let at = local(date, hour, 0) + late;
                if self.is_holiday(at) && hour == 7 {
                    continue;
                }
                self.round(&mut chance, &mut actions, at, date, hour == 7 || self.is_holiday(at));
            }
            date = date + Days::new(1);
        }
        for quirk in &self.quirks {
            if let Quirk::Besides(at, did) = quirk {
                actions.push(Action { at: *at, doing: Doing::Did(did.clone()) });
            }
            if let Quirk::MistsLate { tray, hour, minute, days } = quirk {
                let life = self.lives.iter().find(|life| life.tray == *tray).expect("a tray that lives");
                actions.extend(days.clone().map(|day| Action {
                    at: local(life.sown_on + Days::new(day), *hour, *minute),
                    doing: Doing::Did(Did::Mist(aimed(tray))),
                }));
            }
        }
        actions.sort_by_key(|action| action.at);
        actions
    }

    fn is_holiday(&self, at: Timestamp) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::Holiday(from, until) if *from <= at && at < *until))
    }

    fn round(
        &self,
        chance: &mut SplitMix64,
        actions: &mut Vec<Action>,
        start: Timestamp,
        date: NaiveDate,
        tending: bool,
    ) {
        let mut at = start;
        let mut does = |did: Did, chance: &mut SplitMix64| {
            actions.push(Action { at, doing: Doing::Did(did) });
            at += TimeDelta::seconds(chance.between(20.0, 60.0) as i64);
        };
        let morning = tending;
        let refills = date.signed_duration_since(NaiveDate::MIN).num_days() % self.refill_every == 0;
        if morning && refills && !self.no_refill(start) {
            does(Did::Refill { reservoir: Some("tank".into()), litres: None }, chance);
        }
        for life in &self.lives {
            let day = (date - life.sown_on).num_days();
            let ended = life.molded_on.unwrap_or(life.cut_day) as i64;
            if day < 0 || (day > ended && !self.never_cuts(&life.tray)) || (day == ended && !morning) {
                continue;
            }
            if day == 0 && morning {
                let Did::Sow(mut sown) = sowing(&life.tray, &life.place, &life.crop, life.count) else {
                    unreachable!()
                };
                sown.seed_lot = Some(format!("{}-1", life.crop));
                does(Did::Sow(sown), chance);
                continue;
            }
            let covered = day < life.light_day as i64 || self.never_uncovers(&life.tray);
            if morning && day == ended && !self.never_cuts(&life.tray) {
                does(self.ends(life, chance), chance);
            } else if morning && day == 3 {
                does(Did::Unweight(aimed(&life.tray)), chance);
                does(Did::Mist(aimed(&life.tray)), chance);
            } else if morning && day == life.light_day as i64 && !covered {
                does(Did::Uncover(aimed(&life.tray)), chance);
                does(self.waters(life, start, chance), chance);
            } else if covered {
                does(Did::Mist(aimed(&life.tray)), chance);
            } else if !self.no_water(start) {
                does(self.waters(life, start, chance), chance);
            }
        }
        if morning {
            does(Did::Look { target: Target::default(), note: None }, chance);
        }
        let stayed = at - start;
        actions.push(Action { at: start, doing: Doing::Enter(TimeDelta::seconds(60)) });
        actions.push(Action { at: start + stayed, doing: Doing::Enter(TimeDelta::seconds(60)) });
    }

    fn ends(&self, life: &Life, chance: &mut SplitMix64) -> Did {
        if life.molded_on.is_some() {
            let share = Some((chance.between(15.0, 60.0) / 5.0).round() * 5.0);
            let note = Some("grey threads between the stems".into());
            return Did::Discard { tray: life.tray.clone(), reason: Loss::Mold, share, note };
        }
        let grams = (life.grams * f64::from(life.count) * (1.0 + 0.05 * chance.bell())).round();
        Did::Harvest { tray: life.tray.clone(), grams: Some(grams), grams_per_tray: None, note: None }
    }

    fn waters(&self, life: &Life, at: Timestamp, chance: &mut SplitMix64) -> Did {
        // Who comes once a day gives a day's water.
        let times = if self.is_holiday(at) { 2.0 } else { 1.0 };
        let ml = (times * self.water_ml * chance.between(0.9, 1.1)).round();
        Did::Water { target: aimed(&life.tray), ml_per_tray: Some(ml) }
    }

    fn no_water(&self, at: Timestamp) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::NoWater(from, until) if *from <= at && at < *until))
    }

    fn no_refill(&self, at: Timestamp) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::NoRefill(from, until) if *from <= at && at < *until))
    }

    fn never_uncovers(&self, tray: &str) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::NeverUncovers(forgotten) if forgotten == tray))
    }

    fn never_cuts(&self, tray: &str) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::NeverCuts(forgotten) if forgotten == tray))
    }
}

fn aimed(tray: &str) -> Target {
    Target { tray: Some(tray.to_owned()), place: None }
}

/// A local time; the people are never up at an hour that summer time skips.
pub fn local(date: NaiveDate, hour: u32, minute: u32) -> Timestamp {
    let local = date.and_hms_opt(hour, minute, 0).expect("a time of day");
    TIME_ZONE.from_local_datetime(&local).earliest().expect("not skipped").to_utc()
}
