//! `yields`: what was cut and lost, a tray and a gram of seed, with the air each lot had,
//! and which condition went with the yield of a crop.

use super::file::Replace;
use super::show;
use super::{Answer, Failure, Outcome, print, settings, when};
use crate::analysis::lives::lives;
use crate::analysis::lot_air::LotAir;
use crate::analysis::yields::{self, AirFigure, By, Group, LEAST_LOTS, Losses, Lot, REASONS, YieldFinding};
use crate::chart::scatter::{Scatter, ScatterPoint, scatter_png, scatter_svg};
use crate::clock::Clock;
use crate::engine::rules::Site;
use crate::report::known_air;
use crate::store::Reader;
use crate::units::{GRAMS_AN_OUNCE, Timestamp, UnitSystem};
use clap::{Args, ValueEnum};
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Yields {
    /// From when on trays must have ended: "90 days" ago, "2026-03-03", or RFC 3339.
    #[arg(long, default_value = "365 days")]
    since: String,
    /// Put harvests together by this.
    #[arg(long, default_value = "crop")]
    by: TogetherBy,
    /// Print JSON, in SI units and UTC.
    #[arg(long)]
    json: bool,
    /// Draw the yield of one crop against a condition into a file, .svg or .png.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
    /// What the plot holds the yield against.
    #[arg(long, default_value = "humidity", requires = "plot")]
    against: Against,
    /// Which crop is drawn; the one with most lots if not said.
    #[arg(long, requires = "plot")]
    crop: Option<String>,
}

/// [`AirFigure`], as it is typed.
#[derive(Clone, Copy, ValueEnum)]
enum Against {
    Humidity,
    Temperature,
    Vpd,
    DampHours,
    MoldPressure,
}

impl Against {
    fn condition(self) -> AirFigure {
        match self {
            Against::Humidity => AirFigure::Humidity,
            Against::Temperature => AirFigure::Temperature,
            Against::Vpd => AirFigure::Vpd,
            Against::DampHours => AirFigure::DampHours,
            Against::MoldPressure => AirFigure::MoldPressure,
        }
    }
}

#[derive(Clone, Copy, ValueEnum)]
enum TogetherBy {
    /// Crop or blend.
    Crop,
    /// The place where they ended.
    Place,
    /// The week in which they ended.
    Week,
}

impl Yields {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let rules = &config.rules;
        let now = Clock::system().now();
        let since = when::instant(&self.since, rules.site.time_zone, now)?;
        let reader = Reader::open(&config.store.path, rules)?;
        let lives = lives(rules, &reader.journal(Timestamp::UNIX_EPOCH)?);
        let lots = yields::lots(rules, &lives, since, |life| -> Result<LotAir, Failure> {
            Ok(LotAir::of(&known_air::walked(&reader, rules, life, now)?))
        })?;
        let by = match self.by {
            TogetherBy::Crop => By::Crop,
            TogetherBy::Place => By::Place,
            TogetherBy::Week => By::Week,
        };
        if let Some(file) = &self.plot {
            let crop = match (&self.crop, yields::crops(&lots).into_iter().next()) {
                (Some(crop), _) => crop.clone(),
                (None, Some(crop)) => crop,
                (None, None) => {
                    return Err(Failure::Sentence(
                        "nothing was cut and weighed in that time, so there is nothing to draw".into(),
                    ));
                }
            };
            draw(&rules.site, &lots, &crop, self.against.condition(), (file, self.replace))?;
        }
        if self.json {
            print(&as_json(&lots, by, since).to_string())?;
        } else if self.plot.is_some() {
            return Ok(Answer::Yes);
        } else if lots.is_empty() {
            print(&format!("No tray was cut or discarded since {}.", show::local_date(&rules.site, since)))?;
        } else {
            print(&as_text(&rules.site, &lots, by, since))?;
        }
        Ok(if lots.is_empty() { Answer::No } else { Answer::Yes })
    }
}

fn as_text(site: &Site, lots: &[Lot], by: By, since: Timestamp) -> String {
    let since = since.with_timezone(&site.time_zone).format("%Y-%m-%d");
    let mut text = format!("Harvests since {since}\n");
    // Into a string: cannot fail.
    let _ = writeln!(text, "{}\n", harvest_table(site, &yields::harvests(lots, by)));
    let _ = writeln!(text, "Lost trays since {since}\n{}\n", loss_table("CROP", &yields::losses(lots, By::Crop)));
    let _ = writeln!(text, "{}\n", loss_table("PLACE", &yields::losses(lots, By::Place)));
    text.push_str("What went with the yield of a tray, within one crop\n");
    for crop in yields::crops(lots) {
        text.push_str(&findings_in_words(site, &crop, &yields::findings(lots, &crop)));
    }
    text.push('\n');
    text.push_str(CAUTION);
    text
}

fn draw(
    site: &Site,
    lots: &[Lot],
    crop: &str,
    condition: AirFigure,
    (file, replace): (&Path, Replace),
) -> Result<(), Failure> {
    let scatter = plot(site, lots, crop, condition).ok_or_else(|| {
        let known = yields::crops(lots).join(", ");
        Failure::Sentence(format!(
            "no lot of \"{crop}\" was cut, weighed and had its air known in that time; weighed were: {known}"
        ))
    })?;
    let bytes = match file.extension().and_then(|ending| ending.to_str()) {
        Some("svg") => scatter_svg(&scatter)?.into_bytes(),
        Some("png") => scatter_png(&scatter)?,
        _ => return Err(Failure::Usage("the plot's file must end in .svg or .png".into())),
    };
    replace.write(file, &bytes)?;
    eprintln!("Written to {}.", file.display());
    Ok(())
}

/// Grams a tray against a condition, a point a lot, a shape a place. `None`: no such lot.
fn plot(site: &Site, lots: &[Lot], crop: &str, condition: AirFigure) -> Option<Scatter> {
    let shown: Vec<(&Lot, f64, f64)> = yields::comparable(lots, crop)
        .into_iter()
        .filter_map(|lot| Some((lot, condition.of(&lot.air)?, lot.grams_a_tray()?)))
        .collect();
    let mut groups: Vec<String> = shown.iter().map(|(lot, ..)| lot.place.clone()).collect();
    groups.sort();
    groups.dedup();
    let us = site.units == UnitSystem::Us;
    let along = |figure: f64| match condition {
        AirFigure::Temperature => site.units.degrees(figure),
        _ => figure,
    };
    let points = shown.iter().map(|(lot, figure, grams)| ScatterPoint {
        x: along(*figure),
        y: if us { grams / GRAMS_AN_OUNCE } else { *grams },
        group: groups.iter().position(|place| *place == lot.place).unwrap_or(0),
    });
    let points: Vec<ScatterPoint> = points.collect();
    let x_label = match condition {
        AirFigure::Humidity => "mean humidity in light, %",
        AirFigure::Temperature if us => "mean temperature, °F",
        AirFigure::Temperature => "mean temperature, °C",
        AirFigure::Vpd => "mean VPD in light, kPa",
        AirFigure::DampHours => "hours in light damper than the alarm's limit",
        AirFigure::MoldPressure => "highest mold pressure, 0 to 100",
    };
    let finding = yields::findings(lots, crop).into_iter().find(|finding| finding.condition == condition)?;
    let what = match finding.correlation {
        Some(found) => format!("Rank correlation {:+.2}, n {}, p {}.", found.rho, found.n, p(found.p)),
        None if points.len() < LEAST_LOTS => format!("n {}; below {LEAST_LOTS} nothing can be said.", points.len()),
        None => format!("n {}; one side never changed.", points.len()),
    };
    (!points.is_empty()).then(|| Scatter {
        title: format!("{crop}: yield against {}", title(condition)),
        x_label: x_label.to_owned(),
        y_label: if us { "ounces a tray" } else { "grams a tray" }.to_owned(),
        points,
        groups,
        note: format!(
            "A point a lot. {what} Going together is no cause: season, seed lot and place change with the air."
        ),
    })
}

const CAUTION: &str = "\
Going together is no cause: season, seed lot and place change with the air. Lots that grew side by side
had the same air, so there is less evidence than the number of lots says. Temperature is the mean from
sowing on; humidity, VPD, damp hours and mold pressure are those in light. Lots whose air was unknown for
more than a fifth of the time are left out of these comparisons.";

fn harvest_table(site: &Site, groups: &[Group]) -> comfy_table::Table {
    let mut table = show::table([
        "",
        "LOTS",
        "TRAYS",
        "TOTAL",
        "A TRAY",
        "LOWEST-HIGHEST LOT",
        "PER SEED",
        "TEMP",
        "HUMIDITY",
        "VPD",
        "DAMP",
    ]);
    for group in groups {
        let trays = match group.unweighed {
            0 => group.trays.to_string(),
            more => format!("{} (+{more} not weighed)", group.trays),
        };
        let (a_tray, range) = match group.a_tray {
            Some((low, mean, high)) => (weight(site, mean), format!("{} - {}", weight(site, low), weight(site, high))),
            None => ("-".to_owned(), "-".to_owned()),
        };
        table.add_row([
            group.name.clone(),
            group.lots.to_string(),
            trays,
            weight(site, group.grams),
            a_tray,
            range,
            group.a_seed_gram.map_or("-".to_owned(), |ratio| format!("{ratio:.1} x")),
            show::temperature(site, group.air.temperature),
            show::percent(group.air.humidity),
            group.air.vpd.map_or("-".to_owned(), |vpd| format!("{vpd:.2} kPa")),
            group.air.damp_hours.map_or("-".to_owned(), |hours| format!("{hours:.1} h")),
        ]);
    }
    table
}

fn loss_table(head: &str, losses: &[Losses]) -> comfy_table::Table {
    let mut table =
        show::table([head, "TRAYS ENDED", "LOST", "SHARE", "MOLD", "DAMPING-OFF", "DRY", "UNEVEN", "OTHER"]);
    for row in losses {
        let lost = lost(row);
        let mut cells = vec![
            row.name.clone(),
            row.ended.to_string(),
            lost.to_string(),
            show::percent(Some(share(lost, row.ended))),
        ];
        cells.extend(REASONS.iter().map(|(_, word)| match row.by_reason.get(word) {
            Some(trays) => format!("{trays} ({})", show::percent(Some(share(*trays, row.ended)))),
            None => "-".to_owned(),
        }));
        table.add_row(cells);
    }
    table
}

fn findings_in_words(site: &Site, crop: &str, findings: &[YieldFinding]) -> String {
    let lots = findings.iter().map(|finding| finding.pairs.len()).max().unwrap_or(0);
    let lots_of = |n: usize| if n == 1 { "1 lot".to_owned() } else { format!("{n} lots") };
    if lots < LEAST_LOTS {
        return format!(
            "  {crop}: {} weighed and with known air; below {LEAST_LOTS} nothing can be said.\n",
            lots_of(lots)
        );
    }
    let mut text = format!("  {crop}, {}:\n", lots_of(lots));
    let tried = findings.iter().filter(|finding| finding.correlation.is_some()).count();
    for finding in findings {
        let what = title(finding.condition);
        let words = match (finding.correlation, finding.p_of_all) {
            (Some(found), Some(of_all)) if found.p < REPORTED_BELOW => {
                let less = if found.rho < 0.0 { "less" } else { "more" };
                let beyond = if of_all < REPORTED_BELOW { "" } else { ", which may well be chance" };
                format!(
                    "more of it went with {less} yield (rank correlation {:+.2}, n {}, p {}; {} with all {tried} tried{beyond})",
                    found.rho,
                    found.n,
                    p(found.p),
                    p(of_all)
                )
            }
            (Some(found), _) => {
                format!("nothing beyond chance (rank correlation {:+.2}, n {}, p {})", found.rho, found.n, p(found.p))
            }
            (None, _) if finding.pairs.len() < LEAST_LOTS => {
                format!("{} only; below {LEAST_LOTS} nothing can be said", lots_of(finding.pairs.len()))
            }
            (None, _) => "never changed, or the yield never did".to_owned(),
        };
        let range = range(site, finding);
        let _ = writeln!(text, "    {what}{range}: {words}");
    }
    text
}

/// The custom of one in twenty.
const REPORTED_BELOW: f64 = 0.05;

fn range(site: &Site, finding: &YieldFinding) -> String {
    let figures = finding.pairs.iter().map(|(figure, _)| *figure);
    let ends = figures.clone().reduce(f64::min).zip(figures.reduce(f64::max));
    let show = |figure: f64| match finding.condition {
        AirFigure::Humidity => show::percent(Some(figure)),
        AirFigure::Temperature => show::temperature(site, Some(figure)),
        AirFigure::Vpd => format!("{figure:.2} kPa"),
        AirFigure::DampHours => format!("{figure:.1} h"),
        AirFigure::MoldPressure => format!("{figure:.0}"),
    };
    ends.map_or(String::new(), |(low, high)| format!(" ({} to {})", show(low), show(high)))
}

fn title(condition: AirFigure) -> &'static str {
    match condition {
        AirFigure::Humidity => "humidity",
        AirFigure::Temperature => "temperature",
        AirFigure::Vpd => "VPD",
        AirFigure::DampHours => "damp hours",
        AirFigure::MoldPressure => "mold pressure",
    }
}

fn p(p: f64) -> String {
    if p < 0.001 { "below 0.001".to_owned() } else { format!("{p:.3}") }
}

/// Grams, or ounces.
fn weight(site: &Site, grams: f64) -> String {
    match site.units {
        UnitSystem::Metric => format!("{grams:.0} g"),
        UnitSystem::Us => format!("{:.1} oz", grams / GRAMS_AN_OUNCE),
    }
}

fn lost(losses: &Losses) -> u32 {
    losses.by_reason.values().sum()
}

fn share(part: u32, whole: u32) -> f64 {
    100.0 * f64::from(part) / f64::from(whole.max(1))
}

fn as_json(lots: &[Lot], by: By, since: Timestamp) -> Value {
    let air = |air: &LotAir| {
        json!({
            "temperature_celsius": show::rounded(air.temperature), "humidity_percent": show::rounded(air.humidity),
            "vpd_kilopascals": show::rounded(air.vpd), "damp_hours": show::rounded(air.damp_hours),
            "mold_pressure": show::rounded(air.mold_pressure), "known_share": show::rounded(Some(air.known)),
        })
    };
    let harvest = |group: &Group| {
        json!({
            "name": group.name, "lots": group.lots, "trays": group.trays, "trays_not_weighed": group.unweighed,
            "grams": group.grams, "grams_a_tray": group.a_tray.map(|(low, mean, high)| json!({
                "lowest_lot": show::rounded(Some(low)), "mean": show::rounded(Some(mean)),
                "highest_lot": show::rounded(Some(high))})),
            "grams_a_gram_of_seed": show::rounded(group.a_seed_gram), "air": air(&group.air),
        })
    };
    let loss = |losses: &Losses| {
        json!({
            "name": losses.name, "trays_ended": losses.ended, "trays_lost": lost(losses), "by_reason": losses.by_reason,
        })
    };
    let finding = |finding: &YieldFinding| {
        json!({
            "condition": finding.condition.word(), "n": finding.pairs.len(), "pairs": finding.pairs,
            "rho": finding.correlation.map(|found| found.rho), "p": finding.correlation.map(|found| found.p),
            "p_of_all": finding.p_of_all,
        })
    };
    let lot = |lot: &Lot| {
        json!({
            "tray": lot.tray, "crop": lot.crop, "place": lot.place, "week": lot.week,
            "ended_at": show::instant(lot.ended_at), "trays": lot.trays,
            "grams_a_tray": show::rounded(lot.grams_a_tray()),
            "lost_to": match lot.outcome { yields::LotOutcome::Lost(reason) => Some(yields::word(reason)), yields::LotOutcome::Cut(_) => None },
            "air": air(&lot.air),
        })
    };
    json!({
        "since": show::instant(since),
        "harvests": yields::harvests(lots, by).iter().map(harvest).collect::<Vec<_>>(),
        "losses_by_crop": yields::losses(lots, By::Crop).iter().map(loss).collect::<Vec<_>>(),
        "losses_by_place": yields::losses(lots, By::Place).iter().map(loss).collect::<Vec<_>>(),
        "least_lots": LEAST_LOTS,
        "against": yields::crops(lots).iter().map(|crop| json!({
            "crop": crop, "findings": yields::findings(lots, crop).iter().map(finding).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "lots": lots.iter().map(lot).collect::<Vec<_>>(),
        "caution": CAUTION.replace('\n', " "),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::rank::spearman;

    fn site() -> Site {
        let example = crate::config::parse(crate::config::example(), "example.toml", Path::new("/"));
        Site { units: UnitSystem::Metric, ..example.expect("the example is right").rules.site }
    }

    fn finding(pairs: Vec<(f64, f64)>, p_of_all: Option<f64>) -> YieldFinding {
        let correlation = p_of_all.and_then(|_| spearman(&pairs));
        YieldFinding { condition: AirFigure::Humidity, pairs, correlation, p_of_all }
    }

    #[test]
    fn seven_lots_are_told_to_be_too_few() {
        let pairs = (0..7).map(|nth| (50.0 + f64::from(nth), 300.0)).collect();
        let words = findings_in_words(&site(), "broccoli", &[finding(pairs, None)]);
        assert_eq!(words, "  broccoli: 7 lots weighed and with known air; below 8 nothing can be said.\n");
    }

    #[test]
    fn a_finding_tells_its_n_and_what_the_other_tries_cost_it() {
        let falling: Vec<(f64, f64)> = (0..8).map(|nth| (50.0 + f64::from(nth), 300.0 - f64::from(nth))).collect();
        let words = findings_in_words(&site(), "broccoli", &[finding(falling.clone(), Some(0.0002))]);
        assert!(words.contains("humidity (50 % to 57 %): more of it went with less yield"), "{words}");
        assert!(
            words.contains("(rank correlation -1.00, n 8, p below 0.001; below 0.001 with all 1 tried)"),
            "{words}"
        );
        let by_chance = findings_in_words(&site(), "broccoli", &[finding(falling, Some(0.2))]);
        assert!(by_chance.contains("0.200 with all 1 tried, which may well be chance"), "{by_chance}");
        for verdict in ["because", "cause of", "due to"] {
            assert!(!words.contains(verdict) && !CAUTION.contains(verdict), "{verdict}");
        }
    }

    fn lot(nth: u32, place: &str, humidity: f64, grams: f64) -> Lot {
        Lot {
            tray: format!("K{nth}"),
            crop: "broccoli".to_owned(),
            place: place.to_owned(),
            week: "2026-W11".to_owned(),
            ended_at: Timestamp::UNIX_EPOCH,
            trays: 2,
            outcome: yields::LotOutcome::Cut(Some(grams)),
            seed_grams: None,
            air: LotAir { humidity: Some(humidity), temperature: Some(20.0), known: 1.0, ..LotAir::default() },
        }
    }

    #[test]
    fn a_plot_shows_a_point_a_lot_a_shape_a_place_and_its_n() {
        let lots = [lot(1, "Rack B", 50.0, 800.0), lot(2, "Rack A", 60.0, 700.0)];
        let shown = plot(&site(), &lots, "broccoli", AirFigure::Humidity).expect("there are lots");
        assert_eq!(shown.groups, ["Rack A", "Rack B"]);
        assert_eq!(shown.points[0], ScatterPoint { x: 50.0, y: 400.0, group: 1 });
        assert!(shown.note.contains("n 2; below 8 nothing can be said"), "{}", shown.note);
        let us = Site { units: UnitSystem::Us, ..site() };
        let shown = plot(&us, &lots, "broccoli", AirFigure::Temperature).expect("there are lots");
        assert!((shown.points[0].x - 68.0).abs() < 1e-9 && (shown.points[0].y - 14.11).abs() < 0.01, "{shown:?}");
        assert_eq!(plot(&site(), &lots, "radish", AirFigure::Humidity), None);
        assert_eq!(plot(&site(), &lots, "broccoli", AirFigure::Vpd), None);
    }

    #[test]
    fn ounces_are_those_of_nist() {
        assert_eq!(weight(&Site { units: UnitSystem::Us, ..site() }, 453.592_37), "16.0 oz");
        assert_eq!(weight(&site(), 453.592_37), "454 g");
    }
}
