//! From settings to a daemon at work: the store opened, the past lived through, what was
//! left unsent taken up again, the broker asked. Where the store cannot be opened the
//! watch begins without it, and begins anew when it can.

use super::keeper::{self, Keeper};
use super::lamp::Lamp;
use super::neighbours::Ear;
use super::replies::Listening;
use super::{
    Daemon, DaemonError, Extras, KEEP_STATE_EVERY, Kept, Leave, Observed, TIDY_EVERY, Turn, deliveries::Deliveries,
    ledger::Ledger,
};
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::Engine;
use crate::engine::event::{LetterFacts, LetterKind, What};
use crate::engine::rules::Rules;
use crate::intake::mqtt;
use crate::marks::MarkKey;
use crate::notify::post::Post;
use crate::notify::postman::Postman;
use crate::notify::wording;
use crate::page::Page;
use crate::rebuild;
use crate::store::{Depth, PutRight, Reader, StoreError, TakenIn, TroubleFile, WaitingParcel};
use crate::units::Timestamp;
use chrono::TimeDelta;
use std::collections::HashSet;
use std::sync::{Arc, Mutex};
use tokio::sync::mpsc;

/// What is lived through before the watch begins.
struct Past {
    engine: Engine,
    events: u64,
    /// Minutes of which nothing came may lie behind the last thing written.
    resumed: Option<TakenIn>,
    /// Decided before the last stop, never written down, and still true.
    unwritten: Vec<LetterFacts>,
    /// Ids of the letters of the last days.
    letters: Vec<String>,
    waiting: Vec<WaitingParcel>,
    deliveries: Deliveries,
    next_entry: i64,
    /// The key of the marks of letters, where one was kept.
    mark_key: Option<[u8; 32]>,
    /// Nobody could read it.
    unknown: bool,
}

/// Runs until `stop` says so, or nobody is left who could, and says what it ended for.
/// `observer` hears what happens.
///
/// # Errors
/// When another daemon watches with this store, or the broker's settings cannot be used. A
/// broker or a mail server that is away is no error, nor is a store that cannot be opened;
/// they are waited for.
pub async fn run(
    config: Config,
    clock: Clock,
    mut stop: mpsc::UnboundedReceiver<Leave>,
    observer: &mut dyn FnMut(Observed<'_>),
) -> Result<Leave, DaemonError> {
    let mut kept = Kept { clock, claim: None, page: None, reload: None };
    let mut set = None;
    loop {
        let (turn, left) = watch(config.clone(), kept, set, &mut stop, observer).await?;
        kept = left;
        match turn {
            Turn::Leave(leave) => return Ok(leave),
            Turn::Again { step, .. } => {
                // A clock that was set is asked anew.
                if step.is_some() {
                    kept.clock = Clock::system();
                }
                set = step;
            }
        }
    }
}

/// One watch. `set`: the clock was set by so much, which is why it begins anew.
async fn watch(
    config: Config,
    Kept { mut clock, claim, page, reload }: Kept,
    mut set: Option<TimeDelta>,
    stop: &mut mpsc::UnboundedReceiver<Leave>,
    observer: &mut dyn FnMut(Observed<'_>),
) -> Result<(Turn, Kept), DaemonError> {
    let rules = Arc::new(config.rules.clone());
    let (mut keeper, mut opened) = Keeper::open(&config.store.path, &rules, clock.now(), claim)?;
    let mut lived = None;
    if keeper.why_not().is_none() {
        let mut past = past_of_the_store(&config, &rules, &mut keeper, &mut clock, &mut set);
        if let Err(StoreError::Damaged { .. } | StoreError::Unreadable { .. }) = past {
            // It was not looked through when it was opened; what can be read is carried over now.
            past = keeper.open_looking_through(clock.now()).and_then(|how| {
                opened = Some(how);
                past_of_the_store(&config, &rules, &mut keeper, &mut clock, &mut set)
            });
        }
        match past {
            Ok(past) => lived = Some(past),
            Err(error) => keeper.close(&error),
        }
    }
    let past = lived.unwrap_or_else(|| past_without_writing(&config, &rules, &mut keeper, &mut clock));
    let mark_key = past.mark_key.or_else(MarkKey::fresh).ok_or_else(|| DaemonError::System {
        doing: "make the key for the marks of letters",
        source: std::io::Error::other("the system gives no random numbers"),
    })?;
    let marks = MarkKey::new(&mark_key);
    let why_not = keeper.why_not().map(str::to_owned);
    let unchecked = keeper.must_be_looked_through();
    let keeper = Arc::new(Mutex::new(keeper));
    let (ledger, written) = Ledger::start(Arc::clone(&keeper));
    let mut topics: Vec<String> = config.topics.sensors.keys().cloned().collect();
    topics.push(config.topics.journal.clone());
    let (link, from_broker) = match mqtt::connect(&config.broker, topics) {
        Ok(connected) => connected,
        Err(error) => {
            // Told and ended in good order: the next start must not speak of a crash.
            keeper::lock(&keeper).close_well(clock.now(), None)?;
            return Err(error.into());
        }
    };
    let lamp = Lamp { speaker: link.speaker(), site: rules.site.clone(), site_topic: config.broker.site_topic.clone() };
    let postman = Postman::new(&config.mail, &rules.site.name, &marks);
    let mut posts = vec![Post::new(Arc::new(postman)), Post::new(Arc::new(lamp))];
    Daemon::take_up(&mut posts, past.waiting, clock.now());
    let began = clock.now();
    let mut daemon = Daemon {
        rules,
        clock,
        engine: past.engine,
        keeper,
        began,
        ledger,
        deliveries: past.deliveries,
        link,
        posts,
        broker_up: false,
        marks,
        deaf: None,
        next_entry: past.next_entry,
        entry_gate: Default::default(),
        neighbours: Default::default(),
        astray_gate: Default::default(),
        store_failing: None,
        without_store: why_not.is_some(),
        without_past: past.unknown,
        again: false,
        reload,
        trouble: TroubleFile::of(&config.store.path),
        unchecked_hours: 0,
        inbox_unread: true,
        inbox_taken: 0,
        next_tidy: began + TIDY_EVERY,
        next_state: past.resumed.map_or(began, |_| began + KEEP_STATE_EVERY),
        taken_in: None,
        state_is_stored: why_not.is_none() && !past.unknown,
        page: None,
        shown_unwritten: false,
        beat_missed: Arc::default(),
        proposals: Default::default(),
        observer,
        config,
    };
    (daemon.observer)(Observed::Ready { events: past.events });
    daemon.happen(What::Started, Extras::default());
    for line in wording::at_work(&daemon.rules, &daemon.engine) {
        tracing::info!("{line}");
    }
    daemon.page = page.or_else(|| Page::start(&daemon.config, daemon.engine.snapshot()));
    daemon.show();
    if let Some(by) = set {
        daemon.happen(What::ClockStepped { by }, Extras::default());
    }
    if let Some(opened) = opened {
        daemon.tell_how_found(&opened);
    }
    if let Some(why_not) = why_not {
        daemon.tell_store_failing(why_not);
    }
    for facts in past.unwritten {
        daemon.write_letter_again(&facts);
    }
    daemon.announce_standing();
    daemon.stamp_last_digest(&past.letters);
    if unchecked {
        std::thread::spawn(daemon.look_through(Depth::Full));
    }
    let answers = Listening::begin(&daemon.config, &daemon.marks);
    let ear = Ear::begin(&daemon.config);
    Ok(daemon.live(stop, from_broker, written, answers, ear).await)
}

/// The past as the open store has it, its times put right first where they lie in the future.
fn past_of_the_store(
    config: &Config,
    rules: &Arc<Rules>,
    keeper: &mut Keeper,
    clock: &mut Clock,
    set: &mut Option<TimeDelta>,
) -> Result<Past, StoreError> {
    put_right(keeper, clock, set)?;
    let Some(store) = keeper.store() else { return Err(StoreError::Missing { path: config.store.path.clone() }) };
    clock.continue_after(store.last_position()?);
    let reader = Reader::open(&config.store.path, rules)?;
    let mut past = lived_through(rules, &reader, clock.now())?;
    clock.continue_after(past.resumed);
    // What the clock was set over was told under the old time.
    if set.is_some() {
        past.unwritten.clear();
    }
    past.waiting = store.waiting_parcels()?;
    past.deliveries = Deliveries::restored(store.deliveries()?);
    past.next_entry = store.next_journal_number()?;
    if let Some(fresh) = MarkKey::fresh() {
        past.mark_key = Some(store.mark_key(fresh)?);
    }
    Ok(past)
}

/// What was written lies in the future: the clock was wrong then, or is wrong now.
fn put_right(keeper: &mut Keeper, clock: &mut Clock, set: &mut Option<TimeDelta>) -> Result<(), StoreError> {
    let Some(store) = keeper.store() else { return Ok(()) };
    let Some(ahead) = clock.is_behind(store.last_position()?) else { return Ok(()) };
    if clock.was_never_set() {
        tracing::warn!("the clock was never set; time goes on from what was written last until it is");
        return Ok(());
    }
    match store.put_right(clock.now())? {
        PutRight::Left => {
            tracing::error!(
                seconds = ahead.num_seconds(),
                "the clock stands far behind what was written; it is not believed. Set it"
            );
            clock.continue_after(store.last_position()?);
            *set = Some(clock.disbelieve_wall());
        }
        moved => {
            tracing::warn!(
                seconds = ahead.num_seconds(),
                ?moved,
                "what was written under a clock that was ahead was moved back"
            );
            *set = Some(-ahead);
        }
    }
    keeper.note_end()
}

/// The past as it can be read where nothing can be written; or none.
fn past_without_writing(config: &Config, rules: &Arc<Rules>, keeper: &mut Keeper, clock: &mut Clock) -> Past {
    let path = &config.store.path;
    let read = |reader: Result<Reader, StoreError>| -> Result<Past, StoreError> {
        let reader = reader?;
        let mut past = lived_through(rules, &reader, clock.now())?;
        past.mark_key = reader.mark_key()?;
        past.next_entry = reader.journal(Timestamp::UNIX_EPOCH)?.last().map_or(1, |line| line.number + 1);
        Ok(past)
    };
    let past = read(Reader::open(path, rules)).or_else(|_| read(Reader::open_unwritable(path, rules)));
    let past = past.unwrap_or_else(|error| {
        tracing::error!(%error, "what was written before cannot be read; the watch begins without it");
        keeper.number_anew();
        Past {
            engine: Engine::new(Arc::clone(rules), clock.now()),
            events: 0,
            resumed: None,
            unwritten: Vec::new(),
            letters: Vec::new(),
            waiting: Vec::new(),
            deliveries: Deliveries::default(),
            next_entry: 1,
            mark_key: None,
            unknown: true,
        }
    });
    clock.continue_after(Some((past.engine.now(), 0)));
    past
}

fn lived_through(rules: &Arc<Rules>, reader: &Reader, now: Timestamp) -> Result<Past, StoreError> {
    let rebuilt = rebuild::rebuild(rules, reader, now, now)?;
    if let Some((since, _)) = rebuilt.resumed {
        tracing::info!(%since, events = rebuilt.events, "what the engine remembers was kept; only what came since is lived through");
    }
    let known: HashSet<String> =
        reader.letters(now - TimeDelta::days(2))?.into_iter().map(|letter| letter.id).collect();
    let letters = known.iter().cloned().collect();
    let unwritten = rebuilt
        .letters
        .into_iter()
        .filter(|facts| facts.kind == LetterKind::Alarm && !known.contains(&facts.id))
        .filter(|facts| still_holds(&rebuilt.engine, facts))
        .collect();
    Ok(Past {
        engine: rebuilt.engine,
        events: rebuilt.events,
        resumed: rebuilt.resumed,
        unwritten,
        letters,
        waiting: Vec::new(),
        deliveries: Deliveries::default(),
        next_entry: 1,
        mark_key: None,
        unknown: false,
    })
}

fn still_holds(engine: &Engine, facts: &LetterFacts) -> bool {
    let standing = engine.snapshot().alarms;
    facts
        .alarms()
        .any(|(_, reported)| standing.iter().any(|now| now.key == reported.key && now.since == reported.since))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Opening, Store};

    const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
rounds = ["07:00", "19:00"]
[broker]
url = "mqtts://127.0.0.1:8883"
ca_file = "nowhere.pem"
[store]
path = "traywarden.db"
[mail]
from = "warden@saltmarsh.example"
to = ["grower@saltmarsh.example"]
folder = "letters"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "rack-a-air"
place = "rack-a"
topic = "loft/rack-a/air"
every = "1 min"
temperature = { pointer = "/temperature", unit = "Cel" }
"#;

    #[tokio::test]
    async fn a_start_that_its_settings_forbid_is_no_crash_to_the_next() {
        let folder = tempfile::tempdir().expect("a folder");
        let config = crate::config::parse(ROOM, "room.toml", folder.path()).expect("the room is right");
        let (path, rules) = (config.store.path.clone(), config.rules.clone());
        let (_asked, stop) = mpsc::unbounded_channel();
        let ended = run(config, Clock::system(), stop, &mut |_| {}).await;
        assert!(ended.is_err(), "there is no such file to trust");
        let (_, opening) = Store::open(&path, &rules, Clock::system().now()).expect("the store is there");
        assert_eq!(opening, Opening::Opened { stopped_well: true });
    }
}
