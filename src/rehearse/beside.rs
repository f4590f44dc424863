//! One recorded night under two sets of settings: the letters each would have sent, what
//! differs, and when. Pure once both nights are gathered.

use super::{RehearsalError, Rehearsed, Summary, Teller, instant, is_raise};
use crate::engine::alarm::{AlarmChange, AlarmKey, AlarmState, Priority};
use crate::engine::event::{LetterFacts, LetterKind, Occasion};
use crate::engine::rules::Rules;
use crate::notify::wording;
use crate::units::Timestamp;
use chrono::TimeDelta;
use serde::Serialize;

/// Told closer together than this, two nights told it at the same time. Own default.
const SAME_TIME: TimeDelta = TimeDelta::minutes(5);
/// Episodes of one alarm that lie no further apart than this are about the same trouble:
/// other delays and deadbands move both ends. Own default.
const SAME_TROUBLE: TimeDelta = TimeDelta::hours(2);

/// One time that an alarm stood.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RehearsedEpisode {
    /// Which alarm, as `kind:subject`.
    #[serde(serialize_with = "as_id")]
    pub alarm: AlarmKey,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When it was over; `None`: it still stood at the end.
    pub(crate) over_at: Option<Timestamp>,
    /// The most urgent it was.
    #[serde(serialize_with = "as_priority")]
    pub priority: Priority,
    /// The first letter that told of it.
    #[serde(rename = "told")]
    pub reported: Option<ComparedLetter>,
    /// What was said when it was raised.
    pub text: String,
}

/// A letter, as far as it matters here.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ComparedLetter {
    /// When it would have been decided.
    pub at: Timestamp,
    /// A call, the letter of an evening or a round, the end of a conversation, or the digest.
    #[serde(serialize_with = "as_letter")]
    pub kind: LetterKind,
    /// Its subject line.
    pub subject: String,
}

/// All that one night told. A [`Teller`] that keeps what it hears.
#[derive(Clone, Debug)]
pub struct Night<'a> {
    rules: &'a Rules,
    /// In order of raising.
    pub episodes: Vec<RehearsedEpisode>,
    /// In order of time.
    pub letters: Vec<ComparedLetter>,
    /// Letters, alarms and readings of the night, counted.
    pub summary: Summary,
}

impl<'a> Night<'a> {
    /// A night of which nothing was told yet.
    pub fn new(rules: &'a Rules) -> Self {
        Night { rules, episodes: Vec::new(), letters: Vec::new(), summary: Summary::default() }
    }

    fn alarm(&mut self, change: &AlarmChange) {
        let open = self.episodes.iter_mut().rev().find(|known| known.alarm == change.key && known.over_at.is_none());
        match open {
            Some(episode) => {
                episode.priority = episode.priority.min(change.priority);
                if matches!(change.state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged) {
                    episode.over_at = Some(change.at);
                }
            }
            None if is_raise(change) => self.episodes.push(RehearsedEpisode {
                alarm: change.key.clone(),
                raised_at: change.at,
                over_at: None,
                priority: change.priority,
                reported: None,
                text: wording::alarm_text(change, &self.rules.site),
            }),
            None => {}
        }
    }

    fn letter(&mut self, facts: &LetterFacts) {
        let subject = wording::letter(facts, self.rules, Vec::new(), &wording::Answering::default()).subject;
        let letter = ComparedLetter { at: facts.at, kind: facts.kind, subject };
        let about = facts.alarms().filter(|(occasion, _)| *occasion != Occasion::Returned);
        for (_, change) in about {
            let newest = self.episodes.iter_mut().rev().find(|episode| episode.alarm == change.key);
            if let Some(episode) = newest {
                episode.reported.get_or_insert_with(|| letter.clone());
            }
        }
        self.letters.push(letter);
    }
}

impl Teller for &mut Night<'_> {
    fn reported(&mut self, reported: Rehearsed<'_>) -> Result<(), RehearsalError> {
        match reported {
            Rehearsed::Alarm(change) => self.alarm(change),
            Rehearsed::Letter(facts) => self.letter(facts),
            Rehearsed::Refused { .. } => {}
        }
        Ok(())
    }

    fn ended(&mut self, summary: &Summary) -> Result<(), RehearsalError> {
        self.summary = summary.clone();
        Ok(())
    }
}

/// What differs between two nights about one trouble.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Difference {
    /// Under the settings in hand.
    pub this: Option<RehearsedEpisode>,
    /// Under the settings beside them.
    pub that: Option<RehearsedEpisode>,
}

impl Difference {
    /// When it first shows.
    pub fn at(&self) -> Timestamp {
        let raised = [&self.this, &self.that].into_iter().flatten().map(|episode| episode.raised_at);
        raised.min().unwrap_or(Timestamp::UNIX_EPOCH)
    }
}

/// Pairs the episodes of two nights and keeps the pairs that people would notice: one
/// side only, told by another kind of letter, or told at another time.
pub fn differences(this: &Night<'_>, that: &Night<'_>) -> Vec<Difference> {
    let mut left: Vec<Option<&RehearsedEpisode>> = that.episodes.iter().map(Some).collect();
    let mut found = Vec::new();
    for mine in &this.episodes {
        let same = left
            .iter()
            .enumerate()
            .filter_map(|(index, other)| other.map(|other| (index, other)))
            .filter(|(_, other)| other.alarm == mine.alarm && meet(mine, other))
            .min_by_key(|(_, other)| (other.raised_at - mine.raised_at).abs());
        match same {
            Some((index, other)) => {
                left[index] = None;
                if !alike(mine, other) {
                    found.push(Difference { this: Some(mine.clone()), that: Some(other.clone()) });
                }
            }
            None => found.push(Difference { this: Some(mine.clone()), that: None }),
        }
    }
    found.extend(left.into_iter().flatten().map(|other| Difference { this: None, that: Some(other.clone()) }));
    found.sort_by_key(Difference::at);
    found
}

fn meet(one: &RehearsedEpisode, other: &RehearsedEpisode) -> bool {
    let end = |episode: &RehearsedEpisode| episode.over_at.unwrap_or(Timestamp::MAX_UTC - SAME_TROUBLE);
    one.raised_at <= end(other) + SAME_TROUBLE && other.raised_at <= end(one) + SAME_TROUBLE
}

fn alike(one: &RehearsedEpisode, other: &RehearsedEpisode) -> bool {
    match (&one.reported, &other.reported) {
        (None, None) => true,
        (Some(one), Some(other)) => one.kind == other.kind && (one.at - other.at).abs() <= SAME_TIME,
        _ => false,
    }
}

fn as_id<S: serde::Serializer>(key: &AlarmKey, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&key.id())
}

fn as_priority<S: serde::Serializer>(priority: &Priority, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(priority.word())
}

fn as_letter<S: serde::Serializer>(kind: &LetterKind, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(kind.word())
}

/// The comparison as one line of JSON for each difference and a last one with both sums.
///
/// # Errors
/// When `out` cannot be written.
pub(crate) fn print_json(
    out: &mut impl std::io::Write,
    names: [&str; 2],
    nights: [&Night<'_>; 2],
) -> Result<(), RehearsalError> {
    #[derive(Serialize)]
    struct DifferenceLine<'a> {
        at: String,
        event: &'static str,
        #[serde(flatten)]
        difference: &'a Difference,
    }
    #[derive(Serialize)]
    struct Sums<'a> {
        event: &'static str,
        this: &'a str,
        that: &'a str,
        differences: usize,
        this_summary: &'a Summary,
        that_summary: &'a Summary,
    }
    let [this, that] = nights;
    let differences = differences(this, that);
    let mut line = |json: serde_json::Result<Vec<u8>>| -> Result<(), RehearsalError> {
        let mut json = json.map_err(std::io::Error::from)?;
        json.push(b'\n');
        out.write_all(&json)?;
        Ok(())
    };
    for difference in &differences {
        line(serde_json::to_vec(&DifferenceLine { at: instant(difference.at()), event: "difference", difference }))?;
    }
    line(serde_json::to_vec(&Sums {
        event: "beside",
        this: names[0],
        that: names[1],
        differences: differences.len(),
        this_summary: &this.summary,
        that_summary: &that.summary,
    }))
}
