//! What the log and the air of past days come to, pure: every tray's life (`lives`), that
//! life lived through again in even steps (`walk`, the one place outside the watch where
//! the mold clock runs), and what it comes to: stage by stage (`stages`), in the figures
//! yields are held against (`lot_air`, `yields`, `rank`), beside its healthy sisters
//! (`beside`), and when trouble likely began (`onset`). `standing` says how long a reading
//! counts, `beyond` how long a limit was passed. No store, file, clock or sentence: `report`
//! asks the store, hands over what is known, and says what comes of it.

pub mod beside;
pub mod beyond;
pub mod lives;
pub(crate) mod lot_air;
pub mod onset;
pub(crate) mod place_air;
mod quantile;
pub mod rank;
#[cfg(test)]
pub(crate) mod sample;
pub(crate) mod stages;
pub mod standing;
#[cfg(test)]
pub(crate) mod tests;
pub mod walk;
pub(crate) mod yields;
