//! The mailbox over IMAP (RFC 3501): opened with EXAMINE, so that nothing in it can be
//! changed; new mails told by IDLE (RFC 2177), with a look every few minutes beneath it.

use crate::config::{AnswersSettings, password_in};
use crate::trust;
use async_imap::error::Error as ImapError;
use async_imap::extensions::idle::IdleResponse;
use async_imap::{Client, Session};
use chrono::NaiveDate;
use futures_util::TryStreamExt;
use std::fmt::Debug;
use std::future::Future;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::timeout;

/// One command, from asking to its last line; a provider at its busiest takes seconds.
const ONE_COMMAND: Duration = Duration::from_secs(60);
/// A look beneath IDLE: routers forget a silent connection after five minutes or more
/// (RFC 5382 asks for two hours; few keep it), and IDLE itself ends after 29.
const LOOK_BENEATH: Duration = Duration::from_secs(240);
/// How often a server without IDLE is looked at.
const LOOK_WITHOUT_IDLE: Duration = Duration::from_secs(60);
/// All headers of a mail are shorter, and of a longer one enough is read.
const HEADER_BYTES: u32 = 64 * 1024;
/// A reply's own words stand at its beginning; pictures behind it are not fetched.
const BODY_BYTES: u32 = 256 * 1024;

/// What IMAP is spoken over.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Unpin + Send + Debug {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send + Debug> Stream for T {}

/// An open mailbox.
pub(crate) struct Mailbox {
    session: Session<Box<dyn Stream>>,
    settings: AnswersSettings,
    idles: bool,
    /// UIDVALIDITY: under another one the numbers mean other mails.
    pub(crate) validity: u32,
    /// UIDNEXT, or 0 where the server does not say.
    pub next: u32,
}

impl Mailbox {
    /// Connects, logs in, and opens the folder for looking only.
    ///
    /// # Errors
    /// A sentence that names the server and the remedy.
    pub(super) async fn open(settings: &AnswersSettings) -> Result<Mailbox, String> {
        let AnswersSettings { host, port, .. } = settings;
        let password = password_in(&settings.password_file)?;
        let stream: Box<dyn Stream> = if settings.tls {
            Box::new(trust::connect(host, *port, settings.ca_file.as_deref(), "ca_file in [mail.answers]").await?)
        } else {
            Box::new(trust::connect_plainly(host, *port).await?)
        };
        let mut client = Client::new(stream);
        let greeted =
            within(settings, client.read_response()).await?.map_err(|error| broke(settings, &error.into()))?;
        if greeted.is_none() {
            return Err(format!("{host} port {port} hung up without a greeting; is it an IMAP server?"));
        }
        let login = within(settings, client.login(&settings.user, &password)).await?;
        let mut session = login.map_err(|(error, _)| match error {
            ImapError::No(words) => format!(
                "{host} refuses the login of {} ({}); look at user and password_file in [mail.answers]. Many providers \
                 want a password made for programs, and IMAP switched on",
                settings.user,
                one_line(&words)
            ),
            other => broke(settings, &other),
        })?;
        let can = within(settings, session.capabilities()).await?.map_err(|error| broke(settings, &error))?;
        let idles = can.has_str("IDLE");
        let opened = within(settings, session.examine(&settings.folder)).await?.map_err(|error| match error {
            ImapError::No(words) => {
                format!(
                    "{host} has no folder \"{}\" ({}); look at folder in [mail.answers]",
                    settings.folder,
                    one_line(&words)
                )
            }
            other => broke(settings, &other),
        })?;
        let validity = opened.uid_validity.unwrap_or(1);
        Ok(Mailbox { session, settings: settings.clone(), idles, validity, next: opened.uid_next.unwrap_or(0) })
    }

    /// The UIDs above `uid`, in order.
    pub(super) async fn above(&mut self, uid: u32) -> Result<Vec<u32>, String> {
        // "n:*" always matches the last mail, whatever its number.
        let found = self.search(&format!("UID {}:*", uid.saturating_add(1))).await?;
        Ok(found.into_iter().filter(|found| *found > uid).collect())
    }

    /// The UIDs of mails that came on this day or later, in order.
    pub(super) async fn since(&mut self, day: NaiveDate) -> Result<Vec<u32>, String> {
        self.search(&format!("SINCE {}", day.format("%-d-%b-%Y"))).await
    }

    async fn search(&mut self, what: &str) -> Result<Vec<u32>, String> {
        let found = within(&self.settings, self.session.uid_search(what)).await?;
        let mut found: Vec<u32> = found.map_err(|error| broke(&self.settings, &error))?.into_iter().collect();
        found.sort_unstable();
        Ok(found)
    }

    /// The headers of a mail; `None` when it is gone.
    pub(super) async fn header(&mut self, uid: u32) -> Result<Option<Vec<u8>>, String> {
        self.fetch(uid, &format!("(UID BODY.PEEK[HEADER]<0.{HEADER_BYTES}>)"), |mail| mail.header()).await
    }

    /// The beginning of a whole mail; `None` when it is gone.
    pub(super) async fn mail(&mut self, uid: u32) -> Result<Option<Vec<u8>>, String> {
        self.fetch(uid, &format!("(UID BODY.PEEK[]<0.{BODY_BYTES}>)"), |mail| mail.body()).await
    }

    async fn fetch(
        &mut self,
        uid: u32,
        what: &str,
        part: impl Fn(&async_imap::types::Fetch) -> Option<&[u8]>,
    ) -> Result<Option<Vec<u8>>, String> {
        let session = &mut self.session;
        let fetched = within(&self.settings, async move {
            session.uid_fetch(uid.to_string(), what).await?.try_collect::<Vec<_>>().await
        });
        let mails = fetched.await?.map_err(|error| broke(&self.settings, &error))?;
        Ok(mails.iter().filter(|mail| mail.uid == Some(uid)).find_map(part).map(<[u8]>::to_vec))
    }

    /// Waits until the server says that something is new, or it is time to look anyway.
    pub(super) async fn wait(mut self) -> Result<Mailbox, String> {
        if !self.idles {
            tokio::time::sleep(LOOK_WITHOUT_IDLE).await;
            within(&self.settings, self.session.noop()).await?.map_err(|error| broke(&self.settings, &error))?;
            return Ok(self);
        }
        let Mailbox { session, settings, idles, validity, next } = self;
        let mut idle = session.idle();
        within(&settings, idle.init()).await?.map_err(|error| broke(&settings, &error))?;
        // The library's own limit begins anew with every "still here" of the server.
        let (news, _interrupt) = idle.wait();
        let woken = timeout(LOOK_BENEATH, news).await;
        match woken {
            Ok(Ok(IdleResponse::ManualInterrupt)) => {
                return Err(format!("{} port {} closed the connection", settings.host, settings.port));
            }
            Ok(Err(error)) => return Err(broke(&settings, &error)),
            Ok(Ok(_)) | Err(_) => {}
        }
        let session = within(&settings, idle.done()).await?.map_err(|error| broke(&settings, &error))?;
        Ok(Mailbox { session, settings, idles, validity, next })
    }

    /// Says goodbye; nobody waits long for it.
    pub(super) async fn close(mut self) {
        let _ = timeout(Duration::from_secs(2), self.session.logout()).await;
    }
}

async fn within<T>(settings: &AnswersSettings, command: impl Future<Output = T>) -> Result<T, String> {
    timeout(ONE_COMMAND, command).await.map_err(|_| {
        format!("{} port {} did not answer within {} s", settings.host, settings.port, ONE_COMMAND.as_secs())
    })
}

fn broke(settings: &AnswersSettings, error: &ImapError) -> String {
    format!("the mailbox at {} port {} broke: {}", settings.host, settings.port, one_line(&error.to_string()))
}

fn one_line(words: &str) -> String {
    let plain: String = words.chars().map(|sign| if sign.is_control() { ' ' } else { sign }).take(200).collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}
