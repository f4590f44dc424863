//! A letter as the HTML part of a mail: tables and inline styles only, because
//! mail programs drop the rest. One light card with its own colours, so that it
//! reads alike on a light and on a dark ground.

use super::blocks::{Block, Blocks, Urgency, units_kept};
use maud::{DOCTYPE, Markup, html};

const FONT: &str = "font-family:Inter,-apple-system,'Segoe UI',Roboto,'Helvetica Neue',Arial,sans-serif;";
const INK: &str = "#22302a";
const SOFT: &str = "#5d6b64";
const LINE: &str = "#dfe4dd";
const CARD: &str = "#fcfcf9";

/// The whole part, from its doctype on.
pub(crate) fn page(letter: &Blocks) -> String {
    let (edge, ground, ink) = match letter.urgency {
        Urgency::Urgent => ("#b3401f", "#fbece4", "#7c2610"),
        Urgency::Due => ("#b07d12", "#faf3dd", "#5c430a"),
        Urgency::Calm => ("#3f7d5b", "#ebf4ee", "#22513a"),
    };
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light";
                meta name="supported-color-schemes" content="light";
                title { (letter.subject) }
            }
            body style="margin:0;padding:0;" {
                table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0" {
                    tr {
                        td align="center" style="padding:12px 8px;" {
                            table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0"
                                bgcolor=(CARD)
                                style=(format!("max-width:600px;background-color:{CARD};border:1px solid {LINE};border-radius:8px;{FONT}color:{INK};")) {
                                tr {
                                    td style=(format!("padding:14px 18px 10px;font-size:13px;line-height:18px;color:{SOFT};")) { (units_kept(&letter.masthead)) }
                                }
                                tr {
                                    td style="padding:0 18px;" {
                                        table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0" {
                                            tr {
                                                td bgcolor=(ground) style=(format!("background-color:{ground};border-left:4px solid {edge};border-radius:3px;padding:12px 14px;font-size:18px;line-height:25px;font-weight:600;color:{ink};")) {
                                                    (units_kept(&letter.lead))
                                                }
                                            }
                                        }
                                    }
                                }
                                tr {
                                    td style="padding:4px 18px 18px;font-size:15px;line-height:22px;" {
                                        @for block in &letter.blocks { (set(block)) }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
    .into_string()
}

fn set(block: &Block) -> Markup {
    match block {
        Block::Heading(heading) | Block::Quoted(heading) => html! {
            h2 style=(format!("margin:24px 0 4px;padding:0 0 4px;border-bottom:1px solid {LINE};font-size:15px;line-height:20px;font-weight:600;color:{INK};")) { (units_kept(heading)) }
        },
        Block::Paragraph(words) => html! { p style="margin:12px 0 0;" { (units_kept(words)) } },
        Block::Small(words) => html! {
            p style=(format!("margin:6px 0 0;font-size:13px;line-height:18px;color:{SOFT};")) { (units_kept(words)) }
        },
        Block::Facts(facts) => html! {
            table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0" style="margin-top:8px;" {
                @for (name, value) in facts {
                    tr {
                        td valign="top" width="84" style=(format!("width:84px;padding:3px 10px 3px 0;font-size:13px;line-height:22px;color:{SOFT};")) { (units_kept(name)) }
                        td valign="top" style=(format!("padding:3px 0;font-size:15px;line-height:22px;color:{INK};")) { (units_kept(value)) }
                    }
                }
            }
        },
        Block::AsWritten(lines) => html! {
            pre style=(format!("margin:8px 0 0;white-space:pre-wrap;font-family:ui-monospace,Menlo,Consolas,monospace;font-size:13px;line-height:19px;color:{INK};")) { (lines.trim_end()) }
        },
        Block::Points(points) => html! {
            ul style="margin:10px 0 0;padding:0 0 0 20px;" {
                @for point in points { li style="margin:4px 0;" { (units_kept(point)) } }
            }
        },
        Block::Table { head, rows } => table(head, rows),
        Block::Command { purpose, line } => html! {
            p style=(format!("margin:18px 0 6px;font-size:13px;line-height:18px;color:{SOFT};")) { (units_kept(purpose)) }
            table role="presentation" width="100%" cellpadding="0" cellspacing="0" border="0" {
                tr {
                    td bgcolor="#eef1ec" style=(format!("background-color:#eef1ec;border-radius:4px;padding:9px 12px;font-family:ui-monospace,Menlo,Consolas,monospace;font-size:13px;line-height:20px;word-break:break-word;color:{INK};")) {
                        @for (place, command) in line.lines().enumerate() {
                            @if place > 0 { br; }
                            (command.trim())
                        }
                    }
                }
            }
        },
        Block::Reply { sentence, label, link } => html! {
            p style=(format!("margin:18px 0 8px;font-size:13px;line-height:18px;color:{SOFT};")) { (units_kept(sentence)) }
            table role="presentation" cellpadding="0" cellspacing="0" border="0" {
                tr {
                    td bgcolor="#22513a" style="background-color:#22513a;border-radius:6px;" {
                        a href=(link) style="display:inline-block;padding:13px 22px;font-size:16px;line-height:22px;font-weight:600;color:#ffffff;text-decoration:none;" { (label) }
                    }
                }
            }
        },
        Block::Picture { name, shows } => html! {
            p style="margin:10px 0 0;" {
                img src=(format!("cid:{name}")) alt=(shows) width="456" style="display:block;width:100%;max-width:456px;height:auto;border:0;border-radius:6px;";
            }
        },
    }
}

fn table(head: &[String], rows: &[Vec<String>]) -> Markup {
    let align = |column: usize| if column == 0 { "left" } else { "right" };
    html! {
        table width="100%" cellpadding="0" cellspacing="0" border="0" style="margin-top:6px;border-collapse:collapse;" {
            tr {
                @for (column, title) in head.iter().enumerate() {
                    th scope="col" align=(align(column)) style=(format!("padding:3px 0 3px 8px;font-size:12px;line-height:18px;font-weight:400;color:{SOFT};")) { (units_kept(title)) }
                }
            }
            @for row in rows {
                tr {
                    @for (column, cell) in row.iter().enumerate() {
                        td align=(align(column)) valign="top"
                            style=(format!("padding:5px 0 5px {};border-top:1px solid {LINE};font-size:14px;line-height:19px;font-variant-numeric:tabular-nums;color:{INK};", if column == 0 { "0" } else { "8px" })) { (units_kept(cell)) }
                    }
                }
            }
        }
    }
}
