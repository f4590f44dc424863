//! The trace in words: sentences about differences, and the text for a terminal.

use super::{Onset, Spoken, Trace};
use crate::analysis::beside::{Comparison, Exposure, FEWEST_PEERS};
use crate::analysis::onset::{LikelyOnset, SEEN_MM, Suspect};
use crate::analysis::stages::{DAMP_FROM, Spread, StageTrace};
use crate::engine::rules::{Rules, Site};
use crate::report::formatted::{between, dated, hours, local};
use crate::units::Timestamp;
use std::fmt::Write;

const COLUMNS: usize = 78;
/// Below this a chance is small by convention (R. A. Fisher 1925, from memory).
const SURE: f64 = 0.05;

/// A figure of a condition in its unit.
pub(super) fn figure(measure: Exposure, value: f64) -> String {
    if measure == Exposure::MoldPressure { format!("{value:.0}") } else { hours(value) }
}

/// A condition in a word or two, for a table.
pub(super) fn condition(measure: Exposure) -> &'static str {
    match measure {
        Exposure::OverdueCover => "Cover past its plan",
        Exposure::DampSpell => "Longest damp spell in light",
        Exposure::DampHours => "Damp air in light",
        Exposure::MistWet => "Wet from misting",
        Exposure::MoldPressure => "Mold pressure, peak",
        Exposure::WarmUnderCover => "Warm under the cover",
        Exposure::TooWarm => "Too warm in light",
        Exposure::TooCold => "Too cold",
        Exposure::WaterGap => "Longest time without water",
        Exposure::DryHours => "Water used up",
        Exposure::Unknown => "Air not known",
    }
}

/// Where it stands among its sisters.
pub(super) fn rank(condition: &Comparison) -> String {
    if condition.range == Some((condition.value, condition.value)) {
        return "alike".to_owned();
    }
    format!("{} of {}", condition.rank, condition.n + 1)
}

/// One difference as a sentence: what is farthest out, and the other faces of the same cause.
pub(super) fn difference(faces: &[&Comparison]) -> String {
    let Some((first, others)) = faces.split_first() else { return String::new() };
    let whose = if first.n == 1 { "its one sister".to_owned() } else { format!("its {} sisters", first.n) };
    let mut says = match theirs(first) {
        Some(theirs) => format!("{}; {whose}: {theirs}.", held(first)),
        None => format!("{}.", held(first)),
    };
    let shown: Vec<String> = others
        .iter()
        .map(|other| match theirs(other) {
            Some(theirs) => format!("{} (theirs {theirs})", shows(other)),
            None => shows(other),
        })
        .collect();
    if !shown.is_empty() {
        says.push_str(&format!(" The same shows as {}.", shown.join(" and as ")));
    }
    says
}

/// What a condition was, as a sentence without its full stop.
fn held(one: &Comparison) -> String {
    let own = figure(one.measure, one.value);
    match one.measure {
        Exposure::OverdueCover => format!("Its cover stayed on {own} past the plan"),
        Exposure::DampSpell => format!("Its air stayed at {DAMP_FROM:.0} % and more for {own} on end in light"),
        Exposure::DampHours => format!("It had {own} of air at {DAMP_FROM:.0} % and more in light"),
        Exposure::MistWet => format!("Its leaves stayed wet from misting for {own} in light, by estimate"),
        Exposure::MoldPressure => format!("Its mold pressure rose to {own} of 100"),
        Exposure::WarmUnderCover => format!("Its air was above 24 °C (75 °F) for {own} under the cover"),
        Exposure::TooWarm => format!("Its air was too warm for the crop for {own} in light"),
        Exposure::TooCold => format!("Its air was too cold for the crop for {own}"),
        Exposure::WaterGap => format!("It went {own} in light without a watering in the log"),
        Exposure::DryHours => format!("Its water was used up for {own}, by estimate"),
        Exposure::Unknown => format!("Its air was not known for {own}"),
    }
}

/// The same as another face of something said before.
fn shows(one: &Comparison) -> String {
    let own = figure(one.measure, one.value);
    match one.measure {
        Exposure::DampSpell => format!("{own} on end"),
        Exposure::DampHours => format!("{own} at {DAMP_FROM:.0} % and more in all"),
        Exposure::MoldPressure => format!("mold pressure {own} of 100"),
        Exposure::WarmUnderCover => format!("{own} above 24 °C (75 °F) under it"),
        Exposure::OverdueCover => format!("a cover {own} past the plan"),
        Exposure::WaterGap => format!("{own} without a watering in the log"),
        Exposure::DryHours => format!("{own} with its water used up, by estimate"),
        Exposure::MistWet => format!("{own} wet from misting"),
        Exposure::TooWarm | Exposure::TooCold | Exposure::Unknown => own,
    }
}

/// What its sisters had; `None` without sisters.
fn theirs(one: &Comparison) -> Option<String> {
    let of = |value: f64| figure(one.measure, value);
    let (median, (low, high)) = one.median.zip(one.range)?;
    Some(if (high - low).abs() < 0.05 { of(median) } else { format!("{}, {} to {}", of(median), of(low), of(high)) })
}

/// How much the comparison is worth.
pub(super) fn beside(n: usize, conditions: &[Comparison]) -> String {
    if n == 0 {
        return "There is no healthy tray of the same crop of this age to hold it against.".to_owned();
    }
    if n < FEWEST_PEERS {
        return format!(
            "Held against {n} healthy of the same crop at the same age: fewer than five, too few for a test."
        );
    }
    let least = conditions.iter().filter_map(|condition| condition.p_corrected).reduce(f64::min).unwrap_or(1.0);
    let chance = if least > SURE {
        format!(
            "So many figures were compared that one of them can stand out this far by chance{}: take it as a hint, not \
             as proof.",
            if least < 1.0 { format!(", about one time in {:.0}", (1.0 / least).max(2.0)) } else { String::new() }
        )
    } else {
        format!("By chance alone, a figure would stand out this far about one time in {:.0}.", 1.0 / least)
    };
    format!(
        "Held against {n} healthy trays of the same crop at the same age. {chance} What differs need not be what \
         caused it. (Rank test of one tray against {n}, exact, two-sided; the smallest p is {least:.2} after Holm's \
         correction for {} conditions.)",
        conditions.len()
    )
}

/// When the trouble likely began, with the alarms that spoke in that time.
pub(super) fn onset(rules: &Rules, likely: &LikelyOnset, alarms: &[Spoken]) -> Onset {
    let site = &rules.site;
    let mut events: Vec<(Timestamp, String)> =
        likely.suspects.iter().map(|(at, suspect)| (*at, self::suspect(rules, *at, *suspect))).collect();
    let spoke = alarms.iter().filter(|alarm| (likely.from..=likely.until).contains(&alarm.at));
    events.extend(spoke.map(|alarm| (alarm.at, format!("{}: alarm. {}", local(site, alarm.at), cause(alarm)))));
    events.sort_by_key(|(at, _)| *at);
    Onset {
        seen_at: likely.seen_at,
        from: likely.from,
        until: likely.until,
        assumption: format!(
            "Assumed: grey mold grows at most {:.1} mm a day at {} (B. cinerea, Judet-Correia et al. 2010), a patch of \
             {SEEN_MM:.0} mm is seen; sporulation can begin 3 days after contamination (INRAE e-phytia), and it may go \
             unseen for 2 days more. No study of this was made on microgreens.",
            likely.growth_mm_a_day,
            site.units.temperature(likely.mean_celsius)
        ),
        events: events.into_iter().map(|(_, event)| event).collect(),
    }
}

fn suspect(rules: &Rules, at: Timestamp, suspect: Suspect) -> String {
    let site = &rules.site;
    let lasted = |until: Timestamp, what: &str| format!("{}, for {}: {what}", local(site, at), between(at, until));
    match suspect {
        Suspect::Damp(until) => lasted(until, &format!("the air stood at {DAMP_FROM:.0} % and more")),
        Suspect::OverdueCover(until) => lasted(until, "still under its cover, past the plan"),
        Suspect::NoWatering(until) => lasted(until, "no watering logged"),
        Suspect::AirNotKnown(until) => lasted(until, "its air was not known"),
        Suspect::Misted => format!("{}: misted", local(site, at)),
        Suspect::Moved(place) => format!("{}: moved to {}", local(site, at), rules.place(place).name),
    }
}

/// What an alarm said was the case: its first sentence. What to do about it then is over.
pub(super) fn cause(alarm: &Spoken) -> &str {
    alarm.text.split_once(". ").map_or(alarm.text.trim_end_matches('.'), |(first, _)| first)
}

/// An alarm as a line: when, what it said, what became of it.
pub(super) fn alarm(site: &Site, alarm: &Spoken) -> String {
    let held =
        alarm.over.map_or("It held to the end".to_owned(), |over| format!("It held until {}", local(site, over)));
    let answered = alarm.answered.as_ref().map_or("nobody answered".to_owned(), |by| format!("answered by {by}"));
    format!("{}: {}. {held}; {answered}.", local(site, alarm.at), cause(alarm))
}

/// The trace for a terminal of 80 columns.
pub fn text(trace: &Trace, rules: &Rules) -> String {
    let site = &rules.site;
    let mut out = String::new();
    let _ = writeln!(out, "Tray {}, {}, {}", trace.tray, trace.crop, trace.ended);
    let _ = writeln!(out, "Sown {}, told until {}", dated(site, trace.sown_at), local(site, trace.until));
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
        formatted_stage(&mut out, site, stage);
    }
    if !trace.peers.is_empty() {
        formatted_beside(&mut out, trace);
    }
    let _ = writeln!(out, "\nALARMS{}", if trace.alarms.is_empty() { ": none" } else { "" });
    for spoken in &trace.alarms {
        wrapped(&mut out, "  - ", &alarm(site, spoken));
    }
    if !trace.refills.is_empty() {
        let _ = writeln!(out, "\nRESERVOIR: refilled {} times in its life", trace.refills.len());
    }
    let _ = writeln!(out, "\nHOLES IN THE DATA{}", if trace.holes.is_empty() { ": none" } else { "" });
    for (from, until) in &trace.holes {
        let _ = writeln!(out, "  - {}, for {}", local(site, *from), between(*from, *until));
    }
    out.push('\n');
    wrapped(&mut out, "", "Hours are counted in steps of ten minutes; an alarm counts from minute to minute.");
    wrapped(&mut out, "", trace.caution);
    out
}

fn formatted_beside(out: &mut String, trace: &Trace) {
    let _ = writeln!(out, "\nBESIDE ITS SISTERS");
    let _ = writeln!(out, "  {:<27} {:>8} {:>8} {:>20} {:>8}", "", "this", "middle", "middle half", "rank");
    for condition in &trace.conditions {
        let of = |value: f64| figure(condition.measure, value);
        let half = condition.quartiles.map_or("-".to_owned(), |(low, high)| format!("{} to {}", of(low), of(high)));
        let _ = writeln!(
            out,
            "  {:<27} {:>8} {:>8} {:>20} {:>8}",
            self::condition(condition.measure),
            of(condition.value),
            condition.median.map_or("-".to_owned(), of),
            half,
            rank(condition)
        );
    }
}

fn formatted_stage(out: &mut String, site: &Site, stage: &StageTrace) {
    let long = between(stage.from, stage.until);
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
    line(out, "temperature", stage.temperature, &|value| site.units.temperature(value));
    line(out, "humidity", stage.humidity, &|value| format!("{value:.0} %"));
    line(out, "VPD", stage.vpd, &|value| format!("{value:.2} kPa"));
    line(out, "dew point", stage.dew_point, &|value| site.units.temperature(value));
    let [cold, inside, warm] = stage.temperature_hours.map(hours);
    let degrees = |celsius: f64| format!("{:.0}", site.units.degrees(celsius));
    let limits = said_band(stage.temperature_band, degrees);
    let sign = site.units.degree_sign();
    wrapped(out, "  ", &format!("temperature in its band of {limits} {sign} {inside}, below {cold}, above {warm}"));
    if stage.humidity_band != (None, None) {
        let [dry, inside, damp] = stage.humidity_hours.map(hours);
        let limits = said_band(stage.humidity_band, |value| format!("{value:.0}"));
        let alarms = stage.humidity_alarms_above.map_or(String::new(), |limit| {
            format!("; above {limit:.0} %, where it alarms, {}", hours(stage.alarming_damp_hours))
        });
        let says = format!("humidity in its band of {limits} % {inside}, below {dry}, above {damp}{alarms}");
        wrapped(out, "  ", &says);
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

/// "40 to 60", "up to 24", "18 and more".
fn said_band(band: (Option<f64>, Option<f64>), say: impl Fn(f64) -> String) -> String {
    match band {
        (Some(low), Some(high)) => format!("{} to {}", say(low), say(high)),
        (None, Some(high)) => format!("up to {}", say(high)),
        (Some(low), None) => format!("{} and more", say(low)),
        (None, None) => "any".to_owned(),
    }
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
