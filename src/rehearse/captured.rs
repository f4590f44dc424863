//! A capture, read and decoded on a thread of its own: where there is a second core, the
//! engine need not wait for it.

use super::RehearsalError;
use crate::config::Config;
use crate::intake::capture::{self, CaptureError, Captured};
use crate::intake::payload::{self, Decoded};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::io::BufRead;
use std::path::Path;
use std::sync::mpsc::{SyncSender, sync_channel};

/// A recording that pauses for longer has a wrong time in it. Own default: longer than a
/// holiday, and lived through in a second.
const LONGEST_PAUSE: TimeDelta = TimeDelta::days(100);
/// A recorder whose clock was set back by more than this was set, not jittery.
const SET_BACK: TimeDelta = TimeDelta::seconds(5);
/// Messages handed over at a time, and how often so many may wait: enough that neither thread
/// stands still, half a megabyte.
const BATCH: usize = 512;
const BATCHES: usize = 8;

type Batch = Vec<(Timestamp, Decoded)>;

/// Lines that are no recorded message.
#[derive(Debug, Default)]
pub(super) struct Skipped {
    /// How many.
    pub(super) lines: u64,
    /// What was wrong with the first.
    pub(super) first: Option<CaptureError>,
}

/// Hands every message of a capture over, in order, each at the time it was heard; what is none
/// is skipped and counted.
///
/// # Errors
/// When the file cannot be read or holds a time that cannot be, and whatever `each` returns.
pub(super) fn read(
    config: &Config,
    path: &Path,
    mut each: impl FnMut(Timestamp, Decoded) -> Result<(), RehearsalError>,
) -> Result<Skipped, RehearsalError> {
    let shown = path.display().to_string();
    let failed = |source| RehearsalError::Read { path: shown.clone(), source };
    let file = std::fs::File::open(path).map_err(failed)?;
    let mut lines = std::io::BufReader::with_capacity(1 << 20, file);
    std::thread::scope(|scope| {
        let (sender, batches) = sync_channel(BATCHES);
        let reading = scope.spawn(|| walk(config, &shown, &mut lines, sender));
        for (at, decoded) in batches.into_iter().flatten() {
            each(at, decoded)?;
        }
        match reading.join() {
            Ok(skipped) => skipped,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    })
}

/// To the end of the file, or until nobody listens any more.
fn walk(
    config: &Config,
    path: &str,
    lines: &mut impl BufRead,
    batches: SyncSender<Batch>,
) -> Result<Skipped, RehearsalError> {
    let failed = |source| RehearsalError::Read { path: path.to_owned(), source };
    let mut recorder = Recorder::default();
    let mut skipped = Skipped::default();
    let mut batch = Vec::with_capacity(BATCH);
    let mut line = Vec::new();
    let mut newest = None;
    for number in 1.. {
        line.clear();
        let read = lines.read_until(b'\n', &mut line);
        if !matches!(read, Ok(1..)) || batch.len() == BATCH {
            let full = std::mem::replace(&mut batch, Vec::with_capacity(BATCH));
            if batches.send(full).is_err() || matches!(read, Ok(0)) {
                break;
            }
            read.map_err(failed)?;
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        match capture::read_line(number, &line) {
            Ok(message) => {
                let before = *newest.get_or_insert(message.at);
                if (message.at - before).abs() > LONGEST_PAUSE {
                    let days = (message.at - before).num_days().abs();
                    // What stands before it is told; that nobody listens any more changes nothing.
                    let _ = batches.send(batch);
                    let path = path.to_owned();
                    return Err(RehearsalError::WildTime { path, line: number, found: message.at, before, days });
                }
                newest = Some(before.max(message.at));
                batch.push(recorder.heard(config, &message));
            }
            Err(error) => {
                skipped.lines += 1;
                skipped.first.get_or_insert(error);
            }
        }
    }
    Ok(skipped)
}

/// The clock of who recorded.
#[derive(Default)]
struct Recorder {
    /// When something was last heard.
    last_at: Option<Timestamp>,
    set_back_by: TimeDelta,
}

impl Recorder {
    fn heard(&mut self, config: &Config, message: &Captured<'_>) -> (Timestamp, Decoded) {
        let at = self.forward(message.at);
        let decoded = payload::decode(&config.topics, &message.topic, &message.payload, message.retained, at);
        if !matches!(&decoded, Decoded::Events(events) if events.is_empty()) {
            self.last_at = Some(at);
        }
        (at, decoded)
    }

    /// A recorder's clock that was set back would stop our time; its later stamps are
    /// carried on from where it was, as the daemon's own clock does.
    fn forward(&mut self, at: Timestamp) -> Timestamp {
        let Some(last_at) = self.last_at else { return at };
        let carried = at + self.set_back_by;
        if last_at - carried > SET_BACK {
            self.set_back_by = last_at - at;
        } else if at >= last_at {
            self.set_back_by = TimeDelta::zero();
        }
        (at + self.set_back_by).max(last_at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;

    const BEGIN: &str = "2026-03-03T23:00:00Z";

    fn at(seconds: i64) -> Timestamp {
        BEGIN.parse::<Timestamp>().expect("a time") + TimeDelta::seconds(seconds)
    }

    /// A capture of the example's first rack, a message at each of these seconds.
    fn capture_of(seconds: impl IntoIterator<Item = i64>) -> tempfile::NamedTempFile {
        let example = config::parse(config::example(), "example", Path::new("/")).expect("the example is right");
        let topic = example.topics.sensors.keys().next().expect("a topic").clone();
        let lines = seconds.into_iter().map(|second| {
            let tst = at(second).to_rfc3339();
            format!("{}\n", serde_json::json!({"tst": tst, "topic": topic, "payload": "21.5"}))
        });
        let file = tempfile::NamedTempFile::new().expect("a file");
        std::fs::write(file.path(), lines.collect::<String>()).expect("it is written");
        file
    }

    fn read_all(file: &Path) -> (Vec<Timestamp>, Result<Skipped, RehearsalError>) {
        let example = config::parse(config::example(), "example", Path::new("/")).expect("the example is right");
        let mut heard = Vec::new();
        let skipped = read(&example, file, |at, _| {
            heard.push(at);
            Ok(())
        });
        (heard, skipped)
    }

    #[test]
    fn a_clock_that_was_set_back_goes_on_from_where_it_was() {
        let file = capture_of([0, 60, 120, -3480, -3420, 180]);
        let (heard, skipped) = read_all(file.path());
        assert_eq!(heard, [0, 60, 120, 120, 180, 180].map(at));
        assert_eq!(skipped.expect("it is read").lines, 0);
    }

    #[test]
    fn what_stands_before_a_time_that_cannot_be_is_handed_over() {
        let file = capture_of([0, 60, 101 * 86_400, 120]);
        let (heard, stopped) = read_all(file.path());
        assert_eq!(heard, [0, 60].map(at));
        let stopped = stopped.expect_err("it stops").to_string();
        assert!(stopped.starts_with("line 3 of ") && stopped.contains("100 days"), "{stopped}");
    }

    #[test]
    fn many_batches_come_in_order_and_none_is_left_behind() {
        let count = (BATCH * (BATCHES + 3) + 7) as i64;
        let file = capture_of(0..count);
        let (heard, _) = read_all(file.path());
        assert!(heard.iter().copied().eq((0..count).map(at)), "{} of {count}", heard.len());
    }

    #[test]
    fn who_stops_listening_stops_the_reading() {
        let file = capture_of(0..(BATCH * (BATCHES + 3)) as i64);
        let example = config::parse(config::example(), "example", Path::new("/")).expect("the example is right");
        let full = || std::io::Error::from(std::io::ErrorKind::StorageFull);
        let stopped = read(&example, file.path(), |_, _| Err(RehearsalError::Write(full())));
        assert!(matches!(stopped, Err(RehearsalError::Write(_))), "{stopped:?}");
    }
}
