//! `run`: the daemon in the foreground, as systemd starts it.

use super::{Answer, Failure, Outcome, settings};
use crate::clock::Clock;
use crate::daemon::{self, DaemonError, Leave};
use std::io::{IsTerminal, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::FormatFields;
use tracing_subscriber::fmt::format::Writer;

pub(super) fn run(path: &Path) -> Outcome {
    let config = settings(path)?;
    keep_memory_closed();
    start_log();
    leave_a_word_on_panic();
    let runtime = runtime()?;
    let leave = runtime.block_on(async {
        let mut terminate = listen_for(SignalKind::terminate())?;
        let mut interrupt = listen_for(SignalKind::interrupt())?;
        let mut hangup = listen_for(SignalKind::hangup())?;
        let (asked, stop) = tokio::sync::mpsc::unbounded_channel();
        let path = path.to_owned();
        tokio::spawn(async move {
            loop {
                tokio::select! {
                    _ = terminate.recv() => break,
                    _ = interrupt.recv() => break,
                    // A terminal that was closed means the end; without one it is asked for by name.
                    _ = hangup.recv() => if std::io::stdin().is_terminal() {
                        break;
                    } else if let Some(store) = store_of_usable(&path) {
                        tracing::info!("new settings: writing down what waits, then starting with them");
                        let _ = asked.send(Leave::Reload { store });
                    }
                }
            }
            tracing::info!("stopping: writing down what waits");
            let _ = asked.send(Leave::Stop);
        });
        daemon::run(config, Clock::system(), stop, &mut |_| {}).await.map_err(Failure::from)
    });
    match leave? {
        Leave::Stop => Ok(Answer::Yes),
        Leave::Reload { .. } => Err(start_again()),
    }
}

/// Passwords stand in memory: no core dump shall hold them, and no other user may look.
fn keep_memory_closed() {
    // Where the system refuses it, LimitCORE=0 of the unit still holds.
    let _ = rustix::process::set_dumpable_behavior(rustix::process::DumpableBehavior::NotDumpable);
}

/// A wrong file changes nothing: the watch goes on under the settings it has.
fn store_of_usable(path: &Path) -> Option<PathBuf> {
    match settings(path) {
        Ok(config) => Some(config.store.path),
        Err(why) => {
            tracing::error!("the new settings are wrong; the watch goes on under the old ones\n{why}");
            None
        }
    }
}

/// The same process begins anew, as at any start: the past is lived through again under
/// the new settings, and the broker keeps what comes meanwhile. Returns only if it fails.
fn start_again() -> Failure {
    let arguments: Vec<std::ffi::OsString> = std::env::args_os().skip(1).collect();
    let failed = match std::env::current_exe() {
        Ok(program) => std::process::Command::new(program).args(arguments).exec(),
        Err(error) => error,
    };
    Failure::Daemon(DaemonError::System { doing: "start again with the new settings", source: failed })
}

/// One thread is enough for a room; the writer has its own.
pub(super) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|source| Failure::Daemon(DaemonError::System { doing: "start the runtime", source }))
}

pub(super) fn listen_for(kind: SignalKind) -> Result<tokio::signal::unix::Signal, Failure> {
    signal(kind).map_err(|source| Failure::Daemon(DaemonError::System { doing: "listen for signals", source }))
}

/// Log lines to standard error. Under systemd each begins with its priority, and the
/// journal adds the time itself.
pub(super) fn start_log() {
    let filter = EnvFilter::try_from_env("TRAYWARDEN_LOG").unwrap_or_else(|_| EnvFilter::new("info,lettre=warn"));
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    if std::env::var_os("JOURNAL_STREAM").is_some() {
        log.with_ansi(false).without_time().event_format(Prioritised).init();
    } else {
        log.with_ansi(std::io::stderr().is_terminal()).init();
    }
}

/// `<4>` and so on, as sd-daemon(3) reads them.
struct Prioritised;

impl<S, N> tracing_subscriber::fmt::FormatEvent<S, N> for Prioritised
where
    S: tracing::Subscriber + for<'a> tracing_subscriber::registry::LookupSpan<'a>,
    N: for<'a> tracing_subscriber::fmt::FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        context: &tracing_subscriber::fmt::FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &tracing::Event<'_>,
    ) -> std::fmt::Result {
        let priority = match *event.metadata().level() {
            tracing::Level::ERROR => 3,
            tracing::Level::WARN => 4,
            tracing::Level::INFO => 6,
            _ => 7,
        };
        write!(writer, "<{priority}>")?;
        context.format_fields(writer.by_ref(), event)?;
        writeln!(writer)
    }
}

/// With `panic = "abort"` this line is all that remains; systemd restarts us, and the
/// broker sends again what was not acknowledged.
pub(super) fn leave_a_word_on_panic() {
    std::panic::set_hook(Box::new(|panic| {
        tracing::error!("traywarden stops because of a mistake of its own: {panic}");
        let _ = std::io::stderr().flush();
    }));
}
