//! `check`: read the settings, say everything that is wrong; with `--letter`, send one letter.

use super::run::runtime;
use super::{Answer, Failure, Outcome, print, settings};
use crate::clock::Clock;
use crate::config::Config;
use crate::marks::MarkKey;
use crate::notify::channel::Channel;
use crate::notify::postman::Postman;
use crate::notify::wording::{self, speech::count};
use clap::Args;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;

/// Permission bits of everybody who is neither the owner nor in the group.
const OTHERS: u32 = 0o007;

/// Somebody sits and waits: no step of a test letter takes longer. At night there is more patience.
const PATIENCE: Duration = Duration::from_secs(60);

#[derive(Args)]
pub struct Check {
    /// Also send one test letter the way an alarm would go, and say what the mail server answered.
    #[arg(long)]
    letter: bool,
}

impl Check {
    pub fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let rules = &config.rules;
        print(&format!(
            "{} is fine: {} with {}, {} and {}; letters go to {}{}.",
            path.display(),
            rules.site.name,
            count(rules.places.len() as i64, "place"),
            count((rules.sensors.len() - rules.reservoirs.len()) as i64, "sensor"),
            count(rules.reservoirs.len() as i64, "reservoir"),
            config.mail.to.join(", "),
            match &config.mail.smtp {
                Some(smtp) => format!(" through {}:{}", smtp.host, smtp.port),
                None => format!(" as .eml files in {}", config.mail.folder.display()),
            }
        ))?;
        print_corrections(&config)?;
        secrets_are_private(&config)?;
        if self.letter { send(&config) } else { Ok(Answer::Yes) }
    }
}

/// Refuses passwords and keys that others on this machine can read. A file that is not
/// there yet is no matter of `check`: systemd hands it to the daemon alone.
fn secrets_are_private(config: &Config) -> Result<(), Failure> {
    let broker = &config.broker;
    let key = broker.tls.as_ref().and_then(|tls| tls.key_file.as_ref());
    let mail = config.mail.smtp.as_ref().and_then(|smtp| smtp.password_file.as_ref());
    let mut open = Vec::new();
    for (what, file) in [
        ("password_file of [broker]", broker.password_file.as_ref()),
        ("key_file of [broker]", key),
        ("password_file of [mail]", mail),
    ] {
        let Some(file) = file else { continue };
        let Ok(about) = std::fs::metadata(file) else { continue };
        if about.permissions().mode() & OTHERS != 0 {
            let shown = file.display();
            open.push(format!("{shown} ({what}) can be read or changed by others on this machine: chmod 600 {shown}"));
        }
    }
    if open.is_empty() { Ok(()) } else { Err(Failure::Sentence(open.join("\n"))) }
}

/// Which values are corrected, by what, and since when.
fn print_corrections(config: &Config) -> Result<(), Failure> {
    let rules = &config.rules;
    for channel in &rules.channels {
        let sensor = rules.sensor(channel.sensor);
        if channel.gain != 1.0 || channel.offset != 0.0 {
            let since = channel.calibrated.map_or("on a day not noted".to_owned(), |date| format!("on {date}"));
            print(&format!(
                "The {} of {} is corrected: {} × value {} {}, calibrated {since}.",
                channel.quantity.word(),
                sensor.id,
                channel.gain,
                if channel.offset < 0.0 { "-" } else { "+" },
                channel.offset.abs()
            ))?;
        }
    }
    for reservoir in &rules.reservoirs {
        if let Some(echo) = &reservoir.echo {
            print(&format!(
                "The echo of {} is corrected for the warmth of the air by {}; the gauge itself reckons with {}.",
                reservoir.id,
                rules.sensor(rules.channel(echo.air).sensor).id,
                super::show::temperature(&rules.site, Some(echo.assumed.0))
            ))?;
        }
    }
    Ok(())
}

fn send(config: &Config) -> Outcome {
    let now = Clock::system().now();
    let letter = wording::test_letter(format!("test-{}", now.timestamp_millis()), &config.rules.site, now);
    let runtime = runtime()?;
    let mut failed = false;
    let postman = Postman::new(&config.mail, &config.rules.site.name, &MarkKey::unanswerable()).with_patience(PATIENCE);
    for mail in postman.letter(&letter) {
        match runtime.block_on(postman.try_once(&mail)) {
            Ok(()) => print(&format!("The test letter to {} has been taken.", mail.key.recipient))?,
            Err(error) => {
                failed = true;
                eprintln!("error: the test letter to {} was not taken: {}", mail.key.recipient, error.text);
            }
        }
    }
    if failed {
        Err(Failure::Sentence("mail does not work yet; alarms would not reach anybody".into()))
    } else {
        Ok(Answer::Yes)
    }
}
