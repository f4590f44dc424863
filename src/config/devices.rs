//! Reads what is in the room: places, air sensors, and which topic each device
//! speaks on. Tanks are read by `reservoir`.

use super::amount::{
    air_humidity, air_temperature, day, difference_between, identifier, number_between, pointer, span_between, text,
    topic, unit_of, units_words,
};
use super::file::{Complaint, Findings, Item, ReadFigure, Table};
use super::{Field, Locator, Source, Topics, Unit};
use crate::engine::rules::{BandOverride, Channel, Place, PlaceId, Reservoir, Sensor};
use crate::reading::{ChannelId, Quantity, SensorId};
use chrono::TimeDelta;
use std::collections::BTreeMap;

/// Everything in the room, as the rules and the intake want it.
#[derive(Default)]
pub(super) struct Devices {
    pub places: Vec<Place>,
    pub sensors: Vec<Sensor>,
    pub channels: Vec<Channel>,
    pub reservoirs: Vec<Reservoir>,
    pub topics: Topics,
}

/// Reads `[[place]]`, `[[sensor]]` and `[[reservoir]]`.
pub(super) fn room(root: &mut Table<'_>, findings: &mut Findings<'_>, site_topic: &str) -> Devices {
    let mut reader = RoomReader { room: Devices::default(), ids: BTreeMap::new(), site_topic };
    let places = root.tables(findings, "place");
    let sensors = root.tables(findings, "sensor");
    let reservoirs = root.tables(findings, "reservoir");
    if sensors.is_empty() && reservoirs.is_empty() {
        root.missing(
            findings,
            "sensor",
            "nothing to watch: write a [[sensor]] or a [[reservoir]]; config/traywarden.toml shows both",
        );
    }
    reader.places(places, findings);
    let probes: Vec<_> = sensors.into_iter().filter_map(|table| reader.sensor(table, findings)).collect();
    for (surface, place) in probes {
        if !reader.humidity_is_measured(place) {
            let complaint =
                Complaint::new("nothing measures how damp the air at this surface is, so dew cannot be judged");
            let hint = "add a [[sensor]] with humidity to its place, or to one it lies inside";
            findings.refuse(&surface, complaint.hint(hint));
        }
    }
    for table in reservoirs {
        reader.reservoir(table, findings);
    }
    reader.room
}

/// Reads one thing after another into the room.
pub(super) struct RoomReader<'s> {
    /// What was read so far.
    pub room: Devices,
    /// Every id with the line it stands on: alarms call all kinds of things by id alone.
    ids: BTreeMap<String, usize>,
    site_topic: &'s str,
}

impl RoomReader<'_> {
    fn places(&mut self, tables: Vec<Table<'_>>, findings: &mut Findings<'_>) {
        let mut lies_inside = Vec::new();
        for mut table in tables {
            let id = self.id(&mut table, findings, "place", "rack-a");
            let name = table.optional(findings, "name", text).map(str::to_owned);
            lies_inside.push(table.take("inside"));
            let temperature = limits(&mut table, findings, "temperature", &air_temperature);
            let humidity = limits(&mut table, findings, "humidity", &air_humidity);
            table.finish(findings);
            let id = id.unwrap_or_default();
            self.room.places.push(Place {
                name: name.unwrap_or_else(|| id.clone()),
                id,
                inside: None,
                band: BandOverride {
                    temperature_min: temperature.0,
                    temperature_max: temperature.1,
                    humidity_min: humidity.0,
                    humidity_max: humidity.1,
                },
            });
        }
        for (index, inside) in lies_inside.iter().enumerate() {
            let outer = inside.as_ref().and_then(|item| self.place_named(item, findings));
            self.room.places[index].inside = outer;
        }
        for (index, inside) in lies_inside.iter().enumerate() {
            if let (Some(item), true) = (inside, self.lies_inside_itself(index)) {
                findings.refuse(item, Complaint::new("a place cannot lie inside itself, not by way of others either"));
            }
        }
    }

    fn lies_inside_itself(&self, start: usize) -> bool {
        let mut at = self.room.places[start].inside;
        for _ in 0..self.room.places.len() {
            match at {
                Some(place) if usize::from(place.0) == start => return true,
                Some(place) => at = self.room.places[usize::from(place.0)].inside,
                None => return false,
            }
        }
        false
    }

    /// In this place, or in one around it.
    fn humidity_is_measured(&self, place: PlaceId) -> bool {
        let room = &self.room;
        let measured = |place: PlaceId| {
            let in_air = |channel: &Channel| {
                let sensor = &room.sensors[usize::from(channel.sensor.0)];
                channel.quantity == Quantity::Humidity && sensor.place == Some(place) && sensor.surface.is_none()
            };
            room.channels.iter().any(in_air)
        };
        let around = std::iter::successors(Some(place), |place| room.places[usize::from(place.0)].inside);
        around.take(room.places.len()).any(measured)
    }

    /// Reads a sensor; of a probe gives back what it is on, and where.
    fn sensor<'d>(&mut self, mut table: Table<'d>, findings: &mut Findings<'_>) -> Option<(Item<'d>, PlaceId)> {
        let id = self.id(&mut table, findings, "sensor", "rack-a-air");
        let place = match table.take("place") {
            Some(item) => self.place_named(&item, findings),
            None => {
                table.missing(findings, "place", "write the id of the [[place]] whose air it measures");
                None
            }
        };
        let topic = self.topic(&mut table, findings);
        let (every, silent_after) = rhythm(&mut table, findings);
        let time = time_of_measuring(&mut table, findings);
        let on = table.take("surface");
        let surface = on.as_ref().and_then(|item| item.read(findings, text)).map(str::to_owned);
        let sensor = self.next_sensor();
        let mut fields = Vec::new();
        let mut any = false;
        for (key, quantity) in Quantity::ALL.into_iter().filter_map(|quantity| Some((key_of_air(quantity)?, quantity)))
        {
            let Some(item) = table.take(key) else { continue };
            any = true;
            if surface.is_some() && quantity == Quantity::Humidity {
                let complaint = Complaint::new("a probe on a surface measures how warm the surface is, nothing else");
                let hint = "give the device's humidity a [[sensor]] of its own, without surface, or leave it out";
                findings.refuse(&item, complaint.hint(hint));
            }
            let mut reads = item.table(findings);
            if !reads.stands() {
                continue;
            }
            if let Some(field) = self.field(&mut reads, findings, sensor, quantity) {
                fields.push((item, field));
            }
            reads.finish(findings);
        }
        if !any {
            table.missing(
                findings,
                "temperature",
                "say what it measures: temperature = { pointer = \"/temperature\", unit = \"Cel\" }, or humidity = { .. }",
            );
        }
        table.finish(findings);
        let id = id.unwrap_or_default();
        self.room.sensors.push(Sensor { id: id.clone(), place, reservoir: None, every, silent_after, surface });
        self.listen(topic, findings, &id, Source { sensor, fields: Vec::new(), time }, fields);
        on.zip(place)
    }

    /// One quantity of a message, and its channel.
    pub(super) fn field(
        &mut self,
        reads: &mut Table<'_>,
        findings: &mut Findings<'_>,
        sensor: SensorId,
        quantity: Quantity,
    ) -> Option<Field> {
        let pointer_item = reads.take("pointer");
        let senml_item = reads.take("senml");
        if let (Some(_), Some(item)) = (&pointer_item, &senml_item) {
            findings.refuse(
                item,
                Complaint::new("a value is found by pointer or by senml, not by both").hint("keep one of the two"),
            );
        }
        let at_pointer = pointer_item.as_ref().map(|item| item.read(findings, pointer));
        let at_senml = senml_item.as_ref().map(|item| {
            item.read(findings, |value| {
                let name =
                    value.as_str().ok_or_else(|| Complaint::new("the name of a SenML record is wanted, in quotes"))?;
                let plain = name.len() <= 256 && !name.chars().any(char::is_control);
                plain.then(|| name.to_owned()).ok_or_else(|| Complaint::new("no SenML record has such a name"))
            })
        });
        let at = match (at_pointer, at_senml) {
            (Some(pointer), _) => pointer.map(Locator::Pointer),
            (None, Some(name)) => name.map(Locator::Senml),
            (None, None) => Some(Locator::Bare),
        };
        // A unit left out is guessed only where nothing else is usual, or where
        // each message names its own.
        let usual = match quantity {
            Quantity::Humidity => Some(Unit::PercentHumidity),
            Quantity::Filling => Some(Unit::Percent),
            _ if senml_item.is_none() => None,
            Quantity::Temperature => Some(Unit::Celsius),
            Quantity::Distance | Quantity::Depth => Some(Unit::Metre),
            Quantity::Volume => Some(Unit::Litre),
        };
        let unit_item = reads.take("unit");
        let unit = match &unit_item {
            Some(item) => item.read(findings, unit_of(quantity)),
            None => usual,
        };
        if unit_item.is_none() && usual.is_none() {
            let hint = format!("write the unit the device sends: {}", units_words(quantity));
            reads.missing(findings, "unit", &hint);
        }
        let limit = match quantity {
            Quantity::Distance | Quantity::Depth | Quantity::Volume => 1000.0,
            Quantity::Temperature | Quantity::Humidity | Quantity::Filling => 50.0,
        };
        let accuracy = reads.optional(findings, "accuracy", difference_between(quantity, 0.001, limit));
        let resolution = reads.optional(findings, "resolution", difference_between(quantity, 0.0, limit));
        let gain = reads.optional(findings, "gain", number_between(0.1, 10.0));
        let offset = reads.optional(findings, "offset", difference_between(quantity, -limit, limit));
        let ceiling = match quantity {
            Quantity::Humidity => reads.optional(findings, "ceiling", number_between(50.0, 100.0)),
            Quantity::Temperature | Quantity::Distance | Quantity::Depth | Quantity::Volume | Quantity::Filling => None,
        };
        let calibrated_item = reads.take("calibrated");
        let calibrated = calibrated_item.as_ref().and_then(|item| item.read(findings, day));
        if let (Some(item), None, None) = (&calibrated_item, gain, offset) {
            let complaint = Complaint::new("a day of calibration without what came of it");
            findings.refuse(item, complaint.hint("\"traywarden calibrate\" prints gain and offset beside it"));
        }
        let channel = ChannelId(self.room.channels.len() as u16);
        self.room.channels.push(Channel {
            sensor,
            quantity,
            accuracy: accuracy.unwrap_or_else(|| usual_accuracy(quantity)),
            gain: gain.unwrap_or(1.0),
            offset: offset.unwrap_or(0.0),
            resolution: resolution.unwrap_or(0.0),
            ceiling: ceiling.unwrap_or(100.0),
            calibrated,
        });
        Some(Field { channel, quantity, at: at?, unit: unit? })
    }

    /// Enters a device under its topic; refuses it where another value is read
    /// from the same spot of the same messages.
    pub(super) fn listen(
        &mut self,
        topic: Option<(Item<'_>, String)>,
        findings: &mut Findings<'_>,
        id: &str,
        mut source: Source,
        fields: Vec<(Item<'_>, Field)>,
    ) {
        let Some((topic_item, topic)) = topic else { return };
        let several = fields.len() > 1;
        for (item, field) in fields {
            if several && field.at == Locator::Bare {
                let complaint = Complaint::new("a message that is one bare number cannot carry two quantities");
                findings.refuse(&item, complaint.hint("add pointer = \"/name\" or senml = \"name\" to each"));
            } else if source.fields.iter().any(|other| other.at == field.at) {
                findings.refuse(
                    &item,
                    Complaint::new("read from the same spot of the message as the sensor's other quantity"),
                );
            }
            source.fields.push(field);
        }
        let others = self.room.topics.sensors.entry(topic).or_default();
        let same_spot = others
            .iter()
            .find(|other| other.fields.iter().any(|theirs| source.fields.iter().any(|ours| ours.at == theirs.at)));
        if let Some(other) = same_spot {
            let name = self.room.sensors.get(usize::from(other.sensor.0)).map_or("", |sensor| sensor.id.as_str());
            let line = self.ids.get(name).map_or(String::new(), |line| format!(" (line {line})"));
            let complaint =
                Complaint::new(format!("already used by {name}{line}, which reads the same spot of its messages"));
            findings.refuse(&topic_item, complaint.hint(format!("give {id} its own topic, or pointers that differ")));
        }
        others.push(source);
    }

    pub(super) fn id(
        &mut self,
        table: &mut Table<'_>,
        findings: &mut Findings<'_>,
        kind: &str,
        example: &str,
    ) -> Option<String> {
        let Some(item) = table.take("id") else {
            table.missing(
                findings,
                "id",
                &format!("write a short name for this {kind}, for example id = \"{example}\""),
            );
            return None;
        };
        let id = item.read(findings, identifier)?;
        if let Some(line) = self.ids.get(&id) {
            let complaint = Complaint::new(format!("this id is taken already (line {line})"));
            findings.refuse(&item, complaint.hint("places, sensors and reservoirs all need ids of their own"));
            return None;
        }
        self.ids.insert(id.clone(), findings.line_of(&item));
        Some(id)
    }

    pub(super) fn place_named(&self, item: &Item<'_>, findings: &mut Findings<'_>) -> Option<PlaceId> {
        let named = item.read(findings, text)?;
        let found = self.room.places.iter().position(|place| place.id == named);
        if found.is_none() {
            let known: Vec<&str> =
                self.room.places.iter().map(|place| place.id.as_str()).filter(|id| !id.is_empty()).collect();
            let complaint = Complaint::new("no [[place]] has this id");
            findings.refuse(
                item,
                if known.is_empty() {
                    complaint.hint(format!("add [[place]] with id = \"{named}\""))
                } else {
                    complaint.did_you_mean(named, known)
                },
            );
        }
        found.map(|index| PlaceId(index as u16))
    }

    pub(super) fn topic<'d>(&self, table: &mut Table<'d>, findings: &mut Findings<'_>) -> Option<(Item<'d>, String)> {
        let Some(item) = table.take("topic") else {
            table.missing(
                findings,
                "topic",
                "write the topic the device publishes to; \"mosquitto_sub -v -t '#'\" shows what the broker hears",
            );
            return None;
        };
        let topic = item.read(findings, topic)?;
        let own = format!("traywarden/{}/", self.site_topic);
        if topic.starts_with(&own) {
            findings.refuse(
                &item,
                Complaint::new(format!("topics below {own} are where traywarden itself speaks and hears the journal")),
            );
            return None;
        }
        Some((item, topic))
    }

    pub(super) fn next_sensor(&self) -> SensorId {
        SensorId(self.room.sensors.len() as u16)
    }
}

/// `every` and `silent_after`.
pub(super) fn rhythm(table: &mut Table<'_>, findings: &mut Findings<'_>) -> (TimeDelta, TimeDelta) {
    let every = table.optional(findings, "every", span_between(TimeDelta::seconds(1), TimeDelta::days(1)));
    let every = every.unwrap_or(TimeDelta::seconds(60));
    let silent = table.take("silent_after");
    let silent_after =
        silent.as_ref().and_then(|item| item.read(findings, span_between(TimeDelta::seconds(2), TimeDelta::days(30))));
    if let (Some(item), Some(after)) = (&silent, silent_after)
        && after <= every
    {
        let complaint = Complaint::new("silence must last longer than the pause between two messages (every)");
        findings.refuse(item, complaint.hint("three times \"every\" is usual"));
    }
    (every, silent_after.unwrap_or((every * 3).max(TimeDelta::minutes(5))))
}

/// `time = "/t"`, or the longer `time = { pointer = "/t" }` that looks like the other fields.
pub(super) fn time_of_measuring(table: &mut Table<'_>, findings: &mut Findings<'_>) -> Option<String> {
    let item = table.take("time")?;
    if item.value.as_str().is_some() {
        return item.read(findings, pointer);
    }
    let mut time = item.table(findings);
    if !time.stands() {
        return None;
    }
    let at = time.required(findings, "pointer", "write time = { pointer = \"/time\" }", pointer);
    time.finish(findings);
    at
}

/// `{ min = .., max = .. }`, either of which may be left out.
fn limits(
    table: &mut Table<'_>,
    findings: &mut Findings<'_>,
    key: &'static str,
    read: &ReadFigure,
) -> (Option<f64>, Option<f64>) {
    let Some(item) = table.take(key) else { return (None, None) };
    let mut group = item.table(findings);
    let min = group.optional(findings, "min", read);
    let max = group.optional(findings, "max", read);
    group.finish(findings);
    if let (Some(low), Some(high)) = (min, max)
        && low >= high
    {
        findings.refuse(&item, Complaint::new("min must be below max"));
    }
    (min, max)
}

/// Plus or minus, in the channel's unit, where the grower does not say. For air:
/// what data sheets of common digital probes promise. For water: own defaults, a
/// hand's breadth of ripple on a tank that a pump stirs.
fn usual_accuracy(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Temperature => 0.3,
        Quantity::Humidity => 3.0,
        Quantity::Distance | Quantity::Depth => 5.0,
        Quantity::Volume => 1.0,
        Quantity::Filling => 2.0,
    }
}

/// The key of a `[[sensor]]` under which a quantity of the air is read; `None`: it belongs to a
/// reservoir.
fn key_of_air(quantity: Quantity) -> Option<&'static str> {
    match quantity {
        Quantity::Temperature | Quantity::Humidity => Some(quantity.word()),
        Quantity::Distance | Quantity::Depth | Quantity::Volume | Quantity::Filling => None,
    }
}
