//! `guard`: on another machine, notice that the watch is gone, and write.

use super::run::{leave_a_word_on_panic, listen_for, runtime, start_log};
use super::{Answer, Failure, Outcome, print};
use crate::clock::Clock;
use crate::config;
use crate::guard;
use crate::notify::carrier::Carrier;
use crate::notify::wording;
use clap::Args;
use std::path::PathBuf;
use tokio::signal::unix::SignalKind;

#[derive(Args)]
pub(super) struct Guard {
    /// The guard's own settings, a few lines; deploy/README.md shows them
    #[arg(default_value = "/etc/traywarden/guard.toml")]
    file: PathBuf,
    /// Only read the settings and say everything that is wrong with them.
    #[arg(long)]
    check: bool,
    /// With --check: also send one test letter.
    #[arg(long, requires = "check")]
    letter: bool,
}

impl Guard {
    pub(super) fn run(self) -> Outcome {
        let settings = config::load_guard(&self.file)?;
        if self.check {
            print(&format!(
                "{} is fine: it guards {} on the broker at {}:{}, and writes to {}.",
                self.file.display(),
                settings.name,
                settings.broker.host,
                settings.broker.port,
                settings.mail.to.join(", ")
            ))?;
            return if self.letter { send(&settings) } else { Ok(Answer::Yes) };
        }
        start_log();
        leave_a_word_on_panic();
        runtime()?.block_on(async {
            let mut terminate = listen_for(SignalKind::terminate())?;
            let mut interrupt = listen_for(SignalKind::interrupt())?;
            let stop = async move {
                tokio::select! {
                    _ = terminate.recv() => {}
                    _ = interrupt.recv() => {}
                }
            };
            let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
            guard::run(settings, Clock::system(), stop).await.map_err(|error| Failure::Sentence(error.to_string()))
        })?;
        Ok(Answer::Yes)
    }
}

fn send(settings: &config::GuardSettings) -> Outcome {
    let now = Clock::system().now();
    let letter = wording::guard_test_letter(settings, now);
    let runtime = runtime()?;
    let postman = guard::postman(settings);
    for mail in postman.letter(&letter) {
        runtime.block_on(postman.try_once(&mail)).map_err(|error| {
            Failure::Sentence(format!("the test letter to {} was not taken: {}", mail.key.recipient, error.text))
        })?;
        print(&format!("The test letter to {} has been taken.", mail.key.recipient))?;
    }
    Ok(Answer::Yes)
}
