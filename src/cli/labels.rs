//! `labels`: a sheet to print and cut, with a QR code for each rack that opens that rack's
//! lines on a paired phone.

use super::file::Replace;
use super::{Answer, Failure, Outcome, print, settings};
use crate::engine::rules::Rules;
use crate::page::link::{self, Reached};
use crate::page::{qr, rack_address};
use clap::Args;
use maud::{DOCTYPE, PreEscaped, html};
use std::path::{Path, PathBuf};

#[derive(Args)]
pub(super) struct Labels {
    /// The HTML file to write; it needs nothing else. Print it, cut it, put it behind film.
    #[arg(value_name = "FILE.html")]
    file: PathBuf,
    #[command(flatten)]
    replace: Replace,
}

impl Labels {
    pub(super) fn run(self, path: &Path) -> Outcome {
        let config = settings(path)?;
        let (address, note) = match link::reached(&config.page) {
            Reached::At(address) => (address, ""),
            Reached::OnlyHere(address) => (
                address,
                "\nThey lead to this machine alone: set [page] listen = \"0.0.0.0:8460\" and make them again for phones.",
            ),
            Reached::Nowhere => {
                print("There is no sheet that labels could open: [page] listen is \"off\" in the settings.")?;
                return Ok(Answer::No);
            }
        };
        let sheet = sheet(&config.rules, &address).ok_or_else(|| {
            Failure::Sentence("a rack's id is too long for a QR code; give it a shorter one".to_owned())
        })?;
        self.replace.write(&self.file, sheet.as_bytes())?;
        let many = config.rules.places.len();
        print(&format!(
            "{many} labels are in {}, one for each place. They lead to {address}.{note}",
            self.file.display()
        ))?;
        Ok(Answer::Yes)
    }
}

/// The sheet as one HTML file.
fn sheet(rules: &Rules, address: &str) -> Option<String> {
    let mut labels = Vec::new();
    for place in &rules.places {
        labels.push((&place.name, qr::svg(&format!("{address}{}", rack_address(&place.id)))?));
    }
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Labels for " (rules.site.name) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                @for (name, code) in labels {
                    section { (PreEscaped(code)) h1 { (name) } p { (rules.site.name) } }
                }
            }
        }
    };
    Some(page.into_string())
}

/// Codes of 45 mm: read from an arm's length (common practice: a tenth of the distance).
const STYLE: &str = "
body{margin:8mm;display:flex;flex-wrap:wrap;gap:0;font-family:Inter,system-ui,Arial,sans-serif;color:#000;background:#fff}
section{width:60mm;height:70mm;padding:5mm;border:.2mm dashed #999;text-align:center;break-inside:avoid;box-sizing:border-box;overflow:hidden}
svg{width:45mm;height:45mm}
h1{font-size:5mm;margin:1mm 0 0;overflow-wrap:anywhere}
p{font-size:3mm;margin:0;color:#333}
@page{margin:8mm}
@media print{body{margin:0}}
";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_is_a_label_for_each_place_and_its_name_stays_text() {
        let mut rules =
            crate::config::parse(crate::config::example(), "room.toml", Path::new("/")).expect("it is right").rules;
        rules.places[0].name = "<script>Rack</script>".into();
        let text = sheet(&rules, "http://192.168.1.20:8460").expect("short ids");
        assert_eq!(text.matches("<svg").count(), rules.places.len());
        assert!(text.contains("&lt;script&gt;Rack") && !text.contains("<script"));
        assert!(!text.replace("http://www.w3.org/2000/svg", "").contains("http:"), "nothing from outside");
    }
}
