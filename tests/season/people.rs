//! The people of a season: they sow, uncover, water, refill and cut on their rounds, with
//! the small differences every day has, and sometimes forget. Crops and days are common
//! practice, no source.

use crate::running::{Done, Typed};
use chrono::{Days, NaiveDate, TimeDelta, TimeZone};
use traywarden::demo::people::{Doing, sowing};
use traywarden::demo::plan::TIME_ZONE;
use traywarden::journal::{Did, Loss, Target};
use traywarden::random::SplitMix64;
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
    /// Once, and never typed.
    Untyped(Timestamp, Did),
    /// The door stands open.
    DoorOpen(Timestamp, TimeDelta),
    /// Rounds that begin between these are left out.
    LeavesOut(Timestamp, Timestamp),
    /// Rounds that begin between these begin so much later.
    ComesLate(Timestamp, Timestamp, TimeDelta),
    /// Nothing done between these is typed.
    TypesNothing(Timestamp, Timestamp),
    /// What is done between two times is typed at a third.
    TypesLater(Timestamp, Timestamp, Timestamp),
    /// This tray comes to the light, and nobody types it.
    NeverTypesUncovering(String),
}

/// How often the ordinary goes otherwise; a share of rounds or of entries, 0 to 1. Own
/// ranges, no source.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lapses {
    /// A round begins half an hour to two hours late.
    pub late: f64,
    /// A round is left out; the next does what it can of both.
    pub left_out: f64,
    /// A round is typed as a whole, some hours later.
    pub typed_late: f64,
    /// An entry that can be forgotten is never typed.
    pub never_typed: f64,
    /// A filling of the tank is never typed.
    pub filled_unannounced: f64,
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
    pub lapses: Lapses,
    pub seed: u64,
}

/// One round, planned or not.
#[derive(Clone, Copy, Debug)]
struct Round {
    start: Timestamp,
    date: NaiveDate,
    /// Trays are brought to the light, cut and sown on it.
    tending: bool,
    /// Rounds whose water it gives.
    waters_for: f64,
    /// When it is typed, if not at once.
    typed_at: Option<Timestamp>,
}

impl People {
    /// Everything they do from one morning to another, in order, and when they came.
    pub fn actions(&self, from: NaiveDate, until: NaiveDate) -> (Vec<Done>, Vec<Timestamp>) {
        let mut chance = SplitMix64::for_part(self.seed, "people");
        let mut lapse = SplitMix64::for_part(self.seed, "lapses");
        let mut actions = Vec::new();
        let mut came = Vec::new();
        let mut date = from;
        let mut left_out = false;
        while date < until {
            for hour in [7, 19] {
                let late = TimeDelta::seconds(chance.between(60.0, 1500.0) as i64);
                let mut start = local(date, hour, 0) + late;
                let holiday = self.is_holiday(start);
                let (lot, span) = (lapse.between(0.0, 1.0), lapse.between(0.0, 1.0));
                let typed_late = lapse.between(0.0, 1.0) < self.lapses.typed_late;
                let delay = TimeDelta::minutes(lapse.between(30.0, 540.0) as i64);
                if holiday && hour == 7 {
                    continue;
                }
                // Two in a row are not an ordinary lapse.
                let skips = self.skips(start) || (lot < self.lapses.left_out && !left_out && !holiday);
                if skips {
                    left_out = true;
                    continue;
                }
                if lot > 1.0 - self.lapses.late {
                    start += TimeDelta::minutes((30.0 + 90.0 * span) as i64);
                }
                if let Some(by) = self.comes_late(start) {
                    start += by;
                }
                let made_up = std::mem::take(&mut left_out);
                let round = Round {
                    start,
                    date,
                    tending: hour == 7 || holiday || made_up,
                    // Who comes once a day gives a day's water.
                    waters_for: if holiday || made_up { 2.0 } else { 1.0 },
                    // In any case before the next round is typed.
                    typed_at: typed_late.then(|| {
                        (start + TimeDelta::minutes(45) + delay).min(local(date, hour, 0) + TimeDelta::minutes(700))
                    }),
                };
                came.push(start);
                self.round(&mut chance, &mut lapse, &mut actions, round);
            }
            date = date + Days::new(1);
        }
        for quirk in &self.quirks {
            if let Quirk::Besides(at, did) = quirk {
                actions.push(Done { at: *at, doing: Doing::Did(did.clone()), typed: Typed::AtOnce });
            }
            if let Quirk::Untyped(at, did) = quirk {
                actions.push(Done { at: *at, doing: Doing::Did(did.clone()), typed: Typed::Never });
            }
            if let Quirk::DoorOpen(at, span) = quirk {
                actions.push(Done { at: *at, doing: Doing::Enter(*span), typed: Typed::Never });
            }
            if let Quirk::MistsLate { tray, hour, minute, days } = quirk {
                let life = self.lives.iter().find(|life| life.tray == *tray).expect("a tray that lives");
                actions.extend(days.clone().map(|day| Done {
                    at: local(life.sown_on + Days::new(day), *hour, *minute),
                    doing: Doing::Did(Did::Mist(aimed(tray))),
                    typed: Typed::AtOnce,
                }));
            }
        }
        actions.sort_by_key(|action| action.at);
        (actions, came)
    }

    fn skips(&self, at: Timestamp) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::LeavesOut(from, until) if *from <= at && at < *until))
    }

    fn comes_late(&self, at: Timestamp) -> Option<TimeDelta> {
        self.quirks.iter().find_map(|quirk| match quirk {
            Quirk::ComesLate(from, until, by) if *from <= at && at < *until => Some(*by),
            _ => None,
        })
    }

    /// What may stay untyped without the rest of a tray's life making no sense.
    fn typed(&self, did: &Did, round: &Round, at: Timestamp, lapse: &mut SplitMix64) -> Typed {
        let lot = lapse.between(0.0, 1.0);
        let never = match did {
            Did::Refill { .. } => lot < self.lapses.filled_unannounced,
            Did::Sow(_) | Did::Harvest { .. } | Did::Discard { .. } => false,
            _ => lot < self.lapses.never_typed,
        };
        let forgotten = self.quirks.iter().any(|quirk| match quirk {
            Quirk::TypesNothing(from, until) => *from <= at && at < *until,
            Quirk::NeverTypesUncovering(tray) => {
                matches!(did, Did::Uncover(target) if target.tray.as_ref() == Some(tray))
            }
            _ => false,
        });
        let later = self.quirks.iter().find_map(|quirk| match quirk {
            Quirk::TypesLater(from, until, typed_at) if *from <= at && at < *until => Some(*typed_at),
            _ => None,
        });
        match round.typed_at.or(later) {
            _ if never || forgotten => Typed::Never,
            Some(typed_at) => Typed::Later(typed_at),
            None => Typed::AtOnce,
        }
    }

    fn is_holiday(&self, at: Timestamp) -> bool {
        self.quirks.iter().any(|quirk| matches!(quirk, Quirk::Holiday(from, until) if *from <= at && at < *until))
    }

    fn round(&self, chance: &mut SplitMix64, lapse: &mut SplitMix64, actions: &mut Vec<Done>, round: Round) {
        let Round { start, date, tending: morning, .. } = round;
        let mut at = start;
        let mut does = |did: Did, chance: &mut SplitMix64| {
            let typed = self.typed(&did, &round, at, lapse);
            actions.push(Done { at, doing: Doing::Did(did), typed });
            at += TimeDelta::seconds(chance.between(20.0, 60.0) as i64);
        };
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
                does(self.waters(life, &round, chance), chance);
            } else if covered {
                does(Did::Mist(aimed(&life.tray)), chance);
            } else if !self.no_water(start) {
                does(self.waters(life, &round, chance), chance);
            }
        }
        if morning {
            does(Did::Look { target: Target::default(), note: None }, chance);
        }
        let stayed = at - start;
        for at in [start, start + stayed] {
            actions.push(Done { at, doing: Doing::Enter(TimeDelta::seconds(60)), typed: Typed::Never });
        }
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

    fn waters(&self, life: &Life, round: &Round, chance: &mut SplitMix64) -> Did {
        let ml = (round.waters_for * self.water_ml * chance.between(0.9, 1.1)).round();
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
