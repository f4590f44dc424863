//! What left the room: cuts with their grams, trays thrown away and why. From the grower's
//! own cuts comes what his next ones should give; where he has too few, the crop table's.

use crate::crop::spelled_alike;
use crate::journal::Loss;
use crate::units::Timestamp;
use crate::watch::trays::tray::Tray;
use alloc::string::String;
use alloc::vec::Vec;

/// Fewer own cuts of a crop than this say less than the crop table. Own default.
const OWN_CUTS: usize = 3;
/// Older cuts than the last so many are another season. Own default.
const LAST_CUTS: usize = 10;

/// A tray or lot that was cut.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Cut {
    /// The tray, by the grower's name for it.
    pub tray: String,
    /// The crop or blend.
    pub crop: String,
    /// How many trays of the lot were cut.
    pub trays: u32,
    /// Grams, all its trays together, if weighed.
    pub grams: Option<f64>,
    /// When it was cut.
    pub at: Timestamp,
    /// When we were told.
    pub reported_at: Timestamp,
}

/// A tray or lot that was thrown away.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Lost {
    /// The tray, by the grower's name for it.
    pub tray: String,
    /// The crop or blend.
    pub crop: String,
    /// How many trays of the lot were thrown away.
    pub trays: u32,
    /// What it was lost to.
    pub reason: Loss,
    /// When it was thrown away.
    pub at: Timestamp,
}

/// What a tray or lot should give, grams of the whole lot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ExpectedYield {
    /// Lowest.
    pub from: f64,
    /// Highest.
    pub to: f64,
    /// From how many own cuts; zero: the crop table's usual figures.
    pub own_cuts: usize,
}

/// What `tray` should give, from `cuts` in any order.
pub(super) fn expected(tray: &Tray, cuts: &[Cut]) -> ExpectedYield {
    let name = spelled_alike(&tray.crop);
    let mut own: Vec<(Timestamp, f64)> = cuts
        .iter()
        .filter(|cut| spelled_alike(&cut.crop) == name)
        .filter_map(|cut| Some((cut.at, cut.grams? / f64::from(cut.trays))))
        .collect();
    own.sort_by_key(|(at, _)| core::cmp::Reverse(*at));
    own.truncate(LAST_CUTS);
    let count = f64::from(tray.count);
    if own.len() < OWN_CUTS {
        let usual = &tray.figures;
        return ExpectedYield { from: usual.yield_grams_from * count, to: usual.yield_grams_to * count, own_cuts: 0 };
    }
    let grams = || own.iter().map(|(_, grams)| *grams);
    ExpectedYield {
        from: grams().fold(f64::INFINITY, f64::min) * count,
        to: grams().fold(0.0, f64::max) * count,
        own_cuts: own.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeDelta;

    fn cut(day: i64, crop: &str, grams: Option<f64>) -> Cut {
        let at = Timestamp::UNIX_EPOCH + TimeDelta::days(day);
        Cut { tray: format!("K{day}"), crop: crop.into(), trays: 2, grams, at, reported_at: at }
    }

    #[test]
    fn three_own_cuts_say_more_than_the_table_and_two_do_not() {
        let mut tray = crate::watch::trays::sowing::sample("K9", "broccoli", Timestamp::UNIX_EPOCH);
        tray.count = 4;
        let two = [cut(1, "broccoli", Some(800.0)), cut(2, "Broccoli", Some(900.0)), cut(3, "broccoli", None)];
        // The usual small brassica: 300 to 450 g a tray.
        assert_eq!(expected(&tray, &two), ExpectedYield { from: 1200.0, to: 1800.0, own_cuts: 0 });
        let three = [&two[..], &[cut(4, "broccoli", Some(840.0)), cut(5, "kale", Some(100.0))]].concat();
        assert_eq!(expected(&tray, &three), ExpectedYield { from: 1600.0, to: 1800.0, own_cuts: 3 });
    }

    #[test]
    fn cuts_of_another_season_count_no_more() {
        let tray = crate::watch::trays::sowing::sample("K9", "broccoli", Timestamp::UNIX_EPOCH);
        let mut cuts: Vec<Cut> = (1..=10).map(|day| cut(day, "broccoli", Some(800.0))).collect();
        cuts.push(cut(0, "broccoli", Some(100.0)));
        assert_eq!(expected(&tray, &cuts), ExpectedYield { from: 400.0, to: 400.0, own_cuts: 10 });
    }
}
