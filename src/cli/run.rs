//! `run`: the daemon in the foreground, as systemd starts it.

use super::{Answer, Failure, Outcome, settings};
use crate::clock::Clock;
use crate::daemon::{self, DaemonError};
use std::io::{IsTerminal, Write};
use std::path::Path;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::FormatFields;
use tracing_subscriber::fmt::format::Writer;

pub fn run(path: &Path) -> Outcome {
    let config = settings(path)?;
    start_log();
    leave_a_word_on_panic();
    let runtime = runtime()?;
    runtime.block_on(async {
        let mut terminate = listen_for(SignalKind::terminate())?;
        let mut interrupt = listen_for(SignalKind::interrupt())?;
        let stop = async move {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            tracing::info!("stopping: writing down what waits");
        };
        daemon::run(config, Clock::system(), stop, &mut |_| {}).await.map_err(Failure::from)
    })?;
    Ok(Answer::Yes)
}

/// One thread is enough for a room; the writer has its own.
pub fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|source| Failure::Daemon(DaemonError::System { doing: "start the runtime", source }))
}

fn listen_for(kind: SignalKind) -> Result<tokio::signal::unix::Signal, Failure> {
    signal(kind).map_err(|source| Failure::Daemon(DaemonError::System { doing: "listen for signals", source }))
}

/// Log lines to standard error. Under systemd each begins with its priority, and the
/// journal adds the time itself.
fn start_log() {
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
fn leave_a_word_on_panic() {
    std::panic::set_hook(Box::new(|panic| {
        tracing::error!("traywarden stops because of a mistake of its own: {panic}");
        let _ = std::io::stderr().flush();
    }));
}
