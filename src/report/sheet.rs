//! One sheet about one tray: a single HTML file that needs nothing else, for a phone at the
//! rack, for the kitchen table, for paper. It sets what it is handed; which sentences
//! belong on it is known to the trace.

use crate::chart::{self, Chart, ChartError, Sign};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// What stands on a sheet, from top to bottom. Every text is the grower's or ours, never
/// HTML: it is escaped.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// Site and day on which it was made, small, above everything.
    pub(crate) masthead: String,
    /// Whose it is: "Tray K12".
    pub(crate) title: String,
    /// Crop, places, from when to when, how it ended: a line each.
    pub facts: Vec<String>,
    /// What differs most, in plain sentences, first things first.
    pub differences: Vec<String>,
    /// Beside whom it was held and how much that is worth.
    pub beside: String,
    /// Everything on one time axis.
    pub chart: Chart,
    /// Figures.
    pub tables: Vec<SheetTable>,
    /// Lists under a heading: what was done, alarms, holes in the data.
    pub lists: Vec<(String, Vec<String>)>,
    /// What these figures are not; the last words.
    pub(crate) caution: String,
}

/// A table: the first column is words, the others figures.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetTable {
    /// What it shows.
    pub(crate) heading: String,
    /// The head of each column.
    pub head: Vec<String>,
    /// The rows, each as long as the head.
    pub rows: Vec<Vec<String>>,
}

/// The sheet as one HTML file.
///
/// # Errors
/// When the chart's span is empty.
pub fn html(sheet: &Sheet) -> Result<String, ChartError> {
    let body = body(sheet)?;
    let page: Markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (sheet.title) }
                style { (PreEscaped(chart::page_style())) (PreEscaped(STYLE)) }
            }
            body {
                main {
                    (body)
                }
            }
        }
    };
    Ok(page.into_string())
}

/// What stands on the sheet, for inside a page that has a style of its own.
///
/// # Errors
/// When the chart's span is empty.
pub fn body(sheet: &Sheet) -> Result<Markup, ChartError> {
    let [phone, wide] = chart::inline_charts(&sheet.chart)?;
    Ok(html! {
        p.small { (sheet.masthead) }
        h1 { (sheet.title) }
        @for fact in &sheet.facts { p.fact { (fact) } }
        @if !sheet.differences.is_empty() {
            section.lead {
                h2 { "What differs most" }
                ol { @for difference in &sheet.differences { li { (difference) } } }
            }
        }
        @if !sheet.beside.is_empty() { p { (sheet.beside) } }
        figure {
            div.phone { (PreEscaped(phone)) }
            div.wide { (PreEscaped(wide)) }
            figcaption { @for words in key(&sheet.chart) { span { (words) } " " } }
        }
        @for table in &sheet.tables { (set_table(table)) }
        @for (heading, items) in sheet.lists.iter().filter(|(_, items)| !items.is_empty()) {
            section {
                h2 { (heading) }
                ul { @for item in items { li { (item) } } }
            }
        }
        p.caution { (sheet.caution) }
    })
}

fn set_table(table: &SheetTable) -> Markup {
    html! {
        section {
            h2 { (table.heading) }
            div.scrolls tabindex="0" role="group" aria-label=(table.heading) {
                table {
                    thead { tr { @for name in &table.head { th scope="col" { (name) } } } }
                    tbody {
                        @for row in &table.rows {
                            tr {
                                @for (index, cell) in row.iter().enumerate() {
                                    @if index == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// How to read the picture: only what is in it.
fn key(chart: &Chart) -> Vec<String> {
    let mut words = Vec::new();
    let panels = &chart.panels;
    if let Some(peers) = panels.iter().find_map(|panel| panel.peers.as_ref()) {
        words.push(format!("Whole line: this tray. Dashed line on grey: {}, their middle and spread.", peers.name));
    }
    if panels.iter().any(|panel| !panel.bands.is_empty()) {
        words.push("Green between dashes: what the stage asks for; outside it the line is thick.".to_owned());
    }
    words.push("Hatched: not measured.".to_owned());
    if !chart.nights.is_empty() {
        words.push("Shaded: from the last round of a day to the first of the next.".to_owned());
    }
    let shown =
        |sign: Sign| chart.lanes.iter().flat_map(|lane| &lane.happenings).any(|happening| happening.sign == sign);
    let signs: Vec<&str> = SIGNS.iter().filter(|(sign, _)| shown(*sign)).map(|(_, words)| *words).collect();
    if !signs.is_empty() {
        words.push(format!("Signs: {}.", signs.join(", ")));
    }
    words
}

const SIGNS: [(Sign, &str); 7] = [
    (Sign::Drop, "full drop = watered"),
    (Sign::Mist, "hollow drop = misted"),
    (Sign::Square, "square = weight or cover off, light"),
    (Sign::Arrow, "triangle = moved"),
    (Sign::Ring, "ring = looked at"),
    (Sign::Cross, "cross = cut or thrown away"),
    (Sign::Diamond, "diamond and bar = alarm, as long as it held"),
];

const STYLE: &str = "
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--dark);font:16px/1.45 Inter,-apple-system,'Segoe UI',Roboto,Arial,sans-serif;-webkit-text-size-adjust:100%}
main{max-width:808px;margin:0 auto;padding:16px 15px 40px}
h1{font-size:1.5em;line-height:1.2;margin:0 0 .25em;overflow-wrap:anywhere}
h2{font-size:1em;margin:1.4em 0 .35em}
p,li{overflow-wrap:anywhere}
p{margin:.4em 0}
.fact{margin:0}
.small,figcaption,.caution{color:var(--soft);font-size:.85em}
.lead{border-left:4px solid var(--limit);padding-left:12px;margin:1em 0}
.lead h2{margin-top:0}
ol,ul{margin:.2em 0;padding-left:1.4em}
figure{margin:1.2em 0}
figure svg{display:block;width:100%;height:auto}
.wide{display:none}
.scrolls{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-size:.9em;font-variant-numeric:tabular-nums}
th,td{padding:4px 0 4px 12px;text-align:right;vertical-align:top;border-bottom:1px solid var(--grid)}
th:first-child{text-align:left;padding-left:0}
thead th{color:var(--soft);font-weight:400}
tbody th{font-weight:600}
.caution{border-top:1px solid var(--grid);margin-top:2em;padding-top:.8em}
@media screen and (max-width:639px){table{font-size:.82em}th,td{padding-left:7px}}
@media (min-width:640px){.phone{display:none}.wide{display:block}}
@media print{
@page{margin:10mm}
:root{--paper:#ffffff}
html{-webkit-print-color-adjust:exact;print-color-adjust:exact}
body{font-size:8.5pt;line-height:1.3;background:none}
main{max-width:none;padding:0}
h2{margin:.9em 0 .2em;break-after:avoid}
figure{margin:.6em 0}
.lead,figure,tr,li{break-inside:avoid}
section>ul{columns:3;column-gap:6mm}
.phone{display:none}.wide{display:block}
.scrolls{overflow:visible}
th,td{padding-top:1px;padding-bottom:1px}
}
";

#[cfg(test)]
mod tests {
    use super::*;

    /// A tray with everything on it, under a name that would break out if it could.
    fn sample() -> Sheet {
        let evil = "K12</style><script>alert('&\"')</script>";
        let lines = |all: &[&str]| all.iter().map(|line| (*line).to_owned()).collect::<Vec<_>>();
        Sheet {
            masthead: "Saltmarsh Lane, made Fri 13 Mar 2026 12:30".into(),
            title: "Tray K12".into(),
            facts: lines(&["Broccoli, 4 trays, Rack A", "Sown Tue 3 Mar, thrown away Fri 13 Mar: mold on 30 %"]),
            differences: lines(&[
                "Its air in light was damper: median 73 %, its sisters 60 % (57 to 64); highest of 8.",
                "It stayed damp longest in one stretch: 31 hours, its sisters 6 (3 to 9); highest of 8.",
                "Two waterings were 26 hours apart, its sisters' longest gap 14 hours (12 to 15).",
            ]),
            beside: "Held beside 7 healthy broccoli trays at the same age of each stage. With 8 trays the highest of all \
                     comes up by chance one time in eight for each of 14 figures looked at."
                .into(),
            chart: Chart { title: String::new(), ..crate::chart::sample_tray() },
            tables: vec![SheetTable {
                heading: "Stage by stage".into(),
                head: lines(&["", "germination", "blackout", "light", "sisters in light"]),
                rows: vec![
                    lines(&["Hours", "60", "36", "120", "118"]),
                    lines(&["Temperature, °F", "69.9", "70.1", "70.3", "69.4 (68 to 71)"]),
                    lines(&["Humidity, %", "64", "67", "73", "60 (57 to 64)"]),
                    lines(&["VPD, kPa", "0.90", "0.83", "0.67", "0.98 (0.9 to 1.1)"]),
                    lines(&["Hours out of band", "0", "0", "61", "8 (3 to 12)"]),
                    lines(&["Hours without data", "0", "0", "18", "0"]),
                ],
            }],
            lists: vec![
                ("What was done".into(), vec!["Wed 4 Mar 08:00 watered, 4.0 fl oz (Ann)".into(), format!("Thu 5 Mar note: {evil}")]),
                ("Alarms".into(), lines(&["Sat 7 Mar 16:30 sensor-silent for 18 hours, acknowledged by Ann"])),
                ("Nothing here".into(), vec![]),
            ],
            caution: "Computed from room air and your log with field-crop disease models; not validated on microgreens; \
                      conditions, never proof. Look at the tray. Moldy trays: isolate, do not taste, discard by your own \
                      food-safety plan."
                .into(),
        }
    }

    /// Every tag that opens closes, in order; what is left of text has no bare sign.
    fn check_nesting(text: &str) {
        let mut open: Vec<&str> = Vec::new();
        let mut rest = text.strip_prefix("<!DOCTYPE html>").expect("a doctype");
        while let Some(start) = rest.find('<') {
            let end = start + rest[start..].find('>').expect("a tag ends");
            let tag = &rest[start + 1..end];
            rest = &rest[end + 1..];
            let name = tag.trim_start_matches('/').split([' ', '/', '\n']).next().unwrap_or_default();
            if tag.starts_with('/') {
                assert_eq!(open.pop(), Some(name), "closed in the wrong order");
            } else if !tag.ends_with('/') && name != "meta" {
                open.push(name);
            }
        }
        assert!(open.is_empty(), "never closed: {open:?}");
    }

    #[test]
    fn the_sheet_is_well_formed_and_needs_nothing_from_outside() {
        let text = html(&sample()).unwrap();
        check_nesting(&text);
        crate::chart::tests::for_a_look("sheet.html", text.as_bytes());
        let outside = text.replace("http://www.w3.org/2000/svg", "");
        for word in ["http:", "https:", "src=", "href=", "url(", "@import", "<script", "<link", "//"] {
            assert!(!outside.contains(word), "{word}");
        }
        assert!(text.len() < 400_000, "{} bytes", text.len());
    }

    #[test]
    fn what_a_grower_typed_stays_text_wherever_it_stands() {
        let evil = "</title></style><script>x</script><b>\"&'";
        let mut sheet = sample();
        for text in [&mut sheet.masthead, &mut sheet.title, &mut sheet.beside, &mut sheet.caution] {
            *text = evil.into();
        }
        sheet.facts = vec![evil.into()];
        sheet.differences = vec![evil.into()];
        sheet.chart.title = evil.into();
        sheet.chart.stages[0].label = evil.into();
        sheet.chart.lanes[0].name = evil.into();
        for panel in &mut sheet.chart.panels {
            panel.lines[0].name = evil.into();
            panel.peers.as_mut().expect("the sample has sisters").name = evil.into();
        }
        sheet.tables[0].heading = evil.into();
        sheet.tables[0].head[0] = evil.into();
        sheet.tables[0].rows[0][0] = evil.into();
        sheet.lists[0] = (evil.into(), vec![evil.into()]);
        let text = html(&sheet).unwrap();
        check_nesting(&text);
        assert!(!text.contains("<script") && !text.contains("<b>"));
        assert_eq!(text.matches("</style>").count(), 1);
        // Where nothing else is cut short, all of it can still be read.
        assert!(text.matches("&lt;/title&gt;&lt;/style&gt;&lt;script&gt;x").count() >= 12);
    }

    #[test]
    fn the_key_tells_of_what_is_in_the_picture_and_an_empty_list_has_no_heading() {
        let mut sheet = sample();
        let text = html(&sheet).unwrap();
        for words in ["full drop = watered", "Hatched: not measured", "7 sisters, their middle", "diamond and bar"] {
            assert!(text.contains(words), "{words}");
        }
        assert!(!text.contains("Nothing here"));
        sheet.chart.lanes.clear();
        assert!(!html(&sheet).unwrap().contains("Signs:"));
    }

    #[test]
    fn every_colour_that_is_named_has_a_shade_on_light_and_on_dark_paper() {
        let text = html(&sample()).unwrap();
        let mut rest = text.as_str();
        while let Some(found) = rest.find("var(--") {
            let name = &rest[found + 6..found + 6 + rest[found + 6..].find(')').expect("it closes")];
            assert!(text.matches(&format!("--{name}:#")).count() >= 2, "{name}");
            rest = &rest[found + 6..];
        }
    }
}
