//! `alarms`: list them, answer them, print the table of kinds.

use super::log::hand_over;
use super::show;
use super::{Answer, Failure, Outcome, present, print, settings, when};
use crate::clock::Clock;
use crate::engine::alarm::account::KindAccount;
use crate::engine::alarm::table::row;
use crate::engine::alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState};
use crate::engine::event::{Command, Grade};
use crate::engine::letters::situation;
use crate::engine::rules::{Rules, Site};
use crate::notify::wording;
use crate::store::InboxKind;
use clap::{Args, Subcommand};
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::Path;

#[derive(Args)]
pub(crate) struct Alarms {
    #[command(subcommand)]
    what: Option<AlarmsVerb>,
    /// Print JSON instead of text.
    #[arg(long)]
    json: bool,
    /// Who answers; the record names them.
    #[arg(long, global = true, default_value = "grower")]
    by: String,
}

#[derive(Subcommand)]
enum AlarmsVerb {
    /// "I have seen it": no more reminders.
    Acknowledge {
        /// Which, as the list and the letters write it, such as reservoir-low:tank.
        alarm: String,
        /// Whether calling for it was right: the account of calls keeps it.
        grade: Option<Graded>,
    },
    /// Silence one for a while; it comes back by itself.
    Shelve {
        /// Which alarm, as the list and the letters write it.
        alarm: String,
        /// How long, at most 24 h.
        #[arg(long = "for", default_value = "2 h")]
        span: String,
    },
    /// Bring one back that was shelved or out of service.
    Unshelve {
        /// Which alarm, as the list and the letters write it.
        alarm: String,
    },
    /// Take one out of service until it is brought back.
    OutOfService {
        /// Which alarm, as the list and the letters write it.
        alarm: String,
        /// Why; the digest says so every day.
        #[arg(long)]
        reason: String,
    },
    /// Every kind of alarm: cause, consequence, response, delays.
    Table,
}

/// What a grower says of a call.
#[derive(Clone, Copy, clap::ValueEnum)]
enum Graded {
    /// Hands were needed.
    Right,
    /// It could have waited, or nothing was the matter.
    Wrong,
}

impl Graded {
    fn grade(self) -> Grade {
        match self {
            Graded::Right => Grade::Right,
            Graded::Wrong => Grade::Wrong,
        }
    }
}

impl Alarms {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let by = self.by;
        let command = match self.what {
            None => return list(path, self.json),
            Some(AlarmsVerb::Table) => return table(self.json),
            Some(AlarmsVerb::Acknowledge { alarm, grade }) => {
                Command::Acknowledge { alarm: key(&alarm)?, by, grade: grade.map(Graded::grade) }
            }
            Some(AlarmsVerb::Shelve { alarm, span }) => {
                let until = Clock::system().now() + when::span(&span)?;
                Command::Shelve { alarm: key(&alarm)?, by, until }
            }
            Some(AlarmsVerb::Unshelve { alarm }) => Command::Unshelve { alarm: key(&alarm)?, by },
            Some(AlarmsVerb::OutOfService { alarm, reason }) => {
                Command::OutOfService { alarm: key(&alarm)?, by, reason }
            }
        };
        let config = settings(path)?;
        let body = serde_json::to_string(&command).map_err(|error| Failure::Sentence(error.to_string()))?;
        let understood = wording::command_taken(&command, &config.rules.site, Clock::system().now());
        hand_over(&config, InboxKind::Command, &body, &understood)
    }
}

fn key(id: &str) -> Result<AlarmKey, Failure> {
    AlarmKey::from_id(id).ok_or_else(|| {
        Failure::Usage(format!(
            "\"{id}\" is no alarm; write kind:subject as `traywarden alarms` lists it, such as reservoir-low:tank"
        ))
    })
}

fn list(path: &Path, json: bool) -> Outcome {
    let config = settings(path)?;
    let present = present::open(&config)?;
    let alarms = present.engine.snapshot().alarms;
    let site = &config.rules.site;
    if json {
        print(&Value::Array(alarms.iter().map(|alarm| alarm_json(alarm, site)).collect()).to_string())?;
    } else {
        present::warn_if_quiet(&present);
        print(as_text(&alarms, &config.rules, show::columns()).trim())?;
    }
    if !json {
        calls(&present.engine.calls())?;
    }
    Ok(Answer::Yes)
}

/// What is open, alarms of one cause together, worst first; then what somebody silenced.
pub(super) fn as_text(alarms: &[AlarmChange], rules: &Rules, width: usize) -> String {
    if alarms.is_empty() {
        return "\nNo alarm.\n".to_owned();
    }
    let mut text = String::new();
    for situation in situation::shown(rules, alarms) {
        let (headline, facts) = wording::situation(&situation, &rules.site);
        text.push('\n');
        show::wrapped(&mut text, &headline, "", width);
        for (label, value) in facts {
            show::labelled(&mut text, label, &value, width);
        }
    }
    for alarm in alarms.iter().filter(|alarm| matches!(alarm.state, AlarmState::Shelved | AlarmState::OutOfService)) {
        text.push('\n');
        show::wrapped(&mut text, &alarm.key.id(), "", width);
        show::wrapped(&mut text, &wording::alarm_text(alarm, &rules.site), "  ", width);
    }
    text
}

/// The calls of the last month and what people said
/// of them.
fn calls(kinds: &[KindAccount]) -> Result<(), Failure> {
    if kinds.is_empty() {
        return Ok(());
    }
    print("\nCalls of the last month:")?;
    for kind in kinds {
        let after = match kind.answered_after_minutes {
            Some(minutes) => format!("answered after {minutes} min"),
            None => "not answered".to_owned(),
        };
        let (name, calls, right, wrong) = (wording::kind(kind.kind), kind.calls, kind.right, kind.wrong);
        let calls = if calls == 1 { "1 call".to_owned() } else { format!("{calls} calls") };
        print(&format!("  {name:<20} {calls}, {right} right, {wrong} wrong, {after}"))?;
    }
    Ok(())
}

/// An alarm as JSON.
pub(super) fn alarm_json(alarm: &AlarmChange, site: &Site) -> Value {
    json!({
        "alarm": alarm.key.id(), "kind": alarm.key.kind.word(), "subject": alarm.key.subject,
        "state": alarm.state.word(), "priority": alarm.priority.word(), "since": show::instant(alarm.since),
        "harm_from": alarm.harm.map(|harm| show::instant(harm.likely)),
        "harm_early": alarm.harm.map(|harm| show::instant(harm.early)),
        "times": alarm.times, "by": alarm.by, "text": wording::alarm_text(alarm, site),
    })
}

fn table(json: bool) -> Outcome {
    if json {
        let rows = AlarmKind::ALL.into_iter().map(|kind| {
            let (row, why) = (row(kind), wording::rationale(kind));
            json!({
                "kind": kind.word(), "cause": why.cause, "consequence": why.consequence, "response": why.response,
                "time_to_respond": why.time_to_respond, "on_delay_s": row.on_delay.num_seconds(),
                "off_delay_s": row.off_delay.num_seconds(), "deadband": why.deadband, "priority": why.priority,
            })
        });
        print(&Value::Array(rows.collect()).to_string())?;
        return Ok(Answer::Yes);
    }
    let mut text = String::new();
    for kind in AlarmKind::ALL {
        let (row, why) = (row(kind), wording::rationale(kind));
        let minutes = |span: chrono::TimeDelta| match span.num_minutes() {
            0 => "at once".to_owned(),
            minutes => format!("{minutes} min"),
        };
        let _ = writeln!(text, "{}", kind.word());
        for (label, value) in [
            ("cause", why.cause.to_owned()),
            ("if nobody acts", why.consequence.to_owned()),
            ("what to do", why.response.to_owned()),
            ("time to respond", why.time_to_respond.to_owned()),
            ("raised after", wording::raised_after(kind, row.on_delay)),
            ("over after", minutes(row.off_delay)),
            ("deadband", why.deadband.to_owned()),
            ("urgent by", why.priority.to_owned()),
        ] {
            let mut lines = String::new();
            show::wrapped(&mut lines, &value, "                  ", show::columns());
            let _ = writeln!(text, "  {label:<16}{}", lines.trim());
        }
        text.push('\n');
    }
    print(&text)?;
    Ok(Answer::Yes)
}
