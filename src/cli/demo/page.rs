//! What the demo ends with: its letters in the order in which they came, on one page that a
//! browser or a phone opens from the disk. Nothing in it comes from outside.

use crate::engine::event::LetterKind;
use crate::engine::rules::Site;
use crate::notify::letter::Letter;
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use maud::{DOCTYPE, PreEscaped, html};

const STYLE: &str = ":root{color-scheme:light dark}\
    body{margin:0 auto;max-width:40rem;padding:1.5rem 1rem 4rem;font:1rem/1.5 system-ui,sans-serif;\
    background:#f3f2ec;color:#22302a}\
    h1{font-size:1.5rem;line-height:1.25;margin:0 0 .5rem}\
    ol{list-style:none;margin:1.5rem 0 0;padding:0}\
    li{border-top:1px solid #cfd5cc}\
    summary{display:flex;gap:.75rem;align-items:baseline;padding:.9rem 0;cursor:pointer;min-height:1.5rem}\
    time{flex:none;width:5.5rem;color:#5d6b64;font-variant-numeric:tabular-nums}\
    .wakes{font-weight:600}\
    @media(prefers-color-scheme:dark){body{background:#161b18;color:#e4e8e2}li{border-color:#333c36}time{color:#9aa79f}}";

/// The page.
pub(super) fn page(site: &Site, letters: &[Letter]) -> String {
    let woken = letters.iter().filter(|letter| letter.kind == LetterKind::Alarm).count();
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Two nights in " (site.name) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { "Two nights in " (site.name) ", an invented room" }
                p {
                    (letters.len()) " letters, in the order in which they came. The " (woken)
                    " in bold would have lit up the phone at once; the rest waited for a round or for breakfast."
                }
                ol {
                    @for letter in letters {
                        li {
                            details {
                                summary {
                                    time datetime=(letter.at.to_rfc3339()) {
                                        (letter.at.with_timezone(&site.time_zone).format("%a %H:%M").to_string())
                                    }
                                    span class=(if letter.kind == LetterKind::Alarm { "wakes" } else { "waits" }) { (letter.subject) }
                                }
                                (PreEscaped(body_of(letter)))
                            }
                        }
                    }
                }
            }
        }
    }
    .into_string()
}

/// The body of a letter's own page, with its pictures in it. The wording escapes what a
/// grower typed.
fn body_of(letter: &Letter) -> String {
    let begins = letter.html.find("<body").and_then(|at| Some(at + letter.html[at..].find('>')? + 1));
    let ends = letter.html.rfind("</body>");
    let mut body = match (begins, ends) {
        (Some(from), Some(until)) if from <= until => letter.html[from..until].to_owned(),
        _ => letter.html.clone(),
    };
    for picture in &letter.pictures {
        let data = format!("data:image/png;base64,{}", BASE64_STANDARD.encode(&picture.png));
        body = body.replace(&format!("cid:{}", picture.name), &data);
    }
    body
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::letter::Picture;
    use std::path::Path;

    #[test]
    fn the_page_holds_every_letter_with_its_pictures_and_asks_for_nothing_outside() {
        let text = include_str!("../../../config/traywarden.toml");
        let site = crate::config::parse(text, "room.toml", Path::new("/")).expect("the example is right").rules.site;
        let letter = |kind, subject: &str, html: &str| Letter {
            id: subject.to_owned(),
            kind,
            at: "2026-03-04T04:10:00Z".parse().expect("a time"),
            answers: None,
            subject: subject.to_owned(),
            text: String::new(),
            html: html.to_owned(),
            pictures: vec![Picture { name: "air.png".into(), png: vec![1, 2, 3] }],
        };
        let first =
            letter(LetterKind::Alarm, "Now: <tank> low", "<html><body style=\"x\"><p>Fill it.</p></body></html>");
        let second = letter(LetterKind::Digest, "Wednesday", "<html><body><img src=\"cid:air.png\"></body></html>");
        let page = page(&site, &[first, second]);
        for wanted in
            ["Now: &lt;tank&gt; low", "<p>Fill it.</p>", "data:image/png;base64,AQID", "Tue 22:10", "2 letters"]
        {
            assert!(page.contains(wanted), "{wanted} in {page}");
        }
        for outside in ["cid:", "http:", "https:", "<script", "<body style=\"x\">"] {
            assert!(!page.contains(outside), "{outside} in {page}");
        }
    }
}
