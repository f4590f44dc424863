//! What `calibrate` says: how to lay a sensor into jars of salt, what came of it, and which
//! line of the settings it makes.

use super::bench::Bench;
use super::finding::{Finding, Found};
use super::salts::packet;
use super::settings_line::{self, SettingsLine};
use crate::cli::show;
use crate::engine::quality::calibration::{Salt, Verification};
use crate::units::{Celsius, RelativeHumidity};
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::Path;

/// How it is done.
pub(super) fn instructions(bench: &Bench<'_>, room: Celsius) -> String {
    let site = &bench.config.rules.site;
    let holds = |salt: Salt| {
        let humidity = salt.humidity(room).map_or("-".to_owned(), |humidity| tenths(humidity.0));
        format!("    {:<28} {humidity} ± {:.1} %\n", packet(salt), salt.uncertainty())
    };
    let two: String = [Salt::MagnesiumChloride, Salt::SodiumChloride].map(holds).concat();
    let check: String = [Salt::PotassiumChloride, Salt::PotassiumSulfate].map(holds).concat();
    let sensor = bench.sensor;
    let place = bench.place();
    format!(
        "Correcting the humidity of {sensor} ({place}) with jars of salt

Air above a wet salt settles at one humidity, whatever the jar. At {room}:
{two}and to verify it afterwards, one of:
{check}
1. For each salt take a clean jar with a tight lid, just large enough for the sensor. Put in
   two finger breadths of salt and stir in a little water until it is like wet sand: solid salt
   must stay visible, with no more than a film of water over it. Table salt without iodine or
   anti-caking agent; of the others a packet that names a purity.
2. Hang the sensor into the air of the jar, its cable through the lid, sealed. It must not touch
   the salt, the water or the wall, and no drop may fall on it: that would spoil it. A device
   with mains in it does not go into a jar.
3. Close it and leave it 12 to 24 hours at an even temperature: away from lamps, heaters,
   windows and drafts. A sensor one degree Celsius warmer than its salt reads 4 to 5 % low.
4. Note what the device shows or sends, and how warm the jar is. If it goes on sending to the
   broker meanwhile, the store knows both, and you need only the time.
5. The same in the next jar, the drier one first. Let it stand a few hours in room air before it
   goes back to its place.

While it lies in a jar its readings count as the air of {place}: letters about that air mean the
jar. Jars, spoons and salt are no kitchen things any more: label them, keep them away from trays,
seed, children and animals, wash your hands, and follow what the packet says of handling and
disposal. What it gives is a correction, not accuracy that is traceable to a standard.

In one go, when both jars are read:
    traywarden calibrate {sensor} --point MgCl2=33.9 --point NaCl=74.1 --temperature \"{room}\"
    traywarden calibrate {sensor} --point \"MgCl2@{example} 07:00\" --point NaCl      (from the store)
Or answer here.
",
        room = show::temperature(site, Some(room.0)),
        example = (bench.now - chrono::TimeDelta::days(1)).with_timezone(&site.time_zone).date_naive(),
    )
}

/// What came of it.
pub(crate) fn result(bench: &Bench<'_>, finding: &Finding, path: &Path, line: Option<&SettingsLine>) -> String {
    let site = &bench.config.rules.site;
    let mut table = show::table(["JAR", "TEMPERATURE", "HOLDS", "DEVICE SAID", "OFF BY"]);
    for found in &finding.jars {
        let held = found.jar.salt.humidity(found.jar.temperature).unwrap_or(RelativeHumidity(f64::NAN)).0;
        table.add_row([
            packet(found.jar.salt),
            show::temperature(site, Some(found.jar.temperature.0)),
            format!("{} ± {:.1} %", tenths(held), found.jar.salt.uncertainty()),
            format!("{} %", tenths(found.jar.reading.0)),
            format!("{:+.1} %", tidy(found.jar.reading.0 - held)),
        ]);
    }
    let correction = &finding.correction;
    let mut text = format!("{}, humidity ({})\n\n{table}\n\n", bench.sensor, bench.place());
    for found in finding.jars.iter().chain(finding.verification.as_ref().map(|(found, _)| found)) {
        text.push_str(&steadiness(bench, found));
    }
    let _ = writeln!(
        text,
        "Believed = {} × value {} {}.",
        correction.gain,
        if correction.offset < 0.0 { "-" } else { "+" },
        correction.offset.abs()
    );
    let formatted = [60.0, 90.0, 95.0]
        .map(|raw| format!("{raw:.0} % said is {} % believed", tenths(correction.apply(RelativeHumidity(raw)).0)));
    let _ = writeln!(text, "{}.", formatted.join(", "));
    if finding.jars.len() == 1 {
        text.push_str(
            "One jar only shifts: far from its humidity the sensor may be off by more. A second jar gives the slope.\n",
        );
    }
    let channel = bench.config.rules.channel(bench.humidity);
    if channel.gain != 1.0 || channel.offset != 0.0 {
        let _ = writeln!(
            text,
            "It takes the place of gain {} and offset {:+}: readings typed in must be what the device sends, not what \"now\" shows.",
            channel.gain, channel.offset
        );
    }
    match &finding.verification {
        Some((found, verification)) => text.push_str(&verdict(found, verification)),
        None => text
            .push_str("Not verified: a third jar, potassium chloride or potassium sulfate, would tell (--verify).\n"),
    }
    if !finding.holds() {
        return text;
    }
    match line {
        Some(line) => {
            let _ = writeln!(text, "\nLine {} of {} becomes\n\n{}\n", line.number, path.display(), line.text);
        }
        None => {
            let _ = writeln!(
                text,
                "\nInto the humidity of [[sensor]] {} in {}, in place of any gain and offset there:\n\n{}\n",
                bench.sensor,
                path.display(),
                settings_line::keys(correction, finding.date)
            );
        }
    }
    text.push_str(
        "Then \"traywarden check\", and \"systemctl reload traywarden\". Past readings stay as they were believed.\n\
         It corrects a reading; it makes it traceable to no standard. Do it again in a year, or after a wet spell of days.\n",
    );
    text
}

fn steadiness(bench: &Bench<'_>, found: &Found) -> String {
    let site = &bench.config.rules.site;
    let Some(hour) = &found.hour else { return String::new() };
    let warmth = hour.temperature.map_or(String::new(), |settled| {
        let kelvin = settled.spread;
        format!(", temperature within {:.1} K", kelvin)
    });
    format!(
        "{}: from the store, {} to {}, {} readings; steady within {:.1} %, moving by {:+.2} % an hour{warmth}.\n",
        packet(found.jar.salt),
        show::local(site, hour.from),
        show::local(site, hour.until),
        hour.humidity.count,
        hour.humidity.spread,
        hour.humidity.per_hour,
    )
}

fn verdict(found: &Found, verification: &Verification) -> String {
    let passed = verification.passes();
    let held = tenths(verification.held.0);
    let corrected = tenths(verification.corrected.0);
    let mut text = format!(
        "Verified with {}: it holds {held} %, the corrected sensor says {corrected} %, off by {:+.1} % where {:.1} % is \
         allowed: {}.\n",
        packet(found.jar.salt),
        tidy(verification.off_by),
        verification.allowed,
        if passed { "pass" } else { "FAIL" }
    );
    if !passed {
        text.push_str(
            "Do not use this correction. Look whether solid salt is visible in every jar and none is mixed up, wait 24 \
             hours and read again; if it stays so, replace the sensor.\n",
        );
    }
    text
}

/// The same as data.
pub(in crate::cli) fn as_json(bench: &Bench<'_>, finding: &Finding, line: Option<&SettingsLine>) -> Value {
    let jar = |found: &Found| {
        json!({
            "salt": found.jar.salt.formula(), "temperature_celsius": show::rounded(Some(found.jar.temperature.0)),
            "holds_percent": show::rounded(found.jar.salt.humidity(found.jar.temperature).map(|held| held.0)),
            "salt_uncertainty_percent": found.jar.salt.uncertainty(),
            "said_percent": show::rounded(Some(found.jar.reading.0)),
            "from_store": found.hour.as_ref().map(|hour| json!({
                "from": show::instant(hour.from), "until": show::instant(hour.until), "readings": hour.humidity.count,
                "spread_percent": show::rounded(Some(hour.humidity.spread)),
                "percent_an_hour": show::rounded(Some(hour.humidity.per_hour)),
            })),
        })
    };
    json!({
        "sensor": bench.sensor, "gain": finding.correction.gain, "offset": finding.correction.offset,
        "calibrated": finding.date.to_string(), "jars": finding.jars.iter().map(jar).collect::<Vec<_>>(),
        "verification": finding.verification.as_ref().map(|(found, verification)| json!({
            "jar": jar(found), "corrected_percent": show::rounded(Some(verification.corrected.0)),
            "off_by_percent": show::rounded(Some(verification.off_by)),
            "allowed_percent": show::rounded(Some(verification.allowed)), "passes": verification.passes(),
        })),
        "settings": line.filter(|_| finding.holds()).map(|line| json!({"line": line.number, "text": line.text})),
    })
}

/// No "-0.0".
fn tidy(value: f64) -> f64 {
    (value * 10.0).round() / 10.0 + 0.0
}

fn tenths(value: f64) -> String {
    format!("{value:.1}")
}
