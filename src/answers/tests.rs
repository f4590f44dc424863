//! Replies as the common kinds of mail programs write them; every word is invented.

use super::asked::{Asked, asked};
use super::reply::{Reply, read};
use super::written::first_paragraph;
use chrono::TimeDelta;

const LETTER: &str = "alarm-1772590200-reservoir-empty-tank.0123456789abcdef0123456789abcdef@saltmarsh.example";

fn mail(headers: &str, body: &str) -> Reply {
    let text = format!(
        "From: Ada Grower <Grower@Saltmarsh.example>\nTo: warden@saltmarsh.example\nSubject: Re: Now: tank empty\n\
         Message-ID: <r1@phone.example>\nIn-Reply-To: <{LETTER}>\nDate: Thu, 26 Nov 2026 03:12:00 -0600\n{headers}\n{body}"
    );
    read(text.replace('\n', "\r\n").as_bytes()).expect("a mail")
}

fn plain(body: &str) -> Vec<String> {
    mail("Content-Type: text/plain; charset=utf-8\n", body).written
}

#[test]
fn the_first_paragraph_is_found_whatever_the_program_puts_around_it() {
    for (name, body) in [
        ("nothing around", "seen"),
        (
            "phone, quote below",
            "seen\n\nOn Thu, 26 Nov 2026 at 03:10, Saltmarsh Lane <warden@saltmarsh.example> wrote:\n\n> Fill the tank: 18 L.\n> If you have seen it, reply \"seen\".\n",
        ),
        (
            "attribution wrapped",
            "seen\n\nOn Thu, 26 Nov 2026 at 03:10, Saltmarsh Lane <\nwarden@saltmarsh.example> wrote:\n> Fill the tank.\n",
        ),
        ("attribution without an empty line", "seen\nOn 26/11/2026 03:10, Saltmarsh Lane wrote:\n> Fill the tank.\n"),
        ("German", "seen\n\nAm 26.11.2026 um 03:10 schrieb Saltmarsh Lane:\n\n> Fill the tank.\n"),
        (
            "French",
            "seen\n\nLe jeu. 26 nov. 2026 à 03:10, Saltmarsh Lane\n<warden@saltmarsh.example> a écrit :\n\n> Fill the tank.\n",
        ),
        ("quote above", "On Thu, 26 Nov 2026 at 03:10, Saltmarsh Lane wrote:\n> Fill the tank.\n> 18 L.\n\nseen\n"),
        (
            "office, ruled",
            "seen\n\n________________________________\nFrom: Saltmarsh Lane <warden@saltmarsh.example>\nSent: Thursday 03:10\nTo: Ada\nSubject: Now: tank empty\n\nFill the tank.\n",
        ),
        (
            "office, headings only",
            "seen\n\nVon: Saltmarsh Lane <warden@saltmarsh.example>\nGesendet: Donnerstag, 26. November 2026 03:10\nAn: Ada\nBetreff: Now: tank empty\n\nFill the tank.\n",
        ),
        ("original message", "seen\n\n-----Original Message-----\nFrom: warden@saltmarsh.example\n\nFill the tank.\n"),
        ("signature", "seen\n-- \nAda Grower\nSaltmarsh Lane\n"),
        ("phone's own line", "\n\n  seen  \n\nSent from my phone\n"),
        ("invisible signs", "\u{feff}seen\u{200b}\u{a0}\n\nthanks"),
    ] {
        assert_eq!(plain(body), ["seen"], "{name}");
    }
    assert_eq!(plain("\n\n> seen\n> water\n"), [""; 0], "a bare quote is no answer");
    assert_eq!(plain("On Thu, 26 Nov 2026 at 03:10, Ada <a@saltmarsh.example> wrote:\n"), [""; 0]);
}

#[test]
fn html_and_encodings_are_read_and_quotes_in_them_are_not() {
    let html = |body: &str| mail("MIME-Version: 1.0\nContent-Type: text/html; charset=utf-8\n", body).written;
    assert_eq!(html("<html><head><style>p{color:red}</style></head><body><p>seen</p></body></html>"), ["seen"]);
    assert_eq!(
        html(
            "<div dir=auto>seen</div><br><div class=\"x_quote\">On Thu Ada wrote:<blockquote>wrong</blockquote></div>"
        ),
        ["seen"]
    );
    assert_eq!(
        html("<div>seen<br>mist rack-a</div><div id=\"divRplyFwdMsg\">From: a@b</div>wrong"),
        ["seen", "mist rack-a"]
    );
    assert_eq!(html("<blockquote>wrong</blockquote>"), [""; 0]);
    let quoted = mail(
        "MIME-Version: 1.0\nContent-Type: text/plain; charset=iso-8859-1\nContent-Transfer-Encoding: quoted-printable\n",
        "note =93the fan=94 =E9t=E9=\n again\n",
    );
    assert_eq!(quoted.written.len(), 1);
    assert!(quoted.written[0].ends_with("été again"), "{:?}", quoted.written);
    let base64 = mail(
        "MIME-Version: 1.0\nContent-Type: text/plain; charset=utf-8\nContent-Transfer-Encoding: base64\n",
        "d2F0ZXIgcmFjay1hIDExOG1sCg==\n",
    );
    assert_eq!(base64.written, ["water rack-a 118ml"]);
    let both = mail(
        "MIME-Version: 1.0\nContent-Type: multipart/alternative; boundary=b\n",
        "--b\nContent-Type: text/plain\n\nseen\n--b\nContent-Type: text/html\n\n<p>wrong</p>\n--b--\n",
    );
    assert_eq!(both.written, ["seen"]);
    let empty_plain = mail(
        "MIME-Version: 1.0\nContent-Type: multipart/alternative; boundary=b\n",
        "--b\nContent-Type: text/plain\n\n\n--b\nContent-Type: text/html\n\n<p>seen</p><blockquote>Mark of this letter: K7QD-4MXR.</blockquote>\n--b--\n",
    );
    assert_eq!(
        (empty_plain.written, empty_plain.codes_in_body),
        (vec!["seen".to_owned()], vec!["K7QD-4MXR".to_owned()])
    );
}

#[test]
fn who_when_and_which_letter_are_in_the_headers() {
    let reply = mail("References: <first@saltmarsh.example>\n\t<second@saltmarsh.example>\n", "seen [k7qd-4mxr]");
    assert_eq!(reply.sender.as_deref(), Some("grower@saltmarsh.example"));
    assert_eq!(reply.message_id, "r1@phone.example");
    assert_eq!(reply.names, [LETTER, "first@saltmarsh.example", "second@saltmarsh.example"]);
    assert_eq!(reply.date.map(|date| date.to_rfc3339()), Some("2026-11-26T09:12:00+00:00".to_owned()));
    assert_eq!(reply.codes_in_body, ["K7QD-4MXR"]);
    let two = read(b"From: a@saltmarsh.example, b@saltmarsh.example\r\n\r\nseen\r\n").unwrap();
    assert_eq!(two.sender, None, "two authors are nobody");
    assert!(two.message_id.starts_with("nameless-"));
}

#[test]
fn the_work_of_programs_is_known_and_that_of_people_is_not_taken_for_it() {
    for header in [
        "Auto-Submitted: auto-replied",
        "auto-submitted: auto-generated; owner-email=\"a@b\"",
        "Precedence: bulk",
        "Precedence: Junk",
        "List-Unsubscribe: <mailto:a@b>",
        "Return-Path: <>",
        "Content-Type: multipart/report; report-type=delivery-status; boundary=x",
    ] {
        assert!(mail(&format!("{header}\n"), "seen").automatic.is_some(), "{header}");
    }
    for header in ["Auto-Submitted: no", "Return-Path: <grower@saltmarsh.example>", "X-Priority: 1"] {
        assert_eq!(mail(&format!("{header}\n"), "seen").automatic, None, "{header}");
    }
}

fn asks(lines: &[&str]) -> Vec<Result<Asked, String>> {
    let lines: Vec<String> = lines.iter().map(|line| (*line).to_owned()).collect();
    asked(&lines, |word| word == "rack-a", &[]).into_iter().map(|(_, asked)| asked).collect()
}

#[test]
fn a_line_is_understood_as_a_thumb_types_it() {
    let seen = |worth_it| Ok(Asked::Seen { worth_it });
    for line in ["seen", "Seen", "SEEN!", "Seen, thanks", "\"seen\"", "seen."] {
        assert_eq!(asks(&[line]), [seen(None)], "{line}");
    }
    assert_eq!(asks(&["Right."]), [seen(Some(true))]);
    assert_eq!(asks(&["Wrong, the door stood open"]), [seen(Some(false))]);
    assert!(asks(&["right now I am away"])[0].is_err());
    for (line, minutes) in [("quiet 2 h", 120), ("Quiet for 90 min.", 90), ("quiet", 120), ("quiet 1h", 60)] {
        assert_eq!(asks(&[line]), [Ok(Asked::Quiet(TimeDelta::minutes(minutes)))], "{line}");
    }
    for line in ["quiet 3 days", "quiet a while", "quiet 0 h"] {
        assert!(asks(&[line])[0].as_ref().is_err_and(|why| why.contains("quiet 2 h")), "{line}");
    }
    let entry = |line: &str| match asks(&[line]).remove(0) {
        Ok(Asked::Entry(entry)) => serde_json::to_string(&entry).unwrap(),
        other => panic!("{line}: {other:?}"),
    };
    assert_eq!(entry("Water rack-a 118ml"), r#"{"did":"water","place":"rack-a","ml_per_tray":118.0}"#);
    assert_eq!(entry("note \"fan moved\" tray=K12"), r#"{"did":"note","text":"fan moved","tray":"K12"}"#);
}

#[test]
fn the_first_line_counts_and_later_ones_when_they_begin_like_something_to_do() {
    assert_eq!(asks(&["seen", "mist rack-a", "Thanks, Ada"]).len(), 2);
    assert!(asks(&["seen", "water rack-a 118ml twice"])[1].is_err());
    assert!(asks(&["Thanks for nothing"])[0].is_err());
    assert!(asks(&[]).is_empty());
}

#[test]
fn a_mail_made_to_be_slow_or_broken_is_read_all_the_same() {
    let long = ["\n".repeat(200_000), "a:\n".repeat(60_000), "<".repeat(200_000), ">".repeat(200_000)];
    for text in &long {
        first_paragraph(text);
        read(format!("From: a@b\r\nContent-Type: text/html\r\n\r\n{text}").as_bytes());
    }
    for bytes in [&b""[..], b"\0\xff", b"From: ", b"Content-Type: multipart/mixed; boundary=x\r\n\r\n--x\r\n--x"] {
        read(bytes);
    }
}
