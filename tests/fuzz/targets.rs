//! What is fuzzed, from which texts, and what must hold of every answer.

use super::fuzz;
use std::cell::Cell;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use traywarden::answers::{self, Asked};
use traywarden::config::{self, Config};
use traywarden::engine::Engine;
use traywarden::engine::event::{Event, What};
use traywarden::intake::capture;
use traywarden::intake::payload::{self, Decoded};
use traywarden::journal::Entry;
use traywarden::page::{self, Page};
use traywarden::store::Store;
use traywarden::typed;
use traywarden::units::Timestamp;

const NUMBERS: [&str; 20] = [
    "1e309",
    "-1e309",
    "1e-400",
    "-0",
    "NaN",
    "-nan",
    "Infinity",
    "null",
    "true",
    "\"21.5\"",
    "21,5",
    "0x15",
    "+5",
    ".5",
    "5.",
    "021",
    "9007199254740993",
    "1e6",
    "-1000000.0005",
    "85",
];
const MARKS: [&str; 16] =
    ["{", "}", "[", "]", "\"", ":", ",", "\\u0000", "\\ud800", "\u{feff}", "\0", "\r\n", "%", "°C", "\"u\":", "\"t\":"];

fn tokens() -> Vec<&'static str> {
    NUMBERS.into_iter().chain(MARKS).collect()
}

/// A room whose sensors speak each of the forms we understand.
const ROOM: &str = r#"
[site]
name = "Saltmarsh Lane"
time_zone = "America/Chicago"
[[place]]
id = "rack-a"
name = "Rack A"
[[sensor]]
id = "json"
place = "rack-a"
topic = "json"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
[[sensor]]
id = "senml"
place = "rack-a"
topic = "senml"
every = "30 s"
temperature = { senml = "t" }
humidity = { senml = "h" }
[[sensor]]
id = "bare"
place = "rack-a"
topic = "bare"
every = "30 s"
temperature = { unit = "Cel" }
"#;

fn room() -> Config {
    config::parse(ROOM, "room.toml", Path::new("/")).unwrap_or_else(|problems| panic!("{problems}"))
}

fn arrived() -> Timestamp {
    Timestamp::from_timestamp_millis(1_772_578_800_123).expect("a time")
}

/// Every value is one that a sensor can have meant, and no message says more than it can.
fn hear(config: &Config, topic: &str, bytes: &[u8]) {
    match payload::decode(&config.topics, topic, bytes, false, arrived()) {
        Decoded::Events(said) => {
            assert!(said.len() <= 64, "{} things from one message", said.len());
            for what in said {
                if let What::Reading(raw) = what {
                    assert!(raw.value().is_finite() && raw.value().abs() <= 1e6, "{}", raw.value());
                }
            }
        }
        Decoded::Entry(entry) => comes_back(&entry),
    }
}

/// An entry that is taken is written down and lived through again: it must come back the same.
fn comes_back(entry: &Entry) {
    let text = serde_json::to_string(entry).expect("an entry can be written");
    let again: Entry = serde_json::from_str(&text).expect("what we wrote we can read");
    assert_eq!(&again, entry, "{text}");
}

#[test]
fn any_payload_is_answered() {
    let config = room();
    let corpus: [&[u8]; 6] = [
        br#"{"t":21.5,"h":60.25}"#,
        br#"{"t":{"value":21.5},"h":[60],"time":1772578800}"#,
        b"\xef\xbb\xbf{\"t\":21.5}\0\0",
        br#"{"t":nan,"h":null}"#,
        b"21.5",
        b"unavailable",
    ];
    fuzz("payload", 1, &corpus, &tokens(), |bytes| {
        hear(&config, "json", bytes);
        hear(&config, "bare", bytes);
    });
}

#[test]
fn any_senml_is_answered() {
    let config = room();
    let corpus: [&[u8]; 4] = [
        br#"[{"bn":"","bt":1772578800,"n":"t","u":"Cel","v":21.5},{"n":"h","u":"%RH","v":60}]"#,
        br#"[{"n":"t","u":"K","v":294.65,"t":-30},{"n":"h","u":"/","v":0.6,"t":0}]"#,
        br#"[{"bn":"x/","bu":"Cel","bv":20,"n":"t","v":1.5,"bver":10},{"n":"h","vs":"60"},{"n":"h","vb":true}]"#,
        br#"[{"n":"t","v":1e308},{"bv":-1e308,"n":"t","v":1}]"#,
    ];
    fuzz("senml", 1, &corpus, &tokens(), |bytes| hear(&config, "senml", bytes));
}

#[test]
fn any_journal_entry_is_answered() {
    let config = room();
    let corpus: [&[u8]; 6] = [
        br#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","seed_grams":24,"count":6}"#,
        br#"{"did":"sow","tray":"K1","place":"rack-a","blend":"broccoli:2,kale:1","seed_grams":24,"count":6,"at":"2026-03-03T17:00:00Z"}"#,
        br#"{"did":"water","place":"rack-a","ml_per_tray":118,"by":"Ada"}"#,
        br#"{"did":"harvest","tray":"K12","grams":1696}"#,
        br#"{"did":"discard","tray":"K12","reason":"mold","share":30}"#,
        br#"{"did":"strike","entry":17,"note":"wrong tray"}"#,
    ];
    let journal = config.topics.journal.clone();
    fuzz("journal entry", 1, &corpus, &tokens(), |bytes| hear(&config, &journal, bytes));
}

#[test]
fn any_typed_line_is_answered() {
    let corpus: [&[u8]; 5] = [
        b"sow K12 rack-b broccoli 24g x6 lot=L7 medium=coir",
        b"sow K12 rack-b blend=broccoli:16g,kale:8g x6",
        b"water rack-b 118ml",
        b"discard K12 mold 30%",
        b"look K12 \"roots white, all even\"",
    ];
    let words =
        ["x", "g", "ml", "L", "%", "=", ":", ",", "blend=", "count=", "at=", "\"", "99999999999999999999", "-1", "é"];
    fuzz("typed line", 1, &corpus, &words, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else { return };
        let mut words = text.split_whitespace().map(str::to_owned);
        let Some(did) = words.next() else { return };
        let words: Vec<String> = words.collect();
        if let Ok(entry) = typed::entry::read(&did, &words, |word| word == "rack-b", []) {
            comes_back(&entry);
        }
    });
}

#[test]
fn any_line_of_a_capture_is_answered() {
    let corpus: [&[u8]; 3] = [
        br#"{"tst":"2026-03-03T17:00:00.123456-0600","topic":"loft/rack-a/air","qos":1,"retain":0,"payload":"21.5"}"#,
        br#"{"tst":"2026-11-25T07:32:48.585881Z-0600","topic":"a/b","qos":0,"retain":1,"payloadlen":10,"payload":{"v":21.5}}"#,
        br#"{"tst":"2026-03-03T23:00:00Z","topic":"a","payload":null,"payloadlen":0}"#,
    ];
    let mut words = tokens();
    words.extend(["-0600", "Z", "+14:00", "T", "0000", "9999", "\"tst\":", "\"retain\":1"]);
    fuzz("capture line", 1, &corpus, &words, |bytes| {
        if let Ok(captured) = capture::read_line(1, bytes) {
            assert!(captured.payload.len() <= bytes.len() * 3, "a payload larger than its line");
        }
    });
}

#[test]
fn any_settings_are_answered() {
    let example = config::example().as_bytes();
    let words = [
        "[[sensor]]",
        "[site]",
        "[",
        "]",
        "=",
        "\"",
        "{",
        "}",
        "'''",
        "#",
        "\n",
        "-1",
        "1e400",
        "nan",
        "true",
        "1979-05-27",
        "\"30 s\"",
        "\"0 s\"",
        "\"99999999999 days\"",
        "\"-40 F\"",
        "\"120 %\"",
        "id",
        "place",
        "topic",
        "every",
        "\u{feff}",
        "\0",
    ];
    fuzz("settings", 100, &[example, ROOM.as_bytes()], &words, |bytes| {
        let Ok(text) = std::str::from_utf8(bytes) else { return };
        if let Err(problems) = config::parse(text, "fuzz.toml", Path::new("/")) {
            assert!(problems.to_string().contains("fuzz.toml"), "a problem without its file");
        }
    });
}

#[test]
fn any_mail_is_answered() {
    let corpus: [&[u8]; 5] = [
        b"From: Ada <ada@saltmarsh.example>\r\nTo: warden@saltmarsh.example\r\nSubject: Re: Now: tank empty [K7QW]\r\n\
          In-Reply-To: <1.2@saltmarsh.example>\r\nReferences: <1.1@saltmarsh.example> <1.2@saltmarsh.example>\r\n\
          Date: Tue, 3 Mar 2026 03:10:00 -0600\r\nMessage-ID: <a@phone.example>\r\n\r\n\
          seen\r\n\r\nOn Tue 3 Mar 2026 at 03:08, Saltmarsh Lane wrote:\r\n> Now: tank empty\r\n",
        b"From: ada@saltmarsh.example\r\nSubject: =?utf-8?B?UmU6IE5vdzogdGFuayBlbXB0eQ==?=\r\nMIME-Version: 1.0\r\n\
          Content-Type: multipart/alternative; boundary=\"b1\"\r\n\r\n--b1\r\nContent-Type: text/plain; charset=utf-8\r\n\
          Content-Transfer-Encoding: quoted-printable\r\n\r\nwater rack-a 118ml=\r\n each\r\nThanks, Ada\r\n--b1\r\n\
          Content-Type: text/html\r\nContent-Transfer-Encoding: base64\r\n\r\nPGRpdj5zZWVuPC9kaXY+\r\n--b1--\r\n",
        b"From: ada@saltmarsh.example\r\nContent-Type: text/html; charset=\"iso-8859-1\"\r\n\r\n\
          <div dir=\"ltr\">quiet 2 h</div><br><div class=\"quote\"><blockquote>Now: tank empty</blockquote></div>\r\n",
        b"From: ada@saltmarsh.example\r\nAuto-Submitted: auto-replied\r\nReturn-Path: <>\r\n\r\nI am away until Monday.\r\n",
        b"From: ada@saltmarsh.example\r\n\r\n\xe2\x80\x9cwrong: the door stood open\xe2\x80\x9d\r\n-- \r\nAda\r\n",
    ];
    let words = [
        "\r\n",
        "\n",
        "\r\n\r\n",
        "--b1",
        "--b1--",
        ":",
        ";",
        "=",
        "=3D",
        "=?utf-8?Q?",
        "?=",
        "<",
        ">",
        "</div>",
        "<!--",
        "&#x110000;",
        "Content-Type: ",
        "multipart/mixed; boundary=\"\"",
        "message/rfc822",
        "charset=utf-7",
        "base64",
        "> ",
        "wrote:",
        "seen",
        "quiet 99999999999 h",
        "\u{2028}",
        "\0",
        "\u{200b}",
    ];
    fuzz("mail answer", 5, &corpus, &words, |bytes| {
        for (line, asked) in answers::asked_by_mail(bytes, |word| word == "rack-a") {
            assert!(line.chars().count() <= 500, "a line longer than any we take");
            match asked {
                Ok(Asked::Entry(entry)) => comes_back(&entry),
                Ok(Asked::Quiet(span)) => assert!(span.num_hours() <= 24, "silenced for {span}"),
                Ok(Asked::Seen { .. }) => {}
                Err(why) => assert!(!why.is_empty(), "refused without a word"),
            }
        }
    });
}

/// The room with one tray in it, as the page is shown it.
fn with_a_tray(config: &Config) -> Engine {
    let mut engine = Engine::new(Arc::new(config.rules.clone()), arrived());
    let sown = br#"{"did":"sow","tray":"K12","place":"rack-a","crop":"broccoli","count":6}"#;
    let entry = serde_json::from_slice(sown).expect("an entry");
    engine.handle(Event { at: arrived(), what: What::Journal { number: 1, entry } });
    engine
}

#[test]
fn any_form_of_the_page_is_answered() {
    let config = room();
    let snapshot = with_a_tray(&config).snapshot();
    let corpus: [&[u8]; 6] = [
        b"task=water&rack=rack-a&tray=K12&amount=118&note=dry&key=a1&back=/rack?id%3Drack-a",
        b"task=usual&rack=rack-a&entry=%7B%22did%22%3A%22water%22%2C%22place%22%3A%22rack-a%22%2C%22ml_per_tray%22%3A118%7D",
        b"task=refill&reservoir=tank&amount=12,5+L",
        b"tray=K13&place=rack-a&count=4&kind=broccoli&part=2&kind=kale&part=1&seed=24&medium=coir&lot=L7",
        b"alarm=reservoir-empty%3Atank&word=right",
        b"entries=17.18.19&task=discard&reason=mold",
    ];
    let words = [
        "&", "=", "+", "%", "%22", "%7B", "%00", "%ff", "task=", "tray=", "amount=", "kind=", "part=", "1e400", "-1",
        "9e18", "uncover",
    ];
    fuzz("page form", 1, &corpus, &words, |bytes| {
        for path in ["/did", "/sow", "/strike", "/answer"] {
            match page::asked_by_form(&config.rules, &snapshot, path, bytes) {
                Some(Ok(bodies)) if path != "/answer" => {
                    for body in bodies {
                        let entry: Entry = serde_json::from_str(&body).expect("what the page wrote can be read");
                        comes_back(&entry);
                    }
                }
                // A slip of several alarms is answered as one, each by its own.
                Some(Ok(bodies)) => {
                    let fields = bytes.split(|byte| *byte == b'&').count();
                    assert!(!bodies.is_empty() && bodies.len() <= fields, "{} answers", bodies.len());
                }
                Some(Err(why)) => assert!(!why.is_empty(), "refused without a word"),
                None => panic!("{path} is one of ours"),
            }
        }
    });
}

#[test]
fn any_request_to_the_page_is_answered() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = format!("{ROOM}[store]\npath = \"room.db\"\n");
    let config = config::parse(&text, "room.toml", folder.path()).unwrap_or_else(|problems| panic!("{problems}"));
    let (_store, _) = Store::open(&config.store.path, &config.rules, arrived()).expect("a store");
    let (_page, desk) = Page::and_desk(&config, with_a_tray(&config).snapshot());
    let desk = Arc::new(desk);
    let corpus: [&[u8]; 6] = [
        b"GET / HTTP/1.1\r\nHost: localhost\r\nCookie: warden=AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\r\n\r\n",
        b"GET /rack?id=rack-a&told=1.2 HTTP/1.1\r\nHost: 127.0.0.1:8460\r\nAccept: text/html\r\nConnection: close\r\n\r\n",
        b"POST /did HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nSec-Fetch-Site: same-origin\r\n\
          Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 26\r\n\r\ntask=water&tray=K12&key=a1",
        b"POST /pair HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nTransfer-Encoding: chunked\r\n\
          Content-Type: application/x-www-form-urlencoded\r\n\r\n6\r\ncode=a\r\n0\r\n\r\n",
        b"GET /sheet.css HTTP/1.0\r\nHost: [::1]:8460\r\nX-Forwarded-For: 1.2.3.4\r\n\r\n",
        b"GET /health HTTP/1.1\r\nhost: localhost\r\n\r\nGET /metrics HTTP/1.1\r\nhost: localhost\r\n\r\n",
    ];
    let words = [
        "\r\n",
        "\n",
        "\r\n\r\n",
        " ",
        ":",
        "/",
        "?",
        "&",
        "=",
        "%00",
        "..",
        "GET",
        "POST",
        "HEAD",
        "HTTP/1.1",
        "HTTP/2.0",
        "Host: ",
        "Content-Length: 99999999999999999999",
        "Content-Length: -1",
        "Transfer-Encoding: chunked",
        "ffffffffffffffff\r\n",
        "Expect: 100-continue",
        "Upgrade: websocket",
        "\0",
        "\u{ff}",
        "/journal?before=-9e99",
        "/tray?name=K12",
        "/sow?kind=kale",
        "/room",
    ];
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let peer = SocketAddr::from(([127, 0, 0, 1], 40_000));
    let (asked, answered) = (Cell::new(0_u64), Cell::new(0_u64));
    fuzz("page request", 50, &corpus, &words, |bytes| {
        let answer = runtime.block_on(async {
            let (mut phone, page) = tokio::io::duplex(1 << 20);
            phone.write_all(bytes).await.expect("there is room for it");
            let asks = async {
                // A phone that hangs up at once is not answered.
                for _ in 0..100 {
                    tokio::task::yield_now().await;
                }
                phone.shutdown().await.expect("it can be ended");
                let mut answer = Vec::new();
                phone.read_to_end(&mut answer).await.expect("what was said can be heard");
                answer
            };
            tokio::join!(page::connection(Arc::clone(&desk), page, peer), asks).1
        });
        answered.set(answered.get() + u64::from(!answer.is_empty()));
        asked.set(asked.get() + 1);
        assert!(answer.is_empty() || answer.starts_with(b"HTTP/1."), "{}", answer.escape_ascii());
        assert!(!answer.starts_with(b"HTTP/1.1 500"), "{}", answer.escape_ascii());
    });
    let (asked, answered) = (asked.get(), answered.get());
    assert!(answered > asked / 2, "only {answered} of {asked} requests were far enough from nonsense to be answered");
}
