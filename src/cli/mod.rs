//! The verbs. Each is one file; this one has the arguments and the dispatch. Data goes to
//! standard output, everything else to standard error. Exit codes: 0 done, 1 the answer
//! is no, 2 usage, 78 configuration.

mod alarms;
mod backup;
mod calibrate;
mod check;
mod demo;
mod digest;
mod documents;
mod export;
mod file;
mod guard;
mod history;
mod listen;
mod log;
mod labels;
mod now;
mod pair;
mod rehearse;
mod outcome;
mod present;
mod run;
mod show;
mod trace;
mod trays;
mod when;
mod yields;

use clap::{CommandFactory, Parser, Subcommand};
use outcome::{Answer, DEFAULT_CONFIG, Failure, Outcome, print, settings};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// sysexits.h EX_CONFIG.
const EXIT_CONFIG: u8 = 78;

/// The overnight watch over microgreens in trays on racks.
#[derive(Parser)]
#[command(name = "traywarden", version, about, max_term_width = 100)]
struct Arguments {
    /// The settings file.
    #[arg(long, short, global = true, value_name = "FILE", default_value = DEFAULT_CONFIG)]
    config: PathBuf,
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Subcommand)]
enum Verb {
    /// Watch: subscribe to the sensors, keep their readings, send letters.
    Run,
    /// Show the whole job on an invented room: two nights in two minutes.
    Demo(demo::Demo),
    /// Read the settings and say everything that is wrong with them.
    Check(check::Check),
    /// Hear what a broker's devices say for a minute, and write a settings file for them.
    Listen(listen::Listen),
    /// The room now: air, water, trays, alarms, sensors.
    Now(show::AsJson),
    /// What a place, a sensor or a reservoir has read.
    History(history::History),
    /// Write one entry into the journal: sow, uncover, water, harvest...
    Log(log::Log),
    /// Trays that grow, their stage, and what is due.
    Trays(show::AsJson),
    /// The air one tray lived in, beside its healthy sisters, and what differs most.
    Trace(trace::TraceVerb),
    /// List alarms, answer them, or print the table of kinds.
    Alarms(alarms::Alarms),
    /// The digest as it would be written now; sends nothing.
    Digest(digest::Digest),
    /// Run a recorded night through the settings: which letters would have come?
    Rehearse(rehearse::Rehearse),
    /// What was cut and lost, by crop, place or week, and which air went with it.
    Yields(yields::Yields),
    /// Copy out: readings, minute means, journal, alarms, a calendar, a record to print.
    Export(export::Export),
    /// Correct a hygrometer with jars of salt: how, and what comes of it.
    Calibrate(calibrate::Calibrate),
    /// On another machine: write when the watch is gone, or its breakfast letter did not come.
    Guard(guard::Guard),
    /// Write man pages and shell completions.
    #[command(hide = true)]
    Documents(documents::Documents),
    /// A link and a QR code by which a phone may open the round sheet; phones that may.
    Pair(pair::Pair),
    /// A sheet of QR codes to print, one a rack, that open that rack's lines.
    Labels(labels::Labels),
    /// Copy the store to another file, while the daemon runs or not.
    Backup(backup::Backup),
}

/// Runs the verb that the command line names.
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome = match arguments.verb {
        Verb::Run => run::run(&arguments.config),
        Verb::Demo(demo) => demo.run(),
        Verb::Check(check) => check.run(&arguments.config),
        Verb::Listen(listen) => listen.run(&arguments.config),
        Verb::Now(shown) => now::run(&arguments.config, shown),
        Verb::History(history) => history.run(&arguments.config),
        Verb::Log(log) => log.run(&arguments.config),
        Verb::Trays(shown) => trays::run(&arguments.config, shown),
        Verb::Trace(trace) => trace.run(&arguments.config),
        Verb::Alarms(alarms) => alarms.run(&arguments.config),
        Verb::Digest(digest) => digest.run(&arguments.config),
        Verb::Rehearse(rehearse) => rehearse.run(&arguments.config),
        Verb::Yields(yields) => yields.run(&arguments.config),
        Verb::Export(export) => export.run(&arguments.config),
        Verb::Calibrate(calibrate) => calibrate.run(&arguments.config),
        Verb::Guard(guard) => guard.run(),
        Verb::Documents(documents) => documents.run(Arguments::command()),
        Verb::Pair(pair) => pair.run(&arguments.config),
        Verb::Labels(labels) => labels.run(&arguments.config),
        Verb::Backup(backup) => backup.run(&arguments.config),
    };
    let _ = std::io::stdout().flush();
    match outcome {
        Ok(Answer::Yes) => ExitCode::SUCCESS,
        Ok(Answer::No) => ExitCode::from(1),
        Err(failure) => fail(&failure),
    }
}

fn fail(failure: &Failure) -> ExitCode {
    match failure {
        // A closed pipe (`| head`) is how people stop reading; it is no trouble.
        Failure::System { source, .. } if source.kind() == std::io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Failure::Config(problems) => {
            eprint!("{problems}");
            ExitCode::from(EXIT_CONFIG)
        }
        Failure::Usage(why) => {
            eprintln!("error: {why}");
            ExitCode::from(2)
        }
        other => {
            eprintln!("error: {other}");
            ExitCode::from(1)
        }
    }
}
