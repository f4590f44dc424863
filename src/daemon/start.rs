//! From settings to a daemon at work: the store opened, the past lived through, what was
//! left unsent taken up again, the broker asked.

use super::lamp::Lamp;
use super::{Daemon, DaemonError, Extras, Happening, Leave, TIDY_EVERY, ledger::Ledger};
use crate::clock::Clock;
use crate::config::Config;
use crate::engine::Engine;
use crate::engine::event::{LetterFacts, LetterKind, What};
use crate::intake::mqtt;
use crate::marks::MarkKey;
use crate::notify::post::Post;
use crate::notify::postman::Postman;
use crate::page::Page;
use crate::rebuild;
use crate::store::{Opening, Reader, Store, claim};
use chrono::TimeDelta;
use std::collections::HashSet;
use std::future::Future;
use std::sync::{Arc, Mutex};

/// Runs until `stop` is done, and says what it was done for. `observer` hears what happens.
///
/// # Errors
/// When the store or the broker's settings cannot be used. A broker or a mail server
/// that is away is no error; it is waited for.
pub async fn run(
    config: Config,
    mut clock: Clock,
    stop: impl Future<Output = Leave>,
    observer: &mut dyn FnMut(Happening<'_>),
) -> Result<Leave, DaemonError> {
    let rules = Arc::new(config.rules.clone());
    if let Some(folder) = config.store.path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder)
            .map_err(|source| DaemonError::System { doing: "make the store's folder", source })?;
    }
    let _claim = claim(&config.store.path)?;
    let (mut store, opening) = Store::open(&config.store.path, &rules, clock.now())?;
    report_opening(&opening);
    let reader = Reader::open(&config.store.path, &rules)?;
    clock.continue_after(store.last_position()?);
    let rebuilt = rebuild::rebuild(&rules, &reader, clock.now())?;
    let known: HashSet<String> =
        reader.letters(clock.now() - TimeDelta::days(2))?.into_iter().map(|letter| letter.id).collect();
    drop(reader);
    let letters: Vec<String> = known.iter().cloned().collect();
    let unwritten: Vec<LetterFacts> = rebuilt
        .letters
        .into_iter()
        .filter(|facts| facts.kind == LetterKind::Alarm && !known.contains(&facts.id))
        .filter(|facts| still_holds(&rebuilt.engine, facts))
        .collect();
    let waiting = store.waiting_parcels()?;
    let fresh = MarkKey::fresh().ok_or_else(|| DaemonError::System {
        doing: "make the key for the marks of letters",
        source: std::io::Error::other("the system gives no random numbers"),
    })?;
    let marks = MarkKey::new(&store.mark_key(fresh)?);
    let next_entry = store.next_journal_number()?;
    let store = Arc::new(Mutex::new(store));
    let (ledger, written) = Ledger::start(Arc::clone(&store));
    let mut topics: Vec<String> = config.topics.sensors.keys().cloned().collect();
    topics.push(config.topics.journal.clone());
    let (link, from_broker) = mqtt::connect(&config.broker, topics)?;
    let lamp = Lamp { speaker: link.speaker(), site: rules.site.clone(), site_topic: config.broker.site_topic.clone() };
    let postman = Postman::new(&config.mail, &rules.site.name, &marks);
    let mut posts = vec![Post::new(Arc::new(postman)), Post::new(Arc::new(lamp))];
    Daemon::take_up(&mut posts, waiting, clock.now());
    let next_tidy = clock.now() + TIDY_EVERY;
    let mut daemon = Daemon {
        rules,
        clock,
        engine: rebuilt.engine,
        store,
        ledger,
        link,
        posts,
        marks,
        deaf: None,
        told_unwritten: Vec::new(),
        next_entry,
        store_failing: false,
        store_was_damaged: false,
        inbox_unread: true,
        inbox_taken: 0,
        next_tidy,
        page: None,
        beat_missed: Arc::default(),
        observer,
        config,
    };
    (daemon.observer)(Happening::Ready { events: rebuilt.events });
    daemon.happen(What::Started, Extras::default());
    daemon.page = Page::start(&daemon.config, daemon.engine.snapshot());
    if let Opening::Damaged { set_aside, carried_over, .. } = &opening {
        let error = format!(
            "the store was damaged; it lies at {} now, {carried_over} rows of it were carried over into a new one",
            set_aside.display()
        );
        daemon.store_was_damaged = true;
        daemon.happen(What::StoreFailed { error }, Extras::default());
    }
    for facts in unwritten {
        daemon.write_letter_again(&facts);
    }
    daemon.announce_standing();
    daemon.stamp_last_digest(&letters)?;
    daemon.live(stop, from_broker, written).await
}

fn still_holds(engine: &Engine, facts: &LetterFacts) -> bool {
    let standing = engine.snapshot().alarms;
    facts
        .alarms
        .iter()
        .any(|(_, reported)| standing.iter().any(|now| now.key == reported.key && now.since == reported.since))
}

fn report_opening(opening: &Opening) {
    match opening {
        Opening::Created => tracing::info!("a new store was made"),
        Opening::Opened { stopped_well: true } => tracing::info!("the store is as it was left"),
        Opening::Opened { stopped_well: false } => {
            tracing::warn!("the daemon was killed or the power was cut; everything committed is there");
        }
        Opening::Upgraded { from } => tracing::info!(from, "the store was brought up to date"),
        Opening::Damaged { set_aside, what, carried_over } => tracing::error!(
            set_aside = %set_aside.display(), what, carried_over, "the store was damaged; a new one was begun"
        ),
    }
}
