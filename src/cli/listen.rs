//! `listen`: a minute on the broker, and a settings file for what was heard there. Every guess
//! says why it was made; nothing that exists is written over.

use super::check::files::named_for_the_daemon;
use super::run::runtime;
use super::{Answer, DEFAULT_CONFIG, Failure, Outcome, print, settings, when};
use crate::clock::Clock;
use crate::config::{self, Broker, Locator, Unit};
use crate::intake::guess::{self, Guessed, TopicGuess};
use crate::intake::survey::survey;
use crate::notify::wording::speech::count;
use crate::reading::Quantity;
use crate::units::Timestamp;
use clap::Args;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Longer than this nobody waits; a device that speaks less often is heard at another try.
const LONGEST: Duration = Duration::from_secs(24 * 3600);

#[derive(Args)]
pub(super) struct Listen {
    /// The broker, such as "mqtt://127.0.0.1:1883"; without it the one of the settings, if there are any.
    #[arg(long, value_name = "URL")]
    url: Option<String>,
    /// The user to log in as, with --url.
    #[arg(long, requires = "url")]
    user: Option<String>,
    /// A file whose first line is the password, with --url.
    #[arg(long, value_name = "FILE", requires = "url")]
    password_file: Option<PathBuf>,
    /// How long to listen: "60 s", "10 min".
    #[arg(long = "for", default_value = "60 s")]
    span: String,
    /// Where the settings go; a file that exists is not touched. "-": standard output.
    #[arg(long, value_name = "FILE", default_value = "-")]
    to: PathBuf,
    /// Only topics that begin so, such as "loft/".
    #[arg(long, value_name = "TOPIC", default_value = "")]
    below: String,
}

impl Listen {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let span = when::span(&self.span)?.to_std().unwrap_or_default();
        if span < Duration::from_secs(1) || span > LONGEST {
            return Err(Failure::Usage(format!("--for is between \"1 s\" and \"24 h\", not \"{}\"", self.span)));
        }
        // Before a minute is spent.
        let to_file = self.to.as_os_str() != "-";
        if to_file && self.to.symlink_metadata().is_ok() {
            return Err(Failure::Sentence(format!(
                "{} exists and is not written over; name another with --to",
                self.to.display()
            )));
        }
        let broker = self.broker(path)?;
        eprintln!("Listening on {} for {} ...", address(&broker), self.span);
        let name = format!("traywarden-listen-{}", std::process::id());
        let heard = runtime()?
            .block_on(survey(&broker, &name, &["#".to_owned()], span, |_| false))
            .map_err(|error| Failure::Sentence(error.to_string()))?;
        if !heard.refused.is_empty() {
            return Err(Failure::Sentence(format!(
                "the broker does not let this user listen to everything; let {} read \"#\" in its access list for now, \
                 or listen as a user who may",
                broker.user.as_deref().unwrap_or("it")
            )));
        }
        let now = Clock::system().now();
        let mut heard = heard.messages;
        heard.retain(|message| message.topic.starts_with(&self.below) && !message.topic.starts_with("traywarden/"));
        let guesses = guess::guess(&heard, now);
        let proposal = proposal(&guesses, &broker, now);
        for line in account(&guesses, &self.span) {
            eprintln!("{line}");
        }
        if guesses.iter().all(|guess| air(guess).is_empty()) {
            return Err(Failure::Sentence(
                "no temperature and no humidity was heard, so there is no room to write settings for. Is a sensor \
                 switched on and pointed at this broker? One that speaks seldom needs a longer --for"
                    .to_owned(),
            ));
        }
        if !to_file {
            print(&proposal)?;
            return Ok(Answer::Yes);
        }
        let written = std::fs::File::create_new(&self.to).and_then(|mut file| file.write_all(proposal.as_bytes()));
        written.map_err(Failure::system(format!("write {}", self.to.display())))?;
        let file = self.to.display();
        eprintln!("Written to {file}. Read every line marked \"look\", then: traywarden --config {file} check");
        Ok(Answer::Yes)
    }

    fn broker(&self, path: &Path) -> Result<Broker, Failure> {
        if self.url.is_none() && (path != Path::new(DEFAULT_CONFIG) || path.exists()) {
            return Ok(settings(path)?.broker);
        }
        let mut text = String::from("[site]\nname = \"listen\"\ntime_zone = \"UTC\"\n[broker]\n");
        let absolute = |file: &PathBuf| std::path::absolute(file).unwrap_or_else(|_| file.clone());
        for (key, value) in [
            ("url", self.url.clone()),
            ("user", self.user.clone()),
            ("password_file", self.password_file.as_ref().map(|file| absolute(file).display().to_string())),
        ] {
            if let Some(value) = value {
                let _ = writeln!(text, "{key} = {}", quoted(&value));
            }
        }
        text.push_str("[[place]]\nid = \"a\"\n[[sensor]]\nid = \"b\"\nplace = \"a\"\ntopic = \"c\"\nhumidity = {}\n");
        Ok(config::parse(&text, "the broker named on the command line", Path::new(""))?.broker)
    }
}

/// What stands on the terminal: a line a topic.
fn account(guesses: &[TopicGuess], span: &str) -> Vec<String> {
    if guesses.is_empty() {
        return vec![format!("Nothing was said in {span}.")];
    }
    let mut lines = vec![format!("{} in {span}:", count(guesses.len() as i64, "topic"))];
    for guess in guesses {
        let found: Vec<&str> = guess.found.iter().map(|found| found.quantity.word()).collect();
        let found = guess.why_not.clone().unwrap_or_else(|| found.join(", "));
        lines.push(format!("  {}  {found}", guess.topic.escape_debug()));
    }
    lines
}

/// The settings file. Gauges stand in it as comments: what a tank holds nobody can hear.
fn proposal(guesses: &[TopicGuess], broker: &Broker, now: Timestamp) -> String {
    let zone = iana_time_zone::get_timezone().unwrap_or_else(|_| "UTC".to_owned());
    let us = zone.starts_with("America/") || zone.starts_with("US/");
    let day = now.format("%Y-%m-%d");
    let mut text = format!(
        "# Settings of traywarden, as `traywarden listen` proposed them on {day} from what it heard\n\
         # on {}. Lines marked \"look\" are guesses. Every key is explained in the example,\n\
         # traywarden.toml (config/, or /usr/share/doc/traywarden/examples/). When it is right:\n\
         # traywarden --config THIS-FILE check\n\n\
         [site]\nname = \"My room\"                # look: what you call it; letters carry it\n\
         time_zone = {}    # look: this machine's; the room's is wanted\n\
         units = \"{}\"                     # look: how numbers are shown, \"us\" or \"metric\"\n\
         rounds = [\"07:00\", \"19:00\"]     # look: when somebody is in the room\n\n[broker]\nurl = {}\n",
        address(broker),
        quoted(&zone),
        if us { "us" } else { "metric" },
        quoted(&address(broker)),
    );
    if let Some(user) = &broker.user {
        let _ = writeln!(text, "user = {}", quoted(user));
    }
    if let Some(file) = &broker.password_file {
        // What only root may read, systemd hands the daemon as a copy.
        let _ = writeln!(text, "password_file = {}", quoted(&named_for_the_daemon(file).display().to_string()));
    }
    text.push_str(
        "\n# Until a mail server stands here, letters become files and wake nobody.\n\
         #[mail]\n#from = \"warden@saltmarsh.example\"\n#to = [\"grower@saltmarsh.example\"]\n\
         #smtp = \"smtps://user@mail.saltmarsh.example:465\"\n#password_file = \"/run/credentials/traywarden.service/mail.password\"\n",
    );
    let mut places: BTreeMap<String, Vec<&TopicGuess>> = BTreeMap::new();
    for guess in guesses.iter().filter(|guess| !air(guess).is_empty()) {
        places.entry(place_of(&guess.topic)).or_default().push(guess);
    }
    let mut ids: BTreeSet<String> = places.keys().cloned().collect();
    for (place, topics) in &places {
        let _ = write!(text, "\n[[place]]\nid = \"{place}\"             # look: a rack or shelf whose air is alike\n");
        let _ = writeln!(text, "name = {}", quoted(&title(place)));
        for guess in topics {
            let id = new_id(&format!("{}-air", slug(&guess.topic)), &mut ids);
            sensor(&mut text, guess, &id, place);
        }
    }
    for guess in guesses.iter().filter(|guess| air(guess).is_empty()) {
        match guess.found.first() {
            Some(gauge) => reservoir(&mut text, guess, gauge),
            None => {
                let why = guess.why_not.as_deref().unwrap_or("nothing that is watched");
                let topic = guess.topic.escape_debug();
                let _ = write!(text, "\n# Not watched: {topic} ({why}). It said: {}\n", guess.sample);
            }
        }
    }
    text
}

fn sensor(text: &mut String, guess: &TopicGuess, id: &str, place: &str) {
    let _ = write!(text, "\n# It said: {}\n", guess.sample);
    for found in air(guess) {
        let _ = writeln!(text, "# look: {} is {}: {}", guess::shown(&found.at), found.quantity.word(), found.why);
    }
    let _ = write!(text, "[[sensor]]\nid = \"{id}\"\nplace = \"{place}\"\ntopic = {}\n", quoted(&guess.topic));
    pace(text, "", guess);
    for found in air(guess) {
        let _ = writeln!(text, "{} = {{ {} }}", found.quantity.word(), value_keys(found));
    }
}

fn reservoir(text: &mut String, guess: &TopicGuess, gauge: &Guessed) {
    let _ = write!(
        text,
        "\n# A gauge, it seems: {} is {}, {}.\n# It said: {}\n# Measure the tank inside, then take the signs away:\n\
         #[[reservoir]]\n#id = \"tank\"\n#topic = {}\n",
        guess::shown(&gauge.at),
        gauge.quantity.word(),
        gauge.why,
        guess.sample,
        quoted(&guess.topic)
    );
    pace(text, "#", guess);
    let height = if gauge.quantity == Quantity::Distance { ", sensor_height = \"400 mm\"" } else { "" };
    let _ = write!(
        text,
        "#reads = {{ what = \"{}\", {}{height} }}\n\
         #shape = {{ kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }}\n\
         #pump_inlet = \"20 mm\"\n",
        gauge.quantity.word(),
        value_keys(gauge)
    );
}

fn pace(text: &mut String, sign: &str, guess: &TopicGuess) {
    let _ = match guess.every {
        Some(every) => writeln!(text, "{sign}every = \"{} s\"", every.as_secs()),
        None => writeln!(text, "{sign}#every = \"60 s\"   # look: it spoke only once, so its pace is not known"),
    };
    if let Some(time) = &guess.time {
        let _ = writeln!(text, "{sign}time = {}", quoted(time));
    }
}

fn value_keys(found: &Guessed) -> String {
    let unit = format!("unit = \"{}\"", unit_word(found.unit));
    match &found.at {
        Locator::Bare => unit,
        Locator::Pointer(pointer) => format!("pointer = {}, {unit}", quoted(pointer)),
        Locator::Senml(name) => format!("senml = {}, {unit}", quoted(name)),
    }
}

/// What of a topic is air.
fn air(guess: &TopicGuess) -> Vec<&Guessed> {
    guess.found.iter().filter(|found| matches!(found.quantity, Quantity::Temperature | Quantity::Humidity)).collect()
}

fn unit_word(unit: Unit) -> &'static str {
    match unit {
        Unit::Celsius => "Cel",
        Unit::Fahrenheit => "F",
        Unit::Kelvin => "K",
        Unit::PercentHumidity => "%RH",
        Unit::Ratio => "/",
        Unit::Millimetre => "mm",
        Unit::Centimetre => "cm",
        Unit::Metre => "m",
        Unit::Inch => "in",
        Unit::Litre => "L",
        Unit::UsGallon => "gal",
        Unit::Percent => "%",
    }
}

/// The broker as it stands in settings; never with a password.
fn address(broker: &Broker) -> String {
    let scheme = if broker.tls.is_some() { "mqtts" } else { "mqtt" };
    let host = if broker.host.contains(':') { format!("[{}]", broker.host) } else { broker.host.clone() };
    format!("{scheme}://{host}:{}", broker.port)
}

/// Levels of a topic that name a kind of message and no place (common practice, no source).
const NO_PLACE: [&str; 20] = [
    "air",
    "climate",
    "data",
    "device",
    "devices",
    "environment",
    "event",
    "events",
    "humidity",
    "measurement",
    "reading",
    "readings",
    "sensor",
    "sensors",
    "state",
    "status",
    "telemetry",
    "temp",
    "temperature",
    "value",
];

/// "loft/rack-a/air" stands in "rack-a": the last level that may be a place.
fn place_of(topic: &str) -> String {
    let levels: Vec<String> = topic.split('/').map(slug).filter(|level| !level.is_empty()).collect();
    let place = levels.iter().rev().find(|level| !NO_PLACE.contains(&level.as_str()));
    place.or(levels.first()).cloned().unwrap_or_else(|| "room".to_owned()).replace("site", "room")
}

fn slug(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|letter| if letter.is_ascii_alphanumeric() { letter.to_ascii_lowercase() } else { '-' })
        .collect();
    let parts: Vec<&str> = plain.split('-').filter(|part| !part.is_empty()).collect();
    parts.join("-").chars().take(48).collect()
}

fn new_id(wanted: &str, taken: &mut BTreeSet<String>) -> String {
    let wanted = wanted.replace("-air-air", "-air");
    let numbered = (2..).map(|number| format!("{wanted}-{number}"));
    let id = std::iter::once(wanted.clone()).chain(numbered).find(|id| !taken.contains(id)).unwrap_or(wanted);
    taken.insert(id.clone());
    id
}

fn title(id: &str) -> String {
    let capital = |word: &str| word.chars().take(1).flat_map(char::to_uppercase).chain(word.chars().skip(1)).collect();
    id.split('-').map(capital).collect::<Vec<String>>().join(" ")
}

/// A TOML string; JSON's escapes are a subset of TOML's.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::survey::said;

    fn heard(messages: &[(u64, &str, &str)]) -> Vec<TopicGuess> {
        guess::guess(&said(messages), now())
    }

    fn now() -> Timestamp {
        "2026-03-03T04:00:00Z".parse().expect("a time")
    }

    fn broker() -> Broker {
        let listen = Listen {
            url: Some("mqtt://127.0.0.1:1884".into()),
            user: Some("warden".into()),
            password_file: Some("/etc/traywarden/mqtt.password".into()),
            span: "60 s".into(),
            to: "-".into(),
            below: String::new(),
        };
        listen.broker(Path::new(DEFAULT_CONFIG)).unwrap_or_else(|error| panic!("{error}"))
    }

    #[test]
    fn what_is_proposed_is_taken_by_the_check_and_means_what_was_heard() {
        let air = r#"{"temperature":70.5,"humidity":61,"battery":97,"time":"2026-03-03T04:00:00Z"}"#;
        let pack = r#"[{"n":"t","u":"Cel","v":21.4},{"n":"rh","u":"%RH","v":61}]"#;
        let guesses = heard(&[
            (0, "loft/rack-a/air", air),
            (30, "loft/rack-a/air", air),
            (3, "loft/rack-b/temperature", "21.4"),
            (4, "loft/rack-b/humidity", "61"),
            (5, "loft/pack \"x\"/state", pack),
            (6, "loft/tank/distance", "183"),
            (7, "loft/door", "open \u{1b}[31m"),
        ]);
        let text = proposal(&guesses, &broker(), now());
        let config = config::parse(&text, "proposal.toml", Path::new("/etc/room"))
            .unwrap_or_else(|problems| panic!("{problems}\n{text}"));
        let places: Vec<&str> = config.rules.places.iter().map(|place| place.id.as_str()).collect();
        assert_eq!(places, ["pack-x", "rack-a", "rack-b"], "{text}");
        assert_eq!(config.topics.sensors.len(), 4, "{text}");
        let fields = &config.topics.sensors["loft/rack-a/air"][0];
        assert_eq!((fields.time.as_deref(), fields.fields[0].unit), (Some("/time"), Unit::Fahrenheit));
        assert_eq!(config.rules.sensors[1].every.num_seconds(), 30, "{text}");
        assert_eq!((config.broker.port, config.broker.user.as_deref()), (1884, Some("warden")));
        for reported in
            ["Not watched: loft/door", "#[[reservoir]]", "\"temperature\" in its name", "look: this machine's"]
        {
            assert!(text.contains(reported), "{reported} in\n{text}");
        }
        assert!(!text.contains('\u{1b}'), "nothing of a message reaches the terminal raw");
        // The gauge's lines are right too, once a grower has opened them.
        let mut in_gauge = false;
        let opened = text.lines().map(|line| {
            in_gauge = line == "#[[reservoir]]" || (in_gauge && line.starts_with('#'));
            if in_gauge { format!("{}\n", &line[1..]) } else { format!("{line}\n") }
        });
        let opened: String = opened.collect();
        let config = config::parse(&opened, "opened.toml", Path::new("/etc/room"))
            .unwrap_or_else(|problems| panic!("{problems}\n{opened}"));
        assert_eq!(config.rules.reservoirs.len(), 1, "{opened}");
    }

    #[test]
    fn places_are_found_in_topics() {
        for (topic, place) in [
            ("loft/rack-a/air", "rack-a"),
            ("sensors/Shelf 2/state", "shelf-2"),
            ("temperature", "temperature"),
            ("a/b/c/temperature", "c"),
            ("//", "room"),
        ] {
            assert_eq!(place_of(topic), place, "{topic}");
        }
    }
}
