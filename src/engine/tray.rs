//! Trays and the stage each is in, folded from the journal.

use serde::{Deserialize, Serialize};

/// Where a tray is between sowing and cutting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Seed in water before sowing.
    Soak,
    /// Covered, under weight.
    Germination,
    /// Covered, no weight.
    Blackout,
    /// Under light.
    Light,
    /// Due to be cut.
    Ready,
}

impl Stage {
    /// The stable word.
    pub fn word(self) -> &'static str {
        match self {
            Stage::Soak => "soak",
            Stage::Germination => "germination",
            Stage::Blackout => "blackout",
            Stage::Light => "light",
            Stage::Ready => "ready",
        }
    }

    /// Under a cover, where the air is wet on purpose.
    pub fn covered(self) -> bool {
        matches!(self, Stage::Soak | Stage::Germination | Stage::Blackout)
    }
}
