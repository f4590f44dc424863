//! The trace in words: sentences about differences, and the text for a terminal.

use super::beside::{Condition, FEWEST_SISTERS, Measure};
use super::figures::DAMP_FROM;
use super::{Spread, StageTrace, Trace};
use crate::engine::rules::{Rules, Site};
use crate::journal::{Did, Loss};
use crate::units::{Celsius, Timestamp, UnitSystem};
use std::fmt::Write;

const COLUMNS: usize = 78;

/// A local day and time.
pub fn local(site: &Site, at: Timestamp) -> String {
    at.with_timezone(&site.time_zone).format("%a %Y-%m-%d %H:%M").to_string()
}

/// Hours as a grower says them.
pub fn hours(hours: f64) -> String {
    if hours >= 48.0 {
        format!("{:.1} days", hours / 24.0)
    } else if hours >= 10.0 || hours.fract().abs() < 0.05 {
        format!("{hours:.0} h")
    } else {
        format!("{hours:.1} h")
    }
}

/// In the site's unit.
pub fn temperature(site: &Site, celsius: f64) -> String {
    match site.units {
        UnitSystem::Metric => format!("{celsius:.1} °C"),
        UnitSystem::Us => format!("{:.1} °F", Celsius(celsius).to_fahrenheit()),
    }
}

/// What was done.
pub fn deed(did: &Did) -> String {
    let noted =
        |what: &str, note: &Option<String>| note.as_ref().map_or(what.to_owned(), |note| format!("{what}: {note}"));
    match did {
        Did::Sow(_) => "sown".to_owned(),
        Did::Unweight(_) => "weight off".to_owned(),
        Did::Uncover(_) => "uncovered".to_owned(),
        Did::Light(_) => "put under light".to_owned(),
        Did::Water { ml_per_tray: Some(ml), .. } => format!("watered, {ml:.0} ml"),
        Did::Water { .. } => "watered".to_owned(),
        Did::Mist(_) => "misted".to_owned(),
        Did::Refill { .. } => "reservoir refilled".to_owned(),
        Did::Move { place, .. } => format!("moved to {place}"),
        Did::Look { note, .. } => noted("looked at", note),
        Did::Harvest { note, .. } => noted("cut", note),
        Did::Discard { reason: Loss::Mold, note, .. } => noted("thrown away, mold", note),
        Did::Discard { note, .. } => noted("thrown away", note),
        Did::Note { text, .. } => format!("note: {text}"),
        Did::Strike { entry, .. } => format!("entry {entry} struck out"),
    }
}

/// A figure of a condition in its unit.
pub(super) fn figure(measure: Measure, value: f64) -> String {
    if measure == Measure::MoldPressure { format!("{value:.0}") } else { hours(value) }
}

/// A condition in a word or two, for a table.
pub(super) fn condition(measure: Measure) -> &'static str {
    match measure {
        Measure::OverdueCover => "Cover past its plan",
        Measure::DampSpell => "Longest damp spell in light",
        Measure::DampHours => "Damp air in light",
        Measure::MistWet => "Wet from misting",
        Measure::MoldPressure => "Mold pressure, peak",
        Measure::WarmUnderCover => "Warm under the cover",
        Measure::TooWarm => "Too warm in light",
        Measure::TooCold => "Too cold",
        Measure::WaterGap => "Longest time without water",
        Measure::DryHours => "Water used up",
        Measure::Unknown => "Air not known",
    }
}

/// One difference as a sentence.
pub fn difference(condition: &Condition) -> String {
    let of = |value: f64| figure(condition.measure, value);
    let own = of(condition.value);
    let says = match condition.measure {
        Measure::OverdueCover => format!("Its cover stayed on {own} past the plan"),
        Measure::DampSpell => format!("Its air stayed at {DAMP_FROM:.0} % and more for {own} on end in light"),
        Measure::DampHours => format!("It had {own} of air at {DAMP_FROM:.0} % and more in light"),
        Measure::MistWet => format!("Its leaves stayed wet from misting for {own} in light, by estimate"),
        Measure::MoldPressure => format!("Its mold pressure rose to {own} of 100"),
        Measure::WarmUnderCover => format!("Its air was above 24 °C (75 °F) for {own} under the cover"),
        Measure::TooWarm => format!("Its air was too warm for the crop for {own} in light"),
        Measure::TooCold => format!("Its air was too cold for the crop for {own}"),
        Measure::WaterGap => format!("It went {own} in light without a watering in the log"),
        Measure::DryHours => format!("Its water was used up for {own}, by estimate"),
        Measure::Unknown => format!("Its air was not known for {own}"),
    };
    let Some((median, (low, high))) = condition.median.zip(condition.range) else { return format!("{says}.") };
    let whose = if condition.n == 1 { "its one sister".to_owned() } else { format!("its {} sisters", condition.n) };
    if (high - low).abs() < 0.05 {
        format!("{says}; {whose}: {}.", of(median))
    } else {
        format!("{says}; {whose}: {}, {} to {}.", of(median), of(low), of(high))
    }
}

/// How much the comparison is worth.
pub fn beside(n: usize, conditions: &[Condition]) -> String {
    if n == 0 {
        return "There is no healthy tray of the same crop of this age to hold it against.".to_owned();
    }
    if n < FEWEST_SISTERS {
        return format!(
            "Held against {n} healthy of the same crop at the same age: fewer than five, too few for a test."
        );
    }
    let least = conditions.iter().filter_map(|condition| condition.p_corrected).reduce(f64::min).unwrap_or(1.0);
    format!(
        "Held against {n} healthy trays of the same crop at the same age. Rank test, one tray against {n}, two-sided, \
         exact: the smallest p is {least:.2} after correction for {} conditions (Holm); with {n} sisters a single \
         p cannot fall below {:.2}. What differs need not be what caused it.",
        conditions.len(),
        2.0 / (n + 1) as f64
    )
}

/// The trace for a terminal of 80 columns.
pub fn text(trace: &Trace, rules: &Rules) -> String {
    let site = &rules.site;
    let mut out = String::new();
    let _ = writeln!(out, "Tray {}, {}, {}", trace.tray, trace.crop, trace.ended);
    let _ = writeln!(out, "Sown {}, told until {}", local(site, trace.sown_at), local(site, trace.until));
    for (at, place) in &trace.stood {
        let _ = writeln!(out, "  stood in {place} from {}", local(site, *at));
    }
    let _ = writeln!(out, "\nWHAT DIFFERS MOST");
    if trace.differences.is_empty() {
        wrapped(&mut out, "  ", "Nothing that can harm stands out from its sisters.");
    }
    for (nth, difference) in (1..).zip(&trace.differences) {
        wrapped(&mut out, &format!("  {nth}. "), difference);
    }
    wrapped(&mut out, "  ", &trace.beside);
    if let Some(onset) = &trace.onset {
        let _ = writeln!(out, "\nLIKELY ONSET (mold seen {})", local(site, onset.seen_at));
        wrapped(&mut out, "  ", &format!("Between {} and {}.", local(site, onset.from), local(site, onset.until)));
        wrapped(&mut out, "  ", &onset.assumption);
        for event in &onset.events {
            wrapped(&mut out, "  - ", event);
        }
    }
    for stage in &trace.stages {
        said_stage(&mut out, site, stage);
    }
    let _ =
        writeln!(out, "\nBESIDE ITS SISTERS\n  condition             this   median   quartiles       rank    p (Holm)");
    for condition in &trace.conditions {
        let word = serde_json::to_value(condition.measure).ok().and_then(|word| word.as_str().map(str::to_owned));
        let quartiles = condition.quartiles.map_or("-".to_owned(), |(low, high)| format!("{low:.1}-{high:.1}"));
        let _ = writeln!(
            out,
            "  {:<18} {:>7.1} {:>8} {:>11} {:>5} of {:<3} {:>7}",
            word.unwrap_or_default(),
            condition.value,
            condition.median.map_or("-".to_owned(), |median| format!("{median:.1}")),
            quartiles,
            condition.rank,
            condition.n + 1,
            condition.p_corrected.map_or("-".to_owned(), |p| format!("{p:.2}"))
        );
    }
    let _ = writeln!(out, "\nALARMS{}", if trace.alarms.is_empty() { ": none" } else { "" });
    for alarm in &trace.alarms {
        let answered = alarm.answered.as_ref().map_or("not answered".to_owned(), |by| format!("answered: {by}"));
        wrapped(
            &mut out,
            "  - ",
            &format!("{}: {} ({}), {answered}", local(site, alarm.at), alarm.kind, alarm.subject),
        );
    }
    if !trace.refills.is_empty() {
        let _ = writeln!(out, "\nRESERVOIR: refilled {} times in its life", trace.refills.len());
    }
    let _ = writeln!(out, "\nHOLES IN THE DATA{}", if trace.holes.is_empty() { ": none" } else { "" });
    for (from, until) in &trace.holes {
        let long = hours((*until - *from).num_minutes() as f64 / 60.0);
        let _ = writeln!(out, "  - {}, for {long}", local(site, *from));
    }
    out.push('\n');
    wrapped(&mut out, "", trace.caution);
    out
}

fn said_stage(out: &mut String, site: &Site, stage: &StageTrace) {
    let long = hours((stage.until - stage.from).num_minutes() as f64 / 60.0);
    let _ = writeln!(out, "\n{} {}, for {long}", stage.stage.word().to_uppercase(), local(site, stage.from));
    let line = |out: &mut String, name: &str, spread: Option<Spread>, say: &dyn Fn(f64) -> String| {
        if let Some(spread) = spread {
            let _ = writeln!(
                out,
                "  {name:<11} mean {}, {} to {}; 90 % in {} to {}",
                say(spread.mean),
                say(spread.low),
                say(spread.high),
                say(spread.p05),
                say(spread.p95)
            );
        }
    };
    line(out, "temperature", stage.temperature, &|value| temperature(site, value));
    line(out, "humidity", stage.humidity, &|value| format!("{value:.0} %"));
    line(out, "VPD", stage.vpd, &|value| format!("{value:.2} kPa"));
    line(out, "dew point", stage.dew_point, &|value| temperature(site, value));
    let [cold, inside, warm] = stage.temperature_hours.map(hours);
    let _ = writeln!(out, "  temperature in band {inside}, below {cold}, above {warm}");
    if stage.humidity_band != (None, None) {
        let [dry, inside, damp] = stage.humidity_hours.map(hours);
        let _ = writeln!(out, "  humidity in band {inside}, below {dry}, above {damp}");
    }
    let mut last = vec![format!("longest damp spell {}", hours(stage.longest_damp_hours))];
    last.extend(stage.mold_pressure.map(|pressure| format!("mold pressure up to {pressure:.0} of 100")));
    last.push(format!("waterings {}", stage.waterings));
    last.extend(stage.longest_water_gap_hours.map(|gap| format!("longest gap {}", hours(gap))));
    last.extend(stage.dry_hours.filter(|dry| *dry > 0.0).map(|dry| format!("dry {} by estimate", hours(dry))));
    if stage.unknown_hours > 0.0 {
        last.push(format!("air not known {}", hours(stage.unknown_hours)));
    }
    wrapped(out, "  ", &last.join(", "));
}

fn wrapped(out: &mut String, indent: &str, text: &str) {
    let mut line = indent.to_owned();
    let hanging = " ".repeat(indent.len());
    for word in text.split_whitespace() {
        if line.chars().count() + word.chars().count() > COLUMNS && line.trim() != indent.trim() {
            let _ = writeln!(out, "{}", line.trim_end());
            line = hanging.clone();
        }
        line.push_str(word);
        line.push(' ');
    }
    let _ = writeln!(out, "{}", line.trim_end());
}
