//! The crop table: how long each crop stays covered, when it is cut, and what
//! air it bears. The figures live in config/crops.toml, each with its source;
//! `config::crops` reads them.

use alloc::collections::BTreeMap;
use alloc::string::String;
use alloc::vec;
use alloc::vec::Vec;

/// Crops by name.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CropTable {
    /// Crops by their names in the table.
    pub crops: BTreeMap<String, Crop>,
    /// Other names growers use, as [`spelled_alike`] writes them, to the name in `crops`.
    pub aliases: BTreeMap<String, String>,
}

/// One crop.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Crop {
    /// The name growers use.
    pub name: String,
    /// Day the weight comes off, counted from sowing; `None`: never under weight.
    pub weight_off_day: Option<f64>,
    /// Day it goes under light, counted from sowing.
    pub light_day: f64,
    /// First day it is usually cut, counted from sowing.
    pub harvest_day_from: f64,
    /// Last day it is usually cut, counted from sowing.
    pub harvest_day_to: f64,
    /// Grams of seed a standard tray, lowest usual.
    pub seed_grams_from: f64,
    /// Grams of seed a standard tray, highest usual.
    pub seed_grams_to: f64,
    /// Grams cut from a standard tray, lowest usual.
    pub yield_grams_from: f64,
    /// Grams cut from a standard tray, highest usual.
    pub yield_grams_to: f64,
    /// Lowest temperature while germinating, Celsius.
    pub germination_temperature_min: f64,
    /// Highest temperature while germinating, Celsius.
    pub germination_temperature_max: f64,
    /// Lowest temperature in light, Celsius.
    pub light_temperature_min: f64,
    /// Highest temperature in light, Celsius.
    pub light_temperature_max: f64,
    /// Lowest relative humidity in light, per cent.
    pub light_humidity_min: f64,
    /// Highest relative humidity in light, per cent.
    pub light_humidity_max: f64,
    /// Which disease model stands for it; see `engine::risk::mold`. One of [`FAMILIES`].
    pub family: String,
    /// Below this it is taken not to grow, Celsius; thermal time counts from here.
    pub base_temperature: f64,
    /// Grams that a thousand seeds weigh, if known.
    pub thousand_seeds_grams: Option<f64>,
    /// Seeds a square inch that extension advises, from and to, if known.
    pub seeds_per_square_inch: Option<(f64, f64)>,
}

/// The base temperature of a crop whose figures give none: 40 °F, the lowest soil in which
/// most cool-season vegetables come up (extension table, see config/crops.toml). Own default.
pub const BASE_TEMPERATURE: f64 = 4.4;

/// The words a crop's family may be.
pub const FAMILIES: [&str; 4] = ["brassica", "lettuce", "pea", "other"];

impl CropTable {
    /// The crop with this name, however it is capitalised or spaced, by its own
    /// name or by another that growers use ("tatsoi", "chard", "cress").
    pub fn find(&self, name: &str) -> Option<&Crop> {
        let wanted = spelled_alike(name);
        let by_name = || self.crops.values().find(|crop| spelled_alike(&crop.name) == wanted);
        let by_alias = || self.crops.get(self.aliases.get(&wanted)?);
        self.crops.get(name).or_else(by_name).or_else(by_alias)
    }

    /// The name or other name that looks most like this one, for "did you mean".
    pub fn closest(&self, name: &str) -> Option<&str> {
        let names = self.crops.keys().chain(self.aliases.keys()).map(String::as_str);
        closest_word(&spelled_alike(name), names)
    }
}

/// A name with capitals, hyphens, underscores and repeated spaces levelled, so
/// that "Pak-Choi" and "pak choi" are one name.
pub fn spelled_alike(name: &str) -> String {
    let levelled = name.to_lowercase().replace(['-', '_'], " ");
    levelled.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The word that looks most like `word`, if one is near enough to be a slip: at
/// most one edit in three letters. The first of equally near ones.
pub fn closest_word<'a>(word: &str, words: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word: Vec<char> = word.chars().take(LONGEST_WORD).collect();
    let allowed = (word.len() / 3).max(1);
    words
        .into_iter()
        .map(|candidate| (edits_between(&word, candidate), candidate))
        .filter(|(edits, _)| *edits <= allowed)
        .min_by_key(|(edits, _)| *edits)
        .map(|(_, candidate)| candidate)
}

/// Insertions, deletions, changes and swaps of neighbours that turn one word into
/// the other (optimal string alignment distance).
fn edits_between(word: &[char], other: &str) -> usize {
    let other: Vec<char> = other.chars().take(LONGEST_WORD).collect();
    let mut before: Vec<usize> = vec![0; other.len() + 1];
    let mut above: Vec<usize> = (0..=other.len()).collect();
    for row in 1..=word.len() {
        let mut current = vec![row; other.len() + 1];
        for column in 1..=other.len() {
            let same = word[row - 1] == other[column - 1];
            let changed = above[column - 1] + usize::from(!same);
            current[column] = changed.min(above[column] + 1).min(current[column - 1] + 1);
            let swapped =
                row > 1 && column > 1 && word[row - 1] == other[column - 2] && word[row - 2] == other[column - 1];
            if swapped {
                current[column] = current[column].min(before[column - 2] + 1);
            }
        }
        before = core::mem::replace(&mut above, current);
    }
    above[other.len()]
}

/// Longer words than this are no slips of one another; it bounds the work that a
/// message from outside can cause.
const LONGEST_WORD: usize = 64;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_word_and_nonsense_finds_none() {
        let words = ["brocoli", "broccoli", "radish", "pea shoots"];
        assert_eq!(closest_word("broccolli", words), Some("broccoli"));
        assert_eq!(closest_word("raddish", words), Some("radish"));
        assert_eq!(closest_word("raidsh", words), Some("radish"));
        assert_eq!(closest_word("wheatgrass", words), None);
        assert_eq!(closest_word("", words), None);
    }

    #[test]
    fn edits_count_insertions_changes_and_swaps() {
        let edits = |word: &str, other| edits_between(&word.chars().collect::<Vec<_>>(), other);
        assert_eq!(edits("topic", "topic"), 0);
        assert_eq!(edits("topc", "topic"), 1);
        assert_eq!(edits("tpoic", "topic"), 1);
        assert_eq!(edits("", "abc"), 3);
        assert_eq!(edits("kitten", "sitting"), 3);
    }
}
