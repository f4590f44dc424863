//! The round sheet as the real binary serves it: what a tick does and that it counts once,
//! what is turned away at the door, how a phone is paired; and, in `browser`, a thumb in a
//! real browser.

#![expect(clippy::unwrap_used, reason = "a test that unwraps says where it broke")]

mod browser;
mod figures;
#[path = "../broker/server.rs"]
#[expect(dead_code, reason = "shared with tests/broker, which uses the rest")]
mod broker_server;
mod room;

use broker_server::Server;
use room::{Response, Room};
use std::io::{Read, Write};

#[test]
fn a_tick_writes_the_journal_once_however_often_it_is_sent() {
    let room = Room::started("");
    room.sown();
    let sheet = room.get("/");
    assert_eq!(sheet.status, 200, "{}", sheet.body);
    let form = sheet.form("Tick: Water K1");
    for _ in 0..3 {
        let answer = room.post(&form);
        assert_eq!(answer.status, 303, "{}", answer.body);
        let reported = room.get(answer.header("location").unwrap());
        assert!(reported.body.contains("Written down: </strong>K1 watered, 118 mL a tray."), "{}", reported.body);
    }
    assert_eq!(room.entries("water"), 1);
    let sheet = room.get("/");
    assert!(!sheet.body.contains("Tick: Water K1"), "what is done is no more to do");
    assert!(sheet.body.contains("this machine"), "it carries a name");

    let back = sheet.form("Take back: K1 watered");
    assert_eq!(room.post(&back).status, 303);
    assert_eq!(room.post(&back).status, 303);
    assert_eq!(room.entries("strike"), 1);
    assert!(room.get("/").body.contains("Tick: Water K1"), "what was taken back is to do again");
}

#[test]
fn a_whole_rack_is_done_as_usual_with_one_tick() {
    let room = Room::started("units = \"us\"\n");
    room.sown();
    let sheet = room.get("/");
    let form = sheet.form("All of it, as usual");
    assert_eq!(room.post(&form).status, 303);
    assert_eq!((room.entries("water"), room.entries("look"), room.entries("harvest")), (1, 1, 0));
    let mut cut = room.get("/").form("Tick: Cut K1");
    cut.set("amount", "15,5");
    let answer = room.post(&cut);
    assert_eq!(answer.status, 303, "{}", answer.body);
    let kept = room.newest("harvest");
    assert_eq!(kept["grams"], 439.42, "15.5 oz of 28.349523125 g (NIST SP 811)");
}

#[test]
fn alarms_of_one_cause_are_one_slip_and_one_answer_is_for_all_of_them() {
    let broker = Server::start(|_| "allow_anonymous true\n".to_owned());
    let tables = r#"[alarm.air-too-warm]
on_delay = "0 s"
[[sensor]]
id = "rack-b-air"
place = "rack-b"
topic = "loft/rack-b/air"
every = "30 s"
temperature = { pointer = "/t", unit = "Cel" }
humidity = { pointer = "/h", unit = "%RH" }
"#;
    let room = Room::with_tables(tables, broker.port);
    room.until("the daemon to listen", || room.log().contains("connected to the broker").then_some(()));
    let both = |state: &str| {
        let open: serde_json::Value = serde_json::from_str(&room.verb(&["alarms", "--json"])).ok()?;
        let open: Vec<_> = open.as_array()?.iter().filter(|alarm| alarm["kind"] == "air-too-warm").cloned().collect();
        (open.len() == 2 && open.iter().all(|alarm| alarm["state"] == state)).then_some(open)
    };
    room.until("both racks to be too warm", || {
        for rack in ["a", "b"] {
            room::publish(broker.port, &format!("loft/rack-{rack}/air"), r#"{"t":39.5,"h":50}"#);
        }
        std::thread::sleep(std::time::Duration::from_secs(1));
        both("unacknowledged")
    });
    let sheet = room.get("/");
    assert_eq!(sheet.body.matches("<article").count(), 1, "{}", sheet.body);
    assert!(sheet.body.contains("1 slip unanswered"), "{}", sheet.body);
    let mut form = sheet.form("value=\"air-too-warm:rack-a\"");
    assert_eq!(form.fields.iter().filter(|(name, _)| name == "alarm").count(), 2, "both in one form");
    form.set("word", "wrong");
    assert_eq!(room.post(&form).status, 303);
    let seen = room.until("both to be seen", || both("acknowledged"));
    assert!(seen.iter().all(|alarm| alarm["by"] == "this machine"), "{seen:?}");
    assert_eq!(room.graded("wrong"), 2);
    let sheet = room.get("/").body;
    assert_eq!(sheet.matches("Seen by this machine at").count(), 1, "{sheet}");
    assert!(!sheet.contains("name=\"alarm\""), "{sheet}");
}

#[test]
fn one_tick_brings_a_tray_to_the_light_of_another_rack() {
    let room = Room::started("");
    let sown = room::days_ago(5);
    for tray in ["K1", "K2"] {
        room.logged(&format!(r#"{{"did":"sow","tray":"{tray}","place":"rack-a","crop":"broccoli","at":"{sown}"}}"#));
    }
    let sheet = room.get("/");
    let mut form = sheet.form("Tick: Uncover, to the light K1, K2");
    assert_eq!(form.fields.iter().filter(|(name, value)| name == "place" && value.is_empty()).count(), 1, "it stays");
    form.set("place", "rack-b");
    form.set_all("tray", &["K2"]);
    let answer = room.post(&form);
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert_eq!(
        (room.newest("move")["tray"].clone(), room.newest("uncover")["tray"].clone()),
        ("K2".into(), "K2".into())
    );
    assert_eq!((room.entries("move"), room.entries("uncover")), (1, 1), "K1 stays where and as it is");
    let trays: serde_json::Value = serde_json::from_str(&room.verb(&["trays", "--json"])).unwrap();
    let of = |name: &str| trays.as_array().unwrap().iter().find(|tray| tray["tray"] == name).cloned().unwrap();
    assert_eq!((of("K2")["place"].clone(), of("K2")["stage"].clone()), ("Rack B".into(), "light".into()), "{trays}");
    assert_eq!((of("K1")["place"].clone(), of("K1")["stage"].clone()), ("Rack A".into(), "blackout".into()), "{trays}");
}

#[test]
fn an_amount_that_is_none_is_refused_in_a_sentence_and_nothing_is_written() {
    let room = Room::started("");
    room.sown();
    let mut form = room.get("/").form("Tick: Water K1");
    form.set("amount", "a cup");
    let answer = room.post(&form);
    assert_eq!(answer.status, 400);
    assert!(answer.body.contains("&quot;a cup&quot; is no amount"), "{}", answer.body);
    form.set("amount", "118");
    form.set("tray", "");
    assert_eq!(room.post(&form).status, 400);
    assert_eq!(room.entries("water"), 0);
}

#[test]
fn a_form_that_we_did_not_show_does_nothing() {
    let room = Room::started("");
    room.sown();
    let form = room.get("/").form("Tick: Water K1");
    let sent = |headers: &[(&str, &str)], form: &room::Form| {
        let headers = [headers, &[("Cookie", form.cookie.as_str())]].concat();
        room.ask("POST", &form.action, &headers, Some(&form.body()))
    };
    let own = room.origin();
    for (what, origin) in
        [("foreign", "http://evil.example"), ("none", "null"), ("port", "http://127.0.0.1:1"), ("empty", "")]
    {
        assert_eq!(sent(&[("Origin", origin)], &form).status, 403, "{what}");
    }
    assert_eq!(sent(&[], &form).status, 403, "no origin");
    assert_eq!(sent(&[("Origin", &own), ("Sec-Fetch-Site", "cross-site")], &form).status, 403);
    let mut forged = form.clone();
    forged.set("form", "AAAA");
    assert_eq!(room.post(&forged).status, 403, "a token of nobody");
    let other = form.clone().without_cookie();
    assert_eq!(room.post(&other).status, 403, "a token of somebody else");
    assert_eq!(room.ask("GET", "/did", &[], None).status, 404, "nothing happens on GET");
    assert_eq!(room.entries("water"), 0);
    assert_eq!(room.post(&form).status, 303, "the form itself is good");
}

#[test]
fn a_foreign_name_is_never_answered() {
    let room = Room::started("");
    for host in ["evil.example", "watch.evil.example", "8.8.8.8", "localhost.evil.example"] {
        for path in ["/", "/live", "/sheet.css", "/pair?code=x"] {
            let answer = room.ask("GET", path, &[("Host", host)], None);
            assert_eq!(answer.status, 421, "{host}{path}");
            assert!(!answer.body.contains("Saltmarsh"), "{host}");
        }
    }
    for host in ["watch.lan", "localhost", "[::1]", "192.168.1.20:8460"] {
        assert_eq!(room.ask("GET", "/", &[("Host", host)], None).status, 200, "{host}");
    }
}

#[test]
fn no_address_leads_to_a_file_and_every_answer_carries_its_headers() {
    let room = Room::started("");
    for path in
        ["/../room.toml", "/%2e%2e/room.toml", "/..%2froom.toml", "//etc/passwd", "/sheet.css/../../room.db", "/.git"]
    {
        let answer = room.ask("GET", path, &[], None);
        assert!(answer.status == 404, "{path}: {}", answer.status);
    }
    for path in ["/", "/nothing", "/sheet.css"] {
        let answer = room.ask("GET", path, &[], None);
        let policy = answer.header("content-security-policy").unwrap();
        assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(answer.header("server"), None);
    }
    assert_eq!(room.ask("GET", "/", &[], None).header("cache-control"), Some("no-store"));
    assert!(room.get("/").header("set-cookie").unwrap().contains("HttpOnly; SameSite=Strict"));
    assert_eq!(room.ask("DELETE", "/", &[], None).status, 405);
}

#[test]
fn a_form_larger_than_any_of_ours_is_turned_away() {
    let room = Room::started("");
    let body = format!("form=x&note={}", "x".repeat(20_000));
    assert_eq!(room.ask("POST", "/did", &[("Origin", &room.origin())], Some(&body)).status, 413);
    let long = format!("/?told={}", "1.".repeat(2_000));
    assert_eq!(room.ask("GET", &long, &[], None).status, 414);
    let answer = room.ask("GET", "/", &[("X-Large", &"x".repeat(40_000))], None);
    assert!(answer.status == 431 || answer.status == 0, "a header without end: {}", answer.status);
}

#[test]
fn a_header_that_never_ends_is_hung_up_on_and_others_are_served_meanwhile() {
    let room = Room::started("");
    let mut slow: Vec<_> = (0..8).map(|_| room.connect()).collect();
    for stream in &mut slow {
        stream.write_all(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ").unwrap();
    }
    assert_eq!(room.get("/").status, 200);
    for stream in &mut slow {
        let mut rest = Vec::new();
        // The read ends when the page hangs up, or fails when it has not within the test's patience.
        stream.read_to_end(&mut rest).expect("the page hangs up on a header that never ends");
        assert!(!String::from_utf8_lossy(&rest).contains("200 OK"));
    }
}

#[test]
fn one_address_cannot_take_every_place() {
    let room = Room::started("");
    let held: Vec<_> = (0..16).map(|_| room.connect()).collect();
    let turned_away = room.ask("GET", "/", &[], None);
    assert_eq!(turned_away.status, 0, "the seventeenth is hung up on");
    drop(held);
    room.until("a place to be free again", || (room.ask("GET", "/", &[], None).status == 200).then_some(()));
}

#[test]
fn what_a_grower_typed_stays_text() {
    let room = Room::started("");
    let evil = "<script>alert(1)</script>\"'&";
    room.logged(&format!(
        r#"{{"did":"sow","tray":{0},"place":"rack-a","crop":{0},"at":"{1}"}}"#,
        serde_json::to_string(evil).unwrap(),
        room::days_ago(9)
    ));
    room.logged(&format!(
        r#"{{"did":"uncover","tray":{},"at":"{}"}}"#,
        serde_json::to_string(evil).unwrap(),
        room::days_ago(4)
    ));
    room.logged(&format!(r#"{{"did":"note","text":{}}}"#, serde_json::to_string(evil).unwrap()));
    let tray: String = format!("/tray?name={}", "%3Cscript%3Ealert(1)%3C%2Fscript%3E%22'%26");
    for path in ["/", "/rack?id=rack-a", "/room", "/journal", "/sow", tray.as_str()] {
        let sheet = room.get(path);
        assert_eq!(sheet.status, 200, "{path}: {}", sheet.body);
        assert!(!sheet.body.contains("<script>alert"), "{path}");
        if path != "/sow" {
            assert!(sheet.body.contains("&lt;script&gt;alert(1)"), "{path} shows it");
        }
    }
    let form = room.get("/").form("Tick: Water <script>");
    assert_eq!(room.post(&form).status, 303);
    assert_eq!(room.newest("water")["tray"], evil, "and it can be ticked");
}

#[test]
fn a_phone_is_paired_once_by_a_link_and_acts_under_its_name() {
    let room = Room::started("");
    room.sown();
    let phone = |path: &str, cookie: &str| room.ask("GET", path, &[room::FROM_AFAR, ("Cookie", cookie)], None);
    assert_eq!(phone("/", "").status, 401);
    assert_eq!(phone("/live", "").status, 401);
    assert!(!phone("/", "").body.contains("K1"), "an unpaired phone is shown nothing");
    assert_eq!(phone("/sheet.css", "").status, 200, "but in the page's own look");

    let code = room.offered();
    let link = format!("/pair?code={code}");
    assert_eq!(phone(&link, "").status, 200);
    assert_eq!(phone(&link, "").status, 200, "looking at a link uses nothing up");
    let press = |name: &str| {
        room.ask(
            "POST",
            "/pair",
            &[room::FROM_AFAR, ("Origin", &room.origin())],
            Some(&format!("code={code}&name={name}")),
        )
    };
    let paired = press("Ada");
    assert_eq!(paired.status, 303, "{}", paired.body);
    let cookie = paired.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
    assert_eq!(press("Eve").status, 410, "the second time it is used up");
    assert_eq!(phone(&link, "").status, 410);

    let sheet = phone("/", &cookie);
    assert_eq!(sheet.status, 200, "{}", sheet.body);
    let form = sheet.form("Tick: Water K1").with_cookie(&cookie);
    let answer = room.ask(
        "POST",
        &form.action,
        &[room::FROM_AFAR, ("Origin", &room.origin()), ("Cookie", &cookie)],
        Some(&form.body()),
    );
    assert_eq!(answer.status, 303, "{}", answer.body);
    assert_eq!(room.newest("water")["by"], "Ada");

    let secret = cookie.split_once('=').unwrap().1;
    assert!(!room.bytes_of_store_hold(secret) && !room.bytes_of_store_hold(&code), "only hashes are kept");
    let listed = room.verb(&["pair", "--list"]);
    assert!(listed.contains("Ada: paired"), "{listed}");
    room.verb(&["pair", "--forget", "ada"]);
    assert_eq!(phone("/", &cookie).status, 401, "an unpaired phone is shown nothing any more");
}

#[test]
fn an_old_link_pairs_nothing_and_guessing_is_stopped() {
    let room = Room::started("");
    let code = room.offered();
    room.sql("UPDATE pairing SET until = 1000");
    let press = |code: &str| {
        let body = format!("code={code}&name=Eve");
        room.ask("POST", "/pair", &[room::FROM_AFAR, ("Origin", &room.origin())], Some(&body)).status
    };
    assert_eq!(press(&code), 410);
    assert_eq!(room.ask("POST", "/pair", &[room::FROM_AFAR], Some("code=x&name=y")).status, 403, "no origin");
    for guess in 0..9 {
        assert_eq!(press(&format!("guess{guess}")), 410);
    }
    assert_eq!(press("guess"), 429);
    let good = room.offered();
    assert_eq!(press(&good), 429, "not even with a good one");
    assert!(room.verb(&["pair", "--list"]).contains("No phone is paired"));
}

#[test]
fn the_live_connection_tells_of_a_change_and_costs_no_place_when_left() {
    let room = Room::started("");
    room.sown();
    let mut stream = room.connect();
    stream.write_all(b"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").unwrap();
    let first = room::read_until(&mut stream, "data: ");
    assert!(first.contains("text/event-stream"), "{first}");
    let form = room.get("/").form("Tick: Water K1");
    room.post(&form);
    room::read_until(&mut stream, "data: ");
}

#[test]
fn a_blend_is_worked_out_before_it_is_sown_and_is_sown_as_it_was_worked_out() {
    let room = Room::started("");
    let mut form = room.get("/sow").form("Sow it");
    form.set("tray", "K9");
    form.set_all("kind", &["broccoli", "kale", "radish", ""]);
    form.set_all("part", &["1", "1", "1", ""]);
    form.set("seed", "24");
    form.set("count", "6");
    let reckoned = room.post(&room::Form { action: "/reckon".into(), ..form.clone() });
    assert_eq!(reckoned.status, 200, "{}", reckoned.body);
    // Common practice, no source: 24 g a tray, 8 g each of three kinds.
    for words in ["8.0 g", "48.0 g", "24.0 g", "144.0 g"] {
        assert!(reckoned.body.contains(words), "{words}");
    }
    assert_eq!(room.entries("sow"), 0);
    let sown = room.post(&form);
    assert_eq!(sown.status, 303, "{}", sown.body);
    assert_eq!(room.newest("sow")["blend"]["kale"], 8.0);
    form.set("seed", "");
    let refused: Response = room.post(&form);
    assert!(refused.body.contains("A blend needs the seed"), "{}", refused.body);
}

#[test]
fn seed_is_weighed_in_ounces_where_the_house_counts_in_them() {
    let room = Room::started("units = \"us\"\n");
    let sheet = room.get("/sow");
    assert!(sheet.body.contains("Seed in one tray, all kinds together, oz"), "{}", sheet.body);
    let mut form = sheet.form("Sow it");
    form.set("tray", "K9");
    form.set_all("kind", &["broccoli", "", "", ""]);
    form.set("count", "6");
    for (seed, all, grams) in [("0.85", "5.10 oz", 24.1), ("24 g", "5.08 oz", 24.0)] {
        form.set("seed", seed);
        let reckoned = room.post(&room::Form { action: "/reckon".into(), ..form.clone() });
        assert!(reckoned.body.contains("0.85 oz") && reckoned.body.contains(all), "{}", reckoned.body);
        assert_eq!(room.post(&form).status, 303);
        assert_eq!(room.newest("sow")["seed_grams"], grams, "{seed}: 28.349523125 g an ounce (NIST SP 811)");
        form = room.get("/sow").form("Sow it");
        form.set("tray", "K10");
        form.set_all("kind", &["broccoli", "", "", ""]);
        form.set("count", "6");
    }
}

#[test]
fn a_refill_is_filled_in_with_what_the_tank_takes() {
    let broker = Server::start(|_| "allow_anonymous true\n".to_owned());
    let room = Room::on_broker("", broker.port);
    room.until("the daemon to listen", || room.log().contains("connected to the broker").then_some(()));
    let sent = std::process::Command::new("mosquitto_pub")
        .args(["-p", &broker.port.to_string(), "-t", "loft/tank/distance", "-m", "200"])
        .status()
        .expect("mosquitto_pub runs (apt install mosquitto-clients)");
    assert!(sent.success());
    room.until("the level of the tank", || room.get("/").body.contains(", takes ").then_some(()));
    // 600 by 400 mm, 350 mm high, the gauge 400 mm above the floor: 150 mm are missing, 36 L.
    let form = room.get("/").form("Tick: refill Tank");
    assert!(form.fields.contains(&("amount".to_owned(), "36".to_owned())), "{form:?}");
    assert_eq!(room.post(&form).status, 303);
    assert_eq!(room.newest("refill")["litres"], 36.0);
}
