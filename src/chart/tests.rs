//! What holds for every chart, on a canvas that only writes down.

use super::canvas::{Anchor, Canvas, Dashes, Ink, Lettering};
use super::*;
use crate::units::{Timestamp, UnitSystem};
use chrono::TimeDelta;
use proptest::prelude::*;

/// Writes down what is drawn.
#[derive(Default)]
pub(super) struct Ledger {
    pub(super) lines: Vec<Vec<(f32, f32)>>,
    pub(super) dashed: Vec<Vec<(f32, f32)>>,
    pub(super) areas: Vec<Vec<(f32, f32)>>,
    pub(super) words: Vec<(String, [f32; 4])>,
}

impl Canvas for Ledger {
    fn rect(&mut self, _: f32, _: f32, _: f32, _: f32, _: Ink) {}
    fn polyline(&mut self, points: &[(f32, f32)], _: f32, _: Ink, dashes: Dashes) {
        if dashes.is_empty() { &mut self.lines } else { &mut self.dashed }.push(points.to_vec());
    }
    fn area(&mut self, points: &[(f32, f32)], _: Ink) {
        self.areas.push(points.to_vec());
    }
    fn text(&mut self, text: &str, x: f32, y: f32, lettering: Lettering) {
        let wide = lettering::width(text, lettering.size, lettering.bold);
        let left = match lettering.anchor {
            Anchor::Start => x,
            Anchor::Middle => x - wide / 2.0,
            Anchor::End => x - wide,
        };
        // From the tops of capitals to a little below the line: 0.73 and 0.2 of Inter's height.
        let size = lettering.size;
        self.words.push((text.to_owned(), [left, left + wide, y - 0.73 * size, y + 0.2 * size]));
    }
}

impl Ledger {
    pub(super) fn texts(&self) -> impl Iterator<Item = &str> {
        self.words.iter().map(|(text, _)| text.as_str())
    }

    /// Every word lies inside the picture and on no other.
    pub(super) fn words_stand_clear(&self, width: f32, height: f32) {
        for (index, (text, [left, right, top, bottom])) in self.words.iter().enumerate() {
            let inside = *left >= 0.0 && *right <= width && *top >= 0.0 && *bottom <= height;
            assert!(inside, "\"{text}\" at {left:.0} to {right:.0}, {top:.0} to {bottom:.0} of {width} by {height}");
            for (other, [l, r, t, b]) in &self.words[..index] {
                let apart = right <= l || r <= left || bottom <= t || b <= top;
                assert!(apart, "\"{text}\" stands on \"{other}\"");
            }
        }
    }
}

fn start() -> Timestamp {
    "2026-03-03T12:30:00Z".parse().unwrap()
}

/// A day of a room, a reading a minute, with a gap of two hours and one spike.
pub(crate) fn room(units: UnitSystem) -> Chart {
    let minute = |minute: i64| start() + TimeDelta::minutes(minute);
    let wave = |minute: i64| (minute as f64 / 1440.0 * std::f64::consts::TAU).sin();
    let measured = |minute: &i64| !(600..720).contains(minute);
    let temperature = |minute_: i64| {
        let value = 21.0 + 2.5 * wave(minute_) + if minute_ == 300 { 4.0 } else { 0.0 };
        Point { at: minute(minute_), low: value - 0.1, mean: value, high: value + 0.1 }
    };
    let humidity = |minute_: i64| {
        let value = 60.0 - 14.0 * wave(minute_) + (minute_ as f64 / 7.0).sin();
        Point { at: minute(minute_), low: value - 0.5, mean: value, high: value + 0.5 }
    };
    let panel = |measure, points, (low, high)| Panel {
        measure,
        lines: vec![Line { name: "Rack A".into(), points, gap_after: TimeDelta::minutes(10) }],
        bands: vec![Band { from: start(), until: minute(1440), low: Some(low), high: Some(high) }],
        peers: None,
    };
    Chart {
        title: "Rack A".into(),
        from: start(),
        until: minute(1440),
        time_zone: chrono_tz::America::Chicago,
        units,
        panels: vec![
            panel(Measure::Temperature, (0..1440).filter(measured).map(temperature).collect(), (18.0, 24.0)),
            panel(Measure::Humidity, (0..1440).filter(measured).map(humidity).collect(), (40.0, 70.0)),
        ],
        nights: vec![(minute(690), minute(1290))],
        stages: vec![],
        lanes: vec![],
    }
}

fn ledger(chart: &Chart) -> Ledger {
    let mut ledger = Ledger::default();
    picture::Picture::of(chart, PAGE).draw(&mut ledger);
    ledger
}

#[test]
fn a_spike_of_one_reading_is_still_seen_in_three_months() {
    let mut chart = room(UnitSystem::Metric);
    chart.until = start() + TimeDelta::days(90);
    let highest = |chart: &Chart| {
        let Ledger { lines, areas, .. } = ledger(chart);
        // Lines of three points or more are data; shorter ones are grid.
        lines.iter().chain(&areas).filter(|line| line.len() > 2).flatten().map(|(_, y)| *y).fold(f32::MAX, f32::min)
    };
    chart.panels.truncate(1);
    let mut points: Vec<Point> = (0..90 * 24)
        .map(|hour| Point { at: start() + TimeDelta::hours(hour), low: 21.0, mean: 21.0, high: 21.0 })
        .collect();
    points[700].high = 24.0;
    chart.panels[0].lines[0].gap_after = TimeDelta::hours(3);
    chart.panels[0].lines[0].points = points.clone();
    let with_spike = highest(&chart);
    points[700].high = 21.0;
    chart.panels[0].lines[0].points = points;
    assert!(with_spike + 10.0 < highest(&chart));
}

#[test]
fn no_line_crosses_a_gap() {
    let chart = room(UnitSystem::Metric);
    let widest = ledger(&chart)
        .lines
        .iter()
        .filter(|line| line.len() > 2)
        .flat_map(|line| line.windows(2).map(|pair| (pair[1].0 - pair[0].0).abs()).collect::<Vec<_>>())
        .fold(0.0, f32::max);
    // Two hours of a day are a twelfth of about 700 points.
    assert!(widest < 20.0, "a line of {widest} points across");
}

#[test]
fn text_in_a_title_cannot_leave_the_svg() {
    let chart = Chart { title: "<script>\"&\u{0}".into(), ..room(UnitSystem::Us) };
    let svg = history_chart_svg(&chart).unwrap();
    assert!(!svg.contains("<script>") && !svg.contains('\u{0}'), "{}", &svg[..300]);
}

#[test]
fn a_span_without_length_is_told_and_an_empty_panel_is_drawn() {
    let mut chart = room(UnitSystem::Metric);
    chart.panels[0].lines[0].points.clear();
    chart.panels[0].bands.clear();
    assert!(day_chart(&chart).unwrap().starts_with(&[0x89, b'P', b'N', b'G']));
    assert!(ledger(&chart).texts().any(|text| text == "not measured"));
    chart.until = chart.from;
    assert_eq!(day_chart(&chart), Err(ChartError::EmptySpan));
}

/// Ten days of a tray beside its sisters, with everything a chart can show.
pub(crate) fn tray() -> Chart {
    let hour = |hour: i64| start() + TimeDelta::hours(hour);
    let wave = |hour: i64| (hour as f64 / 24.0 * std::f64::consts::TAU).sin();
    let measured = |hour: &i64| !(101..119).contains(hour);
    let line = |name: &str, value: &dyn Fn(i64) -> f64, spread: f64| Line {
        name: name.into(),
        points: (0..240)
            .filter(measured)
            .map(|at| Point {
                at: hour(at),
                low: (value(at) - spread).max(0.0),
                mean: value(at),
                high: value(at) + spread,
            })
            .collect(),
        gap_after: TimeDelta::minutes(150),
    };
    let panel = |measure, value: &dyn Fn(i64) -> f64, peers: &dyn Fn(i64) -> f64, spread: f64| Panel {
        measure,
        lines: vec![line("K12", value, spread / 6.0)],
        bands: vec![],
        peers: Some(line("7 sisters", peers, spread)),
    };
    let mut panels = vec![
        panel(Measure::Temperature, &|hour| 21.0 + wave(hour), &|hour| 20.6 + wave(hour) * 0.8, 0.9),
        panel(
            Measure::Humidity,
            &|hour| 64.0 + wave(hour) * 9.0 + hour as f64 / 14.0,
            &|hour| 58.0 + wave(hour) * 7.0,
            6.0,
        ),
        panel(
            Measure::MoldPressure,
            &|hour| (hour as f64 - 110.0).clamp(0.0, 64.0),
            &|hour| (hour as f64 - 160.0).clamp(0.0, 12.0),
            6.0,
        ),
    ];
    panels[0].bands = vec![
        Band { from: start(), until: hour(96), low: Some(20.0), high: Some(24.0) },
        Band { from: hour(96), until: hour(240), low: Some(18.0), high: Some(22.0) },
    ];
    panels[1].bands = vec![Band { from: hour(96), until: hour(240), low: Some(40.0), high: Some(60.0) }];
    panels[2].bands = vec![Band { from: start(), until: hour(240), low: None, high: Some(50.0) }];
    let stage = |from, until, label: &str| Span { from: hour(from), until: hour(until), label: label.into() };
    let happening = |at, until: Option<i64>, sign, word: &str| Happening {
        at: hour(at),
        until: until.map(hour),
        sign,
        word: word.into(),
    };
    let lane = |name: &str, happenings| Lane { name: name.into(), happenings };
    Chart {
        title: "Tray K12, broccoli, Rack A".into(),
        panels,
        until: hour(240),
        nights: (0..10).map(|day| (hour(day * 24 + 12), hour(day * 24 + 24))).collect(),
        stages: vec![
            stage(0, 60, "germination"),
            stage(60, 96, "blackout"),
            stage(96, 216, "light"),
            stage(216, 240, "ready"),
        ],
        lanes: vec![
            lane(
                "Water",
                (9..20)
                    .map(|turn| happening(turn * 12, None, if turn == 13 { Sign::Mist } else { Sign::Drop }, ""))
                    .collect(),
            ),
            lane(
                "Work",
                vec![
                    happening(60, None, Sign::Square, "weight off"),
                    happening(96, None, Sign::Square, "uncover"),
                    happening(130, None, Sign::Arrow, "move"),
                    happening(160, None, Sign::Ring, "look"),
                    happening(239, None, Sign::Cross, "discarded"),
                ],
            ),
            lane(
                "Alarms",
                vec![
                    happening(100, Some(118), Sign::Diamond, "sensor-silent"),
                    happening(172, Some(200), Sign::Diamond, "mold-pressure"),
                ],
            ),
        ],
        ..room(UnitSystem::Us)
    }
}

/// Two racks in one picture, whose ends lie close together.
fn beside() -> Chart {
    let mut chart = room(UnitSystem::Metric);
    for panel in &mut chart.panels {
        let mut other = panel.lines[0].clone();
        other.name = "Rack B by the window".into();
        for point in &mut other.points {
            point.mean += 0.3;
            point.high += 0.3;
            point.low += 0.3;
        }
        panel.lines.push(other);
    }
    chart
}

#[test]
fn words_stay_inside_the_picture_and_off_one_another_on_a_phone_and_on_a_page() {
    for chart in [room(UnitSystem::Us), tray(), beside()] {
        for setting in [PHONE, PAGE, SHEET] {
            let picture = picture::Picture::of(&chart, setting);
            let mut ledger = Ledger::default();
            picture.draw(&mut ledger);
            assert!(ledger.texts().count() > 10);
            ledger.words_stand_clear(setting.width, picture.height);
        }
    }
}

#[test]
fn every_row_of_alarms_bears_its_word_however_full_it_is() {
    let minute = |minute: i64| start() + TimeDelta::minutes(minute);
    let alarm = |from, until, word: &str| Happening {
        at: minute(from),
        until: Some(minute(until)),
        sign: Sign::Diamond,
        word: word.into(),
    };
    let mut chart = room(UnitSystem::Us);
    let often = (0..12).map(|turn| alarm(turn * 120, turn * 120 + 90, "air-too-damp")).collect();
    chart.lanes = vec![
        Lane { name: "Alarms".into(), happenings: vec![alarm(900, 1440, "reservoir-low")] },
        Lane { name: String::new(), happenings: often },
        Lane { name: String::new(), happenings: vec![alarm(0, 1440, "sensor-silent")] },
    ];
    let picture = picture::Picture::of(&chart, PHONE);
    let mut ledger = Ledger::default();
    picture.draw(&mut ledger);
    let place = |word: &str| ledger.words.iter().find(|(text, _)| text == word).map(|(_, place)| place[1]);
    assert!(place("reservoir-low").is_some_and(|right| right < picture.time.x(minute(900))));
    assert!(place("air-too-damp").is_some() && place("sensor-silent").is_some());
    ledger.words_stand_clear(PHONE.width, picture.height);
}

#[test]
fn a_chart_explains_its_shades_and_only_those_it_has() {
    let words = |chart: &Chart| ledger(chart).texts().map(str::to_owned).collect::<Vec<_>>().join("; ");
    let mut chart = room(UnitSystem::Us);
    let reported = words(&chart);
    for meaning in
        ["asked for by the trays; alarms begin farther out", "no readings", "from the last round to the first"]
    {
        assert!(reported.contains(meaning), "{reported}");
    }
    chart.nights.clear();
    for panel in &mut chart.panels {
        panel.bands.clear();
        panel.lines[0].gap_after = TimeDelta::hours(3);
    }
    let reported = words(&chart);
    assert!(words(&tray()).contains("watered; misted; weight off, uncovered; moved; looked at; cut or thrown away"));
    assert!(
        !reported.contains("watered")
            && !reported.contains("asked for")
            && !reported.contains("no readings")
            && !reported.contains("round"),
        "{reported}"
    );
}

#[test]
fn the_panel_of_a_tank_shows_all_its_water_and_says_no_less() {
    let mut chart = room(UnitSystem::Metric);
    chart.panels.truncate(1);
    chart.panels[0].measure = Measure::Volume;
    assert!(ledger(&chart).texts().any(|text| text.starts_with("Water in the tank")));
    assert!(!ledger(&chart).texts().any(|text| text.contains("sable")));
}

#[test]
fn words_on_a_phone_are_never_smaller_than_ten_and_a_half_pixels() {
    // Own bound: 8 pt on paper are 10.7 px.
    let chart = tray();
    let picture = picture::Picture::of(&chart, PHONE);
    let mut ledger = Ledger::default();
    picture.draw(&mut ledger);
    // A word's box is 0.93 of its size high.
    let smallest = ledger.words.iter().map(|(_, [.., top, bottom])| (bottom - top) / 0.93).fold(f32::MAX, f32::min);
    assert!(smallest * 360.0 / PHONE.width > 10.39, "{smallest}");
}

#[test]
fn two_lines_in_a_panel_differ_in_dashes_and_bear_their_names() {
    let ledger = ledger(&beside());
    let long = |lines: &[Vec<(f32, f32)>]| lines.iter().filter(|line| line.len() > 100).count();
    assert!(long(&ledger.lines) >= 2 && long(&ledger.dashed) >= 2);
    assert!(ledger.texts().any(|text| text == "Rack A") && ledger.texts().any(|text| text.starts_with("Rack B")));
}

#[test]
fn what_was_not_measured_is_hatched_and_what_was_is_not() {
    let slanted = |chart: &Chart| {
        let ledger = ledger(chart);
        ledger.lines.iter().filter(|line| line.len() == 2 && line[0].0 != line[1].0 && line[0].1 != line[1].1).count()
    };
    let mut chart = room(UnitSystem::Metric);
    assert!(slanted(&chart) > 10);
    for panel in &mut chart.panels {
        panel.lines[0].gap_after = TimeDelta::hours(3);
    }
    assert_eq!(slanted(&chart), 0);
}

proptest! {
    #[test]
    fn any_numbers_give_a_picture_with_finite_coordinates(
        values in proptest::collection::vec((any::<f64>(), -60_i64..4000), 0..40),
        band in (proptest::option::of(-1e6..1e6_f64), proptest::option::of(-1e6..1e6_f64)),
    ) {
        let mut chart = room(UnitSystem::Us);
        for panel in &mut chart.panels {
            panel.bands[0].low = band.0;
            panel.bands[0].high = band.1;
            panel.lines[0].points = values.iter().map(|(value, minute)| Point {
                at: start() + TimeDelta::minutes(*minute), low: *value, mean: *value, high: *value,
            }).collect();
        }
        let ledger = ledger(&chart);
        for (x, y) in ledger.lines.iter().chain(&ledger.areas).flatten() {
            prop_assert!(x.is_finite() && y.is_finite());
        }
    }
}

/// Writes what a test drew into the folder named by LOOK, if there is one, for a person to see.
pub(crate) fn for_a_look(name: &str, picture: &[u8]) {
    if let Some(folder) = std::env::var_os("LOOK").map(std::path::PathBuf::from) {
        std::fs::create_dir_all(&folder).expect("LOOK names a folder that can be made");
        std::fs::write(folder.join(name), picture).expect("LOOK names a folder that can be written");
    }
}

/// Width and height in pixels, as its header says (PNG 3rd edition, W3C 2025, 11.2.2).
pub(crate) fn size_of_png(png: &[u8]) -> (u32, u32) {
    assert_eq!(png[..8], *b"\x89PNG\r\n\x1a\n");
    assert_eq!(png[12..16], *b"IHDR");
    let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().expect("four bytes"));
    (number(16), number(20))
}

#[test]
fn pictures_are_as_wide_as_a_phone_or_a_page_and_sharp_on_both() {
    let mut month = room(UnitSystem::Metric);
    month.until = start() + TimeDelta::days(30);
    for panel in &mut month.panels {
        let one = panel.lines[0].points.clone();
        panel.lines[0].points = (0..30)
            .flat_map(|day| one.iter().map(move |point| Point { at: point.at + TimeDelta::days(day), ..*point }))
            .collect();
    }
    month.nights.clear();
    let (phone, page) = ((360.0 * look::PIXELS_PER_POINT) as u32, (760.0 * look::PIXELS_PER_POINT) as u32);
    for (name, picture, width) in [
        ("day.png", day_chart(&room(UnitSystem::Us)).unwrap(), phone),
        ("tray.png", history_chart_png(&tray(), true).unwrap(), phone),
        ("beside.png", history_chart_png(&beside(), true).unwrap(), phone),
        ("tray-page.png", history_chart_png(&tray(), false).unwrap(), page),
        ("month.png", history_chart_png(&month, false).unwrap(), page),
    ] {
        assert_eq!(size_of_png(&picture).0, width, "{name}");
        for_a_look(name, &picture);
    }
}
