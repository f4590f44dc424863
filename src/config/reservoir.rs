//! Reads `[[reservoir]]`: a tank, its gauge and its pump. From a level to litres
//! is left to `engine::physics::tank_geometry`.

use super::Field;
use super::Source;
use super::amount::{air_temperature, length_between, number_between, text};
use super::devices::{RoomReader, rhythm, time_of_measuring};
use super::file::{Complaint, Findings, Item, Table};
use super::tank::{height_mm, shape};
use crate::engine::rules::{Channel, Echo, PlaceId, Reservoir, ReservoirId, Sensor};
use crate::reading::{ChannelId, Quantity, SensorId};
use crate::units::Celsius;

impl RoomReader<'_> {
    /// One tank: a reservoir, and its gauge as a sensor.
    pub(super) fn reservoir(&mut self, mut table: Table<'_>, findings: &mut Findings<'_>) {
        let id = self.id(&mut table, findings, "reservoir", "tank");
        let name = table.optional(findings, "name", text).map(str::to_owned);
        let feeds = match table.take("feeds") {
            Some(item) => item.list().iter().filter_map(|item| self.place_named(item, findings)).collect(),
            None => (0..self.room.places.len()).map(|index| PlaceId(index as u16)).collect(),
        };
        let topic = self.topic(&mut table, findings);
        let (every, silent_after) = rhythm(&mut table, findings);
        let time = time_of_measuring(&mut table, findings);
        let shape_item = table.take("shape");
        let shape = shape_item.as_ref().and_then(|item| shape(item, findings));
        if shape_item.is_none() {
            table.missing(findings, "shape", "measure the tank inside and write shape = { kind = \"box\", length = \"600 mm\", width = \"400 mm\", height = \"350 mm\" }");
        }
        let tank_height_mm = shape.as_ref().map(height_mm);
        let sensor = self.next_sensor();
        let reads_item = table.take("reads");
        let gauge = match &reads_item {
            Some(item) => self.gauge(item, findings, sensor, tank_height_mm),
            None => {
                table.missing(findings, "reads", "say what the gauge sends: reads = { what = \"distance\", unit = \"mm\", sensor_height = \"400 mm\" }");
                None
            }
        };
        let inlet = table.take("pump_inlet");
        let pump_inlet_mm = inlet.as_ref().and_then(|item| item.read(findings, length_between(0.0, 20_000.0)));
        if let (Some(item), Some(inlet_mm), Some(height)) = (&inlet, pump_inlet_mm, tank_height_mm)
            && inlet_mm >= height
        {
            let complaint = Complaint::new(format!(
                "the pump inlet lies at or above the rim: the tank is {height:.0} mm high inside"
            ));
            findings
                .refuse(item, complaint.hint("measure from the tank floor up to where the pump begins to draw air"));
        }
        let low_percent = table.optional(findings, "low_percent", number_between(1.0, 90.0));
        table.finish(findings);
        let id = id.unwrap_or_default();
        let reservoir = ReservoirId(self.room.reservoirs.len() as u16);
        self.room.sensors.push(Sensor {
            id: id.clone(),
            place: None,
            reservoir: Some(reservoir),
            every,
            silent_after,
            surface: None,
        });
        let Some((sensor_height_mm, echo, field)) = gauge else { return };
        let channel = field.channel;
        let fields = reads_item.into_iter().map(|item| (item, field.clone())).collect();
        self.listen(topic, findings, &id, Source { sensor, fields: Vec::new(), time }, fields);
        let Some(shape) = shape else { return };
        self.room.reservoirs.push(Reservoir {
            name: name.unwrap_or_else(|| id.clone()),
            id,
            feeds,
            sensor,
            channel,
            shape,
            echo,
            sensor_height_mm,
            pump_inlet_mm: pump_inlet_mm.unwrap_or(PUMP_INLET_MM),
            low_percent: low_percent.unwrap_or(LOW_PERCENT),
        });
    }

    /// `reads = { what = .. }`: the height of the gauge and what it sends.
    fn gauge(
        &mut self,
        item: &Item<'_>,
        findings: &mut Findings<'_>,
        sensor: SensorId,
        tank_height_mm: Option<f64>,
    ) -> Option<(f64, Option<Echo>, Field)> {
        let mut reads = item.table(findings);
        if !reads.stands() {
            return None;
        }
        let what = reads.required(
            findings,
            "what",
            "write what = \"distance\", \"depth\", \"volume\" or \"filling\"",
            |value| {
                let word = text(value)?;
                let known = GAUGES.into_iter().find(|(known, _)| *known == word).map(|(_, quantity)| quantity);
                known.ok_or_else(|| Complaint::new("no such gauge").did_you_mean(word, GAUGES.map(|(known, _)| known)))
            },
        );
        let height_item = reads.take("sensor_height");
        let height = height_item.as_ref().and_then(|item| item.read(findings, length_between(10.0, 40_000.0)));
        match (what, &height_item) {
            (Some(Quantity::Distance), None) => {
                reads.missing(
                    findings,
                    "sensor_height",
                    "write the height of the gauge above the tank floor: sensor_height = \"400 mm\"",
                );
            }
            (Some(Quantity::Distance), Some(item)) => {
                if let (Some(sensor_height), Some(tank)) = (height, tank_height_mm)
                    && sensor_height < tank
                {
                    let complaint = Complaint::new(format!(
                        "the gauge would hang below the rim: the tank is {tank:.0} mm high inside"
                    ));
                    findings.refuse(item, complaint.hint("measure from the tank floor up to the face of the gauge"));
                }
            }
            (Some(other), Some(item)) => {
                findings.refuse(
                    item,
                    Complaint::new(format!("only a distance gauge has a height; this one sends {}", other.word())),
                );
            }
            (Some(_), None) | (None, _) => {}
        }
        let echo = self.echo(&mut reads, findings, what);
        let field = match what {
            Some(quantity) => self.field(&mut reads, findings, sensor, quantity),
            None => {
                // What fits depends on `what`; the keys themselves are right.
                for key in FIELD_KEYS {
                    reads.take(key);
                }
                None
            }
        };
        reads.finish(findings);
        field.map(|field| (height.unwrap_or(0.0), echo, field))
    }

    /// `temperature_from` and `gauge_assumes`: only an echo is bent by the warmth of the air.
    fn echo(&self, reads: &mut Table<'_>, findings: &mut Findings<'_>, what: Option<Quantity>) -> Option<Echo> {
        let from = reads.take("temperature_from");
        let assumes = reads.take("gauge_assumes");
        let assumed = assumes.as_ref().and_then(|item| item.read(findings, air_temperature));
        for item in [&from, &assumes].into_iter().flatten() {
            if let Some(other) = what.filter(|what| *what != Quantity::Distance) {
                let sent = other.word();
                let complaint =
                    format!("only the echo of a distance gauge is corrected for warm air; this one sends {sent}");
                findings.refuse(item, Complaint::new(complaint));
            }
        }
        if let (None, Some(item)) = (&from, &assumes) {
            let complaint = Complaint::new("says what to correct from, but not by whose temperature");
            findings.refuse(item, complaint.hint("add temperature_from = \"rack-a-air\", the sensor nearest the tank"));
        }
        let item = from?;
        let named = item.read(findings, text)?;
        let air = |channel: &Channel| {
            let sensor = self.room.sensors.get(usize::from(channel.sensor.0))?;
            (channel.quantity == Quantity::Temperature && sensor.surface.is_none()).then_some(sensor.id.as_str())
        };
        let found = self.room.channels.iter().position(|channel| air(channel) == Some(named));
        if found.is_none() {
            let known: Vec<&str> = self.room.channels.iter().filter_map(air).collect();
            let complaint = Complaint::new("no [[sensor]] of this id measures the temperature of air");
            findings.refuse(&item, complaint.did_you_mean(named, known));
        }
        let assumed = Celsius(assumed.unwrap_or(GAUGE_ASSUMES_CELSIUS));
        found.map(|index| Echo { air: ChannelId(index as u16), assumed })
    }
}

/// "level" is what many gauges call the depth.
const GAUGES: [(&str, Quantity); 5] = [
    ("distance", Quantity::Distance),
    ("depth", Quantity::Depth),
    ("level", Quantity::Depth),
    ("volume", Quantity::Volume),
    ("filling", Quantity::Filling),
];
/// The keys of one quantity in a message.
const FIELD_KEYS: [&str; 8] = ["pointer", "senml", "unit", "accuracy", "resolution", "gain", "offset", "calibrated"];
/// What electronics that do not measure it usually reckon with: 343 m/s (common practice, no source).
const GAUGE_ASSUMES_CELSIUS: f64 = 20.0;
/// Own default: a pump standing on the floor draws air at about two centimetres.
const PUMP_INLET_MM: f64 = 20.0;
/// Own default: a fifth of the usable water is worth a line even when nothing is drawn.
const LOW_PERCENT: f64 = 20.0;
