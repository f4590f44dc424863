//! The settings: the shape of the TOML, every problem at once, and the checked
//! value that nothing downstream checks again.

mod amount;
mod answers;
mod beat;
mod check;
pub mod crops;
mod file;
mod guard;
mod outside;
mod page;
mod problem;
mod reservoir;
mod devices;
mod tank;

pub use problem::{Problem, Problems};

use crate::engine::rules::Rules;
use crate::reading::{Quantity, SensorId};
use chrono::TimeDelta;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// Reads and checks a settings file. Relative paths in it count from its folder.
///
/// # Errors
/// Everything that is wrong with it, in one go.
pub fn load(path: &Path) -> Result<Config, Problems> {
    load_with(path, check::config)
}

/// The same for the settings of `guard`.
///
/// # Errors
/// Everything that is wrong with them, in one go.
pub fn load_guard(path: &Path) -> Result<Guard, Problems> {
    load_with(path, guard::guard)
}

type ReadAs<T> = fn(&DeTable<'_>, &mut file::Findings<'_>, &Path) -> T;

fn load_with<T>(path: &Path, read: ReadAs<T>) -> Result<T, Problems> {
    let file_name = path.display().to_string();
    let mut bytes = Vec::new();
    let opened = std::fs::File::open(path).and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes));
    if let Err(error) = opened {
        let hint = "\"traywarden listen --to FILE\" proposes settings from what your devices say, config/traywarden.toml is an \
                    example, and --config names another file";
        return Err(Problems::whole_file(&file_name, format!("cannot be read: {error}"), hint));
    }
    match String::from_utf8(bytes) {
        Ok(text) => parse_with(&text, &file_name, path.parent().unwrap_or(Path::new("")), read),
        Err(error) => {
            let valid = error.utf8_error().valid_up_to();
            let line = 1 + error.as_bytes()[..valid].iter().filter(|byte| **byte == b'\n').count();
            let wanted = format!("line {line} is not UTF-8 text");
            Err(Problems::whole_file(&file_name, wanted, "save it as UTF-8 in your editor"))
        }
    }
}

/// Checks the text of a settings file. `file_name` is only shown; relative paths
/// count from `base_dir`.
///
/// # Errors
/// Everything that is wrong with it, in one go.
pub fn parse(text: &str, file_name: &str, base_dir: &Path) -> Result<Config, Problems> {
    parse_with(text, file_name, base_dir, check::config)
}

fn parse_with<T>(text: &str, file_name: &str, base_dir: &Path, read: ReadAs<T>) -> Result<T, Problems> {
    if text.len() as u64 > LARGEST_FILE {
        let wanted = format!("longer than {LARGEST_FILE} bytes: this is no settings file");
        return Err(Problems::whole_file(file_name, wanted, "the example is config/traywarden.toml"));
    }
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut findings = file::Findings::new(text);
    findings.not_toml(&errors);
    // What is read from a broken file would only add problems that are none.
    let config = errors.is_empty().then(|| read(document.get_ref(), &mut findings, base_dir));
    match (config, findings.into_problems()) {
        (Some(config), problems) if problems.is_empty() => Ok(config),
        (_, problems) => Err(Problems::new(file_name, problems)),
    }
}

/// The annotated example that is shipped: every key, its default, and why.
pub fn example() -> &'static str {
    include_str!("../../config/traywarden.toml")
}

/// A hundred racks need about 50 kB; more than this is another kind of file. It
/// also keeps every list far below the 65,536 things that the ids can count.
const LARGEST_FILE: u64 = 1 << 20;

/// A whole checked config.
#[derive(Clone, Debug)]
pub struct Config {
    /// What the engine obeys.
    pub rules: Rules,
    /// The broker and what to listen to.
    pub broker: Broker,
    /// Which topic means what.
    pub topics: Topics,
    /// Where everything is kept.
    pub store: Store,
    /// Who is written to.
    pub mail: Mail,
    /// What is asked for while the watch is well; `None`: nothing.
    pub beat: Option<Beat>,
    /// Where the round sheet is served.
    pub page: Page,
}

/// Where the round sheet is served, and under which names it may be asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Address and port; `None`: no page.
    pub listen: Option<std::net::SocketAddr>,
    /// Names by which phones may call this machine, in lower case. Bare addresses and
    /// `localhost` always do.
    pub names: Vec<String>,
    /// Who may ask for `/metrics` and `/health` without being paired.
    pub metrics: MetricsFor,
}

/// Who may ask for figures without being paired.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum MetricsFor {
    /// Programs on this machine.
    #[default]
    ThisMachine,
    /// Whoever is on the local network.
    LocalNetwork,
}

/// The broker.
#[derive(Clone, Debug, PartialEq)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// TLS; `None`: plain.
    pub tls: Option<Tls>,
    /// User.
    pub user: Option<String>,
    /// File whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// Fixed, so that the broker keeps our session while we are away.
    pub client_id: String,
    /// The `<site>` in `traywarden/<site>/...`: the site's name in lower case,
    /// letters, digits and hyphens only.
    pub site_topic: String,
}

/// How TLS is checked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tls {
    /// A private certificate authority, PEM. `None`: the built-in public roots.
    pub ca_file: Option<PathBuf>,
    /// Our own certificate, PEM, for brokers that ask for one.
    pub certificate_file: Option<PathBuf>,
    /// Its key, PEM.
    pub key_file: Option<PathBuf>,
}

/// Which topic means what: every sensor's topic and how to read it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Topics {
    /// By exact topic; several sensors may share one.
    pub sensors: BTreeMap<String, Vec<Source>>,
    /// Journal entries come here.
    pub journal: String,
}

/// How one sensor's messages are read.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// The sensor.
    pub sensor: SensorId,
    /// What to take from a message.
    pub fields: Vec<Field>,
    /// Where the time of measuring is, as a JSON Pointer; SenML carries its own.
    pub time: Option<String>,
}

/// One quantity in a message.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// The channel it feeds.
    pub channel: crate::reading::ChannelId,
    /// What it is.
    pub quantity: Quantity,
    /// Where it is.
    pub at: Locator,
    /// The unit it is declared in.
    pub unit: Unit,
}

/// Where a value is in a message.
#[derive(Clone, Debug, PartialEq)]
pub enum Locator {
    /// The whole payload is the number.
    Bare,
    /// A JSON Pointer (RFC 6901).
    Pointer(String),
    /// A SenML record (RFC 8428) whose resolved name ends so; empty: the only record.
    Senml(String),
}

/// Units a config may declare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Degrees Celsius, `Cel`.
    Celsius,
    /// Degrees Fahrenheit, `F`.
    Fahrenheit,
    /// Kelvin, `K`.
    Kelvin,
    /// Per cent relative humidity, `%RH`.
    PercentHumidity,
    /// Ratio 0 to 1, `/`.
    Ratio,
    /// Millimetres, `mm`.
    Millimetre,
    /// Centimetres, `cm`.
    Centimetre,
    /// Metres, `m`.
    Metre,
    /// Inches, `in`.
    Inch,
    /// Litres, `L`.
    Litre,
    /// US gallons, `gal`.
    UsGallon,
    /// Per cent of the tank, `%`.
    Percent,
}

/// Where everything is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Store {
    /// The SQLite file.
    pub path: PathBuf,
    /// How long single readings are kept; minute means and the journal stay for good.
    pub keep_readings: TimeDelta,
}

/// Who is written to.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// Sender.
    pub from: String,
    /// Recipients, at least one.
    pub to: Vec<String>,
    /// The mail server; `None`: letters become .eml files in `folder`.
    pub smtp: Option<Smtp>,
    /// Where .eml files go without a server.
    pub folder: PathBuf,
    /// Where replies to letters come in; `None`: they are not read.
    pub answers: Option<Answers>,
}

/// The mailbox that replies to letters come into.
#[derive(Clone, Debug, PartialEq)]
pub struct Answers {
    /// Host name.
    pub host: String,
    /// Port.
    pub port: u16,
    /// `imaps`; plain is only taken for a loopback host.
    pub tls: bool,
    /// Login.
    pub user: String,
    /// File whose first line is the password.
    pub password_file: PathBuf,
    /// A private certificate authority, PEM. `None`: the built-in public roots.
    pub ca_file: Option<PathBuf>,
    /// The folder that is read.
    pub folder: String,
    /// The mailbox's own address, where it is not the letters' sender.
    pub reply_to: Option<String>,
}

/// The mail server.
#[derive(Clone, Debug, PartialEq)]
pub struct Smtp {
    /// Host name.
    pub host: String,
    /// Port.
    pub port: u16,
    /// `smtps`: TLS from the first byte. `smtp`: STARTTLS, required.
    pub implicit_tls: bool,
    /// No TLS at all; only taken for a loopback host.
    pub plain: bool,
    /// Login.
    pub user: Option<String>,
    /// File whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// A private certificate authority, PEM.
    pub ca_file: Option<PathBuf>,
}

/// The address that is asked for while the watch is well.
#[derive(Clone, Debug, PartialEq)]
pub struct Beat {
    /// `https`; plain is only taken for a loopback host.
    pub tls: bool,
    /// Host name or address, without brackets.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Path and query, from the first `/`. Often a secret.
    pub path: String,
    /// A private certificate authority, PEM. `None`: the built-in public roots.
    pub ca_file: Option<PathBuf>,
}

/// The settings of `guard`.
#[derive(Clone, Debug)]
pub struct Guard {
    /// The `<site>` in `traywarden/<site>/...`.
    pub site: String,
    /// What letters call it.
    pub name: String,
    /// When it is missed.
    pub rules: GuardRules,
    /// The broker.
    pub broker: Broker,
    /// Who is written to.
    pub mail: Mail,
}

/// What the guard obeys.
#[derive(Clone, Debug, PartialEq)]
pub struct GuardRules {
    /// The site's time zone.
    pub time_zone: chrono_tz::Tz,
    /// The watch is called gone after so long.
    pub gone_after: TimeDelta,
    /// The breakfast letter has come by this local time.
    pub digest_by: chrono::NaiveTime,
}
