//! Answers from bed: replies to letters are read from a mailbox and become what a verb would
//! have said. In a thread of its own, which may fail without the watch noticing more than a
//! line; what a reply asks for goes through the store's inbox.
//!
//! In reading order: `mailbox` (IMAP), `reply` (a mail to what matters of it) with `written`
//! (the writer's own words), `asked` (what they ask for), `desk` (who may, and what becomes
//! of it).

mod asked;
mod desk;
mod mailbox;
mod reply;
mod written;

pub use asked::{Asked, AskedLine};

#[cfg(test)]
mod tests;

use crate::clock::Clock;
use crate::config;
use crate::marks::MarkKey;
use crate::store::{MailboxPosition, Replies, StoreError};
use crate::units::Timestamp;
use chrono::TimeDelta;
use desk::{Heading, ReplyDesk, ReplyReport};
use mailbox::Mailbox;
use reply::Reply;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Pauses before the mailbox is tried again.
const FIRST_PAUSE: Duration = Duration::from_secs(5);
const LONGEST_PAUSE: Duration = Duration::from_secs(300);
/// The daemon looks into its inbox every second and commits at once.
const DAEMON_ANSWERS: Duration = Duration::from_secs(10);
const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// What the bytes of a mail ask for, line by line, whoever wrote it. Empty: it is no mail, or
/// nothing of it is its writer's own.
pub fn asked_by_mail(bytes: &[u8], is_place: impl Fn(&str) -> bool) -> Vec<AskedLine> {
    reply::read(bytes).map_or_else(Vec::new, |reply| asked::asked(&reply.written, is_place, &[]))
}

/// What the answers' thread tells the daemon.
#[derive(Clone, Debug, PartialEq)]
pub enum FromAnswers {
    /// The mailbox is read.
    Reading,
    /// It is not, and why. Said once for each new reason.
    Deaf(String),
    /// Somebody must be answered.
    Answer(ReplyAnswer),
}

/// An answer to a reply: what was not taken, and what the daemon noted.
#[derive(Clone, Debug, PartialEq)]
pub struct ReplyAnswer {
    /// The letter's id.
    pub id: String,
    /// The address it goes to: the one that wrote.
    pub to: String,
    /// Message-ID of the reply, without brackets.
    pub reply: String,
    /// The thread before it, oldest first, without brackets.
    pub thread: Vec<String>,
    /// Each line, with the daemon's note or why it was not taken. An empty line: there was
    /// nothing.
    pub reported: ReplyReport,
}

/// What the thread works with.
pub struct Work {
    /// Which mailbox is read, and how it is reached.
    pub settings: config::AnswersSettings,
    /// The addresses that answers are taken from.
    pub to: Vec<String>,
    /// The places of the settings, by id.
    pub places: BTreeSet<String>,
    /// The store's file, opened anew for each look.
    pub store: PathBuf,
    /// What letters are marked with.
    pub key: MarkKey,
}

/// The running thread; it ends when this is dropped.
pub struct Answers {
    _stop: oneshot::Sender<()>,
}

/// Begins to read the mailbox.
///
/// # Errors
/// When the system gives no thread.
pub fn start(work: Work) -> std::io::Result<(Answers, mpsc::UnboundedReceiver<FromAnswers>)> {
    let (tell, heard) = mpsc::unbounded_channel();
    let (stop, stopped) = oneshot::channel();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    std::thread::Builder::new().name("answers".to_owned()).spawn(move || {
        runtime.block_on(async {
            tokio::select! {
                () = keep_reading(&work, &tell) => {}
                _ = stopped => {}
            }
        });
    })?;
    Ok((Answers { _stop: stop }, heard))
}

/// Tries once whether the mailbox can be read, for `check`.
///
/// # Errors
/// A sentence with the remedy.
pub async fn try_once(settings: &config::AnswersSettings) -> Result<(), String> {
    Mailbox::open(settings).await?.close().await;
    Ok(())
}

async fn keep_reading(work: &Work, tell: &mpsc::UnboundedSender<FromAnswers>) {
    let mut pause = FIRST_PAUSE;
    let mut reported: Option<String> = None;
    loop {
        let mut opened = false;
        let why = match read(work, tell, &mut opened).await {
            Err(why) => why,
            Ok(never) => match never {},
        };
        if opened {
            (pause, reported) = (FIRST_PAUSE, None);
        }
        if reported.as_ref() != Some(&why) {
            // Nobody listens any more only when the daemon ends.
            let _ = tell.send(FromAnswers::Deaf(why.clone()));
            reported = Some(why);
        }
        tokio::time::sleep(pause).await;
        pause = (pause * 2).min(LONGEST_PAUSE);
    }
}

/// One connection, until it breaks.
async fn read(
    work: &Work,
    tell: &mpsc::UnboundedSender<FromAnswers>,
    opened: &mut bool,
) -> Result<std::convert::Infallible, String> {
    let replies = Replies::open(&work.store).map_err(sentence)?;
    let mut desk = ReplyDesk::new(replies, &work.to, work.places.clone(), work.key.clone());
    let lost = desk.replies().lost().map_err(sentence)?;
    if lost > 0 {
        tracing::warn!(lost, "a reply was being read when the program ended, and is lost");
    }
    let mut mailbox = Mailbox::open(&work.settings).await?;
    *opened = true;
    let _ = tell.send(FromAnswers::Reading);
    let name = format!("{}@{}/{}", work.settings.user, work.settings.host, work.settings.folder);
    let mut reached = begin(&mut desk, &mut mailbox, &name, tell).await?;
    loop {
        for uid in mailbox.above(reached).await? {
            reached = uid;
            look(&mut desk, &mut mailbox, &name, uid, tell).await?;
        }
        mailbox = mailbox.wait().await?;
    }
}

/// Where to go on. A mailbox seen for the first time holds no answers yet; one whose numbers
/// have changed is gone through from the day before it was last read.
async fn begin(
    desk: &mut ReplyDesk,
    mailbox: &mut Mailbox,
    name: &str,
    tell: &mpsc::UnboundedSender<FromAnswers>,
) -> Result<u32, String> {
    let known = desk.replies().position(name).map_err(sentence)?;
    if let Some(known) = known
        && known.validity == mailbox.validity
    {
        return Ok(known.uid);
    }
    let newest = match mailbox.next {
        0 => mailbox.above(0).await?.last().copied().unwrap_or(0),
        next => next - 1,
    };
    if let Some(known) = known {
        tracing::info!("the mailbox of answers was made anew; its last day is gone through again");
        let day = (known.at - TimeDelta::days(1)).date_naive();
        for uid in mailbox.since(day).await?.into_iter().filter(|uid| *uid <= newest) {
            look(desk, mailbox, name, uid, tell).await?;
        }
    }
    reach(desk, mailbox, name, newest)?;
    Ok(newest)
}

fn reach(desk: &mut ReplyDesk, mailbox: &Mailbox, name: &str, uid: u32) -> Result<(), String> {
    let position = MailboxPosition { validity: mailbox.validity, uid, at: now() };
    desk.replies().move_to(name, position).map_err(sentence)
}

/// Looks at one mail.
async fn look(
    desk: &mut ReplyDesk,
    mailbox: &mut Mailbox,
    name: &str,
    uid: u32,
    tell: &mpsc::UnboundedSender<FromAnswers>,
) -> Result<(), String> {
    let header = mailbox.header(uid).await?;
    // Written down before anything is parsed: no mail is read twice, whatever it does to us.
    reach(desk, mailbox, name, uid)?;
    let Some(heading) = header.as_deref().and_then(reply::read) else { return Ok(()) };
    match desk.heading(&heading, now()).map_err(sentence)? {
        Heading::NotOurs => return Ok(()),
        Heading::Refused => {
            tracing::warn!("a reply was refused: its sender is not in `to`");
            return Ok(());
        }
        Heading::Ours => {}
    }
    let whole = match mailbox.mail(uid).await {
        Ok(whole) => whole,
        Err(why) => {
            // It was the connection: the mail is looked at again over the next one.
            reach(desk, mailbox, name, uid.saturating_sub(1))?;
            return Err(why);
        }
    };
    let Some(whole) = whole.as_deref().and_then(reply::read) else { return Ok(()) };
    if whole.automatic.is_none() && whole.sender == heading.sender {
        take(desk, &whole, tell).await.map_err(sentence)?;
    }
    Ok(())
}

async fn take(
    desk: &mut ReplyDesk,
    reply: &Reply,
    tell: &mpsc::UnboundedSender<FromAnswers>,
) -> Result<(), StoreError> {
    let Some(taken) = desk.take(reply, now())? else { return Ok(()) };
    tracing::info!(letter = taken.letter.letter, "a reply was read");
    let waited = tokio::time::timeout(DAEMON_ANSWERS, async {
        while !desk.is_answered(&taken)? {
            tokio::time::sleep(LOOK_AGAIN).await;
        }
        Ok::<(), StoreError>(())
    });
    // A daemon that cannot commit just now takes it later; there is nothing to tell of it.
    if let Ok(outcome) = waited.await {
        outcome?;
    }
    let reported = desk.reported(&taken)?;
    let Some(to) = reply.sender.clone().filter(|_| !reported.is_empty()) else { return Ok(()) };
    match desk.letter_to(&taken, now())? {
        Some(id) => {
            let thread = vec![taken.letter.message_id.trim_matches(['<', '>']).to_owned()];
            let answer = ReplyAnswer { id, to, reply: reply.message_id.clone(), thread, reported };
            let _ = tell.send(FromAnswers::Answer(answer));
        }
        None => tracing::warn!("a reply was not answered: ten were within the last hour"),
    }
    Ok(())
}

fn sentence(error: StoreError) -> String {
    error.to_string()
}

fn now() -> Timestamp {
    Clock::system().now()
}
