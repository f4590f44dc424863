//! What grows in a place, and the stage it is in, in words.

use crate::engine::watch::band::CropAtStage;
use crate::engine::watch::trays::tray::Stage;

/// Where a tray stands, after "is still".
pub(crate) fn standing(stage: Stage) -> &'static str {
    match stage {
        Stage::Soak => "soaking",
        Stage::Germination => "under weight",
        Stage::Blackout => "under cover",
        Stage::Light => "in light",
        Stage::Ready => "ready to cut",
    }
}

/// What stands in a place, each as "broccoli in light", in the order of a dictionary.
pub(crate) fn crops_at_stage(crops: &[CropAtStage]) -> Vec<String> {
    let mut words: Vec<String> = crops
        .iter()
        .map(|CropAtStage { crop, stage }| {
            let stage = if stage.covered() { Stage::Blackout } else { *stage };
            format!("{crop} {}", standing(stage))
        })
        .collect();
    words.sort();
    words.dedup();
    words
}
