//! `check`: the check before the night. Everything that must be true, one line each, with the
//! remedy where it is not, and what cannot be watched yet. It is seen with the eyes of the
//! daemon's user: what root may read says nothing about what the daemon may.

mod blind;
pub(super) mod files;
mod hearing;
mod point;

use self::files::Eyes;
use self::point::CheckPoint;
use super::run::runtime;
use super::{Answer, Failure, Outcome, print, settings, when};
use crate::answers;
use crate::clock::Clock;
use crate::config::Config;
use crate::marks::MarkKey;
use crate::notify::carrier::Carrier;
use crate::notify::postman::Postman;
use crate::notify::wording::{self, speech::count};
use clap::Args;
use std::path::Path;
use std::time::Duration;
use tokio::runtime::Runtime;

#[derive(Args)]
pub(super) struct Check {
    /// Also send one test letter the way an alarm would go, and say what the mail server answered.
    #[arg(long)]
    letter: bool,
    /// How long to listen for the sensors; it ends as soon as all were heard.
    #[arg(long = "listen", value_name = "SPAN", default_value = "10 s")]
    span: String,
    /// Only read the settings: no broker, no mail server, no store.
    #[arg(long, conflicts_with = "letter")]
    settings_only: bool,
}

impl Check {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let span = when::span(&self.span)?.to_std().unwrap_or_default();
        if self.settings_only {
            print(&line(&the_settings(path, &config)))?;
            return Ok(Answer::Yes);
        }
        let runtime = runtime()?;
        match files::look_as_the_daemon(&config, &runtime)? {
            Eyes::Closed(answer) => return Ok(answer),
            Eyes::Daemons(user) => print(&format!("As the user {user}, like the daemon:"))?,
            Eyes::Ours => {}
        }
        // What is asked of others is asked with the passwords that the daemon will have.
        let lent = files::with_copies(&config);
        let mut mends = 0;
        let mut tell = |point: CheckPoint| {
            mends += u32::from(matches!(point, CheckPoint::Mend(..)));
            print(&line(&point))
        };
        tell(the_settings(path, &config))?;
        for point in corrections(&config) {
            tell(point)?;
        }
        for point in files::look(&config) {
            tell(point)?;
        }
        let known = files::past(&config);
        for point in runtime.block_on(hearing::listen(&lent, span, known.as_ref())) {
            tell(point)?;
        }
        if !self.letter {
            tell(runtime.block_on(mail(&lent)))?;
        }
        if let Some(point) = runtime.block_on(replies(&lent)) {
            tell(point)?;
        }
        for point in blind::spots(&config, known.as_ref()) {
            tell(point)?;
        }
        if self.letter {
            send(&lent, &runtime)?;
        }
        match mends {
            0 => print("\nReady for the night.").map(|()| Answer::Yes),
            1 => print("\nOne thing to mend before the night.").map(|()| Answer::No),
            many => print(&format!("\n{many} things to mend before the night.")).map(|()| Answer::No),
        }
    }
}

fn line(point: &CheckPoint) -> String {
    match point {
        CheckPoint::Well(what) => format!("well   {what}"),
        CheckPoint::Mend(what, remedy) => format!("mend   {what}\n       {remedy}"),
        CheckPoint::Blind(what) => format!("blind  {what}"),
    }
}

fn the_settings(path: &Path, config: &Config) -> CheckPoint {
    let rules = &config.rules;
    CheckPoint::Well(format!(
        "{}: {} ({} in its topics) with {}, {} and {}.",
        path.display(),
        rules.site.name,
        config.broker.site_topic,
        count(rules.places.len() as i64, "place"),
        count((rules.sensors.len() - rules.reservoirs.len()) as i64, "sensor"),
        count(rules.reservoirs.len() as i64, "reservoir"),
    ))
}

/// Which values are corrected, by what, and since when.
fn corrections(config: &Config) -> Vec<CheckPoint> {
    let rules = &config.rules;
    let corrected = rules.channels.iter().filter(|channel| channel.gain != 1.0 || channel.offset != 0.0);
    let mut points: Vec<CheckPoint> = corrected
        .map(|channel| {
            let since = channel.calibrated.map_or("on a day not noted".to_owned(), |date| format!("on {date}"));
            CheckPoint::Well(format!(
                "The {} of {} is corrected: {} × value {} {}, calibrated {since}.",
                channel.quantity.word(),
                rules.sensor(channel.sensor).id,
                channel.gain,
                if channel.offset < 0.0 { "-" } else { "+" },
                channel.offset.abs()
            ))
        })
        .collect();
    for reservoir in &rules.reservoirs {
        if let Some(echo) = &reservoir.echo {
            points.push(CheckPoint::Well(format!(
                "The echo of {} is corrected for the warmth of the air by {}; the gauge itself reckons with {}.",
                reservoir.id,
                rules.sensor(rules.channel(echo.air).sensor).id,
                super::show::temperature(&rules.site, Some(echo.assumed.0))
            )));
        }
    }
    points
}

/// Whether the mail server takes us in; no letter is sent.
async fn mail(config: &Config) -> CheckPoint {
    let to = config.mail.to.join(", ");
    let Some(smtp) = &config.mail.smtp else {
        return CheckPoint::Mend(
            format!("Letters become files in {} and wake nobody.", config.mail.folder.display()),
            "Name your mail server: [mail] smtp = \"smtps://user@host:465\", from, to, password_file.".to_owned(),
        );
    };
    let server = format!("{}:{}", smtp.host, smtp.port);
    match postman(config).try_login().await {
        Ok(()) => CheckPoint::Well(format!(
            "The mail server {server} takes us in; letters go to {to}. Try one: check --letter"
        )),
        Err(error) => CheckPoint::Mend(
            format!("Mail does not work yet: {}.", error.text.trim_end_matches('.')),
            if error.text.contains("/run/credentials/") {
                "systemd hands this password to the daemon alone: run the check as root.".to_owned()
            } else {
                "Until it does, no alarm reaches anybody. Look at [mail] in the settings.".to_owned()
            },
        ),
    }
}

/// Whether the mailbox of replies opens; nothing in it is changed.
async fn replies(config: &Config) -> Option<CheckPoint> {
    let answers = config.mail.answers.as_ref()?;
    let mailbox = format!("{} at {}", answers.folder, answers.host);
    Some(match answers::try_once(answers).await {
        Ok(()) => CheckPoint::Well(format!("Replies can be read in {mailbox}.")),
        Err(why) => CheckPoint::Mend(
            format!("Replies cannot be read in {mailbox}: {}.", why.to_string().trim_end_matches('.')),
            "Until they can, answer with the page or the verbs. Look at [mail.answers] in the settings.".to_owned(),
        ),
    })
}

fn send(config: &Config, runtime: &Runtime) -> Result<(), Failure> {
    let now = Clock::system().now();
    let letter = wording::test_letter(format!("test-{}", now.timestamp_millis()), &config.rules.site, now);
    let mut failed = false;
    let postman = postman(config);
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
        return Err(Failure::Sentence("mail does not work yet; alarms would not reach anybody".into()));
    }
    Ok(())
}

fn postman(config: &Config) -> Postman {
    Postman::new(&config.mail, &config.rules.site.name, &MarkKey::unanswerable()).with_patience(PATIENCE)
}

/// Somebody sits and waits: no step with the mail server takes longer. At night there is more patience.
const PATIENCE: Duration = Duration::from_secs(20);
