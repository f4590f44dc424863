//! Tries once to bring one mail to the mail server, or puts it into a folder
//! where there is no server. When to try again is the outbox's business.

use super::letter::Mail;
use super::outbox::Refusal;
use crate::config;
use chrono::{DateTime, Utc};
use lettre::address::Envelope;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::transport::smtp::{Error as SmtpError, PoolConfig};
use lettre::{Address, AsyncSmtpTransport, AsyncTransport, Tokio1Executor};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// One try, from connecting to the last reply. The library's own time limit
/// covers the connecting only (DEPENDENCIES.md D, measured).
const ONE_TRY: Duration = Duration::from_secs(60);
/// A password file is one line; a larger file is the wrong one.
const LARGEST_PASSWORD_FILE: u64 = 4096;

/// Brings mails to the server of the config.
#[derive(Clone, Debug)]
pub struct Postman {
    settings: config::Mail,
    one_try: Duration,
}

/// Why a mail was not taken.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{text}")]
pub struct PostmanError {
    /// What the next try depends on.
    pub kind: Refusal,
    /// The server's words or ours, with the remedy where there is one.
    pub text: String,
}

impl Postman {
    /// A postman for these settings. Files are read at each try, so that a
    /// password that was corrected needs no restart.
    pub fn new(settings: &config::Mail) -> Self {
        Postman { settings: settings.clone(), one_try: ONE_TRY }
    }

    /// The same, but with less patience: for tests against servers that never answer.
    pub fn with_patience(self, one_try: Duration) -> Self {
        Postman { one_try, ..self }
    }

    /// Tries once. `Ok` means that the server took the mail, or that the file is written.
    ///
    /// # Errors
    /// The refusal, with what it means for the next try.
    pub async fn try_once(&self, mail: &Mail) -> Result<(), PostmanError> {
        let Some(smtp) = &self.settings.smtp else {
            return into_folder(&self.settings.folder, mail);
        };
        let envelope = envelope(mail)?;
        let transport = transport(smtp)?;
        // The transport is dropped afterwards, so a connection that hangs half-used is never used again.
        match tokio::time::timeout(self.one_try, transport.send_raw(&envelope, &mail.bytes)).await {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(error)) => Err(refused(&error, smtp)),
            Err(_) => Err(PostmanError {
                kind: Refusal::Transient,
                text: format!("{}:{} did not finish within {} s", smtp.host, smtp.port, self.one_try.as_secs()),
            }),
        }
    }
}

impl Postman {
    /// Connects and logs in as a letter would, and sends none.
    ///
    /// # Errors
    /// As for [`Postman::try_once`].
    pub async fn try_login(&self) -> Result<(), PostmanError> {
        let Some(smtp) = &self.settings.smtp else { return Ok(()) };
        let server = format!("{}:{}", smtp.host, smtp.port);
        let late = |text| PostmanError { kind: Refusal::Transient, text };
        match tokio::time::timeout(self.one_try, transport(smtp)?.test_connection()).await {
            Ok(Ok(true)) => Ok(()),
            Ok(Ok(false)) => Err(late(format!("{server} takes the login but is not ready"))),
            Ok(Err(error)) => Err(refused(&error, smtp)),
            Err(_) => Err(late(format!("{server} did not answer within {} s", self.one_try.as_secs()))),
        }
    }
}

fn envelope(mail: &Mail) -> Result<Envelope, PostmanError> {
    let address = |text: &str| {
        text.parse::<Address>().map_err(|cause| PostmanError {
            kind: Refusal::Permanent,
            text: format!("\"{text}\" is not an address: {cause}"),
        })
    };
    let envelope = Envelope::new(Some(address(&mail.sender)?), vec![address(&mail.recipient)?]);
    envelope.map_err(|cause| PostmanError { kind: Refusal::Permanent, text: cause.to_string() })
}

fn transport(smtp: &config::Smtp) -> Result<AsyncSmtpTransport<Tokio1Executor>, PostmanError> {
    let tls = match (smtp.plain, smtp.implicit_tls) {
        (true, _) if is_loopback(&smtp.host) => Tls::None,
        (true, _) => {
            return Err(settings(format!(
                "{} is not this machine, so letters go there with TLS only; write smtps:// or smtp://",
                smtp.host
            )));
        }
        (false, true) => Tls::Wrapper(tls_parameters(smtp)?),
        (false, false) => Tls::Required(tls_parameters(smtp)?),
    };
    let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&smtp.host)
        .port(smtp.port)
        .tls(tls)
        .timeout(Some(Duration::from_secs(20)))
        .pool_config(PoolConfig::new().max_size(1).min_idle(0));
    if let Some(user) = &smtp.user {
        let password = match &smtp.password_file {
            Some(file) => password(file)?,
            None => String::new(),
        };
        builder = builder.credentials(Credentials::new(user.clone(), password));
    }
    Ok(builder.build())
}

fn tls_parameters(smtp: &config::Smtp) -> Result<TlsParameters, PostmanError> {
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

fn password(file: &Path) -> Result<String, PostmanError> {
    let told = |cause: String| settings(format!("the password file {} {cause}", file.display()));
    let size = std::fs::metadata(file).map_err(|cause| told(format!("cannot be read: {cause}")))?.len();
    if size > LARGEST_PASSWORD_FILE {
        return Err(told(format!("has {size} bytes; it should hold one line")));
    }
    let text = std::fs::read_to_string(file).map_err(|cause| told(format!("cannot be read: {cause}")))?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(told("is empty; its first line should be the password".to_owned())),
    }
}

fn is_loopback(host: &str) -> bool {
    host.eq_ignore_ascii_case("localhost")
        || host.trim_matches(['[', ']']).parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

fn settings(text: String) -> PostmanError {
    PostmanError { kind: Refusal::Settings, text }
}

/// What a failed try means (DEPENDENCIES.md D, error classes, measured).
fn refused(error: &SmtpError, smtp: &config::Smtp) -> PostmanError {
    let code = error.status().map(u16::from);
    let words = words_of(error);
    let server = format!("{}:{}", smtp.host, smtp.port);
    match code {
        Some(530 | 534 | 535) => {
            settings(format!("{server} refused the login ({words}); look at user and password file"))
        }
        Some(421) => PostmanError { kind: Refusal::Busy, text: format!("{server} asks for patience: {words}") },
        _ if error.is_permanent() => PostmanError { kind: Refusal::Permanent, text: format!("{server} says: {words}") },
        _ if certificate_trouble(&words) => settings(format!(
            "the certificate of {server} is not trusted ({words}); set ca_file if the server has a private authority, and look at the clock"
        )),
        _ if error.is_client() => settings(format!("{server} does not offer what the settings ask for: {words}")),
        Some(_) => PostmanError { kind: Refusal::Transient, text: format!("{server} says: {words}") },
        None => PostmanError { kind: Refusal::Transient, text: format!("{server} could not be reached: {words}") },
    }
}

/// The whole chain of causes on one line.
fn words_of(error: &SmtpError) -> String {
    let mut words = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        let said = inner.to_string();
        if !words.contains(&said) {
            words.push_str(": ");
            words.push_str(&said);
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

/// Writes beside and renames, so that nobody ever reads half a letter.
fn into_folder(folder: &Path, mail: &Mail) -> Result<(), PostmanError> {
    let told = |path: &Path, cause: std::io::Error| PostmanError {
        kind: if matches!(cause.kind(), std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::NotADirectory) {
            Refusal::Settings
        } else {
            Refusal::Transient
        },
        text: format!("the letter cannot be written to {}: {cause}", path.display()),
    };
    std::fs::create_dir_all(folder).map_err(|cause| told(folder, cause))?;
    let path = folder.join(file_name(mail));
    let beside = PathBuf::from(format!("{}.part", path.display()));
    std::fs::write(&beside, &mail.bytes).map_err(|cause| told(&beside, cause))?;
    std::fs::rename(&beside, &path).map_err(|cause| told(&path, cause))
}

/// Sorted by time (UTC) and readable: `2026-03-04_0410Z_now-tank-empty-by-03-40_1f3a.eml`.
/// The last part tells recipients and letters of one minute apart.
fn file_name(mail: &Mail) -> String {
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
    format!("{time}_{subject}_{:04x}.eml", super::message::fingerprint(&mail.message_id) & 0xffff)
}
