//! What settings come to once they are checked: plain values that nothing downstream checks
//! again. The other files of this folder read them.

use crate::engine::rules::Rules;
use crate::reading::{Quantity, SensorId};
use chrono::TimeDelta;
use std::collections::BTreeMap;
use std::path::PathBuf;

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
    pub store: StoreSettings,
    /// Who is written to.
    pub mail: Mail,
    /// What is asked for while the watch is well; `None`: nothing.
    pub beat: Option<Beat>,
    /// Where the round sheet is served.
    pub page: PageSettings,
}

/// Where the round sheet is served, and under which names it may be asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct PageSettings {
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

/// How the broker is reached, and who we are there.
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
    /// The sensor whose messages these are.
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
    /// What the number measures.
    pub quantity: Quantity,
    /// Where in the message the number stands.
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
pub struct StoreSettings {
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
    pub answers: Option<AnswersSettings>,
}

/// The mailbox that replies to letters come into.
#[derive(Clone, Debug, PartialEq)]
pub struct AnswersSettings {
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
pub struct GuardSettings {
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
