//! The people of the invented room: what they do on their rounds and when a
//! tray's day has come. What they do is entered in the journal, or forgotten.

use super::plan::{PlannedLot, TIME_ZONE};
use crate::journal::{Did, Sowing, Target};
use crate::random::SplitMix64;
use crate::units::Timestamp;
use chrono::{Days, NaiveTime, TimeDelta, TimeZone};

/// What somebody did at a moment.
#[derive(Clone, Debug)]
pub struct PlannedAction {
    /// When it was done.
    pub at: Timestamp,
    /// What was done.
    pub doing: Doing,
}

/// What somebody can do.
#[derive(Clone, Debug)]
pub enum Doing {
    /// Come in or go out: the door is open this long.
    Enter(TimeDelta),
    /// Something for the journal.
    Did(Did),
}

/// How the people work.
#[derive(Clone, Debug)]
pub struct Habits {
    /// They tell the journal.
    pub(super) keeps_journal: bool,
    /// They fill the tank to the rim in the morning, every so many days; 0: never in this story.
    pub(super) refill_every_days: i64,
    /// They fill it first on the morning of this day of the story, counted from 0.
    first_refill_day: i64,
    /// Trays they forget to uncover.
    pub forgotten: Vec<String>,
    /// They water and mist this place by hand as well; its leaves get wet.
    pub mists: Vec<String>,
    /// Whatever else they do.
    pub besides: Vec<PlannedAction>,
}

impl Default for Habits {
    fn default() -> Self {
        Habits {
            keeps_journal: true,
            refill_every_days: 2,
            first_refill_day: 1,
            forgotten: Vec::new(),
            mists: Vec::new(),
            besides: Vec::new(),
        }
    }
}

impl Habits {
    /// All they do from `from` until `ends_at`, in order. Trays change only from
    /// `starts_at` on: before it the lots already say how they came to stand.
    pub fn actions(
        &self,
        lots: &[PlannedLot],
        from: Timestamp,
        starts_at: Timestamp,
        ends_at: Timestamp,
        seed: u64,
    ) -> Vec<PlannedAction> {
        let mut random = SplitMix64::for_part(seed, "hands");
        let mut growing = lots.to_vec();
        let mut sown = 0;
        let mut actions = self.besides.clone();
        for (round, morning, day) in rounds(from, starts_at, ends_at) {
            let arrived = round + TimeDelta::seconds(random.between(90.0, 720.0) as i64);
            let mut people = People { at: arrived, actions: &mut actions };
            people.enter();
            if morning && self.refills_on(day) && arrived >= starts_at {
                people.does(Did::Refill { reservoir: Some("tank".into()), litres: None });
            }
            self.water_and_mist(&growing, &mut people);
            if morning && arrived >= starts_at {
                self.tend(&mut growing, &mut sown, &mut people);
                people.does(Did::Look { target: Target::default(), note: None });
            }
            people.enter();
        }
        actions.retain(|action| from <= action.at && action.at < ends_at);
        actions.sort_by_key(|action| action.at);
        actions
    }

    fn refills_on(&self, day: i64) -> bool {
        self.refill_every_days > 0
            && day >= self.first_refill_day
            && (day - self.first_refill_day) % self.refill_every_days == 0
    }

    fn water_and_mist(&self, growing: &[PlannedLot], people: &mut People) {
        let mut places: Vec<&str> =
            growing.iter().filter(|lot| lot.lit_at.is_some()).map(|l| l.place.as_str()).collect();
        places.sort_unstable();
        places.dedup();
        for lot in growing.iter().filter(|lot| lot.lit_at.is_none()) {
            people.does(Did::Mist(Target { tray: Some(lot.tray.clone()), place: None }));
        }
        for place in places {
            let target = Target { tray: None, place: Some(place.to_owned()) };
            people.does(Did::Water { target: target.clone(), ml_per_tray: Some(PUMP_ML_PER_TRAY) });
            if self.mists.iter().any(|misted| misted == place) {
                people.does(Did::Mist(target));
            }
        }
    }

    /// Weight off, cover off, cut and sown anew, each when its day has come.
    fn tend(&self, growing: &mut Vec<PlannedLot>, sown: &mut usize, people: &mut People) {
        let mut fresh = Vec::new();
        for lot in growing.iter_mut() {
            let days = (people.at - lot.sown_at).num_hours() as f64 / 24.0;
            let target = Target { tray: Some(lot.tray.clone()), place: None };
            if (2.6..3.6).contains(&days) {
                people.does(Did::Unweight(target));
            } else if days >= 3.6 && lot.lit_at.is_none() && !self.forgotten.contains(&lot.tray) {
                lot.lit_at = Some(people.at);
                people.does(Did::Uncover(target));
            } else if lot.lit_at.is_some() && days >= harvest_day(&lot.crop) - 0.4 {
                let grams = Some(f64::from(lot.count) * 410.0);
                people.does(Did::Harvest { tray: lot.tray.clone(), grams, grams_per_tray: None, note: None });
                *sown += 1;
                fresh.push(PlannedLot { tray: format!("N{sown:02}"), sown_at: people.at, lit_at: None, ..lot.clone() });
            }
        }
        growing.retain(|lot| {
            lot.lit_at.is_none() || (people.at - lot.sown_at).num_hours() as f64 / 24.0 < harvest_day(&lot.crop) - 0.4
        });
        for lot in fresh {
            people.does(sowing(&lot.tray, &lot.place, &lot.crop, lot.count));
            growing.push(lot);
        }
    }
}

/// The entry of a sowing, with seed of the usual weight for a dense tray.
pub fn sowing(tray: &str, place: &str, crop: &str, count: u32) -> Did {
    Did::Sow(Sowing {
        tray: tray.to_owned(),
        place: place.to_owned(),
        crop: Some(crop.to_owned()),
        blend: Default::default(),
        count,
        seed_grams: Some(if crop == "radish" { 30.0 } else { 24.0 }),
        seed_lot: None,
        medium: Some("peat".into()),
    })
}

/// The day these people cut a crop; common practice, no source.
pub fn harvest_day(crop: &str) -> f64 {
    match crop {
        "radish" => 8.0,
        "kale" => 12.0,
        _ => 10.0,
    }
}

struct People<'a> {
    at: Timestamp,
    actions: &'a mut Vec<PlannedAction>,
}

impl People<'_> {
    fn enter(&mut self) {
        self.actions.push(PlannedAction { at: self.at, doing: Doing::Enter(TimeDelta::seconds(60)) });
        self.at += TimeDelta::seconds(75);
    }

    fn does(&mut self, did: Did) {
        self.actions.push(PlannedAction { at: self.at, doing: Doing::Did(did) });
        self.at += TimeDelta::seconds(50);
    }
}

/// The rounds at 07:00 and 19:00 local time: when, whether in the morning, and
/// the day of the story.
fn rounds(from: Timestamp, starts_at: Timestamp, ends_at: Timestamp) -> Vec<(Timestamp, bool, i64)> {
    let first = starts_at.with_timezone(&TIME_ZONE).date_naive();
    let mut date = from.with_timezone(&TIME_ZONE).date_naive();
    let mut found = Vec::new();
    while let Some(midnight) = TIME_ZONE.from_local_datetime(&date.and_time(NaiveTime::MIN)).earliest() {
        if midnight > ends_at {
            break;
        }
        for hour in [7, 19] {
            // Neither hour is ever skipped or doubled in this zone.
            let local = date.and_hms_opt(hour, 0, 0).and_then(|local| TIME_ZONE.from_local_datetime(&local).earliest());
            found.extend(local.map(|local| (local.to_utc(), hour == 7, (date - first).num_days())));
        }
        let Some(next) = date.checked_add_days(Days::new(1)) else { break };
        date = next;
    }
    found
}

/// The pump gives half of what a tray uses in half a day; the rest wicks up
/// between. Own default, in balance with the room's transpiration.
const PUMP_ML_PER_TRAY: f64 = 60.0;
