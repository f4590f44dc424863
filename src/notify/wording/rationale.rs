//! Why each kind of alarm is one: its cause, what comes of it, what to do, how long there is,
//! as ISA-18.2 rationalisation asks. `alarms table` prints it; the delays are the engine's.

use crate::engine::alarm::AlarmKind;
use chrono::TimeDelta;

/// The reasons of one kind, each a clause without a full stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rationale {
    /// What usually causes it.
    pub cause: &'static str,
    /// What happens if nobody does anything.
    pub(crate) consequence: &'static str,
    /// What to do.
    pub response: &'static str,
    /// How long there usually is.
    pub(crate) time_to_respond: &'static str,
    /// How far back inside the limit the value must be.
    pub(crate) deadband: &'static str,
    /// What decides the priority.
    pub priority: &'static str,
}

/// How long it must hold before it is raised, where its row has `on_delay`. A silence is given the
/// time in which that sensor's silences usually heal (`engine/watch/sensors.rs`), which is no row's.
pub fn raised_after(kind: AlarmKind, on_delay: TimeDelta) -> String {
    match (kind, on_delay.num_minutes()) {
        (AlarmKind::SensorSilent, _) => {
            "10 min after its last word, or when it has missed three turns if that is later; \
             up to 2 h where its silences of the last month mostly healed by then"
                .to_owned()
        }
        (_, 0) => "at once".to_owned(),
        (_, minutes) => format!("{minutes} min"),
    }
}

/// The reasons of a kind.
pub fn rationale(kind: AlarmKind) -> Rationale {
    use AlarmKind::*;
    match kind {
        AirTooWarm => Rationale {
            cause: "lights or heater stuck on (timer, thermostat), fan or cooling off (plug, breaker), a hot day",
            consequence: "seedlings wilt, germination fails, disease grows faster",
            response: "lights and heater off, fan on, open the door",
            time_to_respond: "half an hour at 38 °C (100 °F) to most of a day at 29 °C (84 °F)",
            deadband: "0.5 °C (0.9 °F)",
            priority: "degree-hours beyond what a tender, a usual and a hardy seedling bear, along the course the air is on",
        },
        AirTooCold => Rationale {
            cause: "heater off (thermostat, plug, breaker), a door or window open, a cold night",
            consequence: "growth stops, warm-loving crops are chilled",
            response: "see whether the heater is warm, close doors; a breaker that trips again is for a licensed electrician",
            time_to_respond: "an hour or two near freezing to days just below the limit",
            deadband: "0.5 °C (0.9 °F)",
            priority: "degree-hours below what a tender, a usual and a hardy seedling bear, along the course the air is on, at once at freezing",
        },
        AirTooDamp => Rationale {
            cause: "fan or dehumidifier off, misting before lights-off",
            consequence: "leaves stay wet, conditions allow mold",
            response: "fan on, dehumidifier on, no misting",
            time_to_respond: "that of the mold conditions it makes",
            deadband: "3 % relative humidity",
            priority: "by itself a line in the digest: mold does the harm, and has an alarm of its own",
        },
        AirTooDry => Rationale {
            cause: "heating in frost, too much ventilation",
            consequence: "trays dry out before the next watering, edges scorch",
            response: "water from below, less ventilation",
            time_to_respond: "half a day",
            deadband: "3 % relative humidity",
            priority: "the same of humidity below the limit; where waterings are logged, until a tray has used up its water",
        },
        Condensation => Rationale {
            cause: "surfaces colder than the dew point",
            consequence: "water drips on leaves",
            response: "warm the cold surface or dry the air",
            time_to_respond: "hours",
            deadband: "1 °C (1.8 °F)",
            priority: "under a probe, the wet hours that infection needs; of an assumed cold spot none is reckoned",
        },
        MoldPressure => Rationale {
            cause: "hours of wet leaves at a temperature that suits the fungus",
            consequence: "conditions have allowed infection",
            response: "fan on, dry the canopy, look at the trays",
            time_to_respond: "hours, by forecast",
            deadband: "a day after the leaves have dried",
            priority: "when the hours needed are reached; after that a look within a day",
        },
        DryOut => Rationale {
            cause: "a missed watering, a dead pump, a hot or dry night",
            consequence: "seedlings wilt and do not come back",
            response: "water from below",
            time_to_respond: "hours, by forecast",
            deadband: "2 h",
            priority: "when the medium has no easy water left; where a usual watering is not in the log, it is asked for at a round and nobody is called",
        },
        StageOverdue => Rationale {
            cause: "a tray forgotten under its cover, or past its cut",
            consequence: "long pale stems and mold under the cover; taste turns",
            response: "uncover it, or cut it",
            time_to_respond: "a day",
            deadband: "none",
            priority: "asked for in the digest; nobody is called for an entry that was not typed",
        },
        ReservoirLow => Rationale {
            cause: "plants draw, nobody refilled",
            consequence: "the pump draws air and trays miss a watering",
            response: "fill the tank",
            time_to_respond: "by forecast",
            deadband: "5 % of the usable volume",
            priority: "when the level reaches the pump inlet",
        },
        ReservoirEmpty => Rationale {
            cause: "the tank ran dry",
            consequence: "the pump runs dry and trays miss their watering",
            response: "fill the tank, check that the pump is wet",
            time_to_respond: "at once",
            deadband: "5 % of the usable volume",
            priority: "harm begins at once",
        },
        ReservoirLeak => Rationale {
            cause: "a hose off, a cracked tank, an overflow",
            consequence: "water on the floor, mains near water, an empty tank",
            response: "look for water before touching anything electric; close the valve",
            time_to_respond: "until five litres (1.3 gal) are lost",
            deadband: "an hour without loss",
            priority: "when five litres (1.3 gal) are lost or the tank is empty; a large fall at once is told at once",
        },
        SensorSilent => Rationale {
            cause: "battery, radio, cable",
            consequence: "nobody sees what the air or the tank does",
            response: "check its battery and radio",
            time_to_respond: "a day, as long as nothing else goes wrong; hours, if every sensor is silent",
            deadband: "none",
            priority: "in the evening letter, if nothing else measures there; every sensor at once: four to twelve hours after the last value",
        },
        SensorStuck => Rationale {
            cause: "a float caught, a frozen sensor",
            consequence: "a level or climate that nobody sees move",
            response: "free the float, or restart the sensor",
            time_to_respond: "until the last known draw would have emptied the tank, or a day",
            deadband: "none",
            priority: "as for a silent sensor",
        },
        SensorImplausible => Rationale {
            cause: "a bad cable, a wrong unit, a dying sensor",
            consequence: "readings are refused, so nobody sees what happens there",
            response: "check its cable and its settings",
            time_to_respond: "a day, as long as nothing else goes wrong",
            deadband: "none",
            priority: "as for a silent sensor",
        },
        SensorDrift => Rationale {
            cause: "age, condensation, a sensor in the light or in a draught",
            consequence: "limits are judged by a wrong number",
            response: "compare both with a third, calibrate",
            time_to_respond: "days",
            deadband: "half the limit",
            priority: "no harm in sight",
        },
        BrokerLost => Rationale {
            cause: "the broker or the network is down",
            consequence: "nothing is heard from any sensor",
            response: "restart the broker or the router",
            time_to_respond: "hours",
            deadband: "none",
            priority: "four to twelve hours after the last value",
        },
        MailFailing => Rationale {
            cause: "the internet, the mail account or its password",
            consequence: "no letter reaches anybody",
            response: "check the mail settings; the lamp topic still works",
            time_to_respond: "until the next alarm",
            deadband: "none",
            priority: "before the next round",
        },
        StoreFailing => Rationale {
            cause: "a full or failing disk",
            consequence: "history is not kept; alarms still work",
            response: "make room on the disk",
            time_to_respond: "a day",
            deadband: "none",
            priority: "waits for the round",
        },
        ClockStepped => Rationale {
            cause: "the clock was not set at start, or somebody set it",
            consequence: "times in the history are off before the step",
            response: "nothing, if it happens once after power returned",
            time_to_respond: "none",
            deadband: "none",
            priority: "no harm in sight",
        },
    }
}
