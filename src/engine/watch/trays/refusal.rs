//! Why a journal entry was not taken; words are made of it in `notify`.

use alloc::string::String;
use alloc::vec::Vec;

/// Why a journal entry was not taken. It changed nothing.
#[derive(Clone, Debug, PartialEq)]
pub enum EntryRefusal {
    /// There is no entry with this number that could be struck out.
    NotThereToStrike {
        /// The number that was to be struck.
        entry: i64,
    },
    /// A sowing without a name for its tray.
    NoName,
    /// A tray of this name is growing already.
    GrowingAlready {
        /// The name that is taken.
        tray: String,
    },
    /// A count of trays that cannot be.
    Count {
        /// As it was given.
        count: u32,
    },
    /// Grams of the whole entry and grams a tray, of which one is meant.
    GramsTwice,
    /// It would have been before the tray was sown.
    BeforeItWasSown {
        /// The tray, by the grower's name for it.
        tray: String,
    },
    /// The tray has left the room.
    Ended {
        /// The tray, by the grower's name for it.
        tray: String,
    },
    /// No tray of this name grows.
    NoSuchTray {
        /// The name as it was given.
        tray: String,
        /// The name that is meant, if one looks like it.
        near: Option<String>,
    },
    /// The settings have no place of this id.
    NoSuchPlace {
        /// The id as it was given.
        place: String,
        /// The id that is meant, if one looks like it.
        near: Option<String>,
        /// All there are.
        known: Vec<String>,
    },
    /// The settings have no reservoir of this id.
    NoSuchReservoir {
        /// The id as it was given.
        reservoir: String,
        /// The id that is meant, if one looks like it.
        near: Option<String>,
    },
    /// A crop that looks like a slip of a known one.
    CropMistyped {
        /// The crop as it was given.
        crop: String,
        /// The known one.
        near: String,
    },
    /// Neither a crop nor a blend.
    NoCrop,
    /// A crop and a blend.
    CropAndBlend,
    /// The kinds of a blend and the total disagree.
    BlendAndTotal {
        /// What the kinds add up to, grams.
        kinds: f64,
        /// The total as it was given, grams.
        total: f64,
    },
    /// Its time lies ahead.
    InTheFuture,
    /// Its time lies too far back.
    TooLongAgo {
        /// How many days back the entry lies.
        days: i64,
        /// Days the journal takes.
        most: i64,
    },
    /// An amount that is nothing, less than nothing, or no number.
    NotPositive {
        /// What it is an amount of.
        amount: Amount,
        /// As it was given.
        value: f64,
    },
    /// More than there can be.
    TooMuch {
        /// What it is an amount of.
        amount: Amount,
        /// As it was given.
        value: f64,
        /// The most that is taken.
        most: f64,
    },
}

/// What an entry gives an amount of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Amount {
    /// Millilitres for each tray.
    WaterForATray,
    /// Litres into a tank that holds so many.
    Refill {
        /// What the tank holds, litres.
        holds: f64,
    },
    /// Grams of seed for one tray.
    Seed,
    /// Grams cut of all the trays of an entry.
    Cut {
        /// How many they are.
        trays: u32,
    },
    /// Grams cut of each tray of an entry.
    CutOfEach {
        /// How many they are.
        trays: u32,
    },
    /// The share of a tray that was affected, per cent.
    Share,
}
