//! One tray and the stage it is in. The stage follows what the grower logged; where
//! nothing was logged, the crop's plan. How entries change trays is told in `trays`.

use crate::crop::Crop;
use crate::float;
use crate::rules::PlaceId;
use crate::units::Timestamp;
use alloc::string::String;
use chrono::TimeDelta;
use serde::{Deserialize, Serialize};

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

/// What can be due for a tray.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Due {
    /// Take the weight off.
    Unweight,
    /// Take the cover off and bring it to the light.
    Light,
    /// Cut.
    Harvest,
}

impl Due {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Due::Unweight => "unweight",
            Due::Light => "light",
            Due::Harvest => "harvest",
        }
    }

    /// What [`Due::word`] gave.
    pub fn from_word(word: &str) -> Option<Due> {
        [Due::Unweight, Due::Light, Due::Harvest].into_iter().find(|due| due.word() == word)
    }
}

/// A covered tray this far past its plan, with nothing logged, is judged by the air of
/// the light stage too: more likely it was uncovered unlogged than forgotten. Own default.
const BELIEVED_UNCOVERED_AFTER: TimeDelta = TimeDelta::hours(24);
/// A stage is overdue this long after its plan (own default).
const COVERED_GRACE: TimeDelta = TimeDelta::hours(12);
/// A cut is overdue a day after the last usual day. Own default.
const HARVEST_GRACE: TimeDelta = TimeDelta::hours(24);

/// One tray, or a lot of alike trays sown together.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Tray {
    /// The grower's name for it.
    pub name: String,
    /// Where it stands.
    pub place: PlaceId,
    /// How many trays alike stand under this name.
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
    /// Millilitres of the last watering, if measured.
    pub watered_ml: Option<f64>,
    /// Last misting logged.
    pub misted_at: Option<Timestamp>,
    /// Last look or other handling logged.
    pub looked_at: Option<Timestamp>,
    /// Grams of seed a tray.
    pub seed_grams: Option<f64>,
}

impl Tray {
    fn plan(&self, days: f64) -> Timestamp {
        self.sown_at + TimeDelta::minutes(float::round(days * 24.0 * 60.0) as i64)
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

    /// The stage by which its draw of water is judged: a tray believed to be uncovered draws
    /// like one.
    pub(crate) fn draws_as(&self, at: Timestamp) -> Stage {
        match self.stage(at) {
            stage if stage.covered() && self.breathes_room_air(at) => Stage::Light,
            stage => stage,
        }
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

    /// When somebody last had a hand on it, by the log: sown, looked at, watered, misted,
    /// uncovered, weight taken off or moved.
    pub fn seen_at(&self) -> Timestamp {
        let logged = [self.unweighted_at, self.light_at, self.watered_at, self.misted_at, self.looked_at];
        logged.into_iter().flatten().fold(self.sown_at, Timestamp::max)
    }

    /// Under cover, where nobody sees it by the way, and no look logged within `look_within`:
    /// since when.
    pub fn unseen_since(&self, at: Timestamp, look_within: TimeDelta) -> Option<Timestamp> {
        (self.stage(at).covered() && at - self.seen_at() > look_within).then(|| self.seen_at())
    }

    /// Whole days since sowing.
    pub fn day(&self, at: Timestamp) -> i64 {
        (at - self.sown_at).num_days()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::trays::sowing::sample;

    #[test]
    fn what_is_due_is_found_again_by_its_word_in_a_store() {
        for (due, word) in [(Due::Unweight, "unweight"), (Due::Light, "light"), (Due::Harvest, "harvest")] {
            assert_eq!((due.word(), Due::from_word(word)), (word, Some(due)));
        }
        assert_eq!(Due::from_word("cut"), None);
    }

    #[test]
    fn a_covered_tray_is_named_until_anybody_handles_it() {
        let sown = Timestamp::UNIX_EPOCH;
        let after = |hours| sown + TimeDelta::hours(hours);
        let within = TimeDelta::hours(36);
        let mut tray = sample("K1", "broccoli", sown);
        assert_eq!(tray.unseen_since(after(36), within), None);
        assert_eq!(tray.unseen_since(after(37), within), Some(sown));
        tray.misted_at = Some(after(20));
        assert_eq!(tray.unseen_since(after(37), within), None);
        tray.unweighted_at = Some(after(30));
        assert_eq!(tray.unseen_since(after(67), within), Some(after(30)));
        tray.light_at = Some(after(60));
        assert_eq!(tray.unseen_since(after(200), within), None, "a tray in light is seen by who walks by");
    }
}
