//! The crop table: how long each crop stays covered, when it is cut, and what
//! air it bears. The figures live in config/crops.toml, each with its source.

use std::collections::BTreeMap;

/// Crops by name.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CropTable {
    /// The crops.
    pub crops: BTreeMap<String, Crop>,
}

/// One crop.
#[derive(Clone, Debug, PartialEq)]
pub struct Crop {
    /// The name growers use.
    pub name: String,
    /// Day the weight comes off, counted from sowing; `None`: never under weight.
    pub weight_off_day: Option<f64>,
    /// Day it goes under light, counted from sowing.
    pub light_day: f64,
    /// First day it is usually cut, counted from sowing.
    pub harvest_day_from: f64,
    /// Last day it is usually cut, counted from sowing.
    pub harvest_day_to: f64,
    /// Grams of seed a standard tray, lowest usual.
    pub seed_grams_from: f64,
    /// Grams of seed a standard tray, highest usual.
    pub seed_grams_to: f64,
    /// Grams cut from a standard tray, lowest usual.
    pub yield_grams_from: f64,
    /// Grams cut from a standard tray, highest usual.
    pub yield_grams_to: f64,
    /// Lowest temperature while germinating, Celsius.
    pub germination_temperature_min: f64,
    /// Highest temperature while germinating, Celsius.
    pub germination_temperature_max: f64,
    /// Lowest temperature in light, Celsius.
    pub light_temperature_min: f64,
    /// Highest temperature in light, Celsius.
    pub light_temperature_max: f64,
    /// Lowest relative humidity in light, per cent.
    pub light_humidity_min: f64,
    /// Highest relative humidity in light, per cent.
    pub light_humidity_max: f64,
    /// Which disease model stands for it; see `engine::risk::mold`.
    pub family: String,
}

impl CropTable {
    /// The crop with this name.
    pub fn find(&self, name: &str) -> Option<&Crop> {
        self.crops.get(name)
    }
}
