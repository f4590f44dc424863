//! The line of the settings that a correction changes, as it should be from now on. The
//! file itself is the grower's; it is only read.

use crate::engine::quality::calibration::Correction;
use chrono::NaiveDate;

/// A line to change.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SettingsLine {
    /// Its number, from 1.
    pub number: usize,
    /// What should stand there.
    pub text: String,
}

/// Keys of a value, in the order in which they are written.
const KEYS: [&str; 5] = ["pointer", "senml", "unit", "accuracy", "resolution"];

/// The keys that the correction sets.
pub(super) fn keys(correction: &Correction, date: NaiveDate) -> String {
    format!("gain = {}, offset = {}, calibrated = \"{date}\"", correction.gain, correction.offset)
}

/// The sensor's humidity line with the correction in it. `None` where it does not stand on
/// one line of a `[[sensor]]`.
pub(super) fn corrected(text: &str, sensor: &str, correction: &Correction, date: NaiveDate) -> Option<SettingsLine> {
    let lines: Vec<&str> = text.lines().collect();
    let heads = (0..lines.len()).filter(|index| lines[*index].trim_start().starts_with('['));
    let starts: Vec<usize> = heads.collect();
    let mut blocks =
        starts.iter().enumerate().map(|(nth, start)| *start..starts.get(nth + 1).copied().unwrap_or(lines.len()));
    let value =
        |line: &str, key: &str| -> Option<toml::Value> { toml::from_str::<toml::Table>(line).ok()?.remove(key) };
    let block = blocks.find(|block| {
        let named = |index: usize| value(lines[index], "id").is_some_and(|id| id.as_str() == Some(sensor));
        lines[block.start].trim_start().starts_with("[[sensor]]") && block.clone().skip(1).any(named)
    })?;
    let (index, reads) =
        block.skip(1).find_map(|index| Some((index, value(lines[index], "humidity")?.as_table()?.clone())))?;
    let kept = KEYS.iter().filter_map(|key| Some(format!("{key} = {}, ", reads.get(*key)?)));
    let text = format!("humidity = {{ {}{} }}", kept.collect::<String>(), keys(correction, date));
    Some(SettingsLine { number: index + 1, text })
}

#[cfg(test)]
mod tests {
    use super::*;

    const CORRECTION: Correction = Correction { gain: 0.9964, offset: -2.51 };

    fn day() -> NaiveDate {
        "2026-11-25".parse().unwrap()
    }

    #[test]
    fn the_line_of_the_right_sensor_keeps_its_keys_and_loses_the_old_correction() {
        let text = "[[sensor]]\nid = \"other\"\nhumidity = { pointer = \"/h\" }\n\n[[sensor]] # \"rack-a-air\"\nid = \"rack-a-air\"  # the one\n\
                    humidity = { offset = 3, unit = \"%RH\", accuracy = 2, pointer = \"/humidity\" } # }\n[mail]\n";
        let line = corrected(text, "rack-a-air", &CORRECTION, day()).unwrap();
        assert_eq!(line.number, 7);
        assert_eq!(
            line.text,
            "humidity = { pointer = \"/humidity\", unit = \"%RH\", accuracy = 2, gain = 0.9964, offset = -2.51, calibrated = \"2026-11-25\" }"
        );
        assert_eq!(corrected(text, "rack-b-air", &CORRECTION, day()), None);
        assert_eq!(corrected("", "rack-a-air", &CORRECTION, day()), None);
    }

    #[test]
    fn the_shipped_example_takes_the_line_and_stays_right() {
        let text = crate::config::example();
        let line = corrected(text, "rack-a-air", &CORRECTION, day()).unwrap();
        let mut lines: Vec<&str> = text.lines().collect();
        lines[line.number - 1] = &line.text;
        let config = crate::config::parse(&lines.join("\n"), "room.toml", std::path::Path::new("/etc")).unwrap();
        let channel = config.rules.channels.iter().find(|channel| channel.calibrated.is_some()).unwrap();
        assert_eq!((channel.gain, channel.offset, channel.calibrated), (0.9964, -2.51, Some(day())));
    }
}
