//! The alarm table: for every kind its cause, consequence, response, time to
//! respond, delays and deadband, as ISA-18.2 rationalisation asks. No row, no alarm.

use crate::alarm::kinds::AlarmKind;
use chrono::TimeDelta;

/// One row. Delays are own defaults; the start values that open restatements of
/// ISA-TR18.2.3 give (60 s for temperature and level) are for plant processes, and
/// a room with a door needs minutes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// The kind the row is about; every kind has one.
    pub kind: AlarmKind,
    /// What usually causes it.
    pub cause: &'static str,
    /// What happens if nobody does anything.
    pub consequence: &'static str,
    /// What to do.
    pub response: &'static str,
    /// How long there usually is.
    pub time_to_respond: &'static str,
    /// How long the condition must hold before it is raised.
    pub on_delay: TimeDelta,
    /// How long it must be gone before it returns.
    pub off_delay: TimeDelta,
    /// How far back inside the limit the value must be, in words.
    pub deadband: &'static str,
    /// What decides the priority.
    pub priority: &'static str,
}

/// The row of a kind.
pub fn row(kind: AlarmKind) -> Row {
    use AlarmKind::*;
    let minutes = TimeDelta::minutes;
    let (cause, consequence, response, time_to_respond, on_delay, off_delay, deadband, priority) = match kind {
        AirTooWarm => (
            "lights or heater stuck on, fan or cooling off, a hot day",
            "seedlings wilt, germination fails, disease grows faster",
            "lights and heater off, fan on, open the door",
            "30 min at 38 °C to 6 h at 28 °C",
            minutes(10),
            minutes(10),
            "0.5 K",
            "degree-hours above the limit until harm",
        ),
        AirTooCold => (
            "heater off, a door or window open, a cold night",
            "growth stops, warm-loving crops are chilled",
            "close doors, heater on",
            "2 h near freezing to a day just below the limit",
            minutes(10),
            minutes(10),
            "0.5 K",
            "degree-hours below the limit until harm",
        ),
        AirTooDamp => (
            "fan or dehumidifier off, misting before lights-off",
            "leaves stay wet, conditions allow mold",
            "fan on, dehumidifier on, no misting",
            "6 h at 95 % to a day at 80 %",
            minutes(20),
            minutes(20),
            "3 % relative humidity",
            "humidity-hours above the limit until harm",
        ),
        AirTooDry => (
            "heating in frost, too much ventilation",
            "trays dry out before the next watering, edges scorch",
            "water from below, less ventilation",
            "half a day",
            minutes(20),
            minutes(20),
            "3 % relative humidity",
            "humidity-hours below the limit; where waterings are logged, until a tray has used up its water",
        ),
        Condensation => (
            "surfaces colder than the dew point",
            "water drips on leaves",
            "warm the cold surface or dry the air",
            "hours",
            minutes(30),
            minutes(60),
            "1 K",
            "under a probe, the wet hours that infection needs; of an assumed cold spot none is reckoned",
        ),
        MoldPressure => (
            "hours of wet leaves at a temperature that suits the fungus",
            "conditions have allowed infection",
            "fan on, dry the canopy, look at the trays",
            "hours, by forecast",
            minutes(30),
            minutes(60),
            "20 points",
            "when the hours needed are reached",
        ),
        DryOut => (
            "a missed watering, a dead pump, a hot or dry night",
            "seedlings wilt and do not come back",
            "water from below",
            "hours, by forecast",
            minutes(10),
            minutes(10),
            "2 h",
            "when the medium has no easy water left",
        ),
        StageOverdue => (
            "a tray forgotten under its cover, or past its cut",
            "long pale stems and mold under the cover; taste turns",
            "uncover it, or cut it",
            "a day",
            minutes(0),
            minutes(0),
            "none",
            "a day and a half after the planned hour",
        ),
        ReservoirLow => (
            "plants draw, nobody refilled",
            "the pump draws air and trays miss a watering",
            "fill the tank",
            "by forecast",
            minutes(10),
            minutes(10),
            "5 % of the usable volume",
            "when the level reaches the pump inlet",
        ),
        ReservoirEmpty => (
            "the tank ran dry",
            "the pump runs dry and trays miss their watering",
            "fill the tank, check that the pump is wet",
            "at once",
            minutes(3),
            minutes(10),
            "5 % of the usable volume",
            "harm begins at once",
        ),
        ReservoirLeak => (
            "a hose off, a cracked tank, an overflow",
            "water on the floor, mains near water, an empty tank",
            "look for water before touching anything electric; close the valve",
            "until five litres are lost",
            minutes(0),
            minutes(60),
            "half the alarm draw",
            "when five litres are lost or the tank is empty",
        ),
        SensorSilent => (
            "battery, radio, cable",
            "nobody sees what the air or the tank does",
            "check its battery and radio",
            "8 h without any measurement there",
            minutes(0),
            minutes(2),
            "none",
            "eight hours after the last value, if nothing else measures there",
        ),
        SensorStuck => (
            "a float caught, a frozen sensor",
            "a level or climate that nobody sees move",
            "free the float, or restart the sensor",
            "until the last known draw would have emptied the tank, or 8 h",
            minutes(0),
            minutes(5),
            "none",
            "as for a silent sensor",
        ),
        SensorImplausible => (
            "a bad cable, a wrong unit, a dying sensor",
            "readings are refused, so nobody sees what happens there",
            "check its cable and its settings",
            "8 h without any measurement there",
            minutes(10),
            minutes(60),
            "none",
            "as for a silent sensor",
        ),
        SensorDrift => (
            "age, condensation, a sensor in the light or in a draught",
            "limits are judged by a wrong number",
            "compare both with a third, calibrate",
            "days",
            minutes(60),
            minutes(60),
            "half the limit",
            "no harm in sight",
        ),
        BrokerLost => (
            "the broker or the network is down",
            "nothing is heard from any sensor",
            "restart the broker or the router",
            "8 h without any measurement",
            minutes(5),
            minutes(1),
            "none",
            "eight hours after the last value",
        ),
        MailFailing => (
            "the internet, the mail account or its password",
            "no letter reaches anybody",
            "check the mail settings; the lamp topic still works",
            "until the next alarm",
            minutes(0),
            minutes(0),
            "none",
            "before the next round",
        ),
        StoreFailing => (
            "a full or failing disk",
            "history is not kept; alarms still work",
            "make room on the disk",
            "a day",
            minutes(0),
            minutes(5),
            "none",
            "waits for the round",
        ),
        ClockStepped => (
            "the clock was not set at start, or somebody set it",
            "times in the history are off before the step",
            "nothing, if it happens once after power returned",
            "none",
            minutes(0),
            minutes(0),
            "none",
            "no harm in sight",
        ),
    };
    Row { kind, cause, consequence, response, time_to_respond, on_delay, off_delay, deadband, priority }
}
