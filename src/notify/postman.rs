//! Tries once to bring one mail to the mail server, or puts it into a folder
//! where there is no server. When to try again is the outbox's business.

use super::carrier::{Attempt, Carrier, Refused};
use super::dialogue::{Dialogue, Security, SmtpTrouble, StepLimits};
use super::letter::{CarrierName, Letter, Parcel};
use super::message::{self, Sender};
use super::waits::Refusal;
use crate::config;
use crate::engine::alarm::AlarmChange;
use crate::marks::MarkKey;
use chrono::{DateTime, Utc};
use lettre::Address;
use lettre::message::Mailbox;
use lettre::transport::smtp::Error as SmtpError;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, TlsParameters};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Where mail is handed over with TLS from the first byte on: RFC 8314 section 3.3.
const PORT_OF_IMPLICIT_TLS: u16 = 465;

/// Letters by mail, to the server of the config.
#[derive(Clone, Debug)]
pub struct Postman {
    settings: config::Mail,
    site_name: String,
    marks: MarkKey,
    limits: StepLimits,
}

impl Postman {
    /// A postman for these settings. Files are read at each try, so that a
    /// password that was corrected needs no restart. `site_name` stands beside the
    /// sender's address; with `marks` answers to letters are known.
    pub fn new(settings: &config::Mail, site_name: &str, marks: &MarkKey) -> Self {
        let limits = StepLimits::default();
        Postman { settings: settings.clone(), site_name: site_name.to_owned(), marks: marks.clone(), limits }
    }

    /// The same, but with less patience at each step: for tests against servers that
    /// never answer.
    pub fn with_patience(self, each_step: Duration) -> Self {
        Postman { limits: StepLimits::all(each_step), ..self }
    }

    async fn bring(&self, parcel: &Parcel) -> Result<(), Refused> {
        let Some(smtp) = &self.settings.smtp else {
            return into_folder(&self.settings.folder, parcel);
        };
        let sender = mailbox(&self.settings.from)?.email;
        let recipient = address(&parcel.key.recipient)?;
        let done = self.dialogue(smtp)?.hand_over(&sender, &recipient, &parcel.bytes).await;
        done.map_err(|trouble| meant(trouble, smtp))
    }

    /// Connects and logs in as a letter would, and sends none.
    ///
    /// # Errors
    /// The refusal a letter would meet.
    pub(crate) async fn try_login(&self) -> Result<(), Refused> {
        let Some(smtp) = &self.settings.smtp else { return Ok(()) };
        self.dialogue(smtp)?.log_in().await.map_err(|trouble| meant(trouble, smtp))
    }

    fn dialogue<'a>(&self, smtp: &'a config::Smtp) -> Result<Dialogue<'a>, Refused> {
        Ok(Dialogue {
            host: &smtp.host,
            port: smtp.port,
            security: security(smtp)?,
            login: login(smtp)?,
            limits: self.limits,
        })
    }
}

impl Carrier for Postman {
    fn name(&self) -> CarrierName {
        CarrierName::Mail
    }

    /// A recipient that no mail server would take is logged and left out.
    fn letter(&self, letter: &Letter) -> Vec<Parcel> {
        message::mails(letter, &self.settings, Sender::of(&self.settings, &self.site_name, &self.marks))
            .into_iter()
            .filter_map(|mail| mail.inspect_err(|error| tracing::error!(%error, "a mail could not be made")).ok())
            .collect()
    }

    fn alarm(&self, _: &AlarmChange) -> Option<Parcel> {
        None
    }

    fn newest_only(&self) -> bool {
        false
    }

    /// `Ok` means that the server took the mail, or that the file is written.
    fn try_once<'a>(&'a self, parcel: &'a Parcel) -> Attempt<'a> {
        Box::pin(self.bring(parcel))
    }
}

fn address(text: &str) -> Result<Address, Refused> {
    text.parse::<Address>()
        .map_err(|cause| Refused { kind: Refusal::Permanent, text: format!("\"{text}\" is not an address: {cause}") })
}

fn mailbox(text: &str) -> Result<Mailbox, Refused> {
    text.parse::<Mailbox>().map_err(|cause| settings(format!("from = \"{text}\" in [mail] is no address: {cause}")))
}

fn security(smtp: &config::Smtp) -> Result<Security, Refused> {
    match (smtp.plain, smtp.implicit_tls) {
        (true, _) if is_loopback(&smtp.host) => Ok(Security::None),
        (true, _) => Err(settings(format!(
            "{} is not this machine, so letters go there with TLS only; write smtps:// or smtp://",
            smtp.host
        ))),
        (false, true) => Ok(Security::Implicit(tls_parameters(smtp)?)),
        (false, false) => Ok(Security::Starttls(tls_parameters(smtp)?)),
    }
}

fn login(smtp: &config::Smtp) -> Result<Option<Credentials>, Refused> {
    let Some(user) = &smtp.user else { return Ok(None) };
    let password = match &smtp.password_file {
        Some(file) => config::password_in(file).map_err(self::settings)?,
        None => String::new(),
    };
    Ok(Some(Credentials::new(user.clone(), password)))
}

fn tls_parameters(smtp: &config::Smtp) -> Result<TlsParameters, Refused> {
    let mut builder = TlsParameters::builder(smtp.host.clone());
    if let Some(file) = &smtp.ca_file {
        let pem =
            std::fs::read(file).map_err(|cause| settings(format!("{} cannot be read: {cause}", file.display())))?;
        let authority = Certificate::from_pem(&pem)
            .map_err(|cause| settings(format!("{} is no certificate in PEM form: {cause}", file.display())))?;
        builder = builder.add_root_certificate(authority);
    }
    builder.build_rustls().map_err(|cause| settings(format!("TLS for {} cannot be set up: {cause}", smtp.host)))
}

fn is_loopback(host: &str) -> bool {
    host.eq_ignore_ascii_case("localhost")
        || host.trim_matches(['[', ']']).parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

fn settings(text: String) -> Refused {
    Refused { kind: Refusal::Settings, text }
}

fn meant(trouble: SmtpTrouble, smtp: &config::Smtp) -> Refused {
    match trouble {
        SmtpTrouble::Smtp(error) => refused(&error, smtp),
        SmtpTrouble::Silent { step, limit, before_greeting } => silent(smtp, step, limit, before_greeting),
    }
}

/// A server that did not answer in time.
fn silent(smtp: &config::Smtp, step: &str, limit: Duration, before_greeting: bool) -> Refused {
    let server = format!("{}:{}", smtp.host, smtp.port);
    let hint = if before_greeting && !smtp.implicit_tls && !smtp.plain {
        "; a port for TLS from the first byte on keeps silent like this: if it is one (465 usually is), \
         write smtps:// instead of smtp://"
    } else {
        ""
    };
    Refused { kind: Refusal::Unreachable, text: format!("{server} has not {step} within {} s{hint}", limit.as_secs()) }
}

/// What a failed try means. The library says 4yz and 5yz of replies; of everything else
/// its words are all there is (lettre 0.11.23, tried out).
fn refused(error: &SmtpError, smtp: &config::Smtp) -> Refused {
    let code = error.status().map(u16::from);
    let words = words_of(error);
    let server = format!("{}:{}", smtp.host, smtp.port);
    match code {
        Some(530 | 534 | 535) => {
            settings(format!("{server} refused the login ({words}); look at user and password file"))
        }
        Some(421) => Refused { kind: Refusal::Busy, text: format!("{server} asks for patience: {words}") },
        _ if error.is_permanent() => Refused { kind: Refusal::Permanent, text: format!("{server} says: {words}") },
        _ if certificate_trouble(&words) => settings(format!(
            "the certificate of {server} is not trusted ({words}); set ca_file if the server has a private authority, and look at the clock"
        )),
        _ if smtp.implicit_tls && plain_text_where_tls_was_wanted(&words) => settings(format!(
            "{server} answers in plain text where TLS was wanted from the first byte on: write smtp:// instead of \
             smtps:// and the port for it, usually 587; TLS then begins after the greeting ({words})"
        )),
        _ if error.is_client() && words.contains("STARTTLS") => settings(format!(
            "{server} offers no TLS (STARTTLS) after its greeting, and letters leave this machine with TLS only: ask \
             your provider for the port with TLS, smtps:// and usually {PORT_OF_IMPLICIT_TLS}"
        )),
        _ if error.is_client() => settings(format!("{server} does not offer what the settings ask for: {words}")),
        Some(_) => Refused { kind: Refusal::Transient, text: format!("{server} says: {words}") },
        None if smtp.port == PORT_OF_IMPLICIT_TLS && !smtp.implicit_tls => Refused {
            kind: Refusal::Unreachable,
            text: format!(
                "{server} broke off: {words}; this port is for TLS from the first byte on: write smtps:// instead of smtp://"
            ),
        },
        None => Refused { kind: Refusal::Unreachable, text: format!("{server} could not be reached: {words}") },
    }
}

/// The whole chain of causes on one line.
fn words_of(error: &SmtpError) -> String {
    let mut words = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        let words_of_cause = inner.to_string();
        if !words.contains(&words_of_cause) {
            words.push_str(": ");
            words.push_str(&words_of_cause);
        }
        cause = inner.source();
    }
    let plain: String = words.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).take(300).collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The library has no flag for it: rustls's words are all there is.
fn certificate_trouble(words: &str) -> bool {
    let words = words.to_lowercase();
    words.contains("certificate") || words.contains("unknownissuer") || words.contains("not valid for name")
}

/// The words of rustls for bytes that are no TLS.
fn plain_text_where_tls_was_wanted(words: &str) -> bool {
    let words = words.to_lowercase();
    words.contains("corrupt message") || words.contains("invalidcontenttype")
}

/// Writes beside and renames, so that nobody ever reads half a letter.
fn into_folder(folder: &Path, mail: &Parcel) -> Result<(), Refused> {
    let refused = |path: &Path, cause: std::io::Error| Refused {
        kind: if matches!(cause.kind(), std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::NotADirectory) {
            Refusal::Settings
        } else {
            Refusal::Unreachable
        },
        text: format!("the letter cannot be written to {}: {cause}", path.display()),
    };
    std::fs::create_dir_all(folder).map_err(|cause| refused(folder, cause))?;
    let path = folder.join(file_name(mail));
    let beside = PathBuf::from(format!("{}.part", path.display()));
    // What a try that was cut off left behind goes; a link is not followed.
    let _ = std::fs::remove_file(&beside);
    std::fs::File::create_new(&beside)
        .and_then(|mut file| file.write_all(&mail.bytes))
        .map_err(|cause| refused(&beside, cause))?;
    std::fs::rename(&beside, &path).map_err(|cause| refused(&path, cause))
}

/// Sorted by time (UTC) and readable: `2026-03-04_0410Z_now-tank-empty-by-03-40_1f3a.eml`.
/// The last part tells recipients and letters of one minute apart.
fn file_name(mail: &Parcel) -> String {
    let head = String::from_utf8_lossy(&mail.bytes[..mail.bytes.len().min(4096)]).into_owned();
    let header =
        |name: &str| head.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_default().trim().to_owned();
    let time = DateTime::parse_from_rfc2822(&header("Date:"))
        .map(|date| date.with_timezone(&Utc).format("%Y-%m-%d_%H%MZ").to_string())
        .unwrap_or_else(|_| "undated".to_owned());
    let subject: String = header("Subject:")
        .to_lowercase()
        .chars()
        .map(|sign| if sign.is_ascii_alphanumeric() { sign } else { '-' })
        .collect();
    let subject = subject.split('-').filter(|word| !word.is_empty()).take(6).collect::<Vec<_>>().join("-");
    format!(
        "{time}_{subject}_{:04x}.eml",
        message::fingerprint(&format!("{}\n{}", mail.key.letter, mail.key.recipient)) & 0xffff
    )
}
