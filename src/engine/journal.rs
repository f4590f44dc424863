//! What the grower did: sow, uncover, water, harvest and the rest. The journal
//! decides which tray stands where in which stage; the engine folds it.
//!
//! An entry is kept as one JSON object: `{"did":"water","place":"rack-a","ml_per_tray":118}`.
//! What people may write instead is read above, in `typed`.

use crate::units::Timestamp;
use alloc::string::String;
use serde::{Deserialize, Serialize};

/// One line of the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// When it was done, if that differs from when we are told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Timestamp>,
    /// Who says so, in the grower's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// What was done.
    #[serde(flatten)]
    pub did: Did,
}

/// What can be done to trays, places and reservoirs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "did", rename_all = "kebab-case")]
pub enum Did {
    /// Seed on moist medium: the tray's clock starts.
    Sow(Sowing),
    /// The weight comes off, the cover stays: germination ends, blackout begins.
    Unweight(Target),
    /// The cover comes off and the tray goes under light.
    Uncover(Target),
    /// The tray goes under light (said of trays that were uncovered before).
    Light(Target),
    /// Water from below.
    Water {
        /// The trays meant: one, those of a place, or all.
        #[serde(flatten)]
        target: Target,
        /// Millilitres each tray got.
        #[serde(default, alias = "ml", skip_serializing_if = "Option::is_none")]
        ml_per_tray: Option<f64>,
    },
    /// Water from above, as a mist.
    Mist(Target),
    /// Water into the reservoir.
    Refill {
        /// The reservoir's id; may be left out where there is only one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reservoir: Option<String>,
        /// Litres added, if measured.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        litres: Option<f64>,
    },
    /// A tray changes place.
    Move {
        /// The tray, by the grower's name for it.
        tray: String,
        /// Where it stands now.
        place: String,
    },
    /// Somebody looked at it and saw nothing bad, or says what was seen.
    Look {
        /// The trays meant: one, those of a place, or all.
        #[serde(flatten)]
        target: Target,
        /// What was seen.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    },
    /// Cut.
    Harvest {
        /// The tray, by the grower's name for it.
        tray: String,
        /// Grams cut, of the whole tray entry (all its trays together).
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grams: Option<f64>,
        /// Grams cut from each tray, where that is what was weighed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grams_per_tray: Option<f64>,
        /// Taste and quality, in the grower's words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    },
    /// Thrown away. Its medium does not come back into the room.
    Discard {
        /// The tray, by the grower's name for it.
        tray: String,
        /// What it was lost to.
        #[serde(default)]
        reason: Loss,
        /// Share of the tray affected, in per cent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        share: Option<f64>,
        /// What was seen.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    },
    /// Anything else worth keeping.
    Note {
        /// The grower's words.
        text: String,
        /// The tray it is about.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        tray: Option<String>,
        /// Path of a photo.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        photo: Option<String>,
    },
    /// An earlier entry was wrong; it stays readable but counts no more.
    Strike {
        /// The number of the entry, as the `log` verb and the store show it.
        entry: i64,
        /// Why it was wrong.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    },
}

/// A new tray, or a lot of alike trays sown together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sowing {
    /// The grower's name for it, unique among trays that are still growing.
    pub tray: String,
    /// Where it stands.
    pub place: String,
    /// The crop's name in the crop table; for a blend see `blend`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crop: Option<String>,
    /// Several crops in one tray, by grams of seed each.
    #[serde(default, skip_serializing_if = "alloc::collections::BTreeMap::is_empty")]
    pub blend: alloc::collections::BTreeMap<String, f64>,
    /// How many trays were sown alike. One if not said.
    #[serde(default = "one")]
    pub count: u32,
    /// Grams of seed a tray, all kinds together.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seed_grams: Option<f64>,
    /// The seed lot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seed_lot: Option<String>,
    /// The growing medium.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub medium: Option<String>,
}

fn one() -> u32 {
    1
}

/// Which trays an entry is about: one tray, every tray of a place, or, with
/// neither, every tray of the site.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// One tray.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tray: Option<String>,
    /// Every tray that stands in this place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
}

/// Grams cut from a whole tray entry of `count` trays, whichever way they were told.
pub fn cut_in_all(grams: Option<f64>, grams_per_tray: Option<f64>, count: u32) -> Option<f64> {
    grams.or(grams_per_tray.map(|each| each * f64::from(count)))
}

/// Why a tray was thrown away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Loss {
    /// Mold.
    Mold,
    /// Seedlings fell over at the medium.
    DampingOff,
    /// Dried out.
    Dry,
    /// Came up uneven.
    Uneven,
    /// Something else, or not said.
    #[default]
    Other,
}

impl Loss {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Loss::Mold => "mold",
            Loss::DampingOff => "damping-off",
            Loss::Dry => "dry",
            Loss::Uneven => "uneven",
            Loss::Other => "other",
        }
    }
}
