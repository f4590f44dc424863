//! What the engine notices about a journal entry it took; words are made of it in `notify`.

use crate::watch::trays::tray::{Due, Stage};
use alloc::string::String;
use alloc::vec::Vec;

/// What the engine noticed about a journal entry it took.
#[derive(Clone, Debug, PartialEq)]
pub enum EntryNote {
    /// What was sown, in grams of seed: each kind of a blend, and how many trays.
    SeedShares {
        /// Kinds with the grams in one tray.
        each: Vec<(String, f64)>,
        /// How many trays.
        trays: u32,
    },
    /// The days on which it will want hands, counted from sowing.
    Plan {
        /// The weight comes off; `None`: never under weight.
        weight_off_day: Option<f64>,
        /// To the light.
        light_day: f64,
        /// First usual day to cut.
        harvest_from: f64,
        /// Last usual day to cut.
        harvest_to: f64,
    },
    /// The kinds of a blend are ready for light or harvest more than a day apart.
    BlendApart {
        /// To the light, or to be cut.
        step: Due,
        /// The kind that is ready first.
        first: String,
        /// Its day, counted from sowing.
        first_day: f64,
        /// The kind that is ready last.
        last: String,
        /// Its day, counted from sowing.
        last_day: f64,
    },
    /// The seed is sown denser than extension advises.
    Dense {
        /// Seeds a square inch.
        per_square_inch: f64,
        /// The least that is advised, seeds a square inch.
        advised_from: f64,
        /// The most that is advised, seeds a square inch.
        advised_to: f64,
    },
    /// The tray was brought into this stage before; the first time stands.
    DoneBefore {
        /// The tray, by the grower's name for it.
        tray: String,
        /// The stage it is in by the journal, or by its crop's plan.
        stage: Stage,
    },
    /// No tray stands there, so nothing changed.
    NoTrayThere {
        /// The place's id; `None`: the whole site.
        place: Option<String>,
    },
    /// Entries that only made sense after a struck one, and count no more either.
    FellWithIt {
        /// Their numbers.
        entries: Vec<i64>,
    },
    /// The crop is not in the table; it is taken for a usual small brassica.
    UnknownCrop {
        /// As the grower wrote it.
        crop: String,
    },
    /// Trays in different stages now share this place's air, and no humidity suits all.
    BandsClash {
        /// The place it is about, as the settings have it.
        place: String,
        /// The tray whose band clashes with the rest.
        tray: String,
    },
}
