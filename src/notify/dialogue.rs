//! The talk with a mail server, step by step, each step with a time limit of its own: a
//! server that is slow to answer but does answer gets its letter, and one that has
//! fallen silent is given up. The limits are those of RFC 5321 section 4.5.3.2.

use lettre::Address;
use lettre::transport::smtp::Error as SmtpError;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailBodyParameter, MailParameter};
use std::time::Duration;
use tokio::time::timeout;

/// A name that is looked up and an address that is connected to. Own default: a server
/// of the owner's provider answers in seconds or not at all.
const CONNECT: Duration = Duration::from_secs(20);
/// A goodbye nobody has to wait for. Own default.
const FAREWELL: Duration = Duration::from_secs(5);

/// How long each step may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct StepLimits {
    /// From connecting to the first greeting and its answer: section 4.5.3.2.1, 5 minutes.
    pub greeting: Duration,
    /// A command and its reply: sections 4.5.3.2.2 and 3, 5 minutes for MAIL and RCPT. TLS
    /// and login have no figure there and get the same.
    pub command: Duration,
    /// DATA and its reply: section 4.5.3.2.4, 2 minutes.
    pub data: Duration,
    /// The message itself, 3 minutes for each piece (4.5.3.2.5), and the reply to its end,
    /// 10 minutes (4.5.3.2.6): giving up earlier makes doubles.
    pub message: Duration,
}

impl Default for StepLimits {
    fn default() -> Self {
        StepLimits {
            greeting: Duration::from_secs(5 * 60),
            command: Duration::from_secs(5 * 60),
            data: Duration::from_secs(2 * 60),
            message: Duration::from_secs(13 * 60),
        }
    }
}

impl StepLimits {
    /// The same limit for every step.
    pub(super) fn all(limit: Duration) -> Self {
        StepLimits { greeting: limit, command: limit, data: limit, message: limit }
    }
}

/// How the connection is protected.
#[derive(Clone)]
pub(super) enum Security {
    /// Not at all: for a server on this machine.
    None,
    /// After a greeting in plain text (STARTTLS).
    Starttls(TlsParameters),
    /// From the first byte on.
    Implicit(TlsParameters),
}

/// What went wrong, and at which step.
#[derive(Debug)]
pub(super) enum SmtpTrouble {
    /// The server, or the way to it, said no.
    Smtp(SmtpError),
    /// No answer within the limit.
    Silent {
        /// At what, as the end of a sentence that begins with the server.
        step: &'static str,
        /// The limit.
        limit: Duration,
        /// It had not even greeted.
        before_greeting: bool,
    },
}

impl From<SmtpError> for SmtpTrouble {
    fn from(error: SmtpError) -> Self {
        SmtpTrouble::Smtp(error)
    }
}

/// One mail from greeting to goodbye.
pub(super) struct Dialogue<'a> {
    pub host: &'a str,
    pub port: u16,
    pub security: Security,
    pub login: Option<Credentials>,
    pub(crate) limits: StepLimits,
}

impl Dialogue<'_> {
    /// Goes as far as the login, and says goodbye.
    pub(super) async fn log_in(self) -> Result<(), SmtpTrouble> {
        let mut server = self.greeted().await?;
        // It took us in; how it takes the goodbye changes nothing.
        let _ = timeout(FAREWELL, server.quit()).await;
        Ok(())
    }

    /// Connected, under TLS where it is wanted, and logged in.
    async fn greeted(&self) -> Result<AsyncSmtpConnection, SmtpTrouble> {
        let limits = self.limits;
        let us = ClientId::default();
        let implicit = match &self.security {
            Security::Implicit(tls) => Some(tls.clone()),
            Security::None | Security::Starttls(_) => None,
        };
        let connect = AsyncSmtpConnection::connect_tokio1((self.host, self.port), Some(CONNECT), &us, implicit, None);
        let mut server = within(limits.greeting, "greeted us", true, connect).await?;
        if let Security::Starttls(tls) = &self.security {
            within(limits.command, "agreed on TLS", false, server.starttls(tls.clone(), &us)).await?;
        }
        if let Some(login) = &self.login {
            // Plain first: the password goes over TLS, or stays on this machine.
            let ways = [Mechanism::Plain, Mechanism::Login];
            within(limits.command, "answered to the login", false, server.auth(&ways, login)).await?;
        }
        Ok(server)
    }

    /// Hands the message over. `Ok`: the server has taken it.
    pub(super) async fn hand_over(
        self,
        sender: &Address,
        recipient: &Address,
        message: &[u8],
    ) -> Result<(), SmtpTrouble> {
        let limits = self.limits;
        let mut server = self.greeted().await?;
        let mut options = Vec::new();
        if !message.is_ascii() && server.server_info().supports_feature(Extension::EightBitMime) {
            options.push(MailParameter::Body(MailBodyParameter::EightBitMime));
        }
        let from = Mail::new(Some(sender.clone()), options);
        within(limits.command, "answered to the sender", false, server.command(from)).await?;
        let to = Rcpt::new(recipient.clone(), Vec::new());
        within(limits.command, "answered to the recipient", false, server.command(to)).await?;
        within(limits.data, "answered to DATA", false, server.command(Data)).await?;
        within(limits.message, "said that it has the letter", false, server.message(message)).await?;
        // It has the letter; how it takes the goodbye changes nothing.
        let _ = timeout(FAREWELL, server.quit()).await;
        Ok(())
    }
}

async fn within<T>(
    limit: Duration,
    step: &'static str,
    before_greeting: bool,
    step_taken: impl Future<Output = Result<T, SmtpError>>,
) -> Result<T, SmtpTrouble> {
    match timeout(limit, step_taken).await {
        Ok(outcome) => Ok(outcome?),
        Err(_) => Err(SmtpTrouble::Silent { step, limit, before_greeting }),
    }
}
