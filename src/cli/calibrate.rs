//! `calibrate`: walks a grower through jars of salt and works out what corrects a
//! hygrometer. Asked in words, or in one go with `--point`. It changes no file: it prints
//! the line to put into the settings. The figures and what to refuse are the engine's.

mod bench;
mod finding;
mod heard;
mod refusals;
mod salts;
mod settings_line;
mod words;

use super::{Answer, Failure, Outcome, print, settings, when};
use crate::engine::quality::calibration::{CalibrationError, Correction, Jar, Salt};
use crate::units::{Celsius, RelativeHumidity, Timestamp, UnitSystem};
use bench::Bench;
use clap::Args;
use finding::{Finding, Found};
use std::io::{BufRead, Write};
use std::path::Path;

#[derive(Args)]
pub(super) struct Calibrate {
    /// The sensor whose humidity is to be corrected.
    sensor: String,
    /// A jar: SALT=READING, or SALT@TIME for the hour up to then from the store, or SALT for
    /// the last hour. Twice for a full correction, once to shift only. Without any, you are asked.
    #[arg(long = "point", value_name = "SALT=READING")]
    points: Vec<String>,
    /// A third jar, written the same way, that had no part in the correction: pass or fail.
    #[arg(long, value_name = "SALT=READING", requires = "points")]
    verify: Option<String>,
    /// How warm the jars stood, such as "22 C" or "72 F", where the sensor itself does not say.
    #[arg(long)]
    temperature: Option<String>,
    /// Print JSON instead of text.
    #[arg(long, requires = "points")]
    json: bool,
}

/// The jars that correct, and the one that verifies.
type Jars = (Vec<Found>, Option<Found>);

impl Calibrate {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let bench = Bench::new(&config, &self.sensor)?;
        let given = self.temperature.as_deref().map(|text| temperature(text, config.rules.site.units)).transpose()?;
        let (jars, third) = if self.points.is_empty() {
            print(&words::instructions(&bench, given.unwrap_or(USUAL_ROOM)))?;
            let mut talk = Talk { input: std::io::stdin().lock(), given };
            match talk.jars(&bench)? {
                Some(asked) => asked,
                None => return Ok(Answer::Yes),
            }
        } else {
            if self.points.len() > 2 {
                return Err(Failure::Usage("two jars correct a sensor; a third goes to --verify".into()));
            }
            let jars = self.points.iter().map(|point| bench.point(point, given)).collect::<Result<Vec<_>, _>>()?;
            let third = self.verify.as_deref().map(|point| bench.point(point, given)).transpose()?;
            (jars, third)
        };
        let finding = bench.work_out(jars, third)?;
        let text = std::fs::read_to_string(path).unwrap_or_default();
        let line = settings_line::corrected(&text, bench.sensor, &finding.correction, finding.date);
        if self.json {
            print(&words::as_json(&bench, &finding, line.as_ref()).to_string())?;
        } else {
            print(&words::result(&bench, &finding, path, line.as_ref()))?;
        }
        Ok(if finding.holds() { Answer::Yes } else { Answer::No })
    }
}

impl Bench<'_> {
    /// A jar as the command line writes it.
    fn point(&self, text: &str, given: Option<Celsius>) -> Result<Found, Failure> {
        let at = text.find(['=', '@']).unwrap_or(text.len());
        let (name, rest) = text.split_at(at);
        let salt = salt(name)?;
        match rest.strip_prefix('=') {
            Some(reading) => self.typed(salt, percent(reading)?, given),
            None => {
                let until = rest.strip_prefix('@').unwrap_or("now");
                self.read_from_store(salt, when::instant(until, self.config.rules.site.time_zone, self.now)?, given)
            }
        }
    }

    fn typed(&self, salt: Salt, reading: f64, given: Option<Celsius>) -> Result<Found, Failure> {
        let temperature = match given {
            Some(given) => given,
            None => self.temperature_now().ok_or_else(|| {
                Failure::Usage("say how warm the jar stood: --temperature \"22 C\" (or \"72 F\")".into())
            })?,
        };
        Ok(Found { jar: Jar { salt, temperature, reading: RelativeHumidity(reading) }, hour: None })
    }

    fn read_from_store(&self, salt: Salt, until: Timestamp, given: Option<Celsius>) -> Result<Found, Failure> {
        let hour = heard::hour(self, until)?;
        let temperature = given.or(hour.temperature.map(|settled| Celsius(settled.value))).ok_or_else(|| {
            Failure::Usage(format!("{} does not measure temperature: give --temperature \"22 C\"", self.sensor))
        })?;
        let reading = RelativeHumidity(hour.humidity.value);
        Ok(Found { jar: Jar { salt, temperature, reading }, hour: Some(hour) })
    }

    /// The sensor's own thermometer over the last hour, if it stood still.
    fn temperature_now(&self) -> Option<Celsius> {
        heard::exactly(self, self.now).ok()?.temperature.map(|settled| Celsius(settled.value))
    }

    fn work_out(&self, jars: Vec<Found>, third: Option<Found>) -> Result<Finding, Failure> {
        let refused = |error: CalibrationError| Failure::Sentence(refusals::correction(&error));
        let correction = match jars.as_slice() {
            [one, other] => Correction::from_two(one.jar, other.jar),
            [one, ..] => Correction::from_one(one.jar),
            [] => return Err(Failure::Usage("no jar was named".into())),
        }
        .map_err(refused)?;
        // What the settings will hold, so that the verification judges just that.
        let correction = Correction { gain: round(correction.gain, 1e4), offset: round(correction.offset, 1e2) };
        let accuracy = self.config.rules.channel(self.humidity).accuracy;
        let verification = match third {
            Some(third) => {
                let verification = correction.verified(third.jar, accuracy).map_err(refused)?;
                Some((third, verification))
            }
            None => None,
        };
        let date = self.now.with_timezone(&self.config.rules.site.time_zone).date_naive();
        Ok(Finding { jars, correction, verification, date })
    }
}

/// Questions on standard error, answers a line each from standard input.
struct Talk<R> {
    input: R,
    given: Option<Celsius>,
}

impl<R: BufRead> Talk<R> {
    /// The jars, and the third; `None` when nobody answers at all.
    fn jars(&mut self, bench: &Bench<'_>) -> Result<Option<Jars>, Failure> {
        let mut jars = Vec::new();
        for (which, usual) in [("first", Salt::MagnesiumChloride), ("second", Salt::SodiumChloride)] {
            let question = format!("Salt in the {which} jar [{}]", salts::packet(usual));
            let question = if jars.is_empty() { question } else { format!("{question}, or \"none\"") };
            let Some(salt) = self.salt(&question, Some(usual))? else {
                if jars.is_empty() {
                    return Ok(None);
                }
                break;
            };
            jars.push(self.jar(bench, salt)?);
        }
        let third = match self.salt("Salt of another jar to verify it with (KCl, K2SO4), or Enter for none", None)? {
            Some(salt) => Some(self.jar(bench, salt)?),
            None => None,
        };
        Ok(Some((jars, third)))
    }

    fn jar(&mut self, bench: &Bench<'_>, salt: Salt) -> Result<Found, Failure> {
        loop {
            let hint = if bench.reader.is_some() {
                "What the device said in it, or until when it lay there (\"07:30\") [the last hour, from the store]"
            } else {
                "What the device said in it"
            };
            let answer = self.ask(hint)?.ok_or_else(ended)?;
            let found = match percent(&answer) {
                Ok(reading) => {
                    let given = match self.given {
                        Some(given) => Some(given),
                        None => self.warmth(bench)?,
                    };
                    bench.typed(salt, reading, given)
                }
                Err(error) if bench.reader.is_none() => Err(error),
                Err(_) => {
                    let until = if answer.is_empty() { "now" } else { &answer };
                    when::instant(until, bench.config.rules.site.time_zone, bench.now)
                        .and_then(|until| bench.read_from_store(salt, until, self.given))
                }
            };
            match found {
                Ok(found) => return Ok(found),
                Err(error) => eprintln!("{error}"),
            }
        }
    }

    fn warmth(&mut self, bench: &Bench<'_>) -> Result<Option<Celsius>, Failure> {
        let known = bench.temperature_now();
        let site = &bench.config.rules.site;
        let shown = known.map_or(String::new(), |known| {
            format!(" [{}, by the sensor]", super::show::temperature(site, Some(known.0)))
        });
        loop {
            let answer = self.ask(&format!("How warm the jar stood{shown}"))?.ok_or_else(ended)?;
            if answer.is_empty() && known.is_some() {
                return Ok(known);
            }
            match temperature(&answer, site.units) {
                Ok(found) => return Ok(Some(found)),
                Err(error) => eprintln!("{error}"),
            }
        }
    }

    fn salt(&mut self, question: &str, usual: Option<Salt>) -> Result<Option<Salt>, Failure> {
        loop {
            let Some(answer) = self.ask(question)? else { return Ok(None) };
            if answer.is_empty() {
                return Ok(usual);
            }
            if answer == "none" {
                return Ok(None);
            }
            match salt(&answer) {
                Ok(found) => return Ok(Some(found)),
                Err(error) => eprintln!("{error}"),
            }
        }
    }

    /// `None`: the answers have ended.
    fn ask(&mut self, question: &str) -> Result<Option<String>, Failure> {
        eprint!("{question}: ");
        let _ = std::io::stderr().flush();
        let mut answer = String::new();
        let read = self.input.read_line(&mut answer).map_err(Failure::system("read the answer"))?;
        if read == 0 {
            eprintln!();
            return Ok(None);
        }
        Ok(Some(answer.trim().to_owned()))
    }
}

fn ended() -> Failure {
    Failure::Usage("the answers ended before the jar was told; nothing was worked out".into())
}

fn salt(word: &str) -> Result<Salt, Failure> {
    salts::called(word).ok_or_else(|| {
        let known: Vec<String> =
            Salt::ALL.iter().map(|salt| format!("{} ({})", salt.formula(), salts::name(*salt))).collect();
        Failure::Usage(format!("\"{}\" is none of the salts: {}", word.trim(), known.join(", ")))
    })
}

fn percent(text: &str) -> Result<f64, Failure> {
    let number = text.trim().trim_end_matches("%RH").trim_end_matches('%').trim();
    number
        .parse::<f64>()
        .ok()
        .filter(|value| (0.0..=105.0).contains(value))
        .ok_or_else(|| Failure::Usage(format!("\"{}\" is no relative humidity between 0 and 105 %", text.trim())))
}

/// A temperature with its unit; without one, in the site's.
fn temperature(text: &str, units: UnitSystem) -> Result<Celsius, Failure> {
    let text = text.trim();
    let unit = text.trim_start_matches(|letter: char| letter.is_ascii_digit() || matches!(letter, '.' | '-' | ' '));
    let number = text[..text.len() - unit.len()].trim().parse::<f64>();
    let celsius = match (number, unit.trim_start_matches('°'), units) {
        (Ok(number), "C" | "Cel", _) | (Ok(number), "", UnitSystem::Metric) => Some(number),
        (Ok(number), "F", _) | (Ok(number), "", UnitSystem::Us) => Some((number - 32.0) / 1.8),
        _ => None,
    };
    celsius
        .filter(|celsius| celsius.is_finite())
        .map(Celsius)
        .ok_or_else(|| Failure::Usage(format!("\"{text}\" is no temperature: write \"22 C\" or \"72 F\"")))
}

fn round(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// For the table in the instructions, where nothing else is said.
const USUAL_ROOM: Celsius = Celsius(22.0);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_temperature_without_a_unit_is_in_the_sites() {
        let read = |text, units| temperature(text, units).unwrap().0;
        assert_eq!(read("22", UnitSystem::Metric), 22.0);
        assert!((read("71.6", UnitSystem::Us) - 22.0).abs() < 1e-9);
        assert!((read("71.6 °F", UnitSystem::Metric) - 22.0).abs() < 1e-9);
        assert_eq!(read("-3.5C", UnitSystem::Us), -3.5);
        for wrong in ["", "warm", "22 K", "-", "1e999 C"] {
            assert!(temperature(wrong, UnitSystem::Metric).is_err(), "{wrong}");
        }
    }
}
