//! Seasons of invented rooms whose truth is known: hundreds of nights through the engine,
//! and one recorded season through engine and store. Physics comes from `demo::room`; what
//! counts as harm is drawn by the seed and knows nothing of the engine's models.

mod people;
mod recorded;
mod running;

/// `SEASON_STORE=/tmp/season cargo test --test season -- the_season_can_be_written_to_a_folder`
#[test]
fn the_season_can_be_written_to_a_folder_to_look_at() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = std::env::var("SEASON_STORE").map_or(folder.path().to_owned(), Into::into);
    recorded::write(&recorded::season(), &folder);
    assert!(folder.join("traywarden.db").metadata().is_ok_and(|file| file.len() > 1_000_000));
}
