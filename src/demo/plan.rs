//! What the invented room is made of, what grows in it at the beginning, and what breaks
//! when. How it then behaves is in `room`.

use crate::units::Timestamp;

/// Where Saltmarsh Lane's clocks stand.
pub const TIME_ZONE: chrono_tz::Tz = chrono_tz::America::Chicago;

/// What the room is made of and how it stands at the beginning.
#[derive(Clone, Debug)]
pub struct RoomPlan {
    /// The air outside and how it changes.
    pub outside: Outside,
    /// Heater power, watts.
    pub heater_watts: f64,
    /// Air cooler power (heat taken out), watts.
    pub cooler_watts: f64,
    /// Thermostat: heating holds this, cooling starts two degrees above, Celsius.
    pub thermostat: f64,
    /// Dehumidifier: switches on above this, per cent.
    pub humidistat: f64,
    /// Racks and shelves.
    pub places: Vec<PlacePlan>,
    /// The water tank.
    pub tank: TankPlan,
    /// What grows there at the beginning.
    pub lots: Vec<PlannedLot>,
}

/// The weather: a mean, a daily swing and some wander.
#[derive(Clone, Copy, Debug)]
pub struct Outside {
    /// Mean temperature, Celsius.
    pub mean: f64,
    /// Half the distance from night to day, kelvin. Warmest at 15:00 room time.
    pub swing: f64,
    /// Relative humidity at the mean temperature, per cent.
    pub humidity: f64,
}

/// Outdoor air as it was measured somewhere, in place of [`Outside`].
#[derive(Clone, Debug)]
pub struct MeasuredYear {
    /// Temperature and dew point, Celsius, at the end of each hour of a year in room time.
    pub hours: std::sync::Arc<[(f64, f64)]>,
    /// Added to both, kelvin: the same weather in a colder or a warmer place.
    pub shift: f64,
}

impl MeasuredYear {
    /// Temperature and dew point, Celsius, so many hours after the year began; between two
    /// hours on the straight line, and after the last hour the first comes again.
    pub fn at(&self, hours_since_new_year: f64) -> (f64, f64) {
        let last = hours_since_new_year.floor();
        let share = hours_since_new_year - last;
        let pick = |hour: f64| self.hours[(hour as usize).wrapping_sub(1) % self.hours.len()];
        let (before, after) = (pick(last.max(1.0)), pick(last + 1.0));
        let between = |a: f64, b: f64| a + (b - a) * share + self.shift;
        (between(before.0, after.0), between(before.1, after.1))
    }
}

/// A rack or a shelf.
#[derive(Clone, Debug)]
pub struct PlacePlan {
    /// The id in config and journal.
    pub id: String,
    /// Heat of its lights, watts. Zero: a dark shelf.
    pub light_watts: f64,
    /// Lights on, hour of room time.
    pub light_from: f64,
    /// Lights off, hour of room time.
    pub light_until: f64,
    /// Air traded with the loft while the fan runs, cubic metres an hour.
    pub fan_flow: f64,
    /// Air traded through gaps when it does not, cubic metres an hour.
    pub gap_flow: f64,
    /// Whether the tank waters it.
    pub watered: bool,
}

/// A box-shaped tank, inside measures in millimetres.
#[derive(Clone, Copy, Debug)]
pub struct TankPlan {
    /// Length.
    pub length: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// Depth at which the pump draws air.
    pub pump_inlet: f64,
    /// Water at the start of the story, litres.
    pub litres: f64,
}

/// Trays sown together.
#[derive(Clone, Debug)]
pub struct PlannedLot {
    /// The grower's name for it.
    pub tray: String,
    /// Where it stands.
    pub place: String,
    /// The crop.
    pub crop: String,
    /// How many trays.
    pub count: u32,
    /// When it was sown.
    pub(crate) sown_at: Timestamp,
    /// When it came to the light, once it has.
    pub lit_at: Option<Timestamp>,
    /// Water a tray's medium still gives to plants, millilitres.
    pub water_ml: f64,
}

/// Something that is broken, from a moment until another.
#[derive(Clone, Debug)]
pub struct Breakage {
    /// When it breaks.
    pub from: Timestamp,
    /// When it is mended.
    pub until: Timestamp,
    /// What breaks.
    pub what: Broken,
}

/// What can break.
#[derive(Clone, Debug)]
pub enum Broken {
    /// The fan of a place stands.
    Fan(String),
    /// The heater is dead.
    Heater,
    /// The heater does not go out.
    HeaterStuckOn,
    /// The air cooler is dead.
    Cooler,
    /// The dehumidifier is dead.
    Dehumidifier,
    /// The pump is dead: who waters with it waters nothing.
    Pump,
    /// The lights of a place do not go out.
    LightsStuckOn(String),
    /// The tank loses this many litres an hour.
    Leak(f64),
    /// The door stands open.
    Door,
}
