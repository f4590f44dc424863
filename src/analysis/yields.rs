//! What was cut and what was lost, a tray and a gram of seed, by crop, place or week; and
//! which condition of the air goes with the yield of one crop. Figures only, pure; who
//! says them aloud is `cli::yields`.
//!
//! Trays are counted, not entries: a lot of ten lost is ten trays lost. Going together is
//! no cause: a season changes everything at once, and lots that grew side by side had the
//! same air, so that n tells of more evidence than there is.

use super::lives::{Life, TrayFate};
use super::lot_air::LotAir;
use super::rank::{Correlation, holm, spearman};
use crate::engine::rules::Rules;
use crate::journal::Loss;
use crate::units::Timestamp;
use chrono::Datelike;
use std::collections::BTreeMap;

/// A lot that has ended.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Lot {
    /// The tray's name.
    pub tray: String,
    /// The crop or blend.
    pub crop: String,
    /// Name of the place where it ended.
    pub place: String,
    /// Local ISO week of its end, such as "2026-W11".
    pub week: String,
    /// When it ended.
    pub(crate) ended_at: Timestamp,
    /// Trays in it.
    pub trays: u32,
    /// How it ended.
    pub outcome: LotOutcome,
    /// Grams of seed a tray, if told.
    pub seed_grams: Option<f64>,
    /// The air it had.
    pub air: LotAir,
}

/// How a lot ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum LotOutcome {
    /// Cut: grams of all its trays together, if weighed.
    Cut(Option<f64>),
    /// Thrown away.
    Lost(Loss),
}

/// What lots are put together by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    /// Crop or blend.
    Crop,
    /// Where they ended.
    Place,
    /// The week in which they ended.
    Week,
}

/// Harvests of lots put together.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Group {
    /// The crop, place or week.
    pub name: String,
    /// Lots that were cut and weighed.
    pub lots: usize,
    /// Trays in them.
    pub trays: u32,
    /// Trays that were cut and not weighed.
    pub(crate) unweighed: u32,
    /// Grams of all weighed trays.
    pub grams: f64,
    /// Grams a tray: lowest lot, all trays together, highest lot. `None`: nothing weighed.
    pub(crate) a_tray: Option<(f64, f64, f64)>,
    /// Grams a gram of seed, of the lots whose seed was told.
    pub(crate) a_seed_gram: Option<f64>,
    /// The air they had: means over lots, each weighing as many trays as it has.
    pub air: LotAir,
}

/// Trays that ended, and those of them that were lost, by reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Losses {
    /// The crop, place or week.
    pub name: String,
    /// Trays cut or lost.
    pub ended: u32,
    /// Trays lost, by reason.
    pub(crate) by_reason: BTreeMap<&'static str, u32>,
}

/// A condition of the air that yields are held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum AirFigure {
    /// Mean humidity in light.
    Humidity,
    /// Mean temperature.
    Temperature,
    /// Mean vapour pressure deficit in light.
    Vpd,
    /// Hours damper than the alarm's limit.
    DampHours,
    /// Highest mold pressure.
    MoldPressure,
}

/// A condition against the yield of one crop.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct YieldFinding {
    /// The figure of the air that is held against the yield.
    pub(crate) condition: AirFigure,
    /// Condition and grams a tray, a pair a lot.
    pub pairs: Vec<(f64, f64)>,
    /// What goes with what; `None`: fewer than [`LEAST_LOTS`] lots, or one side never changed.
    pub(crate) correlation: Option<Correlation>,
    /// Its p with all conditions of this crop taken into account (Holm 1979).
    pub(crate) p_of_all: Option<f64>,
}

/// With fewer lots only a rho beyond 0.74 could be told from chance. Own default.
pub(crate) const LEAST_LOTS: usize = 8;
/// A lot of which less of the air is known is left out of comparisons. Own default.
const LEAST_KNOWN: f64 = 0.8;
/// Every reason, in the order in which they are shown.
pub(crate) const REASONS: [(Loss, &str); 5] = [
    (Loss::Mold, "mold"),
    (Loss::DampingOff, "damping-off"),
    (Loss::Dry, "dry"),
    (Loss::Uneven, "uneven"),
    (Loss::Other, "other"),
];

impl Lot {
    /// Grams a tray, if it was cut and weighed.
    pub(crate) fn grams_a_tray(&self) -> Option<f64> {
        match self.outcome {
            LotOutcome::Cut(Some(grams)) => Some(grams / f64::from(self.trays.max(1))),
            _ => None,
        }
    }

    fn name(&self, by: By) -> &str {
        match by {
            By::Crop => &self.crop,
            By::Place => &self.place,
            By::Week => &self.week,
        }
    }
}

impl AirFigure {
    /// Every condition.
    pub(crate) const ALL: [AirFigure; 5] =
        [AirFigure::Humidity, AirFigure::Temperature, AirFigure::Vpd, AirFigure::DampHours, AirFigure::MoldPressure];

    /// The word in arguments and JSON.
    pub(crate) fn word(self) -> &'static str {
        match self {
            AirFigure::Humidity => "humidity",
            AirFigure::Temperature => "temperature",
            AirFigure::Vpd => "vpd",
            AirFigure::DampHours => "damp-hours",
            AirFigure::MoldPressure => "mold-pressure",
        }
    }

    /// Its figure: per cent, Celsius, kilopascals, hours, or 0 to 100.
    pub(crate) fn of(self, air: &LotAir) -> Option<f64> {
        match self {
            AirFigure::Humidity => air.humidity,
            AirFigure::Temperature => air.temperature,
            AirFigure::Vpd => air.vpd,
            AirFigure::DampHours => air.damp_hours,
            AirFigure::MoldPressure => air.mold_pressure,
        }
    }
}

/// The lots that ended from `since` on, oldest first. `air` gives the air of a life.
pub(crate) fn lots<E>(
    rules: &Rules,
    lives: &[Life],
    since: Timestamp,
    mut air: impl FnMut(&Life) -> Result<LotAir, E>,
) -> Result<Vec<Lot>, E> {
    let mut lots = Vec::new();
    for life in lives {
        let Some(end) = life.end.as_ref().filter(|end| end.at >= since) else { continue };
        let week = end.at.with_timezone(&rules.site.time_zone).iso_week();
        lots.push(Lot {
            tray: life.tray.name.clone(),
            crop: life.tray.crop.clone(),
            place: rules.place(life.place_at(end.at)).name.clone(),
            week: format!("{}-W{:02}", week.year(), week.week()),
            ended_at: end.at,
            trays: life.tray.count,
            outcome: match end.fate {
                TrayFate::Harvested { grams, .. } => LotOutcome::Cut(grams),
                TrayFate::Discarded { reason, .. } => LotOutcome::Lost(reason),
            },
            seed_grams: life.tray.seed_grams,
            air: air(life)?,
        });
    }
    lots.sort_by_key(|lot| lot.ended_at);
    Ok(lots)
}

/// Harvests put together, by name.
pub(crate) fn harvests(lots: &[Lot], by: By) -> Vec<Group> {
    let mut groups = Vec::new();
    for (name, lots) in grouped(lots, by) {
        let cut: Vec<&Lot> = lots.iter().copied().filter(|lot| matches!(lot.outcome, LotOutcome::Cut(_))).collect();
        if cut.is_empty() {
            continue;
        }
        let weighed: Vec<(&Lot, f64)> = cut.iter().filter_map(|lot| Some((*lot, lot.grams_a_tray()?))).collect();
        let trays = weighed.iter().map(|(lot, _)| lot.trays).sum::<u32>();
        let grams = weighed.iter().map(|(lot, a_tray)| a_tray * f64::from(lot.trays)).sum::<f64>();
        let a_tray = weighed.iter().map(|(_, a_tray)| *a_tray);
        let low_high = a_tray.clone().reduce(f64::min).zip(a_tray.reduce(f64::max));
        let with_seed = weighed.iter().filter_map(|(lot, a_tray)| {
            let trays = f64::from(lot.trays);
            Some((a_tray * trays, lot.seed_grams? * trays))
        });
        let (of_seeded, seed) = with_seed.fold((0.0, 0.0), |sum, lot| (sum.0 + lot.0, sum.1 + lot.1));
        groups.push(Group {
            name,
            lots: weighed.len(),
            trays,
            unweighed: cut.iter().map(|lot| lot.trays).sum::<u32>() - trays,
            grams,
            a_tray: low_high.map(|(low, high)| (low, grams / f64::from(trays.max(1)), high)),
            a_seed_gram: (seed > 0.0).then(|| of_seeded / seed),
            air: mean_air(&cut),
        });
    }
    groups
}

/// Losses put together, by name.
pub(crate) fn losses(lots: &[Lot], by: By) -> Vec<Losses> {
    let mut all = Vec::new();
    for (name, lots) in grouped(lots, by) {
        let mut by_reason = BTreeMap::new();
        for lot in &lots {
            if let LotOutcome::Lost(reason) = lot.outcome {
                *by_reason.entry(word(reason)).or_default() += lot.trays;
            }
        }
        all.push(Losses { name, ended: lots.iter().map(|lot| lot.trays).sum(), by_reason });
    }
    all
}

/// Every condition against grams a tray, within one crop.
pub(crate) fn findings(lots: &[Lot], crop: &str) -> Vec<YieldFinding> {
    let of_crop = comparable(lots, crop);
    let mut findings: Vec<YieldFinding> = AirFigure::ALL
        .into_iter()
        .map(|condition| {
            let pairs: Vec<(f64, f64)> =
                of_crop.iter().filter_map(|lot| Some((condition.of(&lot.air)?, lot.grams_a_tray()?))).collect();
            let correlation = if pairs.len() < LEAST_LOTS { None } else { spearman(&pairs) };
            YieldFinding { condition, pairs, correlation, p_of_all: None }
        })
        .collect();
    let tried: Vec<f64> = findings.iter().filter_map(|finding| Some(finding.correlation?.p)).collect();
    let mut corrected = holm(&tried).into_iter();
    for finding in findings.iter_mut().filter(|finding| finding.correlation.is_some()) {
        finding.p_of_all = corrected.next();
    }
    findings
}

/// The lots of one crop whose air is known well enough to be held against others.
pub(crate) fn comparable<'a>(lots: &'a [Lot], crop: &str) -> Vec<&'a Lot> {
    lots.iter().filter(|lot| lot.crop == crop && lot.air.known >= LEAST_KNOWN).collect()
}

/// Crops that were cut and weighed, those with most lots first.
pub(crate) fn crops(lots: &[Lot]) -> Vec<String> {
    let mut count: BTreeMap<&str, usize> = BTreeMap::new();
    for lot in lots.iter().filter(|lot| lot.grams_a_tray().is_some()) {
        *count.entry(&lot.crop).or_default() += 1;
    }
    let mut crops: Vec<(&str, usize)> = count.into_iter().collect();
    crops.sort_by_key(|(_, lots)| std::cmp::Reverse(*lots));
    crops.into_iter().map(|(crop, _)| crop.to_owned()).collect()
}

/// The stable word of a reason.
pub(crate) fn word(reason: Loss) -> &'static str {
    REASONS.iter().find(|(known, _)| *known == reason).map_or("other", |(_, word)| word)
}

fn grouped(lots: &[Lot], by: By) -> BTreeMap<String, Vec<&Lot>> {
    let mut groups: BTreeMap<String, Vec<&Lot>> = BTreeMap::new();
    for lot in lots {
        groups.entry(lot.name(by).to_owned()).or_default().push(lot);
    }
    groups
}

/// Means over lots whose air is known well enough, each weighing as many trays as it has.
fn mean_air(lots: &[&Lot]) -> LotAir {
    let mean = |of: fn(&LotAir) -> Option<f64>| {
        let known = lots.iter().filter(|lot| lot.air.known >= LEAST_KNOWN);
        let (sum, trays) = known
            .filter_map(|lot| Some((of(&lot.air)?, f64::from(lot.trays))))
            .fold((0.0, 0.0), |sum, (figure, trays)| (sum.0 + figure * trays, sum.1 + trays));
        (trays > 0.0).then(|| sum / trays)
    };
    LotAir {
        temperature: mean(|air| air.temperature),
        humidity: mean(|air| air.humidity),
        vpd: mean(|air| air.vpd),
        damp_hours: mean(|air| air.damp_hours),
        mold_pressure: mean(|air| air.mold_pressure),
        known: mean(|air| Some(air.known)).unwrap_or(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::lives::lives;
    use crate::analysis::sample::{at, journal, rules};
    use std::convert::Infallible;

    const SEASON: [(&str, &str); 13] = [
        (
            "2026-03-02 08:00",
            r#"{"did":"sow","tray":"K1","place":"rack-a","crop":"broccoli","count":4,"seed_grams":20}"#,
        ),
        (
            "2026-03-02 08:05",
            r#"{"did":"sow","tray":"K2","place":"rack-b","crop":"broccoli","count":1,"seed_grams":25}"#,
        ),
        ("2026-03-02 08:10", r#"{"did":"sow","tray":"K3","place":"rack-a","crop":"radish","count":10}"#),
        ("2026-03-02 08:15", r#"{"did":"sow","tray":"K4","place":"rack-b","crop":"broccoli","count":5}"#),
        ("2026-03-02 08:20", r#"{"did":"sow","tray":"K5","place":"rack-b","crop":"radish","count":1}"#),
        ("2026-03-02 08:25", r#"{"did":"sow","tray":"K6","place":"rack-b","crop":"radish","count":2}"#),
        ("2026-03-08 08:00", r#"{"did":"move","tray":"K1","place":"rack-b"}"#),
        ("2026-03-12 08:00", r#"{"did":"harvest","tray":"K1","grams":1600}"#),
        ("2026-03-12 08:05", r#"{"did":"harvest","tray":"K2","grams":300}"#),
        ("2026-03-12 08:10", r#"{"did":"discard","tray":"K3","reason":"mold","share":20}"#),
        ("2026-03-12 08:15", r#"{"did":"harvest","tray":"K4"}"#),
        ("2026-03-16 03:00", r#"{"did":"discard","tray":"K5","reason":"dry"}"#),
        ("2026-03-16 03:05", r#"{"did":"strike","entry":12}"#),
    ];

    fn season(air: impl Fn(&Life) -> LotAir) -> Vec<Lot> {
        let lives = lives(&rules(), &journal(&SEASON));
        lots(&rules(), &lives, Timestamp::UNIX_EPOCH, |life| Ok::<_, Infallible>(air(life))).expect("it cannot fail")
    }

    #[test]
    fn a_lot_of_four_weighs_four_trays() {
        let lots = season(|_| LotAir::default());
        let groups = harvests(&lots, By::Crop);
        let [broccoli] = &groups[..] else { panic!("only broccoli was cut: {groups:?}") };
        // 1600 g of four and 300 g of one: 1900 g of five trays; K4 was not weighed.
        assert_eq!((broccoli.lots, broccoli.trays, broccoli.unweighed, broccoli.grams), (2, 5, 5, 1900.0));
        assert_eq!(broccoli.a_tray, Some((300.0, 380.0, 400.0)));
        // 4 * 20 + 25 g of seed.
        assert_eq!(broccoli.a_seed_gram, Some(1900.0 / 105.0));
    }

    #[test]
    fn a_lot_belongs_to_the_place_and_the_local_week_of_its_end() {
        let lots = season(|_| LotAir::default());
        let names = |by| harvests(&lots, by).into_iter().map(|group| group.name).collect::<Vec<_>>();
        assert_eq!(names(By::Place), ["Rack B"]);
        assert_eq!(names(By::Week), ["2026-W11"]);
        // Sunday evening in Chicago is Monday in Greenwich.
        let late = journal(&[SEASON[1], ("2026-03-16 03:00", r#"{"did":"harvest","tray":"K2","grams":300}"#)]);
        let lots = lots_of(&late);
        assert_eq!(lots[0].week, "2026-W11");
    }

    fn lots_of(lines: &[crate::engine::event::JournalLine]) -> Vec<Lot> {
        let lives = lives(&rules(), lines);
        lots(&rules(), &lives, Timestamp::UNIX_EPOCH, |_| Ok::<_, Infallible>(LotAir::default()))
            .expect("it cannot fail")
    }

    #[test]
    fn losses_count_trays_and_forget_struck_entries() {
        let lots = season(|_| LotAir::default());
        let by_crop = losses(&lots, By::Crop);
        let radish = by_crop.iter().find(|losses| losses.name == "radish").expect("radish ended");
        // K5's discard was struck, K6 grows: ten of ten ended trays were lost to mold.
        assert_eq!((radish.ended, radish.by_reason.get("mold"), radish.by_reason.get("dry")), (10, Some(&10), None));
        let rack_b = losses(&lots, By::Place).into_iter().find(|losses| losses.name == "Rack B").expect("it ended");
        assert_eq!((rack_b.ended, rack_b.by_reason.len()), (10, 0));
    }

    #[test]
    fn the_air_of_a_group_weighs_trays_and_leaves_out_what_is_hardly_known() {
        let lots = season(|life| match life.tray.name.as_str() {
            "K1" => LotAir { humidity: Some(50.0), known: 1.0, ..LotAir::default() },
            "K2" => LotAir { humidity: Some(60.0), known: 0.9, ..LotAir::default() },
            _ => LotAir { humidity: Some(99.0), known: 0.5, ..LotAir::default() },
        });
        assert_eq!(harvests(&lots, By::Crop)[0].air.humidity, Some((4.0 * 50.0 + 60.0) / 5.0));
    }

    fn lot(crop: &str, nth: u32, humidity: f64, grams: f64) -> Lot {
        Lot {
            tray: format!("K{nth}"),
            crop: crop.to_owned(),
            place: "Rack A".to_owned(),
            week: "2026-W11".to_owned(),
            ended_at: at("2026-03-12 08:00"),
            trays: 2,
            outcome: LotOutcome::Cut(Some(grams)),
            seed_grams: None,
            air: LotAir { humidity: Some(humidity), known: 1.0, ..LotAir::default() },
        }
    }

    #[test]
    fn conditions_are_held_against_one_crop_only_and_never_below_eight_lots() {
        let mut lots: Vec<Lot> =
            (0..8).map(|nth| lot("broccoli", nth, 50.0 + f64::from(nth), 700.0 - f64::from(nth))).collect();
        lots.extend((0..7).map(|nth| lot("radish", nth, 50.0 + f64::from(nth), 300.0 + f64::from(nth))));
        let broccoli = findings(&lots, "broccoli").remove(0);
        assert_eq!(broccoli.condition, AirFigure::Humidity);
        let found = broccoli.correlation.expect("eight lots are enough");
        assert_eq!((found.rho, found.n), (-1.0, 8));
        assert_eq!(broccoli.pairs[0], (50.0, 350.0));
        // Only humidity was known, so only one condition was tried.
        assert_eq!(broccoli.p_of_all, Some(found.p));
        assert_eq!(findings(&lots, "radish")[0].correlation, None);
        assert_eq!(findings(&lots, "radish")[0].pairs.len(), 7);
    }
}
